package pulse

import (
	"encoding/json"
	"iter"
	"math"
	"slices"
	"strconv"
)

// Format names the measurement document that Measurement marshals to.
const Format = "makebreak.measurement/1"

// A Num is a number that may not have been measured: then it is null in JSON
// and never 0.
type Num struct {
	V  float64
	OK bool
}

// Known makes a Num that was measured.
func Known(v float64) Num { return Num{v, true} }

// MarshalJSON gives the number, or null. The number has 12 significant digits, but
// 9 decimals at least and 12 at most. Processors that fuse multiplication and
// addition differ from others in the last digits of a float64, and no contact is
// known as well as that. Nanoseconds in a long time in seconds are kept.
func (n Num) MarshalJSON() ([]byte, error) { return n.AppendJSON(nil), nil }

// AppendJSON appends what MarshalJSON gives.
func (n Num) AppendJSON(b []byte) []byte {
	if !n.OK {
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, rounded(n.V), 'g', -1, 64)
}

// A Rounded is a number that JSON shows as it does a Num.
type Rounded float64

// MarshalJSON gives the number as a Num's does.
func (r Rounded) MarshalJSON() ([]byte, error) { return Known(float64(r)).MarshalJSON() }

// rounded gives v to 12 significant digits, but to 9 decimals at least and 12 at
// most: what is small is often the difference of two greater figures.
func rounded(v float64) float64 {
	a := math.Abs(v)
	scale := 1e12
	switch {
	case !(a < 1<<22): // a float64 itself is no finer than 1e-9 there, so rounding again could move it
		return v
	case a >= 100:
		scale = 1e9
	case a >= 10:
		scale = 1e10
	case a >= 1:
		scale = 1e11
	}
	return math.Round(v*scale)/scale + 0 // 0, never -0
}

// UnmarshalJSON reads a number or null.
func (n *Num) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*n = Num{}
		return nil
	}
	n.OK = true
	return json.Unmarshal(b, &n.V)
}

// A Stat is the summary of one quantity: count, mean, sample standard
// deviation (n − 1), extremes and percentiles (linear between order
// statistics). With N = 0 all the others are unknown, with N = 1 SD is.
type Stat struct {
	N    int `json:"n"`
	Mean Num `json:"mean"`
	SD   Num `json:"sd"`
	Min  Num `json:"min"`
	Max  Num `json:"max"`
	P5   Num `json:"p5"`
	P50  Num `json:"p50"`
	P95  Num `json:"p95"`
}

// An OverallStat is a Stat of single periods with the figure over all of
// them: for rates periods / sum of periods, for percent break
// 100 · sum of breaks / sum of periods.
type OverallStat struct {
	Stat
	Overall Num `json:"overall"`
}

// A Measurement is all that one recording of a contact told. Units are in the
// JSON names.
type Measurement struct {
	Format   string `json:"format"`
	Source   string `json:"source"`
	Kind     string `json:"kind"`      // "dial" or "interrupter"
	KindFrom string `json:"kind_from"` // "given", "profile" or "data"
	// KindLooks is the kind that the data alone tell, null where they tell
	// none. Where it is not Kind, the limits may be the wrong ones.
	KindLooks *string `json:"kind_looks"`
	// MaybeInverted says that the data do not look like a dial, but would with the
	// other polarity.
	MaybeInverted bool                       `json:"maybe_inverted"`
	Limits        *string                    `json:"limits"`
	Capture       Capture                    `json:"capture"`
	Settling      Settling                   `json:"settling"`
	Dial          *Dial                      `json:"dial"`
	Interrupter   *Interrupter               `json:"interrupter"`
	Uncertainty   map[Quantity]*BudgetResult `json:"uncertainty"`
	Conformity    *Conformity                `json:"conformity"`
	// What was asked for beside the figures of the moment; nil otherwise.
	DriveTrain *DriveTrain `json:"drive_train"`
	Stability  *Stability  `json:"stability"`
	Drift      *Drift      `json:"drift"`
	Repeater   *Repeater   `json:"repeater"`
	// StabilityOfDial says that the stability was asked for of a dial, which has
	// none.
	StabilityOfDial bool `json:"-"`
}

// A Capture describes the recording itself.
type Capture struct {
	Edges        int     `json:"edges"`
	LostEdges    int     `json:"lost_edges"`
	FirstEdgeS   float64 `json:"first_edge_s"` // on the source's own clock; all other times count from it
	DurationS    float64 `json:"duration_s"`   // first to last edge of a file; start to end of a live capture
	PartialStart bool    `json:"partial_start"`
	PartialEnd   bool    `json:"partial_end"`
	UndecidedEnd bool    `json:"undecided_end"`
	Closed       string  `json:"closed"` // the level that means closed: "high" or "low"
	// Sequence says how the recording's sequence numbers count: "contact",
	// "file" (over all contacts of it), "unclear", or null without any.
	Sequence *string `json:"sequence"`
	Unknown  int     `json:"unknown_intervals"`
	UnknownS float64 `json:"unknown_s"`
	// UnknownTimes are the first 20 of these intervals.
	UnknownTimes []UnknownTime `json:"unknown_times,omitempty"`
}

// An UnknownTime is an interval in which the contact's state is not known.
type UnknownTime struct {
	StartS  float64 `json:"start_s"`
	LengthS float64 `json:"length_s"`
	Train   int     `json:"train,omitempty"` // of a dial, that it cut; 0: none
}

// Settling is what the settling filter saw.
type Settling struct {
	SettleMS    float64 `json:"settle_ms"`
	Timing      string  `json:"timing"` // "first" or "settled"
	Transitions int     `json:"transitions"`
	Bounced     int     `json:"bounced"`     // transitions that had bounce
	ExtraEdges  int     `json:"extra_edges"` // edges beyond the first of each transition
	Chatter     int     `json:"chatter"`     // bursts that ended where they began
	BounceMS    Stat    `json:"bounce_ms"`   // every transition, 0 for a clean one
	ChatterMS   Stat    `json:"chatter_ms"`
}

// Dial is what a dial or pulse generator sent.
type Dial struct {
	Digits      string `json:"digits"` // partial trains left out; '?' where no digit has that many pulses, or one stalled
	Coding      string `json:"coding"`
	Pulses      int    `json:"pulses"`
	ShortBreaks int    `json:"short_breaks"`
	Flashes     int    `json:"flashes"`
	// FlashesWithoutPause are the flashes with a pulse before or after them within
	// the train gap, and so a pause on one side only.
	FlashesWithoutPause int `json:"flashes_without_pause"`
	Disconnects         int `json:"disconnects"`
	// Stalls are breaks of a flash's length inside a train. They are no pulses, but
	// are measured and judged with those of the train.
	Stalls int `json:"stalls"`
	// DisconnectsInside are the disconnects with a short make on both sides: a
	// stall, or a line that was cut. They never pass.
	DisconnectsInside int `json:"disconnects_inside"`
	// LongBreaks are the first 100 flashes and disconnects.
	LongBreaks   []LongBreak `json:"long_breaks,omitempty"`
	Trains       Trains      `json:"trains"`
	RatePPS      OverallStat `json:"rate_pps"`
	BreakPercent OverallStat `json:"break_percent"`
	BreakMS      Stat        `json:"break_ms"`
	MakeMS       Stat        `json:"make_ms"`
	InterdigitMS Stat        `json:"interdigit_ms"`
}

// A LongBreak is a flash or a disconnect of a dial.
type LongBreak struct {
	Class      Class   `json:"class"`
	StartS     float64 `json:"start_s"` // as Train.StartS
	BreakMS    float64 `json:"break_ms"`
	AfterTrain int     `json:"after_train"` // the last one before it, from 1; 0: none
}

// A Train is one run of pulses.
type Train struct {
	Digit        *string `json:"digit"`   // null for a partial or stalled train or a count that no digit has
	Pulses       int     `json:"pulses"`  // its stalls counted with them
	StartS       float64 `json:"start_s"` // its first opening as recorded, from the first edge: never negative
	RatePPS      Num     `json:"rate_pps"`
	BreakPercent Num     `json:"break_percent"`
	GapBeforeMS  Num     `json:"gap_before_ms"`
	Partial      bool    `json:"partial"`
	Stalled      bool    `json:"stalled"` // it holds a stall
}

// Trains is a list of trains, held compactly: a day of dialling has a great
// many. The zero value is empty.
type Trains struct {
	n   int
	all iter.Seq[Train]
}

// TrainsOf makes a list of the given trains.
func TrainsOf(t ...Train) Trains { return Trains{len(t), slices.Values(t)} }

// Len is the number of trains.
func (t Trains) Len() int { return t.n }

// All gives the trains in order of time.
func (t Trains) All() iter.Seq[Train] {
	if t.all == nil {
		return func(func(Train) bool) {}
	}
	return t.all
}

// MarshalJSON gives an array, empty when there is no train.
func (t Trains) MarshalJSON() ([]byte, error) {
	return json.Marshal(slices.AppendSeq(make([]Train, 0, t.n), t.All()))
}

// UnmarshalJSON reads an array of trains.
func (t *Trains) UnmarshalJSON(b []byte) error {
	var list []Train
	if err := json.Unmarshal(b, &list); err != nil {
		return err
	}
	*t = TrainsOf(list...)
	return nil
}

// Interrupter is what a cam or cadence did.
type Interrupter struct {
	Cycles  int `json:"cycles"`  // whole measured cycles
	Missing int `json:"missing"` // interruptions
	Extra   int `json:"extra"`
	// Due counts the cycles that the phase count says there should have been,
	// lost and missing ones included.
	Due          int         `json:"cycles_due"`
	Slips        int         `json:"slips"` // times the phase slipped
	PeriodMS     Stat        `json:"period_ms"`
	RateIPM      OverallStat `json:"rate_ipm"`
	BreakPercent OverallStat `json:"break_percent"`
	BreakMS      Stat        `json:"break_ms"`
	MakeMS       Stat        `json:"make_ms"`
	// CadenceFits is false where a cadence was given and the contact does
	// another: then it is read as the data tell and no limit of that cadence
	// is judged.
	CadenceFits bool `json:"cadence_fits"`
	MakesPerMin Num  `json:"makes_per_minute"` // differs from the rate in a compound cadence
	// SpeedChanges are the first 100 times that the speed changed for good, by
	// more than 5 %; MoreSpeedChanges counts the rest.
	SpeedChanges     []SpeedChange `json:"speed_changes"`
	MoreSpeedChanges int           `json:"more_speed_changes"`
	Segments         []Segment     `json:"segments"`
	Lobes            []Lobe        `json:"lobes"`
	// LobesNumberedBy says what the lobes' numbers go by: "recording" (lobe 1
	// is that of the first measured opening, no mark on the cam), "log" (the
	// numbers that a log has carried on), "reference" (a user said when lobe 1
	// opened) or "match" (found again by the signature); null without lobes.
	LobesNumberedBy *string `json:"lobes_numbered_by"`
	WholeTurns      int     `json:"whole_turns"` // turns of the cam behind the lobes' figures
	// LobesMatchLead is how many times likelier than the next one the least sure
	// match of signatures was by which stretches were joined; null without any.
	LobesMatchLead Num `json:"lobes_match_lead"`
	// LobeStretches is how many times lobes were numbered anew: a time after
	// which neither the phase nor the signature told which lobe is which begins
	// another numbering. The lobes' figures, and the lobes that limits name, are
	// of the one numbering that begins at LobesFromS.
	LobeStretches int `json:"lobe_stretches"`
	LobesFromS    Num `json:"lobes_from_s"`
}

// A SpeedChange says that cycles were of another length from a time on.
type SpeedChange struct {
	At       Stamp   `json:"-"`
	AtS      float64 `json:"at_s"`
	BeforeMS Rounded `json:"before_ms"` // spacing of the openings there, as it was until then, or nominal
	AfterMS  Rounded `json:"after_ms"`
	// FromNominal says that it is from the given speed, not from one that was
	// seen before.
	FromNominal bool `json:"from_nominal"`
	// Factor is 2 or more where one spacing is that multiple of the other, within
	// 5 %: then the speed may have stayed, and interruptions may be missing or
	// extra. It is 0 elsewhere.
	Factor int `json:"factor"`
}

// A Segment is one make or break of a cadence's cycle.
type Segment struct {
	Segment   int     `json:"segment"` // from 1
	State     string  `json:"state"`   // "make" or "break"
	NominalMS Rounded `json:"nominal_ms"`
	MS        Stat    `json:"ms"`
}

// A Lobe is one lobe's signature. Errors are about the median of the lobes,
// positive is late.
type Lobe struct {
	Lobe            int `json:"lobe"`
	N               int `json:"n"`
	OpeningErrorMS  Num `json:"opening_error_ms"`
	OpeningErrorSE  Num `json:"opening_error_se_ms"`
	OpeningErrorCyc Num `json:"opening_error_cycles"` // fraction of a cycle
	BreakMS         Num `json:"break_ms"`
	BreakSE         Num `json:"break_se_ms"`
	BreakErrorMS    Num `json:"break_error_ms"`
	BreakErrorCyc   Num `json:"break_error_cycles"`
}

// A BudgetResult is the uncertainty of one quantity (JCGM 100), in the
// quantity's own unit.
type BudgetResult struct {
	Standard Num `json:"standard"`
	Expanded Num `json:"expanded"` // k = 2
	// Overall is the expanded uncertainty of the overall figure, of rate and
	// percent break only.
	Overall Num         `json:"overall"`
	Budget  []Component `json:"budget"`
}

// A Component is one line of an uncertainty budget, already multiplied by its
// sensitivity coefficient.
type Component struct {
	Cause    Cause   `json:"name"`
	Standard Rounded `json:"standard"`
	Kind     string  `json:"kind"` // "A" from repeated observations, "B" from other knowledge
}

// Conformity is the verdict against a profile. The statement is the worst of
// the items' in the order fail, conditional fail, not measured, conditional
// pass, pass; it is a fail too where interruptions are missing, extra or
// slipped, or a break stalled. The exit status follows it alone.
type Conformity struct {
	Statement Statement `json:"statement"`
	// Because holds what beside the limits forbids a pass, a sentence each.
	Because []string `json:"because"`
	Items   []Item   `json:"items"`
}

// An Item is the verdict on one bound of one limit, taken on the worst value.
type Item struct {
	Quantity   string    `json:"quantity"`
	Bound      string    `json:"bound"` // "min" or "max"
	Limit      float64   `json:"limit"`
	Observed   Num       `json:"observed"`
	ExpandedU  Num       `json:"expanded_uncertainty"`
	Statement  Statement `json:"statement"`
	OutOfLimit int       `json:"out_of_limit"`
	Of         int       `json:"of"`
	Upper95    Num       `json:"upper_95_percent"` // Clopper–Pearson bound on the fraction out of limit
	AtS        Num       `json:"at_s"`             // when the worst value began, from the first edge
	At         Location  `json:"where"`            // of the worst value
	Source     string    `json:"source"`
	Seen       Seen      `json:"seen"`
}

// A Statement of conformity (ILAC-G8:09/2019, guard band = expanded uncertainty).
type Statement string

const (
	Pass            Statement = "pass"
	ConditionalPass Statement = "conditional pass"
	ConditionalFail Statement = "conditional fail"
	Fail            Statement = "fail"
	NotMeasured     Statement = "not measured"
)

// Measured tells whether the recording gave any figure of its kind.
func (m *Measurement) Measured() bool {
	switch {
	case m.Dial != nil:
		d := m.Dial
		return d.BreakMS.N+d.ShortBreaks+d.Flashes+d.Disconnects > 0
	case m.Interrupter != nil:
		i := m.Interrupter
		return i.Cycles+i.BreakMS.N+i.MakeMS.N > 0
	}
	return false
}
