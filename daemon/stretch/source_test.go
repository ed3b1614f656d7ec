package stretch

import (
	"path/filepath"
	"slices"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/daemon/store/storetest"
	"makebreak/hw"
	"makebreak/pulse"
)

// start is the beginning of the logs of tests, on the monotonic clock and on the
// wall: an invented boot at 09:00.
const start = pulse.Stamp(time.Hour)

var startWall = time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)

// session adds a session to a log, in which each contact has the edges.
func session(t *testing.T, path string, from, to pulse.Stamp, state hw.Discipline, contacts map[string]store.Configuration, edges []pulse.Edge) {
	t.Helper()
	now := from
	s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", Clock: func() (hw.Anchor, hw.Discipline) {
		return hw.Anchor{Mono: now, Wall: startWall.Add(time.Duration(now - start))}, state
	}})
	if err != nil {
		t.Fatal(err)
	}
	for name, c := range contacts {
		c.Contact, c.Source = name, "gpio:GPIO17"
		s.Contact(c).Append(edges)
	}
	now = to
	storetest.Finish(t, s)
}

// open opens a log until the end of the test.
func open(t *testing.T, path string) *store.Log {
	t.Helper()
	log, err := store.OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { log.Close() })
	return log
}

// Wherever a stretch of a log begins, also in the middle of a bounce or where
// watching began again in one, a sound dial is never out of limits, nor in a
// file that is exported from there.
func TestLogFromEveryStart(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
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
		session(t, path, first, last, hw.Discipline{}, map[string]store.Configuration{"dial": {Kind: pulse.KindDial}},
			append([]pulse.Edge{{At: first, Level: pulse.Unknown}, {At: first, Level: part[0].Level ^ 1}}, part...))
	}
	log := open(t, path)
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
				r, _, err := l.Measure(t.Context(), cfg, nil)
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

// The moment between the end of reading and the last commit of a stop is no gap;
// a source that was not read for longer before the stop is one.
func TestStopIsNoGap(t *testing.T) {
	for after, gaps := range map[pulse.Stamp]int{1e6: 0, 3e9: 0, 60e9: 1} {
		path := filepath.Join(t.TempDir(), "log.db")
		edges := []pulse.Edge{{At: start, Level: pulse.Unknown}, {At: start, Level: pulse.High}}
		for i := range pulse.Stamp(50) {
			edges = append(edges, pulse.Edge{At: start + (i+1)*1e8, Level: pulse.Level(i & 1)})
		}
		down := start + 6e9
		session(t, path, start, down+after, hw.Discipline{}, map[string]store.Configuration{"cam": {Kind: pulse.KindInterrupter}},
			append(edges, pulse.Edge{At: down, Level: pulse.Unknown}))
		s, err := replayed(t.Context(), open(t, path), store.Span{}, false, "cam")
		if err != nil {
			t.Fatal(err)
		}
		cfg, err := s.Configure(t.Context(), &Wishes{})
		if err != nil {
			t.Fatal(err)
		}
		m, _, err := s.Measure(t.Context(), cfg, nil)
		if err != nil {
			t.Fatal(err)
		}
		r, err := s.Report(t.Context(), m)
		if err != nil {
			t.Fatal(err)
		}
		if r.Gaps != gaps || m.Capture.Unknown != gaps || r.UpS != 6 {
			t.Errorf("stopped after %d ns: %d gaps, %d unknown intervals, read for %v s", after, r.Gaps, m.Capture.Unknown, r.UpS)
		}
	}
}
