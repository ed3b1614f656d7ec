package hwtest

import (
	"context"
	"errors"
	"io"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

func TestScript(t *testing.T) {
	broken := errors.New("broken")
	gate := make(chan struct{})
	called := 0
	s := Script(Times(10, 20, 30), Edges(pulse.Edge{At: 40, Lost: 7}), Call(func() { called++ }), Fail(broken), Stall(gate), Edges(pulse.Edge{At: 50, Level: pulse.Unknown}))
	ctx, cancel := context.WithCancel(t.Context())
	buf := make([]pulse.Edge, 2)
	type read struct {
		Edges []pulse.Edge
		Err   string
	}
	next := func(ctx context.Context) read {
		n, err := s.ReadEdges(ctx, buf)
		r := read{Edges: append([]pulse.Edge(nil), buf[:n]...)}
		if err != nil {
			r.Err = err.Error()
		}
		return r
	}
	got := []read{next(ctx), next(ctx), next(ctx), next(ctx)}
	cancel()
	got = append(got, next(ctx))
	close(gate)
	got = append(got, next(t.Context()), next(t.Context()), next(t.Context()))
	want := []read{
		{Edges: []pulse.Edge{{At: 10, Seq: 1, Level: 1}, {At: 20, Seq: 2}}},
		{Edges: []pulse.Edge{{At: 30, Seq: 3, Level: 1}}},
		{Edges: []pulse.Edge{{At: 40, Lost: 7}}},
		{Err: "broken"},
		{Err: context.Canceled.Error()},
		{Edges: []pulse.Edge{{At: 50, Level: pulse.Unknown}}},
		{Err: io.EOF.Error()},
		{Err: io.EOF.Error()},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if called != 1 || s.Reads.Load() != 8 {
		t.Errorf("called %d times, read %d times", called, s.Reads.Load())
	}
}

// The time that After waits goes on between reads.
func TestAfter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		s := Script(After(time.Second), Times(10))
		buf := make([]pulse.Edge, 1)
		for range 3 {
			ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
			if n, err := s.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
				t.Errorf("%d, %v", n, err)
			}
			cancel()
		}
		if n, err := s.ReadEdges(t.Context(), buf); n != 1 || err != nil || time.Since(began) != time.Second {
			t.Errorf("%d, %v after %v", n, err, time.Since(began))
		}
	})
}

func TestStallEndsWithContext(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	s := Script(Stall(nil))
	ended := make(chan error)
	go func() {
		_, err := s.ReadEdges(ctx, make([]pulse.Edge, 1))
		ended <- err
	}()
	cancel()
	if err := <-ended; err != context.Canceled {
		t.Error(err)
	}
}
