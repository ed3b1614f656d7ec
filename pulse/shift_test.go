package pulse

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Montgomery's 30 values (Introduction to Statistical Quality Control; as printed in
// the manual of a statistics library): 20 of mean 10 and standard deviation 1, then
// 10 of mean 11.
var montgomery = []float64{9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37, 10.62, 10.31, 8.52, 10.84,
	10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52}

func almost(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v within %v", what, got, want, within)
	}
}

// ewma are the averages of x from a start.
func ewma(x []float64, e, lambda float64) (all []float64) {
	for _, v := range x {
		e = ewmaNext(e, v, lambda)
		all = append(all, e)
	}
	return all
}

// cusums are those of x.
func cusums(x []float64, target, k float64) (high, low []float64) {
	h, l := 0.0, 0.0
	for _, v := range x {
		h, l = cusumNext(h, l, v, target, k)
		high, low = append(high, h), append(low, l)
	}
	return high, low
}

// NIST/SEMATECH e-Handbook 6.3.2.4, as a test of another project quotes it: every
// average, and the limits, of which the lower is cut to 47.4115 there.
func TestEWMAOfNIST(t *testing.T) {
	x := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	for i, e := range ewma(x, 50, 0.3) {
		almost(t, "average", e, want[i], 0.00501)
	}
	almost(t, "upper limit", 50+3*2.0539*ewmaSD(0.3, 0, 0), 52.5884, 5e-5)
	almost(t, "lower limit", 50-3*2.0539*ewmaSD(0.3, 0, 0), 47.4115, 1e-4)
}

// Montgomery's EWMA with λ = 0.1 and L = 2.7. The values of points 1, 2, 20, 28, 29
// and 30 and the limits were computed from his data; that the last two are out is
// his.
func TestEWMAOfMontgomery(t *testing.T) {
	all := ewma(montgomery, 10, 0.1)
	for i, want := range map[int]float64{1: 9.94500, 2: 9.74950, 20: 10.01078, 28: 10.57314, 29: 10.64682, 30: 10.63414} {
		almost(t, "average", all[i-1], want, 5e-6)
	}
	for i, want := range map[int]float64{1: 10.2700, 2: 10.3632, 30: 10.6189} {
		almost(t, "limit", 10+2.7*ewmaSD(0.1, i, 0), want, 5e-5)
	}
	for i, e := range all {
		if out := math.Abs(e-10) > 2.7*ewmaSD(0.1, i+1, 0); out != (i >= 28) {
			t.Errorf("point %d: out is %v", i+1, out)
		}
	}
}

// CUSUMs at every point: NIST/SEMATECH e-Handbook 6.3.2.3 (data from memory, sums
// computed), Montgomery & Runger, Applied Statistics and Probability for Engineers,
// 3rd ed., Example 16-6, and Montgomery's 30 values.
func TestCUSUMs(t *testing.T) {
	nist := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	for _, tt := range []struct {
		name      string
		x         []float64
		target, k float64
		high, low []float64
		within    float64
	}{
		{"NIST", nist, 325, 0.3175,
			[]float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.9400, 7.4475, 10.6300, 11.9875, 14.4450, 16.0025, 19.0350},
			[]float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 1e-9},
		{"Montgomery & Runger", []float64{102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1, 101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0}, 99, 1,
			[]float64{2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0, 1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0},
			[]float64{0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0, 0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0}, 1e-9},
	} {
		high, low := cusums(tt.x, tt.target, tt.k)
		for i := range tt.x {
			almost(t, tt.name+" high", high[i], tt.high[i], tt.within)
			almost(t, tt.name+" low", low[i], tt.low[i], tt.within)
		}
	}
	high, low := cusums(montgomery, 10, 0.5)
	almost(t, "C+29", high[28], 5.28, 1e-9)
	almost(t, "C+30", high[29], 5.30, 1e-9)
	for i := range high {
		if out := high[i] > 5 || low[i] > 5; out != (i >= 28) {
			t.Errorf("point %d: out is %v", i+1, out)
		}
	}
}

// Average run lengths as Montgomery has them (Tables 9.3, 9.11; Lucas and Saccucci,
// Technometrics 32, 1990; all from memory).
func TestRunLengthsOfTables(t *testing.T) {
	for _, x := range []struct{ lambda, width, shift, want, within float64 }{
		{0.4, 3.054, 0, 500, 1}, {0.25, 2.998, 0, 500, 1}, {0.2, 2.962, 0, 500, 1}, {0.1, 2.814, 0, 500, 1}, {0.05, 2.615, 0, 500, 1},
		{0.4, 3.054, 1, 14.3, 0.1}, {0.25, 2.998, 1, 11.1, 0.1}, {0.2, 2.962, 1, 10.5, 0.1}, {0.1, 2.814, 1, 10.3, 0.1}, {0.05, 2.615, 1, 11.4, 0.1},
	} {
		almost(t, "EWMA", ewmaARL(x.lambda, x.width, x.shift), x.want, x.within)
	}
	for _, x := range []struct{ h, shift, want, within float64 }{{4, 0, 168, 0.5}, {5, 0, 465, 0.5}, {4, 1, 8.38, 0.01}, {5, 1, 10.4, 0.05}, {4, 0.5, 26.6, 0.1}, {5, 0.5, 38.0, 0.1}} {
		got := 1 / (1/cusumARL(0.5, x.h, x.shift) + 1/cusumARL(0.5, x.h, -x.shift))
		almost(t, "CUSUM", got, x.want, x.within)
	}
	almost(t, "default width", ewmaWidth(ewmaLambda, DefaultInControlWindows), defaultEWMAWidth, 5e-4)
	almost(t, "CUSUM in control", 1/(2/cusumARL(cusumK, cusumH, 0)), cusumInControl, 0.5)
}

// Run lengths by trying: a known target and σ give those of the equations.
func TestRunLengthsBySimulation(t *testing.T) {
	r := rand.New(rand.NewPCG(11, 1))
	runs := studySeeds(300, 4000)
	e, c := 0.0, 0.0
	for range runs {
		for z, n := 0.0, 1; ; n++ {
			if z += ewmaLambda * (r.NormFloat64() - z); math.Abs(z) > defaultEWMAWidth*ewmaSD(ewmaLambda, 0, 0) {
				e += float64(n)
				break
			}
		}
		for h, l, n := 0.0, 0.0, 1; ; n++ {
			z := r.NormFloat64()
			if h, l = max(0, h+z-cusumK), max(0, l-z-cusumK); h > cusumH || l > cusumH {
				c += float64(n)
				break
			}
		}
	}
	e, c = e/float64(runs), c/float64(runs)
	t.Logf("in control: EWMA %.0f of %d, CUSUM %.0f of %d windows", e, DefaultInControlWindows, c, cusumInControl)
	within := 4 / math.Sqrt(float64(runs)) // run lengths are about exponential
	almost(t, "EWMA", e/DefaultInControlWindows, 1, within)
	almost(t, "CUSUM", c/cusumInControl, 1, within)
}

// Charts whose target and σ come from few windows, also from windows with a serial
// correlation, last at least as long as said. A chart that takes the reference at its
// word lasts a good deal shorter.
func TestChartsOfShortReferences(t *testing.T) {
	r := rand.New(rand.NewPCG(12, 1))
	runs := studySeeds(150, 2000)
	for _, phi := range []float64{0, 0.3, 0.6} {
		for _, n := range []int{20, 60} {
			short, shortNaive := 0, 0
			for range runs {
				at := r.NormFloat64()
				next := func() float64 {
					at = phi*at + math.Sqrt(1-phi*phi)*r.NormFloat64()
					return at
				}
				ref := make([]trendPoint, n)
				for i := range ref {
					ref[i] = trendPoint{y: next(), weight: 1}
				}
				c := newChart(ref, defaultEWMAWidth)
				plain := *c
				var m moments
				for _, x := range ref {
					m.Add(x.y)
				}
				plain.sigma, _ = m.SD()
				plain.limit, plain.k, plain.longRun = defaultEWMAWidth*ewmaSD(ewmaLambda, 0, 0), cusumK, 1
				// In control, a run is shorter than 100 windows with a probability of
				// 1 − exp(−100/ARL) about; for both charts, which mostly go out together, the
				// ARL is 300 at least.
				out, outPlain := false, false
				for range 100 {
					y := next()
					out, outPlain = c.add(y, 1) || out, plain.add(y, 1) || outPlain
				}
				if out {
					short++
				}
				if outPlain {
					shortNaive++
				}
			}
			t.Logf("phi %.1f, reference of %d: out within 100 windows %.1f %%, without allowing for it %.1f %%", phi, n, 100*float64(short)/float64(runs), 100*float64(shortNaive)/float64(runs))
			most := 1 - math.Exp(-100.0/300)
			if f := float64(short) / float64(runs); f > most+2*math.Sqrt(most*(1-most)/float64(runs)) {
				t.Errorf("phi %.1f, reference of %d: out within 100 windows in %.3f of runs, want %.3f at most", phi, n, f, most)
			}
			if phi > 0.5 && shortNaive < 2*short {
				t.Errorf("phi %.1f, reference of %d: %d runs out without allowing for serial correlation, %d with it", phi, n, shortNaive, short)
			}
		}
	}
}
