package store

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/pulse"
)

// beginImport opens a log for an import whose clock is at a wall time.
func beginImport(t testing.TB, path, contact string, wall time.Time) (*Store, *handClock, error) {
	t.Helper()
	clock := newClock()
	clock.reboot(wall, false)
	s, err := Open(context.Background(), path, Options{Imported: contact, Boot: "import of " + contact + wall.String(), Clock: clock.read})
	return s, clock, err
}

// importEdges imports n edges, a second apart, from a wall time.
func importEdges(t testing.TB, path, contact string, wall time.Time, n int) {
	t.Helper()
	s, clock, err := beginImport(t, path, contact, wall)
	if err != nil {
		t.Fatal(err)
	}
	c := s.Contact(named(contact))
	for i := range n {
		c.Append([]pulse.Edge{{At: clock.mono(), Level: pulse.Level(i & 1)}})
		clock.advance(time.Second)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// wallOf is when a contact's edges were, by the log.
func wallsOf(t testing.TB, l *Log, span Span, contact string) (first, last time.Time, n int) {
	t.Helper()
	edges, r := replay(t, l, span, contact)
	for _, e := range edges {
		if e.Level > pulse.High {
			continue
		}
		if n++; n == 1 {
			first = r.Timeline().At(e.At).Wall
		}
		last = r.Timeline().At(e.At).Wall
	}
	return first, last, n
}

// Imports of several contacts lie beside each other, each with its own wall
// times; a watch goes on after them, and each contact sees only its own time.
func TestImportsBesideEachOther(t *testing.T) {
	path, clock := logPath(t), newClock()
	open(t, path, clock, Options{Site: "Marrow Quay"}).Close() // the log begins
	began, _ := clock.read()
	began.Wall = began.Wall.Add(time.Hour)
	importEdges(t, path, "cam", began.Wall, 600)
	importEdges(t, path, "dial", began.Wall.Add(time.Minute), 60)
	importEdges(t, path, "dial", began.Wall.Add(5*time.Minute), 60)
	clock.reboot(began.Wall.Add(2*time.Hour), true)
	s := open(t, path, clock, Options{Site: "Marrow Quay"})
	s.Contact(named("dial")).Append(numbered(clock.mono(), 1, 10))
	clock.advance(time.Second)
	mustCommit(t, s)
	closeStore(t, s)

	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for _, c := range []struct {
		contact        string
		since          time.Duration // after began
		first, last, n int           // seconds after began
	}{
		{"cam", 0, 0, 599, 600},
		{"cam", 100 * time.Second, 100, 599, 500},
		{"dial", 0, 60, 7200, 130},
		{"dial", 310 * time.Second, 310, 7200, 60},
	} {
		tl, err := l.TimelineOf(t.Context(), 0, c.contact)
		if err != nil {
			t.Fatal(err)
		}
		first, last, n := wallsOf(t, l, Span{From: tl.Since(began.Wall.Add(c.since))}, c.contact)
		if got := int(first.Sub(began.Wall) / time.Second); got != c.first || n != c.n {
			t.Errorf("%s since %v: %d edges from %d s, want %d from %d s", c.contact, c.since, n, got, c.n, c.first)
		}
		if got := int(last.Sub(began.Wall) / time.Second); got != c.last {
			t.Errorf("%s since %v: until %d s, want %d s", c.contact, c.since, got, c.last)
		}
		for i := range tl.Sessions[1:] {
			if tl.Sessions[i+1].Start.Run <= tl.Sessions[i].Alive.Run {
				t.Errorf("%s: session %d begins before the end of the one before", c.contact, i+1)
			}
		}
	}
	// All sessions together end where the watch does.
	tl, err := l.Timeline(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if n := len(tl.Sessions); n != 5 {
		t.Errorf("%d sessions", n)
	}
	sound(t, l)
}

func TestImportRefused(t *testing.T) {
	path, clock := logPath(t), newClock()
	open(t, path, clock, Options{Site: "Marrow Quay"}).Close()
	began, _ := clock.read()
	importEdges(t, path, "cam", began.Wall.Add(time.Hour), 600)
	for name, c := range map[string]struct {
		contact string
		after   time.Duration
		want    string // empty: it goes
	}{
		"the same time":      {"cam", time.Hour, "the log has cam until"},
		"inside":             {"cam", time.Hour + 5*time.Minute, "the log has cam until"},
		"at the end":         {"cam", time.Hour + 10*time.Minute, "the log has cam until"},
		"before":             {"cam", time.Minute, "the log has cam until"},
		"before the log":     {"never-met", -time.Hour, "before the log, which begins 2"},
		"at its watch":       {"never-met", 0, "and the log was watched until 2"}, // another contact would not help
		"after":              {"cam", time.Hour + 11*time.Minute, ""},
		"beside":             {"dial", time.Hour + 5*time.Minute, ""},
		"before, of another": {"lamp", 30 * time.Minute, ""},
	} {
		s, _, err := beginImport(t, path, c.contact, began.Wall.Add(c.after))
		if err == nil {
			if e := s.Abandon(); e != nil {
				t.Fatal(e)
			}
		}
		var overlap *OverlapError
		if c.want == "" && err != nil || c.want != "" && (!errors.As(err, &overlap) || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// In a log of imports alone, none may begin before the first.
	path = filepath.Join(t.TempDir(), "new.db")
	s, err := Open(t.Context(), path, Options{Imported: "cam", Site: "Marrow Quay", Boot: "i", Clock: clock.read})
	if err != nil {
		t.Fatal(err)
	}
	closeStore(t, s)
	if _, _, err := beginImport(t, path, "dial", began.Wall.Add(-time.Hour)); err == nil || !strings.Contains(err.Error(), "before the log, which begins") {
		t.Error(err)
	}
	if _, err := Open(t.Context(), path, Options{Imported: "dial", Site: "Elsewhere", Boot: "j", Clock: clock.read}); err == nil || !strings.Contains(err.Error(), `it is a log of the site "Marrow Quay"`) {
		t.Error(err)
	}
	if _, err := Open(t.Context(), filepath.Join(t.TempDir(), "x.db"), Options{Imported: "dial", Boot: "j", Clock: clock.read}); err == nil || !strings.Contains(err.Error(), "expected the name of its site") {
		t.Error(err)
	}
}

// An import that does not come to its end is never seen, whether it is abandoned
// or killed, and leaves nothing.
func TestImportUnfinished(t *testing.T) {
	path, clock := logPath(t), newClock()
	w := open(t, path, clock, Options{Site: "Marrow Quay"})
	w.Contact(named("dial")).Append(numbered(clock.mono(), 1, 10))
	clock.advance(time.Second)
	closeStore(t, w)
	began, _ := clock.read()
	counts := func() []int64 {
		l, err := OpenRead(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		var all []int64
		for _, table := range []string{"sessions", "edge_blocks", "summaries", "findings", "configurations", "clocks", "contacts", "runs"} {
			n, err := list(t.Context(), l, scanInt, "SELECT count(*) FROM "+table)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, n[0])
		}
		return all
	}
	before := counts()
	for _, end := range []func(*Store){
		func(s *Store) {
			if err := s.Abandon(); err != nil {
				t.Fatal(err)
			}
		},
		func(s *Store) { crash(t, s) },
	} {
		s, clock, err := beginImport(t, path, "cam", began.Wall.Add(time.Hour))
		if err != nil {
			t.Fatal(err)
		}
		s.Contact(named("cam")).Append(numbered(clock.mono(), 1, 5000))
		s.Find(Finding{Contact: "cam", Kind: Imported, At: Moment{Mono: clock.mono()}, Text: "x"})
		s.Summarise(Summary{Contact: "cam", At: Moment{Mono: clock.mono()}, Edges: 1})
		mustCommit(t, s)
		l, err := OpenRead(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		if tl, err := l.Timeline(t.Context(), 0); err != nil || len(tl.Sessions) != 1 {
			t.Errorf("seen while it goes on: %v, %v", tl, err)
		}
		if c, err := l.Configurations(t.Context(), "cam"); err != nil || len(c) != 0 {
			t.Errorf("seen while it goes on: %v, %v", c, err)
		}
		if f := findings(t, l, "cam"); len(f) != 0 {
			t.Errorf("seen while it goes on: %v", f)
		}
		if _, err := l.AddNote(t.Context(), Note{Text: "meanwhile"}); err != nil {
			t.Error(err)
		}
		l.Close()
		end(s)
	}
	// The next start removes what the killed one left.
	importEdges(t, path, "lamp", began.Wall.Add(2*time.Hour), 1)
	after := counts()
	for i, more := range []int64{1, 1, 0, 0, 1, 1, 1, 0} { // of the lamp
		if after[i] != before[i]+more {
			t.Errorf("table %d: %d rows, want %d and %d", i, after[i], before[i], more)
		}
	}
}

// A log that an abandoned import began is gone.
func TestImportAbandonedNewLog(t *testing.T) {
	path, clock := logPath(t), newClock()
	s, err := Open(t.Context(), path, Options{Imported: "cam", Site: "Marrow Quay", Boot: "i", Clock: clock.read})
	if err != nil {
		t.Fatal(err)
	}
	s.Contact(named("cam")).Append(numbered(clock.mono(), 1, 10))
	mustCommit(t, s)
	if err := s.Abandon(); err != nil {
		t.Fatal(err)
	}
	left, err := os.ReadDir(filepath.Dir(path))
	if err != nil || len(left) != 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// Retention counts the age of an import from the watch that follows it.
func TestRetentionKeepsImports(t *testing.T) {
	path, clock := logPath(t), newClock()
	open(t, path, clock, Options{Site: "Marrow Quay"}).Close()
	began, _ := clock.read()
	importEdges(t, path, "cam", began.Wall.Add(time.Hour), 20000)
	clock.reboot(began.Wall.Add(60*24*time.Hour), true) // long after the import's own time
	s := open(t, path, clock, Options{Site: "Marrow Quay", KeepEdges: time.Hour})
	kept := func() int64 {
		n, err := list(t.Context(), s.Log, scanInt, "SELECT coalesce(sum(edges), 0) FROM edge_blocks")
		if err != nil {
			t.Fatal(err)
		}
		return n[0]
	}
	beat := func(d time.Duration) {
		clock.advance(d)
		s.Find(Finding{Kind: Extra, Text: "x"})
		mustCommit(t, s)
	}
	beat(time.Minute)
	if n := kept(); n != 20000 {
		t.Errorf("%d edges are left at once", n)
	}
	beat(58 * time.Minute)
	if n := kept(); n != 20000 {
		t.Errorf("%d edges are left before an hour", n)
	}
	beat(2 * time.Minute)
	beat(time.Minute)
	if n := kept(); n >= 20000 {
		t.Errorf("%d edges are left after an hour", n)
	}
}
