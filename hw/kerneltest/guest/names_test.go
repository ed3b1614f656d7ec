//go:build guest

package guest

import (
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"makebreak/hw"
)

// Each reason has its own error, and the message names what to do.
func TestRefused(t *testing.T) {
	b := newBank(t, "refused", "DIAL", "HELD=relay driver")
	refuse := func(what string, ref hw.LineRef, want error, says ...string) {
		t.Helper()
		l, err := hw.OpenInput(ref, hw.InputOptions{})
		if err == nil {
			l.Close()
			t.Errorf("%s: opened", what)
			return
		}
		t.Logf("%s: %v", what, err)
		var op *hw.OpError
		if !errors.Is(err, want) || !errors.As(err, &op) || op.Op != "open line" || op.Line != ref.String() {
			t.Errorf("%s: got %#v, want %v", what, err, want)
		}
		for _, s := range says {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%s: %q does not say %q", what, err, s)
			}
		}
		if strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: more than one line: %q", what, err)
		}
	}
	refuse("held by the kernel", b.ref(1), hw.ErrBusy, `"relay driver"`)
	l := open(t, b.ref(0), hw.InputOptions{})
	refuse("held by a program", b.ref(0), hw.ErrBusy, `"makebreak"`)
	l.Close()

	moved := b.ref(0)
	moved.Label = "another"
	refuse("renumbered chip", moved, hw.ErrNoChip, `"refused"`, `"another"`)
	missing := b.ref(0)
	missing.Offset = 2
	refuse("missing line", missing, hw.ErrNoLine, "lines 0 to 1")
	refuse("missing chip", hw.LineRef{Chip: "gpiochip99"}, hw.ErrNoChip, "/dev/gpiochip99", "makebreak lines")

	dev := "/dev/" + b.chip
	asUser := func(f func()) {
		runtime.LockOSThread()
		defer runtime.UnlockOSThread()
		if err := unix.Setfsuid(1000); err != nil {
			t.Fatal(err)
		}
		defer unix.Setfsuid(0)
		f()
	}
	asUser(func() { refuse("forbidden", b.ref(0), hw.ErrPermission, "only root", "sudo chown $USER "+dev) })
	if err := errors.Join(os.Chown(dev, 0, 986), os.Chmod(dev, 0o660)); err != nil {
		t.Fatal(err)
	}
	asUser(func() {
		refuse("forbidden to others", b.ref(0), hw.ErrPermission, dev, "group gpio", "sudo usermod -aG gpio $USER")
		if _, err := hw.Resolve("DIAL"); !errors.Is(err, hw.ErrPermission) {
			t.Errorf("name on a forbidden chip: %v", err)
		}
	})

	ref := b.ref(0)
	b.unplug(t)
	refuse("removed chip", ref, hw.ErrNoChip)
}

// Lines are found by every kind of name, and a name that means two is refused.
func TestNames(t *testing.T) {
	names := make([]string, 28)
	names[0], names[1], names[2], names[3], names[14] = "ID_SDA", "ID_SCL", "SDA1", "SCL1", "TXD1"
	for _, i := range []int{5, 17, 22} {
		names[i] = fmt.Sprint("GPIO", i)
	}
	names[23] = "HELD=relay driver"
	pi := newBank(t, "pinctrl-rp1", names...)
	north := newBank(t, "north", "DIAL", "HOOK", "", "GPIO22")
	south := newBank(t, "south", "DIAL", "TONE")
	v, err := hw.Lines()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range v.Chips {
		t.Logf("%s %q, %d lines, %v", c.Name, c.Label, c.Lines, c.Err)
	}
	for name, want := range map[string]hw.LineRef{
		"HOOK":                      north.ref(1),
		"TONE":                      south.ref(1),
		"north:DIAL":                north.ref(0),
		"south:0":                   south.ref(0),
		south.chip + ":DIAL":        south.ref(0),
		"/dev/" + north.chip + ":2": north.ref(2),
		"GPIO17":                    pi.ref(17),
		"P1_11":                     pi.ref(17),
		"GPIO6":                     pi.ref(6),
		"P1_31":                     pi.ref(6),
		"pinctrl-rp1:GPIO22":        pi.ref(22),
		"pinctrl-rp1:GPIO6":         pi.ref(6),
		"north:GPIO22":              north.ref(3),
		"P1_15":                     pi.ref(22),
	} {
		got, err := hw.Resolve(name)
		if err != nil || got != want {
			t.Errorf("%s: %+v, %v; want %+v", name, got, err, want)
			continue
		}
		l, err := hw.OpenInput(got, hw.InputOptions{})
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		l.Close()
	}
	for name, c := range map[string]struct {
		want error
		says []string
	}{
		"DIAL":    {hw.ErrAmbiguous, []string{north.chip + ":0 (chip north)", south.chip + ":0 (chip south)"}},
		"GPIO22":  {hw.ErrAmbiguous, []string{pi.chip + ":22 (chip pinctrl-rp1)", north.chip + ":3 (chip north)"}},
		"hook":    {hw.ErrNoLine, []string{`did you mean "HOOK"?`}},
		"P1_1":    {hw.ErrNoLine, []string{"3.3V"}},
		"GPIO99":  {hw.ErrNoLine, []string{"makebreak lines"}},
		"south:2": {hw.ErrNoLine, nil},
		"":        {hw.ErrNoLine, nil},
	} {
		_, err := hw.Resolve(name)
		t.Log(err)
		if !errors.Is(err, c.want) {
			t.Errorf("%q: %v", name, err)
			continue
		}
		for _, s := range c.says {
			if !strings.Contains(err.Error(), s) {
				t.Errorf("%q: %q does not say %q", name, err, s)
			}
		}
	}
	for name, want := range map[string]string{
		"P1_11": "", "HOOK": "", "P1_16": `in use by "relay driver"`,
		"P1_3": "I2C", "P1_5": "I2C", "P1_27": "EEPROM", "P1_28": "EEPROM",
	} {
		l, err := v.Resolve(name)
		if err != nil || (l.Unfit == "") != (want == "") || !strings.Contains(l.Unfit, want) {
			t.Errorf("%s: unfit %q, %v; want %q", name, l.Unfit, err, want)
		}
	}
}
