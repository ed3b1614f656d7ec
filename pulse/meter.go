package pulse

import (
	"errors"
	"fmt"
	"slices"
)

// A Meter measures a contact from its edges. Feed it with Add in order of
// time, in pieces of any size, and end with Finish.
type Meter struct {
	cfg           Config
	setup         Setup
	set           Settler
	kind          Kind
	from          string
	early         []Event // the first findings, to tell the kind by
	told          bool
	looks         Kind // told from the data
	maybeInverted bool
	dial          dialReader
	cam           interrupterReader

	edges                   int
	first, last             Stamp
	firstSeen               bool
	transitions, bounced    int
	extraEdges, nChatter    int
	bounce                  unordered
	chatter                 Durations
	xBounce                 extreme
	unknowns                int
	unknownNS, asymmetry    int64
	startUnknown, sawChange bool
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
	first := func(v ...int64) int64 {
		for _, x := range v {
			if x != 0 {
				return x
			}
		}
		return 0
	}
	m.set = Settler{SettleNS: first(cfg.SettleNS, DefaultSettleNS), Polarity: cfg.Polarity}
	m.bounce.most = m.set.SettleNS // of a bounce of two edges
	coding := p.Coding
	if cfg.CodingSet {
		coding = cfg.Coding
	}
	m.dial = dialReader{
		pulseMin: first(cfg.PulseMinNS, p.PulseMinNS, DefaultPulseMinNS),
		pulseMax: first(cfg.PulseMaxNS, p.PulseMaxNS, DefaultPulseMaxNS),
		trainGap: first(cfg.TrainGapNS, p.TrainGapNS, DefaultTrainGapNS),
		flashMax: first(cfg.FlashMaxNS, p.FlashMaxNS, DefaultFlashMaxNS),
		coding:   coding, forget: cfg.Forget, onPulse: cfg.OnPulse, onTrain: cfg.OnTrain,
	}
	for i := range m.dial.digitOf {
		m.dial.digitOf[i] = string(rune('0' + i))
	}
	cadence := cfg.CadenceNS
	if cadence == nil {
		cadence = p.CadenceNS
	}
	m.cam = interrupterReader{onCycle: cfg.OnCycle, forget: cfg.Forget, lobes: cfg.Lobes, marks: cfg.LobeMarks, marksBy: cfg.LobesBy, lobesKnown: cfg.LobesKnown, period: cfg.PeriodNS, cadence: len(cadence) > 0}
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
	if len(cadence) > 0 && !(len(cadence) == 2 && cfg.PeriodNS > 0) {
		m.cam.pat = patternOf(cadence)
	}
	m.cam.learnFrom = learnBreaks
	if known := 2*len(m.cam.pat.brk) + 4; cfg.Live && (len(m.cam.pat.brk) > 0 || m.cam.period > 0) {
		m.cam.learnFrom = known // nothing but the phase and the speed is to be learnt
	}
	m.asymmetry = int64(m.setup.AsymmetryNS)
	if cfg.Live {
		m.first, m.last = cfg.Start, cfg.Start
		if cfg.StartLevel <= High {
			m.set.Start(cfg.Start, cfg.StartLevel)
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
			m.edges++
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
	m.dial.first = m.first
	if !m.sawChange && e.Level <= High {
		switch {
		case m.cfg.Polarity.Closed(e.Level):
			m.startUnknown = true // its break began before the recording
		case m.cfg.Live: // closed since the start; what was before is not known
			m.dial.closedSince(m.first)
		}
	}
}

func (m *Meter) handleAll(ev []Event) {
	for i := range ev {
		m.handle(&ev[i])
	}
}

// handle counts a finding and passes it on to be read.
func (m *Meter) handle(e *Event) {
	if m.cfg.OnEvent != nil {
		m.cfg.OnEvent(e)
	}
	long := int64(e.End - e.At)
	worst := false
	switch e.Kind {
	case EventChatter:
		m.nChatter++
		if !m.cfg.Forget {
			m.chatter.Add(long)
		}
		return
	case EventUnknown:
		m.unknowns++
		m.unknownNS += long
	case EventTransition:
		m.transitions++
		if long > 0 {
			m.bounced++
			m.extraEdges += int(e.Extra)
			if !m.cfg.Forget {
				m.bounce.add(long)
			}
			if v := float64(long); !m.xBounce.within(v) {
				side := "opening"
				if e.Closed {
					side = "closing"
				}
				m.xBounce.see(v, spot{breakNS: long, at: e.At, side: side})
				worst = m.xBounce.hi.at == e.At
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
	if worst && m.kind == KindDial && (!e.Closed || m.dial.gapOK) {
		h := &m.xBounce.hi
		if h.group, h.item = m.dial.nTrains+1, 1; m.dial.in {
			if h.item = int(m.dial.cur.pulses); !e.Closed {
				h.item++
			}
		}
	}
}

// read gives a transition or an unknown interval to the kind's reader.
func (m *Meter) read(e *Event) {
	if e.Kind == EventUnknown {
		if m.kind == KindDial {
			m.dial.advance(e.At)
			m.dial.unknown(e.End, e.Closed)
		} else {
			m.cam.unknown(e.End, e.Closed)
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

// Counts are what a Meter has counted so far.
type Counts struct {
	Edges, LostEdges, Transitions, Bounced, Chatter, UnknownIntervals int
	Pulses, ShortBreaks, Flashes, Disconnects, Trains                 int
	Cycles, CyclesDue, Missing, Extra, PhaseSlips                     int
}

// Counts may be called between calls of Add. Extra can fall again, when
// openings that were not due turn out to be a new phase; all others only grow.
func (m *Meter) Counts() Counts {
	return Counts{
		Edges: m.edges, LostEdges: m.set.Lost(), Transitions: m.transitions, Bounced: m.bounced, Chatter: m.nChatter, UnknownIntervals: m.unknowns,
		Pulses: m.dial.pulses, ShortBreaks: m.dial.short, Flashes: m.dial.flashes, Disconnects: m.dial.disconnects, Trains: m.dial.nTrains,
		Cycles: m.cam.cycles, CyclesDue: m.cam.due + m.cam.still.due, Missing: m.cam.missing + m.cam.still.missing, Extra: m.cam.extra, PhaseSlips: m.cam.slips,
	}
}

// Advance says that no edge came up to now, none lost either, so that a live
// capture sees trains end without waiting for the next one.
func (m *Meter) Advance(now Stamp) {
	m.handleAll(m.set.Advance(now))
	switch {
	case m.set.blind:
		return
	case m.set.burst: // what the contact does from here on is not decided yet
		now = m.set.t0
	}
	m.dial.advance(now)
	m.cam.advance(now)
}

// SetClock replaces what the Setup says of the time base; it counts until
// Finish. A live capture knows at its end only how its clock was steered.
func (m *Meter) SetClock(rel float64, from string) { m.setup.ClockRel, m.setup.ClockFrom = rel, from }

// LobeFigures gives the signature of an interrupter's lobes so far, by the
// numbers of the latest CycleRow, for a later Config.LobesKnown: nil without
// lobes, with too few turns, and while the numbers are not known.
func (m *Meter) LobeFigures() []LobeFigure { return m.cam.sig.figures() }

// Finish ends the measurement. end is the end of a live capture; it is not
// used for a recording. The Meter must not be used after.
func (m *Meter) Finish(end Stamp) *Measurement {
	ev, undecided := m.set.Finish(m.cfg.Live, end)
	m.handleAll(ev)
	m.tell()
	if m.cfg.Live {
		m.last = end
	}
	r := &Measurement{
		Format: Format, Kind: m.kind.String(), KindFrom: m.from, MaybeInverted: m.maybeInverted,
		Capture: Capture{
			Edges: m.edges, LostEdges: m.set.Lost(), FirstEdgeS: float64(m.first) / 1e9, DurationS: float64(m.last-m.first) / 1e9,
			PartialStart: m.startUnknown, UndecidedEnd: undecided,
			Closed: m.cfg.Polarity.String(), Unknown: m.unknowns, UnknownS: float64(m.unknownNS) / 1e9,
		},
	}
	if !m.cfg.Forget {
		if m.looks != KindAuto {
			looks := m.looks.String()
			r.KindLooks = &looks
		}
		m.bounce.list.AddZeros(m.transitions - m.bounced)
	}
	if m.bounced < m.transitions && m.transitions > 0 {
		m.xBounce.lo = spot{ok: true, at: m.first}
		if m.bounced == 0 {
			m.xBounce.hi = spot{ok: true, at: m.first}
		}
	}
	n, fill := joined(&m.bounce)
	nc, fillChatter := joined(&m.chatter)
	r.Settling = Settling{
		SettleMS: ms(float64(m.set.SettleNS)), Timing: m.cfg.Timing.String(), Transitions: m.transitions,
		Bounced: m.bounced, ExtraEdges: m.extraEdges, Chatter: m.nChatter,
		BounceMS: StatOf(n, fill), ChatterMS: StatOf(nc, fillChatter),
	}
	quiet := end
	if undecided {
		quiet = m.set.t0
	}
	if m.kind == KindDial {
		r.Capture.PartialEnd = m.dial.finish(m.cfg.Live, quiet)
		r.Dial = m.dial.result()
		r.Capture.PartialStart = r.Capture.PartialStart || m.dial.startCut
	} else {
		r.Capture.PartialEnd = m.cam.finish(m.cfg.Live, quiet)
		r.Interrupter = m.cam.result(m.first)
	}
	if m.set.blind {
		r.Capture.PartialEnd = true
	}
	r.Uncertainty = m.budgets(r)
	if m.cfg.Limits != nil {
		id := m.cfg.Limits.ID
		r.Limits = &id
		r.Conformity = m.judge(m.cfg.Limits)
	}
	return r
}

// values gives what the readers have of a quantity, in its own unit.
func (m *Meter) values(q Quantity, segment int) (n int, fill func(dst []float64, from int), x extreme, ok bool) {
	if q == BounceMS {
		n, fill = joined(&m.bounce)
		return n, fill, m.xBounce.each(ms), true
	}
	if m.kind == KindDial {
		return m.dial.values(q)
	}
	return m.cam.values(q, segment)
}

// budgets gives the uncertainty of one value of each quantity, at the means.
func (m *Meter) budgets(r *Measurement) map[Quantity]*BudgetResult {
	q := []Quantity{RateIPM, PeriodMS, BreakPercent, BreakMS, MakeMS, BounceMS}
	if m.kind == KindDial {
		q = []Quantity{RatePPS, BreakPercent, BreakMS, MakeMS, InterdigitMS, BounceMS}
	}
	if p := m.cfg.Limits; p != nil { // and what is judged
		for _, l := range p.Limits {
			if l.Quantity != SegmentMS && !slices.Contains(q, l.Quantity) {
				q = append(q, l.Quantity)
			}
		}
	}
	var brk, per, gap, mk float64 // ms
	if d := r.Dial; d != nil {
		brk, mk, gap = d.BreakMS.Mean.V, d.MakeMS.Mean.V, d.InterdigitMS.Mean.V
		per = brk + mk
	} else {
		i := r.Interrupter
		brk, mk, per = i.BreakMS.Mean.V, i.MakeMS.Mean.V, i.PeriodMS.Mean.V
	}
	u := make(map[Quantity]*BudgetResult, len(q))
	for _, q := range q {
		b, t := brk*1e6, per*1e6
		switch {
		case q == InterdigitMS:
			b, t = 0, gap*1e6
		case q == BounceMS:
			b, t = r.Settling.BounceMS.Mean.V*1e6, 0
		case q == BreakPercent && m.kind == KindInterrupter:
			b = r.Interrupter.BreakPercent.Mean.V / 100 * t
		case q == MakeMS && m.kind == KindInterrupter:
			t = b + mk*1e6
		}
		if n, _, _, _ := m.values(q, 0); n > 0 {
			u[q] = m.budget(q, b, t)
		} else {
			u[q] = &BudgetResult{Budget: []Component{}}
		}
	}
	return u
}

func (m *Meter) budget(q Quantity, breakNS, periodNS float64) *BudgetResult {
	if q == BreakPercent && m.kind == KindInterrupter {
		return m.setup.OfCadence(m.cam.pat.k()).Budget(q, breakNS, periodNS)
	}
	return m.setup.Budget(q, breakNS, periodNS)
}

func (m *Meter) judge(p *Profile) *Conformity {
	c := &Conformity{Statement: NotMeasured, Because: []string{}, Items: []Item{}}
	for _, l := range p.Limits {
		n, fill, x, _ := m.values(l.Quantity, l.Segment)
		if m.kind == KindInterrupter && m.cam.misfit {
			n = 0 // the figures are another cadence's
		}
		if l.Min != nil {
			c.Items = append(c.Items, m.item(l, *l.Min, false, x.lo, n, fill))
		}
		if l.Max != nil {
			c.Items = append(c.Items, m.item(l, *l.Max, true, x.hi, n, fill))
		}
	}
	for i, it := range c.Items {
		if i == 0 {
			c.Statement = it.Statement
			continue
		}
		c.Statement = Worst(c.Statement, it.Statement)
	}
	return c
}

// item judges one bound on its worst value.
func (m *Meter) item(l Limit, limit float64, upper bool, worst spot, n int, fill func(dst []float64, from int)) (it Item) {
	it = Item{Quantity: l.Name(), Bound: "min", Limit: limit, Statement: NotMeasured, Of: n, Source: l.Source, Seen: l.Seen}
	if upper {
		it.Bound = "max"
	}
	if n == 0 || !worst.ok {
		return it
	}
	it.Observed = Known(worst.v)
	q, b, t := l.Quantity, float64(worst.breakNS), float64(worst.periodNS)
	if m.kind == KindInterrupter && (q == BreakMS || q == MakeMS || q == SegmentMS) {
		q, b = SegmentMS, worst.v*1e6 // one of several in its cycle
	}
	u := m.budget(q, b, t)
	it.ExpandedU = u.Expanded
	if !u.Expanded.OK {
		return it
	}
	it.Statement = Judge(worst.v, limit, u.Expanded.V, upper)
	var block [512]float64
	for from := 0; from < n; from += len(block) {
		b := block[:min(len(block), n-from)]
		fill(b, from)
		for _, v := range b {
			if Judge(v, limit, 0, upper) == Fail {
				it.OutOfLimit++
			}
		}
	}
	if up, ok := UpperBound95(it.OutOfLimit, n); ok {
		it.Upper95 = Known(100 * up)
	}
	it.AtS = Known(float64(worst.at-m.first) / 1e9)
	defer func() {
		if it.Where != "" && worst.side != "" {
			it.Where += ", " + worst.side
		}
	}()
	switch {
	case worst.group == 0:
	case l.Quantity == InterdigitMS:
		it.Where = fmt.Sprintf("before train %d", worst.group)
	case m.kind == KindDial:
		it.Where = fmt.Sprintf("train %d, pulse %d", worst.group, worst.item)
	case m.cam.sig.number(worst.item, worst.stretch) > 0:
		it.Where = fmt.Sprintf("cycle %d, lobe %d", worst.group, m.cam.sig.number(worst.item, worst.stretch))
	default:
		it.Where = fmt.Sprintf("cycle %d", worst.group)
	}
	return it
}
