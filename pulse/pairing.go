package pulse

import (
	"math"
	"slices"
	"sort"
)

const (
	// pairLearn openings of the contact that has them first tell the period and the
	// lags to begin with. Three long digits have them, and a cam within a minute.
	pairLearn = 32
	// pairRelearn: after so many further openings both are looked at again, so that
	// they follow a drive that changes its speed.
	pairRelearn = 32
	// pairMemory openings are those that are looked at.
	pairMemory = 64
	// lonelyDialNS and lonelyCamNS are the periods of a contact that has not shown
	// any: the nominal one of a dial (10 pps) and of a busy tone (60 IPM).
	lonelyDialNS int64 = 100e6
	lonelyCamNS  int64 = 1e9
	// lagParts: lags that agree lie within this part of a period. Pulses of a
	// repeater differ by a few milliseconds in a hundred, by their place in the
	// train.
	lagParts = 8
	// pairMarginNS and pairMarginPeriods, whichever is longer: so long before its
	// first and after its last change a recording is taken to have run, where nothing
	// else tells. A digit takes one second at most.
	pairMarginNS      int64 = 2e9
	pairMarginPeriods int64 = 3
	// maxHeld bounds what waits for its place in a train.
	maxHeld = 1 << 12
)

// A PairState says what became of a break.
type PairState uint8

const (
	Paired      PairState = iota // both contacts have it
	PairLost                     // the input has it, the output has not
	PairExtra                    // the output has it, the input has not
	PairUnknown                  // the state of the other contact is not known there
	PairShort                    // alone, and too short for a pulse
)

// A PairedPulse is one break of the input with what the output made of it, or a
// break that the output alone has. What is not known is not ok.
type PairedPulse struct {
	At           Stamp // opening of the input; of the output where the break is the output's alone
	Output       bool  // the break is the output's alone
	State        PairState
	Train, Pulse int // place on a dial; 0 where it has none or is not known

	OpenLagNS, CloseLagNS, BreakChangeNS, BothClosedNS, BothOpenNS int64
	OpenOK, CloseOK, ChangeOK, BothClosedOK, BothOpenOK            bool
}

// PairingOptions say how two contacts are paired.
type PairingOptions struct {
	Kind       Kind  // KindAuto: to be told by SetKind before anything is decided
	TrainGapNS int64 // of a dial: a make this long ends a train
	ShortNS    int64 // of a dial: a shorter break that is alone is neither lost nor extra
	// Places: Place will tell the place of each break.
	Places bool
	// OneRecording: both contacts were read from the start to the end of the same
	// recording, so neither is unknown before its first change or after its last.
	OneRecording bool
	// OnPulse is told each break when it is decided, those of the input in order of
	// time. It may be nil, and must not keep the pointer.
	OnPulse func(*PairedPulse)
	// OnLead is told how long before the input left a state the output had come into
	// it, of two contacts that are closed in turn: see Repeater. It may be nil.
	OnLead func(at Stamp, inputOpens bool, leadNS int64)
}

// PairCounts count breaks.
type PairCounts struct{ Pairs, Lost, Extra, Unknown, Short uint64 }

// Add adds the counts of another Pairing.
func (n *PairCounts) Add(o PairCounts) {
	n.Pairs, n.Lost, n.Extra, n.Unknown, n.Short = n.Pairs+o.Pairs, n.Lost+o.Lost, n.Extra+o.Extra, n.Unknown+o.Unknown, n.Short+o.Short
}

// A Pairing pairs the settled changes of two contacts, an input and an output,
// whose times count from the same zero. Each contact's changes come in order of
// time; how the two are fed in turn does not matter for what is found. What waits
// for the other contact is kept until that one has got as far, so a contact that
// stands still needs InputUpTo or OutputUpTo.
//
// An opening of the input and one of the output are a pair where each is the
// nearest to the other, and within half a period, once the usual lag is taken off:
// nearest in time, never by count, so one lost pulse costs one pulse. Of two that
// are equally near, the earlier one counts. Closings are paired in the same way, by
// a usual lag of their own. A pair does not count where a time in which one of the
// contacts is unknown might hide a nearer one.
//
// The period is the median of the times from opening to opening of both contacts,
// inside trains where there are trains, over the last 64 openings. The usual lag
// is where the differences of all pairs of openings within half a period lie most
// densely: of two that are equally dense, the one nearer to 0.
type Pairing struct {
	opt      PairingOptions
	in, out  pairSide
	learnt   bool
	finished bool
	periodNS int64
	match    [4]matcher
	since    int // openings of the input decided since the last look

	pulses pulseQueue
	before *inputBreak // the last one that was decided
	placed []PairedPulse
	places []place
	n      PairCounts

	// Time in which both contacts were known, and were in the same state.
	sweepAt           Stamp
	sweeping          bool
	knownNS, agreedNS int64
}

// The four ways to pair changes; opening is 0, closing 1.
const (
	openings = 0
	closings = 1
)

type matcher struct {
	from, to int // sense of the input's change, of the output's
	lag      int64
	nextIn   int // index of the next change of the input to be decided
	nextOut  int // of the output, for those that are alone
	// What became of the changes of the output, from index takenAt on.
	takenAt int
	taken   []taken
}

type taken uint8

const (
	free   taken = iota
	paired       // with a change of the input
	hidden       // it might be, but for an unknown time
)

// A change is one opening or closing.
type change struct {
	at      Stamp
	number  int   // of its break, counted from 1
	makeNS  int64 // before an opening, where joined
	breakNS int64 // of an opening, 0 while it is not known
	joined  bool  // nothing unknown since the opening before
}

// A line is a list of changes whose oldest go.
type line struct {
	gone int
	list []change
}

func (l *line) end() int         { return l.gone + len(l.list) }
func (l *line) at(i int) *change { return &l.list[i-l.gone] }

// after is the index of the first change at or after t.
func (l *line) after(t Stamp) int {
	return l.gone + sort.Search(len(l.list), func(i int) bool { return l.list[i].at >= t })
}

// nearest is the index of the change nearest to t, the earlier of two; ok is false
// without any.
func (l *line) nearest(t Stamp) (i int, ok bool) {
	i = l.after(t)
	switch {
	case len(l.list) == 0:
		return 0, false
	case i == l.end():
		return i - 1, true
	case i > l.gone && t-l.at(i-1).at <= l.at(i).at-t:
		return i - 1, true
	}
	return i, true
}

// trim forgets the changes before t, but not those from index keep on.
func (l *line) trim(t Stamp, keep int) {
	if len(l.list) < 1024 {
		return
	}
	if n := min(l.after(t), keep) - l.gone; n > len(l.list)/2 {
		l.list = append(l.list[:0], l.list[n:]...)
		l.gone += n
	}
}

type stretchOfTime struct{ from, to Stamp }

// A pairSide is one of the contacts.
type pairSide struct {
	lines    [2]line
	unknown  []stretchOfTime
	begun    bool
	from     Stamp // first change
	fromSure bool  // nothing came before it since from, as was told
	upTo     Stamp // all before is told
	last     Stamp // change
	ended    bool  // no more will come
	toSure   bool  // and the end was told
	number   int
	open     bool // with a known opening
	closedAt Stamp
	closedOK bool
	opened   int
	learnAt  Stamp       // its opening number pairLearn
	steps    []stateFrom // those swept are the first ones
	swept    int
	state    contactState
}

type contactState uint8

const (
	stateUnknown contactState = iota
	stateClosed
	stateOpen
)

// A stateFrom is a state that begins at a time.
type stateFrom struct {
	at    Stamp
	state contactState
}

type inputBreak struct {
	number              int
	openAt, closeAt     Stamp
	hasOpen, hasClose   bool
	openDone, closeDone bool
	ended               bool // no closing will come
	joined              bool
	makeNS              int64
	state               PairState
	openMate, closeMate int // number of the output's break, 0: none
	outOpen, outClose   Stamp
}

// A pulseQueue holds the input's breaks that are not decided.
type pulseQueue struct{ list []inputBreak }

func (q *pulseQueue) of(number int) *inputBreak {
	if len(q.list) == 0 {
		return nil
	}
	i := sort.Search(len(q.list), func(i int) bool { return q.list[i].number >= number })
	if i < len(q.list) && q.list[i].number == number {
		return &q.list[i]
	}
	return nil
}

type place struct {
	at           Stamp
	train, pulse int
}

// NewPairing begins to pair two contacts.
func NewPairing(o PairingOptions) *Pairing {
	p := &Pairing{opt: o}
	p.in.upTo, p.out.upTo = math.MinInt64/4, math.MinInt64/4
	for i := range p.match {
		p.match[i].from, p.match[i].to = i&1, i&1^i>>1
	}
	return p
}

// SetKind tells the kind of the contacts, where the options left it open.
func (p *Pairing) SetKind(k Kind) {
	p.opt.Kind = k
	p.run()
}

// Input takes the next change of the input.
func (p *Pairing) Input(t Transition) {
	p.feed(&p.in, t, true)
	p.run()
}

// Output takes the next change of the output.
func (p *Pairing) Output(t Transition) {
	p.feed(&p.out, t, false)
	p.run()
}

// InputFrom and OutputFrom say since when a contact was read, before its first
// change. Else it is taken to have been read from 2 s, or three periods, before.
func (p *Pairing) InputFrom(at Stamp)  { p.in.since(at) }
func (p *Pairing) OutputFrom(at Stamp) { p.out.since(at) }

// InputUpTo and OutputUpTo say that no change of a contact came up to a time,
// beyond those that were fed.
func (p *Pairing) InputUpTo(at Stamp) {
	p.in.upTo = max(p.in.upTo, at)
	p.run()
}

func (p *Pairing) OutputUpTo(at Stamp) {
	p.out.upTo = max(p.out.upTo, at)
	p.run()
}

// OutputEnds says that no more changes of the output will come. Its recording is
// taken to have gone on for 2 s, or three periods, after its last one.
func (p *Pairing) OutputEnds() {
	p.out.end(p.margin(), p.opt.OneRecording)
	p.out.upTo = endless
	p.run()
}

// OutputEndsAt says that the output was read up to a time, and not beyond.
func (p *Pairing) OutputEndsAt(at Stamp) {
	p.out.endAt(at)
	p.out.upTo = endless
	p.run()
}

const endless Stamp = math.MaxInt64 / 4

// Place tells where the break of the input that opened at a time stands: in which
// train, at which place from 1, both 0 for none. Calls are in order of time.
func (p *Pairing) Place(openedAt Stamp, train, pulse int) {
	p.places = append(p.places, place{openedAt, train, pulse})
	p.join()
}

// Finish decides what is left. ends tells that the contacts were read up to end, as
// a live capture is; a recording is taken to have gone on for 2 s, or three
// periods, after its last change.
func (p *Pairing) Finish(end Stamp, ends bool) {
	p.finished = true
	if p.opt.Kind == KindAuto {
		p.opt.Kind = KindDial
	}
	for _, s := range []*pairSide{&p.in, &p.out} {
		if ends && !s.ended {
			s.endAt(end)
		}
		s.end(p.margin(), p.opt.OneRecording)
	}
	for i := range p.pulses.list {
		p.pulses.list[i].ended = true
	}
	p.run()
	p.join()
}

// Counts are those of what is decided.
func (p *Pairing) Counts() PairCounts { return p.n }

// Agreement is the part of the time in which both contacts were closed or both
// open; ok is false where both were never known together.
func (p *Pairing) Agreement() (part float64, ok bool) {
	if p.knownNS <= 0 {
		return 0, false
	}
	return float64(p.agreedNS) / float64(p.knownNS), true
}

// Opposite tells that the contacts are in different states for more than two
// thirds of the time: one closes where the other opens. The other polarity of one
// would agree twice as well.
func (p *Pairing) Opposite() bool {
	part, ok := p.Agreement()
	return ok && part < 1.0/3
}

// PeriodNS is the period that is paired by, 0 until it is known.
func (p *Pairing) PeriodNS() int64 { return p.periodNS }

func (s *pairSide) since(at Stamp) {
	if !s.begun {
		s.begun, s.fromSure, s.from, s.last, s.upTo = true, true, at, at, at
	}
}

// endAt says that the contact was read up to a time, and not beyond.
func (s *pairSide) endAt(at Stamp) {
	at = max(at, s.last)
	s.unknown = append(s.unknown, stretchOfTime{at, endless})
	s.steps = append(s.steps, stateFrom{at, stateUnknown})
	s.ended, s.toSure = true, true
}

// end says that no more changes come.
func (s *pairSide) end(margin Stamp, goesOn bool) {
	if !s.ended && s.begun && !goesOn {
		s.steps = append(s.steps, stateFrom{s.last + margin, stateUnknown})
	}
	s.ended = true
}

func (p *Pairing) feed(s *pairSide, t Transition, input bool) {
	if !s.begun {
		s.begun, s.from = true, t.At
	}
	s.upTo, s.last = max(s.upTo, t.End), max(s.last, t.End)
	after := stateOpen
	if t.Closed {
		after = stateClosed
	}
	switch {
	case t.Unknown:
		if n := len(s.unknown); n > 0 && s.unknown[n-1].to >= t.At { // it goes on
			s.unknown[n-1].to = max(s.unknown[n-1].to, t.End)
		} else {
			s.unknown = append(s.unknown, stretchOfTime{t.At, t.End})
		}
		s.steps = append(s.steps, stateFrom{t.At, stateUnknown})
		s.number++ // so that the breaks on both sides do not follow each other
		s.open, s.closedOK = false, false
		if input {
			p.pulses.end()
		}
	case !t.Closed:
		s.number++
		c := change{at: t.At, number: s.number, joined: s.closedOK}
		if s.closedOK {
			c.makeNS = int64(t.At - s.closedAt)
		}
		s.lines[openings].list = append(s.lines[openings].list, c)
		s.open = true
		if s.opened++; s.opened == pairLearn {
			s.learnAt = t.At
		}
		if input {
			p.pulses.end()
			p.pulses.list = append(p.pulses.list, inputBreak{number: c.number, openAt: t.At, hasOpen: true, joined: c.joined, makeNS: c.makeNS})
		}
	default:
		if !s.open {
			s.number++
			if input {
				p.pulses.end()
				p.pulses.list = append(p.pulses.list, inputBreak{number: s.number, openDone: true})
			}
		} else if l := &s.lines[openings]; l.end() > l.gone {
			l.at(l.end() - 1).breakNS = int64(t.At - l.at(l.end()-1).at)
		}
		s.lines[closings].list = append(s.lines[closings].list, change{at: t.At, number: s.number})
		s.open, s.closedAt, s.closedOK = false, t.At, true
		if input {
			if b := p.pulses.of(s.number); b != nil {
				b.closeAt, b.hasClose = t.At, true
			}
		}
	}
	s.steps = append(s.steps, stateFrom{t.End, after})
}

// end says that the last break of the queue gets no closing any more.
func (q *pulseQueue) end() {
	if n := len(q.list); n > 0 && !q.list[n-1].hasClose {
		q.list[n-1].ended = true
	}
}

// margin is how long a recording is taken to have run beyond its changes.
func (p *Pairing) margin() Stamp { return Stamp(max(pairMarginNS, pairMarginPeriods*p.periodNS)) }

// hides tells whether an unknown time of s lies between two times, the ends left
// out.
func (p *Pairing) hides(s *pairSide, from, to Stamp) bool {
	if !p.opt.OneRecording && s.begun { // what never moved has no pair at all
		start := s.from
		if !s.fromSure {
			start -= p.margin()
		}
		if from < start || s.ended && !s.toSure && to > s.last+p.margin() {
			return true
		}
	}
	i := sort.Search(len(s.unknown), func(i int) bool { return s.unknown[i].to > from })
	for ; i < len(s.unknown) && s.unknown[i].from < to; i++ {
		if s.unknown[i].to > from {
			return true
		}
	}
	return false
}

// run decides what can be decided.
func (p *Pairing) run() {
	if p.opt.Kind == KindAuto {
		return
	}
	horizon := min(p.in.upTo, p.out.upTo)
	if p.finished {
		horizon = endless
	}
	p.sweep(horizon)
	if !p.learnt && !p.begin(horizon) {
		return
	}
	for {
		m := p.next()
		ready := horizon - Stamp(2*p.periodNS)
		if m == nil {
			p.alone(ready)
			break
		}
		a := p.in.lines[m.from].at(m.nextIn)
		p.alone(min(a.at, ready))
		if a.at > ready {
			break
		}
		p.decide(m, m.nextIn)
		m.nextIn++
		if m == &p.match[0] {
			if p.since++; p.since >= pairRelearn {
				p.since = 0
				p.learn(p.in.lines[openings].at(max(m.nextIn-pairMemory, p.in.lines[openings].gone)).at, a.at)
				p.trim(a.at)
			}
		}
	}
	p.emit()
}

// next is the matcher whose next change of the input is the earliest.
func (p *Pairing) next() (first *matcher) {
	var at Stamp
	for i := range p.match {
		m := &p.match[i]
		l := &p.in.lines[m.from]
		if m.nextIn < l.end() && (first == nil || l.at(m.nextIn).at < at) {
			first, at = m, l.at(m.nextIn).at
		}
	}
	return first
}

// begin learns for the first time, once there is enough.
func (p *Pairing) begin(horizon Stamp) bool {
	at, enough := endless, p.finished
	for _, s := range []*pairSide{&p.in, &p.out} {
		if s.opened >= pairLearn {
			at, enough = min(at, s.learnAt), true
		}
	}
	if !enough || !p.finished && at > horizon {
		return false
	}
	p.learnt = true
	p.learn(-endless, at)
	return true
}

// learn takes the period and the usual lags from what happened between two times.
func (p *Pairing) learn(from, to Stamp) {
	var periods []int64
	for _, s := range []*pairSide{&p.in, &p.out} {
		l := &s.lines[openings]
		for i := max(l.after(from), l.gone+1); i < l.end() && l.at(i).at <= to; i++ {
			c, before := l.at(i), l.at(i-1)
			if c.joined && (p.opt.Kind != KindDial || c.makeNS < p.opt.TrainGapNS) {
				periods = append(periods, int64(c.at-before.at))
			}
		}
	}
	switch n := len(periods); {
	case n > 0:
		slices.Sort(periods)
		p.periodNS = periods[(n-1)/2]
	case p.periodNS > 0:
	case p.opt.Kind == KindDial:
		p.periodNS = lonelyDialNS
	default:
		p.periodNS = lonelyCamNS
	}
	p.periodNS = max(p.periodNS, 2)
	for i := range p.match {
		m := &p.match[i]
		m.lag = usualLag(m.lag, p.periodNS, between(&p.in.lines[m.from], from, to), between(&p.out.lines[m.to], from, to))
	}
}

func between(l *line, from, to Stamp) []change {
	i, j := l.after(from), l.after(to+1)
	return l.list[i-l.gone : j-l.gone]
}

// usualLag finds where the differences of the changes of two contacts lie most
// densely, within half a period. What was usual stays unless another place has
// more than 4/3 of its support: contacts that are half a period apart would
// be taken for early and for late in turn.
func usualLag(before, period int64, in, out []change) int64 {
	width := period/lagParts + 1
	var d []int64
	first := 0
	for i := range in {
		lo := in[i].at - Stamp(period/2+width)
		for first < len(out) && out[first].at < lo {
			first++
		}
		for j := first; j < len(out) && out[j].at <= in[i].at+Stamp(period/2+width); j++ {
			d = append(d, int64(out[j].at-in[i].at))
		}
	}
	slices.Sort(d)
	best, from, to := 0, 0, 0
	var centre int64
	for j, k := 0, 0; j < len(d); j++ {
		for k < len(d) && d[k]-d[j] < width {
			k++
		}
		n, c := k-j, d[(j+k-1)/2]
		if n > best || n == best && abs(c) < abs(centre) {
			best, centre, from, to = n, c, j, k
		}
	}
	lo := sort.Search(len(d), func(i int) bool { return d[i] >= before-width/2 })
	hi := sort.Search(len(d), func(i int) bool { return d[i] > before+width/2 })
	if 4*(hi-lo) >= 3*best && hi > lo {
		from, to = lo, hi
	}
	if best < 1 {
		return before
	}
	return d[(from+to-1)/2]
}

// mate finds the change of the output that is a pair with change i of the input.
// blind tells that there may be one that is not seen.
func (p *Pairing) mate(m *matcher, i int) (j int, ok, blind bool) {
	in, out := &p.in.lines[m.from], &p.out.lines[m.to]
	lag, half := Stamp(m.lag), Stamp(p.periodNS/2)
	at := in.at(i).at
	j, ok = out.nearest(at + lag)
	if ok {
		c := out.at(j).at
		far := max(c-at-lag, at+lag-c)
		back, _ := in.nearest(c - lag)
		ok = far <= half && back == i && j >= m.nextOut && m.taking(j) == free
		if ok {
			blind = p.hides(&p.out, at+lag-far, at+lag+far) || p.hides(&p.in, c-lag-far, c-lag+far)
			return j, ok, blind
		}
	}
	return 0, false, p.hides(&p.out, at+lag-half, at+lag+half)
}

func (m *matcher) taking(j int) taken {
	if i := j - m.takenAt; i < len(m.taken) {
		return m.taken[i]
	}
	return free
}

func (m *matcher) take(j int, as taken) {
	for len(m.taken) <= j-m.takenAt {
		m.taken = append(m.taken, free)
	}
	m.taken[j-m.takenAt] = as
}

func (p *Pairing) decide(m *matcher, i int) {
	a := p.in.lines[m.from].at(i)
	j, ok, blind := p.mate(m, i)
	good := ok && !blind
	var c *change
	if ok {
		c = p.out.lines[m.to].at(j)
	}
	switch {
	case m != &p.match[0]:
	case good:
		m.take(j, paired)
	case ok:
		m.take(j, hidden)
	}
	if m.from != m.to {
		if good && p.opt.OnLead != nil {
			if m.from == openings { // the output closes before the input opens
				p.opt.OnLead(a.at, true, int64(a.at-c.at))
			} else { // the input closes before the output opens
				p.opt.OnLead(a.at, false, int64(c.at-a.at))
			}
		}
		return
	}
	b := p.pulses.of(a.number)
	if b == nil {
		return
	}
	if m.from == closings {
		b.closeDone = true
		if good {
			b.closeMate, b.outClose = c.number, c.at
		}
		return
	}
	b.openDone = true
	switch {
	case good:
		b.state, b.openMate, b.outOpen = Paired, c.number, c.at
	case blind:
		b.state = PairUnknown
	case p.short(a):
		b.state = PairShort
	default:
		b.state = PairLost
	}
}

// short tells whether the break of an opening is too short for a pulse.
func (p *Pairing) short(c *change) bool {
	return p.opt.Kind == KindDial && c.breakNS > 0 && c.breakNS < p.opt.ShortNS
}

// alone judges openings of the output that have no pair, where every opening of
// the input that could be theirs is decided: those two periods before a time.
func (p *Pairing) alone(upTo Stamp) {
	m, out := &p.match[0], &p.out.lines[openings]
	half := Stamp(p.periodNS / 2)
	for m.nextOut < out.end() && out.at(m.nextOut).at+Stamp(2*p.periodNS) <= upTo {
		j := m.nextOut
		c := out.at(j)
		as := m.taking(j)
		m.nextOut++
		if as == paired {
			continue
		}
		t := PairedPulse{At: c.at, Output: true, State: PairExtra}
		at := c.at - Stamp(m.lag)
		switch {
		case as == hidden || p.hides(&p.in, at-half, at+half):
			t.State = PairUnknown
			p.n.Unknown++
		case p.short(c):
			t.State = PairShort
			p.n.Short++
		default:
			p.n.Extra++
		}
		if p.opt.OnPulse != nil {
			p.opt.OnPulse(&t)
		}
	}
	if n := m.nextOut - m.takenAt; n > 1024 {
		n = min(n, len(m.taken))
		m.taken = append(m.taken[:0], m.taken[n:]...)
		m.takenAt = m.nextOut
	}
}

// trim forgets what is decided and no longer looked at.
func (p *Pairing) trim(now Stamp) {
	first := p.in.lines[openings].at(max(p.match[0].nextIn-pairMemory, p.in.lines[openings].gone)).at
	first = min(first, now-Stamp(2*p.periodNS)) - Stamp(4*p.periodNS)
	for sense := range 2 {
		keep := math.MaxInt
		for i := range p.match {
			if m := &p.match[i]; m.from == sense {
				keep = min(keep, m.nextIn)
			}
		}
		p.in.lines[sense].trim(first, keep)
		keep = math.MaxInt
		if sense == openings {
			keep = p.match[0].nextOut
		}
		p.out.lines[sense].trim(first, keep)
	}
	for _, s := range []*pairSide{&p.in, &p.out} {
		n := 0
		for n < len(s.unknown) && s.unknown[n].to < first {
			n++
		}
		if n > 64 {
			s.unknown = append(s.unknown[:0], s.unknown[n:]...)
		}
	}
}

// emit passes on the breaks of the input that are decided.
func (p *Pairing) emit() {
	n := 0
	for ; n < len(p.pulses.list); n++ {
		b := &p.pulses.list[n]
		if !b.openDone || b.hasClose && !b.closeDone || !b.hasClose && !b.ended {
			break
		}
		p.tell(b)
		if p.before == nil {
			p.before = new(inputBreak)
		}
		*p.before = *b
	}
	if n > 0 {
		p.pulses.list = append(p.pulses.list[:0], p.pulses.list[n:]...)
	}
}

// tell makes the PairedPulse of a break, and of the make before it.
func (p *Pairing) tell(b *inputBreak) {
	t := PairedPulse{At: b.openAt, State: b.state}
	if b.hasOpen {
		switch b.state {
		case Paired:
			p.n.Pairs++
		case PairLost:
			p.n.Lost++
		case PairUnknown:
			p.n.Unknown++
		case PairShort:
			p.n.Short++
		}
	} else {
		t.At, t.State = b.closeAt, PairUnknown
		if b.closeMate == 0 {
			return
		}
	}
	if b.openMate > 0 {
		t.OpenOK, t.OpenLagNS = true, int64(b.outOpen-b.openAt)
	}
	if b.closeMate > 0 {
		t.CloseOK, t.CloseLagNS = true, int64(b.outClose-b.closeAt)
	}
	if b.openMate > 0 && b.openMate == b.closeMate {
		t.ChangeOK, t.BreakChangeNS = true, t.CloseLagNS-t.OpenLagNS
		t.BothOpenOK, t.BothOpenNS = true, max(0, int64(min(b.closeAt, b.outClose)-max(b.openAt, b.outOpen)))
	}
	if x := p.before; x != nil && b.joined && b.openMate > 0 && x.number+1 == b.number && x.closeMate > 0 && x.closeMate+1 == b.openMate &&
		(p.opt.Kind != KindDial || b.makeNS < p.opt.TrainGapNS) {
		t.BothClosedOK, t.BothClosedNS = true, max(0, int64(min(b.openAt, b.outOpen)-max(x.closeAt, x.outClose)))
	}
	if !b.hasOpen || !p.opt.Places {
		p.pass(&t)
		return
	}
	p.placed = append(p.placed, t)
	p.join()
}

func (p *Pairing) pass(t *PairedPulse) {
	if p.opt.OnPulse != nil {
		p.opt.OnPulse(t)
	}
}

// join gives breaks their places.
func (p *Pairing) join() {
	i, j := 0, 0
	for i < len(p.placed) {
		t := &p.placed[i]
		for j < len(p.places) && p.places[j].at < t.At {
			j++
		}
		if j == len(p.places) && !p.finished && len(p.placed)-i < maxHeld {
			break
		}
		if j < len(p.places) && p.places[j].at == t.At {
			t.Train, t.Pulse = p.places[j].train, p.places[j].pulse
			j++
		}
		p.pass(t)
		i++
	}
	if i > 0 {
		p.placed = append(p.placed[:0], p.placed[i:]...)
	}
	if n := len(p.places) - maxHeld; n > j { // nothing waits for them
		j = n
	}
	if j > 0 {
		p.places = append(p.places[:0], p.places[j:]...)
	}
}

// sweep adds up the time in which both contacts are in the same state.
func (p *Pairing) sweep(upTo Stamp) {
	for {
		s := &p.in
		if s.swept == len(s.steps) || p.out.swept < len(p.out.steps) && p.out.steps[p.out.swept].at < s.steps[s.swept].at {
			s = &p.out
		}
		if s.swept == len(s.steps) || s.steps[s.swept].at > upTo {
			break
		}
		next := s.steps[s.swept]
		s.swept++
		if p.sweeping && p.in.state != stateUnknown && p.out.state != stateUnknown {
			long := int64(next.at - p.sweepAt)
			p.knownNS += long
			if p.in.state == p.out.state {
				p.agreedNS += long
			}
		}
		p.sweeping, p.sweepAt, s.state = true, next.at, next.state
	}
	for _, s := range []*pairSide{&p.in, &p.out} {
		if s.swept > 0 && 2*s.swept >= len(s.steps) {
			s.steps, s.swept = append(s.steps[:0], s.steps[s.swept:]...), 0
		}
	}
}
