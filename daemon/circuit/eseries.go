package circuit

import (
	"fmt"
	"math"
)

// A Series is one of preferred values of resistors, of IEC 60063.
type Series string

// The series whose values a Design is made of, with the tolerance that they are
// made with.
const (
	E24 Series = "E24" // 5 %
	E96 Series = "E96" // 1 %
)

// e24 is the table of IEC 60063 for 5 %; six of its values are not those of the
// rounded powers.
var e24 = [...]float64{1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1}

// UnmarshalText reads the name of a series.
func (s *Series) UnmarshalText(b []byte) error {
	if *s = Series(b); *s != E24 && *s != E96 {
		return fmt.Errorf("%.40q is no series of resistors here: expected E24 (5 %%) or E96 (1 %%)", b)
	}
	return nil
}

// Tolerance is that of the series' resistors, as a fraction.
func (s Series) Tolerance() float64 {
	if s == E96 {
		return 0.01
	}
	return 0.05
}

// value is the i-th of a decade that begins with 1.
func (s Series) value(i int) float64 {
	if s == E96 { // IEC 60063: the powers of 10^(1/96), rounded to three digits
		return math.Round(100*math.Pow(10, float64(i)/96)) / 100
	}
	return e24[i]
}

func (s Series) size() int {
	if s == E96 {
		return 96
	}
	return len(e24)
}

// AtMost gives the largest value of the series that is not above ohms; ok is false
// below 1 Ω and above 10 MΩ, where such resistors are not made.
func (s Series) AtMost(ohms float64) (value float64, ok bool) {
	if !(ohms >= 1 && ohms <= 1e7) {
		return 0, false
	}
	decade := math.Pow(10, math.Floor(math.Log10(ohms)))
	for i := s.size() - 1; i >= 0; i-- {
		// A value that is asked for by itself is found in spite of rounding.
		if v := s.value(i) * decade; v <= ohms*(1+1e-12) {
			return math.Round(100*v) / 100, true
		}
	}
	return decade, true // the logarithm was rounded up
}
