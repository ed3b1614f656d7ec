// Package live keeps what is known of a contact now: its state, its counts
// since the start, its latest figures, and how the last minutes stand against
// its limits. Memory does not grow with time.
//
// One goroutine measures and feeds a Contact; any number may ask it for
// Figures meanwhile.
package live

import (
	"sync"
	"time"

	"makebreak/pulse"
)

// A Setting is what is told of a contact and does not change its measurement.
type Setting struct {
	Name   string
	Title  string // empty when there is none
	Source string // as the configuration has it
	Notes  []string
	// Rate is the nominal rate, in pps of a dial or IPM of an interrupter, 0
	// when there is none.
	Rate float64
	// StuckAfter is how long it may be without an edge. 0: a dial for ever, an
	// interrupter for three of its cycles (Contact.StuckAfter).
	StuckAfter time.Duration
}

const (
	// stillCycles is after how many of its slowest known cycles without an edge
	// an interrupter stands still: one that is missing is not yet that.
	stillCycles = 3
	// stillLeast keeps a fast one that falters from being told as standing still.
	stillLeast = 5 * time.Second
)

// A State is the electrical state of a contact.
type State uint8

const (
	Unknown State = iota
	Open
	Closed
)

func (s State) String() string { return [...]string{"unknown", "open", "closed"}[s] }

// A Finding is something about a contact that a person would want to know of.
type Finding uint8

const (
	LimitCrossed Finding = iota
	Missing              // interruptions
	Extra                // interruptions
	Stuck
	LostEdges
	SourceDown
	SourceUp
)

var findings = [...]string{"limit_crossed", "missing", "extra", "stuck", "lost_edges", "source_down", "source_up"}

// Findings lists all there are.
func Findings() []Finding {
	all := make([]Finding, len(findings))
	for i := range all {
		all[i] = Finding(i)
	}
	return all
}

func (f Finding) String() string { return findings[f] }

// An Observer is told every single length as it is measured, in seconds.
type Observer interface {
	ObserveBounce(s float64) // of each transition, 0 for a clean one
	ObservePeriod(s float64) // of a dial inside trains, of an interrupter each whole cycle
	ObserveBreak(s float64)  // of each pulse and stall, of each break of a whole cycle
}

// Totals are counts since the contact was first watched, over all its Meters,
// those of another kind too. They never go back.
type Totals struct {
	// Counts.Edges leaves out the level that follows an unknown one: it tells
	// what the contact is, not that it changed.
	pulse.Counts
	// OutOfLimit counts pulses and cycles with a value beyond a limit, their
	// bounce aside.
	OutOfLimit uint64
}

// A Contact is one contact that is being watched.
type Contact struct {
	window time.Duration
	now    func() pulse.Stamp

	mu       sync.Mutex
	set      Setting
	kind     pulse.Kind
	polarity pulse.Polarity
	limits   *pulse.Profile
	setup    pulse.Setup
	observe  func(pulse.Kind) Observer
	observer Observer // of kind

	up      bool
	ended   bool
	why     string
	state   State
	last    pulse.Stamp // edge, or else when the source came up
	anyEdge bool

	totals Totals
	counts pulse.Counts // of the Meter in use, as last told
	found  [len(findings)]uint64

	segments int  // of the cadence that the contact should do, 0 for none
	misfit   bool // it does another one
	lobesBy  string
	breaks   int   // in each cycle of the cadence that it does
	nominal  int64 // ns of the slowest nominal cycle of an interrupter, 0 for none

	rate, percent pulse.Num   // latest; rate in pps or IPM
	rated         pulse.Stamp // end of what they are of
	recent        [longTrain]pair
	rolling       rolling
}

// longTrain is the most periods that a digit has: a train beyond it is a
// steady row of pulses, whose rate cannot wait for its end.
const longTrain = 9

type pair struct{ breakNS, periodNS int64 }

// New makes the contact. Figures look back window, which is above 0; now is
// the time on the clock of the contact's stamps. It may be called at any time
// and from any goroutine.
func New(s Setting, window time.Duration, now func() pulse.Stamp) *Contact {
	return &Contact{set: s, window: window, now: now, setup: pulse.DefaultSetup()}
}

// Name is the contact's name.
func (c *Contact) Name() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.set.Name
}

// Describe takes a new setting of the same name, after a change of the
// configuration.
func (c *Contact) Describe(s Setting) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.set = s
}

// Observe has all that is measured from now on told to the Observer that of
// gives for the contact's kind, and to nobody if of is nil.
func (c *Contact) Observe(of func(pulse.Kind) Observer) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.observe = of
	c.chooseObserver()
}

func (c *Contact) chooseObserver() {
	c.observer = nil
	if c.observe != nil && c.kind != pulse.KindAuto {
		c.observer = c.observe(c.kind)
	}
}

// Begin is called before each new Meter is made. It returns cfg with an
// Observer that feeds c before the one that cfg has. The kind must be known. Totals go on;
// another kind has its own window and latest figures.
func (c *Contact) Begin(cfg pulse.Config) pulse.Config {
	c.mu.Lock()
	defer c.mu.Unlock()
	if cfg.Kind != c.kind {
		c.rolling = rolling{totals: c.rolling.totals}
		c.rate, c.percent = pulse.Num{}, pulse.Num{}
		c.kind = cfg.Kind
		c.chooseObserver()
	}
	c.polarity, c.limits, c.counts = cfg.Polarity, cfg.Limits, pulse.Counts{}
	cadence := cfg.CadenceNS
	if cadence == nil && c.limits != nil {
		cadence = c.limits.CadenceNS
	}
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

// LobesBy says what the numbers of lobes in the rows go by: pulse.LobesByLog or
// pulse.LobesByReference; "": nothing is told of it.
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
	c.level(l)
}

// Down says why the source is not being read, in words for a person.
func (c *Contact) Down(why string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up, c.ended, c.why, c.state = false, false, why, Unknown
}

// End says that the source has come to its end, as a recording does.
func (c *Contact) End() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.up, c.ended, c.why, c.state = false, true, "", Unknown
}

// Clock gives the relative standard uncertainty of the time base, and where it
// comes from, as it is now.
func (c *Contact) Clock(rel float64, from pulse.ClockFrom) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.setup.ClockRel, c.setup.ClockFrom = rel, from
}

// Edges takes the edges of the source that are given to the Meter.
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

// Counts takes what the Meter has counted, after each Add, Advance and Finish.
// The edges are those that Edges was told.
func (c *Contact) Counts(n pulse.Counts) {
	c.mu.Lock()
	defer c.mu.Unlock()
	more := n.Sub(c.counts)
	more.Edges = 0
	c.totals.Add(more)
	c.rolling.slot(c.now()).seen.Add(more)
	c.counts = n
}

// StuckAfter is how long the contact may be without an edge: as it is set, or
// three of the slowest cycles known of an interrupter, nominal or latest, and
// 5 s at least. 0: for ever, as a dial may rest for hours, or nothing is known.
func (c *Contact) StuckAfter() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.stuckAfter()
}

func (c *Contact) stuckAfter() time.Duration {
	if c.set.StuckAfter > 0 || c.kind != pulse.KindInterrupter {
		return c.set.StuckAfter
	}
	return c.still()
}

// still is after how long an interrupter stands still by its cycles, 0 when
// none is known.
func (c *Contact) still() time.Duration {
	slowest := float64(c.nominal)
	if c.rate.OK {
		slowest = max(slowest, 60e9/c.rate.V)
	}
	if slowest == 0 {
		return 0
	}
	return max(time.Duration(stillCycles*slowest).Round(100*time.Millisecond), stillLeast)
}

// Totals are what was counted so far.
func (c *Contact) Totals() Totals {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.totals
}

// Finding counts one.
func (c *Contact) Finding(f Finding) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.found[f]++
}

func (c *Contact) event(e *pulse.Event) {
	if e.Kind != pulse.EventTransition {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	ns := int64(e.End - e.At)
	if c.kind != pulse.KindDial { // there a limit is one on pulsing
		c.rolling.bounce(e.At, ns)
	}
	if c.observer != nil {
		c.observer.ObserveBounce(float64(ns) / 1e9)
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
	if c.observer != nil {
		c.observer.ObserveBreak(float64(r.BreakNS) / 1e9)
		if r.PeriodNS > 0 {
			c.observer.ObservePeriod(float64(r.PeriodNS) / 1e9)
		}
	}
	if r.PeriodNS == 0 {
		return
	}
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
		c.rated = r.At + pulse.Stamp(r.PeriodNS)
		c.rate = pulse.Known(60e9 / float64(r.PeriodNS))
		c.percent = pulse.Known(percent(r.BreakNS, r.PeriodNS))
	}
	if c.observer == nil {
		return
	}
	if r.Whole {
		c.observer.ObservePeriod(float64(r.PeriodNS) / 1e9)
	}
	for b := range r.Breaks() {
		c.observer.ObserveBreak(float64(b) / 1e9)
	}
}

func percent(b, t int64) float64 { return 100 * float64(b) / float64(t) }
