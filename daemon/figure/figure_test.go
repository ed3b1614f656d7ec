package figure

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// The first three values are JCGM 100:2008: 7.2.6 rounds an uncertainty of
// 10.47 mΩ beside 10.0577 Ω to 0.011 Ω, H.1 gives 93 nm beside 50.000838 mm.
func TestDecimals(t *testing.T) {
	for _, c := range []struct {
		u    float64
		want int
	}{
		{0.01047, 3}, {0.000093, 6}, {93, 0},
		{0.12, 2}, {0.057, 3}, {1.3, 1}, {0.1, 2}, {1, 1}, {10, 0}, {9.9, 1}, {5000, 0}, {1e-12, 6},
		{0, 3}, {-1, 3}, {math.NaN(), 3}, {math.Inf(1), 3},
	} {
		if got := Decimals(c.u); got != c.want {
			t.Errorf("Decimals(%v) = %d, want %d", c.u, got, c.want)
		}
	}
}

// Counters of 64 bits do not fit into an int of 32 bits.
func TestCountOf64Bits(t *testing.T) {
	for n, want := range map[uint64]string{0: "0", 999_999_999: "999,999,999", 1e9: "1,000,000,000", 12_345_678_901_234: "12,345,678,901,234"} {
		if got := Count(n); got != want {
			t.Errorf("%d: %s", n, got)
		}
	}
}

func TestText(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{Fixed(61.2345, 2), "61.23"},
		{Fixed(-0.004, 2), "0.00"},
		{Fixed(-0.006, 2), "-0.01"},
		{Fixed(math.Copysign(0, -1), 0), "0"},
		{Trimmed(337.5, 4), "337.5"},
		{Trimmed(70, 4), "70"},
		{Trimmed(700, 0), "700"},
		{Trimmed(1000.0/11, 2), "90.91"},
		{Count(0), "0"}, {Count(999), "999"}, {Count(1000), "1,000"}, {Count(40_000), "40,000"},
		{Count(1234567), "1,234,567"}, {Count(-1234), "-1,234"}, {Count(-123), "-123"},
		{Plural(1, "pulse", "pulses"), "1 pulse"}, {Plural(0, "pulse", "pulses"), "0 pulses"},
		{Span(4e6), "4 ms"}, {Span(1500e6), "1.5 s"}, {Span(250e3), "250 µs"}, {Span(20), "20 ns"},
		{Span(1234567), "1234.567 µs"}, {Span(1e9 + 1), "1000000.001 µs"}, {Span(999), "999 ns"}, {Span(0), "0 ns"}, {Span(-4e6), "-4 ms"},
		{Time(12.3456), "12.346 s"}, {Time(-0.5), "-0.500 s"}, {Time(3723.456), "1:02:03.456"},
		{Time(2*86400 + 3723.4561), "2 d 01:02:03.456"}, {Time(-3600), "-1:00:00.000"}, {Time(math.NaN()), "NaN s"},
		{Bytes(512), "512 B"}, {Bytes(1200), "1.2 kB"}, {Bytes(340e6), "340 MB"}, {Bytes(2e9), "2 GB"},
		// 1 − 0.025^(1/864) for 0 of 864, Clopper–Pearson two-sided 95 %; the
		// rule of three (common practice) gives 1 in 288 for one side.
		{Fewer(3.0 / 864), "fewer than 1 in 288"},
		{Fewer(1 - math.Pow(0.025, 1.0/864)), "fewer than 1 in 234"},
		{Fewer(0.351), "at most 36 %"}, {Fewer(0.35), "at most 35 %"}, {Fewer(1), "at most 100 %"},
		{AtMost(3.0 / 864), "0.35 %"}, {AtMost(0.0331), "3.4 %"}, {AtMost(0.351), "36 %"}, {AtMost(0.35), "35 %"}, {AtMost(1), "100 %"},
		{Fewer(0.0999), "fewer than 1 in 10"}, {Fewer(0), "none"},
	} {
		if c.got != c.want {
			t.Errorf("got %q, want %q", c.got, c.want)
		}
	}
}

// A bound in words never claims more than the number that it stands for.
func TestOneInNeverClaimsMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := rapid.Float64Range(1e-8, 1).Draw(t, "p")
		var n int
		for _, r := range OneIn(p)[len("1 in "):] {
			if r != ',' {
				d, err := strconv.Atoi(string(r))
				if err != nil {
					t.Fatal(err)
				}
				n = 10*n + d
			}
		}
		if 1/float64(n) < p*(1-1e-8) {
			t.Fatalf("1 in %d claims more than %v", n, p)
		}
		if 1/float64(n+1) >= p*(1+1e-8) {
			t.Fatalf("1 in %d is coarser than need be for %v", n, p)
		}
	})
}

// By hand: two significant digits of what would read as 0, and the digit that
// tells a value from its limit.
func TestSmallDistances(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{
		{0, 2, "0.00"}, {0.004, 2, "0.0040"}, {-0.004, 2, "-0.0040"}, {0.006, 2, "0.01"}, {0.000449, 0, "0.00045"}, {11.52, 2, "11.52"},
		{4e-8, 6, "0.000000040"}, {1e-18, 3, "0.000000000000000"}, {math.NaN(), 2, "NaN"}, {math.Inf(1), 2, "+Inf"},
	} {
		if got := NonZero(c.v, c.decimals); got != c.want {
			t.Errorf("NonZero(%v, %d) is %q, want %q", c.v, c.decimals, got, c.want)
		}
	}
	for _, c := range []struct {
		v, limit float64
		decimals int
		want     string
	}{
		{70.0004, 70, 2, "70.0004"}, {70.05, 70, 2, "70.05"}, {69.99996, 70, 2, "69.99996"}, {70, 70, 2, "70.00"}, {81.5, 70, 0, "82"},
		{9.08996, 9.09, 3, "9.08996"},
	} {
		if got := Apart(c.v, c.limit, c.decimals); got != c.want {
			t.Errorf("Apart(%v, %v, %d) is %q, want %q", c.v, c.limit, c.decimals, got, c.want)
		}
	}
}

// Items are joined as in a sentence.
func TestList(t *testing.T) {
	for want, items := range map[string][]string{"": nil, "a": {"a"}, "a and b": {"a", "b"}, "a, b and c": {"a", "b", "c"}} {
		if got := List(items); got != want {
			t.Errorf("%q: %q, want %q", items, got, want)
		}
	}
}
