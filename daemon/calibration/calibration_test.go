package calibration

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// made is an invented calibration.
func made() *Calibration {
	return &Calibration{
		At:      time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC),
		Board:   Board{"Marrow Quay computer", "0123"},
		Line:    Line{Label: "pinctrl-rp1", Offset: 17, Name: "GPIO17", Closed: "high", Bias: "pull-up"},
		Sender:  Line{Label: "pinctrl-rp1", Offset: 27, Name: "GPIO27", Closed: "low"},
		Coupler: "bench coupler 3, 10 kΩ",
		Result: &pulse.Loopback{
			EdgeNoise: pulse.Known(8e3), Asymmetry: pulse.Known(42e3), AsymmetryU: pulse.Known(300),
			Lengths: []pulse.LoopbackLength{{BreakMS: 20, N: 100, ErrorNS: -42e3, SE: pulse.Known(400)}},
		},
	}
}

func TestSaveAndLoad(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "state", "of [a] user")
	c := made()
	file, err := c.Save(dir)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Load(dir, Line{Label: "pinctrl-rp1", Offset: 17})
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(c, got); d != "" {
		t.Error(d)
	}
	if _, err := Load(dir, Line{Label: "pinctrl-rp1", Offset: 18}); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("another line: %v", err)
	}
	c.Coupler = "another"
	if again, err := c.Save(dir); err != nil || again != file {
		t.Errorf("saved again as %s, %v", again, err)
	}
	all, err := All(dir)
	if err != nil || len(all) != 1 || all[0].Coupler != "another" {
		t.Errorf("all: %v, %v", all, err)
	}
	entries, _ := os.ReadDir(dir)
	if len(entries) != 1 {
		t.Errorf("left behind: %v", entries)
	}
	if all, err := All(filepath.Join(dir, "none")); err != nil || all != nil {
		t.Errorf("no folder: %v, %v", all, err)
	}
	// A label is no way out of the folder.
	c.Line.Label = "../../x"
	if file, err := c.Save(dir); err != nil || filepath.Dir(file) != dir {
		t.Errorf("saved as %s, %v", file, err)
	}
}

func TestLoadRefuses(t *testing.T) {
	dir := t.TempDir()
	file, err := made().Save(dir)
	if err != nil {
		t.Fatal(err)
	}
	b, _ := os.ReadFile(file)
	good := string(b)
	for name, c := range map[string]struct{ text, says string }{
		"cut":            {good[:len(good)/2], "unexpected EOF"},
		"empty":          {"", "EOF"},
		"another key":    {strings.Replace(good, `"coupler"`, `"couple"`, 1), `unknown field "couple"`},
		"format":         {strings.Replace(good, "calibration/1", "calibration/2", 1), `expected "makebreak.calibration/1"`},
		"two":            {good + good, "more than one object"},
		"no date":        {strings.Replace(good, "2026-03-01T12:00:00Z", "0001-01-01T00:00:00Z", 1), "expected a date"},
		"polarity":       {strings.Replace(good, `"closed": "high"`, `"closed": "up"`, 1), "expected high or low"},
		"no noise":       {strings.Replace(good, `"edge_noise_ns": 8000`, `"edge_noise_ns": null`, 1), "expected edge_noise_ns"},
		"negative u":     {strings.Replace(good, `"asymmetry_u_ns": 300`, `"asymmetry_u_ns": -300`, 1), "expected edge_noise_ns"},
		"absurd":         {strings.Replace(good, `"asymmetry_ns": 42000`, `"asymmetry_ns": 1e12`, 1), "expected edge_noise_ns"},
		"without result": {`{"format":"makebreak.calibration/1","at":"2026-03-01T12:00:00Z","line":{"closed":"low"},"sender":{"closed":"low"}}`, "result: expected"},
	} {
		if c.text == good {
			t.Fatalf("%s: the test changes nothing", name)
		}
		if err := os.WriteFile(file, []byte(c.text), 0o644); err != nil {
			t.Fatal(err)
		}
		if _, err := Load(dir, Line{Label: "pinctrl-rp1", Offset: 17}); err == nil || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), file) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestCheck(t *testing.T) {
	c := made()
	later := c.At.Add(24 * time.Hour)
	for name, k := range map[string]struct {
		change func(*Board, *Line)
		now    time.Time
		want   Fitness
	}{
		"fits":        {now: later},
		"name apart":  {change: func(_ *Board, l *Line) { l.Name = "P1_11" }, now: later},
		"old":         {now: c.At.Add(181 * 24 * time.Hour), want: Fitness{Stale: true, Why: "it is 181 days old, more than 180"}},
		"not old yet": {now: c.At.Add(180 * 24 * time.Hour)},
		"from 1970":   {now: time.Unix(0, 0), want: Fitness{Stale: true, Why: "it is dated after now, so the computer's date is wrong or was"}},
		"serial": {change: func(b *Board, _ *Line) { b.Serial = "4567" }, now: later,
			want: Fitness{Foreign: true, Why: "it was made for another board: 0123, not 4567"}},
		"model": {change: func(b *Board, _ *Line) { b.Model = "" }, now: later,
			want: Fitness{Foreign: true, Why: "it was made for another board: Marrow Quay computer, not none"}},
		"offset": {change: func(_ *Board, l *Line) { l.Offset = 18 }, now: later,
			want: Fitness{Foreign: true, Why: "it was made for another line: pinctrl-rp1:17, not pinctrl-rp1:18"}},
		"adapter, not kept then": {change: func(_ *Board, l *Line) { l.Device = "usb 1209:0001 serial A" }, now: later},
		"polarity": {change: func(_ *Board, l *Line) { l.Closed = "low" }, now: later,
			want: Fitness{Foreign: true, Why: "it was made for another polarity: closed when high, not when low"}},
		"pull": {change: func(_ *Board, l *Line) { l.Bias = "as is" }, now: later,
			want: Fitness{Foreign: true, Why: "it was made for another pull resistor: pull-up, not as is"}},
		"foreign and old": {change: func(b *Board, _ *Line) { b.Serial = "4567" }, now: later.Add(1e4 * time.Hour),
			want: Fitness{Foreign: true, Why: "it was made for another board: 0123, not 4567"}},
	} {
		board, line := c.Board, c.Line
		if k.change != nil {
			k.change(&board, &line)
		}
		if d := cmp.Diff(k.want, c.Check(board, line, k.now, DefaultMaxAge)); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

func TestApply(t *testing.T) {
	s := pulse.DefaultSetup()
	made().Apply(&s)
	const from = "loopback calibration of 2026-03-01"
	want := pulse.Setup{
		EdgeNoiseNS: 8e3, EdgeNoiseFrom: from, EdgeNoiseA: true,
		AsymmetryNS: 42e3, AsymmetryUNS: 300, AsymmetryFrom: from, AsymmetryA: true,
		ClockRel: s.ClockRel, ClockFrom: s.ClockFrom,
	}
	if d := cmp.Diff(want, s); d != "" {
		t.Error(d)
	}
	if got, want := made().String(), `of 2026-03-01 through "bench coupler 3, 10 kΩ": asymmetry 42.0 ± 0.6 µs (k = 2), edge noise 8.0 µs`; got != want {
		t.Errorf("%s", got)
	}
}

func TestDir(t *testing.T) {
	for _, c := range []struct{ state, home, want string }{
		{"/state", "/home/x", "/state/makebreak/calibration"},
		{"", "/home/x", "/home/x/.local/state/makebreak/calibration"},
		{"relative", "/home/x", "/home/x/.local/state/makebreak/calibration"},
		{"", "", ""},
	} {
		got, err := Dir(func(k string) string { return map[string]string{"XDG_STATE_HOME": c.state, "HOME": c.home}[k] })
		if got != c.want || (err == nil) != (c.want != "") {
			t.Errorf("%+v: %q, %v", c, got, err)
		}
	}
}

// What Load would refuse is not saved, and does not replace what is there.
func TestSaveRefusesWhatLoadWould(t *testing.T) {
	dir := t.TempDir()
	c := &Calibration{At: time.Now(), Line: Line{Closed: "high"}, Sender: Line{Closed: "high"}, Result: &pulse.Loopback{
		EdgeNoise: pulse.Known(1e3), AsymmetryU: pulse.Known(1e3), Asymmetry: pulse.Known(2e8)}}
	if file, err := c.Save(dir); err == nil {
		t.Errorf("a coupler that takes 0.2 s was saved in %s", file)
	}
	if all, err := All(dir); err != nil || len(all) != 0 {
		t.Errorf("%d calibrations, %v", len(all), err)
	}
}

// Two adapters of one make keep a calibration each.
func TestDevices(t *testing.T) {
	dir := t.TempDir()
	line := Line{Label: "adapter", Offset: 3, Closed: "high", Bias: "pull-up"}
	of := func(device string) Line { l := line; l.Device = device; return l }
	look := func(device string) (coupler, why string, err error) {
		k, fit, err := For(dir, made().Board, of(device), made().At, DefaultMaxAge)
		if k == nil {
			return "", fit.Why, err
		}
		return k.Coupler, fit.Why, err
	}
	save := func(device, coupler string) {
		t.Helper()
		c := made()
		c.Line, c.Coupler = of(device), coupler
		if _, err := c.Save(dir); err != nil {
			t.Fatal(err)
		}
	}
	const a, b = "usb 1209:0001 serial A", "usb 1209:0001 socket 1-1.4"
	expect := func(device, coupler, why string) {
		t.Helper()
		if c, w, err := look(device); c != coupler || w != why || err != nil {
			t.Errorf("%q: %q, %q, %v", device, c, w, err)
		}
	}
	expect(a, "", "")
	if err := os.WriteFile(filepath.Join(dir, "other-7.json"), nil, 0o644); err != nil { // no matter of this line
		t.Fatal(err)
	}
	save(a, "of A")
	expect(a, "of A", "")
	expect("", "of A", "")
	expect(b, "of A", "it was made for another adapter: usb 1209:0001 serial A, not usb 1209:0001 socket 1-1.4")
	save(b, "of B")
	expect(a, "of A", "")
	expect(b, "of B", "")
	if c, _, err := look(""); c != "" || err == nil || !strings.Contains(err.Error(), "for 2 devices") {
		t.Errorf("either: %q, %v", c, err)
	}
	save("", "made before")
	expect(a, "of A", "")
	expect("usb 1209:0001 serial C", "made before", "")
	expect("", "made before", "")
}

func TestDeviceOf(t *testing.T) {
	root := t.TempDir()
	for name, text := range map[string]string{
		"sys/devices/pci0/usb1/idVendor":           "1d6b\n", // the root hub
		"sys/devices/pci0/usb1/1-1/idVendor":       "1209\n",
		"sys/devices/pci0/usb1/1-1/idProduct":      "0001\n",
		"sys/devices/pci0/usb1/1-1/serial":         "A7 \n",
		"sys/devices/pci0/usb1/1-1/1-1:1.0/x":      "",
		"sys/devices/pci0/usb1/1-2/idVendor":       "1209\n",
		"sys/devices/pci0/usb1/1-2/idProduct":      "0001\n",
		"sys/devices/pci0/usb1/1-2/1-2:1.0/0003/x": "",
		"sys/devices/platform/1f000d0000.gpio/x":   "",
		"sys/bus/gpio/devices/x":                   "",
	} {
		path := filepath.Join(root, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o755), os.WriteFile(path, []byte(text), 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	for chip, c := range map[string]struct{ place, want string }{
		"gpiochip0": {"platform/1f000d0000.gpio", ""},
		"gpiochip1": {"pci0/usb1/1-1/1-1:1.0", "usb 1209:0001 serial A7"},
		"gpiochip2": {"pci0/usb1/1-2/1-2:1.0/0003", "usb 1209:0001 socket 1-2"},
		"gpiochip9": {},
	} {
		if c.place != "" {
			device := filepath.Join(root, "sys/devices", c.place, chip)
			link := filepath.Join(root, "sys/bus/gpio/devices", chip)
			if err := errors.Join(os.Mkdir(device, 0o755), os.Symlink("../../../devices/"+c.place+"/"+chip, link)); err != nil {
				t.Fatal(err)
			}
		}
		if got := DeviceOf(root, chip); got != c.want {
			t.Errorf("%s: %q, want %q", chip, got, c.want)
		}
	}
}
