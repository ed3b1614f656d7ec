package pulse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// A chain draws edges with the errors that a Setup states and gives the error
// of a quantity read from them: the measurement model itself, with no
// derivative (JCGM 101:2008, propagation of distributions by Monte Carlo).
func chainError(s Setup, q Quantity, breakNS, periodNS float64, rng *rand.Rand) float64 {
	coupler := s.AsymmetryUNS * math.Sqrt(3) * (2*rng.Float64() - 1)
	clock := 1 + s.ClockRel*rng.NormFloat64()
	read := func(at float64, opening bool) float64 {
		if opening {
			at -= coupler
		}
		at = (at + s.EdgeNoiseNS*rng.NormFloat64()) * clock
		if s.ResolutionNS > 1 {
			at = math.Round(at/s.ResolutionNS) * s.ResolutionNS
		}
		return at
	}
	// Any phase against the steps of the recorded times.
	step := max(s.ResolutionNS, 1)
	t1 := step * rng.Float64()
	t2 := t1 + breakNS + step*(rng.Float64()-0.5)
	t3 := t1 + periodNS + step*(rng.Float64()-0.5)
	value := func(t1, t2, t3 float64) float64 {
		switch q {
		case BreakMS, SegmentMS:
			return (t2 - t1) / 1e6
		case MakeMS:
			return (t3 - t2) / 1e6
		case PeriodMS:
			return (t3 - t1) / 1e6
		case RatePPS:
			return 1e9 / (t3 - t1)
		case RateIPM:
			return 60e9 / (t3 - t1)
		case BreakPercent:
			return 100 * (t2 - t1) / (t3 - t1)
		case BreakRatio:
			return (t2 - t1) / (t3 - t2)
		}
		panic(q)
	}
	switch q {
	case BounceMS: // of an opening: it ends with an opening
		return (read(t2, true)-read(t1, true))/1e6 - (t2-t1)/1e6
	case InterdigitMS: // t1 closes, t3 opens
		return (read(t3, true)-read(t1, false))/1e6 - (t3-t1)/1e6
	}
	return value(read(t1, true), read(t2, false), read(t3, true)) - value(t1, t2, t3)
}

var quantities = []Quantity{
	BreakMS, MakeMS, InterdigitMS, PeriodMS, RatePPS, RateIPM, BreakPercent, BreakRatio, BounceMS, SegmentMS,
}

func TestBudgetMonteCarlo(t *testing.T) {
	const draws = 40000 // the standard deviation is known within 0.35 %
	all := Setup{EdgeNoiseNS: 20e3, AsymmetryUNS: 57735, ClockRel: 500e-6, ResolutionNS: 100e3}
	for _, c := range []struct {
		name  string
		setup Setup
	}{
		{"default", DefaultSetup()},
		{"edge noise", Setup{EdgeNoiseNS: all.EdgeNoiseNS}},
		{"asymmetry", Setup{AsymmetryUNS: all.AsymmetryUNS}},
		{"clock", Setup{ClockRel: all.ClockRel}},
		{"resolution", Setup{ResolutionNS: all.ResolutionNS}},
		{"all", all},
	} {
		for _, q := range quantities {
			for _, length := range [][2]float64{{61.5e6, 100e6}, {33e6, 50e6}, {100e6, 400e6}} {
				rng := rand.New(rand.NewPCG(7, 8))
				var m moments
				for range draws {
					m.Add(chainError(c.setup, q, length[0], length[1], rng))
				}
				drawn, _ := m.SD()
				got := c.setup.Budget(q, 1, length[0], length[1])
				if !got.Standard.OK || !near(got.Standard.V, drawn, 0.015) && max(got.Standard.V, drawn) > 1e-9 {
					t.Errorf("%s: u(%s) of %v is %v, drawn %v", c.name, q, length, got.Standard, drawn)
				}
				if got.Expanded != Known(2*got.Standard.V) {
					t.Errorf("%s: expanded %v, standard %v", c.name, got.Expanded, got.Standard)
				}
			}
		}
	}
}

// By hand: a break of 60 ms with edges of 20 µs, an asymmetry of 0.1 ms, a
// time base of 50 ppm and steps of 24 µs.
func TestBudgetByHand(t *testing.T) {
	s := Setup{
		EdgeNoiseNS: 20e3, EdgeNoiseFrom: "loopback calibration", EdgeNoiseA: true,
		AsymmetryUNS: 100e3, AsymmetryFrom: "assumed, not calibrated",
		ClockRel: 50e-6, ResolutionNS: 24e3, CoverageFactorK: 3,
	}
	variance := 2*0.02*0.02 + 0.1*0.1 + 0.003*0.003 + 2*0.024*0.024/12
	want := &BudgetResult{
		Standard: Known(math.Sqrt(variance)), Expanded: Known(3 * math.Sqrt(variance)),
		Budget: []Component{
			{Cause{EdgeNoise, "loopback calibration"}, 0.02 * math.Sqrt2, "A"},
			{Cause{Asymmetry, "assumed, not calibrated"}, 0.1, "B"},
			{Cause{TimeBase, ""}, 60 * 50e-6, "B"},
			{Cause{Resolution, "steps of 24 µs"}, Rounded(0.024 / math.Sqrt(6)), "B"},
		},
	}
	close12 := cmp.Options{
		cmp.Comparer(func(a, b float64) bool { return near(a, b, 1e-12) }),
		cmp.Comparer(func(a, b Rounded) bool { return near(float64(a), float64(b), 1e-12) }),
	}
	if diff := cmp.Diff(want, s.Budget(BreakMS, 1, 60e6, 100e6), close12); diff != "" {
		t.Error(diff)
	}
	for q, absent := range map[Quantity]string{
		PeriodMS: "opto", RatePPS: "opto", RateIPM: "opto", BounceMS: "opto", BreakPercent: "time base", BreakRatio: "time base",
	} {
		b := s.Budget(q, 1, 60e6, 100e6).Budget
		if len(b) != 3 || strings.Contains(fmt.Sprint(b), absent) {
			t.Errorf("%s: budget %v, want three lines and no %s", q, b, absent)
		}
	}
	s.ResolutionNS = 1
	if b := s.Budget(PeriodMS, 1, 0, 100e6).Budget; len(b) != 2 {
		t.Errorf("whole nanoseconds: budget %v, want two lines", b)
	}
}

func TestBudgetUnknown(t *testing.T) {
	unknown := &BudgetResult{Budget: []Component{}}
	nan := math.NaN()
	for _, c := range []struct {
		q              Quantity
		brk, period    float64
		wantUnmeasured bool
	}{
		{BreakMS, 0, 100e6, true}, {BreakMS, -1, 100e6, true}, {BreakMS, nan, 100e6, true}, {BreakMS, math.Inf(1), 0, true},
		{BreakMS, 60e6, 0, false}, {SegmentMS, 60e6, nan, false}, {SegmentMS, 0, 60e6, true},
		{MakeMS, 0, 100e6, true}, {MakeMS, 100e6, 100e6, true}, {MakeMS, 120e6, 100e6, true}, {MakeMS, 60e6, nan, true},
		{BreakPercent, 60e6, 0, true}, {BreakPercent, 0, 100e6, true}, {BreakRatio, 60e6, 60e6, true},
		{PeriodMS, 60e6, 0, true}, {RatePPS, 60e6, -5, true}, {RateIPM, 0, 0, true}, {RatePPS, 0, 100e6, false},
		{InterdigitMS, 60e6, 0, true}, {InterdigitMS, 0, 600e6, false},
		{BounceMS, 0, 0, false}, {BounceMS, -1, 0, true}, {"no such quantity", 60e6, 100e6, true},
	} {
		got := DefaultSetup().Budget(c.q, 1, c.brk, c.period)
		if c.wantUnmeasured {
			if diff := cmp.Diff(unknown, got); diff != "" {
				t.Errorf("%s of %v in %v: %s", c.q, c.brk, c.period, diff)
			}
		} else if !got.Standard.OK || got.Standard.V <= 0 {
			t.Errorf("%s of %v in %v: %v", c.q, c.brk, c.period, got)
		}
	}
	if got := (Setup{}).Budget(BreakMS, 1, 60e6, 100e6); got.Standard != Known(0) || len(got.Budget) != 0 {
		t.Errorf("a chain without errors: %v", got)
	}
}

// The total is the root sum of squares of its lines, and grows when the
// chain gets worse.
func TestBudgetLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		figure := func(name string, most float64) float64 { return rapid.Float64Range(0, most).Draw(t, name) }
		s := Setup{
			EdgeNoiseNS: figure("noise", 1e5), AsymmetryUNS: figure("asymmetry", 1e6),
			ClockRel: figure("clock", 1e-3), ResolutionNS: figure("resolution", 1e6),
		}
		period := 1e6 + figure("period", 6e9)
		brk := period * (0.01 + 0.98*figure("part", 1))
		q := rapid.SampledFrom(quantities).Draw(t, "quantity")
		got := s.Budget(q, 1, brk, period)
		var sum float64
		for _, c := range got.Budget {
			sum += float64(c.Standard * c.Standard)
		}
		if !near(got.Standard.V, math.Sqrt(sum), 1e-12) {
			t.Fatalf("%v: root sum of squares %v", got, math.Sqrt(sum))
		}
		s.EdgeNoiseNS += 1e3
		if worse := s.Budget(q, 1, brk, period); worse.Standard.V <= got.Standard.V {
			t.Fatalf("with more noise %v, before %v", worse.Standard, got.Standard)
		}
	})
}

func TestDefaultSetupIsKindB(t *testing.T) {
	for _, c := range DefaultSetup().Budget(BreakMS, 1, 60e6, 100e6).Budget {
		if c.Kind != "B" {
			t.Errorf("default setup: %v, want kind B", c)
		}
	}
}

// A cadence's percent break, drawn edge by edge with no derivative (JCGM
// 101:2008, Monte Carlo; seeds 7, 8), and by hand: 20 µs of noise in 3000 ms
// with b = 2200/3000 are 100 · 0.02/3000 · √(3 + (1−b)² + b²) = 0.0012665 %,
// and with 265/10/265/10/265/1200 in 2015 ms, b = 1220/2015, they are
// 100 · 0.02/2015 · √(5 + (1−b)² + b²) = 0.0023325 %.
func TestCycleBudget(t *testing.T) {
	const draws = 40000 // the standard deviation is known within 0.35 %
	noise, asymmetry, steps := Setup{EdgeNoiseNS: 20e3}, Setup{AsymmetryUNS: 57735}, Setup{ResolutionNS: 100e3}
	for _, c := range []struct {
		cadence                        []float64 // ms
		byHandNoise, byHandAsymmetry   float64
		byHandRatioNoise, byHandRatioA float64
	}{
		// Asymmetry: 100 · k · 0.057735 / period. The ratio's are those over 100 · (1 − b)².
		{[]float64{400, 200, 400, 2000}, 0.0012665, 0.0038490, 0.00017810, 0.00054127},
		{[]float64{265, 10, 265, 10, 265, 1200}, 0.0023325, 0.0085958, 0.00014984, 0.00055223},
		{[]float64{40, 60}, 0.024658, 0.057735, 0.0015411, 0.0036084},
	} {
		var brk, period float64
		for i, ms := range c.cadence {
			period += ms
			if i%2 == 1 {
				brk += ms
			}
		}
		k := len(c.cadence) / 2
		drawn := func(s Setup, q Quantity) float64 {
			rng := rand.New(rand.NewPCG(7, 8))
			var m moments
			for range draws {
				coupler := s.AsymmetryUNS * math.Sqrt(3) * (2*rng.Float64() - 1)
				step := max(s.ResolutionNS, 1)
				at := step * rng.Float64()
				read := func(opening bool) (seen float64) {
					at += step * (rng.Float64() - 0.5) // any phase against the steps
					seen = at + s.EdgeNoiseNS*rng.NormFloat64()
					if opening {
						seen -= coupler
					}
					if s.ResolutionNS > 1 {
						seen = math.Round(seen/step) * step
					}
					return seen - at
				}
				// b and the period from the errors of the edges, breaks first.
				first := read(true)
				open, errB := first, 0.0
				for i := range k {
					at += c.cadence[2*i+1] * 1e6
					errB += read(false) - open
					at += c.cadence[(2*i+2)%len(c.cadence)] * 1e6
					open = read(true)
				}
				b, p := brk*1e6+errB, period*1e6+open-first
				if q == BreakRatio {
					m.Add(b/(p-b) - brk/(period-brk))
				} else {
					m.Add(100 * (b/p - brk/period))
				}
			}
			sd, _ := m.SD()
			return sd
		}
		for _, x := range []struct {
			q      Quantity
			s      Setup
			byHand float64 // 0: only drawn
		}{
			{BreakPercent, noise, c.byHandNoise}, {BreakPercent, asymmetry, c.byHandAsymmetry}, {BreakPercent, steps, 0},
			{BreakRatio, noise, c.byHandRatioNoise}, {BreakRatio, asymmetry, c.byHandRatioA}, {BreakRatio, steps, 0},
		} {
			got := x.s.Budget(x.q, k, brk*1e6, period*1e6).Standard
			if x.byHand > 0 && !near(got.V, x.byHand, 5e-4) {
				t.Errorf("%v, u(%s) is %v, by hand %v", c.cadence, x.q, got, x.byHand)
			}
			if d := drawn(x.s, x.q); !got.OK || !near(got.V, d, 0.015) {
				t.Errorf("%v, u(%s) is %v, drawn %v", c.cadence, x.q, got, d)
			}
		}
		for _, q := range []Quantity{PeriodMS, RateIPM} { // openings alone
			if d := cmp.Diff(DefaultSetup().Budget(q, 1, 0, period*1e6), DefaultSetup().Budget(q, k, 0, period*1e6)); d != "" {
				t.Error(q, d)
			}
		}
	}
}

// Whole nanoseconds are no step, whatever the cadence, and a step is told in
// the unit that suits it.
func TestResolutionLine(t *testing.T) {
	for _, c := range []struct {
		ns   float64
		want string
	}{
		{0, ""}, {1, ""}, {1.5, "steps of 1.5 ns"}, {1e9 / 24e6, "steps of 41.67 ns"}, {1e3, "steps of 1 µs"}, {24e3, "steps of 24 µs"},
		{1e6 / 3.0, "steps of 333.3 µs"}, {1e6, "steps of 1 ms"}, {1e9, "steps of 1000 ms"},
	} {
		budget := fmt.Sprint(Setup{EdgeNoiseNS: 1, ResolutionNS: c.ns}.Budget(BreakPercent, 2, 2200e6, 3000e6).Budget)
		if got := strings.Contains(budget, "resolution"); got != (c.want != "") || !strings.Contains(budget, c.want) {
			t.Errorf("steps of %v ns: %s, want %q", c.ns, budget, c.want)
		}
	}
}
