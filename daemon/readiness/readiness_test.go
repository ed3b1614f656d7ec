package readiness

import (
	"context"
	"errors"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
	"testing/synctest"
	"time"

	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

func TestChecks(t *testing.T) {
	good := map[string]string{
		"sys/devices/system/clocksource/clocksource0/current_clocksource": "arch_sys_counter\n",
		"sys/devices/system/cpu/cpu0/cpufreq/scaling_governor":            "performance\n",
		"sys/devices/platform/soc/soc:firmware/get_throttled":             "0\n",
	}
	with := func(name, text string) map[string]string {
		m := map[string]string{}
		for k, v := range good {
			m[k] = v
		}
		if m[name] = text; text == "" {
			delete(m, name)
		}
		return m
	}
	const (
		clock    = "sys/devices/system/clocksource/clocksource0/current_clocksource"
		governor = "sys/devices/system/cpu/cpu0/cpufreq/scaling_governor"
		throttle = "sys/devices/platform/soc/soc:firmware/get_throttled"
	)
	dial := hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}}
	used := hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Used: true, Consumer: "x", Unfit: `in use by "x"`}
	resting := hwtest.Script(hwtest.Stall(nil))
	resting.Level = pulse.High
	for _, c := range []struct {
		name           string
		files          map[string]string
		line           hw.LineInfo
		plan           Plan
		lines          error
		open           error
		src            *hwtest.Source
		release        string
		free           int64
		freeErr        error
		unsynchronised bool

		check  string
		state  State
		found  string
		remedy string
	}{
		{name: "good", check: "contact", state: OK, found: "closed, as a dial's rests"},
		{name: "old kernel", release: "5.4.0-x", check: "kernel", state: No, found: "Linux 5.4.0-x", remedy: "need Linux 5.10"},
		{name: "kernel that lacks the calls", lines: &hw.OpError{Op: "list lines", Err: hw.ErrOldKernel}, check: "kernel", state: No, remedy: "need Linux 5.10"},
		{name: "new kernel", release: "10.0", check: "kernel", state: OK},
		{name: "no permission", lines: &hw.OpError{Op: "list lines", Err: errors.Join(hw.ErrPermission)}, check: "GPIO chips", state: No, found: "no permission"},
		{name: "no such line", plan: Plan{Line: "HOOK"}, check: "line", state: No, found: "no such line"},
		{name: "no such line, and its name", plan: Plan{Line: "HOOK"}, check: "line", state: No, found: `"HOOK": no such line`},
		{name: "no line's name", plan: Plan{Line: "gpiochip0/17"}, check: "line", state: No, found: `"gpiochip0/17": no such line`, remedy: "did you mean gpiochip0:17? A line is named like GPIO17, P1_11"},
		{name: "no chip", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, plan: Plan{Line: "GPIO17"}, check: "line", state: CannotTell, found: `"GPIO17" cannot be looked at, for there is no chip`},
		{name: "no chip, kernel's name", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, plan: Plan{Line: "gpio:HOOK"}, check: "line", state: CannotTell, found: `"HOOK" cannot be looked at`},
		{name: "no chip, no line's name", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, plan: Plan{Line: "BCM17"}, check: "line", state: No, found: "nor is it a line's name", remedy: "did you mean GPIO17?"},
		{name: "no chip, blanks", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, plan: Plan{Line: "pin 17"}, check: "line", state: No, remedy: "a line is named like"},
		{name: "no chip may be read", lines: &hw.OpError{Op: "list lines", Err: hw.ErrPermission}, check: "line", state: CannotTell, found: "no chip could be read"},
		{name: "busy", open: &hw.OpError{Op: "open line", Err: errors.New("x")}, check: "line", state: No, found: "x"},
		{name: "unfit", line: hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Unfit: "serial console"}, check: "line", state: Look, found: "serial console", remedy: "take another"},
		{name: "driven", line: hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Output: true}, check: "line", state: Look, found: "driven as an output now"},
		{name: "driven, so not read", line: hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Output: true}, check: "contact", state: CannotTell, found: "left alone"},
		{name: "open", plan: Plan{Line: "DIAL", Closed: pulse.ClosedLow}, check: "contact", state: No, found: "the line is high, so the contact is open", remedy: "--closed high"},
		{name: "interrupter", plan: Plan{Line: "DIAL", Closed: pulse.ClosedLow, Kind: pulse.KindInterrupter}, check: "contact", state: CannotTell, found: "either way"},
		{name: "moving", src: hwtest.Script(hwtest.Times(5)), check: "contact", state: CannotTell, found: "it moves", remedy: "rests"},
		{name: "not readable", src: hwtest.Script(hwtest.Fail(errors.New("x"))), check: "contact", state: CannotTell, found: "could not be read"},
		{name: "jiffies", files: with(clock, "jiffies"), check: "clock source", state: No, found: "milliseconds at best"},
		{name: "no clock source told", files: with(clock, ""), check: "clock source", state: CannotTell},
		{name: "unsynchronised", unsynchronised: true, check: "clock", state: Look, found: "within 50 ppm", remedy: "network time"},
		{name: "synchronised", check: "clock", state: OK, found: "within 1 ppm"},
		{name: "governor", files: with(governor, "ondemand\n"), check: "processor speed", state: Look, found: "governor ondemand", remedy: "echo performance"},
		{name: "two governors", files: with("sys/devices/system/cpu/cpu1/cpufreq/scaling_governor", "powersave"), check: "processor speed", state: Look, found: "performance, powersave"},
		{name: "no governor", files: with(governor, ""), check: "processor speed", state: OK, found: "fixed"},
		// Flags as Raspberry Pi documents get_throttled: bit 0 under-voltage, 1
		// capped, 2 throttled, 3 soft temperature limit; 16 to 19 the same since the
		// boot (from memory of the documentation of vcgencmd).
		{name: "under-voltage now", files: with(throttle, "50005"), check: "supply and heat", state: No, found: "the supply's voltage is too low and the processor is throttled"},
		{name: "under-voltage before", files: with(throttle, "50000"), check: "supply and heat", state: Look, found: "since the boot", remedy: "stronger supply"},
		{name: "hot now", files: with(throttle, "0x80008"), check: "supply and heat", state: Look, found: "the soft temperature limit is reached"},
		{name: "no throttling", check: "supply and heat", state: OK, found: "no under-voltage, no throttling"},
		{name: "alarm of the supply", files: map[string]string{"sys/class/hwmon/hwmon3/name": "rpi_volt\n", "sys/class/hwmon/hwmon3/in0_lcrit_alarm": "1\n"}, check: "supply and heat", state: No, found: "too low"},
		{name: "no alarm of the supply", files: map[string]string{"sys/class/hwmon/hwmon3/name": "rpi_volt\n", "sys/class/hwmon/hwmon3/in0_lcrit_alarm": "0\n"}, check: "supply and heat", state: OK, found: "no under-voltage now"},
		{name: "another sensor", files: map[string]string{"sys/class/hwmon/hwmon3/name": "cpu_thermal\n", "sys/class/hwmon/hwmon3/in0_lcrit_alarm": "1\n"}, check: "supply and heat", state: CannotTell, found: "does not tell"},
		{name: "little space", free: 50e6, check: "free space", state: Look, found: "50 MB in ."},
		{name: "no space", free: 1e6, check: "free space", state: No, found: "1 MB in ."},
		{name: "no such place", freeErr: fs.ErrNotExist, check: "free space", state: No, found: ".: file does not exist", remedy: "--at"},
		{name: "in use", line: used, open: &hw.OpError{Op: "open line", Err: hw.ErrBusy}, check: "line", state: No, found: "line is in use"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if c.files == nil {
					c.files = good
				}
				if c.line.Name == "" {
					c.line = dial
				}
				if c.plan.Line == "" {
					c.plan.Line = "DIAL"
				}
				if c.plan.Kind == pulse.KindAuto {
					c.plan.Kind = pulse.KindDial
				}
				c.plan.Dir = "."
				if c.src == nil {
					c.src = resting
				}
				if c.release == "" {
					c.release = "6.12.0"
				}
				if c.free == 0 {
					c.free = 10e9
				}
				files := fstest.MapFS{}
				for name, text := range c.files {
					files[name] = &fstest.MapFile{Data: []byte(text)}
				}
				pc := &Computer{
					Files: files,
					Lines: func() (*hw.Inventory, error) {
						if c.lines != nil {
							return nil, c.lines
						}
						return hwtest.Inventory(c.line), nil
					},
					Open:       func(hw.LineRef, hw.InputOptions) (hw.Live, error) { return c.src, c.open },
					Discipline: func() (hw.Discipline, error) { return hw.Discipline{Synchronised: !c.unsynchronised}, nil },
					Release:    func() (string, error) { return c.release, nil },
					Free:       func(string) (int64, error) { return c.free, c.freeErr },
				}
				before := c.src.Closed.Load()
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				told := false
				for _, k := range pc.Checks(ctx, c.plan) {
					told = told || k.Check == c.check
					switch {
					case k.Check == c.check && (k.State != c.state || !strings.Contains(k.Found, c.found) || !strings.Contains(k.Remedy, c.remedy)):
						t.Errorf("%+v", k)
					case k.Check != c.check && k.State == No && c.check != "contact" && c.check != "kernel" && c.lines == nil:
						t.Errorf("%s failed too: %+v", k.Check, k)
					case k.State == No && k.Remedy == "" && k.Found == "":
						t.Errorf("nothing is said: %+v", k)
					}
				}
				if !told {
					t.Errorf("nothing is told of the %s", c.check)
				}
				if opened := c.open == nil && !c.line.Output && c.lines == nil && c.plan.Line == "DIAL"; opened && c.src.Closed.Load() != before+1 {
					t.Error("the line was not given back")
				}
			})
		})
	}
}
