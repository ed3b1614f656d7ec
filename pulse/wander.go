package pulse

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// A difference of two means is as sure as the noise of each. White noise, flicker
// and a random walk of the speed look much alike over a short time, and make means
// uncertain in very different ways: that of n white values by 1/√n, that of a
// flicker hardly less the longer one looks, that of a walk more. So no single
// estimate of serial correlation will do. Here each kind and mixtures of two are
// models. How well a model explains the batch means within the stretches is its
// weight (restricted likelihood: D. A. Harville, J. Am. Stat. Assoc. 72, 1977, with
// the scale of each stretch integrated out under Jeffreys' prior), and the
// difference has the mixture of the distributions that the models give it, each
// Student's t with the degrees of freedom of B. L. Welch, Biometrika 34, 1947. With
// white noise alone that is Welch's test of the batch means.

// A noiseKind is a power law of noise: that of a clock's frequency in NIST SP 1065.
type noiseKind uint8

const (
	whitePhase noiseKind = iota // jitter of the openings: what a period gains, the next one loses
	white
	flicker
	walk

	noiseKinds = iota
)

// A batch is the mean of the values numbered from (inclusive) to (exclusive) of a
// stretch.
type batch struct {
	from, to float64
	mean     float64
}

func (b *batch) n() float64 { return b.to - b.from }

// covariance of the means of two batches of one stretch. That of flicker and walk
// is so but for a constant, which leaves differences alone.
func (k noiseKind) covariance(a, b *batch) float64 {
	same := a == b
	switch k {
	case whitePhase:
		switch {
		case same:
			return 2 / (a.n() * a.n())
		case a.to == b.from || b.to == a.from:
			return -1 / (a.n() * b.n())
		}
	case white:
		if same {
			return 1 / a.n()
		}
	case flicker:
		return -logDistance(a.from, a.to, b.from, b.to)
	case walk:
		if same {
			return a.from + a.n()/3
		}
		return (math.Min(a.from, b.from) + math.Min(a.to, b.to)) / 2
	}
	return 0
}

// logDistance is the mean of ln|s − t| over s in one interval and t in another.
func logDistance(a0, a1, b0, b1 float64) float64 {
	g := func(x float64) float64 { // its second integral
		if x == 0 {
			return 0
		}
		return x * x * (math.Log(math.Abs(x))/2 - 0.75)
	}
	return (g(a1-b0) - g(a0-b0) - g(a1-b1) + g(a0-b1)) / ((a1 - a0) * (b1 - b0))
}

// shares gives the parts of the variance of mean 2 less mean 1 that come from each
// of two stretches of n1 and n2 values, gap values apart.
func (k noiseKind) shares(n1, n2, gap float64) (v [2]float64) {
	switch k {
	case whitePhase:
		return [2]float64{2 / (n1 * n1), 2 / (n2 * n2)}
	case white:
		return [2]float64{1 / n1, 1 / n2}
	case walk:
		return [2]float64{n1/3 + gap/2, n2/3 + gap/2}
	}
	half := logDistance(0, n1, n1+gap, n1+gap+n2) - (logDistance(0, n1, 0, n1)+logDistance(0, n2, 0, n2))/2
	return [2]float64{half, half}
}

// A noiseModel is a mixture: the share of each kind in the variance that batch
// means have within the stretches.
type noiseModel struct {
	share [noiseKinds]float64
	prior float64
}

// A noiseSet says what may be the noise of a figure.
type noiseSet uint8

const (
	valueNoise noiseSet = iota
	// periodNoise is for what the jitter of openings moves and their sum does not:
	// rates and periods.
	periodNoise
	// lobeNoise is for the errors of lobes: what moves all openings of a turn alike,
	// such as a speed that wanders, is not in them.
	lobeNoise
)

// noiseModels lists the models. The prior weights are our own choice,
// by trial (TestWanderCoverage prints how often 95 % hold with them): white noise
// alone has most, since most contacts have no other at the lengths that are compared.
// With more, a little walk below white noise would be missed too often; with less,
// the intervals of white noise would be wider than need be.
func noiseModels(set noiseSet) (all []noiseModel) {
	alone := func(k noiseKind, prior float64) {
		m := noiseModel{prior: prior}
		m.share[k] = 1
		all = append(all, m)
	}
	mixed := func(k, redder noiseKind, prior float64, shares ...float64) {
		for _, s := range shares {
			m := noiseModel{prior: prior}
			m.share[k], m.share[redder] = 1-s, s
			all = append(all, m)
		}
	}
	if set == lobeNoise {
		alone(white, 100)
	} else {
		alone(white, 20)
	}
	alone(flicker, 2)
	alone(walk, 1)
	// A little of what is redder makes the mean much less sure, so the shares are
	// closer where they are small.
	mixed(white, flicker, 0.5, 0.1, 0.3, 0.6)
	mixed(white, walk, 0.5, 0.03, 0.6, 0.8)
	mixed(white, walk, 1.3, 0.07, 0.15, 0.3)
	mixed(flicker, walk, 0.1, 0.1, 0.3, 0.6)
	if set == periodNoise {
		alone(whitePhase, 16)
		mixed(whitePhase, white, 0.5, 0.01, 0.03, 0.1, 0.3, 0.6)
		mixed(whitePhase, flicker, 0.5, 0.01, 0.03, 0.1, 0.3, 0.6)
		mixed(whitePhase, walk, 0.7, 0.001, 0.01, 0.1, 0.3, 0.6)
	}
	return all
}

// A spreadPart is one model's say in the distribution of a difference.
type spreadPart struct {
	weight   float64
	variance float64
	freedom  float64
	walks    float64 // the part of the variance that is not of white noise
}

// A spread is the distribution, about 0, of the difference of two means of
// unchanged noise.
type spread []spreadPart

// A noisePair is what models say of two stretches by how long their batches are.
// Figures of like numbers of values share it: most of the work is here.
type noisePair struct {
	batches [2][]batch // their means are not used
	scale   [noiseKinds]float64
	models  []stretchesModel
}

// A stretchesModel is one model of the noise of both stretches.
type stretchesModel struct {
	noiseModel
	fits [2]noiseFit
}

// newNoisePair needs three batches of each stretch.
func newNoisePair(s1, s2 []batch, models []noiseModel) *noisePair {
	p := &noisePair{batches: [2][]batch{s1, s2}}
	var basis [2][noiseKinds]*mat.SymDense
	for k := range noiseKind(noiseKinds) {
		contrast, freedom := 0.0, 0.0
		for i, s := range p.batches {
			c := mat.NewSymDense(len(s), nil)
			all, own := 0.0, 0.0
			for x := range s {
				for y := x; y < len(s); y++ {
					v := k.covariance(&s[x], &s[y])
					c.SetSym(x, y, v)
					all += 2 * v
				}
				all -= c.At(x, x)
				own += c.At(x, x)
			}
			basis[i][k] = c
			contrast += own - all/float64(len(s))
			freedom += float64(len(s) - 1)
		}
		p.scale[k] = freedom / contrast
		for i := range basis {
			basis[i][k].ScaleSym(p.scale[k], basis[i][k])
		}
	}
	for _, m := range models {
		x := stretchesModel{noiseModel: m}
		if x.fits[0].init(&basis[0], &m) && x.fits[1].init(&basis[1], &m) {
			p.models = append(p.models, x)
		}
	}
	return p
}

// suits tells whether it is for batches of these lengths.
func (p *noisePair) suits(s1, s2 []batch) bool {
	same := func(a, b batch) bool { return a.from == b.from && a.to == b.to }
	return slices.EqualFunc(p.batches[0], s1, same) && slices.EqualFunc(p.batches[1], s2, same)
}

// spread gives the distribution of mean 2 less mean 1 of stretches with these batch
// means, gap values apart. Where no batch differs from the others of its stretch,
// it is nil.
func (p *noisePair) spread(s1, s2 []batch, gap float64) spread {
	if constant(s1) && constant(s2) {
		return nil
	}
	stretches := [2][]batch{s1, s2}
	var share [noiseKinds][2]float64
	for k := range noiseKind(noiseKinds) {
		share[k] = k.shares(s1[len(s1)-1].to, s2[len(s2)-1].to, gap)
	}
	var all spread
	best := math.Inf(-1)
	for i := range p.models {
		m := &p.models[i]
		part := spreadPart{weight: math.Log(m.prior)}
		welch := 0.0
		for j, s := range stretches {
			l, variance := m.fits[j].fit(s)
			part.weight += l
			v := 0.0
			for k := range noiseKind(noiseKinds) {
				x := m.share[k] * share[k][j] * p.scale[k] * variance
				v += x
				if k > white {
					part.walks += x
				}
			}
			part.variance += v
			welch += v * v / float64(len(s)-1)
		}
		if !finite(part.weight) || !(part.variance > 0) {
			continue
		}
		part.freedom = part.variance * part.variance / welch
		best = max(best, part.weight)
		all = append(all, part)
	}
	sum := 0.0
	for i := range all {
		all[i].weight = math.Exp(all[i].weight - best)
		sum += all[i].weight
	}
	kept := all[:0]
	for _, x := range all {
		if x.weight /= sum; x.weight > 1e-9 { // less moves no figure
			kept = append(kept, x)
		}
	}
	return kept
}

func constant(s []batch) bool {
	for i := range s {
		if s[i].mean != s[0].mean {
			return false
		}
	}
	return true
}

// A noiseFit is a model of the noise of one stretch, but for its scale.
type noiseFit struct {
	chol   mat.Cholesky  // of the batches' covariance
	byOne  *mat.VecDense // its inverse times ones
	ones   float64       // and times ones again
	logDet float64
}

// init is false where the covariance is not positive definite.
func (f *noiseFit) init(basis *[noiseKinds]*mat.SymDense, m *noiseModel) bool {
	n := basis[0].SymmetricDim()
	c := mat.NewSymDense(n, nil)
	lift := 0.0
	for k, share := range m.share {
		if share == 0 {
			continue
		}
		for x := range n {
			for y := x; y < n; y++ {
				c.SetSym(x, y, c.At(x, y)+share*basis[k].At(x, y))
			}
		}
		// A constant added to all leaves the likelihood alone, and makes that of
		// flicker, known but for a constant, positive definite.
		if noiseKind(k) == flicker {
			lift = share * (2*math.Abs(basis[k].At(0, n-1)) + basis[k].At(0, 0))
		}
	}
	one := mat.NewVecDense(n, nil)
	for x := range n {
		one.SetVec(x, 1)
		for y := x; y < n; y++ {
			c.SetSym(x, y, c.At(x, y)+lift)
		}
	}
	f.byOne = mat.NewVecDense(n, nil)
	if !f.chol.Factorize(c) || f.chol.SolveVecTo(f.byOne, one) != nil {
		return false
	}
	f.ones, f.logDet = mat.Dot(one, f.byOne), f.chol.LogDet()
	return true
}

// fit gives the logarithm of the restricted likelihood with an unknown scale, but
// for a constant, and the estimate of that scale, a variance. Batches that do not
// vary tell no model from another, and have no variance.
func (f *noiseFit) fit(s []batch) (l, variance float64) {
	if constant(s) {
		return 0, 0
	}
	y, byY := mat.NewVecDense(len(s), nil), mat.NewVecDense(len(s), nil)
	for i := range s {
		y.SetVec(i, s[i].mean-s[0].mean) // small, so that no digits are lost
	}
	if f.chol.SolveVecTo(byY, y) != nil {
		return math.Inf(-1), 0
	}
	sum := mat.Dot(y, f.byOne)
	q := mat.Dot(y, byY) - sum*sum/f.ones
	freedom := float64(len(s) - 1)
	return -(f.logDet + math.Log(f.ones) + freedom*math.Log(q)) / 2, q / freedom
}

// with gives the spread where other things make the difference uncertain as well,
// independently: standard, known as from many observations. No variance of s is
// less than that of the noise floor.
func (s spread) with(floor, standard float64) spread {
	if len(s) == 0 {
		return spread{{weight: 1, variance: floor*floor + standard*standard, freedom: math.Inf(1)}}
	}
	all := make(spread, len(s))
	for i, p := range s {
		if p.variance < floor*floor {
			p.variance, p.freedom, p.walks = floor*floor, math.Inf(1), 0
		}
		if u := standard * standard; u > 0 {
			v := p.variance + u
			p.freedom *= v * v / (p.variance * p.variance)
			p.variance = v
		}
		all[i] = p
	}
	return all
}

// heaviestTail bounds how wide the tails are made where models differ, by trial: what
// does not change is beyond twice its 95 % about once in 200 whatever the noise
// (TestWanderCoverage prints it), and with 8 that is a p of 0.0017.
const heaviestTail = 8

// freedom is how well s knows its own variance, in degrees of freedom: half the
// inverse square of the relative uncertainty of its root (JCGM 100:2008, G.4.2). It
// counts how far the models differ, and how few batches each has.
func (s spread) freedom() float64 {
	mean, square, own := 0.0, 0.0, 0.0
	for i := range s {
		l := math.Log(s[i].variance)
		mean += s[i].weight * l
		square += s[i].weight * l * l
		own += s[i].weight * 2 / s[i].freedom
	}
	return max(2/(max(square-mean*mean, 0)+own), heaviestTail)
}

// probability is that of a difference d or a larger one without a change, by
// Student's t with the freedom of s and the scale that puts 5 % beyond expanded. Of
// the mixture itself, all beyond a few times expanded is the share of its least
// likely models, that of a walk, however large d is: no change would be told from
// it once many figures are tested together.
func (s spread) probability(d, expanded float64) float64 {
	if !(expanded > 0) {
		return s.beyond(d)
	}
	t := distuv.StudentsT{Sigma: 1, Nu: min(s.freedom(), 1e6)} // then as good as normal
	return min(2*t.Survival(math.Abs(d)/expanded*t.Quantile(0.975)), 1)
}

// beyond is the probability that a difference is further from 0 than d.
func (s spread) beyond(d float64) (p float64) {
	d = math.Abs(d)
	for i := range s {
		switch sd := math.Sqrt(s[i].variance); {
		case sd == 0 && d == 0:
			p += s[i].weight
		case sd == 0:
		case s[i].freedom > 1e6: // as good as normal
			p += s[i].weight * 2 * distuv.UnitNormal.Survival(d/sd)
		default:
			p += s[i].weight * 2 * distuv.StudentsT{Sigma: 1, Nu: s[i].freedom}.Survival(d/sd)
		}
	}
	return min(p, 1)
}

// expanded is the distance that a difference exceeds with a probability of 5 %.
func (s spread) expanded() float64 {
	high := 0.0
	for i := range s {
		high = max(high, math.Sqrt(s[i].variance))
	}
	if high == 0 {
		return 0
	}
	for s.beyond(high) > 0.05 {
		high *= 2
	}
	low := 0.0
	for range 60 { // to the digits of a float64
		if mid := (low + high) / 2; s.beyond(mid) > 0.05 {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// wanders is the probability that most of the variance is not of white noise.
func (s spread) wanders() (p float64) {
	for i := range s {
		if s[i].walks > s[i].variance/2 {
			p += s[i].weight
		}
	}
	return p
}
