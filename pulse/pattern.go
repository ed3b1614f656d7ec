package pulse

import (
	"math"
	"slices"
)

const (
	// phaseTolerance is how far from its due time an opening may be, as a
	// fraction of the distance to the neighbouring due opening on that side. A
	// quarter keeps a worn cam's errors in and halves the ambiguity.
	phaseTolerance = 0.25
	// learnBreaks is how many interruptions are looked at before the period or
	// the cadence is told from the data: three cycles of the longest cadence
	// that is looked for, and a half more for a missing one.
	learnBreaks = 36
	// maxCadenceBreaks bounds the breaks per cycle of a cadence told from the data.
	maxCadenceBreaks = 8
	// costOther is what a pattern other than the given one must explain better,
	// costBreaks what each further break in its cycle must: a longer pattern
	// fits more by chance. Both in the unit of the follower's costs.
	costOther  = 10
	costBreaks = 3
	// noisyExtra is from how many interruptions that are not due, among those
	// that are learnt from, the first one may be such too.
	noisyExtra = 2
)

// A pattern is one cycle of openings as due: after each opening its break and
// the make that follows. A plain interrupter has one.
type pattern struct {
	brk, mk []int64 // k each
	cycle   int64
	// usual is the length that each break of a plain interrupter really has,
	// 0 where the nominal one is the best guess.
	usual int64
	// lo and hi are the shortest and the longest distance to the next opening
	// that the limits allow, k each, 0 where they say nothing.
	lo, hi []int64
}

func (p *pattern) k() int { return len(p.brk) }

// spacing is the time from opening j to the next.
func (p *pattern) spacing(j int) int64 { return p.brk[j] + p.mk[j] }

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

// allow takes from the limits how far apart two openings may be.
func (p *pattern) allow(limits *Profile) {
	k := p.k()
	p.lo, p.hi = make([]int64, k), make([]int64, k)
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
	// least and most of each segment, and of the cycle.
	least, most := make([]int64, 2*k), make([]int64, 2*k)
	var cycleLo, cycleHi int64
	narrow := func(lo, hi *int64, l, h int64) {
		*lo = max(*lo, l)
		if h > 0 && (*hi == 0 || h < *hi) {
			*hi = h
		}
	}
	for _, l := range limits.Limits {
		switch l.Quantity {
		case PeriodMS:
			narrow(&cycleLo, &cycleHi, ns(l.Min, 1e6), ns(l.Max, 1e6))
		case RateIPM:
			narrow(&cycleLo, &cycleHi, inverse(l.Max), inverse(l.Min))
		case BreakMS, MakeMS, SegmentMS:
			for i := range 2 * k {
				isBreak := i%2 == 1
				if l.Quantity == SegmentMS && l.Segment != i+1 || l.Quantity == BreakMS && !isBreak || l.Quantity == MakeMS && isBreak {
					continue
				}
				narrow(&least[i], &most[i], ns(l.Min, 1e6), ns(l.Max, 1e6))
			}
		}
	}
	for j := range k {
		b, m := 2*j+1, (2*j+2)%(2*k)
		if least[b] > 0 && least[m] > 0 {
			p.lo[j] = least[b] + least[m]
		}
		if most[b] > 0 && most[m] > 0 {
			p.hi[j] = most[b] + most[m]
		}
		if rest := p.cycle - p.spacing(j); cycleLo > rest {
			p.lo[j] = max(p.lo[j], cycleLo-rest)
		}
		if rest := p.cycle - p.spacing(j); cycleHi > rest {
			narrow(new(int64), &p.hi[j], 0, cycleHi-rest)
		}
	}
}

// allowed tells whether the limits allow the next opening d after opening j,
// as a distance that is further from the expected one than need be.
func (p *pattern) allowed(j int, d int64, scale float64) bool {
	if d := float64(d); d > float64(p.spacing(j))*scale {
		return d <= float64(p.hi[j])
	}
	return p.lo[j] > 0 && d >= p.lo[j]
}

// ahead finds the due opening nearest to a distance d from opening j: how many
// openings on it is, how late d is for it, the distance to the neighbouring
// due opening on that side, and whether d is near enough.
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

// overdue counts the openings due after opening j that have not come when d
// has passed since it, each given grace, a fraction of the spacing after it.
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

// expected counts the openings due before opening j that fall into the time
// of length d before it, each by more than the tolerance after its begin.
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

// spacings are the distances of openings that nothing unknown parts.
func spacings(o []opening) (d []int64) {
	for i := 1; i < len(o); i++ {
		if !o[i].gap {
			d = append(d, int64(o[i].at-o[i-1].at))
		}
	}
	return d
}

// alike tells whether two lengths may be the same segment of two cycles.
func alike(a, b int64) bool { return math.Abs(float64(a-b)) <= 0.15*float64(max(a, b)) }

func every(x []int64, from, step int) (y []int64) {
	for i := from; i < len(x); i += step {
		y = append(y, x[i])
	}
	return y
}

func medianNS(x []int64) int64 {
	v := Quantiles(len(x), func(dst []float64, from int) {
		for i := range dst {
			dst[i] = float64(x[from+i])
		}
	}, 0.5)
	return int64(math.Round(v[0]))
}

// periods are the periods that a plain interrupter may have, by the distances
// of openings up to four apart: each about which others lie, at their mean.
func periods(o []opening) (list []int64) {
	var all []int64
	for i := range o {
		for j := i + 1; j < len(o) && j <= i+4 && !o[j].gap; j++ {
			all = append(all, int64(o[j].at-o[i].at))
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

// cadences are the cycles of two breaks and more that are found twice in a row.
func cadences(o []opening) (list []pattern) {
	n := len(o) - 1
	if n < 4 {
		return nil
	}
	brk, mk := make([]int64, n), make([]int64, n)
	for i := range n {
		brk[i] = o[i].breakNS
		mk[i] = int64(o[i+1].at-o[i].at) - brk[i]
		if o[i+1].gap || brk[i] == 0 {
			mk[i] = 0 // like nothing
		}
	}
	for k := 2; k <= maxCadenceBreaks && 2*k <= n; k++ {
		// The longest stretches that repeat, three at most: a fault parts them.
		type stretch struct{ lo, hi int }
		var found []stretch
		for lo := 0; lo+2*k <= n; lo++ {
			hi := lo + k
			for hi < n && mk[hi] > 0 && mk[hi-k] > 0 && alike(brk[hi], brk[hi-k]) && alike(mk[hi], mk[hi-k]) {
				hi++
			}
			if hi-lo >= 2*k {
				found = append(found, stretch{lo, hi})
				lo = hi - k
			}
		}
		slices.SortStableFunc(found, func(a, b stretch) int { return (b.hi - b.lo) - (a.hi - a.lo) })
		for _, s := range found[:min(3, len(found))] {
			list = append(list, cadenceFrom(brk[s.lo:s.hi], mk[s.lo:s.hi], k))
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

// speeds are how much slower than the pattern the openings may run.
func (p *pattern) speeds(o []opening) []float64 {
	list := []float64{1}
	k := p.k()
	var cycles []int64
	for i := k; i < len(o); i++ {
		if !slices.ContainsFunc(o[i-k+1:i+1], func(x opening) bool { return x.gap }) {
			cycles = append(cycles, int64(o[i].at-o[i-k].at))
		}
	}
	if x := float64(medianNS(cycles)) / float64(p.cycle); x > 0.5 && x < 2 {
		list = append(list, x)
	}
	return list
}

// learnt is the pattern that explains openings best.
type learnt struct {
	pat   pattern
	scale float64
	cost  float64
	noisy bool // some of them were not due, so the first may be such too
	fits  bool // it explains nearly all of them
}

// learn finds the pattern that explains the openings best, each candidate
// tried by following it: the given one, if any (with one break it is that of a
// plain interrupter), and those that the openings themselves show, cadences
// unless isPlain. The limits are those in force for the given one.
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
	try := func(p pattern, scale, penalty float64) {
		var f follower
		p.allow(limits)
		if p.k() == 1 {
			p.usual = brk
		}
		f.init(p, scale, false)
		for i := range o {
			f.add(&o[i])
		}
		f.finish()
		if cost := f.total + penalty + costBreaks*float64(p.k()-1); cost < best.cost {
			best = learnt{pat: p, scale: scale, cost: cost, noisy: f.extras >= noisyExtra, fits: f.total <= 0.5*float64(len(o))}
		}
	}
	other := 0.0
	if given != nil {
		other = costOther
		p := *given
		for _, x := range p.speeds(o) {
			try(p, x, 0)
		}
	}
	for _, t := range periods(o) {
		penalty := other
		if given != nil && given.k() == 1 {
			penalty = costSpeed // the same, at another speed
		}
		try(plain(t), 1, penalty)
	}
	if !isPlain {
		for _, p := range cadences(o) {
			try(p, 1, other)
		}
	}
	if math.IsInf(best.cost, 1) { // a single opening: no cycle will be measured
		try(plain(1e9), 1, 0)
	}
	return best
}
