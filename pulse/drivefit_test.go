package pulse

import (
	"math"
	"testing"
)

// Figures of this file are from SciPy and NumPy: pulse/testdata/figures.py.

func closeTo(got, want, tolerance float64) bool { return math.Abs(got-want) <= tolerance }

// The sum of squares that a sinusoid explains is twice the unnormalised
// periodogram of Lomb and Scargle, here of unevenly spaced times.
func TestSineSums(t *testing.T) {
	for f, want := range map[float64]float64{
		0.05: 0.02050829997845573, 0.09: 6.701100636954843, 0.10: 35.09706173858526, 0.11: 8.320395607473975, 0.20: 0.22090013529020833,
	} {
		var g sineSums
		for i := range 64 {
			at := float64(i) + 0.25*math.Sin(1.7*float64(i))
			sin, cos := math.Sincos(2 * math.Pi * f * at)
			g.add(1, 1.5*math.Cos(2*math.Pi*0.1*at+0.7), cos, sin)
		}
		cos, sin, shape, ok := g.solve()
		if !ok {
			t.Fatalf("frequency %v: not solved", f)
		}
		s := newSwing(cos, sin, shape, [3]float64{1, 0, 1}, 10)
		if got := s.power / 2; !closeTo(got, want, 1e-9) {
			t.Errorf("frequency %v: power %v, want %v", f, got, want)
		}
		if f == 0.10 && (!closeTo(cos, 1.5*math.Cos(0.7), 1e-9) || !closeTo(sin, -1.5*math.Sin(0.7), 1e-9)) {
			t.Errorf("coefficients %v and %v of 1.5 cos(2πft + 0.7)", cos, sin)
		}
	}
	var g sineSums
	for i := range 10 { // at two opposite points of the turn
		g.add(1, 1, math.Cos(math.Pi*float64(i)), 0)
	}
	if _, _, _, ok := g.solve(); ok {
		t.Error("a sine that is 0 at every point was solved")
	}
}

func TestSwingProbability(t *testing.T) {
	for _, x := range []struct{ fisher, freedom, want float64 }{
		{3, 14, 0.08235429999999996}, {10, 14, 0.002006983631299114}, {20, 78, 9.733997267415988e-08},
	} {
		// With parts of variance 1 and no correlation, F = (cos² + sin²) / 2.
		s := newSwing(math.Sqrt(2*x.fisher), 0, [3]float64{1, 0, 1}, [3]float64{1, 0, 1}, x.freedom)
		if !closeTo(s.p/x.want, 1, 1e-9) {
			t.Errorf("F %v with 2 and %v degrees of freedom: %v, want %v", x.fisher, x.freedom, s.p, x.want)
		}
	}
	for _, x := range []struct{ a, nu, want float64 }{
		{1, 0, 0.3934693402873665}, {3, 2, 0.785637911837349}, {3, 4, 0.12589611662797018}, {25, 24, 0.836354088284214}, {0.5, 3, 0.001699767294460619},
	} {
		if got := riceBelow(x.a, x.nu); !closeTo(got, x.want, 2e-4) {
			t.Errorf("below %v of Rice's distribution of %v: %v, want %v", x.a, x.nu, got, x.want)
		}
	}
	// The interval is where the distribution says: 2.5 % on either side.
	s := swing{cos: 3, se: 1, freedom: 1e9}
	low, high := s.interval()
	if below := riceBelow(3, low); !closeTo(below, 0.975, 1e-3) {
		t.Errorf("lower bound %v: %v is below it", low, below)
	}
	if below := riceBelow(3, high) / riceBelow(3, 0); !closeTo(below, 0.025, 1e-3) {
		t.Errorf("upper bound %v: %v is below it", high, below)
	}
	if low, high := (&swing{se: 1, freedom: 1e9}).interval(); low != 0 || !closeTo(high, math.Sqrt(-2*math.Log(0.025)), 0.01) {
		t.Errorf("no swing seen: %v to %v", low, high)
	}
	if p := ofMany(0.001, 10); !closeTo(p, 1-math.Pow(0.999, 10), 1e-15) {
		t.Errorf("one of ten: %v", p)
	}
}

// The whole fit against NumPy's least squares: lobes, two shafts and a cubic in
// each block of six turns, with openings missing.
func TestFitDriveAgainstLeastSquares(t *testing.T) {
	d := &Drive{Lobes: 6, CamShaft: "cam", Shafts: []Shaft{{Name: "motor"}, {Name: "idler", From: "motor", DrivingTeeth: 18, OwnTeeth: 90},
		{Name: "cam", From: "idler", DrivingTeeth: 20, OwnTeeth: 75}}}
	var rows []DriveOpening
	for n := range 6*61 + 1 {
		if n%17 == 5 {
			continue
		}
		turn, x := float64(n)/6, float64(n)
		late := 3e5*math.Sin(2*math.Pi*3.75*turn+0.5) + 1e5*math.Cos(2*math.Pi*18.75*turn) + 2e4*turn + 3e2*turn*turn + 5e4*math.Sin(1.3*x*x)
		if n%6 == 1 {
			late += 4e5
		}
		rows = append(rows, DriveOpening{At: Stamp(math.RoundToEven(x*1e8 + late)), N: int64(n)})
	}
	r := FitDrive(d, rows)
	for i, want := range [][2]float64{{101642.72428283791, -620.5728779459605}, {145803.56543409667, 261627.18603271423}} {
		s := &r.Shafts[i]
		phase := math.Mod(math.Atan2(want[0], want[1])*180/math.Pi+360, 360)
		if !closeTo(s.AmplitudeMS.V, math.Hypot(want[0], want[1])/1e6, 1e-8) || !closeTo(s.PhaseDeg.V, phase, 1e-5) {
			t.Errorf("%s: %v ms at %v°, want %v at %v", s.Name, s.AmplitudeMS.V, s.PhaseDeg.V, math.Hypot(want[0], want[1])/1e6, phase)
		}
	}
	if r.Openings != len(rows) || r.Closings || r.Turns != 61 {
		t.Errorf("%d openings, closings %v, %v turns", r.Openings, r.Closings, r.Turns)
	}
}

// A place whose edges are all far off keeps its weight; a gross error loses it.
func TestReweighKeepsWhatRepeats(t *testing.T) {
	s := &edgeSeries{lobes: 6, folds: []fold{{num: 3, den: 8, places: 8}}}
	for n := range 800 {
		late := float32(100 * math.Sin(1.3*float64(n*n)))
		if n%8 == 5 || n == 100 {
			late += 5000
		}
		s.n, s.at, s.w, s.e = append(s.n, int32(n)), append(s.at, 0), append(s.w, 1), append(s.e, late)
	}
	(&driveFit{series: []*edgeSeries{s}}).reweigh(false)
	for n, w := range s.w {
		if n == 100 && w > 0.2 || n != 100 && w < 1 {
			t.Errorf("opening %d: weight %v, scale %v", n, w, s.scale)
		}
	}
}
