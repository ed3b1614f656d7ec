// Package figure renders numbers for people: with as many digits as their
// uncertainty justifies, with units, and in words.
package figure

import (
	"fmt"
	"math"
	"math/bits"
	"strconv"
	"strings"
)

const maxDecimals = 6

// Decimals gives the number of decimals, 0 to 6, that show a value with two
// significant digits of its uncertainty u (JCGM 100:2008, 7.2.6). An unknown
// u (0, negative, NaN or infinite) gives 3.
func Decimals(u float64) int {
	if !(u > 0) || math.IsInf(u, 1) {
		return 3
	}
	return min(max(1-int(math.Floor(math.Log10(u))), 0), maxDecimals)
}

// Fixed writes v with the given number of decimals, and never as "-0".
func Fixed(v float64, decimals int) string {
	s := strconv.FormatFloat(v, 'f', decimals, 64)
	if strings.Trim(s, "-0.") == "" {
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// NonZero is Fixed for a distance or an uncertainty: where the decimals would
// show 0 and v is not, it has as many as show two significant digits of v.
func NonZero(v float64, decimals int) string {
	if s := Fixed(v, decimals); v == 0 || math.IsNaN(v) || strings.ContainsAny(s, "123456789I") {
		return s
	}
	return Fixed(v, min(1-int(math.Floor(math.Log10(math.Abs(v)))), maxExact))
}

// maxExact is the most decimals that NonZero and Apart use: more would show the
// rounding of float64.
const maxExact = 15

// Apart is Fixed with as many more decimals as show the difference of v and limit.
func Apart(v, limit float64, decimals int) string {
	for d := decimals; d < maxExact && v != limit; d++ {
		if s := Fixed(v, d); s != Fixed(limit, d) {
			return s
		}
	}
	return Fixed(v, decimals)
}

// Trimmed writes v with at most the given number of decimals, without zeros
// at their end: the form for limits and settings.
func Trimmed(v float64, decimals int) string {
	s := Fixed(v, decimals)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	return s
}

// Signed writes a change with its sign and its uncertainty u: "+0.012 ± 0.003".
func Signed(v, u float64) string {
	text := Fixed(math.Abs(v), Decimals(u)) + " ± " + Fixed(u, Decimals(u))
	if v < 0 {
		return "−" + text
	}
	return "+" + text
}

// Count writes n with commas between thousands: 40,000.
func Count[N int | int64 | uint64](n N) string {
	s := fmt.Sprint(n)
	sign := ""
	if n < 0 {
		sign, s = "-", s[1:]
	}
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return sign + s
}

// Plural writes a count and its noun: "1 pulse", "2,000 pulses".
func Plural[N int | int64 | uint64](n N, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return Count(n) + " " + many
}

// Span writes a setting of ns nanoseconds exactly, in the largest of s, ms, µs
// and ns that leaves no more than three decimals: "4 ms", "1.5 s".
func Span(ns int64) string {
	for _, u := range []struct {
		ns   int64
		name string
	}{{1e9, " s"}, {1e6, " ms"}, {1e3, " µs"}} {
		if ns/u.ns != 0 && ns%(u.ns/1000) == 0 {
			return Trimmed(float64(ns)/float64(u.ns), 3) + u.name
		}
	}
	return strconv.FormatInt(ns, 10) + " ns"
}

// Time writes seconds from the start of a recording to the millisecond:
// "12.345 s", from an hour on "1:02:03.456" and from a day on
// "2 d 01:02:03.456".
func Time(s float64) string {
	if math.IsNaN(s) || math.Abs(s) < 3600 {
		return Fixed(s, 3) + " s"
	}
	sign := ""
	if s < 0 {
		sign, s = "-", -s
	}
	ms := int64(math.Round(s * 1000))
	pad := func(v int64, n int) string {
		d := strconv.FormatInt(v, 10)
		return strings.Repeat("0", max(n-len(d), 0)) + d
	}
	days, hours := ms/86400e3, ms/3600e3%24
	rest := ":" + pad(ms/60e3%60, 2) + ":" + pad(ms/1000%60, 2) + "." + pad(ms%1000, 3)
	if days > 0 {
		return sign + strconv.FormatInt(days, 10) + " d " + pad(hours, 2) + rest
	}
	return sign + strconv.FormatInt(hours, 10) + rest
}

// Bytes writes a size in decimal units: "512 B", "1.2 MB".
func Bytes(n int64) string {
	v, unit := float64(n), "B"
	for _, u := range []string{"kB", "MB", "GB", "TB"} {
		if math.Abs(v) < 1000 {
			break
		}
		v, unit = v/1000, u
	}
	if unit == "B" || math.Abs(v) >= 100 {
		return Fixed(v, 0) + " " + unit
	}
	return Trimmed(v, 1) + " " + unit
}

// Fewer says in words what an upper bound p on a fraction proves: "fewer than
// 1 in 288", from a tenth on "at most 35 %", rounded so that it never claims
// more than p.
func Fewer(p float64) string {
	if p >= 0.1 {
		return "at most " + Fixed(math.Min(math.Ceil(p*100-1e-9), 100), 0) + " %"
	}
	if !(p > 0) {
		return "none"
	}
	return "fewer than " + OneIn(p)
}

// AtMost writes an upper bound p on a fraction in percent, with two significant
// digits, rounded so that it never claims more than p: "0.35 %".
func AtMost(p float64) string {
	percent := math.Min(100*p, 100)
	decimals := Decimals(percent)
	scale := math.Pow(10, float64(decimals))
	return Fixed(math.Ceil(percent*scale-1e-9)/scale, decimals) + " %"
}

// OneIn writes a fraction 0 < p ≤ 1 as "1 in 288", rounded towards more.
func OneIn(p float64) string {
	return "1 in " + Count(int(math.Min(math.Floor(1/p+1e-9), math.MaxInt32)))
}

// List joins items in a sentence: "a", "a and b", "a, b and c".
func List(items []string) string {
	last := len(items) - 1
	if last < 1 {
		return strings.Join(items, "")
	}
	return strings.Join(items[:last], ", ") + " and " + items[last]
}

// Millionths gives n·scale/d in millionths, rounded, as tables have it. It is not ok
// where n is negative or d is not positive, nor where the result is too large to
// matter (10⁹ and more).
func Millionths(n int64, scale uint64, d int64) (q int64, ok bool) {
	if n < 0 || d <= 0 {
		return 0, false
	}
	hi, lo := bits.Mul64(uint64(n), scale*1e6)
	lo, carry := bits.Add64(lo, uint64(d)/2, 0)
	hi += carry
	if hi >= uint64(d) {
		return 0, false
	}
	u, _ := bits.Div64(hi, lo, uint64(d))
	return int64(u), u < 1e15
}
