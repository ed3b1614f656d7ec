package pulse

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
)

// A Meter measures a contact from its edges. Feed it with Add in order of
// time, in pieces of any size, and end with Finish.
type Meter struct {
	cfg           Config
	setup         Setup
	set           settler
	kind          Kind
	from          string
	early         []Event // the first findings, to tell the kind by
	told          bool
	looks         Kind // told from the data
	maybeInverted bool
	dial          dialReader
	cam           interrupterReader

	n                       Counts // of the readers too
	first, last             Stamp
	firstSeen               bool
	untimed                 int // transitions whose time is not known
	extraEdges              int
	bounce                  unordered
	chatter                 durations
	xBounce                 extreme
	unknownNS, asymmetry    int64
	startUnknown, sawChange bool
	// beginning: an interrupter's file may still begin in the middle of a bounce.
	beginning bool
	firstOpen Event // held meanwhile
	firstHeld bool
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
	m.set = settler{SettleNS: cmp.Or(cfg.SettleNS, DefaultSettleNS), Polarity: cfg.Polarity}
	m.bounce.most = m.set.SettleNS // of a bounce of two edges
	coding := p.Coding
	if cfg.CodingSet {
		coding = cfg.Coding
	}
	m.dial = dialReader{
		n:        &m.n,
		pulseMin: cmp.Or(cfg.PulseMinNS, p.PulseMinNS, DefaultPulseMinNS),
		pulseMax: cmp.Or(cfg.PulseMaxNS, p.PulseMaxNS, DefaultPulseMaxNS),
		trainGap: cmp.Or(cfg.TrainGapNS, p.TrainGapNS, DefaultTrainGapNS),
		flashMax: cmp.Or(cfg.FlashMaxNS, p.FlashMaxNS, DefaultFlashMaxNS),
		coding:   coding, forget: cfg.Forget, onPulse: cfg.Observer.Pulse, onTrain: cfg.Observer.Train,
		judgeBounce: !cfg.Forget && slices.ContainsFunc(p.Limits, func(l Limit) bool { return l.Quantity == BounceMS }),
	}
	m.dial.bounce.most = m.set.SettleNS
	for i := range m.dial.digitOf {
		m.dial.digitOf[i] = string(rune('0' + i))
	}
	cadence := cfg.CadenceNS
	if cadence == nil {
		cadence = p.CadenceNS
	}
	m.cam = interrupterReader{n: &m.n, onCycle: cfg.Observer.Cycle, forget: cfg.Forget, lobes: cfg.Lobes, marks: cfg.LobeMarks, marksBy: cfg.LobesBy, lobesKnown: cfg.LobesKnown, limits: cfg.Limits, cadence: len(cadence) > 0}
	switch {
	case m.set.SettleNS < 0 || cfg.PeriodNS < 0 || cfg.Lobes < 0:
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
	for i, ns := range cadence {
		if ns <= 0 {
			return nil, fmt.Errorf("segment %d of the cadence is not above 0", i+1)
		}
	}
	switch {
	case len(cadence) > 0 && !(len(cadence) == 2 && cfg.PeriodNS > 0):
		m.cam.given = patternOf(cadence)
	case cfg.PeriodNS > 0:
		m.cam.given = plain(cfg.PeriodNS)
	}
	m.cam.learnFrom = learnBreaks
	if k := m.cam.given.k(); k > 0 {
		m.cam.learnFrom = 2*k + 4 // nothing but the phase and the speed is to be learnt
	}
	m.asymmetry = int64(m.setup.AsymmetryNS)
	m.beginning = !cfg.Live
	if cfg.Live {
		m.first, m.last = cfg.Start, cfg.Start
		m.set.Start(cfg.Start, cfg.StartLevel)
		if cfg.StartLevel <= High {
			m.startAs(cfg.Start, cfg.Polarity.Closed(cfg.StartLevel))
		}
	}
	return m, nil
}

// startAs says that the contact is known to be in a state since at.
func (m *Meter) startAs(at Stamp, closed bool) {
	if closed {
		m.dial.closedSince(at)
	} else {
		m.dial.open, m.cam.open = true, true
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
		m.handleAll(m.set.Add(*e))
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
			m.dial.closedSince(m.first)
		}
	}
}

// origin is from where the times of corrected openings are counted, so that
// what begins with an opening is told where the recording has its edge, which
// is never before the first one: the correction is for lengths.
func (m *Meter) origin() Stamp { return m.first - Stamp(m.asymmetry) }

func (m *Meter) handleAll(ev []Event) {
	for i := range ev {
		m.handle(&ev[i])
	}
}

// handle counts a finding and passes it on to be read.
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
			m.untimed++
		}
		if m.cfg.Live && m.cfg.StartLevel <= High && e.At <= m.cfg.Start {
			m.startUnknown = true // it begins inside a burst
		}
	case EventTransition:
		m.n.Transitions++
		if long > 0 {
			m.n.Bounced++
			m.extraEdges += int(e.Extra)
			if !m.cfg.Forget {
				m.bounce.add(long)
			}
			if v := float64(long); !m.xBounce.within(v) {
				side := Opening
				if e.Closed {
					side = Closing
				}
				m.xBounce.see(v, spot{Value: Value{BreakNS: long}, at: e.At, side: side})
			}
		}
	}
	if !m.told {
		m.early = append(m.early, *e)
		if m.kind != KindAuto {
			m.read(e)
		}
		enough := tellEvents
		if m.cfg.Live {
			enough = tellEventsLive
		}
		if len(m.early) >= enough {
			m.tell()
		}
	} else {
		m.read(e)
	}
}

// read gives a transition or an unknown interval to the kind's reader.
func (m *Meter) read(e *Event) {
	if m.beginning && m.kind == KindInterrupter && m.begins(e) {
		return
	}
	if e.Kind == EventUnknown {
		if m.kind == KindDial {
			m.dial.advance(e.At)
			m.dial.unknown(e.End, e.Closed)
		} else {
			m.cam.unknown(e.At, e.End, e.Closed)
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
		m.cam.transition(at, e.Closed, int64(e.End-e.At))
	}
}

// begins keeps a break from an interrupter's reader that is too short for a
// pulse and lies within two settling times of the start of a file: that may
// begin in the middle of a bounce, and cannot tell. It is true for what is not
// to be read now.
func (m *Meter) begins(e *Event) bool {
	within := e.Kind == EventTransition && int64(e.At-m.first) <= 2*m.set.SettleNS
	switch {
	case within && !e.Closed:
		m.firstOpen, m.firstHeld = *e, true
		return true
	case within && m.firstHeld && int64(e.At-m.firstOpen.At) < m.dial.pulseMin:
		m.firstHeld, m.startUnknown = false, true
		return true
	case !within:
		m.beginning = false
	}
	m.begun()
	return false
}

// begun reads the opening that begins held.
func (m *Meter) begun() {
	if m.firstHeld {
		still := m.beginning
		m.firstHeld, m.beginning = false, false
		m.read(&m.firstOpen)
		m.beginning = still
	}
}

// tell looks at the first findings for the kind, and reads them if it was not
// known before.
func (m *Meter) tell() {
	if m.told {
		return
	}
	m.told = true
	m.looks = tellKind(m.early, &m.dial, false)
	m.maybeInverted = m.looks == KindInterrupter && tellKind(m.early, &m.dial, true) == KindDial
	if m.kind == KindAuto {
		if m.kind = m.looks; m.kind == KindAuto {
			m.kind = KindDial // nothing will be measured either way
		}
		for i := range m.early {
			m.read(&m.early[i])
		}
	}
	m.early = nil
}

// Counts may be called between calls of Add; they only grow. What was counted
// as missing while nothing moved stays so in them, also where it turns out to
// have been another speed.
func (m *Meter) Counts() Counts {
	n, c := m.n, &m.cam
	n.LostEdges = uint64(m.set.Lost())
	n.Stalls += uint64(m.dial.cuts)
	c.shown.missing = max(c.shown.missing, n.Missing+uint64(c.still.missing))
	c.shown.due = max(c.shown.due, n.CyclesDue+uint64(c.still.due))
	n.Missing, n.CyclesDue = c.shown.missing, c.shown.due
	return n
}

// Advance says that no edge came up to now, none lost either, so that a live
// capture sees trains end without waiting for the next one.
func (m *Meter) Advance(now Stamp) {
	m.handleAll(m.set.Advance(now))
	now, ok := m.set.decided(now)
	if !ok {
		return
	}
	m.dial.advance(now)
	m.cam.advance(now)
}

// SetClock replaces what the Setup says of the time base; it counts until
// Finish. A live capture knows at its end only how its clock was steered.
func (m *Meter) SetClock(rel float64, from ClockFrom) {
	m.setup.ClockRel, m.setup.ClockFrom = rel, from
}

// LobeFigures gives the signature of an interrupter's lobes so far, by the
// numbers of the latest CycleRow, for a later Config.LobesKnown: nil without
// lobes, with too few turns, and while the numbers are not known.
func (m *Meter) LobeFigures() []LobeFigure { return m.cam.sig.figures() }

// Finish ends the measurement. end is the end of a live capture; it is not
// used for a recording. The Meter must not be used after.
func (m *Meter) Finish(end Stamp) *Measurement {
	ev, undecided, known := m.set.Finish(m.cfg.Live, end)
	m.handleAll(ev)
	m.tell()
	m.begun()
	if m.cfg.Live {
		m.last = end
	}
	n := &m.n
	r := &Measurement{
		Format: Format, Kind: m.kind.String(), KindFrom: m.from, MaybeInverted: m.maybeInverted,
		Capture: Capture{
			Edges: int(n.Edges), LostEdges: m.set.Lost(), FirstEdgeS: float64(m.first) / 1e9, DurationS: float64(m.last-m.first) / 1e9,
			PartialStart: m.startUnknown, UndecidedEnd: undecided,
			Closed: m.cfg.Polarity.String(), Unknown: int(n.UnknownIntervals), UnknownS: float64(m.unknownNS) / 1e9,
		},
	}
	clean := int(n.Transitions-n.Bounced) - m.untimed
	if !m.cfg.Forget {
		if m.looks != KindAuto {
			looks := m.looks.String()
			r.KindLooks = &looks
		}
		m.bounce.list.AddZeros(clean)
	}
	if clean > 0 {
		m.xBounce.lo = spot{ok: true, at: m.first}
		if n.Bounced == 0 {
			m.xBounce.hi = spot{ok: true, at: m.first}
		}
	}
	nb, fill := joined(&m.bounce)
	nc, fillChatter := joined(&m.chatter)
	r.Settling = Settling{
		SettleMS: ms(float64(m.set.SettleNS)), Timing: m.cfg.Timing.String(), Transitions: int(n.Transitions),
		Bounced: int(n.Bounced), ExtraEdges: m.extraEdges, Chatter: int(n.Chatter),
		BounceMS: statOf(nb, fill), ChatterMS: statOf(nc, fillChatter),
	}
	quiet := end
	if undecided && known {
		quiet = m.set.t0
	}
	if m.kind == KindDial {
		r.Capture.PartialEnd = m.dial.finish(m.cfg.Live, quiet)
		r.Dial = m.dial.result()
		r.Capture.PartialStart = r.Capture.PartialStart || m.dial.startCut
	} else {
		r.Capture.PartialEnd = m.cam.finish(m.cfg.Live, quiet)
		r.Interrupter = m.cam.result(m.origin())
	}
	if !known {
		r.Capture.PartialEnd = true
	}
	r.Uncertainty = m.budgets(r)
	if m.cfg.Limits != nil {
		id := m.cfg.Limits.ID
		r.Limits = &id
		r.Conformity = m.judge(m.cfg.Limits, r)
	}
	return r
}

// values gives what the readers have of a quantity, in its own unit.
func (m *Meter) values(q Quantity, segment int) (n int, fill func(dst []float64, from int), x extreme, ok bool) {
	if m.kind == KindDial {
		return m.dial.values(q)
	}
	if q == BounceMS {
		n, fill = joined(&m.bounce)
		return n, fill, m.xBounce.each(ms), true
	}
	return m.cam.values(q, segment)
}
