package hw

import (
	"encoding/json"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// record begins a recording in a new file.
func record(t *testing.T, path string, comments ...string) *Recorder {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	r, err := NewRecorder(f, comments)
	if err != nil {
		t.Fatal(err)
	}
	return r
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
			r := record(t, path, "invented")
			for i := range c.in { // in pieces
				r.Add(c.in[i : i+1])
			}
			if err := r.Close(); err != nil {
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
	v := func(x float64) *float64 { return &x }
	profile := &pulse.Profile{ID: "invented", Kind: pulse.KindDial, Limits: []pulse.Limit{
		{Quantity: pulse.RatePPS, Min: v(9), Max: v(11)}, {Quantity: pulse.BreakPercent, Min: v(58), Max: v(70)},
	}}
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
			w := record(t, path)
			w.Add(edges)
			if err := w.Close(); err != nil {
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
	r := record(t, path)
	in := []pulse.Edge{{At: 1, Level: 0, Seq: 7}, {At: 2, Level: 1, Seq: 8}, {At: 9, Level: 0, Seq: 13, Lost: 4}}
	r.Add(in)
	if err := r.Close(); err != nil {
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
		r := record(t, path)
		defer r.Close()
		r.Tick()
		r.Add([]pulse.Edge{{At: 5, Level: 1}})
		time.Sleep(900 * time.Millisecond)
		r.Tick()
		if got := reread(t, path); len(got) != 0 {
			t.Errorf("early: %v: the test shows nothing", got)
		}
		time.Sleep(100 * time.Millisecond)
		r.Tick()
		if got := reread(t, path); len(got) != 1 {
			t.Errorf("after a second: %v", got)
		}
	})
}

func TestRecorderFails(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "x.csv")
	r := record(t, path)
	r.f.Close() // the disk is gone
	r.Add([]pulse.Edge{{At: 5, Level: 1}})
	r.Flush()
	r.Add([]pulse.Edge{{At: 6, Level: 0}})
	for range 2 {
		if err := r.Close(); err == nil || !strings.Contains(err.Error(), "write "+path+": file already closed") {
			t.Errorf("%v", err)
		}
	}
	for name, says := range map[string]string{
		"x.txt":   "expected a name that ends in .csv or .vcd",
		"x/.csv/": "expected a name",
	} {
		if _, err := NewRecordingWriter(name, nil, nil); err == nil || !strings.Contains(err.Error(), name+": "+says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	f, err := os.Create(filepath.Join(dir, "x.txt"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := NewRecorder(f, nil); err == nil {
		t.Error("a name of no format was taken")
	}
	if _, err := f.Stat(); !errors.Is(err, os.ErrClosed) {
		t.Error("a file that is not recorded into is still open")
	}
}

// What was written is synced in time even when nothing more comes.
func TestRecorderSyncsTheTail(t *testing.T) {
	r := record(t, filepath.Join(t.TempDir(), "x.csv"))
	defer r.Close()
	r.Add([]pulse.Edge{{At: 1, Level: pulse.High}})
	r.flushed = r.flushed.Add(-recordFlush)
	r.Tick()
	if r.dirty || !r.unsynced {
		t.Fatalf("after the flush: dirty %v, unsynced %v", r.dirty, r.unsynced)
	}
	r.synced = r.synced.Add(-recordSync)
	if r.Tick(); r.unsynced {
		t.Error("the tail was never synced")
	}
}
func reread(t *testing.T, path string) (edges []pulse.Edge) {
	t.Helper()
	src, err := OpenRecordingFile(path, nil, RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	for buf := make([]pulse.Edge, 100); ; {
		n, err := src.ReadEdges(t.Context(), buf)
		edges = append(edges, buf[:n]...)
		if err == io.EOF || errors.Is(err, ErrNoEdges) {
			return edges
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
