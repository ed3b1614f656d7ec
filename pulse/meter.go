package pulse

import (
	"cmp"
	"errors"
	"fmt"
)

// A Meter measures a contact from its edges. Feed it with Add in order of
// time, in pieces of any size, and end with Finish.
type Meter struct {
	cfg           Config
	setup         Setup
	settler       settler
	kind          Kind
	from          string
	early         []Event // the first ones, to detect the kind by
	detected      bool
	looks         Kind // told from the data
	maybeInverted bool
	dial          dialReader
	interrupter   interrupterReader

	n                       Counts // of the readers too
	first, last             Stamp
	firstSeen               bool
	extraEdges              int
	bounces                 bounces
	noPulse                 extremeAt // bounces are not told by pulse or cycle
	chatter                 durations
	unknownNS, asymmetry    int64
	unknownTimes            []UnknownTime // the first maxUnknownTimes
	startUnknown, sawChange bool
	// atBeginning: an interrupter's file may begin in the middle of a bounce.
	atBeginning bool
	firstOpen   Event // held back meanwhile
	firstHeld   bool
	together    func(tasks []func())
	analyses    []analysis
	repeat      *repeatReader // nil without Config.Against
}

// NewMeter makes a Meter. It returns an error for a configuration that cannot
// be measured with.
func NewMeter(cfg Config) (*Meter, error) {
	m := &Meter{cfg: cfg, setup: DefaultSetup(), kind: cfg.Kind, from: "given"}
	if cfg.Setup != nil {
		m.setup = *cfg.Setup
	}
	p := cfg.Limits
	if p == nil {
		p = &Profile{}
	}
	if m.kind == KindAuto {
		m.kind, m.from = p.Kind, "profile"
	}
	if m.kind == KindAuto {
		m.from = "data"
	}
	if p.Kind != KindAuto && m.kind != p.Kind {
		return nil, fmt.Errorf("limits %q are for kind %v, not %v", p.ID, p.Kind, m.kind)
	}
	m.analyses = cfg.analyses()
	for _, a := range m.analyses {
		m.cfg.Observer = Tee(m.cfg.Observer, a.observer())
	}
	if cfg.Against != nil {
		m.repeat = newRepeatReader(&cfg)
		m.repeat.told(m.kind)
		m.cfg.Observer = Tee(m.cfg.Observer, m.repeat.observer())
	}
	m.settler = settler{SettleNS: cmp.Or(cfg.SettleNS, DefaultSettleNS), Polarity: cfg.Polarity}
	m.dial = dialReader{
		n:        &m.n,
		pulseMin: cmp.Or(cfg.PulseMinNS, p.PulseMinNS, DefaultPulseMinNS),
		pulseMax: cmp.Or(cfg.PulseMaxNS, p.PulseMaxNS, DefaultPulseMaxNS),
		trainGap: cmp.Or(cfg.TrainGapNS, p.TrainGapNS, DefaultTrainGapNS),
		flashMax: cmp.Or(cfg.FlashMaxNS, p.FlashMaxNS, DefaultFlashMaxNS),
		coding:   cfg.coding(), forget: cfg.Forget, onPulse: m.cfg.Observer.Pulse, onTrain: m.cfg.Observer.Train,
		judgeBounce: !cfg.Forget && p.judges(BounceMS),
	}
	m.bounces.lengths.most = m.settler.SettleNS // a bounce of two edges is shorter
	m.dial.bounces.lengths.most = m.settler.SettleNS
	for i := range m.dial.digits {
		m.dial.digits[i] = string(rune('0' + i))
	}
	cadence := cfg.cadence()
	m.interrupter = interrupterReader{
		n: &m.n, onCycle: m.cfg.Observer.Cycle, forget: cfg.Forget, limits: cfg.Limits, cadence: len(cadence) > 0,
		lobes: cfg.Lobes, marks: cfg.LobeMarks, marksBy: cfg.LobesBy, lobesKnown: cfg.LobesKnown,
	}
	switch {
	case m.settler.SettleNS < 0 || cfg.PeriodNS < 0 || cfg.Lobes < 0:
		return nil, errors.New("settling time, nominal period and lobes must not be negative")
	case m.dial.pulseMin < 0 || m.dial.pulseMin >= m.dial.pulseMax:
		return nil, fmt.Errorf("shortest pulse %v ms is not below longest pulse %v ms", ms(float64(m.dial.pulseMin)), ms(float64(m.dial.pulseMax)))
	case m.dial.pulseMax > m.dial.flashMax:
		return nil, fmt.Errorf("longest pulse %v ms is above longest flash %v ms", ms(float64(m.dial.pulseMax)), ms(float64(m.dial.flashMax)))
	case m.dial.trainGap < 0:
		return nil, errors.New("train gap must not be negative")
	case len(cadence)%2 != 0:
		return nil, fmt.Errorf("a cadence has make and break in turn, so an even number of segments, not %d", len(cadence))
	case len(cadence) > 2 && cfg.Lobes > 0:
		return nil, errors.New("lobes are those of a plain interrupter, not of a cadence of several segments")
	}
	if d := cfg.Drive; d != nil {
		if err := d.Check(); err != nil {
			return nil, err
		}
		switch {
		case m.kind == KindDial:
			return nil, errors.New("a drive train is that of an interrupter's cam, not of a dial")
		case cfg.Lobes > 0 && cfg.Lobes != d.Lobes:
			return nil, fmt.Errorf("%d lobes, but the cam of the drive train has %d", cfg.Lobes, d.Lobes)
		case len(cadence) > 2 && d.Lobes != 1:
			return nil, fmt.Errorf("the cam of the drive train has %d lobes, but a cadence of several segments needs one whole turn, of one lobe", d.Lobes)
		}
	}
	for i, ns := range cadence {
		if ns <= 0 {
			return nil, fmt.Errorf("segment %d of the cadence is not above 0", i+1)
		}
	}
	switch {
	case len(cadence) > 0 && !(len(cadence) == 2 && cfg.PeriodNS > 0):
		m.interrupter.given = patternOf(cadence)
	case cfg.PeriodNS > 0:
		m.interrupter.given = plain(cfg.PeriodNS)
	}
	m.interrupter.learnFrom = learnBreaks
	if k := m.interrupter.given.k(); k > 0 {
		m.interrupter.learnFrom = 2*k + 4 // nothing but the phase and the speed is to be learnt
	}
	m.asymmetry = int64(m.setup.AsymmetryNS)
	m.atBeginning = !cfg.Live
	if cfg.Live {
		m.first, m.last = cfg.Start, cfg.Start
		m.settler.Start(cfg.Start, cfg.StartLevel)
		if cfg.StartLevel <= High {
			m.startAs(cfg.Start, cfg.Polarity.Closed(cfg.StartLevel))
		}
	}
	return m, nil
}

// startAs says that the contact is known to be in a state since at.
func (m *Meter) startAs(at Stamp, closed bool) {
	if closed {
		m.dial.closed(at, true, false)
	} else {
		m.dial.open, m.interrupter.open = true, true
		m.startUnknown = true
	}
	m.sawChange = true
}

// Kind is the kind being measured, KindAuto while it has not been told from
// the data yet.
func (m *Meter) Kind() Kind { return m.kind }

// Add takes the next edges.
func (m *Meter) Add(edges []Edge) {
	if len(edges) == 0 {
		return
	}
	for i := range edges {
		e := &edges[i]
		if e.Level <= High {
			m.n.Edges++
		}
		if !m.firstSeen {
			m.begin(e)
		}
		m.handleAll(m.settler.Add(*e))
	}
	m.last = edges[len(edges)-1].At
}

func (m *Meter) begin(e *Edge) {
	m.firstSeen = true
	if !m.cfg.Live {
		m.first = e.At
	}
	m.dial.first = m.origin()
	if !m.sawChange && e.Level <= High {
		switch {
		case m.cfg.Polarity.Closed(e.Level):
			m.startUnknown = true // its break began before the recording
		case m.cfg.Live: // closed since the start; what was before is not known
			m.dial.closed(m.first, true, false)
		}
	}
}

// origin is the time from which corrected openings are counted. So what begins
// with an opening is told at its edge in the recording, never before the first
// one: the correction is for lengths.
func (m *Meter) origin() Stamp { return m.first - Stamp(m.asymmetry) }

func (m *Meter) handleAll(ev []Event) {
	for i := range ev {
		m.handle(&ev[i])
	}
}

// handle counts an event and passes it on to be read.
func (m *Meter) handle(e *Event) {
	if m.cfg.Observer.Event != nil {
		m.cfg.Observer.Event(e)
	}
	long := int64(e.End - e.At)
	switch e.Kind {
	case EventChatter:
		m.n.Chatter++
		if !m.cfg.Forget {
			m.chatter.Add(long)
		}
		return
	case EventUnknown:
		m.n.UnknownIntervals++
		m.unknownNS += long
		if e.Transition {
			m.n.Transitions++
		}
		if m.cfg.Live && m.cfg.StartLevel <= High && e.At <= m.cfg.Start {
			m.startUnknown = true // it begins inside a burst
		}
	case EventTransition:
		m.n.Transitions++
		if long > 0 {
			m.n.Bounced++
			m.extraEdges += int(e.Extra)
		}
		if !m.cfg.Forget {
			side := Opening
			if e.Closed {
				side = Closing
			}
			m.bounces.add(long, e.At, side, &m.noPulse)
		}
	}
	if !m.detected {
		m.early = append(m.early, *e)
		if m.kind != KindAuto {
			m.read(e)
		}
		enough := detectEvents
		if m.cfg.Live {
			enough = detectEventsLive
		}
		if len(m.early) >= enough {
			m.detect()
		}
	} else {
		m.read(e)
	}
}

// read gives an event to the reader of the kind, unless it is held back.
func (m *Meter) read(e *Event) {
	if !(m.atBeginning && m.kind == KindInterrupter && m.holdsStart(e)) {
		m.give(e)
	}
}

// give gives a transition or an unknown interval to the reader of the kind.
func (m *Meter) give(e *Event) {
	if e.Kind == EventUnknown {
		if m.kind == KindDial {
			m.dial.advance(e.At)
			m.tellUnknown(e)
			m.dial.unknown(e.End, e.Closed)
		} else {
			m.tellUnknown(e)
			m.interrupter.unknown(e.At, e.End, e.Closed)
		}
		return
	}
	at := e.At
	if m.cfg.Timing == TimingSettled {
		at = e.End
	}
	if !e.Closed {
		at -= Stamp(m.asymmetry)
	}
	if m.kind == KindDial {
		m.dial.transition(at, e.Closed, int64(e.End-e.At))
	} else {
		m.interrupter.transition(at, e.Closed, int64(e.End-e.At))
	}
}

// maxUnknownTimes is more than a page tells, and bounds the memory.
const maxUnknownTimes = 20

// tellUnknown keeps an unknown interval for the measurement, before the dial's
// reader ends its train for it.
func (m *Meter) tellUnknown(e *Event) {
	if m.cfg.Forget || len(m.unknownTimes) == maxUnknownTimes {
		return
	}
	u := UnknownTime{StartS: float64(e.At-m.first) / 1e9, LengthS: float64(e.End-e.At) / 1e9}
	if m.dial.inTrain {
		u.Train = int(m.n.Trains) + 1
	}
	m.unknownTimes = append(m.unknownTimes, u)
}

// holdsStart holds an opening within two settling times of the start of a file
// back from an interrupter's reader, until its break is known not to be too short
// for a pulse: a file cannot tell whether it begins in the middle of a bounce. It
// tells whether e is not to be read now.
func (m *Meter) holdsStart(e *Event) bool {
	within := e.Kind == EventTransition && int64(e.At-m.first) <= 2*m.settler.SettleNS
	switch {
	case within && !e.Closed:
		m.firstOpen, m.firstHeld = *e, true
		return true
	case within && m.firstHeld && int64(e.At-m.firstOpen.At) < m.dial.pulseMin:
		m.firstHeld, m.startUnknown = false, true
		return true
	case !within:
		m.atBeginning = false
	}
	m.readFirstOpen()
	return false
}

// readFirstOpen reads the opening that holdsStart has held back.
func (m *Meter) readFirstOpen() {
	if m.firstHeld {
		m.firstHeld = false
		m.give(&m.firstOpen)
	}
}

// detect tells the kind from the first events, and reads them if it was not
// known before.
func (m *Meter) detect() {
	if m.detected {
		return
	}
	m.detected = true
	m.looks = detectKind(m.early, &m.dial, false)
	m.maybeInverted = m.looks == KindInterrupter && detectKind(m.early, &m.dial, true) == KindDial
	if m.kind == KindAuto {
		if m.kind = m.looks; m.kind == KindAuto {
			m.kind = KindDial // nothing will be measured either way
		}
		for i := range m.early {
			m.read(&m.early[i])
		}
	}
	m.early = nil
	if m.repeat != nil {
		m.repeat.told(m.kind)
	}
}

// Counts may be called between calls of Add. They only grow: what counted as
// missing while nothing moved stays, even if the speed turns out to have changed.
func (m *Meter) Counts() Counts {
	n, c := m.n, &m.interrupter
	n.LostEdges = uint64(m.settler.Lost())
	n.Stalls += uint64(m.dial.disconnectsInside)
	c.shown.missing = max(c.shown.missing, n.Missing+uint64(c.standstill.missing))
	c.shown.due = max(c.shown.due, n.CyclesDue+uint64(c.standstill.due))
	n.Missing, n.CyclesDue = c.shown.missing, c.shown.due
	return n
}

// Advance says that no edge came up to now and none was lost, so that a live
// capture sees a train end without waiting for the next one.
func (m *Meter) Advance(now Stamp) {
	m.handleAll(m.settler.Advance(now))
	now, ok := m.settler.decided(now)
	if !ok {
		return
	}
	m.dial.advance(now)
	m.interrupter.advance(now)
}

// SetClock replaces what the Setup says of the time base, until Finish. A live
// capture knows only at its end how its clock was steered.
func (m *Meter) SetClock(rel float64, from ClockFrom) {
	m.setup.ClockRel, m.setup.ClockFrom = rel, from
}

// LobeFigures gives the signature of an interrupter's lobes so far, by the
// numbers of the latest CycleRow, for a later Config.LobesKnown: nil without
// lobes, with too few turns, and while the numbers are not known.
func (m *Meter) LobeFigures() []LobeFigure { return m.interrupter.numbers.figures() }

// Together has Finish call run with what can be done at the same time, such as
// ordering the values of each quantity. run returns when every task has ended. A
// Meter by itself does one after the other.
func (m *Meter) Together(run func(tasks []func())) { m.together = run }

// Finish ends the measurement. end is the end of a live capture; it is not used
// for a recording. The Meter must not be used afterwards.
func (m *Meter) Finish(end Stamp) *Measurement {
	ev, undecided, known := m.settler.Finish(m.cfg.Live, end)
	m.handleAll(ev)
	m.detect()
	m.readFirstOpen()
	if m.cfg.Live {
		m.last = end
	}
	n := &m.n
	r := &Measurement{
		Format: Format, Kind: m.kind.String(), KindFrom: m.from, MaybeInverted: m.maybeInverted,
		Capture: Capture{
			Edges: int(n.Edges), LostEdges: m.settler.Lost(), FirstEdgeS: float64(m.first) / 1e9, DurationS: float64(m.last-m.first) / 1e9,
			PartialStart: m.startUnknown, UndecidedEnd: undecided,
			Closed: m.cfg.Polarity.String(), Unknown: int(n.UnknownIntervals), UnknownS: float64(m.unknownNS) / 1e9,
			UnknownTimes: m.unknownTimes,
		},
	}
	if !m.cfg.Forget && m.looks != KindAuto {
		looks := m.looks.String()
		r.KindLooks = &looks
	}
	bounce, chatter := m.bounces.sample(m.first), joined(extremes{}, &m.chatter)
	r.Settling = Settling{
		SettleMS: ms(float64(m.settler.SettleNS)), Timing: m.cfg.Timing.String(), Transitions: int(n.Transitions),
		Bounced: int(n.Bounced), ExtraEdges: m.extraEdges, Chatter: int(n.Chatter),
	}
	var later tasks
	later.stat(&r.Settling.BounceMS, bounce)
	later.stat(&r.Settling.ChatterMS, chatter)
	quiet := end
	if undecided && known {
		quiet = m.settler.t0
	}
	if m.kind == KindDial {
		r.Capture.PartialEnd = m.dial.finish(m.cfg.Live, quiet)
		r.Dial = m.dial.result(&later)
		r.Capture.PartialStart = r.Capture.PartialStart || m.dial.firstLostHead
	} else {
		r.Capture.PartialEnd = m.interrupter.finish(m.cfg.Live, quiet)
		r.Interrupter = m.interrupter.result(m.origin(), &later)
	}
	if !known {
		r.Capture.PartialEnd = true
	}
	if m.together != nil {
		m.together(later)
	} else {
		for _, task := range later {
			task()
		}
	}
	if m.repeat != nil {
		m.repeat.finish(m, r, end)
	}
	r.Uncertainty = m.budgets(r)
	if m.cfg.Limits != nil {
		id := m.cfg.Limits.ID
		r.Limits = &id
		r.Conformity = m.judge(m.cfg.Limits, r)
	}
	for _, a := range m.analyses {
		a.finish(m, r)
	}
	return r
}

// sample gives what the readers have of a quantity.
func (m *Meter) sample(q Quantity, segment int) sample {
	switch {
	case q.OfTwo() && m.repeat != nil:
		return m.repeat.sample(q)
	case m.kind == KindDial:
		return m.dial.sample(q)
	case q == BounceMS:
		return m.bounces.sample(m.first)
	}
	return m.interrupter.sample(q, segment)
}
