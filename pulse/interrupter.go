package pulse

import "math"

const (
	// standstillGrace is how late a due opening may be while nothing moves before
	// it counts as missing, in spacings: one that comes by then may still be taken
	// for it.
	standstillGrace = 0.5
	// learntCycles bounds how many cycles the speed that was learnt counts for.
	learntCycles = 8
	// mostSpeeds bounds the changes of speed that are told one by one.
	mostSpeeds = 100
	// mostFactor bounds the whole factors that are told: beyond it any ratio is
	// within 5 % of one.
	mostFactor = 10
)

// An interrupterReader reads transitions as an interrupter's cycles. It keeps
// the durations of breaks, makes and periods.
type interrupterReader struct {
	n          *Counts // of the Meter
	onCycle    func(*CycleRow)
	forget     bool
	limits     *Profile
	given      pattern // it has no breaks where none was given
	cadence    bool    // segments are reported
	misfit     bool    // a cadence was given, and the contact does another
	lobes      int
	marks      []LobeMark
	marksBy    string
	lobesKnown []LobeFigure

	learn     []opening // gathered to learn the pattern from
	learnFrom int       // how many openings to learn from
	following bool
	follow    follower
	cur       opening // has not closed yet
	curOK     bool
	open      bool
	// unknownBefore: something is unknown since the last opening, from
	// unknownFrom to unknownTo.
	unknownBefore          bool
	unknownFrom, unknownTo Stamp
	// closedAt is when a break ended whose opening is not known.
	closedAt Stamp
	closedOK bool
	moved    Stamp // last transition, or when the level was known again
	// standstill is what has fallen due since the opening at from, beyond what is
	// decided, while nothing has moved for long.
	standstill struct {
		missing, due int
		from         Stamp
	}
	shown struct{ missing, due uint64 } // the most that Counts has told

	// The last due opening, and the cycle that it is in. Cycles begin at the
	// position of the first due opening.
	last         opening
	begun        bool
	latest       int  // number of the latest due opening, from 0
	lastN        int  // of last
	inCycle      int  // number of last in its cycle, from 0
	interrupted  bool // an extra opening came after last
	start        opening
	startN       int  // its number
	whole        bool // of all openings so far, and nothing unknown
	cycleUnknown bool // time in it
	cycleMissing int
	cycleExtra   int
	got          []opening

	speeds                           []SpeedChange
	moreSpeeds                       int
	brk, per                         durations   // per whole cycle: sum of breaks, period
	seg                              []durations // of the cadence: make, break, make …
	xBreak, xMake, xPeriod, xPercent extremes
	xSeg                             []extremes
	phase                            phaseFit
	numbers                          lobeNumbers
	row                              CycleRow
}

func (r *interrupterReader) transition(at Stamp, closed bool, bounce int64) {
	r.moved = at
	if !closed {
		r.cur = opening{at: at, bounceNS: bounce, unknownBefore: r.unknownBefore, unknownFrom: r.unknownFrom, unknownTo: r.unknownTo}
		if r.closedOK {
			r.cur.beforeNS = int64(at - r.closedAt)
		}
		r.curOK, r.open, r.unknownBefore, r.closedOK = true, true, false, false
		return
	}
	r.open = false
	if !r.curOK {
		r.closedAt, r.closedOK = at, true
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
	if !r.unknownBefore {
		r.unknownBefore, r.unknownFrom = true, from
	}
	r.unknownTo, r.moved, r.closedOK = end, end, false
	r.open = !closed
}

// endOpen takes an opening whose break has no known end: it still tells the
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

// begin learns the period, or the cadence, from the openings gathered so far
// and follows it. Unless they are the last, it waits for more openings where
// these may tell it better.
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
	case n < learnBreaks && (best.noSpacing || best.cost > costClean*float64(n)):
		r.learnFrom = learnBreaks
		return
	case n < learnMost && (best.noSpacing || best.cost > costPoor*float64(n)):
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
	r.numbers.init(r.lobes, r.marks, r.marksBy, r.lobesKnown)
	if r.cadence {
		r.row.SegmentsNS = make([]int64, 2*k)
	}
	r.follow.out = r
	r.follow.init(best.pat, best.scale, best.noisy)
	r.follow.noSpacing = best.noSpacing
	r.follow.cycles0 = min(float64(len(r.learn))/float64(k), learntCycles)
	if given != nil && k == given.k() && len(r.learn) > 0 {
		r.speedChange(SpeedChange{FromNominal: true, At: r.learn[0].at, BeforeMS: Rounded(ms(float64(given.cycle))), AfterMS: Rounded(ms(float64(best.pat.cycle) * best.scale))})
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
	o.position = s.position
	k := r.follow.pat.k()
	if o.beforeNS > 0 && (s.missing > 0 || r.interrupted) {
		o.beforeNS = 0 // what is missing or extra in it is counted instead
	}
	if o.beforeNS > 0 {
		r.keep(2*o.position, o.beforeNS, &r.xMake, extremeAt{at: o.at - Stamp(o.beforeNS)})
	}
	if s.first {
		r.begun = true
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
	newLobes := s.slip || s.anew || s.unsure // which lobe o is of is not known
	if s.speed != 0 && r.lastN > 0 {         // before the first interval there was no other speed
		before := ms(float64(o.at-r.last.at)) / s.speed // of this spacing
		newLobes = r.speedChange(SpeedChange{At: r.last.at, BeforeMS: Rounded(before), AfterMS: Rounded(before * s.speed)}) || newLobes
	}
	if s.slip || s.anew || s.unsure || s.stepped || s.noisy || s.due > outageCycles*k {
		r.phase.endStretch()
	}
	crossed, inCycle := (r.inCycle+s.due)/k, (r.inCycle+s.due)%k
	r.n.Missing += uint64(s.missing)
	r.moveOn(o.at, s.missing, crossed)
	mine := 0 // those missing in the cycle that o is in
	if crossed > 0 {
		mine = min(s.missing, inCycle)
	}
	r.cycleMissing += s.missing - mine
	r.whole = r.whole && !s.unknown
	r.cycleUnknown = r.cycleUnknown || s.unknown
	r.latest += s.due
	r.lobeOpening()
	if crossed > 0 {
		r.endCycle(o, crossed, crossed == 1 && inCycle == 0)
	}
	if newLobes {
		r.numbers.newStretch()
	}
	r.arrive(o, inCycle)
	if crossed > 0 {
		r.beginCycle(o, mine, inCycle != 0)
	} else {
		r.got = append(r.got, o)
	}
}

// faulty tells that interruptions are missing or extra in the cycle at hand, so
// far: they are counted, and its makes and breaks are not in the statistics.
func (r *interrupterReader) faulty() bool { return r.cycleMissing > 0 || r.cycleExtra > 0 }

// lobeOpening gives the last due opening to the lobes, now that its cycle is
// known.
func (r *interrupterReader) lobeOpening() {
	o := r.last
	if r.faulty() {
		o.breakNS = 0
	}
	r.numbers.opening(r.lastN, o)
}

// arrive makes o the last due opening.
func (r *interrupterReader) arrive(o opening, inCycle int) {
	r.last, r.lastN, r.inCycle, r.interrupted = o, r.latest, inCycle, false
}

func (r *interrupterReader) beginCycle(o opening, missing int, late bool) {
	r.start, r.startN, r.whole, r.cycleMissing, r.cycleExtra = o, r.latest, !late, missing, 0
	r.cycleUnknown = false
	r.got = append(r.got[:0], o)
	if r.inCycle == 0 && !r.forget {
		r.phase.add(int(r.n.CyclesDue), o.at, float64(r.follow.pat.cycle)*r.follow.scale0)
	}
}

// speedChange keeps a change of speed and tells whether it is by a whole
// factor. One from the nominal speed is kept only if it is.
func (r *interrupterReader) speedChange(c SpeedChange) (byFactor bool) {
	ratio := float64(max(c.AfterMS/c.BeforeMS, c.BeforeMS/c.AfterMS))
	whole := math.Round(ratio)
	byFactor = whole >= 2 && whole <= mostFactor && math.Abs(ratio-whole) <= speedAgree*whole
	if byFactor {
		c.Factor = int(whole)
		r.n.DoubtfulSpeeds++
	}
	switch {
	case c.FromNominal && !byFactor:
	case len(r.speeds) < mostSpeeds:
		r.speeds = append(r.speeds, c)
	default:
		r.moreSpeeds++
	}
	return byFactor
}

// advance says that no opening came up to now.
func (r *interrupterReader) advance(now Stamp) {
	if !r.following {
		return
	}
	quiet := now
	switch {
	case r.curOK && r.cur.unknownBefore:
		quiet = r.cur.unknownFrom
	case r.curOK:
		quiet = r.cur.at
	case r.unknownBefore:
		quiet = r.unknownFrom
	}
	r.follow.noOpeningUntil(quiet)
	r.stand(now)
}

// stand counts what has fallen due up to now, when nothing has moved for long.
func (r *interrupterReader) stand(now Stamp) {
	f := &r.follow
	best := f.best()
	if f.root == nil || f.noSpacing || r.unknownBefore || r.curOK && r.cur.unknownBefore || float64(now-r.moved) < standstillCycles*float64(f.pat.cycle)*best.scale {
		return
	}
	k := f.pat.k()
	missing, due := f.pending(best)
	at, position := best.t, best.position
	if r.curOK { // it came, and has not ended
		m, _, _, _ := f.pat.ahead(position, float64(r.cur.at-at), best.scale)
		m = max(m, 1)
		at, position, missing, due = r.cur.at, (position+m)%k, missing+m-1, due+m
	}
	n := f.pat.overdue(position, float64(now-at), best.scale, standstillGrace)
	s := &r.standstill
	s.missing, s.due, s.from = max(missing+n, s.missing), max((r.inCycle+due+n)/k, s.due), at
}

// moveOn takes from what has fallen due what is decided now.
func (r *interrupterReader) moveOn(at Stamp, missing, cycles int) {
	s := &r.standstill
	if at > s.from {
		s.missing, s.due = 0, 0
		return
	}
	s.missing, s.due = max(s.missing-missing, 0), max(s.due-cycles, 0)
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

// endCycle closes the cycle at the opening o, which begins another; crossed
// counts the cycles that were due since its start, full tells that it is one
// that ends where it should.
func (r *interrupterReader) endCycle(o opening, crossed int, full bool) {
	at := r.cycleAt()
	r.n.CyclesDue += uint64(crossed)
	t := int64(o.at - r.start.at)
	var breaks, bounce int64
	known := len(r.got) == r.follow.pat.k()
	for _, g := range r.got {
		known = known && g.breakNS > 0
		breaks += g.breakNS
		bounce = max(bounce, g.bounceNS)
	}
	clean := full && known && r.whole && !r.faulty()
	r.keepSegments(at)
	if clean {
		r.n.Cycles++
		if !r.forget {
			r.brk.Add(breaks)
			r.per.Add(t)
		}
		at.BreakNS, at.PeriodNS = breaks, t
		r.xPeriod.see(float64(t), &at)
		r.xPercent.see(percent(breaks, t), &at)
	}
	r.phase.cycle(clean)
	if r.onCycle == nil {
		return
	}
	r.beginRow(at.group)
	r.row.PeriodNS, r.row.BounceNS, r.row.Whole = t, bounce, clean
	if clean {
		r.row.BreakNS, r.row.MakeNS = breaks, t-breaks
	}
	r.onCycle(&r.row)
}

// beginRow fills in what is known of the cycle at hand, number n, whether or
// not it ends.
func (r *interrupterReader) beginRow(n int) {
	lobe, numbering := r.numbers.lobe(r.startN)
	r.row = CycleRow{At: r.start.at, Cycle: n, Lobe: lobe, Numbering: numbering, Stretch: r.numbers.stretch,
		BeforeNS: r.got[0].beforeNS, SegmentsNS: r.row.SegmentsNS, Missing: r.cycleMissing, Extra: r.cycleExtra, Unknown: r.cycleUnknown}
	if r.follow.pat.k() == 1 {
		r.row.BreakNS, r.row.MakeNS = r.got[0].breakNS, r.got[0].makeNS
	}
	if r.row.SegmentsNS == nil {
		return
	}
	r.row.BeforeSegment = 2*r.got[0].position + 1
	clear(r.row.SegmentsNS)
	for i, g := range r.got {
		if i > 0 && g.beforeNS > 0 {
			r.row.SegmentsNS[2*g.position] = g.beforeNS
		}
		r.row.SegmentsNS[2*g.position+1] = g.breakNS
		r.row.SegmentsNS[(2*g.position+2)%len(r.seg)] = g.makeNS
	}
}

// cycleAt describes the cycle at hand.
func (r *interrupterReader) cycleAt() extremeAt {
	return extremeAt{at: r.start.at, group: int(r.n.CyclesDue) + 1, item: r.numbers.own(r.startN), stretch: r.numbers.stretch}
}

// keepSegments keeps the makes and breaks that are known of the cycle at hand.
func (r *interrupterReader) keepSegments(at extremeAt) {
	if r.faulty() {
		return
	}
	for _, g := range r.got {
		if g.breakNS > 0 {
			r.keep(2*g.position+1, g.breakNS, &r.xBreak, at)
		}
		if g.makeNS > 0 {
			r.keep((2*g.position+2)%len(r.seg), g.makeNS, &r.xMake, at)
		}
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
	r.n.Missing += uint64(r.standstill.missing)
	r.cycleMissing += r.standstill.missing
	if r.begun {
		r.lobeOpening()
		r.keepSegments(r.cycleAt())
	}
	r.n.CyclesDue += uint64(r.standstill.due)
	r.standstill.missing, r.standstill.due = 0, 0
	r.phase.endStretch()
	if r.onCycle != nil && r.begun { // what is known of the cycle that did not end
		r.beginRow(int(r.n.CyclesDue) + 1)
		r.onCycle(&r.row)
	}
	r.numbers.finish()
	return r.open
}

// result gives what was read; first is when the measurement begins. The
// statistics are there when later has run.
func (r *interrupterReader) result(first Stamp, later *tasks) *Interrupter {
	res := &Interrupter{
		Cycles: int(r.n.Cycles), Missing: int(r.n.Missing), Extra: int(r.n.Extra), Due: int(r.n.CyclesDue), Slips: int(r.n.PhaseSlips),
		CadenceFits: !r.misfit, Segments: make([]Segment, 0, len(r.seg)), Lobes: []Lobe{}, SpeedChanges: []SpeedChange{}, MoreSpeedChanges: r.moreSpeeds,
	}
	later.stat(&res.RateIPM.Stat, r.sample(RateIPM, 0)) // the longest first
	later.stat(&res.BreakPercent.Stat, r.sample(BreakPercent, 0))
	later.stat(&res.PeriodMS, r.sample(PeriodMS, 0))
	later.stat(&res.BreakMS, r.sample(BreakMS, 0))
	later.stat(&res.MakeMS, r.sample(MakeMS, 0))
	if t := r.per.Sum(); t > 0 {
		rate, _, _ := r.overallRate()
		res.RateIPM.Overall = Known(rate)
		res.BreakPercent.Overall = Known(percent(r.brk.Sum(), t))
		res.MakesPerMin = Known(rate * float64(r.follow.pat.k()))
	}
	for _, c := range r.speeds {
		c.AtS = float64(c.At-first) / 1e9
		res.SpeedChanges = append(res.SpeedChanges, c)
	}
	if r.cadence {
		for i := range r.seg {
			s := Segment{Segment: i + 1, State: "make", NominalMS: Rounded(ms(float64(r.follow.pat.segment(i))))}
			if i%2 == 1 {
				s.State = "break"
			}
			res.Segments = append(res.Segments, s)
			later.stat(&res.Segments[i].MS, r.sample(SegmentMS, i+1))
		}
	}
	r.numbers.result(res, first)
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
