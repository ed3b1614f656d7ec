package config

import (
	"os"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/configs"
	"makebreak/pulse"
)

// marrowQuay is the drive train of configs/own-gears.yaml.
var marrowQuay = &pulse.Drive{MotorRPM: 1725, Lobes: 6, CamShaft: "cam", Shafts: []pulse.Shaft{
	{Name: "motor"}, {Name: "idler", From: "motor", DrivingTeeth: 18, OwnTeeth: 90}, {Name: "cam", From: "idler", DrivingTeeth: 20, OwnTeeth: 75}}}

func TestGears(t *testing.T) {
	for name, text := range map[string]string{
		"the example": configs.OwnGears,
		"in another order, with a BOM": "\uFEFFcam: {lobes: 6, shaft: cam}\nshafts:\n  - {name: cam, from: idler, teeth: [20, 75]}\n" +
			"  - {name: idler, teeth: [18, 90], from: motor}\n  - {name: motor}\nmotor: {rpm: 1725.0}\n",
	} {
		got, err := parseGears("g.yaml", []byte(text))
		if diff := cmp.Diff(marrowQuay, got); err != nil || diff != "" {
			t.Errorf("%s: %v %s", name, err, diff)
		}
	}
	got, err := parseGears("g.yaml", []byte(strings.Replace(configs.OwnGears, "rpm: 1725}", "rpm: unknown}", 1)))
	if err != nil || got.MotorRPM != 0 || len(got.Shafts) != 3 {
		t.Errorf("an unknown speed: %+v, %v", got, err)
	}
}

const (
	gHead  = "motor: {rpm: 1725}\n"
	gCam   = "cam: {shaft: cam, lobes: 6}\n"
	aTeeth = "expected two whole numbers of teeth from 1 to 10000, on the driving shaft and on this one, such as [18, 90]"
	aTooth = "expected a whole number of teeth from 1 to 10000"
)

// gearsMistakes hold what is told of each; every line stands behind "g.yaml:".
var gearsMistakes = []struct{ name, text, want string }{
	{"nothing", "", "1:1: nothing in the file: expected a drive train"},
	{"a list", "[]\n", "1:1: a list: expected the keys of a drive train"},
	{"all missing", "shaft: x\n", "1:1: key shaft: unknown, near to shafts: expected one of motor, shafts, cam\n1:1: key motor: missing: expected the key rpm\n1:1: key shafts: missing: expected a list of shafts from the motor outwards, such as {name: idler, from: motor, teeth: [18, 90]}\n" +
		"1:1: key cam: missing: expected the keys shaft and lobes"},
	{"unknown keys", "motor: {rpm: 1, hp: 2}\nshafts: [{name: cam, tooth: 3}]\ncam: {shaft: cam, lobes: 6, lobe: 5}\n",
		"1:17: key motor.hp: unknown: expected one of rpm\n2:22: key shafts[0].tooth: unknown, near to teeth: expected one of name, from, teeth\n3:29: key cam.lobe: unknown, near to lobes: expected one of shaft, lobes"},
	{"zero, negative, fractional and too many teeth", gHead + "shafts:\n  - {name: motor}\n  - {name: a, from: motor, teeth: [0, 90]}\n  - {name: b, from: motor, teeth: [-18, 90]}\n  - {name: c, from: motor, teeth: [18, 90.5]}\n  - {name: cam, from: a, teeth: [18, 10001]}\n" + gCam,
		"4:36: key shafts[1].teeth[0]: the number 0: " + aTooth + "\n5:36: key shafts[2].teeth[0]: the number -18: " + aTooth + "\n" +
			"6:40: key shafts[3].teeth[1]: the number 90.5: " + aTooth + "\n7:38: key shafts[4].teeth[1]: the number 10001: " + aTooth},
	{"teeth of another form", gHead + "shafts:\n  - {name: motor}\n  - {name: a, from: motor, teeth: 18/90}\n  - {name: b, from: motor, teeth: [18]}\n  - {name: cam, from: motor, teeth: [1, 2, 3]}\n" + gCam,
		"4:35: key shafts[1].teeth: \"18/90\": " + aTeeth + "\n5:35: key shafts[2].teeth: a list of 1: " + aTeeth + "\n6:37: key shafts[3].teeth: a list of 3: " + aTeeth},
	{"from without teeth, teeth without from", gHead + "shafts:\n  - {name: motor}\n  - {name: a, from: motor}\n  - {name: cam, teeth: [1, 2]}\n" + gCam,
		"4:5: key shafts[1].teeth: missing: " + aTeeth + "\n5:5: key shafts[2].from: missing: expected the name of the shaft that drives this one, since it has teeth"},
	{"a loop", gHead + "shafts:\n  - {name: motor}\n  - {name: a, from: cam, teeth: [1, 2]}\n  - {name: cam, from: a, teeth: [1, 2]}\n" + gCam,
		"5:23: key shafts[2].from: a loop: \"cam\" from \"a\" from \"cam\": expected shafts that lead back to the motor's"},
	{"a shaft that drives itself, and one behind it", gHead + "shafts:\n  - {name: motor}\n  - {name: b, from: cam, teeth: [1, 2]}\n  - {name: cam, from: cam, teeth: [1, 2]}\n" + gCam,
		"5:23: key shafts[2].from: a loop: \"cam\" from \"cam\": expected shafts that lead back to the motor's"},
	{"no motor's shaft", gHead + "shafts:\n  - {name: a, from: cam, teeth: [1, 2]}\n  - {name: cam, from: a, teeth: [1, 2]}\n" + gCam,
		"3:21: key shafts[0].from: a loop: \"a\" from \"cam\" from \"a\": expected one shaft without from and teeth, the motor's, and the others from there"},
	{"an unknown shaft", gHead + "shafts:\n  - {name: motor}\n  - {name: cam, from: moter, teeth: [1, 2]}\n" + gCam,
		"4:23: key shafts[1].from: \"moter\" is no shaft, near to motor: expected one of motor, cam"},
	{"two shafts of one name", gHead + "shafts:\n  - {name: motor}\n  - {name: cam, from: motor, teeth: [1, 2]}\n  - {name: cam, from: motor, teeth: [1, 3]}\n" + gCam,
		"5:12: key shafts[2].name: \"cam\" is that of shafts[1].name: expected another name"},
	{"two that nothing drives", gHead + "shafts:\n  - {name: motor}\n  - {name: cam}\n" + gCam,
		"4:5: key shafts[1]: a second shaft that nothing drives: expected from and teeth, for shafts[0] is the motor's"},
	{"the name of the lobes", gHead + "shafts:\n  - {name: lobes}\n  - {name: cam, from: lobes, teeth: [1, 2]}\n" + gCam,
		"3:12: key shafts[0].name: \"lobes\": expected another name: that one stands for the cam's lobes"},
	{"the cam on no shaft", gHead + "shafts:\n  - {name: motor}\n  - {name: crank, from: motor, teeth: [1, 2]}\n" + gCam,
		"5:14: key cam.shaft: \"cam\" is no shaft: expected one of motor, crank"},
	{"no shafts", gHead + "shafts: []\n" + gCam, "2:9: key shafts: 0 shafts: expected 1 to 32"},
	{"too many shafts", gHead + "shafts: [" + strings.Repeat("{name: x}, ", 32) + "{name: x}]\n" + gCam, "2:9: key shafts: 33 shafts: expected 1 to 32"},
	{"lobes", gHead + "shafts: [{name: cam}]\ncam: {shaft: cam, lobes: 0}\n", "3:26: key cam.lobes: the number 0: expected a whole number from 1 to 360"},
	{"speeds", "motor: {rpm: 0}\nshafts: [{name: cam}]\n" + gCam, "1:14: key motor.rpm: the number 0: expected turns per minute above 0, up to 1000000, or unknown"},
	{"a speed in words", "motor: {rpm: fast}\nshafts: [{name: cam}]\n" + gCam, "1:14: key motor.rpm: \"fast\": expected turns per minute above 0, up to 1000000, or unknown"},
	{"a speed with an exponent", "motor: {rpm: 1e99}\nshafts: [{name: cam}]\n" + gCam, "1:14: key motor.rpm: \"1e99\": expected turns per minute above 0, up to 1000000, or unknown"},
	{"a rate beyond any", "motor: {rpm: 900000}\nshafts: [{name: cam}]\n" + gCam, "1:14: key motor.rpm: 900000 turns a minute would make 5400000 interruptions a minute: expected a motor and teeth that make 0.01 to 6000"},
	{"turns beyond any", gHead + "shafts:\n  - {name: motor}\n  - {name: a, from: motor, teeth: [1, 10000]}\n  - {name: cam, from: a, teeth: [1, 10000]}\n" + gCam,
		"3:3: key shafts: shaft \"motor\" turns 1e+08 times in one turn of the cam: expected 1/100000 to 100000"},
}

func TestGearsMistakes(t *testing.T) {
	for _, c := range gearsMistakes {
		t.Run(c.name, func(t *testing.T) {
			got, err := parseGears("g.yaml", []byte(c.text))
			if err == nil || got != nil {
				t.Fatal("accepted")
			}
			want := "g.yaml:" + strings.ReplaceAll(c.want, "\n", "\ng.yaml:")
			if diff := cmp.Diff(strings.Split(want, "\n"), strings.Split(err.Error(), "\n")); diff != "" {
				t.Error(diff)
			}
		})
	}
	if _, err := Gears("nope.yaml"); err == nil || err.Error() != "drive train: open nope.yaml: no such file or directory" {
		t.Error(err)
	}
}

const inline = "gears: {motor: {rpm: 1725}, shafts: [{name: motor}, {name: idler, from: motor, teeth: [18, 90]}, {name: cam, from: idler, teeth: [20, 75]}], cam: {shaft: cam, lobes: 6}}"

// A contact's drive train is a file beside the configuration, or stands in it.
func TestContactGears(t *testing.T) {
	folder(t)
	write := func(name, text string) {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	write("sub/train.yaml", configs.OwnGears)
	write("one.yaml", strings.Replace(configs.OwnGears, "lobes: 6", "lobes: 1", 1))
	write("many.yaml", strings.Replace(configs.OwnGears, "lobes: 6", "lobes: 65", 1))
	write("bad.yaml", strings.Replace(configs.OwnGears, "[18, 90]", "[18, 0]", 1))
	read := func(keys string) (*Watch, error) {
		return parseWatch("w.yaml", []byte(wHead+"contacts:\n  - {name: a, source: gpio:X, "+keys+"}\n"), nil)
	}
	var contacts []Contact
	for _, keys := range []string{"kind: interrupter, gears: sub/train.yaml", "kind: interrupter, lobes: 6, gears: ./sub/../sub/train.yaml", "kind: interrupter, " + inline} {
		w, err := read(keys)
		if err != nil {
			t.Errorf("%s: %v", keys, err)
			continue
		}
		c := w.Contacts[0]
		if diff := cmp.Diff(marrowQuay, c.Meter.Drive); diff != "" || c.Meter.Lobes != 6 {
			t.Errorf("%s: %d lobes, %s", keys, c.Meter.Lobes, diff)
		}
		contacts = append(contacts, c)
	}
	for _, c := range contacts[1:] {
		if !c.SameReading(contacts[0]) {
			t.Error("the same train is not the same reading")
		}
	}
	if w, err := read(strings.Replace("kind: interrupter, "+inline, "[20, 75]", "[20, 76]", 1)); err != nil || w.Contacts[0].SameReading(contacts[0]) {
		t.Errorf("another train is the same reading; %v", err)
	}
	if w, err := read("kind: interrupter, cadence: [400ms, 200ms, 400ms, 2s], gears: one.yaml"); err != nil || w.Contacts[0].Meter.Lobes != 0 || w.Contacts[0].Meter.Drive.Lobes != 1 {
		t.Errorf("a cam that makes a cadence: %v", err)
	}
	for keys, want := range map[string]string{
		"kind: dial, gears: sub/train.yaml":                  "w.yaml:4:50: key contacts[0].gears: not for kind dial: expected it with kind interrupter only",
		"kind: interrupter, gears: sub/train.yaml, lobes: 5": "w.yaml:4:80: key contacts[0].lobes: 5, but the cam in gears has 6: expected the same, or one of the two",
		"kind: interrupter, gears: nope.yaml":                `w.yaml:4:57: key contacts[0].gears: "nope.yaml": no such file or directory: expected the name of a file that describes a drive train, or its keys motor, shafts and cam`,
		"kind: interrupter, gears: 7":                        `w.yaml:4:57: key contacts[0].gears: the number 7: expected the name of a file that describes a drive train, or its keys motor, shafts and cam`,
		"kind: interrupter, gears: bad.yaml": `w.yaml:4:57: key contacts[0].gears: "bad.yaml" has mistakes, told below: expected a drive train without mistakes` +
			"\nbad.yaml:16:44: key shafts[1].teeth[1]: the number 0: " + aTooth,
		"kind: interrupter, gears: many.yaml":                                            "w.yaml:4:57: key contacts[0].gears: a cam of 65 lobes: expected 1 to 64",
		"kind: interrupter, cadence: [400ms, 200ms, 400ms, 2s], gears: sub/train.yaml":   "w.yaml:4:93: key contacts[0].gears: a cam of 6 lobes for a cadence of 4 segments: expected 1 lobe: such a cam makes one cycle a turn",
		"kind: interrupter, " + strings.Replace(inline, "from: motor", "from: moter", 1): `w.yaml:4:122: key contacts[0].gears.shafts[1].from: "moter" is no shaft, near to motor: expected one of motor, idler, cam`,
	} {
		_, err := read(keys)
		if err == nil || err.Error() != want {
			t.Errorf("%s:\n%v\nwant\n%s", keys, err, want)
		}
	}
}

// What is accepted can be reckoned; what is not gives lines that name the file.
func FuzzGears(f *testing.F) {
	f.Add([]byte(configs.OwnGears))
	for _, c := range gearsMistakes {
		f.Add([]byte(c.text))
	}
	line := regexp.MustCompile(`^g\.yaml:\d+:\d+: `)
	f.Fuzz(func(t *testing.T, data []byte) {
		d, err := parseGears("g.yaml", data)
		if err != nil {
			for l := range strings.Lines(err.Error()) {
				if !line.MatchString(l) && !strings.HasPrefix(l, "g.yaml: ") {
					t.Errorf("%q does not name the file", l)
				}
			}
			return
		}
		if err := d.Check(); err != nil {
			t.Error(err)
		}
		d.Facts()
	})
}
