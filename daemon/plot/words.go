package plot

import (
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// sentences gather the text alternative of a drawing.
type sentences struct{ strings.Builder }

// add begins a sentence; each one gets its full stop from the next, or from String.
func (s *sentences) add(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if text == "" {
		return
	}
	if s.Len() > 0 {
		s.WriteString(". ")
	}
	s.WriteString(text)
}

// more goes on in the sentence.
func (s *sentences) more(format string, args ...any) { fmt.Fprintf(s, format, args...) }

// String is the whole.
func (s *sentences) String() string {
	if s.Len() == 0 {
		return ""
	}
	return s.Builder.String() + "."
}

// approx writes a value as exactly as a hundredth of a span needs.
func approx(v, span float64) string {
	if !(span > 0) {
		return figure.Trimmed(v, 3)
	}
	return figure.Fixed(v, figure.Decimals(span/10))
}

// plusMinus writes a value with its expanded uncertainty, where that is known.
func plusMinus(v float64, u pulse.Num) string {
	if !u.OK || u.V <= 0 {
		return figure.Trimmed(v, 3)
	}
	d := figure.Decimals(u.V)
	return figure.Fixed(v, d) + " ± " + figure.Fixed(u.V, d)
}

func least(v []float64) float64 { return slices.Min(v) }
func most(v []float64) float64  { return slices.Max(v) }

// quantile gives the value that a fraction of all lie below.
func quantile(values []float64, fraction float64) float64 {
	v := slices.Sorted(slices.Values(values))
	return v[int(fraction*float64(len(v)-1)+0.5)]
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[n:]
}

// named is a name before what is said of it.
func named(name string) string {
	if name == "" {
		return ""
	}
	return name + ", "
}
