package pulse

import (
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// powerNoise makes n values of noise of the spectrum f^-alpha, by its filter's
// impulse response (N. J. Kasdin, Proc. IEEE 83, 1995, eq. 104). What came before
// is as long again, so that flicker is under way.
func powerNoise(r *rand.Rand, n int, alpha float64) []float64 {
	if alpha == 0 {
		v := make([]float64, n)
		for i := range v {
			v[i] = r.NormFloat64()
		}
		return v
	}
	size := 2 * n
	h, w := make([]float64, 2*size), make([]float64, 2*size)
	h[0] = 1
	for k := 1; k < size; k++ {
		h[k] = h[k-1] * (float64(k-1) + alpha/2) / float64(k)
	}
	for i := range size {
		w[i] = r.NormFloat64()
	}
	fft := fourier.NewFFT(2 * size)
	a, b := fft.Coefficients(nil, h), fft.Coefficients(nil, w)
	for i := range a {
		a[i] *= b[i]
	}
	all := fft.Sequence(nil, a)[size-n : size]
	for i := range all {
		all[i] /= float64(2 * size)
	}
	return all
}

// batchesOf averages values in k batches.
func batchesOf(v []float64, k int) []batch {
	var s meanSeries
	for _, x := range v {
		s.add(x, 1)
	}
	return s.batches(k, 1)
}

// endurance gives a number of seeds: few but for a long run.
func endurance(few, many int) int {
	if os.Getenv("MAKEBREAK_ENDURANCE") != "" {
		return many
	}
	return few
}

var noises = []struct {
	name  string
	phase bool // compared as a rate is
	make  func(r *rand.Rand, n int) []float64
	// How often a stated 95 % must hold, at least and at most.
	low, high float64
}{
	{"white", false, func(r *rand.Rand, n int) []float64 { return powerNoise(r, n, 0) }, 0.92, 0.995},
	{"flicker", false, func(r *rand.Rand, n int) []float64 { return powerNoise(r, n, 1) }, 0.92, 0.985},
	{"walk", false, func(r *rand.Rand, n int) []float64 { return powerNoise(r, n, 2) }, 0.92, 0.985},
	{"white speed", true, func(r *rand.Rand, n int) []float64 { return powerNoise(r, n, 0) }, 0.92, 0.995},
	{"jitter", true, func(r *rand.Rand, n int) []float64 { return jitterNoise(r, n, 0) }, 0.92, 0.985},
	{"jitter, white", true, func(r *rand.Rand, n int) []float64 { return jitterNoise(r, n, 0.1) }, 0.92, 0.985},
	{"white, flicker", false, func(r *rand.Rand, n int) []float64 { return sumNoise(powerNoise(r, n, 0), powerNoise(r, n, 1), 0.3) }, 0.90, 0.985},
	{"white, walk", false, func(r *rand.Rand, n int) []float64 {
		return sumNoise(powerNoise(r, n, 0), powerNoise(r, n, 2), 5/float64(n))
	}, 0.87, 0.985},
}

// jitterNoise is what jitter of the openings makes of periods, with some noise of
// the speed.
func jitterNoise(r *rand.Rand, n int, speed float64) []float64 {
	e, v := powerNoise(r, n+1, 0), powerNoise(r, n, 0)
	for i := range v {
		v[i] = speed*v[i] + e[i+1] - e[i]
	}
	return v
}

// sumNoise adds part of w to v.
func sumNoise(v, w []float64, part float64) []float64 {
	for i := range v {
		v[i] += part * w[i]
	}
	return v
}

// The interval that a difference of unchanged noise is given holds as often as it
// says, whatever the noise. Where a little walk hides below white noise, somewhat
// less often: the batches hardly tell it.
func TestWanderCoverage(t *testing.T) {
	seeds, lengths := endurance(20, 1000), []int{30, 200}
	if seeds == 1000 {
		lengths = []int{8, 30, 200, 1000}
	}
	for _, n := range lengths {
		for _, k := range noises {
			held, shown := 0, 0
			var u2, d2 float64
			for seed := range seeds {
				r := rand.New(rand.NewPCG(uint64(seed), 7))
				v := k.make(r, 2*n)
				d := mean(v[n:]) - mean(v[:n])
				s := spreadOf(batchesOf(v[:n], compareBatches), batchesOf(v[n:], compareBatches), 0, k.phase).with(0, 0)
				u := s.expanded()
				if math.Abs(d) <= u {
					held++
				}
				if s.beyond(d) < 0.005 {
					shown++
				}
				u2, d2 = u2+u*u, d2+d*d
			}
			held95 := float64(held) / float64(seeds)
			t.Logf("%4d values, %-13s: 95 %% hold %.1f %%, p below 0.005 in %.1f %%, U %.2f times the deviation", n, k.name, 100*held95, 100*float64(shown)/float64(seeds), math.Sqrt(u2/d2))
			// Three standard errors of the count; eight values tell little.
			slack := 3 * math.Sqrt(0.05*0.95/float64(seeds))
			if low := k.low - slack; n >= 30 && held95 < low || held95 < low-0.05 {
				t.Errorf("%d values of %s: 95 %% hold in %.1f %% only", n, k.name, 100*held95)
			}
			if n >= 30 && seeds == 1000 && held95 > k.high {
				t.Errorf("%d values of %s: 95 %% hold in %.1f %%: the interval is too wide", n, k.name, 100*held95)
			}
		}
	}
}

func mean(v []float64) (m float64) {
	for i, x := range v {
		m += (x - m) / float64(i+1)
	}
	return m
}
