package pulse_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"makebreak/pulse"
)

// The trains and swings of this file are invented; the edges are those of the
// study's noise.

// A shaft slower than the cam swings nothing but itself: the short blocks of the
// faster ones make no swings of it.
func TestDriveSlowShaftAlone(t *testing.T) {
	d := marrowQuay()
	d.Shafts = append(d.Shafts, pulse.Shaft{Name: "slow", From: d.CamShaft, DrivingTeeth: 10, OwnTeeth: 40})
	for seed := range uint64(4) {
		r := rand.New(rand.NewPCG(seed, 7))
		x := pulse.FitDrive(d, studyOpenings(r, steady, 1000, 6, []float64{0.25}, []float64{1.2e6}))
		sum := x.LobesShare.V + x.ResidualShare.V
		for i := range x.Shafts {
			s := &x.Shafts[i]
			sum += s.Share.V
			if slow := s.Name == "slow"; s.Found() != slow || slow && !within(s.AmplitudeMS, 1.2, 0.02) {
				t.Errorf("seed %d: %s: %v ms, false alarm %v", seed, s.Name, s.AmplitudeMS, s.FalseAlarm)
			}
		}
		if len(x.Unlisted) > 0 || math.Abs(sum-1) > 0.01 {
			t.Errorf("seed %d: unlisted %+v, shares add up to %v", seed, x.Unlisted, sum)
		}
	}
}

// What is not listed and turns slowly is found, and nothing is made of it.
func TestDriveSlowUnlisted(t *testing.T) {
	for _, lobes := range []int{2, 6} {
		for _, order := range []float64{0.05, 0.13, 0.31, 0.47} {
			d := marrowQuay()
			d.Lobes = lobes
			r := rand.New(rand.NewPCG(uint64(1000*order), uint64(lobes)))
			x := pulse.FitDrive(d, studyOpenings(r, steady, 1000, lobes, []float64{order}, []float64{0.8e6}))
			if len(x.Unlisted) != 1 || math.Abs(float64(x.Unlisted[0].TurnsPerCamTurn)-order) > 1e-3 || !within(x.Unlisted[0].AmplitudeMS, 0.8, 0.03) {
				t.Errorf("%d lobes, %v turns: unlisted %+v", lobes, order, x.Unlisted)
				continue
			}
			sum := x.LobesShare.V + x.ResidualShare.V + x.Unlisted[0].Share.V
			for i := range x.Shafts {
				sum += x.Shafts[i].Share.V
				if s := &x.Shafts[i]; s.Found() {
					t.Errorf("%d lobes, %v turns: %s: %v ms, false alarm %v", lobes, order, s.Name, s.AmplitudeMS, s.FalseAlarm)
				}
			}
			if math.Abs(sum-1) > 0.01 || !(x.SearchedFrom.V <= 0.05) || x.SearchedTo.V != float64(lobes)/2 {
				t.Errorf("%d lobes, %v turns: shares add up to %v, searched from %v to %v", lobes, order, sum, x.SearchedFrom, x.SearchedTo)
			}
		}
	}
}

// Of two shafts that openings see alike, one turns the other way: sin(x + φ) at
// the openings is the sine of −x + 180° − φ.
func TestDriveSlowTwinsPhases(t *testing.T) {
	d := marrowQuay()
	d.Shafts = append(d.Shafts, pulse.Shaft{Name: "twin", From: d.CamShaft, DrivingTeeth: 90, OwnTeeth: 40}) // 2.25 = 6 − 3.75
	r := rand.New(rand.NewPCG(3, 4))
	var rows []pulse.DriveOpening
	for k := range 6000 {
		turn := float64(k) / 6
		at := turn*studyTurn + 1.2e6*math.Sin(2*math.Pi*3.75*turn+40*math.Pi/180) + 0.1e6*r.NormFloat64()
		rows = append(rows, pulse.DriveOpening{At: pulse.Stamp(1e9 + at), N: int64(k)})
	}
	x := pulse.FitDrive(d, rows)
	idler, twin := &x.Shafts[1], &x.Shafts[len(x.Shafts)-1]
	if !within(idler.PhaseDeg, 40, 1) || !within(twin.PhaseDeg, 140, 1) {
		t.Errorf("phases %v and %v, want 40 and 140", idler.PhaseDeg, twin.PhaseDeg)
	}
	if !(idler.Share.V > 0.9) || twin.Share.V != 0 || !twin.Share.OK {
		t.Errorf("shares %v and %v", idler.Share, twin.Share)
	}
}
