package watch

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

// importSim imports a simulated contact into the log of an invented site.
func importSim(ctx context.Context, path, description string, length time.Duration, cfg pulse.Config, began time.Time) (Imported, error) {
	spec, err := config.ParseSim(description)
	if err != nil {
		return Imported{}, err
	}
	src, err := hw.NewSimulated(spec, hw.SimulatedOptions{Until: pulse.Stamp(length)})
	if err != nil {
		return Imported{}, err
	}
	defer src.Close()
	return Import(ctx, src, ImportOptions{
		Log: path, Site: "Marrow Quay", Began: began,
		Contact: config.Contact{Name: "cam", Meter: cfg, Source: config.Source{Text: "sim:" + description}},
	})
}

var importBegan = time.Date(2026, 10, 1, 0, 0, 20, 0, time.UTC)

func imported(t *testing.T, path string) *store.Log {
	t.Helper()
	l, err := store.OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// The summaries of an import are of the wall clock's minutes, as those of a
// watch: a cam of 60 IPM has 60 cycles and 120 edges in each. Two interruptions are
// left out.
func TestImportSummaries(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	done, err := importSim(t.Context(), path, "cam ipm=60 lobes=5 cycles=endless missing-at=151,751", 30*time.Minute, pulse.Config{Lobes: 5}, importBegan)
	if err != nil {
		t.Fatal(err)
	}
	if done.Kind != pulse.KindInterrupter || done.Edges != 3595 { // 1800 openings and 1799 closings, but for four edges
		t.Errorf("%+v", done)
	}
	l := imported(t, path)
	minutes := 0
	var all store.Summary
	for m, err := range l.Summaries(t.Context(), store.Span{}, "cam") {
		if err != nil {
			t.Fatal(err)
		}
		whole := m.At.Wall.Second() == 0 && m.LengthNS == int64(time.Minute)
		if whole && m.Missing == 0 {
			minutes++
			if m.Edges != 120 || m.Pulses != 60 || m.Period.SumNS < 59e9 || m.Period.SumNS > 61e9 {
				t.Errorf("minute of %v: %+v", m.At.Wall, m)
			}
		}
		all.Edges, all.Pulses, all.Missing, all.LengthNS = all.Edges+m.Edges, all.Pulses+m.Pulses, all.Missing+m.Missing, all.LengthNS+m.LengthNS
	}
	if minutes < 26 || all.Edges != done.Edges || all.Missing != 2 || all.Pulses != 1795 { // 1799 from opening to opening, but for two of each missing one
		t.Errorf("%d whole minutes, %+v", minutes, all)
	}
	if d := time.Duration(all.LengthNS) - 30*time.Minute; d < -2*time.Second || d > time.Second { // from its first edge, 1 s after the start
		t.Errorf("watched for %v", time.Duration(all.LengthNS))
	}
	kinds := map[store.FindingKind]int{}
	for f, err := range l.Findings(t.Context(), store.Span{}, "cam") {
		if err != nil {
			t.Fatal(err)
		}
		kinds[f.Kind]++
	}
	if kinds[store.Missing] == 0 || kinds[store.Imported] != 1 || kinds[store.Restart] != 0 {
		t.Errorf("findings: %v", kinds)
	}
	marks, err := l.LobeMarks(t.Context(), store.Span{}, "cam")
	if err != nil || len(marks) == 0 || marks[0].Lobes != 5 {
		t.Errorf("lobe marks: %v, %v", marks, err)
	}
}

// A long silence is passed over: a recording whose rows are a century apart is
// imported at once.
func TestImportSilence(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	edges := []pulse.Edge{{At: 1e9}, {At: 106e7, Level: pulse.High}, {At: 1e9 + 100*365*24*3600e9}, {At: 106e7 + 100*365*24*3600e9, Level: pulse.High}}
	done, err := Import(t.Context(), &given{edges: edges}, ImportOptions{Log: path, Site: "Marrow Quay", Began: importBegan.AddDate(-105, 0, 0),
		Contact: config.Contact{Name: "dial", Meter: pulse.Config{Kind: pulse.KindDial}}})
	if err != nil || done.Edges != 4 || done.Last.Year() != importBegan.Year()-5 {
		t.Errorf("%+v, %v", done, err)
	}
}

// given is a source of some edges, and then of an error.
type given struct {
	edges []pulse.Edge
	err   error  // nil: io.EOF
	then  func() // ends ctx; nil: nothing does
}

func (g *given) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if len(g.edges) == 0 {
		if g.then != nil {
			g.then()
			<-ctx.Done()
			return 0, ctx.Err()
		}
		if g.err != nil {
			return 0, g.err
		}
		return 0, io.EOF
	}
	n := copy(buf, g.edges)
	g.edges = g.edges[n:]
	return n, nil
}

func (*given) Close() error { return nil }

// A mistake in the recording, or the end of ctx, leaves a log as it was; that of
// a new log is that there is none.
func TestImportNothingOrAll(t *testing.T) {
	steady := func(n int) (edges []pulse.Edge) {
		for i := range n {
			edges = append(edges, pulse.Edge{At: pulse.Stamp(i+1) * 50e6, Level: pulse.Level(i & 1)})
		}
		return edges
	}
	broken := errors.New("row 7: no number")
	for _, isNew := range []bool{true, false} {
		for name, begin := range map[string]func(end func()) *given{
			"a mistake":      func(func()) *given { return &given{edges: steady(3 * importCommit), err: broken} },
			"the end of ctx": func(end func()) *given { return &given{edges: steady(3 * importCommit), then: end} },
		} {
			path := filepath.Join(t.TempDir(), "log.db")
			if !isNew {
				if _, err := importSim(t.Context(), path, "cam ipm=60 cycles=60", time.Hour, pulse.Config{}, importBegan); err != nil {
					t.Fatal(err)
				}
			}
			ctx, end := context.WithCancel(t.Context())
			_, err := Import(ctx, begin(end), ImportOptions{Log: path, Site: "Marrow Quay", Began: importBegan.Add(time.Hour),
				Contact: config.Contact{Name: "dial", Meter: pulse.Config{Kind: pulse.KindInterrupter}}})
			end()
			if !errors.Is(err, broken) && !errors.Is(err, context.Canceled) {
				t.Fatalf("%s: %v", name, err)
			}
			if isNew {
				if _, err := os.Stat(path); !errors.Is(err, os.ErrNotExist) {
					t.Errorf("%s: the new log is left: %v", name, err)
				}
				continue
			}
			l := imported(t, path)
			contacts, err := l.Contacts(t.Context())
			if err != nil || strings.Join(contacts, " ") != "cam" {
				t.Errorf("%s: contacts %q, %v", name, contacts, err)
			}
			tl, err := l.Timeline(t.Context(), 0)
			if err != nil || len(tl.Sessions) != 1 {
				t.Errorf("%s: %+v, %v", name, tl, err)
			}
		}
	}
}

func TestImportRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	if _, err := importSim(t.Context(), path, "cam ipm=60 cycles=60", time.Hour, pulse.Config{}, importBegan); err != nil {
		t.Fatal(err)
	}
	var overlap *store.OverlapError
	if _, err := importSim(t.Context(), path, "cam ipm=60 cycles=60", time.Hour, pulse.Config{}, importBegan.Add(30*time.Second)); !errors.As(err, &overlap) {
		t.Errorf("the same time: %v", err)
	}
	// One edge tells no kind.
	one := &given{edges: []pulse.Edge{{At: 1}}}
	if _, err := Import(t.Context(), one, ImportOptions{Log: path, Began: importBegan, Contact: config.Contact{Name: "x"}}); !errors.Is(err, ErrKind) {
		t.Errorf("one edge: %v", err)
	}
	// A log that somebody writes.
	s, err := store.Open(t.Context(), path, store.Options{Site: "Marrow Quay"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var held *store.HeldError
	if _, err := importSim(t.Context(), path, "cam ipm=60 cycles=60", time.Hour, pulse.Config{}, importBegan.Add(time.Hour)); !errors.As(err, &held) {
		t.Errorf("a log that is being written: %v", err)
	}
}

// A limit that is crossed in a recording, and kept again later, is found as when it
// is watched. The profile is invented.
func TestImportCrossesALimit(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	most := 55.0
	limits := &pulse.Profile{ID: "own", Kind: pulse.KindInterrupter, Limits: []pulse.Limit{{Quantity: pulse.BreakPercent, Max: &most}}}
	if _, err := importSim(t.Context(), path, "cam ipm=60 break=56 cycles=endless steps=10min:break:-6", time.Hour, pulse.Config{Limits: limits}, importBegan); err != nil {
		t.Fatal(err)
	}
	var kinds []store.FindingKind
	for f, err := range imported(t, path).Findings(t.Context(), store.Span{}, "cam") {
		if err != nil {
			t.Fatal(err)
		}
		if f.Kind == store.LimitCrossed || f.Kind == store.LimitKept {
			kinds = append(kinds, f.Kind)
		}
	}
	if diff := cmp.Diff([]store.FindingKind{store.LimitCrossed, store.LimitKept}, kinds); diff != "" {
		t.Error(diff)
	}
}

// The windows that the summaries of a cadence tell are those of its rows: the mean
// break of its whole cycles, also where each hole in the recording leaves a cycle with
// its short break alone. The breaks of 200 and 2000 ms are exact, and so is their mean.
func TestSummariesOfACadence(t *testing.T) {
	cadence := []int64{400e6, 200e6, 400e6, 2000e6}
	var edges []pulse.Edge
	at := pulse.Stamp(1e9)
	for cycle := range 600 {
		for i, ns := range cadence {
			if i == 3 && cycle%70 == 69 { // not read from within the long break on
				edges = append(edges, pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 1e8, Level: pulse.Unknown})
				at += pulse.Stamp(ns)
				continue
			}
			edges = append(edges, pulse.Edge{At: at, Level: pulse.Level(1 - i&1)})
			at += pulse.Stamp(ns)
		}
	}
	for i := range edges {
		edges[i].Seq = uint32(i + 1)
	}
	for name, cfg := range map[string]pulse.Config{
		"given":         {Kind: pulse.KindInterrupter, CadenceNS: cadence},
		"of the limits": {Kind: pulse.KindInterrupter, Limits: &pulse.Profile{ID: "own", Kind: pulse.KindInterrupter, CadenceNS: cadence}},
		"learnt":        {Kind: pulse.KindInterrupter},
	} {
		path := filepath.Join(t.TempDir(), "log.db")
		if _, err := Import(t.Context(), &given{edges: edges}, ImportOptions{Log: path, Site: "Marrow Quay", Began: importBegan,
			Contact: config.Contact{Name: "ringing", Meter: cfg}}); err != nil {
			t.Fatal(err)
		}
		windows, known, uneven := 0, 0, 0
		for m, err := range imported(t, path).Summaries(t.Context(), store.Span{}, "ringing") {
			if err != nil {
				t.Fatal(err)
			}
			w, ok := m.Window(cfg.Kind, cfg.BreaksInCycle())
			if !ok {
				continue
			}
			windows++
			if m.Break.N != 2*m.Period.N {
				uneven++
			}
			if w.BreakMS.N > 0 {
				known++
				if w.BreakMS.Mean != 1100 || w.BreakMS.N != m.Period.N || w.BreakMS.SE != 0 {
					t.Errorf("%s: break %+v of %d whole cycles with %d breaks", name, w.BreakMS, m.Period.N, m.Break.N)
				}
			}
		}
		want := windows
		if cfg.BreaksInCycle() == 0 { // nothing tells how many breaks make a mean
			want = 0
		}
		if windows < 28 || uneven < 5 || known != want {
			t.Errorf("%s: %d windows, %d with a mean break, want %d; %d with breaks of cycles that are not whole", name, windows, known, want, uneven)
		}
	}
}
