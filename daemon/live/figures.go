package live

import (
	"slices"
	"time"

	"makebreak/daemon/trend"
	"makebreak/pulse"
)

// Figures are what is known of a contact at one moment. They share nothing
// with the Contact.
type Figures struct {
	Setting             // its StuckAfter is Contact.StuckAfter
	Kind     pulse.Kind // KindAuto before the first Begin
	Polarity pulse.Polarity

	Up        bool
	Ended     bool   // the source has come to its end, so it is not up: no fault
	Why       string // the source is not up for another reason
	State     State
	SinceEdge pulse.Num // seconds since the last edge; unknown before the first
	Stuck     bool      // no edge for StuckAfter

	Totals   Totals
	Findings [Findings]uint64 // by Finding

	// Rate is the latest. Of a dial, in pps, it is that of the last train of two
	// or more pulses, or the mean of the last nine periods in a train longer
	// than any digit; of an interrupter, in IPM, that of the last whole cycle.
	Rate         pulse.Num
	BreakPercent pulse.Num // of the same pulses or cycle
	// RateAgoS is how many seconds ago those ended, where the rate is not
	// current: the contact is stuck or not being read, or an interrupter has had
	// no whole cycle for as long as it may be without an edge, and for three
	// cycles.
	RateAgoS pulse.Num

	// What follows looks back over Window at most.
	Window time.Duration
	// MeanRate is over all periods, in pps or IPM as Rate, and MeanPercent is the
	// percent break over them, each with its expanded uncertainty.
	MeanRate, MeanRateU, MeanPercent, MeanPercentU pulse.Num
	// SegmentsMS are the means of the makes and breaks of a cadence, make first;
	// nil without one.
	SegmentsMS []float64
	// RestsOpen says that a dial seems to rest open, as with the wrong polarity:
	// between its trains it reads long breaks, and most breaks are the shorter part
	// of their period.
	RestsOpen    bool
	Recent       pulse.Counts // Edges as in Totals
	InterdigitMS pulse.Num    // smallest interdigit gap of a dial

	Changes trend.Figures      // over hours and days
	Against *trend.PairFigures // together with a second contact; nil without

	Limits *pulse.Profile // nil without any; must not be changed
	// OtherCadence says that the contact has another cadence than the configured
	// one, so that nothing can be judged.
	OtherCadence bool
	// Statement is the verdict on the window; empty without limits to judge by.
	Statement pulse.Statement
	// Because is what beside the limits forbids a pass in the window, in words,
	// with and without limits.
	Because []string
	Items   []Item
}

// An Item is the verdict on one bound of one limit, for the worst value in the
// window. AtS is never known, as there is no first edge to count from.
type Item struct {
	pulse.Item
	Limits pulse.Limit // whose bound this is
	AgoS   pulse.Num   // how long ago the worst value began, in seconds
	// OutForS is since how many seconds values have been out of the bound, never
	// for as long as the window without one; unknown where none is out.
	OutForS pulse.Num
	// TotalOut of TotalOf values were out of this bound since the contact was
	// first watched, also while the bound had another value. They never go back,
	// even if the limit is removed and comes back.
	TotalOut, TotalOf uint64
}

// Figures returns what is known now.
func (c *Contact) Figures() Figures {
	pair, before := c.paired()
	now := c.now()
	against := pair.Figures(now)
	if against != nil {
		against.Counts.Add(before)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	f := Figures{
		Setting: c.set, Kind: c.kind, Polarity: c.polarity, Up: c.up, Ended: c.ended, Why: c.why, State: c.state, Totals: c.totals,
		Findings: c.found, Rate: c.rate, BreakPercent: c.percent,
		Window: c.window, Limits: c.limits, OtherCadence: c.misfit, Changes: c.Trend.Figures(), Against: against,
	}
	f.Notes = slices.Clone(f.Notes)
	quiet := max(float64(now-c.last)/1e9, 0)
	if c.anyEdge {
		f.SinceEdge = pulse.Known(quiet)
	}
	f.StuckAfter = c.stuckAfter()
	most := f.StuckAfter.Seconds()
	f.Stuck = c.up && most > 0 && float64(c.heard-c.last)/1e9 >= most
	if c.rate.OK {
		ago := max(float64(now-c.rated)/1e9, 0)
		f.RateAgoS = pulse.Num{V: ago, OK: !c.up || f.Stuck || c.kind == pulse.KindInterrupter && ago >= max(most, c.standstill().Seconds())}
	}

	worst := make([]extreme, len(c.rolling.bounds))
	var gap int64
	var mean periods
	f.Recent, gap, mean = c.rolling.since(now, worst)
	c.means(&f, &mean)
	f.InterdigitMS = pulse.Num{V: ms(gap), OK: gap > 0}
	verdict := pulse.Conformity{Statement: pulse.NotMeasured}
	for i := range worst {
		it := c.item(&c.rolling.bounds[i], &worst[i], now)
		f.Items = append(f.Items, it)
		verdict.Items = append(verdict.Items, it.Item)
	}
	verdict.Statement = verdict.WorstItem()
	verdict.AtBest(pulse.Fail, f.Recent.Faults().Because()...)
	if c.limits != nil && len(f.Items) > 0 {
		if doubt := c.limits.Doubts(f.Recent.DoubtfulMakes, f.Recent.DoubtfulSpeeds); doubt != "" {
			verdict.AtBest(pulse.NotMeasured, doubt)
		}
	}
	f.Because = verdict.Because
	if c.limits != nil && (len(f.Items) > 0 || len(f.Because) > 0) {
		f.Statement = verdict.Statement
	}
	return f
}

// restsOpenPeriods are some digits: fewer may be one odd one.
const restsOpenPeriods = 8

// means gives what all periods of the window say together.
func (c *Contact) means(f *Figures, p *periods) {
	f.MeanRate, f.MeanRateU, f.MeanPercent, f.MeanPercentU = c.setup.Overall(p.sums(c.breaks))
	if c.kind == pulse.KindInterrupter {
		f.MeanRate.V, f.MeanRateU.V = 60*f.MeanRate.V, 60*f.MeanRateU.V
	}
	if p.cycles > 0 && !c.misfit {
		for _, ns := range p.segmentsNS[:min(2*c.breaks, maxSegments)] {
			f.SegmentsMS = append(f.SegmentsMS, ms(ns)/float64(p.cycles))
		}
	}
	// As pulse says it of a whole recording.
	long := f.Recent.Flashes + f.Recent.Disconnects + f.Recent.Stalls
	f.RestsOpen = c.kind == pulse.KindDial && p.n >= restsOpenPeriods && long+1 >= f.Recent.Trains && long > 0 && 2*p.shortBreaks > p.n
}

// item judges the worst value of a bound, as a Meter does.
func (c *Contact) item(b *bound, w *extreme, now pulse.Stamp) Item {
	it := Item{Limits: b.Limit, TotalOut: b.total.out, TotalOf: b.total.of, Item: b.NoItem()}
	if c.misfit || w.n == 0 {
		return it
	}
	it.Item = b.Item(c.kind, c.breaks, &c.setup, w.Value)
	if b.Quantity.OfTwo() {
		if it.ExpandedU = pulse.PairBudget(b.Quantity, &c.setup, &c.outChain, w.V).Expanded; it.ExpandedU.OK {
			it.Statement = b.Judge(w.V, it.ExpandedU.V)
		}
	}
	it.Count(int(w.out), int(w.n))
	at := w.at
	if b.Quantity != pulse.BounceMS { // back to when the edge was seen: openings are corrected for lengths only
		at += pulse.Stamp(c.setup.AsymmetryNS)
	}
	it.AgoS = pulse.Known(max(float64(now-at)/1e9, 0))
	if w.out > 0 {
		it.OutForS = pulse.Known(max(float64(now-b.outSince)/1e9, 0))
	}
	switch {
	case b.Quantity == pulse.InterdigitMS:
	case c.kind == pulse.KindDial:
		it.At.Pulse = int(w.item)
	case w.item > 0:
		it.At.Lobe, it.At.LobeBy = int(w.item), c.lobesBy
	}
	return it
}
