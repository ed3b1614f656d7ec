package pulse

import "math"

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
	// relockFactor is how many times as many openings must agree on a speed
	// less than half or more than twice the one before: a burst of interruptions
	// that are not due may be regular for a while.
	relockFactor = 3
	// gapDrift and gapJump bound how far the phase moves over a time in which
	// nothing is known, by that time and by the distance of openings: beyond it
	// is a phase of its own (our own choice: motors wander less within a minute).
	gapDrift = 0.005
	gapJump  = 0.05
	// lobeSure is the part of that within which a lobe is taken for the one
	// that it would be: figures of two lobes in one would mislead.
	lobeSure = 0.2
	// stillCycles is how long nothing must have moved before what falls due
	// counts as missing at once: before, the next opening tells more.
	stillCycles = 3
	// track is the weight of a new cycle in the followed period: slow enough
	// to average lobes and jitter, fast enough for a motor's warming up.
	track = 1.0 / 16
)

// A pattern is one cycle of openings as due: after each opening its break and
// the make that follows. A plain interrupter has one.
type pattern struct {
	brk, mk []int64 // k each
	first   int     // index of the break of the cadence's segment 2
	cycle   int64
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

// An opening is one interruption: when it opened, how long its break lasted.
type opening struct {
	at       Stamp
	breakNS  int64 // 0 when its end is not known
	bounceNS int64
	makeNS   int64 // the make after its break, 0 where it is not known or holds something not due
	gap      bool  // an unknown interval lies between the opening before and this one
	stray    bool  // it was not due
	j        int   // its place in the pattern, once it is known to be due
}

// interrupterReader reads transitions as an interrupter's cycles. It keeps
// Durations of breaks, makes and periods.
type interrupterReader struct {
	onCycle    func(*CycleRow)
	forget     bool
	pat        pattern
	havePat    bool
	cadence    bool // segments are reported
	misfit     bool // a cadence was given, and the contact does another
	lobes      int
	marks      []LobeMark
	marksBy    string
	lobesKnown []LobeFigure
	period     int64 // nominal, 0: from the data

	learn     []opening
	learnFrom int // how many openings to learn from
	follow
	cur   opening
	curOK bool
	open  bool
	gap   bool  // an unknown interval since the last opening
	moved Stamp // last transition, or when the level was known again
	// still is what has fallen due since the last opening, as nothing moves.
	still struct{ missing, due int }

	cycles, missing, extra, due, slips int
	brk, per                           Durations   // per clean cycle: sum of breaks, period
	seg                                []Durations // segment by segment, in the pattern's order: break 0, make 0, break 1 …
	xBreak, xMake, xPeriod, xPercent   extreme
	xSeg                               []extreme
	sig                                lobeNumbers
	row                                CycleRow
}

// follow is the phase follower's state.
type follow struct {
	scale float64 // followed cycle / nominal cycle
	last  opening // last opening that was due
	j     int     // its place in the pattern
	n     int     // its number, counting due openings from 0
	ok    bool
	// cand is an opening near enough to a due time; the next may be nearer.
	cand    opening
	candM   int
	candOff float64
	candOK  bool
	// seek gathers the openings after an unknown interval, until they tell
	// their places in the pattern.
	seek    []opening
	seeking bool
	typical []int64   // the last break at each place of the pattern
	recent  []opening // the last openings, due or not
	between bool      // an opening that was not due lies after last

	// The cycle being gathered, from an opening with j == 0.
	start              opening
	startN             int  // its number
	clean              bool // nothing missing, extra or unknown so far
	cycMissing, cycExt int
	got                []opening
}

func (r *interrupterReader) transition(at Stamp, closed bool, bounce int64) {
	r.moved = at
	if !closed {
		r.cur, r.curOK, r.open = opening{at: at, bounceNS: bounce, gap: r.gap}, true, true
		r.gap = false
		return
	}
	r.open = false
	if !r.curOK {
		return
	}
	r.curOK = false
	r.cur.breakNS = int64(at - r.cur.at)
	r.cur.bounceNS = max(r.cur.bounceNS, bounce)
	r.opening(r.cur)
}

// unknown says that nothing was known of the contact for a while, and its
// state now, at end.
func (r *interrupterReader) unknown(end Stamp, closed bool) {
	r.endOpen()
	r.moved = end
	r.gap, r.open = true, !closed
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
	if r.havePat {
		r.step(o)
		return
	}
	r.learn = append(r.learn, o)
	if len(r.learn) >= r.learnFrom {
		r.decide()
	}
}

// decide tells the period, the cadence and its phase from the openings
// gathered so far, and reads them.
func (r *interrupterReader) decide() {
	if r.havePat {
		return
	}
	r.havePat = true
	o := r.learn
	r.learn = nil
	run, med := longestRun(o), medianNS(spacings(o))
	scale := 1.0
	switch {
	case len(r.pat.brk) > 0:
		given := r.pat
		var fits bool
		if scale, fits = r.pat.turnTo(run); fits {
			break
		}
		// Another number of breaks that does repeat is another cadence; what
		// does not repeat is this one gone wrong.
		if p, found := findPattern(run, med, false); found && p.k() != given.k() {
			r.pat, scale, r.misfit = p, 1, true
			r.cadence = p.k() > 1
		}
	case r.period > 0:
		r.pat = plain(r.period)
		if med > 0 {
			// Where most interruptions are missing the median is a multiple.
			x := float64(med) / float64(r.period)
			if n := math.Round(x); n >= 1 && math.Abs(x-n) <= phaseTolerance {
				scale = x / n
			} else {
				r.pat = plain(med)
			}
		}
	default:
		r.pat, _ = findPattern(run, med, r.lobes > 0)
		r.cadence = r.pat.k() > 1
	}
	k := r.pat.k()
	r.scale = scale
	r.seg, r.typical = make([]Durations, 2*k), make([]int64, k)
	r.xSeg = make([]extreme, 2*k)
	r.got = make([]opening, 0, k)
	r.sig.init(r.lobes, r.marks, r.marksBy, r.lobesKnown)
	if r.cadence {
		r.row.SegmentsNS = make([]int64, 2*k)
	}
	r.seeking = len(run) > 0 && run[0].at > o[0].at // the pattern begins later
	for _, x := range o {
		r.step(x)
	}
}

// plain is the pattern of a plain interrupter.
func plain(period int64) pattern {
	return pattern{brk: []int64{period / 2}, mk: []int64{period - period/2}, cycle: period}
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

// longestRun is the most openings in a row that nothing unknown parts.
func longestRun(o []opening) (run []opening) {
	lo := 0
	for i := range o {
		if o[i].gap {
			lo = i
		}
		if i+1-lo > len(run) {
			run = o[lo : i+1]
		}
	}
	return run
}

// findPattern looks for the shortest cycle of breaks and makes that repeats.
// When none does, or a plain one is asked for, the median distance of
// openings, med, is the cycle, and found is false.
func findPattern(o []opening, med int64, isPlain bool) (p pattern, found bool) {
	if med == 0 {
		med = 1e9 // a single opening: no cycle will be measured
	}
	n := len(o) - 1
	if isPlain || n < 2 {
		return plain(med), false
	}
	brk, mk := make([]int64, n), make([]int64, n)
	for i := range n {
		brk[i] = o[i].breakNS
		mk[i] = int64(o[i+1].at-o[i].at) - brk[i]
	}
	repeats := func(lo, hi, k int) bool {
		for i := lo; i+k < hi; i++ {
			if !alike(brk[i], brk[i+k]) || !alike(mk[i], mk[i+k]) {
				return false
			}
		}
		return true
	}
	// The whole of what was seen, or a stretch of three cycles and no fewer
	// than a longest cycle and one: a missing interruption must not hide the
	// cycle, nor two of them make one up.
	for k := 1; k <= maxCadenceBreaks && 2*k <= n; k++ {
		for _, window := range []int{n, max(3*k, maxCadenceBreaks+1)} {
			for lo := 0; lo+window <= n; lo++ {
				if !repeats(lo, lo+window, k) {
					continue
				}
				if k == 1 {
					return plain(medianNS(spacings(o[lo : lo+window+1]))), true
				}
				return cadenceFrom(brk[lo:lo+window], mk[lo:lo+window], k, o), true
			}
		}
	}
	return plain(med), false
}

// cadenceFrom makes the pattern of k breaks and makes that repeat. Segment 1
// is the make after the longest break.
func cadenceFrom(brk, mk []int64, k int, o []opening) pattern {
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
	_, _ = p.turnTo(o)
	return p
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

// turnTo turns the pattern so that its break 0 is the first opening's; first
// keeps where the cadence begins. It returns what phase does.
func (p *pattern) turnTo(o []opening) (scale float64, fits bool) {
	at, scale, fits := p.phase(o)
	k := p.k()
	p.brk = append(p.brk[at:len(p.brk):len(p.brk)], p.brk[:at]...)
	p.mk = append(p.mk[at:len(p.mk):len(p.mk)], p.mk[:at]...)
	p.first = (p.first + k - at) % k
	return scale, fits
}

// phase tells which break of the pattern the first opening's is, by trying
// each on the openings and keeping the one that fits best; how much slower
// than the pattern they run; and whether most of them come when they are due.
func (p *pattern) phase(o []opening) (at int, scale float64, fits bool) {
	scale, ok := p.speed(o)
	if !ok {
		scale = 1
	}
	best := math.Inf(1)
	for s := range p.k() {
		if cost, due := p.cost(o, s, scale); cost < best {
			best, at, fits = cost, s, 5*due >= 4*(len(o)-1)
		}
	}
	return at, scale, fits
}

// speed is how much slower than the pattern the openings run.
func (p *pattern) speed(o []opening) (scale float64, ok bool) {
	k := p.k()
	var cycles []int64
	for i := k; i < len(o); i++ {
		cycles = append(cycles, int64(o[i].at-o[i-k].at))
	}
	x := float64(medianNS(cycles)) / float64(p.cycle)
	return x, x > 0 && (k == 1 || x > 0.5 && x < 2)
}

// cost is how badly the openings fit the pattern from place s on, and how many
// of them come when the next one is due.
func (p *pattern) cost(o []opening, s int, scale float64) (cost float64, due int) {
	j, last := s, 0
	for i, x := range o {
		m, off := 0, 0.0
		if i > 0 {
			var ok bool
			if m, off, ok = p.ahead(j, float64(x.at-o[last].at), scale); !ok {
				cost += float64(p.cycle)
				continue
			}
		}
		if m == 1 {
			due++
		}
		j, last = (j+m)%p.k(), i
		cost += math.Abs(off) + float64(max(m-1, 0))*float64(p.cycle)
		if x.breakNS > 0 {
			cost += math.Abs(float64(x.breakNS) - float64(p.brk[j])*scale)
		}
	}
	return cost, due
}

// runs tells whether openings with nothing unknown between them follow each
// other as the pattern has it from place at on.
func (p *pattern) runs(o []opening, at int, scale float64) bool {
	for i := 1; i < len(o); i++ {
		due := int64(float64(p.spacing((at+i-1)%p.k())) * scale)
		if o[i].gap || !alike(int64(o[i].at-o[i-1].at), due) {
			return false
		}
	}
	return true
}

// ahead finds the due opening nearest to a distance d from opening j: how many
// openings on it is, how late d is for it, and whether that is near enough.
func (p *pattern) ahead(j int, d, scale float64) (m int, off float64, ok bool) {
	k := p.k()
	cycle := float64(p.cycle) * scale
	whole := math.Floor(d / cycle)
	m, off = int(whole)*k, d-whole*cycle
	before, after := float64(p.spacing((j+k-1)%k)), float64(p.spacing(j))
	for off > after*scale/2 {
		off -= after * scale
		m++
		j = (j + 1) % k
		before, after = after, float64(p.spacing(j))
	}
	room := after
	if off < 0 {
		room = before
	}
	return m, off, m > 0 && math.Abs(off) <= phaseTolerance*room*scale
}

func (r *interrupterReader) step(o opening) {
	if o.gap && !(r.seeking && len(r.seek) == 0) {
		r.findPlace()
		r.commit()
		r.seeking = r.ok
	}
	if r.seeking {
		if r.seek = append(r.seek, o); len(r.seek) == r.window() {
			r.findPlace()
		}
		return
	}
	if !r.ok {
		r.anchor(o, 0)
		return
	}
	m, off, ok := r.ahead(o)
	if r.candOK {
		if ok && m == r.candM && r.misfitOf(o, off, m) < r.misfitOf(r.cand, r.candOff, m) {
			r.candOK = false
			r.stray(r.cand)
		} else {
			r.commit()
		}
		m, off, ok = r.ahead(o)
	}
	if !ok {
		r.stray(o)
		return
	}
	r.cand, r.candM, r.candOff, r.candOK = o, m, off, true
}

func (r *interrupterReader) ahead(o opening) (m int, off float64, ok bool) {
	return r.pat.ahead(r.j, float64(o.at-r.last.at), r.scale)
}

// misfitOf is how little an opening looks like the one due m openings on: how
// far off its time is, and its break from the last one at that place.
func (r *interrupterReader) misfitOf(o opening, off float64, m int) float64 {
	cost := math.Abs(off)
	if t := r.typical[(r.j+m)%r.pat.k()]; t > 0 && o.breakNS > 0 {
		cost += math.Abs(float64(o.breakNS - t))
	}
	return cost
}

// commit takes the candidate for the opening that was due.
func (r *interrupterReader) commit() {
	if r.candOK {
		r.candOK = false
		r.remember(r.cand)
		r.arrive(r.cand, r.candM)
	}
}

// advance says that no opening came up to now.
func (r *interrupterReader) advance(now Stamp) {
	if r.candOK && !r.curOK {
		j := (r.j + r.candM) % r.pat.k()
		if float64(now-r.cand.at) > 2*phaseTolerance*float64(r.pat.spacing(j))*r.scale {
			r.commit()
		}
	}
	r.stand(now)
}

// stand counts what has fallen due up to now, when nothing has moved for long.
func (r *interrupterReader) stand(now Stamp) {
	if !r.ok || r.seeking || r.gap || float64(now-r.moved) < stillCycles*float64(r.pat.cycle)*r.scale {
		return
	}
	r.commit() // also before a break that has not ended
	k := r.pat.k()
	cycle := float64(r.pat.cycle) * r.scale
	d := float64(now - r.last.at)
	n := int(d/cycle) * k
	left := d - math.Floor(d/cycle)*cycle
	if n > 0 { // one of the last cycle may not be overdue yet
		n, left = n-k, left+cycle
	}
	for i := range 2 * k {
		j := (r.j + i) % k
		if left -= float64(r.pat.spacing(j)) * r.scale; left <= phaseTolerance*float64(r.pat.spacing((j+1)%k))*r.scale {
			break
		}
		n++
	}
	if r.curOK { // it came, and has not ended
		n = max(n-1, 0)
	}
	r.still.missing, r.still.due = max(n, r.still.missing), max((r.j+n)/k, r.still.due)
}

// findPlace tells where in the pattern the openings after an unknown interval
// are, and reads them.
func (r *interrupterReader) findPlace() {
	if !r.seeking {
		return
	}
	r.seeking = false
	run := r.seek
	r.seek = r.seek[:0]
	if len(run) == 0 {
		return
	}
	r.recent = r.recent[:0]
	if m, sure, ok := r.goesOn(run); ok {
		if !sure {
			r.sig.newStretch()
		}
		r.remember(run[0])
		r.arrive(run[0], m)
	} else if at, ok := r.placeOf(run); ok {
		r.anchor(run[0], at)
	} else {
		return // too few to tell their places; they are left out
	}
	for _, o := range run[1:] {
		r.step(o)
	}
}

// goesOn tells whether the openings after an unknown interval are in the phase
// of those before, and the first of them then m openings after the last; and
// whether that is sure enough to say which lobe it is.
func (r *interrupterReader) goesOn(run []opening) (m int, sure, ok bool) {
	if !r.ok {
		return 0, false, false
	}
	m, off, ok := r.ahead(run[0])
	k := r.pat.k()
	at := (r.j + m) % k
	room := float64(min(r.pat.spacing(at), r.pat.spacing((at+k-1)%k))) * r.scale
	drift := gapDrift * float64(run[0].at-r.last.at)
	if !ok || drift > phaseTolerance*room || math.Abs(off) > gapJump*room+drift {
		return 0, false, false
	}
	if x, ok := r.pat.speed(run); ok && math.Abs(x/r.scale-1) > gapJump {
		return 0, false, false
	}
	best, _ := r.pat.cost(run, at, r.scale)
	for s := range k {
		if cost, _ := r.pat.cost(run, s, r.scale); cost < best {
			return 0, false, false
		}
	}
	return m, r.lobes == 0 || math.Abs(off) <= lobeSure*(gapJump*room+drift), true
}

// placeOf tells the place of the first opening in a phase of its own, from
// enough openings or ones that fit well nowhere else, and takes over the speed.
func (r *interrupterReader) placeOf(run []opening) (at int, ok bool) {
	scale, known := r.pat.speed(run)
	if !known {
		scale = r.scale
	}
	best, second := math.Inf(1), math.Inf(1)
	for s := range r.pat.k() {
		switch cost, _ := r.pat.cost(run, s, scale); {
		case cost < best:
			best, second, at = cost, best, s
		case cost < second:
			second = cost
		}
	}
	if len(run) < r.window() && best > second/2 {
		return 0, false
	}
	r.scale = scale
	return at, true
}

// anchor begins a phase with an opening at place j of the pattern.
func (r *interrupterReader) anchor(o opening, j int) {
	r.lose(r.still.missing)
	r.still.missing, r.still.due = 0, 0
	if r.ok {
		r.n++
		passed := float64(o.at-r.last.at) / (float64(r.pat.cycle) * r.scale)
		r.endCycle(o, max(int(math.Round(passed)), 1), false)
		r.sig.newStretch()
	}
	o.j = j
	r.ok, r.last, r.j, r.between = true, o, j, false
	r.remember(o)
	r.beginCycle(o)
	r.clean = j == 0
	r.sig.opening(r.n, o)
	r.keepBreak(o)
}

// window is how many openings in a row must agree on a new phase before the
// old one is given up: two cycles and more, and no fewer than three periods.
func (r *interrupterReader) window() int { return 2*r.pat.k() + 2 }

func (r *interrupterReader) remember(o opening) {
	if len(r.recent) == relockFactor*r.window() {
		copy(r.recent, r.recent[1:])
		r.recent = r.recent[:len(r.recent)-1]
	}
	r.recent = append(r.recent, o)
}

func (r *interrupterReader) stray(o opening) {
	r.extra++
	r.cycExt++
	r.clean, r.between = false, true
	o.stray = true
	r.remember(o)
	if n := r.window(); len(r.recent) >= n && !r.relock(r.recent[len(r.recent)-n:], 0.5, 2) && len(r.recent) == relockFactor*n {
		r.relock(r.recent, 0, math.Inf(1))
	}
}

// relock gives up the old phase and speed if the openings of run follow each
// other as they should at a speed of least to most times the one before,
// though they were not due: the motor has slipped, stopped or changed speed.
func (r *interrupterReader) relock(run []opening, least, most float64) bool {
	strays := 0
	for _, o := range run {
		if o.stray {
			strays++
		}
	}
	if strays < 2 {
		return false
	}
	at, scale, _ := r.pat.phase(run)
	if x := scale / r.scale; x < least || x > most || !r.pat.runs(run, at, scale) {
		return false
	}
	r.slips++
	r.extra -= strays
	r.cycExt = max(r.cycExt-strays, 0)
	r.clean = false
	r.scale = scale
	k := r.pat.k()
	for i := range run {
		run[i].stray = false
	}
	for i, o := range run {
		if o.at == r.last.at { // due by chance
			r.j = (at + i) % k
			r.follow1(run[i+1:])
			return true
		}
	}
	m, _, _ := r.ahead(run[0])
	m = max(m, r.still.missing+1)
	for m < 1 || (r.j+m)%k != at {
		m++
	}
	r.lose(m - 1)
	r.set(run[0], m)
	r.follow1(run[1:])
	return true
}

// follow1 takes openings that are each the next one due.
func (r *interrupterReader) follow1(o []opening) {
	for _, x := range o {
		r.between = false
		r.arrive(x, 1)
	}
}

// lose counts missing interruptions.
func (r *interrupterReader) lose(n int) {
	r.missing += n
	r.cycMissing += n
}

// arrive takes an opening that was due m openings after the last.
func (r *interrupterReader) arrive(o opening, m int) {
	if m > 1 || o.gap {
		r.clean = false
		if !o.gap {
			r.lose(m - 1)
		} else {
			r.lose(r.still.missing) // before what is unknown
		}
	} else if !r.between && r.last.breakNS > 0 {
		mk := int64(o.at-r.last.at) - r.last.breakNS
		r.got[len(r.got)-1].makeNS = mk
		r.keep(2*r.j+1, mk, &r.xMake)
	}
	r.set(o, m)
}

func (r *interrupterReader) set(o opening, m int) {
	r.still.missing, r.still.due = 0, 0
	k := r.pat.k()
	crossed := (r.j + m) / k
	j := (r.j + m) % k
	r.n += m
	clean := r.clean
	if crossed > 0 {
		r.endCycle(o, crossed, clean && crossed == 1 && j == 0)
	}
	o.j = j
	r.sig.opening(r.n, o)
	r.last, r.j, r.between = o, j, false
	if crossed > 0 {
		r.beginCycle(o)
		r.clean = j == 0
	} else {
		r.got = append(r.got, o)
	}
	r.keepBreak(o)
}

func (r *interrupterReader) beginCycle(o opening) {
	r.start, r.startN, r.clean, r.cycMissing, r.cycExt = o, r.n, true, 0, 0
	r.got = append(r.got[:0], o)
}

// keepBreak keeps the break of a due opening. It is judged whatever else is
// wrong with its cycle: an interruption that is far too long hides the next.
func (r *interrupterReader) keepBreak(o opening) {
	if o.breakNS > 0 {
		r.typical[r.j] = o.breakNS
		r.keep(2*r.j, o.breakNS, &r.xBreak)
	}
}

// keep keeps one make or break of the cycle being gathered.
func (r *interrupterReader) keep(i int, ns int64, x *extreme) {
	if !r.forget {
		r.seg[i].Add(ns)
	}
	s := spot{breakNS: ns, at: r.start.at, group: r.due + 1, item: r.sig.own(r.n), stretch: r.sig.stretch}
	if v := float64(ns); !x.within(v) {
		x.see(v, s)
	}
	if v := float64(ns); !r.xSeg[i].within(v) {
		r.xSeg[i].see(v, s)
	}
}

// endCycle closes the cycle that the opening o begins anew; crossed counts
// the cycles that were due since its start.
func (r *interrupterReader) endCycle(o opening, crossed int, clean bool) {
	k := r.pat.k()
	number := r.due + 1
	r.due += crossed
	t := int64(o.at - r.start.at)
	var breaks, bounce int64
	clean = clean && len(r.got) == k
	for _, g := range r.got {
		clean = clean && g.breakNS > 0
		breaks += g.breakNS
		bounce = max(bounce, g.bounceNS)
	}
	lobe, numbering := r.sig.lobe(r.startN)
	if clean {
		r.cycles++
		if !r.forget {
			r.brk.Add(breaks)
			r.per.Add(t)
		}
		s := spot{breakNS: breaks, periodNS: t, at: r.start.at, group: number, item: r.sig.own(r.startN), stretch: r.sig.stretch}
		if v := float64(t); !r.xPeriod.within(v) {
			r.xPeriod.see(v, s)
		}
		if v := percent(breaks, t); !r.xPercent.within(v) {
			r.xPercent.see(v, s)
		}
		r.scale += (float64(t)/float64(r.pat.cycle) - r.scale) * track
	}
	if r.onCycle == nil {
		return
	}
	r.row = CycleRow{At: r.start.at, Cycle: number, Lobe: lobe, Numbering: numbering, Stretch: r.sig.stretch, PeriodNS: t,
		BounceNS: bounce, SegmentsNS: r.row.SegmentsNS, Missing: r.cycMissing, Extra: r.cycExt, Whole: clean}
	switch {
	case clean:
		r.row.BreakNS, r.row.MakeNS = breaks, t-breaks
	case k == 1:
		r.row.BreakNS, r.row.MakeNS = r.got[0].breakNS, r.got[0].makeNS
	}
	r.rowSegments()
	r.onCycle(&r.row)
}

// rowSegments gives the row the makes and breaks that are known of the cycle.
func (r *interrupterReader) rowSegments() {
	if r.row.SegmentsNS == nil {
		return
	}
	clear(r.row.SegmentsNS)
	for _, g := range r.got {
		r.row.SegmentsNS[r.place(2*g.j)] = g.breakNS
		r.row.SegmentsNS[r.place(2*g.j+1)] = g.makeNS
	}
}

// place is segIndex turned round: which segment of the cadence, from 0, lies
// at x in seg.
func (r *interrupterReader) place(x int) int {
	k := r.pat.k()
	if x%2 == 0 {
		return 2*((x/2-r.pat.first+k)%k) + 1
	}
	return 2 * ((x/2 + 1 - r.pat.first + k) % k)
}

// segIndex gives where segment i (from 0: make, break, make …) of the cadence
// lies in seg.
func (r *interrupterReader) segIndex(i int) int {
	k := r.pat.k()
	b := (r.pat.first + i/2) % k // its break, counted from the pattern's
	if i%2 == 1 {
		return 2 * b
	}
	return 2*((b+k-1)%k) + 1
}

// finish ends the reading. quiet is the time up to which a live capture saw
// no edge after the last.
func (r *interrupterReader) finish(live bool, quiet Stamp) (partial bool) {
	r.endOpen()
	r.decide()
	r.findPlace()
	r.commit()
	if live {
		r.stand(quiet)
	}
	r.lose(r.still.missing)
	r.due += r.still.due
	lobe, numbering := r.sig.lobe(r.startN)
	stretch := r.sig.stretch
	r.sig.finish()
	if r.onCycle != nil && r.ok { // what is known of the cycle that did not end
		r.row = CycleRow{At: r.start.at, Cycle: r.due + 1, Lobe: lobe, Numbering: numbering, Stretch: stretch, SegmentsNS: r.row.SegmentsNS, Missing: r.cycMissing, Extra: r.cycExt}
		if r.pat.k() == 1 {
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
		return StatOf(n, fill)
	}
	res := &Interrupter{
		Cycles: r.cycles, Missing: r.missing, Extra: r.extra, Due: r.due, Slips: r.slips,
		PeriodMS: stat(PeriodMS), BreakMS: stat(BreakMS), MakeMS: stat(MakeMS),
		CadenceFits: !r.misfit, Segments: []Segment{}, Lobes: []Lobe{},
	}
	res.RateIPM.Stat, res.BreakPercent.Stat = stat(RateIPM), stat(BreakPercent)
	if t := r.per.Sum(); t > 0 {
		res.RateIPM.Overall = Known(float64(r.cycles) * 60e9 / float64(t))
		res.BreakPercent.Overall = Known(percent(r.brk.Sum(), t))
		res.MakesPerMin = Known(res.RateIPM.Overall.V * float64(r.pat.k()))
	}
	if r.cadence {
		for i := range r.seg {
			n, fill, _, _ := r.values(SegmentMS, i+1)
			s := Segment{Segment: i + 1, State: "make", NominalMS: float64(r.nominal(i)) / 1e6, MS: StatOf(n, fill)}
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
		return r.pat.brk[x/2]
	}
	return r.pat.mk[x/2]
}

// values is as dialReader.values; segment is 1-based.
func (r *interrupterReader) values(q Quantity, segment int) (n int, fill func(dst []float64, from int), x extreme, ok bool) {
	pairs := func(f func(b, t int64) float64) func(dst []float64, from int) {
		return pairs(&r.brk, &r.per, f)
	}
	n = r.per.Len()
	switch q {
	case PeriodMS:
		return n, pairs(func(_, t int64) float64 { return ms(float64(t)) }), r.xPeriod.each(ms), true
	case RateIPM:
		return n, pairs(func(_, t int64) float64 { return 60e9 / float64(t) }), r.xPeriod.each(func(v float64) float64 { return 60e9 / v }).swap(), true
	case BreakPercent:
		return n, pairs(percent), r.xPercent, true
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
func everyOther(seg []Durations, from int) (s []durationStore) {
	for i := from; i < len(seg); i += 2 {
		s = append(s, &seg[i])
	}
	return s
}
