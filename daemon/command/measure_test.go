package command

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// noEnv is an environment without anything but a time zone, so that no test depends
// on that of the computer.
func noEnv(name string) string {
	if name == "TZ" {
		return "UTC"
	}
	return ""
}

// runCommand runs a command line in the process.
func runCommand(ctx context.Context, stdin io.Reader, args ...string) (status int, stdout, stderr string) {
	var out, errs strings.Builder
	status = Run(ctx, args, stdin, &out, &errs, noEnv)
	return status, out.String(), errs.String()
}

func csvOf(t testing.TB, desc string) []byte {
	t.Helper()
	var b bytes.Buffer
	w := hw.NewCSVWriter(&b, hw.CSVOptions{})
	if err := w.Write(hwtest.Sim(t, desc)); err != nil {
		t.Fatal(err)
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// halfway gives its data, then stops giving anything, tells so and waits.
type halfway struct {
	data    *bytes.Reader
	drained func()
	wait    <-chan struct{}
}

func (h *halfway) Read(b []byte) (int, error) {
	if h.data.Len() > 0 {
		return h.data.Read(b)
	}
	h.drained()
	<-h.wait
	return 0, io.EOF
}

// An interrupted measurement shows what it has, says so and does not pass;
// what a program reads is not written at all.
func TestInterrupted(t *testing.T) {
	data := csvOf(t, "dial digits=1234567890 rate=10 break=65 gap=800ms")
	table := filepath.Join(t.TempDir(), "rows.csv")
	for _, c := range []struct {
		name       string
		args       []string
		data       []byte
		status     int
		out, errs  string
		outIsEmpty bool
	}{
		{name: "page", args: []string{"measure", "-"}, data: data, status: StatusNotMeasured, out: "INCOMPLETE: stopped by you after 110 edges"},
		{name: "pass", args: []string{"measure", "-", "--limits", "au-s002-dial"}, data: data, status: StatusNotMeasured, out: "Because stopped by you after 110 edges."},
		{name: "fail", args: []string{"measure", "-", "--limits", "us-1956-dial-late"}, data: data, status: StatusOutOfLimits, out: "OUT OF LIMITS"},
		{name: "JSON", args: []string{"measure", "-", "--json"}, data: data, status: StatusWrong, errs: "stopped by you after 110 edges: nothing was written", outIsEmpty: true},
		{name: "table", args: []string{"measure", "-", "--table", table}, data: data, status: StatusWrong, errs: "nothing was written", outIsEmpty: true},
		{name: "nothing yet", args: []string{"measure", "-"}, data: []byte("time_ns,level\n"), status: StatusWrong, errs: "stopped by you after 0 edges", outIsEmpty: true},
	} {
		t.Run(c.name, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			wait := make(chan struct{})
			defer close(wait)
			status, stdout, stderr := runCommand(ctx, &halfway{bytes.NewReader(c.data), cancel, wait}, c.args...)
			if status != c.status || !strings.Contains(stdout, c.out) || !strings.Contains(stderr, c.errs) || c.outIsEmpty != (stdout == "") {
				t.Errorf("status %d, want %d; standard error %q; standard output:\n%s", status, c.status, stderr, stdout)
			}
			if left, _ := filepath.Glob(filepath.Join(filepath.Dir(table), "*")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
			if left, _ := filepath.Glob(filepath.Join(filepath.Dir(table), ".*.part")); len(left) > 0 {
				t.Errorf("left behind: %v", left)
			}
		})
	}
}

// The uncertainty flags reach the budget.
func TestSetup(t *testing.T) {
	data := csvOf(t, "dial digits=55 rate=10 break=60 gap=800ms")
	measure := func(args ...string) *pulse.Measurement {
		t.Helper()
		status, stdout, stderr := runCommand(t.Context(), bytes.NewReader(data), append([]string{"measure", "-", "--json"}, args...)...)
		if status != StatusOK || stderr != "" {
			t.Fatalf("status %d: %s", status, stderr)
		}
		m := new(pulse.Measurement)
		if err := json.Unmarshal([]byte(stdout), m); err != nil {
			t.Fatal(err)
		}
		return m
	}
	// Two independent edges of 30 µs each, all else nothing: 30·√2 µs, k = 2.
	m := measure("--edge-noise", "30us", "--asymmetry-u", "0s", "--clock-error", "0ppm")
	if got := m.Uncertainty[pulse.BreakMS].Expanded.V; got < 0.08485 || got > 0.08486 {
		t.Errorf("expanded uncertainty of a break: %v ms, want 0.08485", got)
	}
	// A chain that shows makes 2 ms too long lengthens the breaks by that.
	m = measure("--asymmetry", "2ms")
	if got := m.Dial.BreakMS.Mean.V; got != 62 {
		t.Errorf("corrected break: %v ms, want 62", got)
	}
	if got := m.Dial.RatePPS.Overall.V; got != 10 {
		t.Errorf("rate: %v pps, want 10", got)
	}
	// 1 % of 100 ms, all else nothing.
	m = measure("--edge-noise", "0s", "--asymmetry-u", "0s", "--clock-error", "1%")
	if got := m.Uncertainty[pulse.RatePPS].Expanded.V; got < 0.19999 || got > 0.20001 {
		t.Errorf("expanded uncertainty of the rate: %v pps, want 0.2", got)
	}
}

// A step of the recorded times is part of the uncertainty.
func TestResolution(t *testing.T) {
	m := new(pulse.Measurement)
	_, stdout, _ := runCommand(t.Context(), strings.NewReader("time_s,level\n1.000,0\n1.060,1\n1.100,0\n1.160,1\n"), "measure", "-", "--json",
		"--edge-noise", "0s", "--asymmetry-u", "0s", "--clock-error", "0ppm")
	if err := json.Unmarshal([]byte(stdout), m); err != nil {
		t.Fatal(err)
	}
	// Two edges, each rectangular over 1 ms (JCGM 100:2008, 4.3.7): 2·√2·1/√12 ms.
	if got := m.Uncertainty[pulse.BreakMS].Expanded.V; got < 0.8164 || got > 0.8166 {
		t.Errorf("expanded uncertainty of a break: %v ms, want 0.8165", got)
	}
}

// A stopped simulation leaves no file.
func TestSimStopped(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	dir := t.TempDir()
	status, stdout, stderr := runCommand(ctx, nil, "sim", "dial", "--out", filepath.Join(dir, "dial.csv"))
	if status != StatusWrong || stdout != "" || !strings.Contains(stderr, "stopped by you") {
		t.Errorf("status %d, %q, %q", status, stdout, stderr)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// sized is a source of a file's size, which is not read.
type sized struct {
	source
	size int64
}

func (s *sized) Size() int64      { return s.size }
func (s *sized) BytesRead() int64 { return s.size / 2 }

// Progress is shown on a terminal, of a known size, and not at once.
func TestProgress(t *testing.T) {
	var b bytes.Buffer
	for _, p := range []*progress{newProgress(&shell{stderr: &b}, &sized{size: 1000}), newProgress(&shell{stderr: &b, stderrTerminal: true}, new(sized))} {
		p.start = p.start.Add(-time.Hour)
		p.update()
		if p.bar != nil {
			t.Error("progress is shown without a terminal or a size")
		}
	}
	p := newProgress(&shell{stderr: &b, stderrTerminal: true}, &sized{size: 1000})
	p.start = p.start.Add(time.Hour)
	p.update()
	if p.bar != nil {
		t.Error("progress is shown at once")
	}
	p.start = p.start.Add(-2 * time.Hour)
	p.update()
	if p.bar == nil {
		t.Fatal("progress is not shown")
	}
	if got := p.bar.Current(); got != 500 {
		t.Errorf("progress %d, want 500", got)
	}
	p.close()
}

// failing is a full disk, or a reader that went away.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

func TestOutputFails(t *testing.T) {
	var errs strings.Builder
	status := Run(t.Context(), []string{"measure", "sim:dial,digits=123"}, nil, failing{}, &errs, noEnv)
	if want := "makebreak: write the result: no space left on device\n"; status != StatusWrong || errs.String() != want {
		t.Errorf("status %d, %q; want %d, %q", status, errs.String(), StatusWrong, want)
	}
}

func TestPrintable(t *testing.T) {
	if got, want := report.Printable("a\x1b[31mb\r\n\tc\u202ed\u00e9µ…"), "a\uFFFD[31mb\uFFFD  c\uFFFDdéµ…"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// Start to first output of a small recording: what a user waits for beside
// the start of the process itself.
func BenchmarkMeasureSmall(b *testing.B) {
	file := filepath.Join(b.TempDir(), "dial.csv")
	if err := os.WriteFile(file, csvOf(b, "dial digits=1234567890 repeat=2"), 0o600); err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if status, _, stderr := runCommand(b.Context(), nil, "measure", file, "--limits", "au-s002-dial"); status != StatusOK {
			b.Fatal(status, stderr)
		}
	}
}

// A long recording, from CSV to the page: time per edge.
func BenchmarkMeasureLong(b *testing.B) {
	file := filepath.Join(b.TempDir(), "dial.csv")
	data := csvOf(b, "dial digits=1234567890 repeat=20000")
	edges := bytes.Count(data, []byte{'\n'}) - 1
	if err := os.WriteFile(file, data, 0o600); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(data)))
	b.ReportAllocs()
	for b.Loop() {
		if status, _, stderr := runCommand(b.Context(), nil, "measure", file); status != StatusOK {
			b.Fatal(status, stderr)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*edges), "ns/edge")
}
