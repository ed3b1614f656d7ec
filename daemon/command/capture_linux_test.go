package command

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

func edgesOf(t *testing.T, description string) []pulse.Edge {
	t.Helper()
	spec, err := synth.Parse(description)
	if err != nil {
		t.Fatal(err)
	}
	s, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	edges := make([]pulse.Edge, 10_000)
	return edges[:s.Next(edges)]
}

// coming gives each edge so long after its time.
func coming(late time.Duration, edges ...pulse.Edge) (steps []hwtest.Step) {
	begun := time.Now()
	for _, e := range edges {
		steps = append(steps, func(ctx context.Context, buf []pulse.Edge) (int, bool, error) {
			if err := wait(ctx, time.Duration(e.At)+late-time.Since(begun)); err != nil {
				return 0, false, err
			}
			buf[0] = e
			return 1, true, nil
		})
	}
	return steps
}

// captureOf measures a script, in a bubble of synctest.
func captureOf(t *testing.T, ctx context.Context, job capture, cfg pulse.Config, level pulse.Level, steps ...hwtest.Step) (*pulse.Measurement, string, *liveLine) {
	t.Helper()
	begun := time.Now()
	src := hwtest.Script(append(steps, hwtest.Stall(nil))...)
	src.Level = level
	line := &liveLine{liveSource: src, now: func() pulse.Stamp { return pulse.Stamp(time.Since(begun)) }}
	job.line, job.con = line, newConsole(&shell{stderr: io.Discard, stderrTerminal: true, env: os.Getenv})
	if job.end == 0 {
		job.end = math.MaxInt64
	}
	setup := pulse.DefaultSetup()
	cfg.Setup = &setup
	m, stopped, err := job.run(ctx, cfg)
	if err != nil {
		t.Fatal(err)
	}
	return m, stopped, line
}

var dial = pulse.Config{Kind: pulse.KindDial}

// A capture for so many digits ends when the last train has ended, without
// another edge.
func TestCaptureDigits(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		m, stopped, line := captureOf(t, t.Context(), capture{digits: 3}, dial, pulse.High, coming(0, edgesOf(t, "dial digits=120")...)...)
		if m.Dial.Digits != "120" || stopped != "" || m.Capture.PartialEnd || m.Capture.PartialStart || line.report.Ended != "after 3 digits (--digits)" {
			t.Errorf("%+v, %q, %q", m.Dial, stopped, line.report.Ended)
		}
		last := edgesOf(t, "dial digits=120")
		if rest := time.Since(begun) - time.Duration(last[len(last)-1].At); rest < 150*time.Millisecond || rest > 150*time.Millisecond+liveMargin+liveTick {
			t.Errorf("ended %v after the last edge", rest)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		m, _, line := captureOf(t, t.Context(), capture{digits: 2}, dial, pulse.High, coming(0, edgesOf(t, "dial digits=1234")...)...)
		if m.Dial.Digits != "12" || line.report.Ended != "after 2 digits (--digits)" {
			t.Errorf("%+v", m.Dial)
		}
	})
}

func TestCaptureCycles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, _, line := captureOf(t, t.Context(), capture{cycles: 40}, pulse.Config{Kind: pulse.KindInterrupter}, pulse.High, coming(0, edgesOf(t, "cam ipm=600 cycles=100")...)...)
		if n := m.Interrupter.Cycles; n < 40 || n > 42 || line.report.Ended != "after 40 cycles (--cycles)" {
			t.Errorf("%d cycles, %q", n, line.report.Ended)
		}
	})
}

// What comes after the time asked does not count, and what comes late for it
// does.
func TestCaptureFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		edges := edgesOf(t, "dial digits=111 lead=500ms gap=500ms") // openings at 0.5, 1.0615, 1.623 s
		m, _, line := captureOf(t, t.Context(), capture{end: 1.61e9}, dial, pulse.High, coming(90*time.Millisecond, edges...)...)
		if m.Dial.Digits != "11" || m.Capture.DurationS != 1.61 || line.report.Ended != "after the time asked (--for)" || m.Capture.Edges != 4 {
			t.Errorf("%+v, %+v, %q", m.Dial, m.Capture, line.report.Ended)
		}
	})
}

// Ctrl-C gives a complete capture of what was until then.
func TestCaptureInterrupted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
		defer cancel()
		m, stopped, line := captureOf(t, ctx, capture{}, dial, pulse.High, coming(50*time.Millisecond, edgesOf(t, "dial digits=11 lead=500ms gap=400ms")...)...)
		if m.Dial.Digits != "11" || stopped != "" || line.report.Ended != "by you" || math.Abs(m.Capture.DurationS-2.05) > 0.06 {
			t.Errorf("%+v, %+v, %q", m.Dial, m.Capture, line.report.Ended)
		}
	})
}

// An edge that comes late is not overtaken: the burst that it belongs to is
// still one.
func TestCaptureLateEdges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		// A break that bounces for 3 ms. Its first edge comes at once, the others
		// only 95 ms after their times; between them the capture looks at the time.
		const at = 1050e6
		edges := []pulse.Edge{{At: at, Level: 0}, {At: at + 2e6, Level: 1}, {At: at + 3e6, Level: 0}, {At: at + 60e6, Level: 1}}
		steps := append(coming(0, edges[0]), coming(95*time.Millisecond, edges[1:]...)...)
		m, _, _ := captureOf(t, t.Context(), capture{digits: 1}, dial, pulse.High, steps...)
		if m.Settling.Bounced != 1 || m.Settling.Chatter != 0 || m.Dial.Pulses != 1 || m.Dial.BreakMS.Mean.V != 60 {
			t.Errorf("%+v, %+v", m.Settling, m.Dial)
		}
	})
}

// A line that fails for good leaves what was measured, and says so.
func TestCaptureFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		steps := append(coming(0, edgesOf(t, "dial digits=5")...),
			func(ctx context.Context, _ []pulse.Edge) (int, bool, error) { return 0, true, wait(ctx, time.Second) }, hwtest.Fail(errors.New("broken wire")))
		m, stopped, _ := captureOf(t, t.Context(), capture{}, dial, pulse.High, steps...)
		if m.Dial.Digits != "5" || stopped != "the line failed: broken wire" {
			t.Errorf("%+v, %q", m.Dial, stopped)
		}
		if got := statusOf(m, true); got != StatusNotMeasured {
			t.Errorf("status %d", got)
		}
	})
}

// The gap of an unplugged chip is in no figure.
func TestCaptureGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		edges := edgesOf(t, "dial digits=22 lead=500ms gap=3s") // ends its first train at 0.6615 s
		edges = append(edges[:4:4], append([]pulse.Edge{{At: 1e9, Level: pulse.Unknown}, {At: 2e9, Level: pulse.High}}, edges[4:]...)...)
		m, _, _ := captureOf(t, t.Context(), capture{digits: 2}, dial, pulse.High, coming(0, edges...)...)
		if m.Dial.Digits != "22" || m.Capture.Unknown != 1 || m.Capture.UnknownS != 1 || m.Dial.InterdigitMS.N != 0 {
			t.Errorf("%+v, %+v", m.Dial, m.Capture)
		}
	})
}

// The line that a person sees says what there is.
func TestConsole(t *testing.T) {
	var b bytes.Buffer
	c := newConsole(&shell{stderr: &b, stderrTerminal: true, env: func(string) string { return "" }})
	c.begin(pulse.ClosedLow, pulse.Low)
	c.train(&pulse.Train{Digit: report.Given("7"), RatePPS: pulse.Known(9.876)})
	c.train(&pulse.Train{Pulses: 12})
	c.show(12.34e9, pulse.Counts{Edges: 1234, LostEdges: 2})
	if got, want := b.String(), "\r12.3 s  1,234 edges  closed  2 lost  digits 7?  9.88 pps\x1b[K"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	c.state(errors.New("gone\x1b[2J"))
	c.state(nil)
	if got, want := b.String(), "\r\x1b[Kmakebreak: gone\uFFFD[2J\nmakebreak: the line is back\n"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	dull := newConsole(&shell{stderr: &b, stderrTerminal: true, env: func(string) string { return "dumb" }})
	dull.show(0, pulse.Counts{})
	if b.Len() > 0 {
		t.Errorf("a dumb terminal got %q", b.String())
	}
}

func reread(t *testing.T, path string) (edges []pulse.Edge) {
	t.Helper()
	src, err := hw.OpenRecordingFile(path, nil, hw.RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for buf := make([]pulse.Edge, 100); ; {
		n, err := src.ReadEdges(t.Context(), buf)
		edges = append(edges, buf[:n]...)
		if err == io.EOF || errors.Is(err, hw.ErrNoEdges) {
			return edges
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func TestRecorder(t *testing.T) {
	e := func(ms int64, l pulse.Level, lost uint32) pulse.Edge {
		return pulse.Edge{At: pulse.Stamp(ms * 1e6), Level: l, Lost: lost}
	}
	for name, c := range map[string]struct{ in, csv, vcd []pulse.Edge }{
		"plain":     {in: []pulse.Edge{e(1, 0, 0), e(2, 1, 0)}},
		"from none": {in: []pulse.Edge{e(1, 2, 0), e(2, 1, 0), e(3, 0, 0), e(4, 1, 0)}, csv: []pulse.Edge{e(3, 0, 0), e(4, 1, 0)}},
		// Lost between two edges of one level: one at least; of two levels: none or two.
		"gap, level changed": {in: []pulse.Edge{e(1, 0, 0), e(2, 1, 0), e(3, 2, 0), e(5, 0, 0), e(6, 1, 0), e(7, 0, 0)},
			csv: []pulse.Edge{e(1, 0, 0), e(2, 1, 0), e(3, 0, 0), e(5, 0, 1), e(6, 1, 0), e(7, 0, 0)}},
		"gap, level kept": {in: []pulse.Edge{e(1, 0, 0), e(2, 1, 0), e(3, 2, 0), e(5, 1, 0), e(6, 0, 0), e(7, 1, 0)},
			csv: []pulse.Edge{e(1, 0, 0), e(2, 1, 0), e(3, 0, 0), e(5, 1, 2), e(6, 0, 0), e(7, 1, 0)}},
		"two gaps": {in: []pulse.Edge{e(1, 0, 0), e(2, 1, 0), e(3, 2, 0), e(5, 1, 0), e(6, 2, 0), e(7, 1, 0), e(8, 0, 0)},
			csv: []pulse.Edge{e(1, 0, 0), e(2, 1, 0), e(3, 0, 0), e(5, 1, 2), e(6, 0, 0), e(7, 1, 2), e(8, 0, 0)}},
	} {
		for _, suffix := range []string{".csv", ".vcd"} {
			path := filepath.Join(t.TempDir(), "x"+suffix)
			r, err := newRecorder(path, false, []string{"invented"})
			if err != nil {
				t.Fatal(err)
			}
			for i := range c.in { // in pieces
				r.add(c.in[i : i+1])
			}
			if err := r.close(); err != nil {
				t.Fatal(err)
			}
			got := reread(t, path)
			for i := range got {
				got[i].Seq = 0
			}
			want := c.in
			if suffix == ".csv" && c.csv != nil {
				want = c.csv
			}
			if suffix == ".vcd" && name == "from none" {
				want = got // how it begins is the format's own affair
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("%s%s: %s", name, suffix, d)
			}
			text, _ := os.ReadFile(path)
			if gap := strings.Contains(name, "gap"); suffix == ".csv" && gap != strings.Contains(string(text), "# The line was lost at time_ns 3000000 and found at level") {
				t.Errorf("%s: %s", name, text)
			}
		}
	}
}

// Both formats of one signal give one reading, whatever was lost and wherever
// the line was away: the same figures and the same verdict.
func TestRecorderFormatsAgree(t *testing.T) {
	profile, err := config.Profile("au-s002-dial")
	if err != nil {
		t.Fatal(err)
	}
	pauses, losses := 0, 0
	for seed := range uint64(60) {
		r := rand.New(rand.NewPCG(seed, 8))
		var edges []pulse.Edge
		at, away, lost := pulse.Stamp(1e9), false, uint32(0)
		add := func(l pulse.Level) {
			switch {
			case away || r.IntN(60) == 0:
				lost++
			default:
				edges = append(edges, pulse.Edge{At: at, Level: l, Lost: lost})
				if lost > 0 {
					losses++
				}
				lost = 0
			}
		}
		for i := range 120 {
			l := pulse.Level(i & 1)
			add(l)
			for range 2 * r.IntN(3) { // bounce
				at += pulse.Stamp(1e5 + r.Int64N(15e5))
				l ^= 1
				add(l)
			}
			at += pulse.Stamp(map[pulse.Level]int64{0: 60e6, 1: 40e6}[l] + r.Int64N(2e6))
			if l == 1 && r.IntN(5) == 0 {
				at += 700e6
			}
			switch {
			case away: // found again
				edges = append(edges, pulse.Edge{At: at - pulse.Stamp(r.Int64N(20e6)), Level: l})
				away, lost = false, 0
			case len(edges) > 0 && r.IntN(20) == 0:
				edges = append(edges, pulse.Edge{At: at - pulse.Stamp(r.Int64N(20e6)), Level: pulse.Unknown})
				away = true
				pauses++
				at += pulse.Stamp(r.Int64N(2e9))
			}
		}
		edges[0].Lost = 0
		var docs []string
		for _, suffix := range []string{".csv", ".vcd"} {
			path := filepath.Join(t.TempDir(), "x"+suffix)
			w, err := newRecorder(path, false, nil)
			if err != nil {
				t.Fatal(err)
			}
			w.add(edges)
			if err := w.close(); err != nil {
				t.Fatal(err)
			}
			m, err := pulse.NewMeter(pulse.Config{Limits: profile})
			if err != nil {
				t.Fatal(err)
			}
			m.Add(reread(t, path))
			doc := m.Finish(0)
			b, _ := json.MarshalIndent([]any{doc.Dial, doc.Conformity, doc.Settling.BounceMS, doc.Settling.Transitions}, "", " ")
			docs = append(docs, string(b))
		}
		if d := cmp.Diff(docs[0], docs[1]); d != "" {
			t.Fatalf("seed %d (-csv +vcd): %s", seed, d)
		}
	}
	if pauses < 60 || losses < 60 {
		t.Errorf("%d pauses, %d losses: too few to show anything", pauses, losses)
	}
}

// Losses of the kernel keep their number.
func TestRecorderLost(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.csv")
	r, err := newRecorder(path, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	in := []pulse.Edge{{At: 1, Level: 0, Seq: 7}, {At: 2, Level: 1, Seq: 8}, {At: 9, Level: 0, Seq: 13, Lost: 4}}
	r.add(in)
	if err := r.close(); err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(in, reread(t, path)); d != "" {
		t.Error(d)
	}
}

// A second's edges are the most that is held back.
func TestRecorderFlushes(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		path := filepath.Join(dir, "x.csv")
		r, err := newRecorder(path, false, nil)
		if err != nil {
			t.Fatal(err)
		}
		defer r.close()
		r.tick()
		r.add([]pulse.Edge{{At: 5, Level: 1}})
		time.Sleep(900 * time.Millisecond)
		r.tick()
		if got := reread(t, path); len(got) != 0 {
			t.Errorf("early: %v: the test shows nothing", got)
		}
		time.Sleep(100 * time.Millisecond)
		r.tick()
		if got := reread(t, path); len(got) != 1 {
			t.Errorf("after a second: %v", got)
		}
	})
}

func TestRecorderFails(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.csv")
	r, err := newRecorder(path, false, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.f.Close() // the disk is gone
	r.add([]pulse.Edge{{At: 5, Level: 1}})
	r.flush()
	r.add([]pulse.Edge{{At: 6, Level: 0}})
	for range 2 {
		if err := r.close(); err == nil || !strings.Contains(err.Error(), "write "+path+": file already closed") {
			t.Errorf("%v", err)
		}
	}
	for name, says := range map[string]string{
		path:                              "the file exists: choose another name, or give --force",
		filepath.Join(dir, "x.txt"):       "expected a name that ends in .csv or .vcd",
		filepath.Join(dir, "no", "x.csv"): "cannot write there: no such file or directory",
		dir + "/.csv/":                    "expected a name",
	} {
		if _, err := newRecorder(name, false, nil); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if r, err := newRecorder(path, true, nil); err != nil {
		t.Error(err)
	} else {
		r.close()
	}
}

// What send writes to a line, for both ways round.
func TestSendEdges(t *testing.T) {
	for _, c := range []struct{ idle, closed, description, want string }{
		{"low", "high", "dial digits=2 lead=1s", "0:1 1000:0 1061.5:1 1100:0 1161.5:1 2161.5:0"},
		{"high", "high", "dial digits=2 lead=1s", "1000:0 1061.5:1 1100:0 1161.5:1 2161.5:1"},
		{"low", "low", "dial digits=1 lead=300ms", "300:1 361.5:0 661.5:0"},
		{"high", "low", "dial digits=1 lead=300ms", "0:0 300:1 361.5:0 661.5:1"},
		// The break that begins at 2 s is whole; the next would begin at 3 s.
		// The idle level comes when the next break would.
		{"low", "high", "cam ipm=60 cycles=endless lead=1s --for 2500ms", "0:1 1000:0 1500:1 2000:0 2500:1 3000:0"},
		{"low", "high", "cadence 400/200/300/2000 cycles=1 lead=1s", "0:1 1000:0 1200:1 1500:0 3500:1 3900:0 4100:1 4500:0"},
		{"low", "high", "cam ipm=60 cycles=endless lead=1s --for 1s", "0:1 1000:0"},
	} {
		cmd := &sendCmd{Closed: c.closed}
		cmd.Idle = c.idle
		description, cut, ok := strings.Cut(c.description, " --for ")
		cmd.Description = []string{description}
		if ok {
			if err := cmd.For.UnmarshalText([]byte(cut)); err != nil {
				t.Fatal(err)
			}
		}
		s, err := cmd.sending()
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for range 2 { // it may be run through more than once
			got = nil
			for e := range s.edges() {
				got = append(got, fmt.Sprintf("%g:%d", float64(e.At)/1e6, e.Level))
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s, idle %s, closed %s: %s, want %s", c.description, c.idle, c.closed, strings.Join(got, " "), c.want)
		}
		for range s.edges() { // nor need it be run to its end
			break
		}
	}
}

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

// What send writes to a line whose idle level is an open contact measures, from
// before to after it, as the signal that it is.
func TestSentMeasures(t *testing.T) {
	for _, description := range []string{"cam ipm=60 cycles=20", "cam ipm=90 break=35 lobes=5 turns=8", "cadence 400/200/400/2000 cycles=30", "dial digits=0123"} {
		cmd := &sendCmd{Closed: "high", Description: []string{description}}
		cmd.Idle = "low"
		s, err := cmd.sending()
		if err != nil {
			t.Fatal(err)
		}
		cfg := pulse.Config{Kind: pulse.KindInterrupter, Setup: new(pulse.Setup), Live: true, StartLevel: pulse.Low}
		if s.spec.Form == synth.Dial {
			cfg.Kind = pulse.KindDial
		}
		*cfg.Setup = pulse.DefaultSetup()
		m, err := pulse.NewMeter(cfg)
		if err != nil {
			t.Fatal(err)
		}
		last := pulse.Stamp(0)
		for e := range s.edges() {
			last = e.At
			m.Add([]pulse.Edge{e})
		}
		switch r := m.Finish(last + 1e9); { // what stands still for longer is missing
		case r.Dial != nil && r.Dial.Digits != "0123":
			t.Errorf("%s: digits %s", description, r.Dial.Digits)
		case r.Interrupter != nil && (r.Interrupter.Extra != 0 || r.Interrupter.Missing != 0 || r.Interrupter.Cycles < 20):
			t.Errorf("%s: %d cycles, %d extra, %d missing", description, r.Interrupter.Cycles, r.Interrupter.Extra, r.Interrupter.Missing)
		}
	}
}

// What flags say stands above a calibration, and half of one is none.
func TestSetupOverCalibration(t *testing.T) {
	base := pulse.DefaultSetup()
	base.EdgeNoiseNS, base.EdgeNoiseFrom, base.EdgeNoiseA = 5e3, "loopback", true
	base.AsymmetryNS, base.AsymmetryUNS, base.AsymmetryFrom, base.AsymmetryA = 42e3, 300, "loopback", true
	same := func(s *pulse.Setup) {}
	for name, c := range map[string]struct {
		cmd  measureCmd
		want func(*pulse.Setup)
	}{
		"nothing": {measureCmd{}, same},
		"noise":   {measureCmd{EdgeNoise: span{9e3, true}}, func(s *pulse.Setup) { s.EdgeNoiseNS, s.EdgeNoiseFrom, s.EdgeNoiseA = 9e3, "given", false }},
		"asymmetry": {measureCmd{Asymmetry: span{1e3, true}}, func(s *pulse.Setup) {
			d := pulse.DefaultSetup()
			s.AsymmetryNS, s.AsymmetryUNS, s.AsymmetryFrom, s.AsymmetryA = 1e3, d.AsymmetryUNS, d.AsymmetryFrom, false
		}},
		"its u": {measureCmd{AsymmetryU: span{2e3, true}}, func(s *pulse.Setup) {
			s.AsymmetryNS, s.AsymmetryUNS, s.AsymmetryFrom, s.AsymmetryA = 0, 2e3, "given", false
		}},
	} {
		want := base
		c.want(&want)
		got, err := c.cmd.setup(base)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(&want, got); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// The end of a capture waits for what was read before it, and a line that
// never rests still ends.
func TestCaptureEndsWithWhatWasRead(t *testing.T) {
	m, err := pulse.NewMeter(pulse.Config{Kind: pulse.KindDial})
	if err != nil {
		t.Fatal(err)
	}
	j := &capture{meter: m, con: newConsole(&shell{stderr: io.Discard}), end: 100}
	edge := func(at pulse.Stamp, l pulse.Level) pulse.Edge { return pulse.Edge{At: at, Level: l} }
	if err := j.add([]pulse.Edge{edge(50, pulse.Low), edge(100, pulse.High)}, 1); err != nil {
		t.Errorf("all before the end: %v", err)
	}
	if err := j.add([]pulse.Edge{edge(101, pulse.Low)}, 1); !errors.Is(err, errEnough) {
		t.Errorf("all after the end: %v", err)
	}
	if n := m.Counts().Edges; n != 2 {
		t.Errorf("%d edges measured, want 2", n)
	}
}

// What was written is synced in time even when nothing more comes.
func TestRecorderSyncsTheTail(t *testing.T) {
	r, err := newRecorder(filepath.Join(t.TempDir(), "x.csv"), false, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer r.close()
	r.add([]pulse.Edge{{At: 1, Level: pulse.High}})
	r.flushed = r.flushed.Add(-recordFlush)
	r.tick()
	if r.dirty || !r.unsynced {
		t.Fatalf("after the flush: dirty %v, unsynced %v", r.dirty, r.unsynced)
	}
	r.synced = r.synced.Add(-recordSync)
	if r.tick(); r.unsynced {
		t.Error("the tail was never synced")
	}
}
