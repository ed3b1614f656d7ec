package pulse_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
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
		for _, u := range r.Unlisted {
			sum += u.Share.V
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
		if !(motor.Share.V > 0.1) || idler.Share.V != 0 || !idler.Share.OK {
			t.Errorf("shares %v and %v", motor.Share, idler.Share)
		}
	}
}

// What a shaft does once a turn, smoothly or with a jerk, and what its teeth do.
func TestDriveTrainKinds(t *testing.T) {
	// Shafts whose harmonics fall on no other: motor 17.3, idler 2.7 turns.
	d := &pulse.Drive{Lobes: 6, CamShaft: "cam", Shafts: []pulse.Shaft{
		{Name: "motor"}, {Name: "idler", From: "motor", DrivingTeeth: 27, OwnTeeth: 173}, {Name: "cam", From: "idler", DrivingTeeth: 10, OwnTeeth: 27}}}
	const cam = "cam ipm=552 lobes=6 cycles=12000 break=43 jitter=0.1ms seed=5 "
	for _, x := range []struct {
		more         string
		motor, idler pulse.SwingKind
		mesh         float64 // ms
		band         string
	}{
		{more: "gear=2.7:0.3ms", motor: pulse.SwingNone, idler: pulse.SwingEccentric},
		{more: "gear=2.7:0.3ms,17.3:0.1ms", motor: pulse.SwingEccentric, idler: pulse.SwingEccentric},
		{more: "tooth=2.7:10:1ms", motor: pulse.SwingNone, idler: pulse.SwingTooth},
		{more: "gear=467.1:0.1ms", motor: pulse.SwingNone, idler: pulse.SwingNone, mesh: 0.1},
		// Half a tooth passes in the error of a lobe.
		{more: "gear=467.1:0.1ms lobe-errors=0,0.7ms,0,0,-0.2ms,0", motor: pulse.SwingNone, idler: pulse.SwingNone, mesh: 0.1},
		{more: "gear=469.8:0.1ms", motor: pulse.SwingNone, idler: pulse.SwingNone, band: "idler"},
	} {
		r := driveTrain(t, d, cam+x.more)
		if r.Shafts[0].Kind != x.motor || r.Shafts[1].Kind != x.idler || len(r.Unlisted) > 0 {
			t.Errorf("%q: motor %s, idler %s, unlisted %v; want %s and %s", x.more, r.Shafts[0].Kind, r.Shafts[1].Kind, r.Unlisted, x.motor, x.idler)
		}
		m := &r.Meshes[0]
		if m.Found() != (x.mesh > 0 || x.band != "") || x.mesh > 0 && !within(m.AmplitudeMS, x.mesh, 0.01) {
			t.Errorf("%q: mesh %+v, want %v ms", x.more, m, x.mesh)
		}
		if x.band != "" && (len(m.Sidebands) != 1 || m.Sidebands[0].Shaft != x.band) {
			t.Errorf("%q: sidebands %+v, want one of the %s", x.more, m.Sidebands, x.band)
		}
	}
	// The openings see 333.75 turns, beside the mesh of 337.5, as the idler's 3.75, but
	// closings see them the other way round.
	s := driveTrain(t, marrowQuay(), "cam ipm=552 lobes=6 cycles=6000 break=50 jitter=0.1ms seed=5 gear=333.75:0.1ms")
	if m := &s.Meshes[0]; s.Shafts[1].Found() || len(m.Sidebands) != 1 || !within(m.Sidebands[0].AmplitudeMS, 0.1, 0.01) {
		t.Errorf("idler %+v\nmesh %+v", s.Shafts[1], m)
	}
	// At 3.75 and 18.75 turns both shafts come by at the same eight points, so a jerk
	// of the one looks like a jerk of the other.
	r := driveTrain(t, marrowQuay(), cam+"tooth=3.75:90:0.5ms")
	motor, idler := &r.Shafts[0], &r.Shafts[1]
	if idler.Kind != pulse.SwingTooth || fmt.Sprint(idler.SameJerkAs, motor.SameJerkAs) != "[motor] [idler]" || r.Meshes[0].Found() {
		t.Errorf("motor %+v\nidler %+v\nmesh %+v", motor, idler, r.Meshes[0])
	}
}

// What cannot be told is said to be so.
func TestDriveTrainUntold(t *testing.T) {
	train := func(shafts ...pulse.Shaft) *pulse.Drive {
		return &pulse.Drive{Lobes: 6, CamShaft: "cam", Shafts: append([]pulse.Shaft{{Name: "motor"}}, shafts...)}
	}
	cam := func(driving, own int) pulse.Shaft {
		return pulse.Shaft{Name: "cam", From: "motor", DrivingTeeth: driving, OwnTeeth: own}
	}
	const signal = "cam ipm=552 lobes=6 cycles=3000 break=43 jitter=0.1ms seed=5 "
	for _, x := range []struct {
		what  string
		drive *pulse.Drive
		more  string
		check func(s []pulse.ShaftSwing) bool
	}{
		{"two shafts that turn alike", train(pulse.Shaft{Name: "a", From: "motor", DrivingTeeth: 20, OwnTeeth: 50},
			pulse.Shaft{Name: "b", From: "motor", DrivingTeeth: 30, OwnTeeth: 75}, cam(10, 47)), "gear=1.88:0.3ms",
			func(s []pulse.ShaftSwing) bool {
				return s[1].Found() && s[2].Found() && s[1].AmplitudeMS == s[2].AmplitudeMS && fmt.Sprint(s[1].IndistinguishableFrom, s[2].IndistinguishableFrom) == "[b] [a]" && !s[0].Found()
			}},
		{"a whole number of turns", train(cam(10, 30)), "gear=3:0.3ms", func(s []pulse.ShaftSwing) bool {
			return !s[0].AmplitudeMS.OK && s[0].Sight == pulse.SightLobes && fmt.Sprint(s[0].IndistinguishableFrom) == "[lobes]"
		}},
		{"a whole number of turns from opening to opening", train(cam(10, 120)), "gear=12:0.3ms", func(s []pulse.ShaftSwing) bool {
			return !s[0].AmplitudeMS.OK && s[0].Sight == pulse.SightNone
		}},
		{"nearly a whole number of turns: 500 turns of the cam are a seventh of a beat", train(cam(3333, 9998)), "gear=3:0.3ms", func(s []pulse.ShaftSwing) bool {
			return !s[0].AmplitudeMS.OK && fmt.Sprint(s[0].IndistinguishableFrom) == "[lobes]" && s[0].NeedsTurns.V == 3333
		}},
		{"a slow shaft in a short record", train(cam(10, 47), pulse.Shaft{Name: "slow", From: "cam", DrivingTeeth: 10, OwnTeeth: 1000}), "", func(s []pulse.ShaftSwing) bool {
			return !s[2].AmplitudeMS.OK && s[2].NeedsTurns.V == 2000 && s[0].AmplitudeMS.OK
		}},
		{"a slow shaft beside a fast one", train(cam(10, 47), pulse.Shaft{Name: "slow", From: "cam", DrivingTeeth: 10, OwnTeeth: 110}), "gear=0.0909090909:0.3ms,4.7:0.2ms", func(s []pulse.ShaftSwing) bool {
			return within(s[0].AmplitudeMS, 0.2, 0.02) && within(s[2].AmplitudeMS, 0.3, 0.03) && s[0].Found() && s[2].Found()
		}},
	} {
		r := driveTrain(t, x.drive, signal+x.more)
		if !x.check(r.Shafts) {
			t.Errorf("%s: %+v", x.what, r.Shafts)
		}
	}
	// An odd number of lobes sees two and a half turns at two points: closings help.
	d := &pulse.Drive{Lobes: 5, CamShaft: "cam", Shafts: []pulse.Shaft{{Name: "motor"}, {Name: "cam", From: "motor", DrivingTeeth: 10, OwnTeeth: 25}}}
	for _, closings := range []bool{true, false} {
		r := rand.New(rand.NewPCG(1, 1))
		rows := studyOpenings(r, steady, 400, 5, []float64{2.5}, []float64{0.3e6})
		for i := range rows {
			if !closings {
				rows[i].BreakNS = 0
			}
		}
		s := pulse.FitDrive(d, rows).Shafts[0]
		if s.Sight != pulse.SightHalf || s.AmplitudeMS.OK != closings || closings && !within(s.AmplitudeMS, 0.3, 0.05) {
			t.Errorf("two points, closings %v: %+v", closings, s)
		}
	}
}

// Nothing at all, too little and odd rows give no figures and no panic.
func TestFitDriveShort(t *testing.T) {
	for _, n := range []int{0, 1, 2, 3, 10, 100} {
		var rows []pulse.DriveOpening
		for i := range n {
			rows = append(rows, pulse.DriveOpening{At: pulse.Stamp(i) * 1e8, N: int64(i), BreakNS: 4e7})
		}
		r := pulse.FitDrive(marrowQuay(), rows)
		for _, s := range r.Shafts {
			if s.AmplitudeMS.OK || len(r.Unlisted) > 0 || (s.Sight == pulse.SightFull) != (s.NeedsTurns == pulse.Known(32)) {
				t.Errorf("%d openings: %+v", n, s)
			}
		}
		if n >= 2 && !within(r.Speed.MeasuredIPM, 600, 1e-6) {
			t.Errorf("%d openings: speed %+v", n, r.Speed)
		}
	}
	// Equal periods: no noise at all.
	var rows []pulse.DriveOpening
	for i := range 2000 {
		rows = append(rows, pulse.DriveOpening{At: pulse.Stamp(i) * 1e8, N: int64(i), BreakNS: 4e7})
	}
	r := pulse.FitDrive(marrowQuay(), rows)
	if b, err := json.Marshal(r); err != nil || r.Shafts[1].Found() || len(r.Unlisted) > 0 {
		t.Errorf("equal periods: %s, %v", b, err)
	}
	// The same number twice, time that stands: each ends a stretch.
	rows[1000].N, rows[500].At = 999, rows[499].At
	if r := pulse.FitDrive(marrowQuay(), rows); r.Openings != 1000 || r.Left != 1000 {
		t.Errorf("%d openings, %d left out", r.Openings, r.Left)
	}
}

// After a slip each shaft stands anew: the longest stretch counts.
func TestDriveTrainStretches(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	a := studyOpenings(r, steady, 300, 6, []float64{3.75}, []float64{0.3e6})
	b := studyOpenings(r, steady, 700, 6, []float64{3.75}, []float64{0.3e6})
	end := a[len(a)-1]
	for _, o := range b {
		a = append(a, pulse.DriveOpening{At: end.At + o.At, N: end.N + 1 + o.N, BreakNS: o.BreakNS, Stretch: 1})
	}
	x := pulse.FitDrive(marrowQuay(), a)
	if x.Openings != 4200 || x.Left != 1800 || !within(x.Shafts[1].AmplitudeMS, 0.3, 0.02) {
		t.Errorf("%d openings, %d left out, %v", x.Openings, x.Left, x.Shafts[1].AmplitudeMS)
	}
}

// Two contacts of one cam shaft tell apart what one does not.
func TestFitDriveContacts(t *testing.T) {
	d := marrowQuay()
	d.Lobes = 1 // 3.75 and 18.75 look alike
	r := rand.New(rand.NewPCG(1, 1))
	closings := false
	make := func(lobes int, angle float64) (all []pulse.DriveOpening) {
		for n := range 1500 * lobes {
			turn := float64(n)/float64(lobes) + angle
			at := func(turn float64) pulse.Stamp {
				return pulse.Stamp(1e9 + turn*studyTurn + 0.5e6*math.Sin(2*math.Pi*3.75*turn+1) + 0.1e6*r.NormFloat64())
			}
			o := pulse.DriveOpening{At: at(turn), N: int64(n) + 7}
			if closings {
				o.BreakNS = int64(at(turn+0.4/float64(lobes)) - o.At)
			}
			all = append(all, o)
		}
		return all
	}
	one := pulse.DriveContact{Lobes: 1, Openings: make(1, 0)}
	x := pulse.FitDriveContacts(d, []pulse.DriveContact{one})
	if len(x.Shafts[0].IndistinguishableFrom) != 1 || x.Contacts != 1 {
		t.Errorf("one contact: %+v", x.Shafts)
	}
	x = pulse.FitDriveContacts(d, []pulse.DriveContact{one, {Lobes: 1, Openings: make(1, 0.3)}, {Lobes: 5, Openings: make(5, 0.01)}})
	if motor, idler := &x.Shafts[0], &x.Shafts[1]; x.Contacts != 3 || motor.Found() || len(motor.IndistinguishableFrom) > 0 || !within(idler.AmplitudeMS, 0.5, 0.02) {
		t.Errorf("three contacts: %d, %+v", x.Contacts, x.Shafts)
	}
	// One that began before the first and goes on after it, with closings.
	closings = true
	long := make(1, -20.3)
	long = append(long, make(1, 1479.7)...)
	for i := range long {
		long[i].N = int64(i)
	}
	x = pulse.FitDriveContacts(d, []pulse.DriveContact{one, {Lobes: 1, Openings: long}})
	if motor, idler := &x.Shafts[0], &x.Shafts[1]; x.Contacts != 2 || !x.Closings || motor.Found() || !within(idler.AmplitudeMS, 0.5, 0.02) {
		t.Errorf("a longer contact: %d, %+v", x.Contacts, x.Shafts)
	}
	// One of another speed is no contact of this cam shaft.
	x = pulse.FitDriveContacts(d, []pulse.DriveContact{one, {Lobes: 2, Openings: make(1, 0.3)}})
	if x.Contacts != 1 {
		t.Errorf("a contact of another cam was taken: %d", x.Contacts)
	}
}

func TestDriveSpeed(t *testing.T) {
	for _, x := range []struct {
		rpm, ipm float64
		agrees   any
		lobes    int
	}{
		{1725, 552, true, 0}, {1725, 570, true, 0}, {1725, 600, false, 0}, {1725, 460, false, 5}, {1725, 92, false, 1}, {0, 552, nil, 0},
	} {
		d := marrowQuay()
		d.MotorRPM = x.rpm
		s := driveTrain(t, d, fmt.Sprintf("cam ipm=%v lobes=6 cycles=600", x.ipm)).Speed
		if !within(s.MeasuredIPM, x.ipm, 1e-3) || !within(s.MotorRPM, x.ipm/552*1725, 0.01) {
			t.Errorf("%v: %+v", x, s)
		}
		if (s.Agrees == nil) != (x.agrees == nil) || s.Agrees != nil && *s.Agrees != x.agrees {
			t.Errorf("%v: agrees %v", x, s.Agrees)
		}
		if (s.LobesThatFit == nil) != (x.lobes == 0) || s.LobesThatFit != nil && *s.LobesThatFit != x.lobes {
			t.Errorf("%v: lobes %v", x, s.LobesThatFit)
		}
	}
}

// One opening in fifty that is 10 ms late, a hundred times the noise, does not hide
// a swing.
func TestDriveTrainOutliers(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 1))
	rows := studyOpenings(r, steady, 200, 6, []float64{3.75}, []float64{0.2e6})
	for i := range rows {
		if r.IntN(50) == 0 {
			rows[i].At += 10e6
		}
	}
	x := pulse.FitDrive(marrowQuay(), rows)
	if s := &x.Shafts[1]; !s.Found() || !within(s.AmplitudeMS, 0.2, 0.03) || s.AmplitudeSEMS.V > 0.02 || x.Shafts[0].Found() {
		t.Errorf("%+v, %+v", s, x.Shafts[0])
	}
}
