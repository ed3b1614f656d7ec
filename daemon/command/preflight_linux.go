package command

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"golang.org/x/sys/unix"

	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
)

type preflightCmd struct {
	Line string `arg:"" optional:"" help:"Line that is to be measured, such as GPIO17 or P1_11; without it the computer alone is looked at."`

	Closed string `enum:"high,low" default:"high" help:"Level of the line while the contact is closed: high or low."`
	Kind   string `enum:"dial,interrupter" default:"dial" help:"dial or interrupter. A dial's contact rests closed; where an interrupter's stands, nothing tells."`
	At     string `placeholder:"DIR" default:"." help:"Where a recording is to be kept: looks for free space there."`
	Bias   string `enum:"as-is,pull-up,pull-down,disabled" default:"as-is" help:"Pull resistor inside the chip: as-is, pull-up, pull-down or disabled."`
	JSON   bool   `name:"json" help:"Write one JSON object instead of the page."`
}

func (*preflightCmd) epilogue() string {
	return `Examples:
  makebreak preflight
  makebreak preflight GPIO17 --closed low --bias pull-up --at recordings

The line is opened for a moment as an input; one that is driven is left alone.

Exit status: 0 measuring may start, 1 it may not; 2 the command is wrong.

` + caution
}

// A checkState is what a check came to.
type checkState string

const (
	checkOK      checkState = "ok"
	checkLook    checkState = "look"        // measuring may start, but something could be better
	checkNo      checkState = "no"          // measuring must not start
	checkUnknown checkState = "cannot tell" // nothing tells
)

// A check is one question with its answer.
type check struct {
	Check  string     `json:"check"`
	State  checkState `json:"state"`
	Found  string     `json:"found"`
	Remedy string     `json:"remedy"` // empty where none is needed
}

// A computer is what preflight asks. Each question may be replaced in tests.
type computer struct {
	root       string // of the files of /proc and /sys
	lines      func() (*hw.Inventory, error)
	open       func(hw.LineRef, hw.InputOptions) (hw.Live, error)
	discipline func() (hw.Discipline, error)
	release    func() (string, error)
	free       func(dir string) (bytes int64, err error)
}

func thisComputer() *computer {
	return &computer{
		root: "/", lines: hw.Lines, discipline: hw.ReadDiscipline,
		open: func(ref hw.LineRef, opt hw.InputOptions) (hw.Live, error) { return hw.OpenInput(ref, opt) },
		release: func() (string, error) {
			var u unix.Utsname
			err := unix.Uname(&u)
			return unix.ByteSliceToString(u.Release[:]), err
		},
		free: func(dir string) (int64, error) {
			var s unix.Statfs_t
			err := unix.Statfs(dir, &s)
			return int64(min(s.Bavail, 1<<40)) * int64(s.Bsize), err
		},
	}
}

func (c *preflightCmd) run(ctx context.Context, sh *shell) (int, error) {
	checks := c.checks(ctx, thisComputer())
	may := !slices.ContainsFunc(checks, func(k check) bool { return k.State == checkNo })
	var err error
	if c.JSON {
		err = encodeJSON(sh.stdout, struct {
			Format   string  `json:"format"`
			Line     string  `json:"line"`
			MayStart bool    `json:"may_start"`
			Checks   []check `json:"checks"`
		}{"makebreak.preflight/1", c.Line, may, checks})
	} else {
		p := page{colour: sh.colour()}
		c.write(&p, checks, may)
		_, err = p.WriteTo(sh.stdout)
	}
	if !may {
		return StatusOutOfLimits, err
	}
	return StatusOK, err
}

func (c *preflightCmd) write(p *page, checks []check, may bool) {
	verdict, sgr := "MEASURING MAY START", green
	if !may {
		verdict, sgr = "MEASURING MAY NOT START", red
	}
	p.paint(sgr, verdict)
	p.WriteString("\n\n")
	name, state := 0, width(string(checkUnknown))
	for _, k := range checks {
		name = max(name, width(k.Check))
	}
	colour := map[checkState]string{checkOK: green, checkLook: yellow, checkNo: red, checkUnknown: yellow}
	for _, k := range checks {
		word := string(k.State)
		if k.State == checkNo {
			word = "NO"
		}
		p.WriteString("  " + k.Check + strings.Repeat(" ", name-width(k.Check)) + "  ")
		p.paint(colour[k.State], word)
		p.WriteString(strings.Repeat(" ", state-width(word)) + "  ")
		indent := 6 + name + state
		p.flow(indent, indent, printable(k.Found))
		if k.Remedy != "" {
			p.para(strings.Repeat(" ", indent)+"-> ", printable(k.Remedy))
		}
	}
	if c.Line != "" {
		p.WriteByte('\n')
		p.WriteString(caution)
	}
}

// checks asks everything, in the order in which one would mend it.
func (c *preflightCmd) checks(ctx context.Context, pc *computer) []check {
	var out []check
	inventory, err := pc.lines()
	out = append(out, pc.kernel(err), chips(inventory, err))
	switch {
	case c.Line == "":
	case err == nil:
		out = append(out, c.line(ctx, pc, inventory)...)
	default:
		out = append(out, c.unseen(err))
	}
	return append(out, pc.clockSource(), pc.clock(), pc.governor(), pc.power(), pc.disk(c.At))
}

func (pc *computer) kernel(lines error) check {
	k := check{Check: "kernel", State: checkOK}
	release, err := pc.release()
	if err != nil {
		k.State, k.Found = checkUnknown, err.Error()
		return k
	}
	k.Found = "Linux " + release
	var major, minor int
	_, err = fmt.Sscanf(release, "%d.%d", &major, &minor)
	switch {
	case err == nil && (major < 5 || major == 5 && minor < 10) || errors.Is(lines, hw.ErrOldKernel):
		k.State, k.Remedy = checkNo, "edges with time and number need Linux 5.10 or newer: update the system"
	case lines == nil:
		k.Found += "; it gives edges with time and number (GPIO uAPI v2)"
	default:
		k.State = checkUnknown
		k.Found += "; whether it gives edges with time and number shows with a chip only"
	}
	return k
}

func chips(v *hw.Inventory, err error) check {
	k := check{Check: "GPIO chips", State: checkOK}
	if err != nil {
		k.State = checkNo
		k.Found, k.Remedy = split(err)
		return k
	}
	var names []string
	for _, c := range v.Chips {
		if c.Err != nil {
			k.State = checkLook
			k.Found, k.Remedy = split(c.Err)
			k.Found = c.Name + ": " + k.Found
			return k
		}
		names = append(names, c.Name+" ("+c.Label+")")
	}
	k.Found = strings.Join(names, ", ")
	return k
}

// split parts an error of a line into what is wrong and what to do.
func split(err error) (found, remedy string) {
	var op *hw.OpError
	if errors.As(err, &op) {
		err = op.Err
	}
	text := err.Error()
	if i := strings.LastIndex(text, ";"); i >= 0 {
		return text[:i], strings.TrimSpace(text[i+1:])
	}
	if i := strings.LastIndex(text, ": "); i >= 0 && (errors.Is(err, hw.ErrBusy) || errors.Is(err, hw.ErrUnplugged) || errors.Is(err, hw.ErrNoInterrupt)) {
		return text[:i], text[i+2:]
	}
	return text, ""
}

// unseen tells of the line where no chip could be read.
func (c *preflightCmd) unseen(err error) check {
	k := check{Check: "line", State: checkUnknown, Found: quoted(c.Line) + " cannot be looked at, for no chip could be read"}
	if errors.Is(err, hw.ErrNoChip) {
		k.Found = quoted(c.Line) + " cannot be looked at, for there is no chip"
	}
	if odd := oddName(c.Line); odd != "" {
		k.State, k.Found, k.Remedy = checkNo, k.Found+"; nor is it a line's name", odd
	}
	return k
}

func quoted(s string) string { return strconv.Quote(lineName(s)) }

// oddName says how lines are named where a name cannot be one; else empty.
func oddName(s string) string {
	s = lineName(s)
	const are = " line is named like GPIO17, P1_11, gpiochip0:17 or, as the kernel has it, HOOK"
	like := likeLine(s)
	switch {
	case like == s && s != "":
		return ""
	case like != "":
		return "did you mean " + like + "? A" + are
	case s == "" || strings.ContainsFunc(s, func(r rune) bool { return unicode.IsSpace(r) || r == '/' }):
		return "a" + are
	}
	return ""
}

// watchFor is how long the contact's level is looked at: longer than the make
// or break of a dial that turns.
const watchFor = 300 * time.Millisecond

func (c *preflightCmd) line(ctx context.Context, pc *computer, v *hw.Inventory) []check {
	found, level := check{Check: "line", State: checkOK}, check{Check: "contact", State: checkUnknown}
	fail := func(err error) []check {
		found.State = checkNo
		found.Found, found.Remedy = split(err)
		level.Found = "the line could not be read"
		return []check{found, level}
	}
	info, err := v.Resolve(lineName(c.Line))
	if err != nil {
		out := fail(err)
		out[0].Found = quoted(c.Line) + ": " + out[0].Found
		if odd := oddName(c.Line); odd != "" {
			out[0].Remedy = odd
		}
		return out
	}
	place := fmt.Sprintf("%s is line %d of %s (%s)", lineName(c.Line), info.Offset, info.Chip, info.Label)
	if info.Output && !info.Used {
		found.State, found.Found = checkLook, place+"; it is driven as an output now"
		found.Remedy = "make sure that nothing relies on it and that it drives no contact: measuring makes it an input"
		level.Found = "the line was left alone"
		return []check{found, level}
	}
	src, err := pc.open(info.LineRef, hw.InputOptions{Bias: (&lineFlags{Bias: c.Bias}).bias()})
	if err != nil {
		return fail(err)
	}
	defer src.Close()
	found.Found = place + "; it is free and may be read"
	if info.Unfit != "" {
		found.State, found.Found, found.Remedy = checkLook, place+"; "+info.Unfit, "take another line: makebreak lines tells which are fit"
	}
	return []check{found, c.contact(ctx, src)}
}

// contact compares the line's level with what a resting contact has.
func (c *preflightCmd) contact(ctx context.Context, src hw.Live) check {
	k := check{Check: "contact", State: checkUnknown}
	ctx, cancel := context.WithTimeout(ctx, watchFor)
	defer cancel()
	n, err := src.ReadEdges(ctx, make([]pulse.Edge, 1))
	level := src.InitialLevel()
	closed := (level == pulse.High) == (c.Closed == "high")
	words := map[pulse.Level]string{pulse.Low: "low", pulse.High: "high"}[level]
	other := otherLevel(c.Closed)
	switch {
	case n > 0:
		k.Found = "it moves, so its rest does not show"
		k.Remedy = "look again while it rests"
	case !errors.Is(err, context.DeadlineExceeded) || level > pulse.High:
		k.Found = "its level could not be read"
	case c.Kind == "interrupter":
		k.Found = "the line is " + words + "; an interrupter may stand either way"
	case closed:
		k.State, k.Found = checkOK, "the line is "+words+", so the contact is closed, as a dial's rests"
	default:
		k.State, k.Found = checkNo, "the line is "+words+", so the contact is open; a dial's rests closed"
		k.Remedy = "if it is at rest now, give --closed " + other + "; else look at wiring and supply; for an interrupter give --kind interrupter"
	}
	return k
}

// text reads one file below the root.
func (pc *computer) text(path string) (string, bool) {
	b, err := os.ReadFile(filepath.Join(pc.root, path))
	return strings.TrimSpace(string(b)), err == nil
}

func (pc *computer) clockSource() check {
	k := check{Check: "clock source", State: checkOK}
	name, ok := pc.text("sys/devices/system/clocksource/clocksource0/current_clocksource")
	switch {
	case !ok:
		k.State, k.Found = checkUnknown, "the kernel does not tell"
	case strings.Contains(name, "jiffies"):
		k.State, k.Found = checkNo, name+" counts timer ticks, milliseconds at best"
		k.Remedy = "the kernel has found no real clock on this board: another kernel or device tree is needed"
	default:
		k.Found = name
	}
	return k
}

func (pc *computer) clock() check {
	k := check{Check: "clock", State: checkOK}
	d, err := pc.discipline()
	if err != nil {
		k.State, k.Found = checkUnknown, err.Error()
		return k
	}
	rel, from := hw.ClockUncertainty(d, d)
	k.Found = fmt.Sprintf("%s; time base within %s ppm (standard)", from, figure.Trimmed(rel*1e6, 1))
	if !d.Synchronised {
		k.State, k.Remedy = checkLook, "for long measurements let the computer follow network time (chrony, systemd-timesyncd), and look again after some minutes"
	}
	return k
}

func (pc *computer) governor() check {
	k := check{Check: "processor speed", State: checkOK}
	files, _ := filepath.Glob(filepath.Join(pc.root, "sys/devices/system/cpu/cpu*/cpufreq/scaling_governor"))
	var names []string
	for _, f := range files {
		if b, err := os.ReadFile(f); err == nil {
			if g := strings.TrimSpace(string(b)); !slices.Contains(names, g) {
				names = append(names, g)
			}
		}
	}
	switch {
	case len(names) == 0:
		k.Found = "fixed: no frequency scaling"
	case len(names) == 1 && names[0] == "performance":
		k.Found = "governor performance"
	default:
		k.State, k.Found = checkLook, "governor "+strings.Join(names, ", ")+": stamps come later after a rest, by some µs to tens of µs"
		k.Remedy = "echo performance | sudo tee /sys/devices/system/cpu/cpu*/cpufreq/scaling_governor"
	}
	return k
}

// The firmware's flags, as Raspberry Pi documents them (vcgencmd
// get_throttled): what is so now, and in bit 16 and up what was since the boot.
var throttleFlags = []string{"the supply's voltage is too low", "the processor's speed is capped", "the processor is throttled", "the soft temperature limit is reached"}

func (pc *computer) power() check {
	k := check{Check: "supply and heat", State: checkOK}
	if s, ok := pc.text("sys/devices/platform/soc/soc:firmware/get_throttled"); ok {
		if flags, err := strconv.ParseUint(strings.TrimPrefix(s, "0x"), 16, 32); err == nil {
			k.Found = "no under-voltage, no throttling since the boot"
			var now, was []string
			for i, text := range throttleFlags {
				if flags>>i&1 == 1 {
					now = append(now, text)
				} else if flags>>(16+i)&1 == 1 {
					was = append(was, text)
				}
			}
			switch {
			case len(now) > 0:
				k.State, k.Found = checkLook, join(now)
				if flags&1 == 1 { // the board may stop at any moment
					k.State = checkNo
				}
			case len(was) > 0:
				k.State, k.Found = checkLook, "since the boot it was so for a while: "+join(was)
			default:
				return k
			}
			k.Remedy = "a stronger supply with short, thick leads; a heat sink and air"
			return k
		}
	}
	names, _ := filepath.Glob(filepath.Join(pc.root, "sys/class/hwmon/hwmon*/name"))
	for _, f := range names {
		b, err := os.ReadFile(f)
		if err != nil || strings.TrimSpace(string(b)) != "rpi_volt" {
			continue
		}
		alarm, err := os.ReadFile(filepath.Join(filepath.Dir(f), "in0_lcrit_alarm"))
		if err != nil {
			continue
		}
		k.Found = "no under-voltage now"
		if strings.TrimSpace(string(alarm)) != "0" {
			k.State, k.Found, k.Remedy = checkNo, throttleFlags[0], "a stronger supply with short, thick leads"
		}
		return k
	}
	k.State, k.Found = checkUnknown, "this board does not tell"
	return k
}

const (
	// An edge takes some 20 bytes in a recording: a busy contact of 20 edges a
	// second fills 35 MB a day.
	diskLow   = 100e6
	diskEmpty = 5e6
)

func (pc *computer) disk(dir string) check {
	k := check{Check: "free space", State: checkOK}
	free, err := pc.free(dir)
	if err != nil {
		k.State, k.Found, k.Remedy = checkNo, dir+": "+reason(err), "give --at a folder that is there"
		return k
	}
	k.Found = figure.Bytes(free) + " in " + dir
	switch {
	case free < diskEmpty:
		k.State = checkNo
	case free < diskLow:
		k.State = checkLook
	default:
		return k
	}
	k.Found += "; an hour of dialling takes about 1.5 MB"
	k.Remedy = "make room, or give --at another place"
	return k
}
