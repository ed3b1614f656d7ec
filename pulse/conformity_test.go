package pulse

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"
)

var statements = []Statement{Pass, ConditionalPass, NotMeasured, ConditionalFail, Fail} // better to worse

// ILAC-G8:09/2019, non-binary statement with guard band: the zones and their
// ends, for an upper limit of 63 with U = 0.5 and the same mirrored.
func TestJudge(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name               string
		observed, limit, u float64
		want               Statement
	}{
		{"far inside", 60, 63, 0.5, Pass},
		{"on the acceptance limit", 62.5, 63, 0.5, Pass},
		{"just in the guard band", 62.5000001, 63, 0.5, ConditionalPass},
		{"just inside", 62.9999999, 63, 0.5, ConditionalPass},
		{"on the limit", 63, 63, 0.5, ConditionalPass},
		{"just outside", 63.0000001, 63, 0.5, ConditionalFail},
		{"on the rejection limit", 63.5, 63, 0.5, ConditionalFail},
		{"just beyond", 63.5000001, 63, 0.5, Fail},
		{"far outside", 90, 63, 0.5, Fail},

		{"U 0, inside", 62.9999999, 63, 0, Pass},
		{"U 0, on the limit", 63, 63, 0, Pass},
		{"U 0, outside", 63.0000001, 63, 0, Fail},
		{"U larger than the limit, inside", 1, 3, 5, ConditionalPass},
		{"U larger than the limit, outside", 4, 3, 5, ConditionalFail},
		{"limit 0, on it", 0, 0, 0, Pass},
		{"limit 0, with U", 0, 0, 0.1, ConditionalPass},
		{"limit 0, just outside", 1e-9, 0, 0, Fail},
		{"negative limit", -5.47, -5.40, 0.05, Pass},

		{"value not a number", nan, 63, 0.5, NotMeasured},
		{"value infinite", inf, 63, 0.5, NotMeasured},
		{"U not a number", 60, 63, nan, NotMeasured},
		{"U infinite", 60, 63, inf, NotMeasured},
		{"U negative", 60, 63, -0.1, NotMeasured},
		{"limit not a number", 60, nan, 0.5, NotMeasured},
		{"no limit on this side", 60, inf, 0.5, Pass},
		{"limit that nothing keeps", 60, -inf, 0.5, Fail},

		// One rounding away from a bound is on it.
		{"limit, rounded up", math.Nextafter(63, inf), 63, 0.5, ConditionalPass},
		{"limit, rounded up, U 0", math.Nextafter(63, inf), 63, 0, Pass},
		{"acceptance limit, rounded up", math.Nextafter(62.5, inf), 63, 0.5, Pass},
		{"rejection limit, rounded up", math.Nextafter(63.5, inf), 63, 0.5, ConditionalFail},
		{"63.1 − 63 is more than 0.1", 63.1, 63, 0.1, ConditionalFail},
		{"62.6 − 63 is more than −0.4", 62.6, 63, 0.4, Pass},
		{"a large U takes no part in where the limit is", 1e-12, -1e-12, 2, ConditionalFail},
		// One nanosecond is not.
		{"1 ns over 100 ms", 100.000001, 100, 0, Fail},
		{"1 ns over 500 s", 500000.000001, 500000, 0, Fail},
	} {
		if got := Judge(c.observed, c.limit, c.u, true); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
		if got := Judge(-c.observed, -c.limit, c.u, false); got != c.want {
			t.Errorf("%s, mirrored: %s, want %s", c.name, got, c.want)
		}
	}
}

// Percent break worked out from a break and a period that stand exactly at a
// limit is on the limit, though its float64 is often a rounding beside it.
func TestJudgeRounding(t *testing.T) {
	const period = 100_000_000
	beside := 0
	for tenths := 1; tenths < 1000; tenths++ {
		limit := float64(tenths) / 10
		for _, per := range []int{90_900_000, 111_100_000, period} {
			percent := 100 * (float64(per/1000*tenths) / float64(per))
			if percent != limit {
				beside++
			}
			for _, upper := range []bool{true, false} {
				if got := Judge(percent, limit, 0, upper); got != Pass {
					t.Fatalf("%v of %v, upper %v: %s", percent, limit, upper, got)
				}
				if got := Judge(percent, limit, 0.5, upper); got != ConditionalPass {
					t.Fatalf("%v of %v, upper %v, with U: %s", percent, limit, upper, got)
				}
			}
		}
	}
	if beside < 100 {
		t.Errorf("only %d values were rounded: the test tells nothing", beside)
	}
}

// The statement never gets better as a value moves outward; more uncertainty
// moves a verdict towards the middle only.
func TestJudgeMonotone(t *testing.T) {
	index := func(s Statement) int {
		for i, x := range statements {
			if x == s {
				return i
			}
		}
		panic(s)
	}
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) float64 { return rapid.Float64Range(-100, 100).Draw(t, name) }
		limit, a, b := draw("limit"), draw("a"), draw("b")
		u, more := math.Abs(draw("u")), math.Abs(draw("more"))
		if near, far := index(Judge(min(a, b), limit, u, true)), index(Judge(max(a, b), limit, u, true)); near > far {
			t.Fatalf("%v is %s, %v is %s", min(a, b), statements[near], max(a, b), statements[far])
		}
		s, vague := Judge(a, limit, u, true), Judge(a, limit, u+more, true)
		if vague != s && !(s == Pass && vague == ConditionalPass || s == Fail && vague == ConditionalFail) {
			t.Fatalf("%v ± %v is %s, ± %v is %s", a, u, s, u+more, vague)
		}
	})
}

func TestWorst(t *testing.T) {
	for i, a := range statements {
		for j, b := range statements {
			if got := Worst(a, b); got != statements[max(i, j)] {
				t.Errorf("worst of %s and %s is %s", a, b, got)
			}
		}
		if want := Worst(a, NotMeasured); Worst(a, "") != want || Worst("passed", a) != want {
			t.Errorf("an unheard-of statement beside %s does not count as not measured", a)
		}
	}
}

// One-sided 95 % upper limits for samples of 10, a table of books on
// reliability (from memory), and scipy.stats.beta.ppf of SciPy 1.10.1
// (testdata/figures.py).
func TestUpperBound95Known(t *testing.T) {
	for out, want := range []float64{0.2589, 0.3942, 0.5069, 0.6066, 0.6965, 0.7776, 0.8500, 0.9127, 0.9632, 0.9949, 1} {
		got, ok := UpperBound95(out, 10)
		if !ok || math.Abs(got-want) > 5.01e-5 {
			t.Errorf("%d of 10: %v, want %v", out, got, want)
		}
	}
	for _, c := range []struct {
		out, of int
		want    float64
	}{
		{1, 10, 0.39416330243650466}, {2, 10, 0.5069013010632024}, {5, 10, 0.7775588989918706},
		{9, 10, 0.9948838031081763}, {3, 100, 0.07571079374983004}, {17, 40000, 0.0006374130240411681},
		{1, 10000000, 4.743863629843794e-07},
	} {
		if got, ok := UpperBound95(c.out, c.of); !ok || !near(got, c.want, 1e-7) {
			t.Errorf("%d of %d: %v, want %v", c.out, c.of, got, c.want)
		}
	}
	// The rule of three: 0 of n shows less than −ln 0.05 = 2.9957 in n.
	for _, n := range []int{1000, 40000, 1e9} {
		got, _ := UpperBound95(0, n)
		within(t, "rule of three", got*float64(n), 2.995732273553991, 5/float64(n))
	}
	for _, c := range [][2]int{{0, 0}, {1, 0}, {-1, 5}, {6, 5}, {0, -1}} {
		if got, ok := UpperBound95(c[0], c[1]); ok || got != 0 {
			t.Errorf("%d of %d: %v", c[0], c[1], got)
		}
	}
}

// At the bound, so few out of limit have a probability of 5 %: the sum of
// binomial probabilities, which knows nothing of the beta function.
func TestUpperBound95Binomial(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		of := rapid.OneOf(rapid.IntRange(1, 100), rapid.IntRange(1, 2_000_000_000)).Draw(t, "of")
		out := rapid.IntRange(0, min(of-1, 200)).Draw(t, "out")
		bound, ok := UpperBound95(out, of)
		if !ok || bound <= float64(out)/float64(of) || bound > 1 {
			t.Fatalf("%d of %d: %v", out, of, bound)
		}
		b := distuv.Binomial{N: float64(of), P: bound}
		var p float64
		for k := range out + 1 {
			p += b.Prob(float64(k))
		}
		if math.Abs(p-0.05) > 1e-5 {
			t.Fatalf("%d of %d: bound %v has probability %v", out, of, bound, p)
		}
		if more, _ := UpperBound95(out+1, of); more <= bound {
			t.Fatalf("%d of %d: %v, one more %v", out, of, bound, more)
		}
	})
}

// Consumer's and producer's risk of accepting on a statement (JCGM 106:2012,
// inputs from memory, risks worked out apart from this code by testdata/figures.py): a
// process of mean 0 and u 0.12 within ±0.2, measured with u 0.04. Accepted is
// what both limits call at least so good; a guard band moves the acceptance
// limit inward for Pass and outward for anything but Fail.
func TestRisks(t *testing.T) {
	const u0, um, tolerance = 0.12, 0.04, 0.2
	total := math.Hypot(u0, um)
	posterior := u0 * um / total
	for _, c := range []struct {
		guard              float64
		worst              Statement
		consumer, producer float64
	}{
		{0, Pass, 0.01894, 0.03721},
		{0.02, Pass, 0.00988, 0.06903},
		{0.04, Pass, 0.00433, 0.11466},
		{0.08, Pass, 0.00047, 0.24767},
		{0.04, ConditionalFail, 0.04490, 0.00710},
		{0.04, ConditionalPass, 0.01894, 0.03721}, // the limit itself accepts
	} {
		const step = 1e-5
		var consumer, producer float64
		for y := -1 + step/2; y < 1; y += step {
			density := math.Exp(-y*y/(2*total*total)) / (total * math.Sqrt(2*math.Pi)) * step
			value := distuv.Normal{Mu: y * u0 * u0 / (total * total), Sigma: posterior}
			conforms := value.CDF(tolerance) - value.CDF(-tolerance)
			s := Worst(Judge(y, tolerance, c.guard, true), Judge(y, -tolerance, c.guard, false))
			if Worst(s, c.worst) == c.worst {
				consumer += density * (1 - conforms)
			} else {
				producer += density * conforms
			}
		}
		within(t, "consumer's risk", consumer, c.consumer, 6e-6)
		within(t, "producer's risk", producer, c.producer, 6e-6)
	}
}
