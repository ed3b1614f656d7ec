package command

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A record has the figures of the measurement document, in each format: of every limit
// the worst value and its uncertainty, and the overall rate and percent break.
func TestReportFigures(t *testing.T) {
	dir := t.TempDir()
	for _, source := range []struct {
		name string
		args []string
	}{
		{"dial", []string{"sim:dial,digits=1234567890,rate=9.3,bounce-close=3:0.7ms,jitter=0.3ms,seed=2", "--limits", "au-s002-dial"}},
		{"cam", []string{"sim:cam,ipm=60,cycles=200,jitter=0.4ms,seed=3", "--limits", "us-fcc-busy"}},
	} {
		status, out, errs := runCommand(t.Context(), nil, append([]string{"measure", "--json"}, source.args...)...)
		var m pulse.Measurement
		if err := json.Unmarshal([]byte(out), &m); status == StatusWrong || err != nil {
			t.Fatal(status, errs, err)
		}
		var want []string
		for _, it := range m.Conformity.Items {
			if it.Observed.OK && it.ExpandedU.OK {
				d := figure.Decimals(it.ExpandedU.V)
				want = append(want, figure.Fixed(it.ExpandedU.V, d))
				if !pulse.OnLimit(it.Observed.V, it.Limit) && figure.Fixed(it.Observed.V, d) != figure.Fixed(it.Limit, d) {
					want = append(want, figure.Fixed(it.Observed.V, d))
				}
			}
		}
		if d := m.Dial; d != nil {
			want = append(want, d.Digits[:5], figure.Fixed(d.RatePPS.Overall.V, figure.Decimals(m.Uncertainty[pulse.RatePPS].Overall.V)))
		}
		if len(want) < 4 {
			t.Fatalf("%s: %q", source.name, want)
		}
		for _, ending := range []string{".html", ".md", ".pdf"} {
			file := filepath.Join(dir, source.name+ending)
			if got, _, errs := runCommand(t.Context(), nil, append([]string{"report", "--out", file}, source.args...)...); got != status || errs != "" {
				t.Fatalf("status %d, measure's is %d: %s", got, status, errs)
			}
			text, err := os.ReadFile(file)
			if ending == ".pdf" {
				path, missing := exec.LookPath("pdftotext")
				if missing != nil {
					if os.Getenv("MAKEBREAK_TESTS") == "require" {
						t.Error(missing)
					}
					continue // the other tests of the format say that they skip
				}
				text, err = exec.Command(path, "-layout", file, "-").Output()
			}
			if err != nil {
				t.Fatal(err)
			}
			for _, w := range want {
				if !strings.Contains(string(text), w) {
					t.Errorf("%s: no %s", filepath.Base(file), w)
				}
			}
		}
	}
}

// Ctrl-C leaves no file, also none of those that are written on the way.
func TestReportInterrupted(t *testing.T) {
	for _, ending := range []string{".html", ".md", ".pdf"} {
		dir := t.TempDir()
		ctx, stop := context.WithTimeout(t.Context(), 50*time.Millisecond)
		defer stop()
		status, out, errs := runCommand(ctx, nil, "report", "sim:dial,repeat=100000000", "--out", filepath.Join(dir, "x"+ending))
		left, err := os.ReadDir(dir)
		if status != StatusWrong || out != "" || !strings.Contains(errs, "nothing was written") || err != nil || len(left) > 0 {
			t.Errorf("status %d: %s%s%v %v", status, out, errs, left, err)
		}
	}
}

// Drawings that cannot get their name leave nothing of the record behind.
func TestMarkdownTogether(t *testing.T) {
	dir := t.TempDir()
	taken := filepath.Join(dir, "x-3.svg")
	if err := os.WriteFile(taken, []byte("another"), 0o666); err != nil {
		t.Fatal(err)
	}
	status, _, errs := runCommand(t.Context(), nil, "report", "sim:dial,digits=123,jitter=0.2ms", "--limits", "au-s002-dial", "--out", filepath.Join(dir, "x.md"))
	left, err := os.ReadDir(dir)
	if status != StatusWrong || err != nil || len(left) != 1 || !strings.Contains(errs, "x-3.svg: the file exists") {
		t.Errorf("status %d: %s %v %v", status, errs, slices.Collect(func(yield func(string) bool) {
			for _, e := range left {
				yield(e.Name())
			}
		}), err)
	}
}
