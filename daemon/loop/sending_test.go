package loop

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"makebreak/pulse"
	"makebreak/pulse/duration"
	"makebreak/pulse/synth"
)

// sending makes a sending of a description, to which " --for TIME" may be added.
func sending(t *testing.T, description string, idle pulse.Level, closed pulse.Polarity) *Sending {
	t.Helper()
	description, until, _ := strings.Cut(description, " --for ")
	spec, err := synth.Parse(description)
	if err != nil {
		t.Fatal(err)
	}
	spec.Closed = closed
	ns := int64(0)
	if until != "" {
		if ns, err = duration.Parse(until); err != nil {
			t.Fatal(err)
		}
	}
	s, err := NewSending(spec, idle, ns)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// What is written to a line, for both ways round.
func TestSendingEdges(t *testing.T) {
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
		var idle pulse.Level
		var closed pulse.Polarity
		if err := errors.Join(idle.UnmarshalText([]byte(c.idle)), closed.UnmarshalText([]byte(c.closed))); err != nil {
			t.Fatal(err)
		}
		s := sending(t, c.description, idle, closed)
		var got []string
		for range 2 { // it may be run through more than once
			got = nil
			for e := range s.Edges() {
				got = append(got, fmt.Sprintf("%g:%d", float64(e.At)/1e6, e.Level))
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s, idle %s, closed %s: %s, want %s", c.description, c.idle, c.closed, strings.Join(got, " "), c.want)
		}
		for range s.Edges() { // nor need it be run to its end
			break
		}
	}
}

// What send writes to a line whose idle level is an open contact measures, from
// before to after it, as the signal that it is.
func TestSentMeasures(t *testing.T) {
	for _, description := range []string{"cam ipm=60 cycles=20", "cam ipm=90 break=35 lobes=5 turns=8", "cadence 400/200/400/2000 cycles=30", "dial digits=0123"} {
		s := sending(t, description, pulse.Low, pulse.ClosedHigh)
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
		for e := range s.Edges() {
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

// The lengths that are told before and after are those of what is written.
func TestDryRun(t *testing.T) {
	s := sending(t, "dial digits=21 rate=10 break=60 gap=700ms lead=500ms", pulse.Low, pulse.ClosedHigh)
	d, err := s.DryRun(t.Context(), "GPIO27", "x.csv")
	// 500 ms, pulses of 100 ms, 700 ms between the trains; the last break is 60 ms.
	if err != nil || d.Edges != 6 || d.LastNS != 1420e6 || d.ReturnsIdleNS == nil || *d.ReturnsIdleNS != 1920e6 || s.Length() != 1920e6 {
		t.Errorf("%+v, length %d, %v", d, s.Length(), err)
	}
	if d, err = sending(t, "dial digits=1", pulse.High, pulse.ClosedHigh).DryRun(t.Context(), "", ""); err != nil || d.ReturnsIdleNS != nil {
		t.Errorf("at rest in the idle level: %+v, %v", d, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := s.DryRun(ctx, "", ""); !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
}

// Use closes whatever happens, and takes the end of ctx for no error.
func TestUse(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	failure := errors.New("broken wire")
	for name, c := range map[string]struct {
		job     func() error
		stopped bool
		err     error
	}{
		"done":    {func() error { return nil }, false, nil},
		"fails":   {func() error { return failure }, false, failure},
		"stopped": {func() error { cancel(); return ctx.Err() }, true, nil},
	} {
		p := &closing{}
		ctx, cancel = context.WithCancel(t.Context())
		stopped, err := Use(ctx, p, c.job)
		if stopped != c.stopped || !errors.Is(err, c.err) || p.closed != 1 {
			t.Errorf("%s: %v, %v, closed %d times", name, stopped, err, p.closed)
		}
		cancel()
	}
	p := &closing{err: failure}
	if _, err := Use(t.Context(), p, func() error { return nil }); err != failure {
		t.Errorf("the failure to close is lost: %v", err)
	}
	func() {
		defer func() { recover() }()
		Use(t.Context(), p, func() error { panic("x") })
	}()
	if p.closed != 2 {
		t.Error("a panic leaves the line open")
	}
}

// closing is a player that counts how often it is closed.
type closing struct {
	Player
	closed int
	err    error
}

func (c *closing) Close() error {
	c.closed++
	return c.err
}
