package store

import (
	"database/sql"
	"encoding/json"
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

// A log of the first format gets its tables when it is opened for writing, and
// keeps what it has.
func TestFirstFormatIsBroughtUpToDate(t *testing.T) {
	path, clock := logPath(t), newClock()
	s := open(t, path, clock, Options{})
	s.Contact(dialA).Append(numbered(3600e9, 1, 10))
	clock.advance(time.Second)
	mustCommit(t, s)
	closeStore(t, s)
	db, err := sql.Open("sqlite", dsn(path, "rw"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("DROP TABLE lobe_ones; DROP TABLE lobe_marks; ALTER TABLE sessions DROP COLUMN imported; PRAGMA user_version = 1"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenRead(t.Context(), path); err == nil || !strings.Contains(err.Error(), "its format is 1 and this program reads 3") {
		t.Error(err)
	}
	s = open(t, path, clock, Options{})
	if marks, err := s.LobeMarks(t.Context(), Span{}, "dial A"); err != nil || len(marks) != 0 {
		t.Error(marks, err)
	}
	all, err := list(t.Context(), s.Log, scanInt, "SELECT edges FROM edge_blocks")
	if err != nil {
		t.Fatal(err)
	}
	diff(t, []int64{10}, all)
}
