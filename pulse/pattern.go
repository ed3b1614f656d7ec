package pulse

import (
	"math"
	"slices"
)

const (
	// phaseTolerance is how far from its due time an opening may be, as a
	// fraction of the distance to the neighbouring due opening on that side. A
	// quarter includes the errors of a worn cam, and is half of what would be
	// ambiguous.
	phaseTolerance = 0.25
	// learnBreaks is how many interruptions the period or the cadence is learnt
	// from: four cycles of the longest cadence that is looked for, and a half more
	// for a missing one.
	learnBreaks = 36
	// maxCadenceBreaks bounds the breaks per cycle of a cadence that is learnt.
	maxCadenceBreaks = 8
	// learnMost bounds their number where the first ones are explained poorly, at
	// a cost above costPoor each: an outage or noise hides the rest.
	learnMost = 4 * learnBreaks
	costPoor  = 4
	// costClean is the most that an opening may cost for fewer to be enough, where
	// the nominal speed or cadence is given.
	costClean = 0.5
	// costOther is by how much a pattern other than the given one must cost less,
	// costBreaks how much less for each further break in its cycle: a longer
	// pattern fits more by chance. Both are in the unit of the follower's costs.
	costOther  = 20
	costBreaks = 6
	// costCadence is the most that a learnt cadence may cost per opening: one that
	// costs more is a coincidence.
	costCadence = 1.8
	// evenSpacing separates evenly spaced openings from a cadence: 0.62 is the most
	// even of the published cadences (400/350/225/525), jitter stays above.
	evenSpacing = 0.75
	// noisyExtra is from how many extra interruptions, among those that are learnt
	// from, the first one may be extra too.
	noisyExtra = 2
)

// A pattern is one cycle of due openings: the break after each, and the make
// that follows. A plain interrupter has one opening a cycle.
type pattern struct {
	brk, mk []int64 // k each
	cycle   int64
	// usual is the median break of a plain interrupter, 0 where the nominal one is
	// the best guess.
	usual int64
	// What the limits allow for the break after each opening, the make after that
	// and the time to the next opening. They are nil without limits.
	allowBreak, allowMake, allowSpacing []span
	leastPercent, mostPercent           float64 // of the break of a plain interrupter
}

func (p *pattern) k() int { return len(p.brk) }

// spacing is the time from opening j to the next.
func (p *pattern) spacing(j int) int64 { return p.brk[j] + p.mk[j] }

// segment is the length of segment i of the cadence, from 0: make, break, make …
func (p *pattern) segment(i int) int64 {
	if k := p.k(); i%2 == 0 {
		return p.mk[(i/2+k-1)%k]
	}
	return p.brk[i/2]
}

// patternOf makes the pattern of a cadence make, break, make, break …
// Segment 1 is the make before the first break, so the last make belongs to
// the next cycle's segment 1.
func patternOf(cadence []int64) pattern {
	k := len(cadence) / 2
	p := pattern{brk: make([]int64, k), mk: make([]int64, k)}
	for j := range k {
		p.brk[j] = cadence[2*j+1]
		p.mk[j] = cadence[(2*j+2)%(2*k)]
		p.cycle += p.spacing(j)
	}
	return p
}

// plain is the pattern of a plain interrupter.
func plain(period int64) pattern {
	return pattern{brk: []int64{period / 2}, mk: []int64{period - period/2}, cycle: period}
}

// A span is a range of lengths. hi is 0 where it has no end.
type span struct{ lo, hi int64 }

func (a span) holds(ns int64) bool { return ns >= a.lo && (a.hi == 0 || ns <= a.hi) }

func (a *span) narrow(b span) {
	a.lo = max(a.lo, b.lo)
	if b.hi > 0 && (a.hi == 0 || b.hi < a.hi) {
		a.hi = b.hi
	}
}

// allow derives from the limits how far apart two openings may be.
func (p *pattern) allow(limits *Profile) {
	p.allowBreak, p.allowMake, p.allowSpacing, p.leastPercent, p.mostPercent = nil, nil, nil, 0, 100
	if limits == nil {
		return
	}
	ns := func(v *float64, unit float64) int64 {
		if v == nil || !(*v > 0) {
			return 0
		}
		return int64(math.Round(*v * unit))
	}
	inverse := func(v *float64) int64 {
		if v == nil || !(*v > 0) {
			return 0
		}
		return int64(math.Round(60e9 / *v))
	}
	k := p.k()
	segments := make([]span, 2*k)
	var cycle span
	for _, l := range limits.Limits {
		switch l.Quantity {
		case PeriodMS:
			cycle.narrow(span{ns(l.Min, 1e6), ns(l.Max, 1e6)})
		case RateIPM:
			cycle.narrow(span{inverse(l.Max), inverse(l.Min)})
		case BreakPercent:
			if k == 1 && l.Min != nil {
				p.leastPercent = max(p.leastPercent, *l.Min)
			}
			if k == 1 && l.Max != nil {
				p.mostPercent = min(p.mostPercent, *l.Max)
			}
		case BreakMS, MakeMS, SegmentMS:
			for i := range 2 * k {
				isBreak := i%2 == 1
				if l.Quantity == SegmentMS && l.Segment != i+1 || l.Quantity == BreakMS && !isBreak || l.Quantity == MakeMS && isBreak {
					continue
				}
				segments[i].narrow(span{ns(l.Min, 1e6), ns(l.Max, 1e6)})
			}
		}
	}
	for j := range k {
		p.allowBreak = append(p.allowBreak, segments[2*j+1])
		p.allowMake = append(p.allowMake, segments[(2*j+2)%(2*k)])
		var a span
		if rest := p.cycle - p.spacing(j); cycle != (span{}) {
			a = span{max(cycle.lo-rest, 0), max(cycle.hi-rest, 0)}
		}
		p.allowSpacing = append(p.allowSpacing, a)
	}
}

// allowed tells whether the limits allow the next opening at a distance d after
// opening j, though that is longer or shorter than expected. brk is the break of
// opening j, 0 where it is not known.
func (p *pattern) allowed(j int, d, brk int64, scale float64) bool {
	if p.allowBreak == nil {
		return false
	}
	b, m, a := p.allowBreak[j], p.allowMake[j], p.allowSpacing[j]
	both := brk > 0 && b.holds(brk) && m.holds(d-brk)
	bounded := func(side func(span) int64) bool { // by a limit of the cycle, or by those of both its parts
		if side(a) > 0 {
			return both || side(b) == 0 && side(m) == 0 && brk == 0
		}
		return side(b) > 0 && side(m) > 0 && both
	}
	if x := percent(brk, d); !a.holds(d) || brk > 0 && (x < p.leastPercent || x > p.mostPercent) {
		return false
	}
	if float64(d) > float64(p.spacing(j))*scale {
		return bounded(func(s span) int64 { return s.hi })
	}
	return bounded(func(s span) int64 { return s.lo })
}

// ahead finds the due opening nearest to a distance d after opening j. It is m
// openings after j, d is late for it by off, and room is the distance to its
// neighbour on that side. ok tells whether d is near enough.
func (p *pattern) ahead(j int, d, scale float64) (m int, off, room float64, ok bool) {
	k := p.k()
	cycle := float64(p.cycle) * scale
	if d < 1.5*cycle && k == 1 { // by far the most
		m, off, room = 1, d-cycle, cycle
		if d < cycle/2 {
			m, off = 0, d
		}
		return m, off, room, m > 0 && math.Abs(off) <= phaseTolerance*room
	}
	whole := math.Floor(d / cycle)
	m, off = int(whole)*k, d-whole*cycle
	before, after := float64(p.spacing((j+k-1)%k)), float64(p.spacing(j))
	for off > after*scale/2 {
		off -= after * scale
		m++
		j = (j + 1) % k
		before, after = after, float64(p.spacing(j))
	}
	room = after * scale
	if off < 0 {
		room = before * scale
	}
	return m, off, room, m > 0 && math.Abs(off) <= phaseTolerance*room
}

// overdue counts the openings due after opening j that have not come when d has
// passed since it. Each may be late by grace, a fraction of the spacing after it.
func (p *pattern) overdue(j int, d, scale, grace float64) (n int) {
	k := p.k()
	cycle := float64(p.cycle) * scale
	if whole := math.Floor(d/cycle) - 1; whole > 0 {
		n, d = int(whole)*k, d-whole*cycle
	}
	for {
		d -= float64(p.spacing(j)) * scale
		j = (j + 1) % k
		if d < grace*float64(p.spacing(j))*scale {
			return n
		}
		n++
	}
}

// expected counts the due openings in the time of length d before opening j,
// without those within the tolerance of its beginning.
func (p *pattern) expected(j int, d, scale float64) (n int) {
	k := p.k()
	cycle := float64(p.cycle) * scale
	if whole := math.Floor(d/cycle) - 1; whole > 0 {
		n, d = int(whole)*k, d-whole*cycle
	}
	for {
		j = (j + k - 1) % k
		d -= float64(p.spacing(j)) * scale
		if d <= phaseTolerance*float64(p.spacing((j+k-1)%k))*scale {
			return n
		}
		n++
	}
}

// alike tells whether two lengths may be of the same segment in two cycles.
func alike(a, b int64) bool { return math.Abs(float64(a-b)) <= 0.15*float64(max(a, b)) }

func every(x []int64, from, step int) (y []int64) {
	for i := from; i < len(x); i += step {
		y = append(y, x[i])
	}
	return y
}

func medianNS(x []int64) int64 {
	v := make([]float64, len(x))
	for i := range x {
		v[i] = float64(x[i])
	}
	return int64(math.Round(median(v)))
}

// periods are those that a plain interrupter may have. Each is the mean of the
// distances near one of them, among openings up to four apart.
func periods(o []opening) (list []int64) {
	var all []int64
	for i := range o {
		for j := i + 1; j < len(o) && j <= i+4 && !o[j].unknownBefore; j++ {
			d := int64(o[j].at - o[i].at)
			if all = append(all, d); j > i+1 {
				all = append(all, d/int64(j-i)) // where the openings are uneven
			}
		}
	}
	slices.Sort(all)
	for i, v := range all {
		if i > 0 && v == all[i-1] {
			continue
		}
		sum, n := 0.0, 0
		for _, w := range all {
			if math.Abs(float64(w-v)) <= 0.07*float64(v) {
				sum += float64(w)
				n++
			}
		}
		mean := int64(math.Round(sum / float64(n)))
		if !slices.ContainsFunc(list, func(x int64) bool { return math.Abs(float64(x-mean)) < 0.02*float64(mean) }) {
			list = append(list, mean)
		}
	}
	return list
}

// cadences are the cycles of two breaks and more that repeat so many times in a
// row.
func cadences(o []opening, times int) (list []pattern) {
	n := len(o) - 1
	if n < 4 {
		return nil
	}
	brk, mk := make([]int64, n), make([]int64, n)
	for i := range n {
		brk[i] = o[i].breakNS
		mk[i] = int64(o[i+1].at-o[i].at) - brk[i]
		if o[i+1].unknownBefore || brk[i] == 0 {
			mk[i] = 0 // it repeats nothing
		}
	}
	for k := 2; k <= maxCadenceBreaks && 2*k <= n; k++ {
		// The three longest stretches that repeat: a fault ends one.
		type stretch struct{ lo, hi int }
		var found []stretch
		for lo := 0; lo+2*k <= n; lo++ {
			hi := lo + k
			for hi < n && mk[hi] > 0 && mk[hi-k] > 0 && alike(brk[hi], brk[hi-k]) && alike(mk[hi], mk[hi-k]) {
				hi++
			}
			if hi-lo >= times*k {
				found = append(found, stretch{lo, hi})
				lo = hi - k
			}
		}
		slices.SortStableFunc(found, func(a, b stretch) int { return (b.hi - b.lo) - (a.hi - a.lo) })
		for _, s := range found[:min(3, len(found))] {
			p := cadenceFrom(brk[s.lo:s.hi], mk[s.lo:s.hi], k)
			// Evenly spaced openings are those of a plain interrupter, whatever
			// the lengths of its breaks.
			least, most := p.spacing(0), p.spacing(0)
			for j := range k {
				least, most = min(least, p.spacing(j)), max(most, p.spacing(j))
			}
			if float64(least) < evenSpacing*float64(most) {
				list = append(list, p)
			}
		}
	}
	return list
}

// cadenceFrom makes the pattern of k breaks and makes that repeat. Segment 1
// is the make after the longest break.
func cadenceFrom(brk, mk []int64, k int) pattern {
	b, m := make([]int64, k), make([]int64, k)
	longest := 0
	for j := range k {
		b[j], m[j] = medianNS(every(brk, j, k)), medianNS(every(mk, j, k))
		if b[j] > b[longest] {
			longest = j
		}
	}
	var p pattern
	for i := range k {
		j := (longest + 1 + i) % k
		p.brk, p.mk = append(p.brk, b[j]), append(p.mk, m[j])
		p.cycle += b[j] + m[j]
	}
	return p
}

// speeds are the ratios of the openings' period to that of the pattern to try.
func (p *pattern) speeds(o []opening) []float64 {
	list := []float64{1}
	k := p.k()
	var cycles []int64
	for i := k; i < len(o); i++ {
		if !slices.ContainsFunc(o[i-k+1:i+1], func(x opening) bool { return x.unknownBefore }) {
			cycles = append(cycles, int64(o[i].at-o[i-k].at))
		}
	}
	if x := float64(medianNS(cycles)) / float64(p.cycle); x > 0.5 && x < 2 {
		list = append(list, x)
	}
	return list
}

// A cycleFit tells the mean distance of due openings from the steps of a
// follower, by a line through each stretch of one phase. It takes the openings
// of one position in the cycle, for those of a cadence are not evenly spaced.
type cycleFit struct {
	line     lineFit // of the stretch
	at       Stamp   // its first opening
	position int     // of that
	x        float64 // openings due since
	sxx, sxy float64 // of the stretches that have ended
}

func (c *cycleFit) take(s *step) {
	if s.extra {
		return
	}
	if c.line.n == 0 || s.slip || s.anew || s.stepped {
		c.endStretch()
		c.at, c.position = s.o.at, s.position
	} else if c.x += float64(s.due); s.position != c.position {
		return
	}
	c.line.add(c.x, float64(s.o.at-c.at))
}

func (c *cycleFit) endStretch() {
	*c = cycleFit{sxx: c.sxx + c.line.sxx, sxy: c.sxy + c.line.sxy}
}

// slope is the mean distance, or the given one where there is none.
func (c *cycleFit) slope(given float64) float64 {
	if c.endStretch(); c.sxx > 0 {
		return c.sxy / c.sxx
	}
	return given
}

// A learnt pattern is the one that explains openings best.
type learnt struct {
	pat       pattern
	scale     float64
	cost      float64
	noisy     bool // some of them are extra, so the first may be extra too
	noSpacing bool // no two openings have a known distance: nothing is known of the spacing
	fits      bool // it explains nearly all of them
}

// learn finds the pattern that explains the openings best, by following each
// candidate: the given one, if any, the plain interrupters that the openings
// show and, unless isPlain, the cadences that they show. The limits hold for
// plain interrupters and for patterns with as many breaks as the given one.
func learn(o []opening, given *pattern, limits *Profile, isPlain bool) learnt {
	var breaks []int64
	for _, x := range o {
		if x.breakNS > 0 {
			breaks = append(breaks, x.breakNS)
		}
	}
	brk := int64(0)
	if len(breaks) > 0 {
		brk = medianNS(breaks)
	}
	best := learnt{cost: math.Inf(1), scale: 1}
	var f follower
	var fit cycleFit
	f.out = &fit
	try := func(p pattern, scale, penalty, most float64) {
		if p.allow(nil); p.k() == 1 || given != nil && given.k() == p.k() {
			p.allow(limits)
		}
		if p.k() == 1 {
			p.usual = brk
		}
		penalty += costBreaks * float64(p.k()-1)
		// A path tells the speed better than a single distance does.
		for range 3 {
			fit = cycleFit{}
			f.init(p, scale, false)
			f.steady = true
			for i := range o {
				f.add(&o[i])
			}
			f.finish()
			better := f.cost+penalty < best.cost && f.cost <= most
			if better {
				best = learnt{pat: p, scale: scale, cost: f.cost + penalty, noisy: f.extras >= noisyExtra, fits: f.cost <= 0.5*float64(len(o))}
			}
			x := fit.slope(float64(p.cycle)/float64(p.k())*scale) * float64(p.k()) / float64(p.cycle)
			if !better || math.Abs(x-scale) > phaseTolerance*scale {
				break
			}
			best.scale, scale = x, x
		}
	}
	other := 0.0
	if given != nil {
		other = costOther
		p := *given
		for _, x := range p.speeds(o) {
			try(p, x, 0, math.Inf(1))
		}
	}
	for _, t := range periods(o) {
		penalty := other
		if given != nil && given.k() == 1 {
			penalty = costSpeed // the same, at another speed
		}
		try(plain(t), 1, penalty, math.Inf(1))
	}
	if !isPlain {
		times := 2
		if given != nil {
			times = 3
		}
		for _, p := range cadences(o, times) {
			try(p, 1, other, costCadence*float64(len(o)))
		}
	}
	if math.IsInf(best.cost, 1) { // no cycle will be measured
		try(plain(1e9), 1, 0, math.Inf(1))
		best.noSpacing = true
	}
	return best
}
