package command

import (
	"bytes"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/calibration"
	"makebreak/daemon/config"
	"makebreak/daemon/loop"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
)

// Before a line is driven a person is told how it is left.
func TestWarnDriving(t *testing.T) {
	for _, c := range []struct {
		idle   pulse.Level
		closed pulse.Polarity
		want   string
	}{
		{pulse.Low, pulse.ClosedHigh, "the line is low, the contact open\n"},
		{pulse.Low, pulse.ClosedLow, "the line is low, the contact closed\n"},
		{pulse.High, pulse.ClosedHigh, "the line is high, the contact closed\n"},
	} {
		var b bytes.Buffer
		(&shell{stderr: &b}).warnDriving("GPIO27", hw.LineRef{Chip: "gpiochip0", Offset: 27}, 3e9, c.idle, c.closed, "dial digits=1")
		if !strings.HasPrefix(b.String(), "makebreak: driving GPIO27 (gpiochip0:27) for about 3.000 s: dial digits=1; Ctrl-C stops it") || !strings.HasSuffix(b.String(), c.want) {
			t.Errorf("%q", b.String())
		}
	}
}

func TestValues(t *testing.T) {
	for _, c := range []struct {
		text string
		want values
	}{
		{"8:12:0.5", values{8, 8.5, 9, 9.5, 10, 10.5, 11, 11.5, 12}},
		{"50:51:0.1", values{50, 50.1, 50.2, 50.3, 50.4, 50.5, 50.6, 50.7, 50.8, 50.9, 51}},
		{"10:10:1", values{10}}, {"9,10,11.5", values{9, 10, 11.5}}, {"7", values{7}},
		{"", nil}, {"10,9", nil}, {"9,9", nil}, {"9:8:1", nil}, {"8:12:0", nil}, {"8:12:-1", nil}, {"8:12:1e-9", nil},
		{"8:12", nil}, {"8:x:1", nil}, {"NaN", nil}, {"1:NaN:1", nil}, {"Inf", nil},
	} {
		var v values
		err := v.UnmarshalText([]byte(c.text))
		if (err == nil) != (c.want != nil) || err == nil && !cmp.Equal(v, c.want) {
			t.Errorf("%q: %v, %v", c.text, v, err)
		}
	}
}

// The page of a margin is no wider than others.
func TestMarginPage(t *testing.T) {
	for name, c := range map[string]struct{ rates, breaks, gaps, limits string }{
		"wide":  {"7:13:0.5", "45:80:2.5", "", "jp-exchange-10pps"},
		"small": {"8,10,12", "50,60,70", "", ""},
		"fine":  {"7:14:0.25", "40:80:1", "", "au-s002-dial"},
		"gaps":  {"8:12:1", "45:75:5", "200,600", "jp-exchange-10pps"},
		"one":   {"10", "40:80:2", "", "uk-gpo-dial-accept"},
	} {
		g := pulse.MarginGrid{Repeats: 2}
		for v, text := range map[*[]float64]string{&g.RatesPPS: c.rates, &g.BreakPercents: c.breaks, &g.GapsMS: c.gaps} {
			if err := (*values)(v).UnmarshalText([]byte(text)); err != nil && text != "" {
				t.Fatal(err)
			}
		}
		run := loop.NewMarginRun(loop.MarginSettings{Grid: g, Pulses: 5, Out: "GPIO27", In: "GPIO17", WithinNS: 1e9})
		for i := range run.Cells[:len(run.Cells)*3/4] { // invented
			run.Cells[i].Tries, run.Cells[i].Right = 2, i%3
			run.Made += 2
		}
		var profile *pulse.Profile
		if c.limits != "" {
			var err error
			if profile, err = config.Profile(c.limits); err != nil {
				t.Fatal(err)
			}
		}
		page := report.OfMargin(run, profile, true).String()
		if !strings.Contains(page, "INCOMPLETE: stopped by you after ") {
			t.Errorf("%s: not said to be incomplete:\n%s", name, page)
		}
		for line := range strings.Lines(page) {
			if utf8.RuneCountInString(strings.TrimSuffix(line, "\n")) > report.PageWidth {
				t.Errorf("%s: too wide: %s", name, line)
			}
		}
	}
}

// The words of a calibration that is refused tell what to look at.
func TestRefusalText(t *testing.T) {
	known := pulse.Known(1)
	for _, c := range []struct {
		r    pulse.Loopback
		says string
	}{
		{pulse.Loopback{Sent: 801}, "only 0 of 801 edges came back as they should: look at the wiring, at --closed"},
		{pulse.Loopback{Sent: 801, Lost: 2, Extra: 40, AsymmetryU: known, EdgeNoise: known}, "2 edges were lost and 40 too many, of 801: the chain does not follow"},
		// A hundredth of the edges may be lost or doubled.
		{pulse.Loopback{Sent: 800, Lost: 8, AsymmetryU: known, EdgeNoise: known}, ""},
	} {
		if got := report.Refusal(&c.r); !strings.HasPrefix(got, c.says) || c.says == "" && got != "" {
			t.Errorf("%+v: %q", c.r, got)
		}
	}
}

// A recording is begun where it may be, and nowhere else.
func TestNewRecorder(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.csv")
	for range 2 { // the second time it replaces the first
		r, err := newRecorder(path, true, nil)
		if err != nil {
			t.Fatal(err)
		}
		if err := r.Close(); err != nil {
			t.Fatal(err)
		}
	}
	for name, says := range map[string]string{
		path:                              "--record " + path + ": the file exists: choose another name, or give --force",
		filepath.Join(dir, "x.txt"):       "expected a name that ends in .csv or .vcd",
		filepath.Join(dir, "no", "x.csv"): "cannot write there: no such file or directory",
		dir + "/.csv/":                    "expected a name",
	} {
		if _, err := newRecorder(name, false, nil); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestCalibratePage(t *testing.T) {
	k := &loop.Calibrated{Saved: "/state/x.json", Sending: hw.PlayReport{Scheduling: "as the test has it"}, Calibration: &calibration.Calibration{
		At: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Coupler: "board 3, 10 kΩ",
		Line:   calibration.Line{Label: "pinctrl-rp1", Offset: 17, Name: "GPIO17", Closed: "high", Bias: "as is"},
		Sender: calibration.Line{Label: "pinctrl-rp1", Offset: 27, Name: "GPIO27", Closed: "high"},
		Result: &pulse.Loopback{Sent: 802, Openings: 401, Closings: 401, EdgeNoise: pulse.Known(5e3), Asymmetry: pulse.Known(45123), AsymmetryU: pulse.Known(240),
			Linearity: pulse.Known(100), LinearityU: pulse.Known(5), DriftNSPerS: pulse.Known(-1), DriftU: pulse.Known(2), DelayOpen: pulse.Known(75e3), DelayClose: pulse.Known(30e3),
			Lengths: []pulse.LoopbackLength{{BreakMS: 10, N: 40, ErrorNS: -45e3, SE: pulse.Known(1e3)}}},
	}}
	page := report.OfCalibrated(k).String()
	for _, want := range []string{"CALIBRATED\n", "asymmetry      +45.12  ± 0.48", "edge noise       5.00", "The error of a break depends on its length", "Saved as /state/x.json"} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q in\n%s", want, page)
		}
	}
	if strings.Contains(page, "drifted") {
		t.Errorf("a drift that is none:\n%s", page)
	}
	for line := range strings.Lines(page) {
		if utf8.RuneCountInString(strings.TrimSuffix(line, "\n")) > report.PageWidth {
			t.Errorf("too wide: %s", line)
		}
	}
}
