package store

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"makebreak/pulse"
)

// Marks of lobes and the notes that name lobe 1 come back as they were, in
// order of time, through a restart in the same boot.
func TestLobeMarks(t *testing.T) {
	path, clock := logPath(t), newClock()
	s := open(t, path, clock, Options{})
	cam := Configuration{Contact: "cam", Source: "gpio:CAM", Kind: pulse.KindInterrupter}
	s.Contact(cam)
	s.Contact(named("other"))
	sign := json.RawMessage(`[{"lobe":1}]`)
	s.MarkLobe(LobeMark{Contact: "cam", At: Moment{Mono: 3601e9}, Numbering: 1, Lobes: 5, Lobe: 3})
	s.MarkLobe(LobeMark{Contact: "cam", At: Moment{Mono: 3605e9}, Numbering: 1, Lobes: 5, Lobe: 2, Signature: sign})
	s.MarkLobe(LobeMark{Contact: "other", At: Moment{Mono: 3602e9}, Numbering: 4, Lobes: 3, Lobe: 1})
	clock.advance(10 * time.Second)
	mustCommit(t, s)
	closeStore(t, s)
	clock.advance(20 * time.Second)
	s = open(t, path, clock, Options{})
	s.Contact(cam)
	s.MarkLobe(LobeMark{Contact: "cam", At: Moment{Mono: 3640e9}, Numbering: 2, Lobes: 5, Lobe: 1})
	clock.advance(20 * time.Second)
	mustCommit(t, s)
	wall := time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC)
	want := []LobeMark{
		{"cam", Moment{1, 3601e9, 1e9, wall.Add(time.Second)}, 1, 5, 3, nil},
		{"cam", Moment{1, 3605e9, 5e9, wall.Add(5 * time.Second)}, 1, 5, 2, sign},
		{"cam", Moment{2, 3640e9, 40e9, wall.Add(40 * time.Second)}, 2, 5, 1, nil},
	}
	got, err := s.LobeMarks(t.Context(), Span{}, "cam")
	if err != nil {
		t.Fatal(err)
	}
	diff(t, want, got)
	if got, err = s.LobeMarks(t.Context(), Span{From: 2e9, To: 40e9}, "cam"); err != nil {
		t.Fatal(err)
	}
	diff(t, want[1:2], got)

	// The note of a contact with marks, and of one whose numbering it begins.
	if _, err := s.NoteLobeOne(t.Context(), Note{Contact: "cam", Text: "chalk"}, want[1]); err != nil {
		t.Fatal(err)
	}
	fresh := LobeMark{Contact: "other", At: Moment{Session: 2, Mono: 3650e9}, Lobes: 7, Lobe: 1}
	if _, err := s.NoteLobeOne(t.Context(), Note{Contact: "other", Text: "paint"}, fresh); err != nil {
		t.Fatal(err)
	}
	ones, err := s.LobeOnes(t.Context(), "cam")
	if err != nil {
		t.Fatal(err)
	}
	diff(t, []LobeOne{{1, 1, 5, 2}}, ones)
	if ones, err = s.LobeOnes(t.Context(), "other"); err != nil {
		t.Fatal(err)
	}
	diff(t, []LobeOne{{2, 5, 7, 1}}, ones)
	if got, err = s.LobeMarks(t.Context(), Span{From: 45e9}, "other"); err != nil {
		t.Fatal(err)
	}
	diff(t, []LobeMark{{"other", Moment{2, 3650e9, 50e9, wall.Add(50 * time.Second)}, 5, 7, 1, nil}}, got)
	if _, err := s.AddNote(t.Context(), Note{Contact: "cam", Text: "plain"}); err != nil {
		t.Fatal(err)
	}
	notes, err := s.Notes(t.Context(), Span{}, "")
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []bool{true, true, false} {
		if notes[i].LobeOne != want {
			t.Errorf("note %q: lobe one %v", notes[i].Text, notes[i].LobeOne)
		}
	}
	if _, err := s.NoteLobeOne(t.Context(), Note{Contact: "lamp", Text: "x"}, fresh); err == nil || !strings.Contains(err.Error(), `contact "lamp" is not in the log`) {
		t.Error(err)
	}
	if flaws, err := s.Check(t.Context()); err != nil || len(flaws) > 0 {
		t.Error(flaws, err)
	}
}

// A log of an older format can be read as it is, gets its tables when it is
// opened for writing, and keeps what it has.
func TestOlderFormats(t *testing.T) {
	for format := 1; format < len(migrations()); format++ {
		path, clock := logPath(t), newClock()
		s := open(t, path+" new", clock, Options{})
		s.Contact(dialA).Append(numbered(3600e9, 1, 10))
		clock.advance(time.Second)
		mustCommit(t, s)
		closeStore(t, s)
		older(t, path+" new", path, format)
		l, err := OpenRead(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.AddNote(t.Context(), Note{Text: "oiled"}); err != nil {
			t.Error(err)
		}
		read := func(l *Log) {
			t.Helper()
			tl, err := l.Timeline(t.Context(), 0)
			if err != nil || len(tl.Sessions) == 0 || (tl.Sessions[0].Limits != nil) != (format >= 3) {
				t.Fatalf("%+v, %v", tl, err)
			}
			got, _ := replay(t, l, Span{To: 1e9}, "dial A")
			diff(t, numbered(0, 1, 10), got)
			notes, err := l.Notes(t.Context(), Span{}, "")
			if err != nil || len(notes) != 1 {
				t.Error(notes, err)
			}
			for _, ask := range []func() (int, error){
				func() (int, error) { m, err := l.LobeMarks(t.Context(), Span{}, "dial A"); return len(m), err },
				func() (int, error) { o, err := l.LobeOnes(t.Context(), "dial A"); return len(o), err },
				func() (int, error) { h, err := l.LobeHours(t.Context(), Span{}, "dial A"); return len(h), err },
			} {
				if n, err := ask(); n != 0 || err != nil {
					t.Error(n, err)
				}
			}
		}
		read(l)
		_, err = l.NoteLobeOne(t.Context(), Note{Contact: "dial A", Text: "x"}, LobeMark{Lobes: 3, Lobe: 1})
		if told := err != nil && strings.Contains(err.Error(), "let the daemon open it once"); told != (format < 2) {
			t.Error(err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		if format > 1 {
			continue // the note that was just added is one too many
		}
		s = open(t, path, clock, Options{KeepEdges: time.Hour, MaxBytes: 10e6})
		read(s.Log)
		tl, err := s.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		diff(t, &Limits{time.Hour, 10e6}, tl.Sessions[1].Limits)
	}
}

// older copies a log into one of an older format.
func older(t *testing.T, from, to string, format int) {
	t.Helper()
	db, err := openWriter(to, commitWait)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	must := func(query string, args ...any) {
		t.Helper()
		if _, err := db.Exec(query, args...); err != nil {
			t.Fatal(query, err)
		}
	}
	for _, step := range migrations()[:format] {
		must(step)
	}
	must(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, format))
	must("ATTACH ? AS new", from)
	rows, err := db.Query("SELECT name FROM main.sqlite_schema WHERE type = 'table'")
	if err != nil {
		t.Fatal(err)
	}
	tables, err := collect(rows, scanText)
	if err != nil {
		t.Fatal(err)
	}
	must("PRAGMA foreign_keys = 0")
	for _, table := range tables {
		rows, err := db.Query("SELECT name FROM pragma_table_info(?)", table)
		if err != nil {
			t.Fatal(err)
		}
		names, err := collect(rows, scanText)
		if err != nil {
			t.Fatal(err)
		}
		columns := strings.Join(names, ", ")
		must("INSERT INTO main." + table + " (" + columns + ") SELECT " + columns + " FROM new." + table)
	}
}
