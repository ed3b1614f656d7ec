package duration

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// Values are the SI's and its accepted units (SI Brochure, 9th edition, table
// 8: min = 60 s, h = 60 min, d = 24 h), worked by hand.
func TestParse(t *testing.T) {
	for s, want := range map[string]int64{
		"0": 0, "-0": 0, "+0": 0, "0.0": 0, "00": 0, "0s": 0, "0d": 0,
		"7ns": 7, "20us": 20_000, "20µs": 20_000, "20\u03bcs": 20_000, "200ms": 200_000_000, "1.5s": 1_500_000_000,
		"10m": 600_000_000_000, "10min": 600_000_000_000, "2h": 7_200_000_000_000, "3d": 259_200_000_000_000,
		"1.5d": 129_600_000_000_000, "0.5m": 30_000_000_000, "-12.5us": -12_500, "+3ms": 3_000_000, ".5s": 500_000_000, "5.s": 5_000_000_000,
		"010ms": 10_000_000, "1h30m": 5_400_000_000_000, "1h30min": 5_400_000_000_000, "-1m1.5s": -61_500_000_000, "1d12h": 129_600_000_000_000,
		"0.3s": 300_000_000, "1.000000001s": 1_000_000_001,
		"0.4ns": 0, "0.5ns": 1, "1.5ns": 2, "-0.5ns": -1, "0.3ns0.3ns": 1,
		"9223372036854775807ns": math.MaxInt64, "-9223372036854775808ns": math.MinInt64, "106751d": 9_223_286_400_000_000_000,
	} {
		if got, err := Parse(s); err != nil || got != want {
			t.Errorf("%q: %d, %v, want %d", s, got, err, want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	const form = "expected a time such as 800ms, 0.8s or 200us"
	const unit = "expected a time in ns, us, ms, s, min, h or d, such as 800ms"
	const long = "expected a time shorter than 292 years"
	for s, want := range map[string]string{
		"": form, "-": form, "+": form, ".": form, ".s": form, "ms": form, "--1s": form, "+-1s": form, "- 1s": form, "1.2.3s": form, "soon": form,
		"1/2s": unit, "0x1s": unit, "1e3s": unit, "1_0s": unit, "1,5s": unit, "1 s": unit, "1s ": unit, "1S": unit, "1y": unit, "1sec": unit, "1m-1s": unit, "1\xffs": unit,
		"Infs": form, "NaN": form,
		"800": "expected a time with its unit, such as 800ms", "1s5": "expected a time with its unit, such as 5ms", "-1.5": "expected a time with its unit, such as 1.5ms",
		"1s0": "expected a time with its unit, such as 0ms", "0s0": "expected a time with its unit, such as 0ms",
		"9223372036854775808ns": long, "-9223372036854775809ns": long, "106752d": long, "9223372036854775807.5ns": long,
		strings.Repeat("9", 90) + "d": long, strings.Repeat("0", 99) + "1s": form,
	} {
		if got, err := Parse(s); err == nil || err.Error() != want {
			t.Errorf("%q: %d, %v, want %s", s, got, err, want)
		}
	}
}

func TestFormat(t *testing.T) {
	for ns, want := range map[int64]string{
		0: "0", 1: "0.001us", -12_500: "-12.5us", 99_999: "99.999us", 100_000: "0.1ms", 1_000_000: "1ms", 1_500_000_000: "1500ms",
		2_000_000_000: "2s", 600_000_000_000: "600s", math.MaxInt64: "9223372036854.775807ms", math.MinInt64: "-9223372036854.775808ms",
	} {
		if got := Format(ns); got != want {
			t.Errorf("%d: %s, want %s", ns, got, want)
		}
	}
}

func TestWrittenIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ns := rapid.Int64().Draw(t, "ns") / int64(math.Pow10(rapid.IntRange(0, 18).Draw(t, "digits")))
		if got, err := Parse(Format(ns)); err != nil || got != ns {
			t.Fatalf("%s: %d, %v, want %d", Format(ns), got, err, ns)
		}
	})
}

// Whatever the standard library's time.ParseDuration reads is read too; it cuts
// off what is finer than a ns, of each part.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"0", "4ms", "-1h30m.5s", "10min", "3d", "1.0000000009s", "µs", "-9223372036854775808ns", "1h2h3µs4\u03bcs"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		ns, err := Parse(s)
		if err != nil && !strings.HasPrefix(err.Error(), "expected ") {
			t.Errorf("%q: %v", s, err)
		}
		if err == nil {
			if again, err := Parse(Format(ns)); err != nil || again != ns {
				t.Errorf("%q: %d, %d and %v from %s", s, ns, again, err, Format(ns))
			}
		}
		std, stdErr := time.ParseDuration(s)
		if stdErr != nil || len(s) > maxText || std > math.MaxInt64-maxText || std < math.MinInt64+maxText {
			return
		}
		if apart := ns - int64(std); err != nil || apart > maxText || apart < -maxText {
			t.Errorf("%q: %d, %v, the standard library reads %d", s, ns, err, int64(std))
		}
	})
}
