package pulse

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

func trainsOf(period, brk float64, digits ...int) []Edge {
	return dialEdges(0, period, brk, 800, digits...)
}

// By hand, JCGM 100 5.1.2: three trains of four periods of 100 ms with breaks
// of 65 ms, edges of 20 µs, an asymmetry of 57.735 µs, 50 ppm. Rate: the edges
// count √(2·3) · 20 µs in 1.2 s, 40.825 ppm; with the time base 64.550 ppm of
// 10 pps, twice: 0.00129099. Percent break: √(2·12 − 2·3·0.65·0.35) · 20 µs =
// 95.153 µs and 12 · 57.735 µs = 692.82 µs, together 699.324 µs in 1.2 s, twice
// and in percent: 0.1165540.
func TestOverallByHand(t *testing.T) {
	u := measure(t, Config{}, trainsOf(100, 65, 5, 5, 5)).Uncertainty
	within(t, "U(rate)", u[RatePPS].Overall.V, 0.00129099, 1e-8)
	within(t, "U(percent break)", u[BreakPercent].Overall.V, 0.1165540, 1e-7)
	for q, b := range u {
		if want := q == RatePPS || q == BreakPercent; b.Overall.OK != want {
			t.Errorf("%s has an overall uncertainty: %v", q, b.Overall)
		}
	}
	// A cam's 40 cycles of 1 s and 0.5 s breaks in one run: √2 · 20 µs in 40 s and
	// 50 ppm are 50.005 ppm of 60 IPM, twice: 0.0060006. Percent break: √(80 −
	// 0.5) · 20 µs = 178.33 µs and 40 · 57.735 µs = 2309.4 µs, in 40 s 0.0115814 %.
	u = measure(t, Config{}, camEdges(0, 1000, 500, 41, nil)).Uncertainty
	within(t, "U(rate) of a cam", u[RateIPM].Overall.V, 0.0060006, 1e-7)
	within(t, "U(percent break) of a cam", u[BreakPercent].Overall.V, 0.0115814, 1e-7)
	// Nothing that was not measured has one.
	for q, b := range measure(t, Config{Kind: KindDial}, trainsOf(100, 65, 1)).Uncertainty {
		if b.Overall.OK {
			t.Errorf("without a period, %s: %v", q, b.Overall)
		}
	}
}

// Of a single period it is the uncertainty of that one value.
func TestOverallOfOne(t *testing.T) {
	s := DefaultSetup()
	s.ResolutionNS, s.CoverageFactorK = 1e5, 3
	for _, edges := range [][]Edge{trainsOf(100, 65, 2), camEdges(0, 1000, 400, 2, nil), cadenceEdges([]float64{400, 200, 400, 2000}, 1, 5)} {
		cfg := Config{Setup: &s}
		if len(edges) == 6 {
			cfg.CadenceNS, cfg.Kind = []int64{400e6, 200e6, 400e6, 2000e6}, KindInterrupter
		}
		n := 0
		for q, b := range measure(t, cfg, edges).Uncertainty {
			if q == RatePPS || q == RateIPM || q == BreakPercent {
				if n++; !near(b.Overall.V, b.Expanded.V, 1e-9) || b.Overall.V <= 0 {
					t.Errorf("%s: overall %v, of one value %v", q, b.Overall, b.Expanded)
				}
			}
		}
		if n != 2 {
			t.Errorf("%d figures", n)
		}
	}
}

// The overall figures of many noisy recordings of one contact scatter as their
// stated uncertainty says: the measurement itself, with no derivative (JCGM
// 101:2008, Monte Carlo; seeds 3, 4). Where the edges scatter more than the
// budget knows, what was seen counts. Steps of the recorded times may fall
// alike on all periods, so there 95 % of the recordings must be within the
// expanded uncertainty.
func TestOverallMonteCarlo(t *testing.T) {
	const recordings = 150 // the scatter is known within 5.8 %
	noise, asymmetry, clock := Setup{EdgeNoiseNS: 0.5e6}, Setup{AsymmetryUNS: 57735}, Setup{ClockRel: 5e-4}
	for _, c := range []struct {
		name    string
		edges   []Edge
		cadence []int64
	}{
		{"dial", trainsOf(100, 65, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10), nil},
		{"cam", camEdges(0, 500, 200, 31, nil), nil},
		{"cam in step", camEdges(0, 490, 200.55, 31, nil), nil}, // of 0.7 ms, half a step in each break
		{"cadence", cadenceEdges([]float64{400, 200, 400, 2000}, 1, 29), []int64{400e6, 200e6, 400e6, 2000e6}},
	} {
		for _, x := range []struct {
			name         string
			setup, drawn Setup
		}{
			{"noise", noise, noise}, {"asymmetry", asymmetry, asymmetry}, {"clock", clock, clock},
			{"noise beyond the budget", Setup{EdgeNoiseNS: 20e3}, noise},
			{"steps", Setup{ResolutionNS: 7e5}, Setup{ResolutionNS: 7e5}},
		} {
			rng := rand.New(rand.NewPCG(3, 4))
			var rate, percent, uRate, uPercent moments
			q, covered := RatePPS, [2]int{}
			trueRate, truePercent, _ := overallOf(measure(t, Config{CadenceNS: c.cadence}, c.edges))
			for range recordings {
				e := slices.Clone(c.edges)
				coupler := x.drawn.AsymmetryUNS * math.Sqrt(3) * (2*rng.Float64() - 1)
				scale := 1 + x.drawn.ClockRel*rng.NormFloat64()
				step := max(x.drawn.ResolutionNS, 1)
				start, stretch := 1e9+step*rng.Float64(), 1.0
				if x.name == "steps" && c.name != "cam in step" {
					stretch += 0.01 * rng.Float64() // any length against the steps
				}
				for i := range e {
					at := (start + float64(e[i].At)*stretch + x.drawn.EdgeNoiseNS*rng.NormFloat64()) * scale
					if e[i].Level == Low {
						at -= coupler
					}
					e[i].At = Stamp(math.Round(math.Round(at/step) * step))
				}
				r := measure(t, Config{Setup: &x.setup, CadenceNS: c.cadence}, e)
				gotRate, gotPercent, kind := overallOf(r)
				q = kind
				rate.Add(gotRate)
				percent.Add(gotPercent)
				if math.Abs(gotRate-trueRate/stretch) <= r.Uncertainty[q].Overall.V {
					covered[0]++
				}
				if math.Abs(gotPercent-truePercent) <= r.Uncertainty[BreakPercent].Overall.V {
					covered[1]++
				}
				uRate.Add(r.Uncertainty[q].Overall.V / 2)
				uPercent.Add(r.Uncertainty[BreakPercent].Overall.V / 2)
			}
			for i, f := range []struct {
				q      Quantity
				got, u *moments
			}{{q, &rate, &uRate}, {BreakPercent, &percent, &uPercent}} {
				sd, _ := f.got.SD()
				u, _ := f.u.Mean()
				least, most := 0.85, 1.18
				switch {
				case x.name == "noise" || x.name == "noise beyond the budget":
					most = 1.25 // of the budget's and the seen noise the greater
				case x.name == "steps":
					if covered[i] < recordings*95/100 {
						t.Errorf("%s, steps: %s within its uncertainty in %d of %d", c.name, f.q, covered[i], recordings)
					}
					continue
				}
				if ok := u >= least*sd && u <= most*sd; !ok && max(u, sd) > 1e-7 {
					t.Errorf("%s, %s: u(%s) is %v, the figures scatter by %v", c.name, x.name, f.q, u, sd)
				}
			}
		}
	}
}

func overallOf(r *Measurement) (rate, percent float64, q Quantity) {
	if i := r.Interrupter; i != nil {
		return i.RateIPM.Overall.V, i.BreakPercent.Overall.V, RateIPM
	}
	return r.Dial.RatePPS.Overall.V, r.Dial.BreakPercent.Overall.V, RatePPS
}

// The overall figures of sums over periods are those of the measurement: the
// numbers are worked out by hand above.
func TestOverallOfPeriods(t *testing.T) {
	s := DefaultSetup()
	hertz, u, percent, pu := s.Overall(Periods{N: 12, Runs: 3, BreakNS: 12 * 65e6, PeriodNS: 1.2e9})
	within(t, "rate", hertz.V, 10, 1e-12)
	within(t, "U(rate)", u.V, 0.00129099, 1e-8)
	within(t, "percent break", percent.V, 65, 1e-12)
	within(t, "U(percent break)", pu.V, 0.1165540, 1e-7)
	hertz, u, _, pu = s.Overall(Periods{N: 40, Runs: 1, Breaks: 1, BreakNS: 40 * 5e8, PeriodNS: 40e9, PeriodSDNS: Known(1e3), PercentSD: Known(1e-6)})
	within(t, "U(rate) of a cam", 60*u.V, 0.0060006, 1e-7)
	within(t, "U(percent break) of a cam", pu.V, 0.0115814, 1e-7)
	// Periods that scatter by √2 · 1 ms are of edges that do by 1 ms: √2 · 1 ms in
	// 40 s are 35.4 ppm, with 50 ppm of the time base 61.2 ppm, twice.
	_, u, _, _ = s.Overall(Periods{N: 40, Runs: 1, BreakNS: 40 * 5e8, PeriodNS: 40e9, PeriodSDNS: Known(math.Sqrt2 * 1e6)})
	within(t, "U(rate) with scatter", u.V, 2*61.237e-6, 1e-9)
	if hertz, u, percent, pu := s.Overall(Periods{}); hertz.OK || u.OK || percent.OK || pu.OK {
		t.Errorf("of nothing: %v, %v, %v, %v", hertz, u, percent, pu)
	}
}
