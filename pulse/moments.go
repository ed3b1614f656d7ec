package pulse

import "math"

// moments accumulates count, mean and standard deviation of values that come
// one by one, in constant memory and without the cancellation of
// Σx² − (Σx)²/n (B. P. Welford, Technometrics 4, 1962). It works on the
// differences from the first value, which keeps digits where values are large
// and differ little. The zero value is empty and ready.
//
// NaN and infinite values are left out. Values beyond about 1e150 would
// overflow the sum of squares.
type moments struct {
	n               int
	first, mean, m2 float64 // mean and m2 are of the values less first
}

// Add takes one value.
func (m *moments) Add(x float64) {
	if !finite(x) {
		return
	}
	if m.n == 0 {
		m.first = x
	}
	m.n++
	x -= m.first
	d := x - m.mean
	m.mean += d / float64(m.n)
	m.m2 += d * (x - m.mean)
}

// Merge takes all values of o, as if they had been added one by one (T. F.
// Chan, G. H. Golub, R. J. LeVeque, Updating Formulae and a Pairwise Algorithm
// for Computing Sample Variances, 1979).
func (m *moments) Merge(o moments) {
	switch {
	case m.n == 0:
		*m = o
	case o.n > 0:
		a, b := float64(m.n), float64(o.n)
		d := o.first - m.first + o.mean - m.mean
		m.mean += d * b / (a + b)
		m.m2 += o.m2 + d*d*a*b/(a+b)
		m.n += o.n
	}
}

// N is the number of finite values.
func (m *moments) N() int { return m.n }

// Mean is the arithmetic mean. It is not ok when there is no value.
func (m *moments) Mean() (float64, bool) { return m.first + m.mean, m.n > 0 }

// SD is the sample standard deviation (n − 1). It is not ok below two values.
func (m *moments) SD() (float64, bool) {
	if m.n < 2 {
		return 0, false
	}
	return math.Sqrt(m.m2 / float64(m.n-1)), true
}

// SE is the standard error of the mean, SD/√n. It is not ok below two values.
func (m *moments) SE() (float64, bool) {
	sd, ok := m.SD()
	return sd / math.Sqrt(float64(max(m.n, 1))), ok
}

// finite is false for NaN and the infinities. It calculates nothing: where a
// processor fuses multiplication and subtraction, a product less itself is what
// its rounding left, not 0.
func finite(x float64) bool { return math.Abs(x) <= math.MaxFloat64 }
