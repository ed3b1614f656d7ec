package hw_test

import (
	"context"
	"errors"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

var gone = &hw.OpError{Op: "read line", Line: "DIAL", Err: hw.ErrUnplugged}

// The clock of the bubble, from its start.
func bubbleClock() func() pulse.Stamp {
	began := time.Now()
	return func() pulse.Stamp { return pulse.Stamp(time.Since(began)) }
}

func TestReopening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := bubbleClock()
		first := hwtest.Script(hwtest.Times(10, 20), hwtest.Fail(gone))
		first.Level, first.From = pulse.Low, 5
		second := hwtest.Script(hwtest.Times(7e9), hwtest.Fail(gone))
		second.Level = pulse.High
		third := hwtest.Script(hwtest.Times(8e9))
		third.Level = pulse.Unknown
		missing := errors.New("no such line")
		// Attempts come after 0.1, 0.3, 0.7, 1.5, 3.1 s …
		var attempts []time.Duration
		answers := []any{first, missing, missing, missing, second, third}
		open := func() (hw.Live, error) {
			attempts = append(attempts, time.Duration(now()))
			a := answers[0]
			answers = answers[1:]
			if err, ok := a.(error); ok {
				return nil, err
			}
			s := a.(*hwtest.Source)
			if s.From == 0 {
				s.From = now()
			}
			return s, nil
		}
		var states []string
		r, err := hw.Reopen(open, hw.ReopenOptions{Now: now, OnState: func(err error) {
			if err == nil {
				states = append(states, "back")
				return
			}
			states = append(states, err.Error())
		}})
		if err != nil {
			t.Fatal(err)
		}
		if r.InitialLevel() != pulse.Low || r.Start() != 5 {
			t.Errorf("level %d at %d", r.InitialLevel(), r.Start())
		}
		var got []pulse.Edge
		buf := make([]pulse.Edge, 4)
		for {
			var n int
			n, err = r.ReadEdges(t.Context(), buf)
			got = append(got, buf[:n]...)
			if err != nil {
				break
			}
		}
		want := []pulse.Edge{
			{At: 10, Seq: 1, Level: 1}, {At: 20, Seq: 2},
			{At: 0, Level: pulse.Unknown}, {At: 1.5e9, Level: pulse.High}, // lost at 0 s of the bubble
			{At: 7e9, Seq: 1, Level: 1},
			{At: 1.5e9, Level: pulse.Unknown}, // and again at once; the third cannot tell its level
			{At: 8e9, Seq: 1, Level: 1},
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
		if d := cmp.Diff([]time.Duration{0, 1e8, 3e8, 7e8, 15e8, 16e8}, attempts); d != "" {
			t.Error(d)
		}
		if d := cmp.Diff([]string{gone.Error(), "no such line", "back", gone.Error(), "back"}, states); d != "" {
			t.Error(d)
		}
		if err := r.Close(); err != nil || first.Closed.Load() != 1 || second.Closed.Load() != 1 || third.Closed.Load() != 1 {
			t.Errorf("closed %d, %d, %d times, %v", first.Closed.Load(), second.Closed.Load(), third.Closed.Load(), err)
		}
		if err := r.Close(); !errors.Is(err, os.ErrClosed) {
			t.Errorf("closed twice: %v", err)
		}
	})
}

// While the chip is away a source pauses 5 s at most, and ends with its context
// and with Close.
func TestReopeningWait(t *testing.T) {
	for _, how := range []string{"context", "close"} {
		synctest.Test(t, func(t *testing.T) {
			opened := 0
			r, err := hw.Reopen(func() (hw.Live, error) {
				if opened++; opened == 1 {
					return hwtest.Script(hwtest.Fail(gone)), nil
				}
				return nil, gone
			}, hw.ReopenOptions{})
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			buf := make([]pulse.Edge, 4)
			if n, err := r.ReadEdges(ctx, buf); n != 1 || err != nil || buf[0].Level != pulse.Unknown {
				t.Fatalf("%+v, %v", buf[:n], err)
			}
			ended := make(chan error, 1)
			go func() {
				_, err := r.ReadEdges(ctx, buf)
				ended <- err
			}()
			time.Sleep(time.Hour)
			synctest.Wait()
			if opened < 700 || opened > 730 {
				t.Errorf("%d attempts in an hour", opened)
			}
			want := context.Canceled
			if how == "close" {
				want = os.ErrClosed
				r.Close()
			} else {
				cancel()
			}
			if err := <-ended; !errors.Is(err, want) {
				t.Errorf("by %s: %v", how, err)
			}
		})
	}
}

func TestReopenPassesErrors(t *testing.T) {
	if _, err := hw.Reopen(func() (hw.Live, error) { return nil, gone }, hw.ReopenOptions{}); err != gone {
		t.Errorf("first opening: %v", err)
	}
	broken := errors.New("broken")
	r, err := hw.Reopen(func() (hw.Live, error) { return hwtest.Script(hwtest.Fail(broken)), nil }, hw.ReopenOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.ReadEdges(t.Context(), make([]pulse.Edge, 1)); err != broken {
		t.Errorf("reading: %v", err)
	}
}
