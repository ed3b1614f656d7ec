// Package live keeps what is known of a contact now: its state, its counts
// since the start, its latest figures, and how the values of the last minutes
// compare with its limits. Memory does not grow with time.
//
// One goroutine measures and feeds a Contact; any number may ask it for Figures
// meanwhile.
package live

import (
	"sync"
	"time"

	"makebreak/daemon/trend"
	"makebreak/pulse"
)

// A Setting is what the configuration says of a contact that does not change
// its measurement.
type Setting struct {
	Name   string
	Title  string // may be empty
	Source string // as the configuration has it
	Notes  []string
	// Rate is the nominal rate, in pps of a dial or IPM of an interrupter, 0
	// when there is none.
	Rate float64
	// StuckAfter is how long the contact may be without an edge. With 0 a dial
	// may be so forever, an interrupter for three of its cycles; see
	// Contact.StuckAfter.
	StuckAfter time.Duration
}

const (
	// An interrupter is at a standstill after standstillCycles of its slowest
	// known cycles without an edge: one missing cycle is not yet a standstill.
	standstillCycles = 3
	// leastStandstill keeps a fast interrupter that falters from being reported
	// as at a standstill.
	leastStandstill = 5 * time.Second
)

// A State is the electrical state of a contact.
type State uint8

const (
	Unknown State = iota
	Open
	Closed
)

func (s State) String() string { return [...]string{"unknown", "open", "closed"}[s] }

// A Finding is something about a contact that a person would want to know.
type Finding uint8

const (
	LimitCrossed Finding = iota
	Missing              // interruptions
	Extra                // interruptions
	Stuck
	LostEdges
	SourceDown
	SourceUp
	LimitKept // a bound that was crossed is kept again
	RestsOpen // see Figures.RestsOpen
	Drifts    // a figure does, over hours and days
	DriftOver
	Stepped    // a figure has
	SwingGrown // that of a shaft of the drive
	OutputLost // breaks of the contact that the one it is against has not
	OutputExtra
)

// Findings is how many kinds of findings there are.
const Findings = len(findings)

var findings = [...]string{"limit_crossed", "missing", "extra", "stuck", "lost_edges", "source_down", "source_up", "limit_kept", "rests_open",
	"drifts", "drift_over", "stepped", "swing_grown", "output_lost", "output_extra"}

func (f Finding) String() string { return findings[f] }

// Totals are counts since the contact was first watched, over all its Meters,
// also those of another kind. They never go back.
type Totals struct {
	// Counts.Edges leaves out the level that follows an unknown one: it says how
	// the contact is, not that it has changed.
	pulse.Counts
	// OutOfLimit counts pulses and cycles with a value out of a limit; limits on
	// bounce are left out.
	OutOfLimit uint64
}

// A Contact is one contact that is being watched.
type Contact struct {
	// Trend follows how it changes over hours and days. Its rows do not come
	// through this Contact, since they have the lobes' numbers of the log.
	Trend *trend.Contact

	window time.Duration
	now    func() pulse.Stamp

	mu       sync.Mutex
	set      Setting
	kind     pulse.Kind
	polarity pulse.Polarity
	limits   *pulse.Profile
	setup    pulse.Setup

	up      bool
	ended   bool
	why     string
	state   State
	last    pulse.Stamp // latest edge, or when the source came up if none came since
	heard   pulse.Stamp // up to which the source is known to have given no other edge
	anyEdge bool

	totals Totals
	counts pulse.Counts // of the Meter in use, at the last call of Counts
	found  [Findings]uint64

	segments int  // in a cycle of the configured cadence, 0 for none
	misfit   bool // the contact has another cadence
	lobesBy  string
	breaks   int   // in a cycle of the cadence that the contact has
	nominal  int64 // ns of the slowest nominal cycle of an interrupter, 0 for none

	pair     *trend.Pair      // nil without
	pairs    pulse.PairCounts // of pairs before
	outChain pulse.Setup      // of the second contact's chain

	rate, percent pulse.Num   // latest; rate in pps or IPM
	rated         pulse.Stamp // end of the pulses or the cycle that they are of
	recent        [longTrain]pair
	rolling       rolling
	latest        latest
}

// longTrain is the most periods that a digit has. A longer train is a steady
// row of pulses: its rate is given before its end.
const longTrain = 9

type pair struct{ breakNS, periodNS int64 }

// New makes the contact. Figures look back over window, which is above 0. now
// reads the clock of the contact's stamps; it may be called at any time and
// from any goroutine.
func New(s Setting, window time.Duration, now func() pulse.Stamp) *Contact {
	return &Contact{Trend: trend.New(), set: s, window: window, now: now, setup: pulse.DefaultSetup()}
}

// Describe takes a changed setting of the same name.
func (c *Contact) Describe(s Setting) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.set = s
}

// Begin is called before each new Meter is made. It returns cfg with an
// Observer that feeds c before the one that cfg has. The kind must be known.
// Totals go on; another kind, polarity or number of segments begins a new
// window, another kind also new latest figures.
func (c *Contact) Begin(cfg pulse.Config) pulse.Config {
	c.mu.Lock()
	defer c.mu.Unlock()
	cadence := cfg.CadenceNS
	if cadence == nil && cfg.Limits != nil {
		cadence = cfg.Limits.CadenceNS
	}
	if cfg.Kind != c.kind || len(cadence) != c.segments || cfg.Polarity != c.polarity {
		c.rolling = rolling{totals: c.rolling.totals}
	}
	if cfg.Kind != c.kind {
		c.rate, c.percent = pulse.Num{}, pulse.Num{}
		c.kind = cfg.Kind
	}
	c.polarity, c.limits, c.counts = cfg.Polarity, cfg.Limits, pulse.Counts{}
	c.segments, c.misfit, c.nominal = len(cadence), false, 0
	for _, ns := range cadence {
		c.nominal += ns
	}
	c.nominal = max(c.nominal, cfg.PeriodNS)
	c.setup = pulse.DefaultSetup()
	if cfg.Setup != nil {
		c.setup = *cfg.Setup
	}
	c.rolling.begin(c.limits, int64(c.window), c.now())

	cfg.Observer = pulse.Tee(pulse.Observer{Event: c.event, Pulse: c.pulse, Cycle: c.cycle, Train: c.train}, cfg.Observer)
	return cfg
}

// Name is that of its Setting.
func (c *Contact) Name() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.set.Name
}

// Against sets the contact that this one is followed together with, and what is
// known of its measuring chain; nil for none. Counts go on. Only one goroutine may
// call it at a time.
func (c *Contact) Against(p *trend.Pair, chain *pulse.Setup) {
	before, _ := c.paired()
	var n pulse.PairCounts
	if before != nil && before != p {
		n = before.Counts()
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.outChain = pulse.DefaultSetup()
	if chain != nil {
		c.outChain = *chain
	}
	c.pair = p
	c.pairs.Add(n)
}

// paired gives the pair, and the counts of those before. A Pair tells its values to
// PairValue with its own lock held, so it must not be asked with that of c held.
func (c *Contact) paired() (*trend.Pair, pulse.PairCounts) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.pair, c.pairs
}

// PairCounts are those of the contact with second ones, since it was first watched.
func (c *Contact) PairCounts() pulse.PairCounts {
	p, n := c.paired()
	if p != nil {
		n.Add(p.Counts())
	}
	return n
}

// PairValue takes a value, in ms, of a quantity of two contacts.
func (c *Contact) PairValue(q pulse.Quantity, at pulse.Stamp, ms float64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range c.rolling.bounds {
		if c.rolling.bounds[i].Quantity == q {
			c.rolling.see(c.rolling.slot(at), i, ms, extreme{at: at})
		}
	}
}

// LobesBy sets what the lobe numbers in the rows are based on, pulse.LobesByLog
// or pulse.LobesByReference; empty where that is not to be shown.
func (c *Contact) LobesBy(by string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.lobesBy = by
}

// Up says that the source is being read, and the level at its start, Unknown
// when that could not be read.
func (c *Contact) Up(l pulse.Level) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up, c.ended, c.why, c.last, c.anyEdge = true, false, "", c.now(), false
	c.heard = c.last
	c.level(l)
	c.latest.mark(c.last, c.state)
}

// Down says that the source is not being read and why, in words for a person.
func (c *Contact) Down(why string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up, c.ended, c.why, c.state = false, false, why, Unknown
	c.latest.mark(c.now(), Unknown)
}

// End says that the source has come to its end, such as a recording.
func (c *Contact) End() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up, c.ended, c.why, c.state = false, true, "", Unknown
	c.latest.mark(c.now(), Unknown)
}

// Clock sets the relative standard uncertainty of the time base as it is now,
// and where that comes from.
func (c *Contact) Clock(rel float64, from pulse.ClockFrom) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.setup.ClockRel, c.setup.ClockFrom = rel, from
}

// Edges takes the edges of the source that the Meter is given.
func (c *Contact) Edges(edges []pulse.Edge) {
	if len(edges) == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	n := uint64(0)
	for i := range edges {
		if c.state != Unknown && edges[i].Level <= pulse.High {
			n++
		}
		c.level(edges[i].Level)
	}
	c.totals.Edges += n
	c.rolling.slot(c.now()).seen.Edges += n
	c.last, c.anyEdge = edges[len(edges)-1].At, true
}

// Heard says that there was no edge from the latest one until a time. What was
// not heard yet is no silence: after the process was stopped, edges may wait.
func (c *Contact) Heard(at pulse.Stamp) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.heard = at
}

func (c *Contact) level(l pulse.Level) {
	switch {
	case l > pulse.High:
		c.state = Unknown
	case c.polarity.Closed(l):
		c.state = Closed
	default:
		c.state = Open
	}
}

// Counts takes the Meter's counts, after each Add, Advance and Finish. Its
// edges are left out: Edges counts those.
func (c *Contact) Counts(n pulse.Counts) {
	c.mu.Lock()
	defer c.mu.Unlock()
	more := n.Sub(c.counts)
	more.Edges = 0
	c.totals.Add(more)
	c.rolling.slot(c.now()).seen.Add(more)
	c.counts = n
}

// StuckAfter is how long the contact may be without an edge: as Setting says,
// or for an interrupter three cycles, the nominal or the latest one, whichever
// is slower, and at least 5 s. It is 0, which means forever, for a dial, which
// may rest for hours, and while no cycle is known.
func (c *Contact) StuckAfter() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.stuckAfter()
}

func (c *Contact) stuckAfter() time.Duration {
	if c.set.StuckAfter > 0 || c.kind != pulse.KindInterrupter {
		return c.set.StuckAfter
	}
	return c.standstill()
}

// standstill is how long an interrupter may be without an edge by its cycles, 0
// when none is known.
func (c *Contact) standstill() time.Duration {
	slowest := float64(c.nominal)
	if c.rate.OK {
		slowest = max(slowest, 60e9/c.rate.V)
	}
	if slowest == 0 {
		return 0
	}
	return max(time.Duration(standstillCycles*slowest).Round(100*time.Millisecond), leastStandstill)
}

// Totals are the counts so far.
func (c *Contact) Totals() Totals {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.totals
}

// Finding counts one finding.
func (c *Contact) Finding(f Finding) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.found[f]++
}

func (c *Contact) event(e *pulse.Event) {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch e.Kind {
	case pulse.EventTransition:
		to := Open
		if e.Closed {
			to = Closed
		}
		c.latest.mark(e.At, to)
	case pulse.EventUnknown:
		to := Open
		if e.Closed {
			to = Closed
		}
		c.latest.mark(e.At, Unknown)
		c.latest.mark(e.End, to)
	}
	if e.Kind == pulse.EventTransition && c.kind != pulse.KindDial { // a limit on a dial's bounce is for pulses
		c.rolling.bounce(e.At, int64(e.End-e.At))
	}
}

func (c *Contact) pulse(r *pulse.PulseRow) {
	if !r.Counts() {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.rolling.pulse(r) {
		c.totals.OutOfLimit++
	}
	if r.PeriodNS == 0 {
		return
	}
	c.rolling.period(r.At, r.BreakNS, r.PeriodNS, nil)
	c.latest.point(r.At, r.BreakNS, r.PeriodNS)
	c.recent[r.Pulse%longTrain] = pair{r.BreakNS, r.PeriodNS}
	if r.Pulse <= longTrain {
		return
	}
	var breaks, periods int64
	for _, p := range c.recent {
		breaks, periods = breaks+p.breakNS, periods+p.periodNS
	}
	c.rated = r.At + pulse.Stamp(r.PeriodNS)
	c.rate = pulse.Known(longTrain * 1e9 / float64(periods))
	c.percent = pulse.Known(percent(breaks, periods))
}

func (c *Contact) train(t *pulse.Train) {
	if !t.RatePPS.OK || t.Pulses > longTrain+1 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.rate, c.percent, c.rated = t.RatePPS, t.BreakPercent, c.last
}

func (c *Contact) cycle(r *pulse.CycleRow) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.breaks = len(r.SegmentsNS) / 2
	c.misfit = c.segments > 0 && len(r.SegmentsNS) != c.segments
	if !c.misfit && c.rolling.cycle(r) {
		c.totals.OutOfLimit++
	}
	if r.Whole {
		c.rolling.period(r.At, r.BreakNS, r.PeriodNS, r.SegmentsNS)
		c.latest.point(r.At, r.BreakNS, r.PeriodNS)
		c.rated = r.At + pulse.Stamp(r.PeriodNS)
		c.rate = pulse.Known(60e9 / float64(r.PeriodNS))
		c.percent = pulse.Known(percent(r.BreakNS, r.PeriodNS))
	}
}

func percent(b, t int64) float64 { return 100 * float64(b) / float64(t) }
