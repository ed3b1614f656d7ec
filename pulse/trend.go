package pulse

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// mostTrendPoints bounds the pairs of the Theil–Sen slope (28,680, some 0.5 ms):
	// of more windows, neighbours are merged first.
	mostTrendPoints = 240
	// mostNoisePoints bounds the matrices of the noise model. The error of a slope
	// comes from the slowest part of the noise, which so many points show; 17
	// decompositions of 40 rows take some 1 ms.
	mostNoisePoints = 40
	// leastTrendPoints is the fewest windows with a trend: with 20, an interval that
	// is to cover 95 % covers 86 % under a speed that walks at random.
	leastTrendPoints = 30
	// senEfficiency is the variance of a Theil–Sen slope over that of least squares,
	// for normal noise and many points: π/3 (P. K. Sen, JASA 63, 1968).
	senEfficiency = math.Pi / 3
)

// A trendPoint is the mean of weight values about a time.
type trendPoint struct {
	t      float64 // hours
	y      float64
	weight float64 // number of values in it
	length float64 // hours that it is a mean over
}

// merged gives at most n points: neighbours become one.
func merged(p []trendPoint, n int) []trendPoint {
	if len(p) <= n {
		return p
	}
	out := make([]trendPoint, 0, n)
	for i := range n {
		from, to := i*len(p)/n, (i+1)*len(p)/n
		out = append(out, mergedPoint(p[from:to]))
	}
	return out
}

func mergedPoint(p []trendPoint) trendPoint {
	m := p[0]
	for _, x := range p[1:] {
		w := m.weight + x.weight
		m.t += (x.t - m.t) * x.weight / w
		m.y += (x.y - m.y) * x.weight / w
		m.weight = w
		m.length += x.length
	}
	return m
}

// theilSen gives the median of the slopes of all pairs of points, each with the
// product of the two weights: as if each point stood for so many values at its time
// (H. Theil, 1950; P. K. Sen, JASA 63, 1968). It is not ok without two points at
// different times.
func theilSen(p []trendPoint) (slope float64, ok bool) {
	s := pairSlopes(p)
	if len(s) == 0 {
		return 0, false
	}
	return weightedMedian(s), true
}

type weighted struct{ v, w float64 }

func pairSlopes(p []trendPoint) []weighted {
	s := make([]weighted, 0, len(p)*(len(p)-1)/2)
	for i := range p {
		for j := range i {
			if dt := p[i].t - p[j].t; dt != 0 {
				s = append(s, weighted{(p[i].y - p[j].y) / dt, p[i].weight * p[j].weight})
			}
		}
	}
	return s
}

// weightedMedian is the value below and above which lies half of the weight at
// most; between two such values, their mean. It changes the order of s, which must
// not be empty.
func weightedMedian(s []weighted) float64 {
	v, sum := weightedRank(s, weightOfAll(s)/2)
	if sum { // half of it ends at v
		if next, ok := leastAbove(s, v); ok {
			return (v + next) / 2
		}
	}
	return v
}

func weightOfAll(s []weighted) (sum float64) {
	for _, x := range s {
		sum += x.w
	}
	return sum
}

// rankError is what the rounding of a sum of weights may be, as a part of it.
const rankError = 1e-11

// weightedRank is the least value up to which, with it, lies a weight of want; ends
// tells that it is just so much. It changes the order of s, which must not be empty.
func weightedRank(s []weighted, want float64) (v float64, ends bool) {
	low, high := want*(1-rankError), want*(1+rankError)
	below := 0.0 // weight left of s
	for len(s) > 16 {
		// Three parts about the median of three.
		a, b, c := s[0].v, s[len(s)/2].v, s[len(s)-1].v
		pivot := max(min(a, b), min(max(a, b), c))
		lo, i, hi := 0, 0, len(s)
		less, equal := 0.0, 0.0
		for i < hi {
			switch x := s[i]; {
			case x.v < pivot:
				s[lo], s[i] = s[i], s[lo]
				less += x.w
				lo++
				i++
			case x.v > pivot:
				hi--
				s[hi], s[i] = s[i], s[hi]
			default:
				equal += x.w
				i++
			}
		}
		switch {
		case lo > 0 && below+less >= low:
			s = s[:lo]
		case below+less+equal >= low || hi == len(s):
			return pivot, below+less+equal <= high
		default:
			below += less + equal
			s = s[hi:]
		}
	}
	slices.SortFunc(s, func(a, b weighted) int { return cmp.Compare(a.v, b.v) })
	for i, x := range s {
		if below += x.w; below >= low && (i+1 == len(s) || s[i+1].v > x.v) {
			return x.v, below <= high
		}
	}
	return s[len(s)-1].v, false
}

// leastAbove is the least value above v.
func leastAbove(s []weighted, v float64) (least float64, ok bool) {
	for _, x := range s {
		if x.v > v && (!ok || x.v < least) {
			least, ok = x.v, true
		}
	}
	return least, ok
}

// senInterval is the 95 % interval of a Theil–Sen slope of independent points: the
// slopes at the ranks (N ± C)/2 of all N, with C = z √Var S of Mann and Kendall's S
// (M. Hollander, D. A. Wolfe, Nonparametric Statistical Methods, §9.3). Ranks count
// by weight, and Var S is that of as many points of one weight as tell as much.
func senInterval(p []trendPoint) (low, high float64, ok bool) {
	s := pairSlopes(p)
	if len(s) < 2 {
		return 0, 0, false
	}
	y, sum, squares := make([]float64, len(p)), 0.0, 0.0
	for i, x := range p {
		y[i] = x.y
		sum += x.weight
		squares += x.weight * x.weight
	}
	_, v := mannKendall(y)
	if n, k := sum*sum/squares, float64(len(p)); n < k*(1-rankError) {
		// Var S grows as n³, C beside the number of pairs as 1/√n.
		v *= k / n
	}
	n, c := float64(len(s)), distuv.UnitNormal.Quantile(0.975)*math.Sqrt(v)
	each := weightOfAll(s) / n
	low, _ = weightedRank(s, max(math.RoundToEven((n-c)/2), 1)*each)
	high, _ = weightedRank(s, min(math.RoundToEven((n+c)/2)+1, n)*each)
	return low, high, true
}

// mannKendall gives S, the number of pairs of y that rise less those that fall, and
// its variance for independent values, ties allowed for (M. G. Kendall, Rank
// Correlation Methods).
func mannKendall(y []float64) (s, variance float64) {
	for i := range y {
		for j := range i {
			switch {
			case y[i] > y[j]:
				s++
			case y[i] < y[j]:
				s--
			}
		}
	}
	n := float64(len(y))
	variance = n * (n - 1) * (2*n + 5)
	sorted := slices.Sorted(slices.Values(y))
	for i := 0; i < len(sorted); {
		j := i
		for j < len(sorted) && sorted[j] == sorted[i] {
			j++
		}
		ties := float64(j - i)
		variance -= ties * (ties - 1) * (2*ties + 5)
		i = j
	}
	return s, variance / 18
}

// A scatterKind is one way in which the scatter of points about a line may be made: a
// white part and a part of the kind that wanders, which is ratio times as strong
// over the whole time observed (0: all white).
type scatterKind struct {
	kernel     int // index of the kinds
	ratio      float64
	likelihood float64 // of it beside the others, 0 to 1
	variance   float64 // of the white part of a point of mean weight
	flat, line float64 // −2 log likelihood of no change and of a line
	step       []float64
	size       []float64 // of a step after point k, and its variance
	sizeVar    []float64
	// stepLikelihood is that of the noise beside a step after point k, as a logarithm.
	stepLikelihood []float64
}

// prior is how likely it is before the points are seen.
func (x *scatterKind) prior() float64 {
	if x.ratio == 0 {
		return whitePrior
	}
	return (1 - whitePrior) / float64(len(wandering)*len(wanderRatios))
}

// The kinds of noise that wanders, by their variogram in time, and its second
// antiderivative: flicker noise (logarithmic) and a random walk (linear). Points are
// means over a length, and so is what their noise has in common.
var wandering = [...]struct{ at, mean func(h float64) float64 }{
	{math.Log, func(x float64) float64 {
		if x = math.Abs(x); x == 0 {
			return 0
		}
		return x*x/2*math.Log(x) - 0.75*x*x
	}},
	{math.Abs, func(x float64) float64 { x = math.Abs(x); return x * x * x / 6 }},
}

// wanderRatios are spread so that neighbours change the error of a slope by less
// than half. The least hardly matters for 40 points; in the greatest, hardly
// anything is white.
var wanderRatios = [...]float64{0.004, 0.016, 0.0625, 0.25, 1, 4, 16, 256}

// whitePrior is how likely white noise alone is before the points are seen; the two
// kinds that wander share the rest. With it a stated 95 % covers 90 to 98 % of white,
// flicker and walking noise alike, from leastTrendPoints on: less gives white noise
// too wide an interval, more gives wandering too narrow a one.
const whitePrior = 0.65

// A trendNoise tells how uncertain a trend is. The scatter of points is taken to be
// white noise, whose variance falls with their weight, with flicker noise or a
// random walk in it. Which, and how strong, is averaged over by its likelihood (A.
// Zellner's marginal likelihood of a regression with a given correlation, which is
// that of restricted maximum likelihood: D. A. Harville, Biometrika 61, 1974).
// So a noise that wanders makes an interval as wide as wandering can carry a line,
// and few points, which cannot tell, make it wide too.
type trendNoise struct {
	p        []trendPoint
	t0       float64   // mean time
	slopeOf  []float64 // weights of least squares: slope = Σ slopeOf y
	meanOf   []float64
	white    []float64  // variance of the white part of each point, for a mean weight 1
	scale    [2]float64 // of each kernel
	all      []scatterKind
	dof      float64
	quadLine [2][3]float64 // −c'Γc of each kernel for slope, mean and both
}

// aheadSD is the standard deviation, under a noise, of the distance between a
// Theil–Sen line and the mean of the values at time t, ahead of all points: the line
// is uncertain, and what wanders goes on wandering.
func (m *trendNoise) aheadSD(x *scatterKind, t float64) float64 {
	dt := t - m.t0
	white, wander := 0.0, 0.0
	for i := range m.p {
		c := m.meanOf[i] + dt*m.slopeOf[i]
		white += c * c * m.white[i]
		if x.ratio > 0 {
			wander += 2 * c * variogram(x.kernel, t-m.p[i].t, m.p[i].length, m.p[i].length)
		}
	}
	v := white * senEfficiency
	if x.ratio > 0 {
		q := m.quadLine[x.kernel]
		last := m.p[len(m.p)-1].length
		wander += q[1] + 2*dt*q[2] + dt*dt*q[0] - variogram(x.kernel, 0, last, last)
		v += x.ratio * m.scale[x.kernel] * max(wander, 0)
	}
	return math.Sqrt(max(v, 0) * x.variance)
}

// variogram is half the mean squared difference of kind k between the means over two
// lengths that lie h apart, plus a constant that cancels in what it is used for.
func variogram(k int, h, a, b float64) float64 {
	if h = math.Abs(h); h > 1e4*(a+b) { // the differences below would cancel
		return wandering[k].at(h)
	}
	f := wandering[k].mean
	return (f(h+(a+b)/2) - f(h+(a-b)/2) - f(h-(a-b)/2) + f(h-(a+b)/2)) / (a * b)
}

// newTrendNoise needs three points at least, in order of time, and not all at one.
func newTrendNoise(p []trendPoint) *trendNoise {
	n := len(p)
	m := &trendNoise{p: p, dof: float64(n - 2), slopeOf: make([]float64, n), meanOf: make([]float64, n), white: make([]float64, n)}
	sum := 0.0
	for _, x := range p {
		sum += x.weight
		m.t0 += x.weight * x.t
	}
	m.t0 /= sum
	sxx := 0.0
	for i, x := range p {
		m.meanOf[i] = x.weight / sum
		m.white[i] = sum / float64(n) / x.weight
		sxx += x.weight * (x.t - m.t0) * (x.t - m.t0)
	}
	for i, x := range p {
		m.slopeOf[i] = x.weight * (x.t - m.t0) / sxx
	}
	var gamma [2]*mat.SymDense
	for k := range wandering {
		g := mat.NewSymDense(n, nil)
		for i := range n {
			for j := range i + 1 {
				g.SetSym(i, j, variogram(k, p[i].t-p[j].t, p[i].length, p[j].length))
			}
		}
		quad := func(a, b []float64) (q float64) {
			for i := range n {
				for j := range n {
					q -= a[i] * b[j] * g.At(i, j)
				}
			}
			return q
		}
		// A kernel of scale 1 has the variance 1 about the mean over the time observed.
		var mean float64
		for i := range n {
			for j := range n {
				mean += g.At(i, j)
			}
		}
		diagonal := 0.0
		for i := range n {
			diagonal += g.At(i, i)
		}
		if v := mean/float64(n*n) - diagonal/float64(n); v > 0 {
			m.scale[k] = 1 / v
		}
		m.quadLine[k] = [3]float64{quad(m.slopeOf, m.slopeOf), quad(m.meanOf, m.meanOf), quad(m.slopeOf, m.meanOf)}
		gamma[k] = g
	}
	m.fit(gamma)
	return m
}

// fit weighs the kinds of noise by the differences of neighbouring points, in which
// no mean is left.
func (m *trendNoise) fit(gamma [2]*mat.SymDense) {
	p, n := m.p, len(m.p)-1
	z, d := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	white := mat.NewSymDense(n, nil)
	var wander [2]*mat.SymDense
	for i := range n {
		z.SetVec(i, p[i+1].y-p[i].y)
		d.SetVec(i, p[i+1].t-p[i].t)
		white.SetSym(i, i, m.white[i]+m.white[i+1])
		if i > 0 {
			white.SetSym(i, i-1, -m.white[i])
		}
	}
	for k, g := range gamma {
		w := mat.NewSymDense(n, nil)
		for i := range n {
			for j := range i + 1 {
				w.SetSym(i, j, m.scale[k]*(g.At(i+1, j)+g.At(i, j+1)-g.At(i+1, j+1)-g.At(i, j)))
			}
		}
		wander[k] = w
	}
	most := 1e-9 // of any unit
	for _, x := range p {
		most = max(most, math.Abs(x.y))
	}
	floor := math.Pow(1e-13*most, 2) // what rounding alone leaves
	v := mat.NewSymDense(n, nil)
	var chol mat.Cholesky
	var inv mat.SymDense
	var vz, vd mat.VecDense
	add := func(k int, ratio float64) {
		v.CopySym(white)
		if ratio > 0 {
			for i := range n {
				for j := range i + 1 {
					v.SetSym(i, j, v.At(i, j)+ratio*wander[k].At(i, j))
				}
			}
		}
		if !chol.Factorize(v) {
			return
		}
		if chol.InverseTo(&inv) != nil {
			return
		}
		vz.MulVec(&inv, z)
		vd.MulVec(&inv, d)
		zz, dz, dd := mat.Dot(z, &vz), mat.Dot(d, &vz), mat.Dot(d, &vd)
		nn := float64(n)
		flat := max(zz, nn*floor)
		line := max(zz-dz*dz/dd, nn*floor)
		x := scatterKind{kernel: k, ratio: ratio, variance: line / m.dof, size: make([]float64, n), sizeVar: make([]float64, n), step: make([]float64, n), stepLikelihood: make([]float64, n)}
		prior := math.Log(x.prior())
		logDet := chol.LogDet()
		x.flat, x.line = logDet+nn*math.Log(flat/nn), logDet+nn*math.Log(line/nn)
		for i := range n {
			a, b := vz.AtVec(i), inv.At(i, i)
			rest := max(zz-a*a/b, nn*floor)
			x.step[i] = logDet + nn*math.Log(rest/nn)
			x.size[i], x.sizeVar[i] = a/b, rest/(nn-1)/b
			x.stepLikelihood[i] = prior - (logDet+math.Log(b)+(nn-1)*math.Log(rest))/2
		}
		x.likelihood = prior - (logDet+math.Log(dd)+m.dof*math.Log(line))/2
		m.all = append(m.all, x)
	}
	add(0, 0)
	for k := range wandering {
		for _, r := range wanderRatios {
			add(k, r)
		}
	}
	m.weigh(func(x *scatterKind) float64 { return x.likelihood })
}

// weigh makes likelihoods of logarithms of them.
func (m *trendNoise) weigh(log func(*scatterKind) float64) {
	best, sum := math.Inf(-1), 0.0
	for i := range m.all {
		best = max(best, log(&m.all[i]))
	}
	for i := range m.all {
		x := &m.all[i]
		x.likelihood = math.Exp(log(x) - best)
		sum += x.likelihood
	}
	for i := range m.all {
		m.all[i].likelihood /= sum
	}
}

// slopeSD is the standard deviation of a Theil–Sen slope under a noise: that of
// least squares, whose efficiency it has.
func (m *trendNoise) slopeSD(x *scatterKind) float64 {
	v := 0.0
	for i, b := range m.slopeOf {
		v += b * b * m.white[i]
	}
	v *= senEfficiency
	if x.ratio > 0 {
		v += x.ratio * m.scale[x.kernel] * m.quadLine[x.kernel][0]
	}
	return math.Sqrt(max(v, 0) * x.variance)
}

// slopeError is how far a slope lies above the true one at most, with a probability p.
func (m *trendNoise) slopeError(p float64) float64 {
	sd := make([]float64, len(m.all))
	for i := range m.all {
		sd[i] = m.slopeSD(&m.all[i])
	}
	return m.quantile(p, nil, sd)
}

// quantile is that of the mixture of the noises, each with its middle (nil: 0) and
// its standard deviation, which has Student's distribution.
func (m *trendNoise) quantile(p float64, mid, sd []float64) float64 {
	lo, hi := math.Inf(1), math.Inf(-1)
	wide := distuv.StudentsT{Sigma: 1, Nu: m.dof}.Quantile(p)
	for i := range m.all {
		if m.all[i].likelihood < 1e-9 {
			continue
		}
		c := 0.0
		if mid != nil {
			c = mid[i]
		}
		lo, hi = min(lo, c+wide*sd[i]), max(hi, c+wide*sd[i])
	}
	for range 60 {
		x := (lo + hi) / 2
		if hi-lo <= 1e-9*max(math.Abs(lo), math.Abs(hi)) {
			break
		}
		if m.below(x, mid, sd) < p {
			lo = x
		} else {
			hi = x
		}
	}
	return (lo + hi) / 2
}

// below is the probability that a value of the mixture is below x.
func (m *trendNoise) below(x float64, mid, sd []float64) (p float64) {
	for i := range m.all {
		w := m.all[i].likelihood
		if w < 1e-9 {
			continue
		}
		c := 0.0
		if mid != nil {
			c = mid[i]
		}
		switch {
		case sd[i] > 0:
			p += w * distuv.StudentsT{Sigma: 1, Nu: m.dof}.CDF((x-c)/sd[i])
		case x > c:
			p += w
		case x == c:
			p += w / 2
		}
	}
	return p
}
