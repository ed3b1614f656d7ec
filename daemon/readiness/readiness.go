// Package readiness looks whether a computer and a line of it are ready to
// measure.
package readiness

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"makebreak/daemon/figure"
	"makebreak/daemon/wholefile"
	"makebreak/hw"
	"makebreak/pulse"
)

// A State is what a check came to.
type State string

const (
	OK         State = "ok"
	Look       State = "look"        // measuring may start, but something could be better
	No         State = "no"          // measuring must not start
	CannotTell State = "cannot tell" // nothing tells
)

// A Check is one question with its answer.
type Check struct {
	Check  string `json:"check"`
	State  State  `json:"state"`
	Found  string `json:"found"`
	Remedy string `json:"remedy"` // empty where none is needed
}

// MayStart tells whether measuring may start.
func MayStart(checks []Check) bool {
	return !slices.ContainsFunc(checks, func(k Check) bool { return k.State == No })
}

// A Plan is what is to be measured.
type Plan struct {
	Line   string // as hw.Resolve knows it, or with gpio: before that; empty to look at the computer alone
	Closed pulse.Polarity
	Kind   pulse.Kind // a dial's contact rests closed; where another's stands, nothing tells
	Bias   hw.Bias
	Dir    string // where a recording is to be kept
}

// line is the name that hw.Resolve knows.
func (p Plan) line() string { return strings.TrimPrefix(p.Line, "gpio:") }

// A Computer is what is asked; ThisComputer is the one that the program runs on.
type Computer struct {
	Files      fs.FS // with /proc and /sys
	Lines      func() (*hw.Inventory, error)
	Open       func(hw.LineRef, hw.InputOptions) (hw.Live, error)
	Discipline func() (hw.Discipline, error)
	Release    func() (string, error) // of the kernel
	Free       func(dir string) (bytes int64, err error)
}

// Checks asks everything, in the order in which one would mend it. The line is
// opened for a moment as an input; one that is driven is left alone.
func (c *Computer) Checks(ctx context.Context, p Plan) []Check {
	var out []Check
	inventory, err := c.Lines()
	out = append(out, c.kernel(err), chips(inventory, err))
	switch {
	case p.Line == "":
	case err == nil:
		out = append(out, c.line(ctx, p, inventory)...)
	default:
		out = append(out, p.unseen(err))
	}
	return append(out, c.clockSource(), c.clock(), c.governor(), c.power(), c.disk(p.Dir))
}

func (c *Computer) kernel(lines error) Check {
	k := Check{Check: "kernel", State: OK}
	release, err := c.Release()
	if err != nil {
		k.State, k.Found = CannotTell, err.Error()
		return k
	}
	k.Found = "Linux " + release
	var major, minor int
	_, err = fmt.Sscanf(release, "%d.%d", &major, &minor)
	switch {
	case err == nil && (major < 5 || major == 5 && minor < 10) || errors.Is(lines, hw.ErrOldKernel):
		k.State, k.Remedy = No, "edges with time and number need Linux 5.10 or newer: update the system"
	case lines == nil:
		k.Found += "; it gives edges with time and number (GPIO uAPI v2)"
	default:
		k.State = CannotTell
		k.Found += "; whether it gives edges with time and number shows with a chip only"
	}
	return k
}

func chips(v *hw.Inventory, err error) Check {
	k := Check{Check: "GPIO chips", State: OK}
	if err != nil {
		k.State = No
		k.Found, k.Remedy = hw.Remedy(err)
		return k
	}
	var names []string
	for _, c := range v.Chips {
		if c.Err != nil {
			k.State = Look
			k.Found, k.Remedy = hw.Remedy(c.Err)
			k.Found = c.Name + ": " + k.Found
			return k
		}
		names = append(names, c.Name+" ("+c.Label+")")
	}
	k.Found = strings.Join(names, ", ")
	return k
}

// unseen tells of the line where no chip could be read.
func (p Plan) unseen(err error) Check {
	k := Check{Check: "line", State: CannotTell, Found: strconv.Quote(p.line()) + " cannot be looked at, for no chip could be read"}
	if errors.Is(err, hw.ErrNoChip) {
		k.Found = strconv.Quote(p.line()) + " cannot be looked at, for there is no chip"
	}
	if odd := oddName(p.line()); odd != "" {
		k.State, k.Found, k.Remedy = No, k.Found+"; nor is it a line's name", odd
	}
	return k
}

// oddName says how lines are named where a name cannot be one; else empty.
func oddName(s string) string {
	const are = " line is named like GPIO17, P1_11, gpiochip0:17 or, as the kernel has it, HOOK"
	like := hw.LikelyName(s)
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

func (c *Computer) line(ctx context.Context, p Plan, v *hw.Inventory) []Check {
	found, level := Check{Check: "line", State: OK}, Check{Check: "contact", State: CannotTell}
	fail := func(err error) []Check {
		found.State = No
		found.Found, found.Remedy = hw.Remedy(err)
		level.Found = "the line could not be read"
		return []Check{found, level}
	}
	info, err := v.Resolve(p.line())
	if err != nil {
		out := fail(err)
		out[0].Found = strconv.Quote(p.line()) + ": " + out[0].Found
		if odd := oddName(p.line()); odd != "" {
			out[0].Remedy = odd
		}
		return out
	}
	place := fmt.Sprintf("%s is line %d of %s (%s)", p.line(), info.Offset, info.Chip, info.Label)
	if info.Output && !info.Used {
		found.State, found.Found = Look, place+"; it is driven as an output now"
		found.Remedy = "make sure that nothing relies on it and that it drives no contact: measuring makes it an input"
		level.Found = "the line was left alone"
		return []Check{found, level}
	}
	src, err := c.Open(info.LineRef, hw.InputOptions{Bias: p.Bias})
	if err != nil {
		return fail(err)
	}
	defer src.Close()
	found.Found = place + "; it is free and may be read"
	if info.Unfit != "" {
		found.State, found.Found, found.Remedy = Look, place+"; "+info.Unfit, "take another line: makebreak lines tells which are fit"
	}
	return []Check{found, p.contact(ctx, src)}
}

// contact compares the line's level with what a resting contact has.
func (p Plan) contact(ctx context.Context, src hw.Live) Check {
	k := Check{Check: "contact", State: CannotTell}
	ctx, cancel := context.WithTimeout(ctx, watchFor)
	defer cancel()
	n, err := src.ReadEdges(ctx, make([]pulse.Edge, 1))
	level := src.InitialLevel()
	switch {
	case n > 0:
		k.Found = "it moves, so its rest does not show"
		k.Remedy = "look again while it rests"
	case !errors.Is(err, context.DeadlineExceeded) || level > pulse.High:
		k.Found = "its level could not be read"
	case p.Kind != pulse.KindDial:
		k.Found = "the line is " + level.String() + "; an interrupter may stand either way"
	case p.Closed.Closed(level):
		k.State, k.Found = OK, "the line is "+level.String()+", so the contact is closed, as a dial's rests"
	default:
		k.State, k.Found = No, "the line is "+level.String()+", so the contact is open; a dial's rests closed"
		k.Remedy = "if it is at rest now, give --closed " + p.Closed.Level(false).String() + "; else look at wiring and supply; for an interrupter give --kind interrupter"
	}
	return k
}

// text reads a file of /proc or /sys.
func (c *Computer) text(name string) (string, bool) {
	b, err := fs.ReadFile(c.Files, name)
	return strings.TrimSpace(string(b)), err == nil
}

func (c *Computer) clockSource() Check {
	k := Check{Check: "clock source", State: OK}
	name, ok := c.text("sys/devices/system/clocksource/clocksource0/current_clocksource")
	switch {
	case !ok:
		k.State, k.Found = CannotTell, "the kernel does not tell"
	case strings.Contains(name, "jiffies"):
		k.State, k.Found = No, name+" counts timer ticks, milliseconds at best"
		k.Remedy = "the kernel has found no real clock on this board: another kernel or device tree is needed"
	default:
		k.Found = name
	}
	return k
}

func (c *Computer) clock() Check {
	k := Check{Check: "clock", State: OK}
	d, err := c.Discipline()
	if err != nil {
		k.State, k.Found = CannotTell, err.Error()
		return k
	}
	rel, from := hw.ClockUncertainty(d, d)
	k.Found = fmt.Sprintf("%s; time base within %s ppm (standard)", from, figure.Trimmed(rel*1e6, 1))
	if !d.Synchronised {
		k.State, k.Remedy = Look, "for long measurements let the computer follow network time (chrony, systemd-timesyncd), and look again after some minutes"
	}
	return k
}

func (c *Computer) governor() Check {
	k := Check{Check: "processor speed", State: OK}
	files, _ := fs.Glob(c.Files, "sys/devices/system/cpu/cpu*/cpufreq/scaling_governor")
	var names []string
	for _, f := range files {
		if g, ok := c.text(f); ok && !slices.Contains(names, g) {
			names = append(names, g)
		}
	}
	switch {
	case len(names) == 0:
		k.Found = "fixed: no frequency scaling"
	case len(names) == 1 && names[0] == "performance":
		k.Found = "governor performance"
	default:
		k.State, k.Found = Look, "governor "+strings.Join(names, ", ")+": stamps come later after a rest, by some µs to tens of µs"
		k.Remedy = "echo performance | sudo tee /sys/devices/system/cpu/cpu*/cpufreq/scaling_governor"
	}
	return k
}

// The firmware's flags, as Raspberry Pi documents them (vcgencmd
// get_throttled): what is so now, and in bit 16 and up what was since the boot.
var throttleFlags = []string{"the supply's voltage is too low", "the processor's speed is capped", "the processor is throttled", "the soft temperature limit is reached"}

func (c *Computer) power() Check {
	k := Check{Check: "supply and heat", State: OK}
	if s, ok := c.text("sys/devices/platform/soc/soc:firmware/get_throttled"); ok {
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
				k.State, k.Found = Look, figure.List(now)
				if flags&1 == 1 { // the board may stop at any moment
					k.State = No
				}
			case len(was) > 0:
				k.State, k.Found = Look, "since the boot it was so for a while: "+figure.List(was)
			default:
				return k
			}
			k.Remedy = "a stronger supply with short, thick leads; a heat sink and air"
			return k
		}
	}
	names, _ := fs.Glob(c.Files, "sys/class/hwmon/hwmon*/name")
	for _, f := range names {
		if sensor, _ := c.text(f); sensor != "rpi_volt" {
			continue
		}
		alarm, ok := c.text(path.Join(path.Dir(f), "in0_lcrit_alarm"))
		if !ok {
			continue
		}
		k.Found = "no under-voltage now"
		if alarm != "0" {
			k.State, k.Found, k.Remedy = No, throttleFlags[0], "a stronger supply with short, thick leads"
		}
		return k
	}
	k.State, k.Found = CannotTell, "this board does not tell"
	return k
}

const (
	// An edge takes some 20 bytes in a recording: a busy contact of 20 edges a
	// second fills 35 MB a day.
	diskLow   = 100e6
	diskEmpty = 5e6
)

func (c *Computer) disk(dir string) Check {
	k := Check{Check: "free space", State: OK}
	free, err := c.Free(dir)
	if err != nil {
		k.State, k.Found, k.Remedy = No, dir+": "+wholefile.Reason(err), "give --at a folder that is there"
		return k
	}
	k.Found = figure.Bytes(free) + " in " + dir
	switch {
	case free < diskEmpty:
		k.State = No
	case free < diskLow:
		k.State = Look
	default:
		return k
	}
	k.Found += "; an hour of dialling takes about 1.5 MB"
	k.Remedy = "make room, or give --at another place"
	return k
}
