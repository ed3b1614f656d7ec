package synth

import (
	"fmt"
	"math"
	"os"
	"testing"

	"pgregory.net/rapid"

	"makebreak/pulse"
)

// adev is the overlapping Allan deviation of the time errors x, spaced tau0
// apart, over m · tau0: the square root of Σ (x[i+2m] − 2x[i+m] + x[i])² /
// (2 m² τ0² (N − 2m)), as NIST SP 1065 has it for phase data.
func adev(x []float64, tau0 float64, m int) float64 {
	sum, n := 0.0, len(x)-2*m
	for i := range n {
		d := x[i+2*m] - 2*x[i+m] + x[i]
		sum += d * d
	}
	tau := float64(m) * tau0
	return math.Sqrt(sum / (2 * tau * tau * float64(n)))
}

// The helper itself, on the ten frequency values of NIST SP 1065's NBS14 set:
// its Allan deviation at τ = 1 is 91.22945 and at τ = 2 overlapping 85.95287
// (tables 29 and 30 there).
func TestADEVHelper(t *testing.T) {
	x := []float64{0}
	for _, y := range []float64{892, 809, 823, 798, 671, 644, 883, 903, 677} {
		x = append(x, x[len(x)-1]+y)
	}
	if got := adev(x, 1, 1); math.Abs(got-91.22945) > 5e-6 {
		t.Errorf("at 1: %.5f, want 91.22945", got)
	}
	if got := adev(x, 1, 2); math.Abs(got-85.95287) > 5e-6 {
		t.Errorf("at 2: %.5f, want 85.95287", got)
	}
}

// lateness is how much later than the ideal each opening of an undisturbed cam
// is, in ns.
func lateness(t testing.TB, desc string) []float64 {
	t.Helper()
	s := mustNew(t, desc)
	open, _ := breaks(t, read(s, all, 4096))
	x := make([]float64, len(open))
	for i := range x {
		x[i] = float64(open[i]-1e9) - float64(s.lay.start(int64(i)))
	}
	return x
}

// Each kind of wander has the Allan deviation that is asked for, and with it
// the slope: −1/2, 0 and +1/2. The mean of some seeds, because the longest
// times rest on few independent samples.
func TestWanderKinds(t *testing.T) {
	seeds, cycles := 5, 20000
	if os.Getenv("MAKEBREAK_ENDURANCE") != "" {
		seeds, cycles = 30, 50000
	}
	for _, c := range []struct {
		key   string
		slope float64
	}{{"wander-white", -0.5}, {"wander-flicker", 0}, {"wander-walk", 0.5}, {"wander", 0.5}} {
		for _, ipm := range []float64{60, 600, 31.7} {
			tau0, ppm := 60/ipm, 20.0
			if c.key == "wander" {
				ppm = 20 * math.Sqrt(3*3600)
			}
			desc := fmt.Sprintf("cam ipm=%g cycles=%d %s=%g", ipm, cycles, c.key, ppm)
			var sums [10]float64 // of Allan variances, τ in octaves
			for seed := range seeds {
				x := lateness(t, fmt.Sprintf("%s seed=%d", desc, seed))
				for i := range sums {
					d := adev(x, tau0*1e9, 1<<i)
					sums[i] += d * d
				}
			}
			spec, err := Parse(desc)
			if err != nil {
				t.Fatal(err)
			}
			line := ""
			for i, sum := range sums {
				tau := math.Ldexp(tau0, i)
				got := math.Sqrt(sum / float64(seeds))
				want := 20e-6 * math.Pow(tau, c.slope)
				if by := spec.ADEV(tau * 1e9); math.Abs(by/want-1) > 1e-12 {
					t.Errorf("%s: Spec.ADEV(%g s) = %g, want %g", desc, tau, by, want)
				}
				// An average over n independent differences is known to 1/√(2n).
				n := float64(seeds) * float64(cycles) / math.Ldexp(1, i)
				tolerance := 0.02 + 4/math.Sqrt(2*n)
				if c.key == "wander" {
					// A speed that steps at the openings: of second differences
					// over m periods the variance is q·τ³·(2 + 1/m²)/3, not 2/3.
					want *= math.Sqrt(1 + math.Ldexp(0.5, -2*i))
				}
				if math.Abs(got/want-1) > tolerance {
					t.Errorf("%s: at τ = %g s %.4g, want %.4g within %.1f %%", desc, tau, got, want, 100*tolerance)
				}
				line += fmt.Sprintf(" %.3f", got/want)
			}
			t.Logf("%s: Allan deviation, measured over asked, τ = %g s and octaves of it:%s", desc, tau0, line)
		}
	}
}

// The kinds are independent: their variances add up.
func TestWanderKindsAddUp(t *testing.T) {
	const desc = "cam ipm=60 cycles=20000 wander-white=40 wander-flicker=30 wander-walk=5"
	spec, err := Parse(desc)
	if err != nil {
		t.Fatal(err)
	}
	var sums [8]float64
	for seed := range 6 {
		x := lateness(t, fmt.Sprintf("%s seed=%d", desc, seed))
		for i := range sums {
			d := adev(x, 1e9, 1<<i)
			sums[i] += d * d
		}
	}
	for i, sum := range sums {
		got, want := math.Sqrt(sum/6), spec.ADEV(math.Ldexp(1e9, i))
		if math.Abs(got/want-1) > 0.15 {
			t.Errorf("at τ = %d s %.4g, want %.4g", 1<<i, got, want)
		}
	}
}

// The drive goes the same way whoever looks at it and whenever: a contact that
// is seen rarely, after a gap of a day or at other places of the turn finds the
// lateness that one sees that looks all the time.
func TestWanderIsOfTheDrive(t *testing.T) {
	spec, err := Parse("cam ipm=600 wander-white=30 wander-flicker=20 wander-walk=10 seed=3")
	if err != nil {
		t.Fatal(err)
	}
	dense := newWander(spec, 1e8)
	const step = 5e6
	var at [400000]float64
	for i := range at {
		at[i] = dense.late(int64(i) * step)
	}
	rapid.Check(t, func(t *rapid.T) {
		rare := newWander(spec, 1e8)
		for i := 0; i < len(at); i += rapid.OneOf(rapid.IntRange(1, 3), rapid.IntRange(1, 20000)).Draw(t, "skip") {
			if got := rare.late(int64(i) * step); got != at[i] {
				t.Fatalf("at %d ms %.17g, looked at all the time %.17g", i*5, got, at[i])
			}
		}
	})

	// Over outages, in signals: the openings that are left are where they were.
	const cam = "cam ipm=60 cycles=100000 wander-white=30 wander-flicker=20 wander-walk=10 seed=3"
	openings := map[pulse.Stamp]bool{}
	for _, e := range read(mustNew(t, cam), all, 4096) {
		openings[e.At] = true
	}
	s := mustNew(t, cam+" outages=100s,40000s outage-length=5h")
	edges := read(s, all, 4096)
	for _, e := range edges {
		if !openings[e.At] {
			t.Fatalf("edge at %d is not there without outages", e.At)
		}
	}
	if truth := s.Truth(); truth.OutageLost < 2*17900 || truth.OutageLost > 2*18100 {
		t.Errorf("%d interruptions lost to two outages of 5 h", truth.OutageLost)
	}

	// White noise and a random walk do not know how often the contact opens.
	slow := lateness(t, "cam ipm=60 cycles=5000 wander-white=30 wander-walk=10 seed=3")
	fast := lateness(t, "cam ipm=300 cycles=25000 wander-white=30 wander-walk=10 seed=3")
	for i, x := range slow {
		if math.Abs(x-fast[5*i]) > 1 {
			t.Fatalf("%d s after the first opening %.0f ns late at 60 IPM, %.0f at 300", i, x, fast[5*i])
		}
	}
}

// The lateness between neighbours of the finest grid is smooth where its rate
// has one: no step at the ends of cells and knots.
func TestWanderIsContinuous(t *testing.T) {
	for _, key := range []string{"wander-white", "wander-flicker", "wander-walk"} {
		spec, err := Parse("cam ipm=600 " + key + "=100 seed=5")
		if err != nil {
			t.Fatal(err)
		}
		w := newWander(spec, 1e8)
		before := w.late(0)
		for i := int64(1); i < 300000; i++ {
			now := w.late(i << 17)
			// 2¹⁷ ns at a rate of ten times the deviation that white noise has
			// over a leaf of 2²⁰ ns
			most := 10 * 100e-6 * math.Sqrt(1e9/math.Ldexp(1, leafBits)) * math.Ldexp(1, 17)
			if math.Abs(now-before) > most {
				t.Fatalf("%s: from %.0f to %.0f ns in 0.13 ms, %d ms after the first opening", key, before, now, i<<17/1e6)
			}
			before = now
		}
	}
}

// A year on, the times are still there: the lateness neither runs off nor loses
// its ns.
func TestWanderOverAYear(t *testing.T) {
	s := mustNew(t, "cadence 1800000/1800000 cycles=endless wander-flicker=10 wander-white=10 wander-walk=1 seed=1")
	edges := read(s, 2*8766, 4096) // a year
	last := edges[len(edges)-2].At
	ideal := float64(len(edges)/2-1)*3600e9 + 1800e9
	if off := math.Abs(float64(last)/ideal - 1); off > 5*s.Spec().ADEV(3e16)+1e-9 {
		t.Errorf("a drive of %s is off by %g after a year", s.Spec(), off)
	}
}
