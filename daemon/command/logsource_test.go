package command

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"path/filepath"
	"slices"
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
	if err := s.Flush(); err != nil {
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

// Wherever a stretch of a log begins, also in the middle of a bounce or where
// watching began again in one, a sound dial is never out of limits, nor in a
// file that is exported from there.
func TestLogFromEveryStart(t *testing.T) {
	const start = pulse.Stamp(time.Hour)
	path := filepath.Join(t.TempDir(), "log.db")
	wall := time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)
	var all []pulse.Edge
	burst := func(at pulse.Stamp, l pulse.Level) {
		for i, after := range []pulse.Stamp{0, 4e5, 13e5, 2e6, 32e5} { // 3.2 ms of bounce
			all = append(all, pulse.Edge{At: at + after, Level: l ^ pulse.Level(i&1)})
		}
	}
	at := start + 500e6
	for range 6 { // breaks of 60 ms and makes of 40 ms, 800 ms between digits
		for range 4 {
			burst(at, pulse.Low)
			burst(at+60e6, pulse.High)
			at += 100e6
		}
		at += 760e6
	}
	// Watching stops and begins again inside a burst, a while later.
	again := slices.IndexFunc(all, func(e pulse.Edge) bool { return e.At >= start+3*1160e6 }) + 2
	for _, part := range [][]pulse.Edge{all[:again], all[again+30:]} {
		first, last := part[0].At-1e5, part[len(part)-1].At+1e6
		now := hw.Anchor{Mono: first, Wall: wall.Add(time.Duration(first - start))}
		s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", Clock: func() (hw.Anchor, hw.Discipline) { return now, hw.Discipline{} }})
		if err != nil {
			t.Fatal(err)
		}
		c := s.Contact(store.Configuration{Contact: "dial", Source: "gpio:GPIO17", Kind: pulse.KindDial, Settings: json.RawMessage(`{}`)})
		c.Append([]pulse.Edge{{At: first, Level: pulse.Unknown}, {At: first, Level: part[0].Level ^ 1}})
		c.Append(part)
		now = hw.Anchor{Mono: last, Wall: wall.Add(time.Duration(last - start))}
		ctx, stop := context.WithCancel(t.Context())
		ran := make(chan error, 1)
		go func() { ran <- s.Run(ctx) }()
		if err := s.Flush(); err != nil {
			t.Fatal(err)
		}
		stop()
		if err := errors.Join(<-ran, s.Close()); err != nil {
			t.Fatal(err)
		}
	}
	log, err := store.OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	tl, err := log.Timeline(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	offset := tl.Sessions[0].Start.Run - tl.Sessions[0].Start.Mono
	bound := func(v float64) *float64 { return &v }
	profile := &pulse.Profile{ID: "own", Kind: pulse.KindDial, Limits: []pulse.Limit{
		{Quantity: pulse.BreakMS, Min: bound(59.8), Max: bound(60.2)}, {Quantity: pulse.PeriodMS, Min: bound(99.8), Max: bound(100.2)},
		{Quantity: pulse.InterdigitMS, Min: bound(799), Max: bound(801)}, {Quantity: pulse.BounceMS, Min: bound(3.1), Max: bound(3.3)},
	}}
	starts, measured := 0, 0
	for i, e := range all[:len(all)-40] {
		for _, after := range []pulse.Stamp{0, 1, 3e5, 5e6} {
			from := e.At + after + offset
			if i+1 < len(all) && e.At+after > all[i+1].At {
				continue
			}
			starts++
			for _, whole := range []bool{true, false} {
				l, err := replayed(t.Context(), log, store.Span{Run: tl.ID, From: max(from, 1), To: tl.End() + 1}, whole, "dial")
				if err != nil {
					t.Fatal(err)
				}
				cfg := pulse.Config{Limits: profile}
				if err := l.configure(context.Background(), &measureCmd{Closed: "auto", Timing: "auto", Limits: "own"}, &cfg); err != nil {
					t.Fatal(err)
				}
				m, _, err := feed(t.Context(), &shell{}, l, &cfg, func([]pulse.Edge) {})
				if err != io.EOF {
					t.Fatal(err)
				}
				r := m.Finish(l.end())
				if d := r.Dial; d.ShortBreaks+d.Flashes+d.Disconnects+d.Stalls > 0 {
					t.Fatalf("from %d: %+v", from, d)
				}
				for _, it := range r.Conformity.Items {
					if it.OutOfLimit > 0 {
						t.Fatalf("from %d ns after edge %d: %s %s: %+v", after, i, it.Quantity, it.Bound, it)
					}
				}
				measured += r.Dial.BreakMS.N
				l.Close()

				// What is exported is read as a file.
				if l, err = replayed(t.Context(), log, store.Span{Run: tl.ID, From: max(from, 1), To: tl.End() + 1}, whole, "dial"); err != nil {
					t.Fatal(err)
				}
				begins := beginning{settle: pulse.Stamp(pulse.DefaultSettleNS), last: l.from, known: l.start <= pulse.High}
				file, err := pulse.NewMeter(pulse.Config{Limits: profile})
				if err != nil {
					t.Fatal(err)
				}
				for buf := make([]pulse.Edge, 7); ; {
					n, err := l.ReadEdges(t.Context(), buf)
					if err == io.EOF {
						break
					}
					if err != nil {
						t.Fatal(err)
					}
					file.Add(begins.settled(buf[:n]))
				}
				r = file.Finish(0)
				for _, it := range r.Conformity.Items {
					if it.OutOfLimit > 0 || r.Dial.BreakMS.N == 0 {
						t.Fatalf("exported from %d ns after edge %d: %s %s: %+v", after, i, it.Quantity, it.Bound, it)
					}
				}
				l.Close()
			}
		}
	}
	if starts < 300 || measured < 1000 {
		t.Errorf("%d starts, %d breaks", starts, measured)
	}
}
