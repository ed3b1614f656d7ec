package command

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/daemon/report"
	"makebreak/daemon/stretch"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// wait pauses for a while, or until ctx ends.
func wait(ctx context.Context, d time.Duration) error {
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// coming gives each edge so long after its time.
func coming(late time.Duration, edges ...pulse.Edge) (steps []hwtest.Step) {
	begun := time.Now()
	for _, e := range edges {
		steps = append(steps, func(ctx context.Context, buf []pulse.Edge) (int, bool, error) {
			rest := func() time.Duration { return time.Duration(e.At) + late - time.Since(begun) }
			if err := wait(ctx, rest()); err != nil && rest() > 0 {
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
	line := &liveLine{Live: src, now: func() pulse.Stamp { return pulse.Stamp(time.Since(begun)) }}
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
		m, stopped, line := captureOf(t, t.Context(), capture{digits: 3}, dial, pulse.High, coming(0, hwtest.Sim(t, "dial digits=120")...)...)
		if m.Dial.Digits != "120" || stopped != "" || m.Capture.PartialEnd || m.Capture.PartialStart || line.report.Ended != "after 3 digits (--digits)" {
			t.Errorf("%+v, %q, %q", m.Dial, stopped, line.report.Ended)
		}
		last := hwtest.Sim(t, "dial digits=120")
		if rest := time.Since(begun) - time.Duration(last[len(last)-1].At); rest < 150*time.Millisecond || rest > 150*time.Millisecond+liveMargin+liveTick {
			t.Errorf("ended %v after the last edge", rest)
		}
	})
	synctest.Test(t, func(t *testing.T) {
		m, _, line := captureOf(t, t.Context(), capture{digits: 2}, dial, pulse.High, coming(0, hwtest.Sim(t, "dial digits=1234")...)...)
		if m.Dial.Digits != "12" || line.report.Ended != "after 2 digits (--digits)" {
			t.Errorf("%+v", m.Dial)
		}
	})
}

func TestCaptureCycles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, _, line := captureOf(t, t.Context(), capture{cycles: 40}, pulse.Config{Kind: pulse.KindInterrupter}, pulse.High, coming(0, hwtest.Sim(t, "cam ipm=600 cycles=100")...)...)
		if n := m.Interrupter.Cycles; n < 40 || n > 42 || line.report.Ended != "after 40 cycles (--cycles)" {
			t.Errorf("%d cycles, %q", n, line.report.Ended)
		}
	})
}

// What comes after the time asked does not count, and what comes late for it
// does.
func TestCaptureFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		edges := hwtest.Sim(t, "dial digits=111 lead=500ms gap=500ms") // openings at 0.5, 1.0615, 1.623 s
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
		m, stopped, line := captureOf(t, ctx, capture{}, dial, pulse.High, coming(50*time.Millisecond, hwtest.Sim(t, "dial digits=11 lead=500ms gap=400ms")...)...)
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

// What came while the process was stopped is read before the silence is judged:
// each train is whole.
func TestCaptureStoppedProcess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		var stood atomic.Int64
		now := func() pulse.Stamp { return pulse.Stamp(time.Since(begun)) + pulse.Stamp(stood.Load()) }
		// After two pulses, at 1.1915 s, the contact is closed when the capture
		// looks at 1.2 s; then comes the pause.
		src := &hwtest.Unwoken{Source: hwtest.Script(), Now: now, Edges: hwtest.Sim(t, "dial digits=5555 lead=1030ms gap=700ms")}
		time.AfterFunc(1210*time.Millisecond, func() { stood.Add(1e9) })
		src.Level = pulse.High
		setup := pulse.DefaultSetup()
		cfg := dial
		cfg.Setup = &setup
		job := capture{line: &liveLine{Live: src, now: now}, con: newConsole(&shell{stderr: io.Discard}), digits: 4, end: math.MaxInt64}
		m, stopped, err := job.run(t.Context(), cfg)
		if err != nil || stopped != "" || m.Dial.Digits != "5555" || m.Dial.Pulses != 20 {
			t.Errorf("%v, %q, %+v", err, stopped, m.Dial)
		}
	})
}

// A line that fails for good leaves what was measured, and says so.
func TestCaptureFails(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		steps := append(coming(0, hwtest.Sim(t, "dial digits=5")...), hwtest.After(time.Second), hwtest.Fail(errors.New("broken wire")))
		m, stopped, _ := captureOf(t, t.Context(), capture{}, dial, pulse.High, steps...)
		if m.Dial.Digits != "5" || stopped != "the line failed: broken wire" {
			t.Errorf("%+v, %q", m.Dial, stopped)
		}
		if got := stretch.StatusOf(m, true); got != stretch.NotMeasured {
			t.Errorf("status %d", got)
		}
	})
}

// The gap of an unplugged chip is in no figure.
func TestCaptureGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		edges := hwtest.Sim(t, "dial digits=22 lead=500ms gap=3s") // ends its first train at 0.6615 s
		edges = append(edges[:4:4], append([]pulse.Edge{{At: 1e9, Level: pulse.Unknown}, {At: 2e9, Level: pulse.High}}, edges[4:]...)...)
		m, _, _ := captureOf(t, t.Context(), capture{digits: 2}, dial, pulse.High, coming(0, edges...)...)
		if m.Dial.Digits != "22" || m.Capture.Unknown != 1 || m.Capture.UnknownS != 1 || m.Dial.InterdigitMS.N != 0 {
			t.Errorf("%+v, %+v", m.Dial, m.Capture)
		}
	})
}

// The lines that a person sees say what there is, and stand still meanwhile.
func TestConsole(t *testing.T) {
	var b bytes.Buffer
	terminal := &shell{stderr: &b, stderrTerminal: true, env: func(string) string { return "" }}
	c := newConsole(terminal)
	c.pol, c.now = pulse.ClosedLow, pulse.Low
	c.train(&pulse.Train{Digit: report.Given("7"), RatePPS: pulse.Known(9.876), BreakPercent: pulse.Known(61.54)})
	c.train(&pulse.Train{Pulses: 12})
	c.event(&pulse.Event{Kind: pulse.EventTransition, At: 5, End: 1_200_005})
	c.show(12.34e9, pulse.Counts{Edges: 1234, LostEdges: 2})
	if got, want := b.String(), "\rRate 9.88 pps  61.5 % break\x1b[K\ndigits 7?  2 edges lost  bounce up to 1.20 ms\x1b[K\n12 s  1,234 edges  closed\x1b[K"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	c.show(12.5e9, pulse.Counts{Edges: 1300}) // nothing new, and too soon
	c.show(12.9e9, pulse.Counts{Edges: 1400})
	if got, want := b.String(), "\x1b[2A\rRate 9.88 pps  61.5 % break\x1b[K\ndigits 7?  bounce up to 1.20 ms\x1b[K\n13 s  1,400 edges  closed\x1b[K"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	c.state(errors.New("gone\x1b[2J"))
	c.state(nil)
	if got, want := b.String(), "\x1b[2A\r\x1b[Jmakebreak: gone\uFFFD[2J\nmakebreak: the line is back\n"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	c = newConsole(terminal)
	c.pol, c.now = pulse.ClosedHigh, pulse.Low
	for i := range 12 { // the mean of the last ten
		c.cycle(&pulse.CycleRow{Cycle: i + 1, PeriodNS: 1e9 + int64(i/2)*1e6, BreakNS: 487e6, MakeNS: 513e6, Whole: true})
	}
	c.show(2e9, pulse.Counts{Edges: 3, Cycles: 12, Missing: 1})
	if got, want := b.String(), "\rRate 59.82 IPM  48.6 % break\x1b[K\n12 cycles  1 missing\x1b[K\n2 s  3 edges  open\x1b[K"; got != want {
		t.Errorf("%q", got)
	}
	b.Reset()
	dull := newConsole(&shell{stderr: &b, stderrTerminal: true, env: func(string) string { return "dumb" }})
	dull.show(0, pulse.Counts{})
	if b.Len() > 0 {
		t.Errorf("a dumb terminal got %q", b.String())
	}
}

// The bell rings once a second at most, for new values outside alone.
func TestConsoleRings(t *testing.T) {
	var b bytes.Buffer
	c := newConsole(&shell{stderr: &b, stderrTerminal: true, env: func(string) string { return "" }})
	limits, err := config.Profile("au-s002-dial")
	if err != nil {
		t.Fatal(err)
	}
	c.Limits, c.sound = limits, true
	rings := func(at pulse.Stamp, percent float64) bool {
		b.Reset()
		c.train(&pulse.Train{RatePPS: pulse.Known(10), BreakPercent: pulse.Known(percent)})
		c.show(at, pulse.Counts{})
		return strings.Contains(b.String(), "\a")
	}
	for _, x := range []struct {
		at      pulse.Stamp
		percent float64
		want    bool
	}{{2e9, 65, false}, {3e9, 71, true}, {3.5e9, 72, false}, {4.1e9, 72, true}, {6e9, 66, false}} {
		if got := rings(x.at, x.percent); got != x.want {
			t.Errorf("at %v with %v %%: %v", x.at, x.percent, got)
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
		"noise":   {measureCmd{chainFlags: chainFlags{EdgeNoise: span{9e3, true}}}, func(s *pulse.Setup) { s.EdgeNoiseNS, s.EdgeNoiseFrom, s.EdgeNoiseA = 9e3, "given", false }},
		"asymmetry": {measureCmd{chainFlags: chainFlags{Asymmetry: span{1e3, true}}}, func(s *pulse.Setup) {
			d := pulse.DefaultSetup()
			s.AsymmetryNS, s.AsymmetryUNS, s.AsymmetryFrom, s.AsymmetryA = 1e3, d.AsymmetryUNS, d.AsymmetryFrom, false
		}},
		"its u": {measureCmd{chainFlags: chainFlags{AsymmetryU: span{2e3, true}}}, func(s *pulse.Setup) {
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
	if err := j.add([]pulse.Edge{edge(50, pulse.Low), edge(100, pulse.High)}); err != nil {
		t.Errorf("all before the end: %v", err)
	}
	if err := j.add([]pulse.Edge{edge(101, pulse.Low)}); !errors.Is(err, errEnough) {
		t.Errorf("all after the end: %v", err)
	}
	if n := m.Counts().Edges; n != 2 {
		t.Errorf("%d edges measured, want 2", n)
	}
}
