package pulse

import "strconv"

// A Quantity names a measured figure as the measurement document does; the
// unit is in the name.
type Quantity string

const (
	RatePPS      Quantity = "rate_pps"         // dial: pulses per second, each period inside a train
	RateIPM      Quantity = "rate_ipm"         // interrupter: cycles per minute, each cycle
	BreakPercent Quantity = "break_percent"    // 100 · break / period
	BreakRatio   Quantity = "break_make_ratio" // break / make of one period, as r in r:1
	BreakMS      Quantity = "break_ms"
	MakeMS       Quantity = "make_ms" // dial: makes inside trains only
	InterdigitMS Quantity = "interdigit_ms"
	PeriodMS     Quantity = "period_ms"  // opening to opening
	BounceMS     Quantity = "bounce_ms"  // each transition
	SegmentMS    Quantity = "segment_ms" // one segment of a cadence, see Limit.Segment
)

// Seen says how firmly a published figure is known.
type Seen string

const (
	SeenText      Seen = "text"            // read in the document itself
	SeenSecondary Seen = "secondary"       // another published page states it and names the document
	SeenDerived   Seen = "derived"         // arithmetic from figures that were seen
	SeenMemory    Seen = "memory"          // from memory: check the document
	SeenPractice  Seen = "common practice" // the trade uses it without a source
	SeenOwn       Seen = "own"             // the user's own figure
)

// A Limit is one published bound or pair of bounds on a quantity. Min, Max
// and Nominal are nil where the source gives none; at least one of Min and
// Max is given.
type Limit struct {
	Quantity Quantity
	Segment  int // 1-based segment of the cadence, for SegmentMS; else 0
	Min, Max *float64
	Nominal  *float64
	Source   string // document, edition, clause
	Seen     Seen
	Note     string
}

// Name is the quantity as conformity items show it: segment 3 of a cadence is
// "segment_3_ms", all else the quantity itself.
func (l Limit) Name() string {
	if l.Quantity == SegmentMS {
		return "segment_" + strconv.Itoa(l.Segment) + "_ms"
	}
	return string(l.Quantity)
}

// A Profile is a set of limits that one document sets for one use, with the
// ways of reading a recording that belong to it. Zero fields keep the
// defaults.
type Profile struct {
	ID      string // e.g. "au-s002-dial"
	Title   string
	Country string // ISO 3166 alpha-2, "INT", or "" for a user's own
	Use     string // "sending", "receiving" or "cadence"
	Kind    Kind   // KindDial or KindInterrupter
	Coding  Coding // how pulse counts become digits (dial)

	// What counts as a pulse, for receivers that differ; 0 keeps the default.
	PulseMinNS, PulseMaxNS, TrainGapNS, FlashMaxNS int64

	CadenceNS []int64 // nominal make, break, make, break …; empty for a dial
	Limits    []Limit
	Conflicts []string // where published figures disagree, one sentence each
	Notes     []string
}

// A Coding says how many pulses stand for a digit.
type Coding uint8

const (
	// CodingNormal: 1…9 pulses are 1…9, ten are 0 (AS/CA S002:2010 cl. 5.5.1.7.1(c)).
	CodingNormal Coding = iota
	// CodingNPlus1: 0 is one pulse, 1 two … 9 ten (Sweden; secondary sources).
	CodingNPlus1
	// Coding10MinusN: 0 is ten pulses, 1 nine … 9 one (New Zealand, Oslo; NZ
	// Telecom PTC 200 §5.1 names it reverse decadic, the list is secondary).
	Coding10MinusN
)

// Digit gives the digit that n pulses stand for; ok is false when none does.
func (c Coding) Digit(n int) (digit byte, ok bool) {
	if n < 1 || n > 10 {
		return 0, false
	}
	switch c {
	case CodingNPlus1:
		return byte('0' + n - 1), true
	case Coding10MinusN:
		return byte('0' + (10-n)%10), true
	}
	return byte('0' + n%10), true
}

// Pulses gives the number of pulses for a digit '0'…'9'; ok is false for any
// other byte.
func (c Coding) Pulses(digit byte) (n int, ok bool) {
	if digit < '0' || digit > '9' {
		return 0, false
	}
	d := int(digit - '0')
	switch c {
	case CodingNPlus1:
		return d + 1, true
	case Coding10MinusN:
		return 10 - d, true
	}
	if d == 0 {
		d = 10
	}
	return d, true
}

func (c Coding) String() string {
	switch c {
	case CodingNPlus1:
		return "n+1"
	case Coding10MinusN:
		return "10-n"
	}
	return "normal"
}
