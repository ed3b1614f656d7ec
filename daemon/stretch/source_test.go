package stretch

import (
	"context"
	"encoding/json"
	"errors"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

// plainly feeds a few edges at a time.
func plainly(ctx context.Context, src *Source, add func([]pulse.Edge) error) error {
	for buf := make([]pulse.Edge, 7); ; {
		n, err := src.ReadEdges(ctx, buf)
		if err == nil {
			err = add(buf[:n])
		}
		if err != nil {
			return err
		}
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
		if err := s.Flush(ctx); err != nil {
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
				cfg, err := l.Configure(t.Context(), &Wishes{Reading: pulse.Config{Limits: profile}})
				if err != nil {
					t.Fatal(err)
				}
				r, _, err := l.Measure(t.Context(), cfg, plainly)
				if err != nil {
					t.Fatal(err)
				}
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
				file, err := pulse.NewMeter(pulse.Config{Limits: profile})
				if err != nil {
					t.Fatal(err)
				}
				if _, err := l.Export(t.Context(), func(batch []pulse.Edge) error { file.Add(batch); return nil }); err != nil {
					t.Fatal(err)
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
