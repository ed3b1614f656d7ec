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
	seg                              []durations // segment by segment, in the pattern's order: break 0, make 0, break 1 …
	xBreak, xMake, xPeriod, xPercent extreme
	xSeg                             []extreme
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
	r.xSeg = make([]extreme, 2*k)
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
		r.keep(2*((o.j+k-1)%k)+1, o.beforeNS, &r.xMake, spot{at: o.at - Stamp(o.beforeNS)})
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
		r.phase.part()
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

// keep keeps one make or break of the cycle that has ended.
func (r *interrupterReader) keep(i int, ns int64, x *extreme, s spot) {
	if !r.forget {
		r.seg[i].Add(ns)
	}
	s.BreakNS = ns
	if v := float64(ns); !x.within(v) {
		x.see(v, s)
	}
	if v := float64(ns); !r.xSeg[i].within(v) {
		r.xSeg[i].see(v, s)
	}
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
		if v := float64(t); !r.xPeriod.within(v) {
			r.xPeriod.see(v, s)
		}
		if v := percent(breaks, t); !r.xPercent.within(v) {
			r.xPercent.see(v, s)
		}
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
func (r *interrupterReader) spotOfCycle() spot {
	return spot{at: r.start.at, group: int(r.n.CyclesDue) + 1, item: r.sig.own(r.startN), stretch: r.sig.stretch}
}

// keepSegments keeps the makes and breaks that are known of the cycle at hand,
// unless interruptions are missing or extra in it: those are counted instead.
func (r *interrupterReader) keepSegments(s spot) {
	if r.cycleMissing > 0 || r.cycleExtra > 0 {
		return
	}
	for _, g := range r.got {
		if g.breakNS > 0 {
			r.keep(2*g.j, g.breakNS, &r.xBreak, s)
		}
		if g.makeNS > 0 {
			r.keep(2*g.j+1, g.makeNS, &r.xMake, s)
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
	k := r.follow.pat.k()
	clear(r.row.SegmentsNS)
	for i, g := range r.got {
		if i > 0 && g.beforeNS > 0 {
			r.row.SegmentsNS[2*g.j] = g.beforeNS
		}
		r.row.SegmentsNS[2*g.j+1] = g.breakNS
		r.row.SegmentsNS[(2*g.j+2)%(2*k)] = g.makeNS
	}
}

// segIndex gives where segment i (from 0: make, break, make …) of the cadence
// lies in seg.
func (r *interrupterReader) segIndex(i int) int {
	k := r.follow.pat.k()
	if i%2 == 1 {
		return i - 1
	}
	return 2*((i/2+k-1)%k) + 1
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
	r.phase.part()
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
	stat := func(q Quantity) Stat {
		n, fill, _, _ := r.values(q, 0)
		return statOf(n, fill)
	}
	res := &Interrupter{
		Cycles: int(r.n.Cycles), Missing: int(r.n.Missing), Extra: int(r.n.Extra), Due: int(r.n.CyclesDue), Slips: int(r.n.PhaseSlips),
		PeriodMS: stat(PeriodMS), BreakMS: stat(BreakMS), MakeMS: stat(MakeMS),
		CadenceFits: !r.misfit, Segments: []Segment{}, Lobes: []Lobe{}, SpeedChanges: []SpeedChange{}, MoreSpeedChanges: r.moreSpeeds,
	}
	res.RateIPM.Stat, res.BreakPercent.Stat = stat(RateIPM), stat(BreakPercent)
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
			n, fill, _, _ := r.values(SegmentMS, i+1)
			s := Segment{Segment: i + 1, State: "make", NominalMS: float64(r.nominal(i)) / 1e6, MS: statOf(n, fill)}
			if i%2 == 1 {
				s.State = "break"
			}
			res.Segments = append(res.Segments, s)
		}
	}
	r.sig.result(res, first)
	return res
}

func (r *interrupterReader) nominal(i int) int64 {
	x := r.segIndex(i)
	if x%2 == 0 {
		return r.follow.pat.brk[x/2]
	}
	return r.follow.pat.mk[x/2]
}

// values is as dialReader.values; segment is 1-based.
func (r *interrupterReader) values(q Quantity, segment int) (n int, fill func(dst []float64, from int), x extreme, ok bool) {
	if f := ofPeriod(KindInterrupter, q); f != nil {
		switch q {
		case PeriodMS:
			x = r.xPeriod
		case RateIPM:
			x = r.xPeriod.swap()
		default:
			x = r.xPercent
		}
		return r.per.Len(), pairs(&r.brk, &r.per, f), x.of(f), true
	}
	switch q {
	case BreakMS:
		n, fill = joined(everyOther(r.seg, 0)...)
		return n, fill, r.xBreak.each(ms), true
	case MakeMS:
		n, fill = joined(everyOther(r.seg, 1)...)
		return n, fill, r.xMake.each(ms), true
	case SegmentMS:
		if segment < 1 || segment > len(r.seg) {
			return 0, nil, extreme{}, false
		}
		s := r.segIndex(segment - 1)
		n, fill = joined(&r.seg[s])
		return n, fill, r.xSeg[s].each(ms), true
	}
	return 0, nil, extreme{}, false
}

// everyOther takes the stores of the breaks (from 0) or of the makes (from 1).
func everyOther(seg []durations, from int) (s []durationStore) {
	for i := from; i < len(seg); i += 2 {
		s = append(s, &seg[i])
	}
	return s
}

// In noise as strong as this, by the number of openings that are not due, their
// share, and the spread of the phase in spacings, the cycles that nothing
// disturbs are a biased sample: a longer one is likelier to be hit. The rate
// then rests on all due openings. Below it is that of the whole cycles.
const (
	noisyShare  = 0.04
	noisyExtras = 5
	noisySpread = 0.005
	// outageCycles is how many cycles without a due opening part what the rate
	// rests on: in noise their number is not sure.
	outageCycles = 4
	// surePart is how many cycles of one phase there must be for their number
	// to be sure.
	surePart = 10
)

func (r *interrupterReader) noisy() bool {
	sd, _ := r.phase.spread()
	return r.n.Extra >= noisyExtras && float64(r.n.Extra) >= noisyShare*float64(r.n.CyclesDue) && r.phase.cycles > 0 &&
		sd*float64(r.phase.cycles) > noisySpread*float64(r.phase.ns)
}

// overallRate is in cycles a minute; some cycle must be whole.
func (r *interrupterReader) overallRate() float64 {
	if r.noisy() {
		return 60e9 / r.phase.slope()
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
// stretch of one phase and speed has a line of its own; what is left over is
// added up.
type phaseFit struct {
	n             float64 // of the stretch
	x0            int
	y0            Stamp
	period        float64
	mx, my        float64
	sxx, sxy, syy float64
	left          float64 // sum of squares left, of the stretches that have ended
	free          float64 // their degrees of freedom
	runs          int     // rows of whole cycles that nothing parts
	// Of the stretches of one phase and speed that are long enough.
	parts          int
	cycles, ns     int64
	sxxAll, sxyAll float64
	last           Stamp
	lastX          int
	lastWhole      bool
}

// add takes the opening that begins cycle number x; period is about how long
// cycles are.
func (p *phaseFit) add(x int, at Stamp, period float64) {
	if p.n == 0 {
		p.x0, p.y0, p.period = x, at, period
		p.mx, p.my, p.sxx, p.sxy, p.syy = 0, 0, 0, 0, 0
	}
	p.n++
	p.last, p.lastX = at, x
	fx := float64(x - p.x0)
	fy := float64(at-p.y0) - fx*p.period // small, lest digits be lost
	dx, dy := fx-p.mx, fy-p.my
	p.mx += dx / p.n
	p.my += dy / p.n
	p.sxx += dx * (fx - p.mx)
	p.sxy += dx * (fy - p.my)
	p.syy += dy * (fy - p.my)
}

// cycle counts the rows of whole cycles.
func (p *phaseFit) cycle(whole bool) {
	if whole && !p.lastWhole {
		p.runs++
	}
	p.lastWhole = whole
}

// part says that what follows has a phase or a speed of its own.
func (p *phaseFit) part() {
	if n := int64(p.lastX - p.x0); p.n > 0 && n >= surePart {
		p.parts++
		p.cycles += n
		p.ns += int64(p.last - p.y0)
		p.sxxAll += p.sxx
		p.sxyAll += p.sxy
	}
	if p.n > 2 && p.sxx > 0 {
		p.left += max(p.syy-p.sxy*p.sxy/p.sxx, 0)
		p.free += p.n - 2
	}
	p.n = 0
}

// slope is the time of a cycle by all the stretches that are long enough.
func (p *phaseFit) slope() float64 { return p.period + p.sxyAll/p.sxxAll }

// spread is the standard deviation of the openings from a steady rate, ns.
func (p *phaseFit) spread() (sd float64, ok bool) {
	if p.free == 0 {
		return 0, false
	}
	return math.Sqrt(p.left / p.free), true
}

// phaseSpreadNS is the standard deviation of the openings' distance from a
// steady rate, 0 where it is not known, and the number of pieces of time, each
// from one opening to another, that the overall rate rests on.
func (r *interrupterReader) phaseSpreadNS() (sd float64, runs int) {
	sd, _ = r.phase.spread()
	if r.noisy() {
		return sd, max(r.phase.parts, 1)
	}
	return sd, max(r.phase.runs, 1)
}
