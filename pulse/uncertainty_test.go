package pulse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"
)

func within(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s is %v, want %v ± %v", what, got, want, tolerance)
	}
}

// JCGM 100:2008, H.1, end-gauge calibration. The published figures, seen
// through a secondary source, are rounded to the digits given; lengths in nm.
func TestCombineGUMH1(t *testing.T) {
	ud, nud := Combine([]Input{
		{Sensitivity: 1, Standard: 5.8, DoF: 24},
		{Sensitivity: 1, Standard: 3.9, DoF: 5},
		{Sensitivity: 1, Standard: 6.7, DoF: 8},
	}, nil)
	within(t, "u(d)", ud, 9.7, 0.05)
	within(t, "degrees of freedom of d", nud, 25.6, 0.2) // 25.45 from the rounded inputs

	const ls, alpha, theta = 50000623, 11.5e-6, -0.1
	u, dof := Combine([]Input{
		{Name: "standard", Sensitivity: 1, Standard: 25, DoF: 18},
		{Name: "difference", Sensitivity: 1, Standard: ud, DoF: nud},
		{Name: "expansion of the standard", Sensitivity: 0, Standard: 2e-6 / math.Sqrt(3)},
		{Name: "temperature", Sensitivity: 0, Standard: 0.41, DoF: math.Inf(1)},
		{Name: "difference in expansion", Sensitivity: -ls * theta, Standard: 1e-6 / math.Sqrt(3), DoF: 50},
		{Name: "difference in temperature", Sensitivity: -ls * alpha, Standard: 0.05 / math.Sqrt(3), DoF: 2},
	}, nil)
	within(t, "u(l)", u, 32, 0.5)
	within(t, "u(l), recomputed", u, 31.66, 0.01)
	if math.Floor(dof) != 16 {
		t.Errorf("degrees of freedom %v, truncated want 16", dof)
	}
}

// JCGM 100:2008, H.2, resistance and reactance from correlated readings; as
// published, seen through a secondary source.
func TestCombineGUMH2(t *testing.T) {
	series := [][]float64{
		{5.007, 4.994, 5.005, 4.990, 4.999},                     // V
		{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}, // A
		{1.0456, 1.0438, 1.0468, 1.0428, 1.0433},                // rad
	}
	var mean, u [3]float64
	for i, s := range series {
		var m Moments
		for _, x := range s {
			m.Add(x)
		}
		mean[i], _ = m.Mean()
		u[i], _ = m.SE()
	}
	corr := func(i, j int) float64 { return stat.Correlation(series[i], series[j], nil) }
	within(t, "u(V)", u[0], 0.0032, 5e-5)
	within(t, "u(I)", u[1], 0.0095e-3, 5e-8)
	within(t, "u(φ)", u[2], 0.00075, 5e-6)

	v, i, sin, cos := mean[0], mean[1], math.Sin(mean[2]), math.Cos(mean[2])
	for _, c := range []struct {
		name                        string
		value, want, tolerance      float64
		sensitivity                 [3]float64
		standard, standardTolerance float64
	}{
		{"R", v / i * cos, 127.732, 5e-4, [3]float64{cos / i, -v * cos / (i * i), -v * sin / i}, 0.071, 5e-4},
		// Published 0.295 by way of rounded figures; 0.29558 unrounded.
		{"X", v / i * sin, 219.847, 5e-4, [3]float64{sin / i, -v * sin / (i * i), v * cos / i}, 0.2956, 5e-4},
		{"Z", v / i, 254.260, 5e-4, [3]float64{1 / i, -v / (i * i), 0}, 0.236, 5e-4},
	} {
		var in []Input
		for k := range u {
			in = append(in, Input{Sensitivity: c.sensitivity[k], Standard: u[k], DoF: 4})
		}
		got, dof := Combine(in, corr)
		within(t, c.name, c.value, c.want, c.tolerance)
		within(t, "u("+c.name+")", got, c.standard, c.standardTolerance)
		if !math.IsNaN(dof) {
			t.Errorf("%s: %v degrees of freedom from correlated inputs", c.name, dof)
		}
		if alone, _ := Combine(in, nil); math.Abs(alone-c.standard) < 10*c.standardTolerance {
			t.Errorf("u(%s) is %v without correlation too: the case tells nothing", c.name, alone)
		}
	}
}

// JCGM 100:2008, H.3, thermometer correction at 30 °C from a fitted line y1 +
// y2 (t − 20) whose parameters are correlated; seen through a secondary source.
func TestCombineGUMH3(t *testing.T) {
	temperature := []float64{21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511}
	correction := []float64{-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160}
	n := float64(len(temperature))
	var sum, squares, residual float64
	x := make([]float64, len(temperature))
	for i, c := range temperature {
		x[i] = c - 20
		sum += x[i]
		squares += x[i] * x[i]
	}
	y1, y2 := stat.LinearRegression(x, correction, nil, false)
	for i := range x {
		r := correction[i] - y1 - y2*x[i]
		residual += r * r
	}
	s := math.Sqrt(residual / (n - 2))
	d := n*squares - sum*sum
	u1, u2, r := s*math.Sqrt(squares/d), s*math.Sqrt(n/d), -sum/math.Sqrt(n*squares)
	within(t, "y1", y1, -0.1712, 5e-5)
	within(t, "y2", y2, 0.00218, 5e-6)
	within(t, "u(y1)", u1, 0.0029, 5e-5)
	within(t, "u(y2)", u2, 0.00067, 5e-6)
	within(t, "r(y1, y2)", r, -0.930, 5e-4)

	u, _ := Combine([]Input{{Sensitivity: 1, Standard: u1, DoF: n - 2}, {Sensitivity: 10, Standard: u2, DoF: n - 2}},
		func(i, j int) float64 { return r })
	within(t, "b(30)", y1+10*y2, -0.1494, 5e-5)
	within(t, "u(b(30))", u, 0.0041, 5e-5)
}

func TestCombineCorners(t *testing.T) {
	inf := math.Inf(1)
	two := []Input{{Sensitivity: 1, Standard: 3, DoF: 7}, {Sensitivity: -1, Standard: 3}}
	full := func(r float64) func(int, int) float64 { return func(int, int) float64 { return r } }
	for _, c := range []struct {
		name   string
		in     []Input
		corr   func(i, j int) float64
		u, dof float64
	}{
		{"none", nil, nil, 0, inf},
		{"one keeps its degrees of freedom", two[:1], nil, 3, 7},
		{"all infinite", []Input{{Sensitivity: 3, Standard: 1}, {Sensitivity: 4, Standard: 1, DoF: inf}}, nil, 5, inf},
		{"correlation 0 is independence", two, full(0), math.Sqrt(18), 4 * 7},
		{"a difference, fully correlated, cancels", two, full(1), 0, inf},
		{"fully opposed adds", two, full(-1), 6, math.NaN()},
		{"small figures do not vanish", []Input{{Sensitivity: 1, Standard: 1e-100, DoF: 5}}, nil, 1e-100, 5},
	} {
		u, dof := Combine(c.in, c.corr)
		if !near(u, c.u, 1e-12) || !(dof == c.dof || near(dof, c.dof, 1e-12)) {
			t.Errorf("%s: u %v, dof %v; want %v, %v", c.name, u, dof, c.u, c.dof)
		}
	}
}

// Fully correlated inputs that cancel leave nothing, and never a root of a
// negative rounding.
func TestCombineCancels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := rapid.Float64Range(-1, 1).Draw(t, "a"), rapid.Float64Range(-1, 1).Draw(t, "b")
		in := []Input{{Sensitivity: a, Standard: 1}, {Sensitivity: b, Standard: 1}, {Sensitivity: -a - b, Standard: 1}}
		if u, _ := Combine(in, func(i, j int) float64 { return 1 }); !(u < 1e-7) {
			t.Fatal(u)
		}
	})
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
				var m Moments
				for range draws {
					m.Add(chainError(c.setup, q, length[0], length[1], rng))
				}
				drawn, _ := m.SD()
				got := c.setup.Budget(q, length[0], length[1])
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
			{Cause{Resolution, "steps of 24 µs"}, 0.024 / math.Sqrt(6), "B"},
		},
	}
	rounded := cmp.Comparer(func(a, b float64) bool { return near(a, b, 1e-12) })
	if diff := cmp.Diff(want, s.Budget(BreakMS, 60e6, 100e6), rounded); diff != "" {
		t.Error(diff)
	}
	for q, absent := range map[Quantity]string{
		PeriodMS: "opto", RatePPS: "opto", RateIPM: "opto", BounceMS: "opto", BreakPercent: "time base", BreakRatio: "time base",
	} {
		b := s.Budget(q, 60e6, 100e6).Budget
		if len(b) != 3 || strings.Contains(fmt.Sprint(b), absent) {
			t.Errorf("%s: budget %v, want three lines and no %s", q, b, absent)
		}
	}
	s.ResolutionNS = 1
	if b := s.Budget(PeriodMS, 0, 100e6).Budget; len(b) != 2 {
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
		got := DefaultSetup().Budget(c.q, c.brk, c.period)
		if c.wantUnmeasured {
			if diff := cmp.Diff(unknown, got); diff != "" {
				t.Errorf("%s of %v in %v: %s", c.q, c.brk, c.period, diff)
			}
		} else if !got.Standard.OK || got.Standard.V <= 0 {
			t.Errorf("%s of %v in %v: %v", c.q, c.brk, c.period, got)
		}
	}
	if got := (Setup{}).Budget(BreakMS, 60e6, 100e6); got.Standard != Known(0) || len(got.Budget) != 0 {
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
		got := s.Budget(q, brk, period)
		var sum float64
		for _, c := range got.Budget {
			sum += c.Standard * c.Standard
		}
		if !near(got.Standard.V, math.Sqrt(sum), 1e-12) {
			t.Fatalf("%v: root sum of squares %v", got, math.Sqrt(sum))
		}
		s.EdgeNoiseNS += 1e3
		if worse := s.Budget(q, brk, period); worse.Standard.V <= got.Standard.V {
			t.Fatalf("with more noise %v, before %v", worse.Standard, got.Standard)
		}
	})
}

func TestDefaultSetupIsKindB(t *testing.T) {
	for _, c := range DefaultSetup().Budget(BreakMS, 60e6, 100e6).Budget {
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
			var m Moments
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
			got := x.s.CycleBudget(x.q, k, brk*1e6, period*1e6).Standard
			if x.byHand > 0 && !near(got.V, x.byHand, 5e-4) {
				t.Errorf("%v, u(%s) is %v, by hand %v", c.cadence, x.q, got, x.byHand)
			}
			if d := drawn(x.s, x.q); !got.OK || !near(got.V, d, 0.015) {
				t.Errorf("%v, u(%s) is %v, drawn %v", c.cadence, x.q, got, d)
			}
		}
		for _, q := range []Quantity{PeriodMS, RateIPM} { // openings alone
			if d := cmp.Diff(DefaultSetup().Budget(q, 0, period*1e6), DefaultSetup().CycleBudget(q, k, 0, period*1e6)); d != "" {
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
		budget := fmt.Sprint(Setup{EdgeNoiseNS: 1, ResolutionNS: c.ns}.CycleBudget(BreakPercent, 2, 2200e6, 3000e6).Budget)
		if got := strings.Contains(budget, "resolution"); got != (c.want != "") || !strings.Contains(budget, c.want) {
			t.Errorf("steps of %v ns: %s, want %q", c.ns, budget, c.want)
		}
	}
}
