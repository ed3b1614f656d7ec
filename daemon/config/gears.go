package config

import (
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"

	"makebreak/pulse"
)

// gearsFile allows the most shafts with all their keys.
var gearsFile = fileKind{"drive train", 2_000}

const (
	wantGears  = "the keys motor, shafts and cam"
	wantShafts = "a list of shafts from the motor outwards, such as {name: idler, from: motor, teeth: [18, 90]}"
	wantShaft  = "name, and but for the motor's shaft from and teeth"
	wantName   = "a name of up to 40 letters"
	wantTeeth  = "two whole numbers of teeth from 1 to 10000, on the driving shaft and on this one, such as [18, 90]"
	wantRPM    = "turns per minute above 0, up to 1000000, or unknown"
	mostName   = 40
	leastRPM   = 0.001
)

// Gears reads the drive train that a file describes. The error lists all mistakes,
// one a line, as "file:line:column: key …: what is wrong: expected …".
// configs/own-gears.yaml explains the keys.
func Gears(path string) (*pulse.Drive, error) {
	data, err := readFile(gearsFile, path)
	if err != nil {
		return nil, err
	}
	return parseGears(path, data)
}

func parseGears(path string, data []byte) (*pulse.Drive, error) {
	root, err := parseYAML(gearsFile, path, data)
	if err != nil {
		return nil, err
	}
	d := &decoder{}
	drive := d.drive(&key{node: root})
	if len(d.mistakes) > 0 {
		return nil, d.err(path)
	}
	return drive, nil
}

type rawDrive struct {
	Motor  key `yaml:"motor" need:""`
	Shafts key `yaml:"shafts" need:""`
	Cam    key `yaml:"cam" need:""`
}

type rawMotor struct {
	RPM key `yaml:"rpm" need:""`
}

type rawShaft struct {
	Name  key `yaml:"name" need:""`
	From  key `yaml:"from"`
	Teeth key `yaml:"teeth"`
}

type rawCam struct {
	Shaft key `yaml:"shaft" need:""`
	Lobes key `yaml:"lobes" need:""`
}

// A shaftDraft is a shaft being read.
type shaftDraft struct {
	pulse.Shaft
	raw rawShaft
	key *key
}

// motors tells a shaft that no other drives.
func (s *shaftDraft) motors() bool { return !s.raw.From.given() }

// gears reads the drive train of a contact: a mapping, or the name of a file.
func (d *decoder) gears(k *key, dst **pulse.Drive) {
	if k.node == nil {
		return
	}
	if _, inline := k.node.(*ast.MappingNode); inline {
		before := len(d.mistakes)
		*dst = d.drive(k)
		k.bad = len(d.mistakes) > before
		return
	}
	const want = "the name of a file that describes a drive train, or its keys motor, shafts and cam"
	var name string
	d.text(k, &name, want, isText)
	if !k.good() {
		return
	}
	drive, err := Gears(d.inDir(name))
	var cannot *os.PathError
	switch {
	case errors.As(err, &cannot):
		d.reject(k, quote(name)+": "+cannot.Err.Error(), want)
	case err != nil:
		d.reject(k, quote(name)+" has mistakes, told below", "a drive train without mistakes")
		if !slices.ContainsFunc(d.others, func(e error) bool { return e.Error() == err.Error() }) {
			d.others = append(d.others, err)
		}
	}
	*dst = drive
}

// drive reads a drive train; what it gives counts only when nothing was wrong.
func (d *decoder) drive(k *key) *pulse.Drive {
	var r rawDrive
	before := len(d.mistakes)
	if !d.complete(k, wantGears, &r) {
		return nil
	}
	drive := &pulse.Drive{}
	var m rawMotor
	if d.complete(&r.Motor, "the key rpm", &m) {
		read(d, &m.RPM, &drive.MotorRPM, wantRPM, rpmOf)
	}
	shafts := d.shafts(&r.Shafts)
	var c rawCam
	if d.complete(&r.Cam, "the keys shaft and lobes", &c) {
		d.text(&c.Shaft, &drive.CamShaft, "the name of a shaft", isText)
		d.count(&c.Lobes, &drive.Lobes, "a whole number from 1 to "+strconv.Itoa(pulse.MostDriveLobes), pulse.MostDriveLobes)
		names := namesOf(shafts)
		if r.Shafts.good() && c.Shaft.good() && !slices.Contains(names, drive.CamShaft) {
			d.reject(&c.Shaft, quote(drive.CamShaft)+" is no shaft"+nearTo(drive.CamShaft, names), "one of "+strings.Join(names, ", "))
		}
	}
	if len(d.mistakes) > before {
		return nil
	}
	for _, s := range shafts {
		drive.Shafts = append(drive.Shafts, s.Shaft)
	}
	d.checkTurns(&r, &m, drive)
	return drive
}

func namesOf(shafts []*shaftDraft) []string {
	var names []string
	for _, s := range shafts {
		if s.Name != "" {
			names = append(names, s.Name)
		}
	}
	return names
}

// nearTo names the words that a mistyped one may stand for.
func nearTo(word string, words []string) string {
	if n := near(word, words); len(n) > 0 {
		return ", near to " + strings.Join(n, " and ")
	}
	return ""
}

// rpmOf gives a speed, 0 for unknown.
func rpmOf(n ast.Node) (float64, bool) {
	if s, ok := textOf(n); ok {
		return 0, s == "unknown"
	}
	x, ok := numberOf(n)
	return x, ok && x >= leastRPM && x <= pulse.MostMotorRPM
}

// shafts reads the shafts, and gives them with each behind the one that drives it.
func (d *decoder) shafts(k *key) []*shaftDraft {
	var all []*shaftDraft
	d.list(k, wantShafts, func(x *key) {
		s := &shaftDraft{key: x}
		if !d.complete(x, wantShaft, &s.raw) {
			return
		}
		r := &s.raw
		d.text(&r.Name, &s.Name, wantName, func(t string) bool { return isPrintable(t, mostName) })
		d.text(&r.From, &s.From, "the name of the shaft that drives this one", isText)
		teeth := []*int{&s.DrivingTeeth, &s.OwnTeeth}
		i := 0
		d.list(&r.Teeth, wantTeeth, func(n *key) {
			var spare int
			dst := &spare
			if i < 2 {
				dst = teeth[i]
			}
			d.count(n, dst, "a whole number of teeth from 1 to "+strconv.Itoa(pulse.MostTeeth), pulse.MostTeeth)
			i++
		})
		if r.Teeth.good() && i != 2 {
			d.reject(&r.Teeth, "a list of "+strconv.Itoa(i), wantTeeth)
		}
		x.bad = r.Name.bad || r.From.bad || r.Teeth.bad
		switch {
		case r.From.given() && !r.Teeth.given():
			d.report(x.node, join(x.path, "teeth"), "missing", wantTeeth)
			x.bad = true
		case r.Teeth.given() && !r.From.given():
			d.report(x.node, join(x.path, "from"), "missing", "the name of the shaft that drives this one, since it has teeth")
			x.bad = true
		}
		all = append(all, s)
	})
	if !k.given() {
		return all
	}
	if n := len(all); k.good() && (n == 0 || n > pulse.MostShafts) {
		d.reject(k, strconv.Itoa(n)+" shafts", "1 to "+strconv.Itoa(pulse.MostShafts))
		return all
	}
	names := namesOf(all)
	var motor *shaftDraft
	seen := map[string]string{}
	for _, s := range all {
		r := &s.raw
		if r.Name.good() {
			switch first, twice := seen[s.Name]; {
			case s.Name == pulse.LobesName:
				d.reject(&r.Name, quote(s.Name), "another name: that one stands for the cam's lobes")
			case twice:
				d.reject(&r.Name, quote(s.Name)+" is that of "+first, "another name")
			default:
				seen[s.Name] = r.Name.path
			}
			k.bad = k.bad || r.Name.bad
		}
		switch {
		case r.From.good() && !slices.Contains(names, s.From):
			d.reject(&r.From, quote(s.From)+" is no shaft"+nearTo(s.From, names), "one of "+strings.Join(names, ", "))
			k.bad = true
		case s.key.bad || !s.motors():
		case motor != nil:
			d.report(s.key.node, s.key.path, "a second shaft that nothing drives", "from and teeth, for "+motor.key.path+" is the motor's")
			k.bad = true
		default:
			motor = s
		}
	}
	if k.bad {
		return all
	}
	return d.outwards(k, all, motor)
}

// outwards orders shafts so that each stands behind the one that drives it, and
// reports a loop.
func (d *decoder) outwards(k *key, all []*shaftDraft, motor *shaftDraft) (sorted []*shaftDraft) {
	driver := func(s *shaftDraft) *shaftDraft {
		i := slices.IndexFunc(all, func(x *shaftDraft) bool { return x.Name == s.From })
		return all[i]
	}
	placed := map[*shaftDraft]bool{}
	for more := true; more; {
		more = false
		for _, s := range all {
			if !placed[s] && (s == motor || !s.motors() && placed[driver(s)]) {
				placed[s], more = true, true
				sorted = append(sorted, s)
			}
		}
	}
	if len(sorted) == len(all) {
		return sorted
	}
	// Going back from any shaft left over one comes to the loop and goes round it.
	i := slices.IndexFunc(all, func(s *shaftDraft) bool { return !placed[s] })
	s := all[i]
	for range all {
		s = driver(s)
	}
	words := []string{quote(s.Name)}
	for x := driver(s); ; x = driver(x) {
		words = append(words, quote(x.Name))
		if x == s {
			break
		}
	}
	want := "shafts that lead back to the motor's"
	if motor == nil {
		want = "one shaft without from and teeth, the motor's, and the others from there"
	}
	d.reject(&s.raw.From, "a loop: "+strings.Join(words, " from "), want)
	k.bad = true
	return sorted
}

// Bounds of the interruptions per minute: those of a contact's rate.
const (
	leastIPM = 0.01
	mostIPM  = 6000
)

// checkTurns reports a train whose turns are beyond any drive.
func (d *decoder) checkTurns(r *rawDrive, m *rawMotor, drive *pulse.Drive) {
	if err := drive.Check(); err != nil {
		what, want, _ := strings.Cut(err.Error(), ": expected ")
		d.reject(&r.Shafts, what, want)
		return
	}
	if ipm := drive.ExpectedIPM(); ipm.OK && !(ipm.V >= leastIPM && ipm.V <= mostIPM) {
		d.reject(&m.RPM, fmt.Sprintf("%s turns a minute would make %s interruptions a minute", shown(drive.MotorRPM), shown(significant(ipm.V))),
			fmt.Sprintf("a motor and teeth that make %v to %v", leastIPM, mostIPM))
	}
}

// significant rounds to three significant digits.
func significant(x float64) float64 {
	scale := math.Pow(10, 2-math.Floor(math.Log10(math.Abs(x))))
	return math.Round(x*scale) / scale
}

// checkGears reports a drive train that does not go with the contact, and takes
// its lobes.
func (c *contactDraft) checkGears(d *decoder) {
	r, m := &c.raw, &c.Meter
	if !r.Gears.good() || m.Drive == nil || m.Kind == pulse.KindDial {
		return
	}
	cadence := m.CadenceNS
	if cadence == nil {
		cadence = c.profile().CadenceNS
	}
	lobes := m.Drive.Lobes
	switch {
	case len(cadence) > 2 && lobes != 1:
		d.reject(&r.Gears, fmt.Sprintf("a cam of %d lobes for a cadence of %d segments", lobes, len(cadence)), "1 lobe: such a cam makes one cycle a turn")
	case len(cadence) > 2: // a turn is a cycle
	case r.Lobes.good() && m.Lobes != lobes:
		d.reject(&r.Lobes, fmt.Sprintf("%d, but the cam in gears has %d", m.Lobes, lobes), "the same, or one of the two")
	case lobes > maxLobes:
		d.reject(&r.Gears, fmt.Sprintf("a cam of %d lobes", lobes), "1 to "+strconv.Itoa(maxLobes))
	case !r.Lobes.given():
		m.Lobes = lobes
	}
}
