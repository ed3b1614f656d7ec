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
	struck := func(late float64, places, turns int) func(*pulse.ShaftSwing) {
		return func(s *pulse.ShaftSwing) {
			s.Struck = &pulse.StruckOpening{LateMS: known(late), LowMS: known(late - 0.05), HighMS: known(late + 0.05), OneIn: 20, Places: places, EachTurns: turns}
		}
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
		{"nothing fitted", pulse.DriveTrain{}, []string{"There were no openings in a row to fit."}, []string{"Caution: moving"}},
		{"a gear out of centre", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{swing("idler", pulse.SwingEccentric, 1e-9)}},
			[]string{"The idler (90 teeth, 3.75 turns a cam turn) swings every opening by ±1.200 ms (95 %: 1.140 to 1.260), 2.48° of its own turn; chance of this from noise alone: under 1 in 10⁶.",
				"as a wheel out of centre or a bent shaft does. Look at its teeth and its seat.", "Caution: moving parts. Stop the drive and lock it against starting"}, nil},
		{"a bad tooth of either", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{with(swing("idler", pulse.SwingTooth, 1e-3), func(s *pulse.ShaftSwing) { s.SameJerkAs = []string{"motor"} })}},
			[]string{"from noise alone: 1 in 1,000. It jerks once a turn, as one bad tooth does.", "A bad tooth of the motor would look the same here."}, nil},
		{"openings that a tooth strikes", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{with(swing("idler", pulse.SwingTooth, 1e-9), struck(4, 1, 23))}},
			[]string{"Once in 20 openings the idler (90 teeth, 3.75 turns a cam turn) makes one 4.000 ± 0.050 ms (95 %) late; chance of this from noise alone: under 1 in 10⁶. A bad tooth does so, or something that catches once a turn. An opening meets that place once in 23 turns of the idler. Look at its teeth"},
			[]string{"swings every opening", "other place"}},
		{"early ones, at two places, of either", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{
			with(swing("motor", pulse.SwingTooth, 1e-9), func(s *pulse.ShaftSwing) { struck(-4, 2, 1)(s); s.SameJerkAs = []string{"idler", "belt"} }),
			with(swing("idler", pulse.SwingTooth, 1e-9), func(s *pulse.ShaftSwing) { struck(-4, 2, 1)(s); s.SameJerkAs = []string{"motor"} })}},
			[]string{"Once in 20 openings the motor (90 teeth, 3.75 turns a cam turn) or the idler (90 teeth, 3.75 turns a cam turn) makes one 4.000 ± 0.050 ms (95 %) early, and less so those at 1 place more of its turn;",
				"so which it is cannot be told here. Look at their teeth", "A bad tooth of the belt would look the same here."}, []string{"once in 1 turn"}},
		{"the largest first", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{swing("idler", pulse.SwingEccentric, 1e-9)},
			Unlisted: []pulse.UnlistedTurn{{TurnsPerCamTurn: 2.37, AmplitudeMS: known(1.3), FalseAlarm: known(1e-9), Share: known(0.4)}}, ResidualShare: known(0.1)},
			[]string{"fit. - Something that is not listed turns 2.370", "what turns 2.370 times 40.0 %"}, nil},
		{"near to a shaft", pulse.DriveTrain{Unlisted: []pulse.UnlistedTurn{{TurnsPerCamTurn: 3.75, AmplitudeMS: known(1.2), FalseAlarm: known(1e-9),
			Near: &pulse.NearShaft{Name: "idler", TurnsPerCamTurn: 3.7, Teeth: &pulse.ToothChange{Driving: "idler", Driven: "cam", DrivingTeeth: 20, OwnTeeth: 75}}}}},
			[]string{"It is near to the idler's 3.7: are the teeth counted right? With 20 on the idler driving 75 on the cam it would be the idler. Else it is a shaft or belt"}, nil},
		{"two that look alike", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{
			with(swing("motor", pulse.SwingUnclear, 1e-9), func(s *pulse.ShaftSwing) {
				s.IndistinguishableFrom, s.AmplitudeDeg = []string{"idler"}, known(12.42)
			}),
			with(swing("idler", pulse.SwingUnclear, 1e-9), func(s *pulse.ShaftSwing) { s.IndistinguishableFrom = []string{"motor"} })}},
			[]string{"The motor (90 teeth, 3.75 turns a cam turn) or the idler (90 teeth, 3.75 turns a cam turn), which these edges do not tell apart, swings every opening",
				"12.42° of the motor or 2.48° of the idler;", "Whether it is a wheel out of centre or one bad tooth cannot be told.", "Closings may tell them apart; these were not known."}, nil},
		{"nothing found", pulse.DriveTrain{Shafts: []pulse.ShaftSwing{swing("motor", pulse.SwingNone, 0.5), with(swing("idler", pulse.SwingNone, 0.2), func(s *pulse.ShaftSwing) { s.AmplitudeHighMS = known(1.5) })}},
			[]string{"No shaft was found to swing the openings: none of motor and idler by more than ±1.5 ms (95 %)."}, []string{"Caution: moving", "swings every opening"}},
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

// What is read as a cam for its drive train, but looks like a dial, is said to; and
// so is a second contact that could not be fitted with the first.
func TestDriveTrainOfOthers(t *testing.T) {
	dial, interrupter := "dial", "interrupter"
	train := pulse.DriveTrain{Openings: 10, Contacts: 1, Lobes: 6}
	for _, c := range []struct {
		m              pulse.Measurement
		dial, notFound bool
	}{
		{m: pulse.Measurement{KindLooks: &dial, DriveTrain: &train}, dial: true},
		{m: pulse.Measurement{KindLooks: &interrupter, DriveTrain: &train}},
		{m: pulse.Measurement{DriveTrain: &train, Repeater: &pulse.Repeater{}}, notFound: true},
		{m: pulse.Measurement{DriveTrain: &pulse.DriveTrain{Openings: 10, Contacts: 2, Lobes: 6}, Repeater: &pulse.Repeater{}}},
	} {
		doc := new(Document)
		driveTrain(doc, &c.m)
		text := strings.Join(strings.Fields(doc.String()), " ")
		if strings.Contains(text, "CHECK: the recording looks like a dial.") != c.dial || strings.Contains(text, "The second contact is not in this fit") != c.notFound {
			t.Errorf("looks like a dial %v, second contact left out %v:\n%s", c.dial, c.notFound, doc)
		}
	}
}

// A drive train tells its lobes, and what repeats: no advice to try other lobes.
func TestDriveTrainAdvice(t *testing.T) {
	late := &pulse.Lobe{Lobe: 1, OpeningErrorMS: pulse.Known(1), OpeningErrorSE: pulse.Known(0.07)}
	odd := &pulse.Symptom{Kind: pulse.SymptomLobe, LateLobe: late}
	m := &pulse.Measurement{Interrupter: &pulse.Interrupter{}, DriveTrain: &pulse.DriveTrain{Lobes: 5}}
	const drive = "But once in 20 openings something in the drive moves one"
	if text := advice(m, odd); strings.Contains(text, drive) {
		t.Error(text)
	}
	m.DriveTrain.Shafts = []pulse.ShaftSwing{{FalseAlarm: pulse.Known(1e-9), Struck: &pulse.StruckOpening{OneIn: 20}}}
	if text := advice(m, odd); !strings.Contains(text, drive) {
		t.Error(text)
	}
	m.DriveTrain.Lobes = 6 // 20 openings strike all of them alike
	if text := advice(m, odd); strings.Contains(text, drive) {
		t.Error(text)
	}
	uneven := &pulse.Symptom{Kind: pulse.SymptomUnevenRate, Percent: 3}
	for _, train := range []*pulse.DriveTrain{nil, {Lobes: 1}} {
		m.DriveTrain = train
		if text := advice(m, uneven); strings.Contains(text, "--lobes") != (train == nil) {
			t.Error(text)
		}
	}
}
