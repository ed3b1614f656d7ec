package pulse_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"makebreak/pulse"
)

// Signals of this file are invented; what is true of them is their description.

// tallTrain is a train whose idler turns 23/4 times in a turn of a cam of five
// lobes: an opening meets each of 20 places of it once in 23 of its turns.
func tallTrain() *pulse.Drive {
	return &pulse.Drive{Lobes: 5, CamShaft: "cam", Shafts: []pulse.Shaft{
		{Name: "motor"}, {Name: "idler", From: "motor", DrivingTeeth: 20, OwnTeeth: 80}, {Name: "cam", From: "idler", DrivingTeeth: 20, OwnTeeth: 115}}}
}

// One opening in P that is late by h is a sinusoid of 2h/P, by the definition of
// the Fourier series of one sample in P; weights must not take it for a gross error.
func TestDriveTrainStruckOpenings(t *testing.T) {
	for _, h := range []float64{0.5, 1, 2, 4} {
		r := driveTrain(t, tallTrain(), fmt.Sprintf("cam ipm=60 lobes=5 cycles=3000 jitter=0.1ms tooth=5.75:16:%vms seed=1", h))
		s := &r.Shafts[1]
		if s.Kind != pulse.SwingTooth || s.Struck == nil {
			t.Fatalf("%v ms: %+v", h, s)
		}
		x := s.Struck
		if !within(s.AmplitudeMS, h/10, 0.006) || s.AmplitudeHighMS.V-s.AmplitudeLowMS.V > 0.03 {
			t.Errorf("%v ms: swing ±%v (%v to %v), want %v", h, s.AmplitudeMS, s.AmplitudeLowMS, s.AmplitudeHighMS, h/10)
		}
		if !within(x.LateMS, h, 0.03) || !within(x.LateSEMS, 0.0095, 0.002) || x.OneIn != 20 || x.Places != 1 || x.EachTurns != 23 || x.AtDeg.V != 0 {
			t.Errorf("%v ms: struck %+v", h, x)
		}
		// The lobe that the tooth meets has no share in it.
		if sum := r.LobesShare.V + s.Share.V + r.ResidualShare.V; math.Abs(sum-1) > 0.01 || r.LobesShare.V > 0.01 || !within(r.ResidualMS, 0.1, 0.02) {
			t.Errorf("%v ms: lobes %v, idler %v, left %v and %v ms", h, r.LobesShare, s.Share, r.ResidualShare, r.ResidualMS)
		}
	}
	// Two shafts at the same eight places: both have it, the late one of an opposite
	// pair.
	r := driveTrain(t, marrowQuay(), "cam ipm=552 lobes=6 cycles=6000 jitter=0.1ms tooth=18.75:18:0.4ms seed=1")
	for i, turns := range []int{25, 5} {
		s := &r.Shafts[i]
		if s.Struck == nil || !within(s.Struck.LateMS, 0.4, 0.025) || s.Struck.OneIn != 8 || s.Struck.EachTurns != turns || !within(s.AmplitudeMS, 0.1, 0.006) || len(s.SameJerkAs) != 1 {
			t.Errorf("%s: %+v, struck %+v", s.Name, s, s.Struck)
		}
	}
	// A swing of the same shaft beside it.
	r = driveTrain(t, tallTrain(), "cam ipm=60 lobes=5 cycles=3000 jitter=0.1ms tooth=5.75:16:4ms gear=5.75:0.2ms:90 seed=1")
	if s := &r.Shafts[1]; s.Struck == nil || !within(s.Struck.LateMS, 4, 0.03) {
		t.Errorf("with a swing: %+v", s)
	}
	r = driveTrain(t, tallTrain(), "cam ipm=60 lobes=5 cycles=3000 jitter=0.1ms gear=5.75:0.2ms:90 seed=1")
	if s := &r.Shafts[1]; s.Struck != nil || s.Kind != pulse.SwingEccentric {
		t.Errorf("a swing alone: %+v", s)
	}
}

// The intervals hold the truth as often as they say, whatever the speed does. The
// jerk is 1 ms, of a place where every 20th opening meets it.
func TestStruckStudy(t *testing.T) {
	seeds := uint64(20)
	if pulse.StudySeeds(0, 1) == 1 {
		seeds = 1000
	}
	n := float64(seeds)
	d := tallTrain()
	for _, kind := range speedNoises {
		late, swing, told := 0.0, 0.0, 0.0
		for seed := range seeds {
			r := rand.New(rand.NewPCG(seed, 7))
			rows := studyOpenings(r, kind, 300, 5, nil, nil)
			for i := range rows {
				if i%20 == 3 {
					rows[i].At += 1e6
					rows[i].BreakNS -= 1e6
				}
			}
			s := &pulse.FitDrive(d, rows).Shafts[1]
			if s.Struck == nil {
				continue
			}
			told++
			if s.Struck.LowMS.V <= 1 && 1 <= s.Struck.HighMS.V {
				late++
			}
			if s.AmplitudeLowMS.V <= 0.1 && 0.1 <= s.AmplitudeHighMS.V {
				swing++
			}
		}
		t.Logf("%-19s told %5.1f%%, interval holds the truth: late %.1f%%, swing %.1f%%", kind, 100*told/n, 100*late/told, 100*swing/told)
		least := 0.92 - 3.5*math.Sqrt(0.05*0.95/n)
		if told < 0.95*n || late/told < least || swing/told < least {
			t.Errorf("%s: told %v of %v, late %v, swing %v", kind, told, n, late, swing)
		}
	}
}

// A wrong number of teeth makes what turns unlisted, and blames no other shaft.
func TestDriveTrainWrongTeeth(t *testing.T) {
	d := marrowQuay()
	d.Shafts[2].OwnTeeth--
	for seed := range 6 {
		r := driveTrain(t, d, fmt.Sprintf("cam ipm=552 lobes=6 cycles=6000 gear=3.75:1.2ms jitter=0.2ms seed=%d", seed+1))
		if r.Shafts[0].Found() || r.Shafts[1].Found() || len(r.Unlisted) != 1 {
			t.Errorf("seed %d: %+v, unlisted %+v", seed+1, r.Shafts, r.Unlisted)
			continue
		}
		u := &r.Unlisted[0]
		if math.Abs(float64(u.TurnsPerCamTurn)-3.75) > 1e-4 || !within(u.AmplitudeMS, 1.2, 0.02) || !(u.Share.V > 0.9) || !(r.ResidualShare.V < 0.1) {
			t.Errorf("seed %d: %+v, left %v", seed+1, u, r.ResidualShare)
		}
		if u.Near == nil || u.Near.Name != "idler" || u.Near.Teeth == nil || *u.Near.Teeth != (pulse.ToothChange{Driving: "idler", Driven: "cam", DrivingTeeth: 20, OwnTeeth: 75}) {
			t.Errorf("seed %d: near %+v", seed+1, u.Near)
		}
	}
	r := driveTrain(t, marrowQuay(), "cam ipm=552 lobes=6 cycles=6000 gear=2.37:0.2ms jitter=0.2ms seed=1")
	if len(r.Unlisted) != 1 || r.Unlisted[0].Near != nil {
		t.Errorf("far from all: %+v", r.Unlisted)
	}
}
