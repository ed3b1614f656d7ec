package pulse

import (
	"math"
	"math/big"
	"math/bits"
	"slices"

	"gonum.org/v1/gonum/dsp/fourier"
)

const (
	// mostHarmonics of a shaft are tried: a jerk once a turn has all alike, and a few
	// are enough to see it.
	mostHarmonics = 6
	// toothPart is how large every harmonic of a jerk must be beside the first order
	// at least: in a short jerk they are equal, in a gear out of centre there are
	// none.
	toothPart = 0.4
	// certainPart is how large one of them may be at most for a gear out of centre to
	// be sure: less than in a jerk.
	certainPart = 0.7
	// mostUnlisted are told.
	mostUnlisted = 5
	// slowBlock is the longest block for what is not listed, in turns: slower than
	// once in 50 turns a swing is hardly told from a wandering speed.
	slowBlock = 150
	// slowStep is by how much the blocks grow: over so little the noise of a wandering
	// speed is still bent to the orders that are looked at.
	slowStep = 4
	// floorBins of the padded spectrum tell the noise around an order: 64 that are
	// independent.
	floorBins = 128
	// floorFreedom is for how many independent powers the median of those counts:
	// it has 48 % of the efficiency of their mean.
	floorFreedom = 31
	// mostSpan bounds the length of the transform.
	mostSpan = 1 << 22
)

// A spectralLine is one order that was fitted or tried.
type spectralLine struct {
	apparent, order float64
	*swing
	shaft  string // whose own order it is, or whose harmonic when it was found; else empty
	fitted bool   // it is a shaft's own
}

// A driveSearch tries what a shaft's fault would add to its sinusoid, and then all
// other orders.
type driveSearch struct {
	t     *DriveTrain
	f     *driveFit
	lobes float64
	near  float64 // orders that close are one
	lines []*spectralLine
}

// search makes all false alarms those of all the candidates together.
func (t *DriveTrain) search(f *driveFit, d *Drive, turns []*big.Rat, plans []plan, judged []*judgement) {
	s := &driveSearch{t: t, f: f, lobes: float64(d.Lobes), near: 1.5 / f.turns} // the width of a line is 1/turns
	for _, j := range judged {
		x := &t.Shafts[j.shaft]
		order := float64(x.TurnsPerCamTurn)
		s.lines = append(s.lines, &spectralLine{folded(order, s.lobes), order, j.swing, x.Name, true})
	}
	for _, e := range f.extra {
		if e.swing != nil {
			s.lines = append(s.lines, &spectralLine{folded(e.order, s.lobes), e.order, e.swing, "", true})
		}
	}
	f.last = s
	harmonics := s.harmonics(judged)
	meshes := s.meshes(d, turns)
	t.Tried = len(s.lines)
	s.kinds(judged, harmonics)
	s.together(judged)
	if g := s.struck(turns); g != nil {
		g.extra = f.extra
		t.shares(g, plans)
	} else {
		t.shares(f, plans)
	}
	for i := range t.Shafts {
		x := &t.Shafts[i]
		if x.FalseAlarm.OK {
			x.FalseAlarm = s.falseAlarm(x.FalseAlarm.V)
		}
		if !x.Found() {
			x.Kind = SwingNone
		}
	}
	for _, l := range s.lines {
		if !l.fitted && s.found(l) && s.jerk(l.order) != nil {
			f.subtract(l.order, l.swing)
		}
	}
	for _, fill := range meshes {
		fill()
	}
	s.unlisted(d, turns)
}

// together fits the shafts anew with all that was found beside them: the
// polynomials of the blocks make more orders of a strong one.
func (s *driveSearch) together(judged []*judgement) {
	f, t := s.f, s.t
	orders := slices.Clone(f.orders)
	var found []*spectralLine
	for _, l := range s.lines {
		if !l.fitted && s.found(l) && s.jerk(l.order) == nil { // a jerk has too many orders
			found = append(found, l)
			orders = append(orders, l.order)
		}
	}
	if len(found) == 0 {
		return
	}
	own, shafts := len(f.orders), len(f.orders)-len(f.extra)
	f.run(f.block, f.degree, orders)
	swings := f.swings()
	for i, l := range found {
		if w := swings[own+i]; w != nil {
			*l.swing = *w
		} else {
			l.swing.p = 1 // it is made up of the others
		}
	}
	f.judgeExtra(swings, shafts)
	for _, j := range judged {
		x := &t.Shafts[j.shaft]
		w := swings[slices.Index(orders, float64(x.TurnsPerCamTurn))]
		if w == nil || j.block != f.block {
			continue
		}
		*j.swing = *w
		for i := range t.Shafts {
			if y := &t.Shafts[i]; x == y || y.AmplitudeMS.OK && slices.Contains(y.IndistinguishableFrom, x.Name) {
				t.tell(y, w, float64(x.TurnsPerCamTurn), f)
			}
		}
	}
}

func (s *driveSearch) falseAlarm(p float64) Num {
	return Known(max(ofMany(p, s.t.Tried), leastFalseAlarm))
}

func (s *driveSearch) found(l *spectralLine) bool { return s.falseAlarm(l.p).V < foundBelow }

// try gives the line of an order, which may be that of another one whose openings
// and closings look like it; nil where lobes or the wander of the speed would hide it.
func (s *driveSearch) try(order float64) *spectralLine {
	apparent := folded(order, s.lobes)
	if math.Abs(apparent-math.Round(apparent)) < s.near || apparent*float64(s.f.block) < shortCycles {
		return nil
	}
	for _, l := range s.lines {
		if math.Abs(l.apparent-apparent) < s.near && s.f.alike(l.order, order) > 1-ownPart {
			return l
		}
	}
	w := s.f.line(order)
	if w == nil {
		return nil
	}
	l := &spectralLine{apparent: apparent, order: order, swing: w}
	s.lines = append(s.lines, l)
	return l
}

// harmonics tries those of the shafts that swing.
func (s *driveSearch) harmonics(judged []*judgement) [][]*spectralLine {
	all := make([][]*spectralLine, len(judged))
	for i, j := range judged {
		if ofMany(j.p, len(judged)) >= foundBelow {
			continue
		}
		for h := 2; h <= mostHarmonics; h++ {
			l := s.try(float64(h) * float64(s.t.Shafts[j.shaft].TurnsPerCamTurn))
			if l == nil || l.swing == j.swing || slices.Contains(all[i], l) {
				continue
			}
			all[i] = append(all[i], l)
			if l.shaft == "" && ofMany(l.p, len(judged)+mostHarmonics) < foundBelow {
				l.shaft = s.t.Shafts[j.shaft].Name
			}
		}
	}
	return all
}

// kinds tells gears out of centre from bad teeth.
func (s *driveSearch) kinds(judged []*judgement, harmonics [][]*spectralLine) {
	t := s.t
	for i, j := range judged {
		x := &t.Shafts[j.shaft]
		if s.falseAlarm(j.p).V >= foundBelow {
			continue
		}
		x.Kind = SwingUnclear
		jerk, own, none := len(harmonics[i]) > 0, false, false
		for _, l := range harmonics[i] {
			own = own || !l.fitted
			jerk = jerk && s.found(l) && l.amplitude() >= toothPart*j.amplitude()
			_, high := l.interval()
			none = none || !l.fitted && high < certainPart*j.amplitude()
		}
		switch {
		case jerk && own:
			x.Kind = SwingTooth
		case none:
			x.Kind = SwingEccentric
		}
	}
	for i, j := range judged { // one jerk that looks like another's
		x := &t.Shafts[j.shaft]
		for k, other := range judged {
			y := &t.Shafts[other.shaft]
			if i == k || x.Kind != SwingTooth || !s.jerksAt(x, float64(y.TurnsPerCamTurn)) {
				continue
			}
			if y.Kind == SwingTooth || s.jerksAt(y, float64(x.TurnsPerCamTurn)) {
				x.SameJerkAs = append(x.SameJerkAs, y.Name)
			}
		}
	}
	for i := range t.Shafts { // shafts that cannot be told from another
		x := &t.Shafts[i]
		for _, j := range judged {
			if y := &t.Shafts[j.shaft]; x != y && y.Kind != SwingNone && slices.Contains(x.IndistinguishableFrom, y.Name) {
				x.Kind, x.SameJerkAs = y.Kind, y.SameJerkAs
			}
		}
	}
}

// jerksAt tells whether a jerk once a turn of a shaft has, to the openings, an
// order too.
func (s *driveSearch) jerksAt(x *ShaftSwing, order float64) bool {
	const most = 360 // harmonics: those of a jerk that lasts a degree
	at := folded(order, s.lobes)
	for h := 1; h <= most; h++ {
		if math.Abs(folded(float64(h)*float64(x.TurnsPerCamTurn), s.lobes)-at) < s.near {
			return true
		}
	}
	return false
}

// ofJerk tells whether the jerk of a bad tooth makes an apparent order, by itself
// or by what the polynomials of the blocks make of it.
func (s *driveSearch) ofJerk(order float64) bool {
	for m := range s.f.block + 1 {
		beside := float64(m) / float64(s.f.block)
		if s.jerk(order+beside) != nil || s.jerk(order-beside) != nil {
			return true
		}
	}
	return false
}

// jerk gives the shafts with a bad tooth whose jerk has an order too.
func (s *driveSearch) jerk(order float64) (names []string) {
	for i := range s.t.Shafts {
		if x := &s.t.Shafts[i]; x.Kind == SwingTooth && s.jerksAt(x, order) {
			names = append(names, x.Name)
		}
	}
	return names
}

// meshes tries orders once per tooth, and beside that once per turn of either
// wheel. What it gives fills in the results.
func (s *driveSearch) meshes(d *Drive, turns []*big.Rat) (fill []func()) {
	t := s.t
	t.Meshes = make([]MeshSwing, len(d.Shafts)-1)
	for i, shaft := range d.Shafts[1:] {
		r := new(big.Rat).Mul(turns[i+1], big.NewRat(int64(shaft.OwnTeeth), 1))
		x, _ := r.Float64()
		m := &t.Meshes[i]
		*m = MeshSwing{Driving: shaft.From, Driven: shaft.Name, TurnsPerCamTurn: Rounded(x), Sight: seenAt(r, d.Lobes).sight, SeenLike: []string{}, Sidebands: []Sideband{}}
		if l := s.try(x); l != nil && l.shaft != "" {
			m.SeenLike = append(m.SeenLike, l.shaft)
		} else if l != nil {
			fill = append(fill, func() {
				if names := s.jerk(x); names != nil {
					m.SeenLike = append(m.SeenLike, names...)
					return
				}
				m.AmplitudeMS, m.FalseAlarm = Known(ms(l.amplitude())), s.falseAlarm(l.p)
			})
		}
		for _, j := range []int{d.index(shaft.From), i + 1} {
			own, _ := turns[j].Float64()
			for _, order := range []float64{x - own, x + own} {
				if order <= 0 {
					continue
				}
				if l := s.try(order); l != nil && l.shaft == "" {
					fill = append(fill, func() {
						if s.found(l) && s.jerk(order) == nil {
							m.Sidebands = append(m.Sidebands, Sideband{d.Shafts[j].Name, Rounded(order), Known(ms(l.amplitude())), s.falseAlarm(l.p)})
						}
					})
				}
			}
		}
	}
	return fill
}

// alike tells how much two orders that look alike to the openings do so to all the
// edges, from 0 to 1: the square of their correlation.
func (f *driveFit) alike(a, b float64) (most float64) {
	for _, order := range []float64{a - b, a + b} { // the one turns forwards or backwards against the other
		var cos, sin, n float64
		for _, s := range f.series {
			for _, angle := range s.seen {
				si, co := math.Sincos(2 * math.Pi * order * angle)
				cos, sin, n = cos+co, sin+si, n+1
			}
		}
		most = max(most, (cos*cos+sin*sin)/(n*n))
	}
	return most
}

// folded is the order that one seems to have among evenly spaced openings.
func folded(order, lobes float64) float64 {
	return math.Abs(order - lobes*math.Round(order/lobes))
}

// subtract takes a swing from what is left of the edges, and again the polynomials
// that had followed it.
func (f *driveFit) subtract(order float64, c *swing) {
	for _, s := range f.series {
		w := newWheel(s, order)
		f.each(s, func(b block) {
			if !f.fill(b) {
				return
			}
			for i := range f.y {
				cos, sin := w.at(s.turn(b.from+i), s.lobe(b.from+i))
				f.y[i] = float64(s.e[b.from+i]) - c.cos*cos - c.sin*sin
			}
			f.rest(b)
		})
	}
}

// unlisted looks at all orders from what the polynomials leave to half the lobes,
// but for those taken and those of the lobes. The openings' spectrum shows the
// orders, closings tell which of those that look alike it is.
func (d *driveSearch) unlisted(drive *Drive, turns []*big.Rat) {
	t, f, s, near := d.t, d.f, d.f.series[0], d.near
	var taken []float64
	for _, l := range d.lines {
		if l.fitted || d.found(l) {
			taken = append(taken, l.apparent)
		}
	}
	for _, x := range f.slow {
		taken = append(taken, folded(x.order, d.lobes))
	}
	span := int(s.n[len(s.n)-1]) + 1
	if len(s.g.ll) == 0 || span > mostSpan || span < 4*s.lobes {
		return
	}
	L := float64(s.lobes)
	size := 1 << bits.Len(uint(2*span-1))
	from := shortCycles * 1.2 / float64(f.block) // 20 % beyond where a polynomial begins to follow
	step := L / float64(size)                    // order between neighbours in the spectrum
	first := int(math.Ceil(from / step))
	fft := fourier.NewFFT(size)
	seq := make([]float64, size)
	var coeff []complex128
	free := func(order float64) bool {
		if math.Abs(order-math.Round(order)) < near || d.ofJerk(order) {
			return false
		}
		return !slices.ContainsFunc(taken, func(x float64) bool { return math.Abs(x-order) < 4*near/3 })
	}
	// Orders a turn apart by less than 1/turns are not independent; looking twice as
	// fine tries about twice as many.
	tries := int(2*float64(size/2-first)*step*f.turns) + t.Tried
	t.SearchedFrom, t.SearchedTo = Known(min(from, f.slowFrom())), Known(L/2)
	for _, x := range f.slow {
		if !x.listed && !x.quiet && d.jerk(x.order) == nil {
			u := d.turn(x.order, x.alike, x.swing, x.alarm, drive, turns)
			u.Share = x.share
			t.Unlisted = append(t.Unlisted, u)
		}
	}
	for _, e := range f.extra {
		if e.swing == nil {
			continue
		}
		e.alarm = max(e.found, ofMany(e.swing.p, tries), leastFalseAlarm)
		if e.alarm < foundBelow {
			u := d.turn(e.order, e.alike, e.swing, e.alarm, drive, turns)
			u.Share = e.share
			t.Unlisted = append(t.Unlisted, u)
		}
	}
	for len(t.Unlisted) < mostUnlisted {
		clear(seq)
		for i, e := range s.e {
			seq[s.n[i]] = float64(s.w[i]) * float64(e)
		}
		coeff = fft.Coefficients(coeff, seq)
		power := make([]float64, size/2+1)
		for i := range power {
			re, im := real(coeff[i]), imag(coeff[i])
			power[i] = re*re + im*im
		}
		floor := noiseFloor(power, first)
		best, bestP := 0.0, 1.0
		for i := max(first, 1); i < size/2; i++ {
			if power[i] < power[i-1] || power[i] < power[i+1] {
				continue
			}
			// F with 2 and 2·floorFreedom degrees of freedom.
			p := math.Pow(1+power[i]/floor(i)/floorFreedom, -floorFreedom)
			if p < bestP && free(float64(i)*step) {
				at := float64(i)
				a, b, c := power[i-1], power[i], power[i+1]
				if bend := a - 2*b + c; bend < 0 {
					at += (a - c) / 2 / bend
				}
				best, bestP = at*step, p
			}
		}
		if bestP == 1 {
			return
		}
		order, w, alike := f.whichOrder(f.peak(best, step), L)
		if w == nil {
			return
		}
		alarm := max(ofMany(max(bestP, w.p), tries), leastFalseAlarm)
		if alarm >= foundBelow {
			return
		}
		t.Unlisted = append(t.Unlisted, d.turn(order, alike, w, alarm, drive, turns))
		f.more = append(f.more, &extraTurn{order: order, alike: alike, found: alarm, swing: w})
		f.subtract(order, w)
		taken = append(taken, best)
	}
}

// A slowTurn is something too slow for the blocks of the faster shafts, found in
// longer ones.
type slowTurn struct {
	order float64
	*swing
	listed bool // it is a shaft
	alike  []float64
	alarm  float64
	quiet  bool // it is of a shaft's harmonics or teeth
	off    bool // taken off the times at present
	share  Num
}

// slowLevels are the blocks, longest last, in which f looks for what is slower
// than blocks of base turns show.
func (f *driveFit) slowLevels(base int) (blocks []int) {
	most := min(slowBlock, int(f.turns/leastBlocks))
	for b := base; b < most; {
		b = min(b*slowStep, most)
		blocks = append(blocks, b)
	}
	return blocks
}

// slowFrom is the slowest order that was looked for in long blocks.
func (f *driveFit) slowFrom() float64 {
	if f.slowest == 0 {
		return math.Inf(1)
	}
	return shortCycles * 1.2 / float64(f.slowest)
}

// seekSlow looks for what is not listed and turns too slowly for the blocks of the
// shafts, the slowest first. What is found is taken off from then on.
func (f *driveFit) seekSlow(t *DriveTrain, d *Drive, turns []*big.Rat) {
	if len(f.series) == 0 || f.series[0].n[len(f.series[0].n)-1] >= mostSpan {
		return
	}
	plans := newDriveTrain(d).plans(f, d, turns)
	short := f.plan(float64(d.Lobes)/2, d.Lobes)
	base := max(short.block, int(math.Ceil(short.least)))
	var orders []float64
	for _, p := range byShaft(plans) {
		orders = append(orders, float64(t.Shafts[p.shaft].TurnsPerCamTurn))
		base = max(base, p.block)
	}
	levels := append([]int{base}, f.slowLevels(base)...)
	near, L := 1.5/f.turns, float64(d.Lobes)
	var shafts, other []float64 // the orders of these, and of what they may make
	for i := range d.Shafts {
		r, _ := turns[i].Float64()
		shafts = append(shafts, folded(r, L))
		for h := 2; h <= mostHarmonics; h++ {
			other = append(other, folded(float64(h)*r, L))
		}
		if i > 0 {
			mesh := r * float64(d.Shafts[i].OwnTeeth)
			from, _ := turns[d.index(d.Shafts[i].From)].Float64()
			for _, o := range []float64{mesh, mesh - r, mesh + r, mesh - from, mesh + from} {
				other = append(other, folded(o, L))
			}
		}
	}
	is := func(all []float64, order float64) bool {
		return slices.ContainsFunc(all, func(x float64) bool { return math.Abs(x-order) < 4*near/3 })
	}
	for k := len(levels) - 1; k > 0; k-- {
		block, from, to := levels[k], shortCycles*1.2/float64(levels[k]), min(longCycles/float64(levels[k-1]), L/2)
		f.slowest = max(f.slowest, block)
		f.takeOff(block)
		f.run(block, longDegree, orders)
		before := len(f.slow)
		var tried []float64
		for len(f.slow)-before < mostUnlisted {
			best, p, step := f.slowPeak(block, from, to, func(order float64) bool {
				return math.Abs(order-math.Round(order)) >= near && !is(shafts, order) && !is(tried, order) &&
					!(is(other, order) && order*float64(base) >= shortCycles) // that is tried later
			})
			if best == 0 {
				break
			}
			tried = append(tried, best)
			order, w, alike := f.whichOrder(f.peak(best, step), L)
			if w == nil {
				break
			}
			x := &slowTurn{order: order, swing: w, alike: alike, quiet: is(other, best)}
			// Among all orders, looked at twice as fine as they are independent.
			if x.alarm = max(ofMany(max(p, w.p), int(L*f.turns)), leastFalseAlarm); x.alarm >= foundBelow {
				break
			}
			f.slow = append(f.slow, x)
			f.subtract(order, w)
		}
		if found := f.slow[before:]; len(found) > 0 {
			together := slices.Clone(orders)
			for _, x := range found {
				together = append(together, x.order)
			}
			f.run(block, longDegree, together)
			swings := f.swings()
			kept := f.slow[:before:before]
			for i, x := range found {
				if w := swings[len(orders)+i]; w != nil && ofMany(w.p, int(L*f.turns)) < foundBelow {
					x.swing = w
					kept = append(kept, x)
				}
			}
			f.slow = kept
		}
	}
	if len(f.slow) == 0 {
		return
	}
	found := f.slow
	f.slow = nil
	f.seek(t, d, turns)
	f.extra, f.more = nil, nil
	if f.last != nil {
		found = slices.DeleteFunc(found, f.last.makes)
	}
	f.slow = found
}

// makes tells whether a jerk, or something stronger that was found of harmonics
// and teeth, makes a slow swing: uneven lobes turn one order into others that are
// whole turns of the cam away.
func (d *driveSearch) makes(x *slowTurn) bool {
	if d.ofJerk(x.order) {
		return true
	}
	return slices.ContainsFunc(d.lines, func(l *spectralLine) bool {
		return !l.fitted && d.found(l) && l.amplitude() > x.amplitude() && math.Abs(folded(l.order, 1)-folded(x.order, 1)) < 2*d.near
	})
}

// slowPeak gives the place of the spectrum of what is left, from one order to
// another, that stands out most of its neighbours, and the probability that noise
// does so; 0 without one.
func (f *driveFit) slowPeak(block int, from, to float64, free func(float64) bool) (best, bestP, step float64) {
	s := f.series[0]
	span := int(s.n[len(s.n)-1]) + 1
	size := 1 << bits.Len(uint(2*span-1))
	step = float64(s.lobes) / float64(size)
	seq := make([]float64, size)
	for i, e := range s.e {
		seq[s.n[i]] = float64(s.w[i]) * float64(e)
	}
	coeff := fourier.NewFFT(size).Coefficients(nil, seq)
	power := func(i int) float64 {
		re, im := real(coeff[i]), imag(coeff[i])
		return re*re + im*im
	}
	bestP = 1
	cells := float64(size) / float64(span) // places to an independent one
	lowest := int(math.Ceil(shortCycles / float64(block) / step))
	var around []float64
	for i := max(int(math.Ceil(from/step)), 1); i < min(int(to/step), size/2); i++ {
		p := power(i)
		if p < power(i-1) || p < power(i+1) || !free(float64(i)*step) {
			continue
		}
		// A wandering speed's noise falls steeply, so the neighbours are near.
		around = around[:0]
		for j := max(lowest, i*2/3, i-floorBins); j <= min(i*3/2, i+floorBins, size/2); j++ {
			around = append(around, power(j))
		}
		slices.Sort(around)
		median := max(around[len(around)/2], math.SmallestNonzeroFloat64)
		freedom := float64(floorFreedom) * float64(len(around)) / cells / (floorBins / 2)
		if x := math.Pow(1+p*math.Ln2/median/freedom, -freedom); x < bestP {
			best, bestP = float64(i)*step, x
		}
	}
	return best, bestP, step
}

// takeSlow keeps the shafts that were found in longer blocks.
func (f *driveFit) takeSlow(t *DriveTrain, found []*judgement) {
	for _, j := range found {
		if ofMany(j.p, len(t.Shafts)) < foundBelow {
			f.slow = append(f.slow, &slowTurn{order: float64(t.Shafts[j.shaft].TurnsPerCamTurn), swing: j.swing, listed: true})
		}
	}
}

// takeOff takes from the times the slow swings that blocks of so many turns would
// bend: their polynomials would make swings of other orders of them.
func (f *driveFit) takeOff(block int) {
	lobes := 0.0
	if len(f.series) > 0 {
		lobes = float64(f.series[0].lobes)
	}
	any := false
	for _, x := range f.slow {
		x.off = !x.listed || folded(x.order, lobes)*float64(block) < longCycles
		any = any || x.off
	}
	for _, s := range f.series {
		if s.less = nil; !any {
			continue
		}
		if s.seen == nil {
			s.seen = slices.Clone(s.angle)
		}
		s.less = make([]float32, len(s.n))
		for _, x := range f.slow {
			if !x.off {
				continue
			}
			w := newWheel(s, x.order)
			for i := range s.less {
				cos, sin := w.at(s.turn(i), s.lobe(i))
				s.less[i] += float32(x.cos*cos + x.sin*sin)
			}
		}
	}
}

// phaseOf gives the phase, in degrees, that the swing of one order has as one of
// another that looks like it: its turns may go the other way.
func (f *driveFit) phaseOf(phase, order, own float64) float64 {
	if order != own {
		sum := func(d float64) (cos, sin float64) {
			for _, s := range f.series {
				w := newWheel(s, d)
				for i := range s.n {
					c, sn := w.at(s.turn(i), s.lobe(i))
					cos, sin = cos+float64(s.w[i])*c, sin+float64(s.w[i])*sn
				}
			}
			return cos, sin
		}
		c1, s1 := sum(order - own)
		c2, s2 := sum(order + own)
		if math.Hypot(c1, s1) >= math.Hypot(c2, s2) {
			phase += math.Atan2(s1, c1)
		} else {
			// sin(x + φ) = sin(π − φ − x), and x is some turns less the shaft's own.
			phase = math.Pi - phase - math.Atan2(s2, c2)
		}
	}
	return math.Mod(math.Mod(phase*180/math.Pi, 360)+360, 360)
}

// noiseFloor gives the mean power of the noise around each place of a spectrum,
// from the medians of stretches of it. Half of an exponential distribution is
// below ln 2 of its mean.
func noiseFloor(power []float64, first int) func(i int) float64 {
	n := max((len(power)-first)/floorBins, 1)
	logs, centres := make([]float64, n), make([]float64, n)
	var sample []float64
	for k := range n {
		from, to := first+k*(len(power)-first)/n, first+(k+1)*(len(power)-first)/n
		sample = append(sample[:0], power[from:to]...)
		slices.Sort(sample)
		median := math.SmallestNonzeroFloat64
		if len(sample) > 0 {
			median = max(sample[len(sample)/2], median)
		}
		logs[k], centres[k] = math.Log(median/math.Ln2), float64(from+to)/2
	}
	return func(i int) float64 {
		x := float64(i)
		k, _ := slices.BinarySearch(centres, x)
		switch {
		case k == 0:
			return math.Exp(logs[0])
		case k == n:
			return math.Exp(logs[n-1])
		}
		part := (x - centres[k-1]) / (centres[k] - centres[k-1])
		return math.Exp(logs[k-1] + part*(logs[k]-logs[k-1]))
	}
}

// whichOrder tells, of the orders that look like an apparent one, which explains
// openings and closings best, and which others do nearly as well.
func (f *driveFit) whichOrder(apparent, lobes float64) (order float64, w *swing, alike []float64) {
	type candidate struct {
		order float64
		*swing
	}
	var all []candidate
	for _, o := range []float64{apparent, lobes - apparent, lobes + apparent} {
		if s := f.line(o); s != nil {
			all = append(all, candidate{o, s})
		}
	}
	best := -1
	for i := range all {
		if best < 0 || all[i].power > all[best].power*(1+1e-9) {
			best = i
		}
	}
	if best < 0 {
		return 0, nil, nil
	}
	// Twice the logarithm of a hundred to one.
	const sure = 9.2
	for i := range all {
		if i != best && all[best].power-all[i].power < sure*all[best].size {
			alike = append(alike, all[i].order)
		}
	}
	return all[best].order, all[best].swing, alike
}
