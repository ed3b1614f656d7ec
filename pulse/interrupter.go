package pulse

import "math"

// stillGrace is how much of the spacing after it a due opening may be late
// before it counts as missing while nothing moves: as an opening that comes by
// then may still be taken for it.
const stillGrace = 0.5

// learntCycles bounds how many cycles the speed that was learnt counts for.
const learntCycles = 8

// interrupterReader reads transitions as an interrupter's cycles. It keeps
// durations of breaks, makes and periods.
type interrupterReader struct {
	onCycle    func(*CycleRow)
	forget     bool
	limits     *Profile
	given      pattern // none when it has no breaks
	cadence    bool    // segments are reported
	misfit     bool    // a cadence was given, and the contact does another
	lobes      int
	marks      []LobeMark
	marksBy    string
	lobesKnown []LobeFigure

	learn     []opening
	learnFrom int // how many openings to learn from
	following bool
	follow    follower
	cur       opening // has not closed yet
	curOK     bool
	open      bool
	// gap: something is unknown since the last opening, from blindFrom to blindTo.
	gap                bool
	blindFrom, blindTo Stamp
	// shutAt is when a break closed whose opening is not known.
	shutAt Stamp
	shutOK bool
	moved  Stamp // last transition, or when the level was known again
	// still is what has fallen due up to now beyond what is decided, as nothing
	// has moved for long since the opening at from.
	still struct {
		missing, due int
		from         Stamp
	}

	shown struct{ missing, due uint64 } // the most that Counts told

	// The last due opening, and the cycle that it is in, from an opening of
	// the same place as the first of all.
	last         opening
	begun        bool
	origin       int // place of the first
	latest       int // number of the latest, counting due openings from 0
	lastN        int // of last
	place        int // of last, counted from origin
	interrupted  bool
	start        opening
	startN       int  // its number
	whole        bool // of all openings so far, and nothing unknown
	cycleMissing int
	cycleExtra   int
	got          []opening

	n                                *Counts // of the Meter
	speeds                           []SpeedChange
	moreSpeeds                       int
	brk, per                         durations   // per whole cycle: sum of breaks, period
	seg                              []durations // of the cadence: make, break, make …
	xBreak, xMake, xPeriod, xPercent extremes
	xSeg                             []extremes
	phase                            phaseFit
	sig                              lobeNumbers
	row                              CycleRow
}

func (r *interrupterReader) transition(at Stamp, closed bool, bounce int64) {
	r.moved = at
	if !closed {
		r.cur = opening{at: at, bounceNS: bounce, gap: r.gap, blindFrom: r.blindFrom, blindTo: r.blindTo}
		if r.shutOK {
			r.cur.beforeNS = int64(at - r.shutAt)
		}
		r.curOK, r.open, r.gap, r.shutOK = true, true, false, false
		return
	}
	r.open = false
	if !r.curOK {
		r.shutAt, r.shutOK = at, true
		return
	}
	r.curOK = false
	r.cur.breakNS = int64(at - r.cur.at)
	r.cur.bounceNS = max(r.cur.bounceNS, bounce)
	r.opening(r.cur)
}

// unknown says that nothing is known of the contact from one time to another,
// and its state from then on.
func (r *interrupterReader) unknown(from, end Stamp, closed bool) {
	r.endOpen()
	if !r.gap {
		r.gap, r.blindFrom = true, from
	}
	r.blindTo, r.moved, r.shutOK = end, end, false
	r.open = !closed
}

// endOpen takes an opening whose break's end is not known: it still tells the
// phase and ends a cycle.
func (r *interrupterReader) endOpen() {
	if r.curOK {
		r.curOK = false
		r.cur.breakNS = 0
		r.opening(r.cur)
	}
}

func (r *interrupterReader) opening(o opening) {
	if r.following {
		r.follow.add(&o)
		return
	}
	r.learn = append(r.learn, o)
	if len(r.learn) >= r.learnFrom {
		r.begin(false)
	}
}

// begin tells the period, or the cadence, from the openings gathered so far,
// and follows them, unless more may tell it better.
func (r *interrupterReader) begin(last bool) {
	if r.following {
		return
	}
	given := &r.given
	if given.k() == 0 {
		given = nil
	}
	best := learn(r.learn, given, r.limits, r.lobes > 0)
	switch n := len(r.learn); {
	case last:
	case n < learnBreaks && (best.blind || best.cost > costClean*float64(n)):
		r.learnFrom = learnBreaks
		return
	case n < learnMost && (best.blind || best.cost > costPoor*float64(n)):
		r.learnFrom = min(2*n, learnMost)
		return
	}
	r.following = true
	k := best.pat.k()
	if given != nil && k != given.k() {
		r.misfit, r.cadence = r.cadence, k > 1
	} else if given == nil {
		r.cadence = k > 1
	}
	r.seg = make([]durations, 2*k)
	r.xSeg = make([]extremes, 2*k)
	r.got = make([]opening, 0, k)
	r.sig.init(r.lobes, r.marks, r.marksBy, r.lobesKnown)
	if r.cadence {
		r.row.SegmentsNS = make([]int64, 2*k)
	}
	r.follow.out = r
	r.follow.init(best.pat, best.scale, best.noisy)
	r.follow.blind = best.blind
	r.follow.cycles0 = min(float64(len(r.learn))/float64(k), learntCycles)
	if given != nil && k == given.k() && len(r.learn) > 0 {
		r.speedChange(SpeedChange{FromNominal: true, At: r.learn[0].at, BeforeMS: ms(float64(given.cycle)), AfterMS: ms(float64(best.pat.cycle) * best.scale)}, true)
	}
	for i := range r.learn {
		r.follow.add(&r.learn[i])
	}
	r.learn = nil
}

// take counts what the follower decided of an opening.
func (r *interrupterReader) take(s *step) {
	if s.extra {
		r.n.Extra++
		if r.begun {
			r.cycleExtra++
			r.interrupted = true
		}
		return
	}
	o := *s.o
	o.j = s.place
	k := r.follow.pat.k()
	if o.beforeNS > 0 && (s.missing > 0 || r.interrupted) {
		o.beforeNS = 0 // what is missing or extra in it is counted instead
	}
	if o.beforeNS > 0 {
		r.keep(2*o.j, o.beforeNS, &r.xMake, extremeAt{at: o.at - Stamp(o.beforeNS)})
	}
	if s.first {
		r.begun, r.origin = true, s.place
		r.arrive(o, 0)
		r.beginCycle(o, 0, false)
		return
	}
	clean := s.due == 1 && s.missing == 0 && !s.unknown && !r.interrupted
	if clean && r.last.breakNS > 0 {
		r.got[len(r.got)-1].makeNS = int64(o.at-r.last.at) - r.last.breakNS
	}
	if s.slip {
		r.n.PhaseSlips++
	}
	anew := s.slip || s.anew || s.unsure // which lobe it is is not known
	if s.speed != 0 && r.lastN > 0 {     // before the first interval there was no other speed
		before := ms(float64(o.at-r.last.at)) / s.speed // of this spacing
		if r.speedChange(SpeedChange{At: r.last.at, BeforeMS: before, AfterMS: before * s.speed}, false) {
			anew = true
		}
	}
	if s.slip || s.anew || s.unsure || s.stepped || s.noisy || s.due > outageCycles*k {
		r.phase.endStretch()
	}
	crossed, place := (r.place+s.due)/k, (r.place+s.due)%k
	r.n.Missing += uint64(s.missing)
	r.moveOn(o.at, s.missing, crossed)
	mine := 0 // those missing in the cycle that o is in
	if crossed > 0 {
		mine = min(s.missing, place)
	}
	r.cycleMissing += s.missing - mine
	r.whole = r.whole && !s.unknown
	r.latest += s.due
	r.tellLobe()
	if crossed > 0 {
		r.endCycle(o, crossed, crossed == 1 && place == 0)
	}
	if anew {
		r.sig.newStretch()
	}
	r.arrive(o, place)
	if crossed > 0 {
		r.beginCycle(o, mine, place != 0)
	} else {
		r.got = append(r.got, o)
	}
}

// tellLobe gives the last due opening to the lobes, now that its cycle is
// known: the break of a faulty one is not in the statistics.
func (r *interrupterReader) tellLobe() {
	o := r.last
	if r.cycleMissing > 0 || r.cycleExtra > 0 {
		o.breakNS = 0
	}
	r.sig.opening(r.lastN, o)
}

// arrive makes o the last due opening.
func (r *interrupterReader) arrive(o opening, place int) {
	r.last, r.lastN, r.place, r.interrupted = o, r.latest, place, false
}

func (r *interrupterReader) beginCycle(o opening, missing int, late bool) {
	r.start, r.startN, r.whole, r.cycleMissing, r.cycleExtra = o, r.latest, !late, missing, 0
	r.got = append(r.got[:0], o)
	if r.place == 0 && !r.forget {
		r.phase.add(int(r.n.CyclesDue), o.at, float64(r.follow.pat.cycle)*r.follow.scale0)
	}
}

// mostSpeeds bounds the changes of speed that are told one by one.
const mostSpeeds = 100

// mostFactor bounds the whole factors that are told: beyond it any ratio is
// within 5 % of one.
const mostFactor = 10

// speedChange keeps a change of speed, one from the nominal speed only where
// it is by a whole factor, and tells whether it is by one.
func (r *interrupterReader) speedChange(c SpeedChange, nominal bool) bool {
	ratio := c.AfterMS / c.BeforeMS
	whole := math.Round(max(ratio, 1/ratio))
	if whole >= 2 && whole <= mostFactor && math.Abs(max(ratio, 1/ratio)-whole) <= speedAgree*whole {
		c.Factor = int(whole)
	}
	if c.Factor > 0 {
		r.n.DoubtfulSpeeds++
	} else if nominal {
		return false
	}
	if len(r.speeds) < mostSpeeds {
		r.speeds = append(r.speeds, c)
	} else {
		r.moreSpeeds++
	}
	return c.Factor > 0
}

// advance says that no opening came up to now.
func (r *interrupterReader) advance(now Stamp) {
	if !r.following {
		return
	}
	quiet := now
	switch {
	case r.curOK:
		quiet = r.cur.at
		if r.cur.gap {
			quiet = r.cur.blindFrom
		}
	case r.gap:
		quiet = r.blindFrom
	}
	r.follow.silence(quiet)
	r.stand(now)
}

// stand counts what has fallen due up to now, when nothing has moved for long.
func (r *interrupterReader) stand(now Stamp) {
	f := &r.follow
	best := f.best()
	if f.root == nil || f.blind || r.gap || r.curOK && r.cur.gap || float64(now-r.moved) < stillCycles*float64(f.pat.cycle)*best.scale {
		return
	}
	k := f.pat.k()
	missing, due := f.pending(best)
	at, place := best.t, best.place
	if r.curOK { // it came, and has not ended
		m, _, _, _ := f.pat.ahead(place, float64(r.cur.at-at), best.scale)
		m = max(m, 1)
		at, place, missing, due = r.cur.at, (place+m)%k, missing+m-1, due+m
	}
	n := f.pat.overdue(place, float64(now-at), best.scale, stillGrace)
	r.still.missing, r.still.due, r.still.from = max(missing+n, r.still.missing), max((r.place+due+n)/k, r.still.due), at
}

// moveOn takes from what has fallen due what is decided now.
func (r *interrupterReader) moveOn(at Stamp, missing, cycles int) {
	if at > r.still.from {
		r.still.missing, r.still.due = 0, 0
		return
	}
	r.still.missing, r.still.due = max(r.still.missing-missing, 0), max(r.still.due-cycles, 0)
}

// keep takes a make or break into the statistics, as segment i (from 0) of its
// cycle.
func (r *interrupterReader) keep(i int, ns int64, x *extremes, at extremeAt) {
	if !r.forget {
		r.seg[i].Add(ns)
	}
	at.BreakNS = ns
	x.see(float64(ns), &at)
	r.xSeg[i].see(float64(ns), &at)
}

// endCycle closes the cycle that the opening o begins anew; crossed counts
// the cycles that were due since its start.
func (r *interrupterReader) endCycle(o opening, crossed int, full bool) {
	k := r.follow.pat.k()
	s := r.spotOfCycle()
	r.n.CyclesDue += uint64(crossed)
	t := int64(o.at - r.start.at)
	var breaks, bounce int64
	known := len(r.got) == k
	for _, g := range r.got {
		known = known && g.breakNS > 0
		breaks += g.breakNS
		bounce = max(bounce, g.bounceNS)
	}
	clean := full && known && r.whole && r.cycleMissing == 0 && r.cycleExtra == 0
	r.keepSegments(s)
	if clean {
		r.n.Cycles++
		if !r.forget {
			r.brk.Add(breaks)
			r.per.Add(t)
		}
		s.BreakNS, s.PeriodNS = breaks, t
		r.xPeriod.see(float64(t), &s)
		r.xPercent.see(percent(breaks, t), &s)
	}
	r.phase.cycle(clean)
	if r.onCycle == nil {
		return
	}
	lobe, numbering := r.sig.lobe(r.startN)
	r.row = CycleRow{At: r.start.at, Cycle: s.group, Lobe: lobe, Numbering: numbering, Stretch: r.sig.stretch, PeriodNS: t,
		BounceNS: bounce, SegmentsNS: r.row.SegmentsNS, Missing: r.cycleMissing, Extra: r.cycleExtra, Whole: clean}
	switch {
	case clean:
		r.row.BreakNS, r.row.MakeNS = breaks, t-breaks
	case k == 1:
		r.row.BreakNS, r.row.MakeNS = r.got[0].breakNS, r.got[0].makeNS
	}
	r.rowSegments()
	r.onCycle(&r.row)
}

// spotOfCycle describes the cycle at hand.
func (r *interrupterReader) spotOfCycle() extremeAt {
	return extremeAt{at: r.start.at, group: int(r.n.CyclesDue) + 1, item: r.sig.own(r.startN), stretch: r.sig.stretch}
}

// keepSegments keeps the makes and breaks that are known of the cycle at hand,
// unless interruptions are missing or extra in it: those are counted instead.
func (r *interrupterReader) keepSegments(at extremeAt) {
	if r.cycleMissing > 0 || r.cycleExtra > 0 {
		return
	}
	for _, g := range r.got {
		if g.breakNS > 0 {
			r.keep(2*g.j+1, g.breakNS, &r.xBreak, at)
		}
		if g.makeNS > 0 {
			r.keep((2*g.j+2)%len(r.seg), g.makeNS, &r.xMake, at)
		}
	}
}

// rowSegments gives the row the makes and breaks that are known of the cycle.
func (r *interrupterReader) rowSegments() {
	r.row.BeforeNS = r.got[0].beforeNS
	if r.row.SegmentsNS == nil {
		return
	}
	r.row.BeforeSegment = 2*r.got[0].j + 1
	clear(r.row.SegmentsNS)
	for i, g := range r.got {
		if i > 0 && g.beforeNS > 0 {
			r.row.SegmentsNS[2*g.j] = g.beforeNS
		}
		r.row.SegmentsNS[2*g.j+1] = g.breakNS
		r.row.SegmentsNS[(2*g.j+2)%len(r.seg)] = g.makeNS
	}
}

// finish ends the reading. quiet is the time up to which a live capture saw
// no edge after the last.
func (r *interrupterReader) finish(live bool, quiet Stamp) (partial bool) {
	r.endOpen()
	r.begin(true)
	r.follow.finish()
	if live {
		r.stand(quiet)
	}
	r.n.Missing += uint64(r.still.missing)
	r.cycleMissing += r.still.missing
	if r.begun {
		r.tellLobe()
		r.keepSegments(r.spotOfCycle())
	}
	r.n.CyclesDue += uint64(r.still.due)
	r.still.missing, r.still.due = 0, 0
	r.phase.endStretch()
	lobe, numbering := r.sig.lobe(r.startN)
	stretch := r.sig.stretch
	r.sig.finish()
	if r.onCycle != nil && r.begun { // what is known of the cycle that did not end
		r.row = CycleRow{At: r.start.at, Cycle: int(r.n.CyclesDue) + 1, Lobe: lobe, Numbering: numbering, Stretch: stretch, SegmentsNS: r.row.SegmentsNS, Missing: r.cycleMissing, Extra: r.cycleExtra}
		if r.follow.pat.k() == 1 {
			r.row.BreakNS = r.got[0].breakNS
		}
		r.rowSegments()
		r.onCycle(&r.row)
	}
	return r.open
}

// result gives what was read; first is when the measurement begins.
func (r *interrupterReader) result(first Stamp) *Interrupter {
	stat := func(q Quantity, segment int) Stat {
		s := r.sample(q, segment)
		return s.stat()
	}
	res := &Interrupter{
		Cycles: int(r.n.Cycles), Missing: int(r.n.Missing), Extra: int(r.n.Extra), Due: int(r.n.CyclesDue), Slips: int(r.n.PhaseSlips),
		PeriodMS: stat(PeriodMS, 0), BreakMS: stat(BreakMS, 0), MakeMS: stat(MakeMS, 0),
		CadenceFits: !r.misfit, Segments: []Segment{}, Lobes: []Lobe{}, SpeedChanges: []SpeedChange{}, MoreSpeedChanges: r.moreSpeeds,
	}
	res.RateIPM.Stat, res.BreakPercent.Stat = stat(RateIPM, 0), stat(BreakPercent, 0)
	if t := r.per.Sum(); t > 0 {
		res.RateIPM.Overall = Known(r.overallRate())
		res.BreakPercent.Overall = Known(percent(r.brk.Sum(), t))
		res.MakesPerMin = Known(res.RateIPM.Overall.V * float64(r.follow.pat.k()))
	}
	for _, c := range r.speeds {
		c.AtS = float64(c.At-first) / 1e9
		res.SpeedChanges = append(res.SpeedChanges, c)
	}
	if r.cadence {
		for i := range r.seg {
			s := Segment{Segment: i + 1, State: "make", NominalMS: ms(float64(r.follow.pat.segment(i))), MS: stat(SegmentMS, i+1)}
			if i%2 == 1 {
				s.State = "break"
			}
			res.Segments = append(res.Segments, s)
		}
	}
	r.sig.result(res, first)
	return res
}

// sample is as dialReader.sample; segment is 1-based.
func (r *interrupterReader) sample(q Quantity, segment int) sample {
	if f := ofPeriod(KindInterrupter, q); f != nil {
		x := r.xPercent
		switch q {
		case PeriodMS:
			x = r.xPeriod
		case RateIPM:
			x = r.xPeriod.swapped()
		}
		return pairs(&r.brk, &r.per, x, f)
	}
	switch q {
	case BreakMS:
		return joined(r.xBreak, r.everyOther(1)...)
	case MakeMS:
		return joined(r.xMake, r.everyOther(2)...)
	case SegmentMS:
		if segment >= 1 && segment <= len(r.seg) {
			return joined(r.xSeg[segment-1], &r.seg[segment-1])
		}
	}
	return sample{}
}

// everyOther gives the stores of every other segment of a cycle that begins at
// one of them: 1 for the breaks, 2 for the makes that follow them.
func (r *interrupterReader) everyOther(first int) (s []durationStore) {
	for i := 0; i < len(r.seg); i += 2 {
		s = append(s, &r.seg[(first+i)%len(r.seg)])
	}
	return s
}

// In noise as strong as this, by the number of openings that are not due, their
// share, and the spread of the phase in spacings, the cycles that nothing
// disturbs are a biased sample: a longer one is likelier to be hit. The rate
// then rests on all due openings. Below it is that of the whole cycles.
const (
	noisyShare   = 0.04
	noisyExtras  = 5
	noisyPhaseSD = 0.005
	// outageCycles is how many cycles without a due opening part what the rate
	// rests on: in noise their number is not sure.
	outageCycles = 4
	// sureCycles is how many cycles of one phase there must be for their number
	// to be sure.
	sureCycles = 10
)

func (r *interrupterReader) noisy() bool {
	return r.n.Extra >= noisyExtras && float64(r.n.Extra) >= noisyShare*float64(r.n.CyclesDue) && r.phase.cycles > 0 &&
		r.phase.sdNS()*float64(r.phase.cycles) > noisyPhaseSD*float64(r.phase.ns)
}

// overallRate is in cycles a minute; some cycle must be whole.
func (r *interrupterReader) overallRate() float64 {
	if r.noisy() {
		return 60e9 / r.phase.cycleNS()
	}
	return float64(r.n.Cycles) * 60e9 / float64(r.per.Sum())
}

// overallSpan is the time that the overall rate rests on.
func (r *interrupterReader) overallSpan() int64 {
	if r.noisy() {
		return r.phase.ns
	}
	return r.per.Sum()
}

// A phaseFit tells how far the cycles' openings lie from a steady rate. Each
// stretch of one phase and speed has a line of its own; the sums over all
// stretches tell the rate and the deviation.
type phaseFit struct {
	line   lineFit // of the stretch: ns beyond steady cycles over the number of cycles
	x0     int     // its first cycle
	y0     Stamp   // and when that began
	period float64 // about how long its cycles are
	last   Stamp
	lastX  int

	residual, freedom float64 // of the stretches that have ended: squares about their lines
	// Of the stretches that are long enough to be sure of the number of cycles.
	stretches  int
	cycles, ns int64
	sxx, sxy   float64

	runs      int // rows of whole cycles that nothing interrupts
	lastWhole bool
}

// add takes the opening that begins cycle number x; period is about how long
// cycles are.
func (p *phaseFit) add(x int, at Stamp, period float64) {
	if p.line.n == 0 {
		p.x0, p.y0, p.period = x, at, period
	}
	p.last, p.lastX = at, x
	n := float64(x - p.x0)
	p.line.add(n, float64(at-p.y0)-n*p.period) // a small difference, so that no digits are lost
}

// cycle counts the rows of whole cycles.
func (p *phaseFit) cycle(whole bool) {
	if whole && !p.lastWhole {
		p.runs++
	}
	p.lastWhole = whole
}

// endStretch says that what follows has another phase or speed.
func (p *phaseFit) endStretch() {
	if n := int64(p.lastX - p.x0); p.line.n > 0 && n >= sureCycles {
		p.stretches++
		p.cycles += n
		p.ns += int64(p.last - p.y0)
		p.sxx += p.line.sxx
		p.sxy += p.line.sxy
	}
	if p.line.n > 2 && p.line.sxx > 0 {
		p.residual += p.line.residual()
		p.freedom += p.line.n - 2
	}
	p.line = lineFit{}
}

// cycleNS is the length of a cycle by all the stretches that are long enough.
func (p *phaseFit) cycleNS() float64 { return p.period + p.sxy/p.sxx }

// sdNS is the standard deviation of the openings from a steady rate, 0 where it
// is not known.
func (p *phaseFit) sdNS() float64 {
	if p.freedom == 0 {
		return 0
	}
	return math.Sqrt(p.residual / p.freedom)
}

// phaseSDNS is the standard deviation of the openings from a steady rate, 0
// where it is not known, and the number of pieces of time, each from one opening
// to another, that the overall rate rests on.
func (r *interrupterReader) phaseSDNS() (sd float64, runs int) {
	if r.noisy() {
		return r.phase.sdNS(), max(r.phase.stretches, 1)
	}
	return r.phase.sdNS(), max(r.phase.runs, 1)
}
