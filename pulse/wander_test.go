package pulse

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

// spectralNoise makes n values of noise of the spectrum f^-alpha, by its filter's
// impulse response (N. J. Kasdin, Proc. IEEE 83, 1995, eq. 104). What came before
// is as long again, so that flicker is under way.
func spectralNoise(r *rand.Rand, n int, alpha float64) []float64 {
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

var noises = []struct {
	name string
	set  noiseSet
	make func(r *rand.Rand, n int) []float64
	// How often a stated 95 % must hold, at least and at most.
	low, high float64
}{
	{"white", valueNoise, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 0) }, 0.92, 0.99},
	{"flicker", valueNoise, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 1) }, 0.92, 0.99},
	{"walk", valueNoise, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 2) }, 0.92, 0.99},
	{"white speed", periodNoise, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 0) }, 0.92, 0.99},
	{"jitter", periodNoise, func(r *rand.Rand, n int) []float64 { return jitterNoise(r, n, 0) }, 0.92, 0.99},
	{"jitter, white", periodNoise, func(r *rand.Rand, n int) []float64 { return jitterNoise(r, n, 0.1) }, 0.92, 0.99},
	{"white, flicker", valueNoise, func(r *rand.Rand, n int) []float64 {
		return sumNoise(spectralNoise(r, n, 0), spectralNoise(r, n, 1), 0.3)
	}, 0.90, 0.985},
	{"little walk", valueNoise, func(r *rand.Rand, n int) []float64 {
		return sumNoise(spectralNoise(r, n, 0), spectralNoise(r, n, 2), 5/float64(n))
	}, 0.87, 0.985},
}

// jitterNoise is what jitter of the openings makes of periods, with some noise of
// the speed.
func jitterNoise(r *rand.Rand, n int, speed float64) []float64 {
	e, v := spectralNoise(r, n+1, 0), spectralNoise(r, n, 0)
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
	seeds, lengths := studySeeds(20, 1000), []int{30, 200}
	if seeds == 1000 {
		lengths = []int{8, 30, 200, 1000}
	}
	for _, n := range lengths {
		for _, k := range noises {
			held, shown := 0, 0
			var pair *noisePair
			var u2, d2 float64
			for seed := range seeds {
				r := rand.New(rand.NewPCG(uint64(seed), 7))
				v := k.make(r, 2*n)
				d := mean(v[n:]) - mean(v[:n])
				b1, b2 := batchesOf(v[:n], compareBatches), batchesOf(v[n:], compareBatches)
				if pair == nil {
					pair = newNoisePair(b1, b2, noiseModels(k.set))
				}
				s := pair.spread(b1, b2, 0).with(0, 0)
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

func spreadOf(s1, s2 []batch, gap float64, models []noiseModel) spread {
	return newNoisePair(s1, s2, models).spread(s1, s2, gap)
}

// singles makes a batch of each value.
func singles(v []float64) []batch {
	var s meanSeries
	for _, x := range v {
		s.add(x, 1)
	}
	return s.batches(len(v), 1)
}

// With white noise alone it is Welch's test. SciPy 1.10.1 gave the first (see
// testdata/figures.py); the second is AUTO83B of the NIST/SEMATECH e-Handbook,
// 1.3.5.3, by its printed means, deviations and numbers (t −12.94627 with 136.8750
// degrees of freedom; from memory: check the page).
func TestWelch(t *testing.T) {
	whiteOnly := []noiseModel{{share: [noiseKinds]float64{white: 1}, prior: 1}}
	before := []float64{60.12, 59.87, 60.05, 59.91, 60.20, 59.98, 60.07, 59.83}
	after := []float64{60.61, 60.12, 60.95, 60.33, 59.98, 60.77}
	s := spreadOf(singles(before), singles(after), 0, whiteOnly)
	d := mean(after) - mean(before)
	if p := s.beyond(d); math.Abs(d-0.45625) > 1e-12 || math.Abs(p-0.03098803399286151) > 1e-10 {
		t.Errorf("difference %v, p %v", d, p)
	}
	if u := s.expanded(); math.Abs(s.beyond(u)-0.05) > 1e-9 {
		t.Errorf("beyond %v: %v", u, s.beyond(u))
	}
	made := func(n int, m, sd float64) []float64 {
		v := spectralNoise(rand.New(rand.NewPCG(1, 1)), n, 0)
		m0 := mean(v)
		q := 0.0
		for i := range v {
			v[i] -= m0
			q += v[i] * v[i]
		}
		for i := range v {
			v[i] = m + v[i]*sd/math.Sqrt(q/float64(n-1))
		}
		return v
	}
	us, japan := made(249, 20.14458, 6.414700), made(79, 30.48101, 6.107710)
	s = spreadOf(singles(japan), singles(us), 0, whiteOnly)
	stat := (mean(us) - mean(japan)) / math.Sqrt(s[0].variance)
	if len(s) != 1 || math.Abs(stat+12.94627) > 1e-4 || math.Abs(s[0].freedom-136.8750) > 1e-3 {
		t.Errorf("t %v, %v degrees of freedom", stat, s[0].freedom)
	}
}

// The covariances of flicker and walk against those of long sums of their filters'
// responses: the variance of the difference of two means that follow one another.
func TestSharesOfADifference(t *testing.T) {
	const n1, n2, seeds = 40, 24, 4000
	for _, c := range []struct {
		kind noiseKind
		make func(r *rand.Rand, n int) []float64
	}{
		{whitePhase, func(r *rand.Rand, n int) []float64 { return jitterNoise(r, n, 0) }},
		{white, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 0) }},
		{flicker, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 1) }},
		{walk, func(r *rand.Rand, n int) []float64 { return spectralNoise(r, n, 2) }},
	} {
		// Halves of the first stretch give the scale that the model must share.
		var across, within float64
		for seed := range seeds {
			v := c.make(rand.New(rand.NewPCG(uint64(seed), 3)), n1+n2)
			d := mean(v[n1:]) - mean(v[:n1])
			h := mean(v[n1/2:n1]) - mean(v[:n1/2])
			across, within = across+d*d, within+h*h
		}
		share := c.kind.shares(n1, n2, 0)
		a, b := batch{from: 0, to: n1 / 2}, batch{from: n1 / 2, to: n1}
		half := c.kind.covariance(&a, &a) + c.kind.covariance(&b, &b) - 2*c.kind.covariance(&a, &b)
		got, want := across/within, (share[0]+share[1])/half
		if c.kind == whitePhase {
			// Where the stretches meet, one opening is in both: the shares leave that out.
			want *= ((1/float64(n1)+1/float64(n2))*(1/float64(n1)+1/float64(n2)) + 1/float64(n1*n1) + 1/float64(n2*n2)) / (2/float64(n1*n1) + 2/float64(n2*n2))
		}
		if math.Abs(got/want-1) > 0.08 { // the ratio of two sums of 4000 squares, and discrete values
			t.Errorf("noise %d: %.3f times that of the halves, want %.3f", c.kind, got, want)
		}
	}
}

// A walk that is hardly likely does not hide what is three times the ± that it has its
// part in: alone, its share of the mixture would.
func TestProbabilityGoesWithTheInterval(t *testing.T) {
	s := spread{{weight: 0.95, variance: 1, freedom: 60}, {weight: 0.05, variance: 30, freedom: 30}}
	u := s.expanded()
	if p := s.probability(u, u); math.Abs(p-0.05) > 1e-9 {
		t.Errorf("at the ±: p %v", p)
	}
	if p, mixed := s.probability(2*u, u), s.beyond(2*u); !(p < 0.05/15) || !(mixed > 0.05/15) {
		t.Errorf("at twice the ±: p %v, of the mixture %v", p, mixed)
	}
}

// Batches that do not vary leave the noise of the edges.
func TestNoSpread(t *testing.T) {
	flat, other := singles([]float64{5, 5, 5, 5, 5, 5}), singles([]float64{4, 6, 5, 4, 6, 5})
	s := spreadOf(flat, flat, 0, noiseModels(periodNoise))
	if s != nil {
		t.Errorf("%+v", s)
	}
	if u := s.with(0.3, 0.4).expanded(); math.Abs(u-1.959964*0.5) > 1e-5 {
		t.Errorf("expanded %v", u)
	}
	if u, p := s.with(0, 0).expanded(), s.with(0, 0).beyond(0); u != 0 || p != 1 {
		t.Errorf("without any: expanded %v, p %v", u, p)
	}
	if p := s.with(0, 0).beyond(1e-9); p != 0 {
		t.Errorf("without any, another value: p %v", p)
	}
	if s := spreadOf(flat, other, 0, noiseModels(periodNoise)).with(0, 0); !(s.expanded() > 0.5) || !finite(s.expanded()) {
		t.Errorf("one that does not vary: %v", s.expanded())
	}
}
