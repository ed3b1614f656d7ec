package report

import (
	"strings"
	"testing"

	"makebreak/pulse"
)

// Each finding of a drive train has its sentence; the figures are invented.
func TestDriveTrainWords(t *testing.T) {
	known := pulse.Known
	swing := func(name string, kind pulse.SwingKind, alarm float64) pulse.ShaftSwing {
		return pulse.ShaftSwing{Name: name, TurnsPerCamTurn: 3.75, Teeth: 90, AmplitudeMS: known(1.2), AmplitudeSEMS: known(0.03), AmplitudeLowMS: known(1.14), AmplitudeHighMS: known(1.26),
			AmplitudeDeg: known(2.484), FalseAlarm: known(alarm), Kind: kind, Share: known(0.5), Sight: pulse.SightFull}
	}
	with := func(s pulse.ShaftSwing, change func(*pulse.ShaftSwing)) pulse.ShaftSwing {
		change(&s)
		return s
	}
	untold := func(name string, sight pulse.Sight, needs float64) pulse.ShaftSwing {
		s := pulse.ShaftSwing{Name: name, Sight: sight}
		if needs > 0 {
			s.NeedsTurns = known(needs)
		}
		return s
	}
	agrees := false
	lobes := 5
	for _, c := range []struct {
		name      string
		train     pulse.DriveTrain
		want, not []string
	}{
		{"nothing fitted", pulse.DriveTrain{}, []string{"There were no openings in a row to fit."}, []string{"Caution: Stop"}},
		{"a gear out of centre", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{swing("idler", pulse.SwingEccentric, 1e-9)}},
			[]string{"The idler (90 teeth, 3.75 turns a cam turn) swings every opening by ±1.200 ms (95 %: 1.140 to 1.260), 2.48° of its own turn; chance of this from noise alone: under 1 in 10⁶.",
				"as a wheel out of centre or a bent shaft does. Look at its teeth and its seat.", "Caution: Stop the drive and lock it against starting"}, nil},
		{"a bad tooth of either", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{with(swing("idler", pulse.SwingTooth, 1e-3), func(s *pulse.ShaftSwing) { s.SameJerkAs = []string{"motor"} })}},
			[]string{"from noise alone: 1 in 1,000. It jerks once a turn, as one bad tooth does.", "A bad tooth of the motor would look the same here."}, nil},
		{"two that look alike", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{
			with(swing("motor", pulse.SwingUnclear, 1e-9), func(s *pulse.ShaftSwing) {
				s.IndistinguishableFrom, s.AmplitudeDeg = []string{"idler"}, known(12.42)
			}),
			with(swing("idler", pulse.SwingUnclear, 1e-9), func(s *pulse.ShaftSwing) { s.IndistinguishableFrom = []string{"motor"} })}},
			[]string{"The motor (90 teeth, 3.75 turns a cam turn) or the idler (90 teeth, 3.75 turns a cam turn), which these edges do not tell apart, swings every opening",
				"12.42° of the motor or 2.48° of the idler;", "Whether it is a wheel out of centre or one bad tooth cannot be told.", "Closings may tell them apart; these were not known."}, nil},
		{"nothing found", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{swing("motor", pulse.SwingNone, 0.5), with(swing("idler", pulse.SwingNone, 0.2), func(s *pulse.ShaftSwing) { s.AmplitudeHighMS = known(1.5) })}},
			[]string{"No shaft was found to swing the openings: none of motor and idler by more than ±1.5 ms (95 %)."}, []string{"Caution: Stop", "swings every opening"}},
		{"what cannot be told", pulse.DriveTrain{Turns: 40, Shafts: []pulse.ShaftSwing{untold("cam", pulse.SightLobes, 0), untold("motor", pulse.SightNone, 0), untold("slow", pulse.SightFull, 504), untold("half", pulse.SightHalf, 0)}},
			[]string{"A swing of cam is the same each turn of the cam", "A swing of motor cannot be seen", "A swing of slow cannot be judged from 40 turns: it needs 504 turns of the cam, all in one stretch.", "Of half the openings see two points of its turn only; closings are needed too."}, nil},
		{"teeth", pulse.DriveTrain{Meshes: []pulse.MeshSwing{{Driving: "motor", Driven: "idler", TurnsPerCamTurn: 337.5, AmplitudeMS: known(0.1), FalseAlarm: known(1e-9),
			Sidebands: []pulse.Sideband{{Shaft: "idler", AmplitudeMS: known(0.044), FalseAlarm: known(1e-4)}}}, {Driving: "idler", Driven: "cam", AmplitudeMS: known(0.1), FalseAlarm: known(0.9)}}},
			[]string{"The teeth of the motor and the idler (337.5 a cam turn) swing the openings by ±0.10 ms as each pair meets (chance of this from noise alone: under 1 in 10⁶), and mesh unevenly as the idler turns, which swings the openings by ±0.044 ms (chance: 1 in 10,000)."},
			[]string{"idler and the cam"}},
		{"not listed", pulse.DriveTrain{Unlisted: []pulse.UnlistedTurn{{TurnsPerCamTurn: 2.37, AmplitudeMS: known(0.2), FalseAlarm: known(1e-9), OrTurnsPerCamTurn: []pulse.Rounded{3.63}}}},
			[]string{"Something that is not listed turns 2.370 times a cam turn (or 3.630, which look alike) and swings the openings by ±0.20 ms"}, nil},
		{"a speed that does not fit", pulse.DriveTrain{ExpectedIPM: known(552), Speed: &pulse.DriveSpeed{MeasuredIPM: known(460), MotorRPM: known(1437.5), Ratio: known(460.0 / 552), Agrees: &agrees, LobesThatFit: &lobes}},
			[]string{"CHECK: the cam makes 460.0 interruptions a minute, 16.7 % fewer than the 552.0 of the drive as described. Either the motor makes 1437.5 turns a minute, or a number of teeth or lobes is not right (5 lobes would fit)."}, nil},
		{"a motor of unknown speed", pulse.DriveTrain{Speed: &pulse.DriveSpeed{MeasuredIPM: known(460), MotorRPM: known(1437.5)}}, []string{"By these teeth the motor makes 1437.5 turns a minute."}, []string{"CHECK"}},
	} {
		doc := new(Document)
		driveTrain(doc, &pulse.Measurement{DriveTrain: &c.train})
		text := strings.Join(strings.Fields(doc.String()), " ")
		for _, want := range c.want {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in\n%s", c.name, want, doc)
			}
		}
		for _, not := range c.not {
			if strings.Contains(text, not) {
				t.Errorf("%s: %q in\n%s", c.name, not, doc)
			}
		}
	}
	doc := new(Document)
	if driveTrain(doc, &pulse.Measurement{}); len(doc.Blocks) > 0 {
		t.Errorf("not asked for: %s", doc)
	}
}
