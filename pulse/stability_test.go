package pulse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/dsp/fourier"
	"gonum.org/v1/gonum/floats"
)

// segmentOf makes openings whose phase is x, in ns, at a mean period near tau0NS.
func segmentOf(x []float64, tau0NS int64) PhaseSegment {
	s := make(PhaseSegment, len(x))
	for i, v := range x {
		s[i] = PhaseSample{int64(i), Stamp(int64(i)*tau0NS + int64(math.Round(v)))}
	}
	return s
}

// level takes from x the line through its first and last value.
func level(x []float64) []float64 {
	y, last := make([]float64, len(x)), float64(len(x)-1)
	for i, v := range x {
		y[i] = v - x[0] - (x[len(x)-1]-x[0])*float64(i)/last
	}
	return y
}

// curve gives the deviations at τ of m periods by name.
func (r *Stability) at(m int) map[string]float64 {
	found := map[string]float64{}
	for name, c := range map[string][]StabilityPoint{"ADEV": r.ADEV, "MDEV": r.MDEV, "TDEV": r.TDEV, "HDEV": r.HDEV} {
		for _, pt := range c {
			if pt.m == m {
				found[name] = pt.Deviation.V
			}
		}
	}
	return found
}

// The two test sets of NIST SP 1065 (Riley 2008, tables 29 to 32, as a list of
// published figures quotes them and recomputes them): every figure of the four
// deviations, to the last printed digit.
func TestStabilityOfPublishedSets(t *testing.T) {
	var ten, thousand []float64
	for _, y := range []float64{892, 809, 823, 798, 671, 644, 883, 903, 677} {
		ten = append(ten, y)
	}
	for i, n := 0, int64(1234567890); i < 1000; i++ {
		thousand = append(thousand, float64(n)/2147483647)
		n = 16807 * n % 2147483647
	}
	for _, set := range []struct {
		name   string
		freq   []float64
		unitNS float64 // that a unit of frequency moves the phase by, a period of 1000 s
		want   map[int]map[string]string
	}{
		{"10 points", ten, 1e7, map[int]map[string]string{
			1: {"ADEV": "91.22945", "MDEV": "91.22945", "TDEV": "52.67135", "HDEV": "70.80607"},
			2: {"ADEV": "85.95287", "MDEV": "74.78849", "TDEV": "86.35831", "HDEV": "85.61487"},
		}},
		{"1000 points", thousand, 1e10, map[int]map[string]string{
			1:   {"ADEV": "2.922319e-01", "MDEV": "2.922319e-01", "TDEV": "1.687202e-01", "HDEV": "2.943883e-01"},
			10:  {"ADEV": "9.159953e-02", "MDEV": "6.172376e-02", "TDEV": "3.563623e-01", "HDEV": "9.581083e-02"},
			100: {"ADEV": "3.241343e-02", "MDEV": "2.170921e-02", "TDEV": "1.253382e+00", "HDEV": "3.237638e-02"},
		}},
	} {
		t.Run(set.name, func(t *testing.T) {
			const tau0NS = 1000e9
			x := []float64{0}
			for _, y := range set.freq {
				x = append(x, x[len(x)-1]+y*set.unitNS)
			}
			p := newPhases(inOrder([]PhaseSegment{segmentOf(level(x), tau0NS)}))
			got := map[int]map[string]string{}
			for m, want := range set.want {
				got[m] = map[string]string{}
				say := func(name string, v float64) {
					verb := "%.5f"
					if strings.Contains(want[name], "e") {
						verb = "%.6e"
					}
					got[m][name] = fmt.Sprintf(verb, v*tau0NS/set.unitNS)
				}
				say("ADEV", p.point(allan, m, Num{}).Deviation.V)
				say("HDEV", p.point(hadamard, m, Num{}).Deviation.V)
			}
			p.sumUp()
			for m, want := range set.want {
				v := p.point(modified, m, Num{}).Deviation.V * tau0NS / set.unitNS
				verb := "%.5f"
				if strings.Contains(want["MDEV"], "e") {
					verb = "%.6e"
				}
				got[m]["MDEV"] = fmt.Sprintf(verb, v)
				got[m]["TDEV"] = fmt.Sprintf(verb, v*float64(m)/math.Sqrt(3))
			}
			if diff := cmp.Diff(set.want, got); diff != "" {
				t.Error(diff)
			}
			// The whole gives the same at the τ that it has.
			r := StabilityOf(segmentOf(level(x), tau0NS))
			if got, want := r.at(1)["TDEV"]*1e9/set.unitNS, r.at(1)["MDEV"]*1000e9/set.unitNS/math.Sqrt(3); math.Abs(got/want-1) > 1e-12 {
				t.Errorf("TDEV %v s in units, want %v", got, want)
			}
		})
	}
}

// powerNoise gives the phase, in ns, of noise whose density of the fractional
// speed goes with frequency to the power alpha, from 2 to −4: white noise or
// flicker (Kasdin, Discrete simulation of colored noise, 1995), summed up.
func powerNoise(rnd *rand.Rand, alpha, n int, scale float64) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = rnd.NormFloat64() * scale
	}
	if alpha%2 != 0 { // 1/f: each impulse response 1, 1/2, 1·3/(2·4) …
		fft := fourier.NewFFT(2 * n)
		h, padded := make([]float64, 2*n), make([]float64, 2*n)
		h[0] = 1
		for k := 1; k < n; k++ {
			h[k] = h[k-1] * (float64(k) - 0.5) / float64(k)
		}
		copy(padded, x)
		a, b := fft.Coefficients(nil, h), fft.Coefficients(nil, padded)
		for i := range a {
			a[i] *= b[i]
		}
		fft.Sequence(padded, a)
		floats.Scale(1/float64(2*n), padded)
		copy(x, padded)
		alpha++
	}
	for ; alpha < 2; alpha += 2 {
		floats.CumSum(x, x)
	}
	return x
}

var noiseNames = map[int]string{2: "white phase", 1: "flicker phase", 0: "white speed", -1: "flicker speed", -2: "walking speed", -3: "flicker walk", -4: "running walk"}

func seeds(few int) int {
	if os.Getenv("MAKEBREAK_ENDURANCE") != "" {
		return 1000
	}
	return few
}

// deviationsOf gives a deviation's points at τ of the given periods.
func deviationsOf(p *phases, d deviation, ms []int, alpha Num) (all []StabilityPoint) {
	for _, m := range ms {
		all = append(all, p.point(d, m, alpha))
	}
	return all
}

// The degrees of freedom against what simulated noise of each kind shows: twice
// the square of the mean of a variance over its variance. Noise is invented, with
// a record's beginning cut off so that it has settled.
func TestDegreesOfFreedomAgainstSimulation(t *testing.T) {
	const n = 257
	runs := 4 * seeds(60)
	ms := []int{1, 2, 4, 8, 16, 32, 64}
	for alpha := 2; alpha >= -4; alpha-- {
		for _, d := range []deviation{allan, modified, hadamard} {
			if alpha < -2 && d != hadamard {
				continue
			}
			rnd := rand.New(rand.NewPCG(uint64(alpha+10), uint64(d)))
			sum, squares, edf := make([]float64, len(ms)), make([]float64, len(ms)), make([]float64, len(ms))
			for range runs {
				p := newPhases(inOrder([]PhaseSegment{segmentOf(level(powerNoise(rnd, alpha, 4*n, 1e4)[3*n:]), 100e9)}))
				if d == modified {
					p.sumUp()
				}
				for i, pt := range deviationsOf(p, d, ms, Known(float64(alpha))) {
					v := pt.Deviation.V * pt.Deviation.V
					sum[i] += v
					squares[i] += v * v
					edf[i] = pt.EDF.V
				}
			}
			line := fmt.Sprintf("%-14s %-9s", noiseNames[alpha], [...]string{"ADEV", "HDEV", "MDEV"}[d])
			for i, m := range ms {
				mean := sum[i] / float64(runs)
				seen := 2 * mean * mean / (squares[i]/float64(runs) - mean*mean)
				line += fmt.Sprintf("  %d: %.1f/%.1f", m, edf[i], seen)
				// A variance of variances is known within some 8 % with 4,000 runs
				// (kurtosis of chi-squared with few degrees of freedom included).
				tolerance := 0.2
				if runs < 4000 {
					tolerance = 0.75
				}
				if edf[i] < 3 {
					tolerance *= 2
				}
				if ratio := edf[i] / seen; !(math.Abs(math.Log(ratio)) < tolerance) {
					t.Errorf("%s %v at %d periods: %.2f degrees of freedom, simulation shows %.2f", noiseNames[alpha], d, m, edf[i], seen)
				}
			}
			t.Log(line)
		}
	}
}

// The sum over some lags against the sum over all of them.
func TestDegreesOfFreedomAgainstEveryLag(t *testing.T) {
	for alpha := 2; alpha >= -4; alpha-- {
		for _, d := range []deviation{allan, modified, hadamard} {
			if alpha < -2 && d != hadamard {
				continue
			}
			for _, m := range []int{1, 2, 3, 10, 100, 1000, 2000} {
				z := noiseOf(d, m, alpha)
				f := newFreedom(d, m, Known(float64(alpha)))
				for _, n := range []int{1, 2, m, 3 * m, 20*m + 7} {
					v := float64(n)
					for lag := 1; lag < n && lag <= (d.order()+1)*m; lag++ {
						r := z(float64(lag)/float64(m)) / z(0)
						v += 2 * float64(n-lag) * r * r
					}
					f.n, f.v = 0, 0
					f.add(n, n, 1)
					if want, got := max(float64(n)*float64(n)/v, 1), f.edf(); math.Abs(got/want-1) > 0.01 {
						t.Errorf("%s, deviation %d, %d differences at %d periods: %v degrees of freedom, want %v", noiseNames[alpha], d, n, m, got, want)
					}
				}
			}
		}
	}
}

// How often the 95 % interval holds the true deviation, in each kind of noise, with
// the kind told from the data: with every opening there, with a tenth missing, and
// with a record of eight segments. Noise is invented; the true variance is its mean
// over all seeds.
func TestStabilityIntervalsHold(t *testing.T) {
	const n = 1025
	runs := seeds(60)
	ms := []int{1, 4, 16, 64, 128, 256}
	for _, how := range []string{"whole", "a tenth missing", "eight segments"} {
		t.Log(how + ": per cent of intervals that hold the deviation, at τ of " + fmt.Sprint(ms) + " periods")
		for alpha := 2; alpha >= -2; alpha-- {
			rnd := rand.New(rand.NewPCG(uint64(alpha+10), 7))
			seen := map[string]map[int][]StabilityPoint{"ADEV": {}, "MDEV": {}, "HDEV": {}}
			for range runs {
				s := []PhaseSegment{segmentOf(level(powerNoise(rnd, alpha, 2*n, 1e4)[n:]), 100e9)}
				switch how {
				case "a tenth missing":
					s[0] = slices.DeleteFunc(s[0], func(PhaseSample) bool { return rnd.Float64() < 0.1 })
				case "eight segments":
					s = slices.Collect(slices.Chunk(s[0], n/8))
				}
				r := StabilityOf(s...)
				for name, curve := range map[string][]StabilityPoint{"ADEV": r.ADEV, "MDEV": r.MDEV, "HDEV": r.HDEV} {
					for _, pt := range curve {
						seen[name][pt.m] = append(seen[name][pt.m], pt)
					}
				}
			}
			for _, name := range []string{"ADEV", "MDEV", "HDEV"} {
				line := fmt.Sprintf("  %-14s %s", noiseNames[alpha], name)
				for _, m := range ms {
					points := seen[name][m]
					if len(points) < runs/2 { // no windows, say
						line += "    - "
						continue
					}
					truth, held := 0.0, 0
					for _, pt := range points {
						truth += pt.Deviation.V * pt.Deviation.V / float64(len(points))
					}
					truth = math.Sqrt(truth)
					for _, pt := range points {
						if pt.Low.V <= truth && truth <= pt.High.V {
							held++
						}
					}
					coverage := 100 * float64(held) / float64(len(points))
					line += fmt.Sprintf(" %5.1f", coverage)
					least, most := 90.0, 98.5
					if runs < 1000 {
						least, most = 82, 100
					}
					if coverage < least || coverage > most {
						t.Errorf("%s, %s, %s at %d periods: %.1f %% of the intervals hold", how, noiseNames[alpha], name, m, coverage)
					}
				}
				t.Log(line)
			}
		}
	}
}

// BenchmarkStability is a million cycles, all four deviations at all their τ, on
// one core; with one opening of a hundred missing too.
func BenchmarkStability(b *testing.B) {
	for _, missing := range []float64{0, 0.01, 0.1} {
		b.Run(fmt.Sprintf("%g%% missing", 100*missing), func(b *testing.B) {
			rnd := rand.New(rand.NewPCG(1, 2))
			s := segmentOf(powerNoise(rnd, 0, 1e6, 1e4), 1e9)
			s = slices.DeleteFunc(s, func(PhaseSample) bool { return rnd.Float64() < missing })
			b.ResetTimer()
			for b.Loop() {
				if r := StabilityOf(s); len(r.ADEV) < 20 {
					b.Fatal(len(r.ADEV))
				}
			}
		})
	}
	for _, n := range []int{1e5, 4e6} {
		b.Run(fmt.Sprintf("%d cycles", n), func(b *testing.B) {
			s := segmentOf(powerNoise(rand.New(rand.NewPCG(1, 2)), 0, n, 1e4), 1e9)
			b.ResetTimer()
			for b.Loop() {
				StabilityOf(s)
			}
		})
	}
	b.Run("ADEV at 1, 10, 100, 1000 s of an hour", func(b *testing.B) {
		s := []PhaseSegment{segmentOf(powerNoise(rand.New(rand.NewPCG(1, 2)), 0, 3600, 1e4), 1e9)}
		b.ResetTimer()
		for b.Loop() {
			ADEVAt(s, 1, 10, 100, 1000)
		}
	})
}
