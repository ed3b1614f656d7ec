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
	// toothPart is how large the harmonics of a jerk must be beside the first order
	// at least: in a short jerk they are equal, in a gear out of centre there are
	// none.
	toothPart = 0.4
	// certainPart is how large they may be at most for a gear out of centre to be
	// sure: less than in a jerk.
	certainPart = 0.7
	// mostUnlisted are told.
	mostUnlisted = 5
	// floorBins of the padded spectrum tell the noise around an order: 64 that are
	// independent.
	floorBins = 128
	// floorFreedom is for how many independent powers the median of those counts:
	// it has 48 % of the efficiency of their mean.
	floorFreedom = 31
	// mostSpan bounds the length of the transform.
	mostSpan = 1 << 22
)

// search tries what a shaft's fault would add to its sinusoid, and then all other
// orders. It makes all false alarms those of all the candidates together.
func (t *DriveTrain) search(f *driveFit, d *Drive, turns []*big.Rat, plans []plan, judged []*judgement) {
	L := float64(d.Lobes)
	near := 1.5 / f.turns // orders that close are one (1/turns is the width of a line)
	var taken []float64   // apparent orders
	names := map[float64]string{}
	for _, p := range plans {
		s := &t.Shafts[p.shaft]
		if s.AmplitudeMS.OK {
			taken = append(taken, p.apparent)
			names[p.apparent] = s.Name
		}
	}
	free := func(order float64) (apparent float64, like []string, ok bool) {
		apparent = folded(order, L)
		if math.Abs(apparent-math.Round(apparent)) < near || apparent*float64(f.block) < shortCycles {
			return apparent, nil, false
		}
		ok = true
		for _, x := range taken {
			if math.Abs(x-apparent) < near {
				ok = false
				if n := names[x]; n != "" {
					like = append(like, n)
				}
			}
		}
		return apparent, like, ok
	}
	type candidate struct {
		order float64
		*swing
		shaft string
	}
	try := func(order float64, shaft string) *candidate {
		apparent, _, ok := free(order)
		if !ok {
			return nil
		}
		w := f.line(order)
		if w == nil {
			return nil
		}
		taken = append(taken, apparent)
		t.Tried++
		return &candidate{order, w, shaft}
	}
	clean := len(f.series) > 0 && len(f.series[0].g.ll) > 0
	if !clean {
		return
	}

	// Harmonics of the shafts that swing.
	harmonics := make([][]*candidate, len(judged))
	for i, j := range judged {
		if ofMany(j.p, len(judged)) >= foundBelow {
			continue
		}
		for h := 2; h <= mostHarmonics; h++ {
			if c := try(float64(h)*float64(t.Shafts[j.shaft].TurnsPerCamTurn), ""); c != nil {
				harmonics[i] = append(harmonics[i], c)
			}
		}
		for _, c := range harmonics[i] {
			apparent := folded(c.order, L)
			if ofMany(c.p, len(judged)+mostHarmonics) < foundBelow {
				names[apparent] = t.Shafts[j.shaft].Name
			} else { // others may have it
				taken = slices.DeleteFunc(taken, func(x float64) bool { return x == apparent })
			}
		}
	}
	// Once per tooth, and beside that once per turn of either wheel.
	bands := make([][]*candidate, 0, len(d.Shafts))
	mesh := make([]*candidate, 0, len(d.Shafts))
	for i, s := range d.Shafts[1:] {
		r := new(big.Rat).Mul(turns[i+1], big.NewRat(int64(s.OwnTeeth), 1))
		x, _ := r.Float64()
		m := MeshSwing{Driving: s.From, Driven: s.Name, TurnsPerCamTurn: Rounded(x), Sight: seenAt(r, d.Lobes).sight, SeenLike: []string{}, Sidebands: []Sideband{}}
		if _, like, _ := free(x); like != nil {
			m.SeenLike = like
		}
		mesh = append(mesh, try(x, ""))
		var side []*candidate
		for _, j := range []int{d.index(s.From), i + 1} {
			own, _ := turns[j].Float64()
			for _, order := range []float64{x - own, x + own} {
				if order > 0 {
					side = append(side, try(order, d.Shafts[j].Name))
				}
			}
		}
		bands = append(bands, side)
		t.Meshes = append(t.Meshes, m)
	}
	falseAlarm := func(p float64) Num { return Known(max(ofMany(p, t.Tried), leastFalseAlarm)) }
	for i := range t.Shafts {
		if s := &t.Shafts[i]; s.FalseAlarm.OK {
			s.FalseAlarm = falseAlarm(s.FalseAlarm.V)
		}
	}
	found := func(c *candidate) bool { return falseAlarm(c.p).V < foundBelow }
	for i, j := range judged {
		s := &t.Shafts[j.shaft]
		if !s.Found() {
			continue
		}
		s.Kind = SwingUnclear
		squares, most, sure := 0.0, 0.0, 0
		for _, c := range harmonics[i] {
			squares += c.amplitude() * c.amplitude()
			_, high := c.interval()
			most = max(most, high)
			if found(c) {
				sure++
				f.subtract(c.order, c.swing)
			}
		}
		if n := float64(len(harmonics[i])); n > 0 {
			switch mean := math.Sqrt(squares / n); {
			case sure > 0 && mean >= toothPart*j.amplitude():
				s.Kind = SwingTooth
			case sure > 0 || most < certainPart*j.amplitude():
				s.Kind = SwingEccentric
			}
		}
	}
	for i := range t.Shafts { // those that look like it
		s := &t.Shafts[i]
		for _, j := range judged {
			if k := &t.Shafts[j.shaft]; s != k && s.Found() && slices.Contains(s.IndistinguishableFrom, k.Name) {
				s.Kind = k.Kind
			}
		}
	}
	for i := range t.Meshes {
		m := &t.Meshes[i]
		if c := mesh[i]; c != nil {
			m.AmplitudeMS, m.FalseAlarm = Known(ms(c.amplitude())), falseAlarm(c.p)
			if found(c) {
				f.subtract(c.order, c.swing)
			}
		}
		for _, c := range bands[i] {
			if c != nil && found(c) {
				f.subtract(c.order, c.swing)
				m.Sidebands = append(m.Sidebands, Sideband{c.shaft, Rounded(c.order), Known(ms(c.amplitude())), falseAlarm(c.p)})
			}
		}
	}
	t.unlisted(f, taken, near)
}

// folded is the order that one seems to have among evenly spaced openings.
func folded(order, lobes float64) float64 {
	return math.Abs(order - lobes*math.Round(order/lobes))
}

// subtract takes a swing from what is left of the edges.
func (f *driveFit) subtract(order float64, c *swing) {
	for _, s := range f.series {
		w := newWheel(s, order)
		for i := range s.e {
			if s.w[i] > 0 {
				cos, sin := w.at(s.turn(i), s.lobe(i))
				s.e[i] -= float32(c.cos*cos + c.sin*sin)
			}
		}
	}
}

// unlisted looks at all orders from what the polynomials leave to half the lobes,
// but for those taken and those of the lobes. The openings' spectrum shows the
// orders, closings tell which of those that look alike it is.
func (t *DriveTrain) unlisted(f *driveFit, taken []float64, near float64) {
	s := f.series[0]
	span := int(s.n[len(s.n)-1]) + 1
	if span > mostSpan || span < 4*s.lobes {
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
		if math.Abs(order-math.Round(order)) < near {
			return false
		}
		return !slices.ContainsFunc(taken, func(x float64) bool { return math.Abs(x-order) < 4*near/3 })
	}
	// Orders a turn apart by less than 1/turns are not independent; looking twice as
	// fine tries about twice as many.
	tries := int(2*float64(size/2-first)*step*f.turns) + t.Tried
	for range mostUnlisted {
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
			if power[i] < power[i-1] || power[i] < power[i+1] || !free(float64(i)*step) {
				continue
			}
			// F with 2 and 2·floorFreedom degrees of freedom.
			p := math.Pow(1+power[i]/floor(i)/floorFreedom, -floorFreedom)
			if p < bestP {
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
		order, w, alike := f.whichOrder(best, L)
		if w == nil {
			return
		}
		alarm := max(ofMany(max(bestP, w.p), tries), leastFalseAlarm)
		if alarm >= foundBelow {
			return
		}
		u := UnlistedTurn{TurnsPerCamTurn: Rounded(order), AmplitudeMS: Known(ms(w.amplitude())), FalseAlarm: Known(alarm), OrTurnsPerCamTurn: []Rounded{}}
		for _, x := range alike {
			u.OrTurnsPerCamTurn = append(u.OrTurnsPerCamTurn, Rounded(x))
		}
		t.Unlisted = append(t.Unlisted, u)
		f.subtract(order, w)
		taken = append(taken, best)
	}
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
