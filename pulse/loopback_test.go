package pulse

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// loop sends breaks of 10 to 100 ms and gives what comes back through a chain
// of known delays (ns), gaussian noise, slope with the break's length (ppm)
// and drift (ns/s). Invented values.
func loop(n int, delayClose, delayOpen, noise, ppm, drift float64, rng *rand.Rand) (sent []Driven, seen []Edge) {
	at := Stamp(1e9)
	for i := range n {
		length := Stamp(10e6 * (1 + i%10))
		sent = append(sent, Driven{at, false}, Driven{at + length, true})
		d := drift * float64(at-1e9) / 1e9
		seen = append(seen,
			Edge{At: at + Stamp(delayOpen+noise*rng.NormFloat64()+d), Level: Low},
			Edge{At: at + length + Stamp(delayClose+noise*rng.NormFloat64()+d+ppm*1e-6*float64(length)), Level: High})
		at += length + 40e6
	}
	return sent, seen
}

func TestLoopbackFindsWhatWasPutIn(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	covered := 0
	const trials = 200
	for range trials {
		sent, seen := loop(500, 30e3, 75e3, 12e3, 0, 40, rng)
		r, err := AnalyseLoopback(sent, seen, ClosedHigh)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(r.EdgeNoise.V-12e3) > 12e3*0.15 {
			t.Fatalf("noise %v ns", r.EdgeNoise.V)
		}
		if math.Abs(r.DriftNSPerS.V-40) > 5*r.DriftU.V {
			t.Fatalf("drift %v ± %v ns/s", r.DriftNSPerS.V, r.DriftU.V)
		}
		if math.Abs(r.Linearity.V) > 5*r.LinearityU.V {
			t.Fatalf("linearity %v ± %v ppm", r.Linearity.V, r.LinearityU.V)
		}
		if math.Abs(r.Asymmetry.V-45e3) <= 2*r.AsymmetryU.V {
			covered++
		}
		if r.Lost != 0 || r.Extra != 0 || len(r.Lengths) != 10 || r.Lengths[3].N != 50 {
			t.Fatalf("%+v", r)
		}
	}
	// Two standard uncertainties are to cover 95 % or more of the trials; 3.5
	// standard deviations of that count below.
	if covered < 179 {
		t.Errorf("2 u covers %d of %d", covered, trials)
	}
}

func TestLoopbackLinearity(t *testing.T) {
	sent, seen := loop(1000, 30e3, 30e3, 5e3, 200, 0, rand.New(rand.NewPCG(3, 4)))
	r, err := AnalyseLoopback(sent, seen, ClosedHigh)
	if err != nil {
		t.Fatal(err)
	}
	if r.LinearityU.V <= 0 || math.Abs(r.Linearity.V-200) > 5*r.LinearityU.V {
		t.Errorf("linearity %v ± %v ppm, want 200", r.Linearity.V, r.LinearityU.V)
	}
	// 200 ppm of 10…100 ms are 2…20 µs: the asymmetry is not known better than
	// the spread of that.
	if r.AsymmetryU.V < 4e3 || r.AsymmetryU.V > 9e3 {
		t.Errorf("asymmetry known within %v ns", r.AsymmetryU.V)
	}
}

func TestLoopbackLostAndExtra(t *testing.T) {
	sent, seen := loop(100, 30e3, 75e3, 0, 0, 0, rand.New(rand.NewPCG(5, 6)))
	seen = slices.Delete(seen, 40, 43)
	seen = slices.Insert(seen, 90, Edge{At: seen[89].At + 3e6, Level: Low}, Edge{At: seen[89].At + 4e6, Level: High})
	r, err := AnalyseLoopback(sent, seen, ClosedHigh)
	if err != nil {
		t.Fatal(err)
	}
	if r.Lost != 3 || r.Extra != 2 || !close9(r.Asymmetry.V, 45e3) {
		t.Errorf("lost %d, extra %d, asymmetry %v", r.Lost, r.Extra, r.Asymmetry.V)
	}
	// Upside down, nothing fits.
	if r, err := AnalyseLoopback(sent, seen, ClosedLow); err == nil {
		t.Errorf("wrong polarity was taken: %+v", r)
	}
	if _, err := AnalyseLoopback(nil, nil, ClosedHigh); err == nil {
		t.Error("nothing was taken")
	}
}
