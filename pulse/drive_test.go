package pulse_test

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// marrowQuay is the drive of a cam of the invented Marrow Quay exchange.
func marrowQuay() *pulse.Drive {
	return &pulse.Drive{MotorRPM: 1725, Lobes: 6, CamShaft: "cam", Shafts: []pulse.Shaft{
		{Name: "motor"},
		{Name: "idler", From: "motor", DrivingTeeth: 18, OwnTeeth: 90},
		{Name: "cam", From: "idler", DrivingTeeth: 20, OwnTeeth: 75},
	}}
}

// Trains whose value textbooks give.
func TestDriveTurns(t *testing.T) {
	for _, x := range []struct {
		source string
		drive  pulse.Drive
		turns  []string // of each shaft in one turn of the last
		ipm    float64
	}{
		{
			// 975 rpm through 20:50, 25:75 and 26:65 gives 52 rpm (R. S. Khurmi, J. K.
			// Gupta, Theory of Machines, example 13.1; from memory: check the book).
			"Khurmi and Gupta",
			pulse.Drive{MotorRPM: 975, Lobes: 1, CamShaft: "F", Shafts: []pulse.Shaft{
				{Name: "A"}, {Name: "BC", From: "A", DrivingTeeth: 20, OwnTeeth: 50},
				{Name: "DE", From: "BC", DrivingTeeth: 25, OwnTeeth: 75}, {Name: "F", From: "DE", DrivingTeeth: 26, OwnTeeth: 65}}},
			[]string{"75/4", "15/2", "5/2", "1"}, 52,
		},
		{
			// The going train of a watch, centre wheel to seconds hand: 64 and 60 teeth
			// into pinions of 8 make 60 turns an hour (a usual train in books on watch
			// repairing; from memory).
			"watch",
			pulse.Drive{MotorRPM: 1.0 / 60, Lobes: 1, CamShaft: "fourth", Shafts: []pulse.Shaft{
				{Name: "centre"}, {Name: "third", From: "centre", DrivingTeeth: 64, OwnTeeth: 8}, {Name: "fourth", From: "third", DrivingTeeth: 60, OwnTeeth: 8}}},
			[]string{"1/60", "2/15", "1"}, 1,
		},
		{
			"invented: 1725 · 18/90 · 20/75 = 92 rpm, times 6 lobes",
			*marrowQuay(), []string{"75/4", "15/4", "1"}, 552,
		},
		{
			"invented: a branch beyond the cam, worm and wheel, a motor of unknown speed",
			pulse.Drive{Lobes: 5, CamShaft: "cam", Shafts: []pulse.Shaft{
				{Name: "motor"}, {Name: "cam", From: "motor", DrivingTeeth: 1, OwnTeeth: 30},
				{Name: "slow", From: "cam", DrivingTeeth: 20, OwnTeeth: 60}, {Name: "worm", From: "motor", DrivingTeeth: 1, OwnTeeth: 40}}},
			[]string{"30", "1", "1/3", "3/4"}, 0,
		},
	} {
		if err := x.drive.Check(); err != nil {
			t.Errorf("%s: %v", x.source, err)
			continue
		}
		var got []string
		for _, r := range x.drive.Turns() {
			got = append(got, r.RatString())
		}
		if diff := cmp.Diff(x.turns, got); diff != "" {
			t.Errorf("%s: turns %s", x.source, diff)
		}
		ipm := x.drive.ExpectedIPM()
		if ipm.OK != (x.ipm != 0) || math.Abs(ipm.V-x.ipm) > 1e-12*x.ipm {
			t.Errorf("%s: %v IPM, want %v", x.source, ipm, x.ipm)
		}
	}
}

func TestDriveCheck(t *testing.T) {
	for _, x := range []struct {
		want   string
		change func(*pulse.Drive)
	}{
		{"", func(*pulse.Drive) {}},
		{"", func(d *pulse.Drive) { d.MotorRPM = 0 }},
		{"0 shafts", func(d *pulse.Drive) { d.Shafts = nil }},
		{"cam of 0 lobes", func(d *pulse.Drive) { d.Lobes = 0 }},
		{"cam of 361 lobes", func(d *pulse.Drive) { d.Lobes = 361 }},
		{"motor of -1", func(d *pulse.Drive) { d.MotorRPM = -1 }},
		{"motor of NaN", func(d *pulse.Drive) { d.MotorRPM = math.NaN() }},
		{"motor of +Inf", func(d *pulse.Drive) { d.MotorRPM = math.Inf(1) }},
		{`two shafts are named "motor"`, func(d *pulse.Drive) { d.Shafts[1].Name = "motor" }},
		{`named "lobes"`, func(d *pulse.Drive) { d.Shafts[1].Name = "lobes" }},
		{`named ""`, func(d *pulse.Drive) { d.Shafts[1].Name = "" }},
		{"the first shaft is the motor's", func(d *pulse.Drive) { d.Shafts[0].From = "cam" }},
		{`"idler" is driven from "idler"`, func(d *pulse.Drive) { d.Shafts[1].From = "idler" }},
		{`"idler" is driven from "cam"`, func(d *pulse.Drive) { d.Shafts[1].From = "cam" }},
		{`"cam" is driven from ""`, func(d *pulse.Drive) { d.Shafts[2].From = "" }},
		{`"idler" has 0 teeth`, func(d *pulse.Drive) { d.Shafts[1].OwnTeeth = 0 }},
		{`driven by -18`, func(d *pulse.Drive) { d.Shafts[1].DrivingTeeth = -18 }},
		{`driven by 10001`, func(d *pulse.Drive) { d.Shafts[1].DrivingTeeth = 10001 }},
		{`the cam is on "crank"`, func(d *pulse.Drive) { d.CamShaft = "crank" }},
		{`turns 1e+07 times`, func(d *pulse.Drive) {
			d.Shafts[1].DrivingTeeth, d.Shafts[1].OwnTeeth, d.Shafts[2].DrivingTeeth, d.Shafts[2].OwnTeeth = 1, 10_000, 1, 1000
		}},
	} {
		d := marrowQuay()
		x.change(d)
		err := d.Check()
		if x.want == "" && err != nil || x.want != "" && (err == nil || !strings.Contains(err.Error(), x.want)) {
			t.Errorf("%v, want %q", err, x.want)
		}
	}
}

// What openings see is checked against sines that are computed at them.
func TestDriveFactsSeen(t *testing.T) {
	for _, x := range []struct {
		driving, own, lobes int
		apparent, positions string
		sight               pulse.Sight
	}{
		{15, 4, 6, "9/4", "8", pulse.SightFull},
		{75, 4, 6, "3/4", "8", pulse.SightFull},
		{75, 4, 1, "1/4", "4", pulse.SightFull},
		{3, 1, 6, "3", "2", pulse.SightLobes},
		{12, 1, 6, "0", "1", pulse.SightNone},
		{5, 2, 5, "5/2", "2", pulse.SightHalf},
		{7, 2, 7, "7/2", "2", pulse.SightHalf},
		{1, 3, 6, "1/3", "18", pulse.SightFull},
		{17, 3, 6, "1/3", "18", pulse.SightFull},
	} {
		d := &pulse.Drive{Lobes: x.lobes, CamShaft: "cam", Shafts: []pulse.Shaft{{Name: "motor"}, {Name: "cam", From: "motor", DrivingTeeth: x.own, OwnTeeth: x.driving}}}
		f := d.Facts()
		got := f.Shafts[0]
		if got.ApparentExact != x.apparent || got.Positions != x.positions || got.Sight != x.sight {
			t.Errorf("%d/%d turns, %d lobes: %+v, want %+v", x.driving, x.own, x.lobes, got, x)
		}
		r, a := float64(x.driving)/float64(x.own), float64(got.ApparentTurns)
		for n := range 200 { // cos of both is the same at every opening
			at := func(order float64) float64 {
				return math.Cos(2 * math.Pi * order * float64(n) / float64(x.lobes))
			}
			if math.Abs(at(r)-at(a)) > 1e-9 {
				t.Errorf("order %v and %v differ at opening %d of %d lobes", r, a, n, x.lobes)
				break
			}
		}
	}
}

func TestDriveFactsAlike(t *testing.T) {
	// One lobe: 3.75 and 18.75 turns look alike, and are 15 openings apart.
	d := marrowQuay()
	d.Lobes = 1
	want := []pulse.Alike{{A: pulse.Turning{Shaft: "motor"}, B: pulse.Turning{Shaft: "idler"}, Help: pulse.HelpClosings, LobesApart: 15}}
	if diff := cmp.Diff(want, d.Facts().Alike); diff != "" {
		t.Error(diff)
	}
	// Tooth counts by which two shafts turn alike.
	d = &pulse.Drive{Lobes: 6, CamShaft: "cam", Shafts: []pulse.Shaft{{Name: "motor"}, {Name: "a", From: "motor", DrivingTeeth: 20, OwnTeeth: 50},
		{Name: "b", From: "motor", DrivingTeeth: 10, OwnTeeth: 25}, {Name: "cam", From: "a", DrivingTeeth: 30, OwnTeeth: 70}}}
	got := d.Facts().Alike
	if len(got) == 0 || got[0] != (pulse.Alike{A: pulse.Turning{Shaft: "a"}, B: pulse.Turning{Shaft: "b"}, Help: pulse.HelpOtherShaft}) {
		t.Errorf("alike: %+v", got)
	}
	// Orders 1/4 and 12 − 1/4 of a cam of six lobes differ by two openings: closings
	// of a half break come at the same points.
	d = &pulse.Drive{Lobes: 6, CamShaft: "cam", Shafts: []pulse.Shaft{{Name: "motor"}, {Name: "cam", From: "motor", DrivingTeeth: 4, OwnTeeth: 47},
		{Name: "slow", From: "cam", DrivingTeeth: 15, OwnTeeth: 60}}}
	got = d.Facts().Alike
	if len(got) == 0 || got[0] != (pulse.Alike{A: pulse.Turning{Shaft: "motor"}, B: pulse.Turning{Shaft: "slow"}, Help: pulse.HelpUnevenClosings, LobesApart: 2}) {
		t.Errorf("alike: %+v", got)
	}
}
