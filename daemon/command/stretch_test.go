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
	"makebreak/daemon/store/storetest"
	"makebreak/daemon/stretch"
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
	storetest.Finish(t, s)

	src, err := openStretch(t.Context(), &shell{zone: time.UTC}, &stretchFlags{logFileFlag: logFileFlag{path}}, "cam")
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	cfg, err := src.Configure(t.Context(), &stretch.Wishes{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, stop := context.WithCancel(t.Context())
	m, n, err := src.Measure(ctx, cfg, func(*stretch.Source) (update, done func()) { return stop, func() {} })
	if !errors.Is(err, context.Canceled) || n == 0 || n > all-batchEdges {
		t.Fatal(n, err)
	}
	read := time.Duration(m.Capture.Edges) * step // the first in the log tells the level, and is none
	if got, want := amount(src, n), figure.Time(read.Seconds())+" of 8:20:00.000"; got != want {
		t.Errorf("stopped after %s, want %s", got, want)
	}
	r, err := src.Report(t.Context(), m)
	if err != nil {
		t.Fatal(err)
	}
	if r.LengthS != read.Seconds() || r.UpS != r.LengthS || !r.Until.Equal(wall.Add(read)) {
		t.Errorf("%v s, %v up, until %v; want %v after %v", r.LengthS, r.UpS, r.Until, read, wall)
	}
}
