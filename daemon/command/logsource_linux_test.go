package command

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"testing"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

// A stretch that is stopped ends with the last edge that was measured, in
// every figure of its report.
func TestLogStopped(t *testing.T) {
	const (
		start = pulse.Stamp(time.Hour)
		step  = 50e6
		all   = 600_000
	)
	path := filepath.Join(t.TempDir(), "log.db")
	end := start + all*step
	wall := time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)
	now := hw.Anchor{Mono: start, Wall: wall}
	s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", BufferBytes: 64 << 20, Clock: func() (hw.Anchor, hw.Discipline) { return now, hw.Discipline{} }})
	if err != nil {
		t.Fatal(err)
	}
	now = hw.Anchor{Mono: end, Wall: wall.Add(time.Duration(end - start))}
	c := s.Contact(store.Configuration{Contact: "cam", Source: "gpio:GPIO17", Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{}`)})
	edges := make([]pulse.Edge, all)
	for i := range edges {
		edges[i] = pulse.Edge{At: start + pulse.Stamp(i)*step, Level: pulse.Level(i & 1)}
	}
	c.Append(edges)
	ctx, stop := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- s.Run(ctx) }()
	if err := s.Flush(ctx); err != nil {
		t.Fatal(err)
	}
	stop()
	if err := errors.Join(<-ran, s.Close()); err != nil {
		t.Fatal(err)
	}

	src, err := openLogged(t.Context(), &stretchFlags{Log: path}, "cam")
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	cfg := pulse.Config{Setup: new(pulse.Setup)}
	if err := src.configure(t.Context(), &measureCmd{Closed: "auto", Timing: "auto"}, &cfg); err != nil {
		t.Fatal(err)
	}
	ctx, stop = context.WithCancel(t.Context())
	meter, n, err := feed(ctx, &shell{}, src, &cfg, func([]pulse.Edge) { stop() })
	if !errors.Is(err, context.Canceled) || n == 0 || n > all-pumpEdges {
		t.Fatal(n, err)
	}
	read := time.Duration(meter.Counts().Edges) * step // the first in the log tells the level, and is none
	if got, want := amount(src, n), figure.Time(read.Seconds())+" of 8:20:00.000"; got != want {
		t.Errorf("stopped after %s, want %s", got, want)
	}
	src.cut()
	r, err := src.report(t.Context(), meter.Finish(src.end()))
	if err != nil {
		t.Fatal(err)
	}
	if r.LengthS != read.Seconds() || r.UpS != r.LengthS || !r.Until.Equal(wall.Add(read)) {
		t.Errorf("%v s, %v up, until %v; want %v after %v", r.LengthS, r.UpS, r.Until, read, wall)
	}
}
