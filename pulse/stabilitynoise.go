package pulse

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// chiSquared gives the ends of the interval, of the given probability, of a
// standard deviation that was found to be 1 with so many degrees of freedom.
func chiSquared(edf, probability float64) (low, high float64) {
	tail := (1 - probability) / 2
	if edf > 1e4 { // the quantiles of a normal one, as good here, need no iteration (Wilson and Hilferty 1931)
		z := distuv.UnitNormal.Quantile(1 - tail)
		c := 2 / (9 * edf)
		at := func(z float64) float64 { return math.Pow(1-c+z*math.Sqrt(c), -1.5) }
		return at(z), at(-z)
	}
	x := distuv.ChiSquared{K: edf}
	return math.Sqrt(edf / x.Quantile(1-tail)), math.Sqrt(edf / x.Quantile(tail))
}

const (
	// leastPoints at intervals of τ are what the lag 1 autocorrelation tells the
	// noise from. Riley and Greenhall have 30; with twice as many, intervals at the
	// longest τ hold as often as they should.
	leastPoints = 60
	// fewPoints are too few to tell any noise.
	fewPoints = 8
	// mostSeries of mostPoints at intervals of τ are used of those that a segment
	// has: they tell the autocorrelation within 0.01, which is plenty.
	mostSeries, mostPoints = 8, 2048
)

// longest is the number of openings, with those that are missing, of the longest
// segment.
func (p *phases) longest() (n int) {
	for i := range p.all {
		n = max(n, len(p.all[i].x))
	}
	return n
}

// alpha gives the power of the noise at τ of m periods, by the autocorrelation of
// points τ apart at lag 1, after up to most differences (Riley and Greenhall, Power
// law noise identification using the lag 1 autocorrelation, 2004; NIST SP 1065,
// 5.5.6, from memory). Where there are too few points, it is that of the longest τ
// that has enough. It is that of white noise of the speed where there are too few
// for any, and unknown where all periods are the same.
//
// Single points that are far apart have lost what tells flicker of the phase from
// white noise of it, as simulation shows: where they seem white, means over τ tell.
func (p *phases) alpha(m, most int) Num {
	longest := p.longest()
	if longest < fewPoints {
		return Known(0)
	}
	m = max(min(m, longest/leastPoints), 1)
	alpha := p.lagAlpha(m, most, func(x []int64, m int) float64 { return phaseOf(x[0]) })
	if alpha == Known(2) && m > 1 && p.lagAlpha(m, most, phaseMean).V < 2 {
		return Known(1)
	}
	return alpha
}

// phaseOf is a phase; NaN where it is absent.
func phaseOf(x int64) float64 {
	if x == absent {
		return math.NaN()
	}
	return float64(x)
}

// phaseMean is the mean of the first m phases, or fewer where there are no more.
func phaseMean(x []int64, m int) float64 {
	var sum int64
	n := 0
	for _, v := range x[:min(m, len(x))] {
		if v != absent {
			sum += v
			n++
		}
	}
	return float64(sum) / float64(n) // NaN of none
}

// lagAlpha is alpha of points that value makes of the phases from each on.
func (p *phases) lagAlpha(m, most int, value func(x []int64, m int) float64) Num {
	least := min(leastPoints, p.longest())
	var up, down [4]float64
	buf := make([]float64, 0, mostPoints)
	for i := range p.all {
		s := &p.all[i]
		if len(s.x) < least*m {
			continue
		}
		block := mostPoints * m
		series := m * max(len(s.x)/block, 1) // by offset, then by block
		for k := range min(series, mostSeries) {
			k = k * series / min(series, mostSeries)
			from := k%m + k/m*block
			buf = buf[:0]
			for j := from; j < min(from-from%block+block, len(s.x)); j += m {
				buf = append(buf, value(s.x[j:], m))
			}
			y := buf
			for d := 0; d <= most; d++ {
				u, w := lagOne(y)
				up[d], down[d] = up[d]+u, down[d]+w
				for k := 1; k < len(y); k++ {
					y[k-1] = y[k] - y[k-1]
				}
				y = y[:len(y)-1]
			}
		}
	}
	for d := 0; ; d++ {
		if down[d] == 0 {
			return Num{}
		}
		r := up[d] / down[d]
		delta := r / (1 + r)
		if d == most || delta < 0.25 {
			alpha := math.Round(2 - 2*(delta+float64(d)))
			return Known(max(min(alpha, 2), float64(2-2*most)))
		}
	}
}

// lagOne gives the sums that the autocorrelation at lag 1 is the ratio of. NaN is
// left out.
func lagOne(y []float64) (up, down float64) {
	var sum float64
	n := 0
	for _, v := range y {
		if v == v {
			sum += v
			n++
		}
	}
	if n == 0 {
		return 0, 0
	}
	mean, last := sum/float64(n), math.NaN()
	for _, v := range y {
		v -= mean
		if v == v {
			down += v * v
			if last == last {
				up += v * last
			}
		}
		last = v
	}
	return up, down
}

// A freedom reckons the equivalent degrees of freedom of a mean of squares of
// differences that overlap: twice the square of the mean over its variance, which
// is the sum of the squared autocorrelations of the differences (Greenhall and
// Riley, Uncertainty of stability variances based on finite differences, 2003; NIST
// SP 1065, 5.4.1). That paper approximates the sum by fitted polynomials; here it
// is summed, densely where the autocorrelation bends. Segments add.
type freedom struct {
	lags     []int // from 0
	rho2     []float64
	sum, lin []float64 // up to each lag: of rho2, and of lag · rho2
	n, v     float64
}

// newFreedom is for differences at τ of m periods in noise of the kind alpha; an
// unknown one is taken for white noise of the speed.
func newFreedom(d deviation, m int, alpha Num) *freedom {
	f := new(freedom)
	order := d.order()
	last := (order + 1) * m
	for k := 0; k <= order+1; k++ {
		for off := 0; off <= m; off += max(1, off/6) {
			f.lags = append(f.lags, max(k*m-off, 0), min(k*m+off, last))
		}
	}
	slices.Sort(f.lags)
	f.lags = slices.Compact(f.lags)
	z := noiseOf(d, m, int(alpha.V))
	zero := z(0)
	f.rho2 = make([]float64, len(f.lags))
	f.sum, f.lin = make([]float64, len(f.lags)), make([]float64, len(f.lags))
	for i, lag := range f.lags {
		r := z(float64(lag)/float64(m)) / zero
		f.rho2[i] = r * r
		if i > 0 {
			f.sum[i], f.lin[i] = f.upTo(i-1, lag)
		}
	}
	return f
}

// upTo gives the sums up to a lag, which is between that of index i and the next,
// where rho2 goes straight.
func (f *freedom) upTo(i, lag int) (sum, lin float64) {
	a, h := float64(f.lags[i]), float64(lag-f.lags[i])
	slope := (f.rho2[i+1] - f.rho2[i]) / float64(f.lags[i+1]-f.lags[i])
	first, second := h*(h+1)/2, h*(h+1)*(2*h+1)/6
	sum = f.sum[i] + h*f.rho2[i] + slope*first
	lin = f.lin[i] + a*h*f.rho2[i] + (f.rho2[i]+a*slope)*first + slope*second
	return sum, lin
}

// add takes a segment with n differences of the ones that there would be with
// nothing missing, in so many runs. Two of them are taken to be there together as
// often as two neighbours are: where openings are missing far apart from one
// another that is so, where they are in a row it is not too sure.
func (f *freedom) add(n, of, runs int) {
	i := len(f.lags) - 1
	sum, lin := f.sum[i], f.lin[i]
	if of-1 < f.lags[i] {
		i, _ = slices.BinarySearch(f.lags, of-1)
		if i == 0 {
			sum, lin = 0, 0
		} else {
			sum, lin = f.upTo(i-1, of-1)
		}
	}
	f.n += float64(n)
	together := float64(n-runs+1) / float64(n)
	f.v += float64(n) + 2*float64(n)/float64(of)*together*(float64(of)*sum-lin)
}

// edf is at least 1, and 0 without a segment.
func (f *freedom) edf() float64 {
	if f.n == 0 {
		return 0
	}
	return max(f.n*f.n/f.v, 1)
}

// noiseOf gives, but for a factor, the autocovariance of the differences of the
// phase against the time between them in τ.
func noiseOf(d deviation, m, alpha int) func(t float64) float64 {
	phase := func(t float64) float64 { return phaseCovariance(t, m, alpha) }
	if d == modified && m > 1 {
		phase = func(t float64) float64 { return meanPhaseCovariance(t, alpha) }
	}
	if d == hadamard {
		return func(t float64) float64 {
			return 20*phase(t) - 15*(phase(t-1)+phase(t+1)) + 6*(phase(t-2)+phase(t+2)) - phase(t-3) - phase(t+3)
		}
	}
	return func(t float64) float64 {
		return 6*phase(t) - 4*(phase(t-1)+phase(t+1)) + phase(t-2) + phase(t+2)
	}
}

// phaseCovariance is the generalised autocovariance of the phase at one instant, with
// time in τ of m periods. That of noise of the phase needs a bandwidth: it is that of
// a mean over a period.
func phaseCovariance(t float64, m, alpha int) float64 {
	f := float64(m)
	k := math.Abs(t) * f
	switch {
	case alpha == 2: // no two openings depend on one another
		return max(0, 1-k)
	case alpha == 1 && k > 1e4: // what the difference below tends to
		return 2*math.Log(f) - 2*math.Log(k) - 3
	case alpha == 1:
		return 2*math.Log(f) - squareLog(k+1) - squareLog(k-1) + 2*squareLog(k)
	}
	return noiseCovariance(t, alpha+2)
}

// meanPhaseCovariance is that of the mean of the phase over τ, for few openings as
// for many.
func meanPhaseCovariance(t float64, alpha int) float64 {
	return 2*noiseCovariance(t, alpha) - noiseCovariance(t-1, alpha) - noiseCovariance(t+1, alpha)
}

func squareLog(k float64) float64 {
	if k == 0 {
		return 0
	}
	return k * k * math.Log(math.Abs(k))
}

// noiseCovariance is the generalised autocovariance of noise whose density goes
// with frequency to the power alpha − 4.
func noiseCovariance(t float64, alpha int) float64 {
	t = math.Abs(t)
	p := math.Pow(t, float64(3-alpha))
	switch alpha {
	case 2, -2:
		return -p
	case 0, -4:
		return p
	}
	if t == 0 {
		return 0
	}
	p *= math.Log(t)
	if alpha == -1 {
		return -p
	}
	return p
}
