package pulse

import (
	"math"
	"math/rand/v2"
	"testing"
)

// trendNoises make a series of n values of noise of unit size. Flicker noise is a sum of
// relaxations whose times are octaves apart, which is within 5 % of 1/f between the
// shortest and the longest (the classic construction of A. van der Ziel, 1950).
var trendNoises = map[string]func(r *rand.Rand, n int) []float64{
	"white": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		for i := range y {
			y[i] = r.NormFloat64()
		}
		return y
	},
	"flicker": flickerNoise,
	"walking": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		at := 0.0
		for i := range y { // means over the step, in 8 parts
			sum := 0.0
			for range 8 {
				at += r.NormFloat64() / math.Sqrt(8)
				sum += at
			}
			y[i] = sum / 8
		}
		return y
	},
	"white and flicker": func(r *rand.Rand, n int) []float64 {
		y := flickerNoise(r, n)
		for i := range y {
			y[i] += r.NormFloat64()
		}
		return y
	},
	"white and walking": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		at := 0.0
		for i := range y {
			at += 0.3 * r.NormFloat64()
			y[i] = at + r.NormFloat64()
		}
		return y
	},
	"autoregressive": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		at := r.NormFloat64() / 0.8
		for i := range y {
			at = 0.6*at + r.NormFloat64()
			y[i] = at
		}
		return y
	},
}

func flickerNoise(r *rand.Rand, n int) []float64 {
	const parts, octaves = 4, 16
	y := make([]float64, n)
	for k := range octaves {
		keep := math.Exp(-1 / (parts * math.Exp2(float64(k)-2)))
		at := r.NormFloat64()
		for i := range y {
			for range parts {
				at = keep*at + math.Sqrt(1-keep*keep)*r.NormFloat64()
				y[i] += at / parts
			}
		}
	}
	return y
}

func pointsOf(y []float64) []trendPoint {
	p := make([]trendPoint, len(y))
	for i, v := range y {
		p[i] = trendPoint{t: float64(i), y: v, weight: 1, length: 1}
	}
	return p
}

// lehmer are the numbers of NIST SP 1065, 12.4, as fractions of 1: testdata/figures.py
// has the same.
func lehmer(n int) []float64 {
	y, seed := make([]float64, n), int64(1234567890)
	for i := range y {
		y[i] = float64(seed) / 2147483647
		seed = 16807 * seed % 2147483647
	}
	return y
}

// Theil–Sen slopes: the example of ci.theil in the package statpsych (CRAN), and
// SciPy's theilslopes (testdata/figures.py). Weights that are alike change nothing.
// Hollander and Wolfe's five points are from memory.
func TestTheilSen(t *testing.T) {
	type row struct {
		p                []trendPoint
		slope, low, high float64
	}
	var rows []row
	y := []float64{21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19}
	statpsych := pointsOf(y)
	for i, x := range []float64{67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51} {
		statpsych[i].t = x
	}
	rows = append(rows, row{statpsych, 0.5, 0.32432432432432434, 0.75})
	for n, want := range map[int][3]float64{
		10:  {0.002221961259945275, -0.06429912379366924, 0.0654546849129045},
		31:  {0.00819657052424935, -0.004796553652173241, 0.01977406107965269},
		100: {0.009512944647453198, 0.0076493838631378815, 0.011125580184685804},
		240: {0.010368562954175141, 0.009841278191672825, 0.010920795880635832},
	} {
		u := lehmer(n)
		for i := range u {
			u[i] += 0.01 * float64(i)
		}
		rows = append(rows, row{pointsOf(u), want[0], want[1], want[2]})
	}
	for _, r := range rows {
		for _, weight := range []float64{1, 60, 1.0 / 3} {
			for i := range r.p {
				r.p[i].weight = weight
			}
			slope, ok := theilSen(r.p)
			low, high, ok2 := senInterval(r.p)
			if !ok || !ok2 {
				t.Fatal("no slope")
			}
			almost(t, "slope", slope, r.slope, 1e-12)
			almost(t, "low", low, r.low, 1e-12)
			almost(t, "high", high, r.high, 1e-12)
		}
	}
	slope, _ := theilSen(pointsOf([]float64{1.26, 1.27, 1.12, 1.16, 1.03}))
	almost(t, "Hollander and Wolfe", slope, -0.05625, 1e-12)
	if _, ok := theilSen(pointsOf([]float64{1})); ok {
		t.Error("a slope of one point")
	}
}

// A point of weight k counts as k points at its time.
func TestWeightsAreNumbers(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 1))
	for range 20 {
		var p, all []trendPoint
		for i := range 12 {
			x := trendPoint{t: float64(i), y: r.NormFloat64(), weight: float64(1 + r.IntN(4)), length: 1}
			p = append(p, x)
			for range int(x.weight) {
				one := x
				one.weight = 1
				all = append(all, one)
			}
		}
		a, _ := theilSen(p)
		b, _ := theilSen(all)
		almost(t, "slope", a, b, 1e-12)
	}
}

// The median of many weighted values against the plain way.
func TestWeightedMedian(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	for n := 1; n < 400; n += 7 {
		s := make([]weighted, n)
		var plain []float64
		for i := range s {
			s[i] = weighted{math.Round(20 * r.NormFloat64()), float64(r.IntN(3) + 1)}
			for range int(s[i].w) {
				plain = append(plain, s[i].v)
			}
		}
		almost(t, "median", weightedMedian(s), medianOf(plain), 1e-12)
	}
}

// Mann and Kendall's S with many ties: S and Kendall's τ-b, which holds the same
// ties, from SciPy (testdata/figures.py); the variance by drawing the order anew.
func TestMannKendall(t *testing.T) {
	for _, tt := range []struct {
		y      []float64
		s, tau float64
	}{
		{[]float64{6, 2, 6, 3, 6, 2, 7, 6, 1, 4, 4, 7}, 5, 0.08151933134075307},
		{[]float64{6, 2, 6, 3, 6, 2, 7, 6, 1, 4, 4, 7, 6, 1, 6, 11, 1, 11, 6, 10, 3, 8, 6, 4, 3, 8, 3, 3, 7, 4, 10, 12, 9, 9, 8, 4, 13, 12, 9, 13}, 267, 0.357528724155164},
		// By hand: 4·5 + 4·3 + 5·3 pairs rise, the other 19 of 66 are ties.
		{[]float64{1, 1, 1, 1, 2, 2, 2, 2, 2, 3, 3, 3}, 47, math.Sqrt(47.0 / 66)},
	} {
		s, v := mannKendall(tt.y)
		if s != tt.s {
			t.Errorf("S is %v, want %v", s, tt.s)
		}
		n := float64(len(tt.y))
		pairs, tied := n*(n-1)/2, 0.0
		for i, a := range tt.y {
			for _, b := range tt.y[:i] {
				if a == b {
					tied++
				}
			}
		}
		almost(t, "tau-b", s/math.Sqrt(pairs*(pairs-tied)), tt.tau, 1e-12)
		r := rand.New(rand.NewPCG(5, 1))
		draws, sum := studySeeds(4000, 40000), 0.0
		y := append([]float64{}, tt.y...)
		for range draws {
			r.Shuffle(len(y), func(i, j int) { y[i], y[j] = y[j], y[i] })
			s, _ := mannKendall(y)
			sum += s * s
		}
		almost(t, "variance", sum/float64(draws)/v, 1, 5*math.Sqrt(2/float64(draws)))
	}
}
