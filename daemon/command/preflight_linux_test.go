package command

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// a tree makes files below a new root.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	root := t.TempDir()
	for name, text := range files {
		path := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// inventoryOf is a made-up computer.
func inventoryOf(lines ...hw.LineInfo) *hw.Inventory {
	v := &hw.Inventory{Board: hw.Board{Model: "Marrow Quay computer"}, Chips: []hw.Chip{{Name: "gpiochip0", Label: "pinctrl-rp1", Lines: len(lines)}}}
	for i, l := range lines {
		l.Chip, l.Label, l.Offset = "gpiochip0", "pinctrl-rp1", i
		v.Lines = append(v.Lines, l)
	}
	return v
}

func TestPreflight(t *testing.T) {
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
		flags          preflightCmd
		lines          error
		open           error
		src            *hwtest.Source
		release        string
		free           int64
		freeErr        error
		unsynchronised bool

		check  string
		state  checkState
		found  string
		remedy string
	}{
		{name: "good", check: "contact", state: checkOK, found: "closed, as a dial's rests"},
		{name: "old kernel", release: "5.4.0-x", check: "kernel", state: checkNo, found: "Linux 5.4.0-x", remedy: "need Linux 5.10"},
		{name: "kernel that lacks the calls", lines: &hw.OpError{Op: "list lines", Err: hw.ErrOldKernel}, check: "kernel", state: checkNo, remedy: "need Linux 5.10"},
		{name: "new kernel", release: "10.0", check: "kernel", state: checkOK},
		{name: "no permission", lines: &hw.OpError{Op: "list lines", Err: errors.Join(hw.ErrPermission)}, check: "GPIO chips", state: checkNo, found: "no permission"},
		{name: "no such line", flags: preflightCmd{Line: "HOOK"}, check: "line", state: checkNo, found: "no such line"},
		{name: "no such line, and its name", flags: preflightCmd{Line: "HOOK"}, check: "line", state: checkNo, found: `"HOOK": no such line`},
		{name: "no line's name", flags: preflightCmd{Line: "gpiochip0/17"}, check: "line", state: checkNo, found: `"gpiochip0/17": no such line`, remedy: "did you mean gpiochip0:17? A line is named like GPIO17, P1_11"},
		{name: "no chip", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, flags: preflightCmd{Line: "GPIO17"}, check: "line", state: checkUnknown, found: `"GPIO17" cannot be looked at, for there is no chip`},
		{name: "no chip, kernel's name", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, flags: preflightCmd{Line: "gpio:HOOK"}, check: "line", state: checkUnknown, found: `"HOOK" cannot be looked at`},
		{name: "no chip, no line's name", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, flags: preflightCmd{Line: "BCM17"}, check: "line", state: checkNo, found: "nor is it a line's name", remedy: "did you mean GPIO17?"},
		{name: "no chip, blanks", lines: &hw.OpError{Op: "list lines", Err: hw.ErrNoChip}, flags: preflightCmd{Line: "pin 17"}, check: "line", state: checkNo, remedy: "a line is named like"},
		{name: "no chip may be read", lines: &hw.OpError{Op: "list lines", Err: hw.ErrPermission}, check: "line", state: checkUnknown, found: "no chip could be read"},
		{name: "busy", open: &hw.OpError{Op: "open line", Err: errors.New("x")}, check: "line", state: checkNo, found: "x"},
		{name: "unfit", line: hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Unfit: "serial console"}, check: "line", state: checkLook, found: "serial console", remedy: "take another"},
		{name: "driven", line: hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Output: true}, check: "line", state: checkLook, found: "driven as an output now"},
		{name: "driven, so not read", line: hw.LineInfo{LineRef: hw.LineRef{Name: "DIAL"}, Output: true}, check: "contact", state: checkUnknown, found: "left alone"},
		{name: "open", flags: preflightCmd{Line: "DIAL", Closed: "low"}, check: "contact", state: checkNo, found: "the line is high, so the contact is open", remedy: "--closed high"},
		{name: "interrupter", flags: preflightCmd{Line: "DIAL", Closed: "low", Kind: "interrupter"}, check: "contact", state: checkUnknown, found: "either way"},
		{name: "moving", src: hwtest.Script(hwtest.Times(5)), check: "contact", state: checkUnknown, found: "it moves", remedy: "rests"},
		{name: "not readable", src: hwtest.Script(hwtest.Fail(errors.New("x"))), check: "contact", state: checkUnknown, found: "could not be read"},
		{name: "jiffies", files: with(clock, "jiffies"), check: "clock source", state: checkNo, found: "milliseconds at best"},
		{name: "no clock source told", files: with(clock, ""), check: "clock source", state: checkUnknown},
		{name: "unsynchronised", unsynchronised: true, check: "clock", state: checkLook, found: "within 50 ppm", remedy: "network time"},
		{name: "synchronised", check: "clock", state: checkOK, found: "within 1 ppm"},
		{name: "governor", files: with(governor, "ondemand\n"), check: "processor speed", state: checkLook, found: "governor ondemand", remedy: "echo performance"},
		{name: "two governors", files: with("sys/devices/system/cpu/cpu1/cpufreq/scaling_governor", "powersave"), check: "processor speed", state: checkLook, found: "performance, powersave"},
		{name: "no governor", files: with(governor, ""), check: "processor speed", state: checkOK, found: "fixed"},
		// Flags as Raspberry Pi documents get_throttled: bit 0 under-voltage, 1
		// capped, 2 throttled, 3 soft temperature limit; 16 to 19 the same since the
		// boot (from memory of the documentation of vcgencmd).
		{name: "under-voltage now", files: with(throttle, "50005"), check: "supply and heat", state: checkNo, found: "the supply's voltage is too low and the processor is throttled"},
		{name: "under-voltage before", files: with(throttle, "50000"), check: "supply and heat", state: checkLook, found: "since the boot", remedy: "stronger supply"},
		{name: "hot now", files: with(throttle, "0x80008"), check: "supply and heat", state: checkLook, found: "the soft temperature limit is reached"},
		{name: "no throttling", check: "supply and heat", state: checkOK, found: "no under-voltage, no throttling"},
		{name: "alarm of the supply", files: map[string]string{"sys/class/hwmon/hwmon3/name": "rpi_volt\n", "sys/class/hwmon/hwmon3/in0_lcrit_alarm": "1\n"}, check: "supply and heat", state: checkNo, found: "too low"},
		{name: "no alarm of the supply", files: map[string]string{"sys/class/hwmon/hwmon3/name": "rpi_volt\n", "sys/class/hwmon/hwmon3/in0_lcrit_alarm": "0\n"}, check: "supply and heat", state: checkOK, found: "no under-voltage now"},
		{name: "another sensor", files: map[string]string{"sys/class/hwmon/hwmon3/name": "cpu_thermal\n", "sys/class/hwmon/hwmon3/in0_lcrit_alarm": "1\n"}, check: "supply and heat", state: checkUnknown, found: "does not tell"},
		{name: "little space", free: 50e6, check: "free space", state: checkLook, found: "50 MB in ."},
		{name: "no space", free: 1e6, check: "free space", state: checkNo, found: "1 MB in ."},
		{name: "no such place", freeErr: fs.ErrNotExist, check: "free space", state: checkNo, found: ".: file does not exist", remedy: "--at"},
		{name: "in use", line: used, open: &hw.OpError{Op: "open line", Err: hw.ErrBusy}, check: "line", state: checkNo, found: "line is in use"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if c.files == nil {
					c.files = good
				}
				if c.line.Name == "" {
					c.line = dial
				}
				if c.flags.Line == "" {
					c.flags.Line = "DIAL"
				}
				if c.flags.Closed == "" {
					c.flags.Closed = "high"
				}
				c.flags.At = "."
				if c.src == nil {
					c.src = resting
				}
				if c.release == "" {
					c.release = "6.12.0"
				}
				if c.free == 0 {
					c.free = 10e9
				}
				pc := &computer{
					root: tree(t, c.files),
					lines: func() (*hw.Inventory, error) {
						if c.lines != nil {
							return nil, c.lines
						}
						return inventoryOf(c.line), nil
					},
					open:       func(hw.LineRef, hw.InputOptions) (hw.Live, error) { return c.src, c.open },
					discipline: func() (hw.Discipline, error) { return hw.Discipline{Synchronised: !c.unsynchronised}, nil },
					release:    func() (string, error) { return c.release, nil },
					free:       func(string) (int64, error) { return c.free, c.freeErr },
				}
				before := c.src.Closed.Load()
				ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
				defer cancel()
				told := false
				for _, k := range c.flags.checks(ctx, pc) {
					told = told || k.Check == c.check
					switch {
					case k.Check == c.check && (k.State != c.state || !strings.Contains(k.Found, c.found) || !strings.Contains(k.Remedy, c.remedy)):
						t.Errorf("%+v", k)
					case k.Check != c.check && k.State == checkNo && c.check != "contact" && c.check != "kernel" && c.lines == nil:
						t.Errorf("%s failed too: %+v", k.Check, k)
					case k.State == checkNo && k.Remedy == "" && k.Found == "":
						t.Errorf("nothing is said: %+v", k)
					}
				}
				if !told {
					t.Errorf("nothing is told of the %s", c.check)
				}
				if opened := c.open == nil && !c.line.Output && c.lines == nil && c.flags.Line == "DIAL"; opened && c.src.Closed.Load() != before+1 {
					t.Error("the line was not given back")
				}
			})
		})
	}
}

func TestWriteLines(t *testing.T) {
	v := inventoryOf(
		hw.LineInfo{LineRef: hw.LineRef{Name: "ID_SDA"}, GPIO: "GPIO0", Header: "P1_27", Unfit: "reserved for the ID EEPROM of an add-on board"},
		hw.LineInfo{LineRef: hw.LineRef{Name: "HOOK"}, GPIO: "GPIO1", Header: "P1_3", Bias: hw.BiasPullUp},
		hw.LineInfo{LineRef: hw.LineRef{Name: "x\x1b[2J"}, Used: true, Output: true, ActiveLow: true, Consumer: "relay driver", Unfit: `in use by "relay driver"`},
	)
	v.Board.Pins = []hw.Pin{{Name: "P1_1", Signal: "3.3V", Offset: -1}, {Name: "P1_2", Signal: "5V", Offset: -1}, {Name: "P1_3", Signal: "GPIO1", Offset: 1}, {Name: "P1_4", Signal: "GROUND", Offset: -1},
		{Name: "P1_27", Signal: "GPIO0", Offset: 0}, {Name: "P1_28", Signal: "5V", Offset: -1}}
	v.Chips = append(v.Chips, hw.Chip{Name: "gpiochip1", Err: errors.New("no permission")})
	p := page{}
	writeLines(&p, v)
	want := `Board: Marrow Quay computer

Header P1: + is fit for a contact, - is not, the list tells why
                      3.3V  [ 1][ 2]  5V        
                +    GPIO1  [ 3][ 4]  GROUND    
                -    GPIO0  [27][28]  5V        

gpiochip0: pinctrl-rp1, 3 lines
     name          pin    is          pull     for a contact
  0  GPIO0 ID_SDA  P1_27  input       as is    reserved for the ID EEPROM of an
                                               add-on board
  1  GPIO1 HOOK    P1_3   input       pull-up  fit
  2  x` + "\uFFFD" + `[2J         -      output inv  as is    in use by "relay driver"

gpiochip1: no label, 0 lines
  Could not be read: no permission

` + caution
	if p.String() != want {
		t.Errorf("%s", p.String())
	}
	d := linesDocument(v)
	if d.Chips[1].Error == nil || *d.Chips[1].Error != "no permission" || d.Chips[0].Error != nil || len(d.Lines) != 3 {
		t.Errorf("%+v", d)
	}
}
