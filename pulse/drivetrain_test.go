package pulse_test

import (
	"fmt"
	"math"
	"testing"

	"makebreak/pulse"
)

// Signals of this file are invented; what is true of them is their description.

func driveTrain(t *testing.T, d *pulse.Drive, desc string) *pulse.DriveTrain {
	t.Helper()
	if err := d.Check(); err != nil {
		t.Fatal(err)
	}
	edges, _ := makeSignal(t, desc)
	m := measureEdges(t, pulse.Config{Kind: pulse.KindInterrupter, Lobes: d.Lobes, Drive: d}, edges)
	if m.DriveTrain == nil {
		t.Fatalf("%s: no drive train", desc)
	}
	return m.DriveTrain
}

// within tells whether a figure is known and right within a tolerance.
func within(n pulse.Num, want, tolerance float64) bool {
	return n.OK && math.Abs(n.V-want) <= tolerance
}

func TestDriveTrainFindsTheShaft(t *testing.T) {
	const cam = "cam ipm=552 lobes=6 cycles=6000 break=40 jitter=0.3ms lobe-errors=0,1ms,0,0,-0.4ms,0 seed=3 "
	for _, x := range []struct {
		more          string
		motor, idler  float64 // ms
		idlerPhase    float64
		notQuite      float64 // tolerance in ms
		unlistedOrder float64
	}{
		{more: "", notQuite: 0.015},
		{more: "gear=3.75:1.2ms:30", idler: 1.2, idlerPhase: 30, notQuite: 0.015},
		{more: "gear=18.75:0.2ms:200", motor: 0.2, notQuite: 0.015},
		{more: "gear=3.75:1.2ms:300,18.75:0.2ms", motor: 0.2, idler: 1.2, idlerPhase: 300, notQuite: 0.015},
		{more: "gear=3.75:0.3ms:45 missing=0.05 bounce=2:1ms", idler: 0.3, idlerPhase: 45, notQuite: 0.02},
		{more: "gear=3.75:0.3ms:45 wander=3000 drift=100", idler: 0.3, idlerPhase: 45, notQuite: 0.02},
		{more: "gear=3.75:0.3ms:45 lost=0.005", idler: 0.3, idlerPhase: 45, notQuite: 0.05},
		{more: "gear=3.75:0.3ms:45 extra=0.02", idler: 0.3, idlerPhase: 45, notQuite: 0.03},
		{more: "gear=2.37:0.2ms:60", notQuite: 0.015, unlistedOrder: 2.37},
		{more: "gear=3.63:0.2ms:60", notQuite: 0.015, unlistedOrder: 3.63}, // closings tell it from 6 − 3.63
		{more: "gear=8.37:0.2ms:60", notQuite: 0.015, unlistedOrder: 8.37},
	} {
		r := driveTrain(t, marrowQuay(), cam+x.more)
		motor, idler, shaft := &r.Shafts[0], &r.Shafts[1], &r.Shafts[2]
		for _, s := range []struct {
			got  *pulse.ShaftSwing
			want float64
		}{{motor, x.motor}, {idler, x.idler}} {
			if s.got.Found() != (s.want > 0) || !within(s.got.AmplitudeMS, s.want, x.notQuite) {
				t.Errorf("%q: %s found %v, %v ms, false alarm %v; want %v ms", x.more, s.got.Name, s.got.Found(), s.got.AmplitudeMS, s.got.FalseAlarm, s.want)
			}
			kind := pulse.SwingNone
			if s.want > 0 {
				kind = pulse.SwingEccentric
			}
			if s.got.Kind != kind {
				t.Errorf("%q: %s is %s, want %s", x.more, s.got.Name, s.got.Kind, kind)
			}
		}
		if x.idler > 0.2 {
			// Of its own turn: the cam turns in 60/92 s.
			if degrees := x.idler / (60e3 / 92) * 3.75 * 360; !within(idler.AmplitudeDeg, degrees, degrees*x.notQuite/x.idler+1e-3) {
				t.Errorf("%q: %v degrees, want %v", x.more, idler.AmplitudeDeg, degrees)
			}
			if d := math.Mod(idler.PhaseDeg.V-x.idlerPhase+540, 360) - 180; math.Abs(d) > 6 && r.Left == 0 {
				t.Errorf("%q: phase %v, want %v", x.more, idler.PhaseDeg, x.idlerPhase)
			}
		}
		if shaft.AmplitudeMS.OK || len(shaft.IndistinguishableFrom) != 1 || shaft.IndistinguishableFrom[0] != pulse.LobesName {
			t.Errorf("%q: the cam shaft is told from its lobes: %+v", x.more, shaft)
		}
		switch {
		case x.unlistedOrder == 0 && len(r.Unlisted) > 0, x.unlistedOrder > 0 && len(r.Unlisted) != 1:
			t.Errorf("%q: unlisted %+v", x.more, r.Unlisted)
		case x.unlistedOrder > 0:
			u := r.Unlisted[0]
			if math.Abs(float64(u.TurnsPerCamTurn)-x.unlistedOrder) > 1e-3 || !within(u.AmplitudeMS, 0.2, 0.02) {
				t.Errorf("%q: unlisted %+v, want order %v and 0.2 ms", x.more, u, x.unlistedOrder)
			}
		}
		sum := r.LobesShare.V + r.ResidualShare.V
		for _, s := range r.Shafts {
			sum += s.Share.V
		}
		if !r.Closings || math.Abs(sum-1) > 0.01 {
			t.Errorf("%q: closings %v, shares add up to %v", x.more, r.Closings, sum)
		}
	}
}

// Two orders that one lobe's openings see alike are told apart by closings.
func TestDriveTrainClosingsTellApart(t *testing.T) {
	d := marrowQuay()
	d.Lobes = 1
	edges, _ := makeSignal(t, "cam ipm=92 lobes=1 cycles=3000 break=37 jitter=0.3ms gear=3.75:0.5ms:30 seed=1")
	for _, closings := range []bool{true, false} {
		var rows []pulse.DriveOpening
		measureEdges(t, pulse.Config{Kind: pulse.KindInterrupter, Lobes: 1, Observer: pulse.Observer{Cycle: func(r *pulse.CycleRow) {
			o := pulse.DriveOpeningOf(r)
			if !closings {
				o.BreakNS = 0
			}
			rows = append(rows, o)
		}}}, edges)
		r := pulse.FitDrive(d, rows)
		motor, idler := &r.Shafts[0], &r.Shafts[1]
		if closings {
			if motor.Found() || !within(idler.AmplitudeMS, 0.5, 0.05) || len(idler.IndistinguishableFrom) > 0 {
				t.Errorf("with closings: %+v, %+v", motor, idler)
			}
			continue
		}
		want := fmt.Sprint([]string{"idler"}, []string{"motor"})
		if got := fmt.Sprint(motor.IndistinguishableFrom, idler.IndistinguishableFrom); got != want || !within(idler.AmplitudeMS, 0.5, 0.05) || motor.AmplitudeMS != idler.AmplitudeMS {
			t.Errorf("with openings alone: indistinguishable %s, want %s; %v and %v ms", got, want, motor.AmplitudeMS, idler.AmplitudeMS)
		}
		if motor.Share != idler.Share || !motor.Share.OK {
			t.Errorf("shares %v and %v", motor.Share, idler.Share)
		}
	}
}
