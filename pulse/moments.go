package pulse

import "math"

// Moments accumulates count, mean, standard deviation and extremes of values
// that come one by one, in constant memory and without the cancellation of
// Σx² − (Σx)²/n (B. P. Welford, Technometrics 4, 1962; here about the first
// value, which keeps digits where values are large and their spread small).
// The zero value is empty and ready.
//
// NaN and infinite values are left out and counted. Values beyond about
// 1e150 would overflow the sum of squares.
type Moments struct {
	n, rejected int
	// mean and m2 are of the values less first.
	first, mean, m2, min, max float64
}

// Add takes one value.
func (m *Moments) Add(x float64) {
	if !finite(x) {
		m.rejected++
		return
	}
	if m.n == 0 {
		m.first, m.min, m.max = x, x, x
	}
	m.min, m.max = min(m.min, x), max(m.max, x)
	m.n++
	x -= m.first
	d := x - m.mean
	m.mean += d / float64(m.n)
	m.m2 += d * (x - m.mean)
}

// Merge takes all values of o, as if they had been added one by one (T. F.
// Chan, G. H. Golub, R. J. LeVeque, Updating Formulae and a Pairwise Algorithm
// for Computing Sample Variances, 1979).
func (m *Moments) Merge(o Moments) {
	rejected := m.rejected + o.rejected
	switch {
	case m.n == 0:
		*m = o
	case o.n > 0:
		a, b := float64(m.n), float64(o.n)
		d := o.first - m.first + o.mean - m.mean
		m.mean += d * b / (a + b)
		m.m2 += o.m2 + d*d*a*b/(a+b)
		m.min, m.max = min(m.min, o.min), max(m.max, o.max)
		m.n += o.n
	}
	m.rejected = rejected
}

// N is the number of values taken, those left out not counted.
func (m *Moments) N() int { return m.n }

// Rejected is the number of NaN and infinite values that were left out.
func (m *Moments) Rejected() int { return m.rejected }

// Mean is the arithmetic mean; not ok when there is no value.
func (m *Moments) Mean() (float64, bool) { return m.first + m.mean, m.n > 0 }

// SD is the sample standard deviation (n − 1); not ok below two values.
func (m *Moments) SD() (float64, bool) {
	if m.n < 2 {
		return 0, false
	}
	return math.Sqrt(m.m2 / float64(m.n-1)), true
}

// SE is the standard error of the mean, SD/√n; not ok below two values.
func (m *Moments) SE() (float64, bool) {
	sd, ok := m.SD()
	if !ok {
		return 0, false
	}
	return sd / math.Sqrt(float64(m.n)), true
}

// Min is the smallest value; not ok when there is none.
func (m *Moments) Min() (float64, bool) { return m.min, m.n > 0 }

// Max is the largest value; not ok when there is none.
func (m *Moments) Max() (float64, bool) { return m.max, m.n > 0 }

// finite is false for NaN and the infinities, whose difference from
// themselves is NaN.
func finite(x float64) bool { return x-x == 0 }
