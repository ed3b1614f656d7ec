package command

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/daemon/store/storetest"
	"makebreak/hw"
	"makebreak/pulse"
)

// lobeLog makes a log of invented contacts: cam and bare are one cam, the third
// of its five lobes 8 ms late, at 60 IPM from 10:00:01 on for 20 minutes; bare
// is set up without lobes; dial is one. With marks, the log numbers the lobe of
// the opening at 10:00:11 as 2.
func lobeLog(t *testing.T, marks bool) string {
	t.Helper()
	const start = pulse.Stamp(time.Hour)
	const long = pulse.Stamp(20 * time.Minute)
	path := filepath.Join(t.TempDir(), "log.db")
	wall := time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)
	now := hw.Anchor{Mono: start, Wall: wall}
	s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", BufferBytes: 64 << 20, Clock: func() (hw.Anchor, hw.Discipline) {
		return now, hw.Discipline{Synchronised: true}
	}})
	if err != nil {
		t.Fatal(err)
	}
	var edges []pulse.Edge
	for i := range 1199 {
		at := start + pulse.Stamp(i+1)*1e9
		if i%5 == 2 {
			at += 8e6
		}
		edges = append(edges, pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 5e8, Level: pulse.High})
	}
	now = hw.Anchor{Mono: start + long, Wall: wall.Add(time.Duration(long))}
	for name, c := range map[string]store.Configuration{
		"cam":  {Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{"lobes":5,"period_ns":1000000000}`)},
		"bare": {Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{"period_ns":1000000000}`)},
		"dial": {Kind: pulse.KindDial, Settings: json.RawMessage(`{}`)},
	} {
		c.Contact, c.Source = name, "gpio:GPIO17"
		s.Contact(c).Append(append([]pulse.Edge{{At: start, Level: pulse.High}}, edges...))
	}
	if marks {
		s.MarkLobe(store.LobeMark{Contact: "cam", At: store.Moment{Mono: start + 11e9}, Numbering: 1, Lobes: 5, Lobe: 2})
	}
	storetest.Finish(t, s)
	return path
}

// command runs one, and gives what it wrote and its exit status.
func command(t *testing.T, args ...string) (stdout, stderr string, status int) {
	t.Helper()
	var out, errs bytes.Buffer
	status = Run(t.Context(), args, strings.NewReader(""), &out, &errs, noEnv)
	return out.String(), errs.String(), status
}

// faulty measures a stretch of cam and gives the number of the lobe that is
// 8 ms late, and what numbers go by.
func faulty(t *testing.T, path string, more ...string) (lobe int, by string) {
	t.Helper()
	out, errs, status := command(t, append([]string{"measure", "run:cam", "--log", path, "--json"}, more...)...)
	var m struct {
		Interrupter struct {
			Lobes           []pulse.Lobe
			LobesNumberedBy string `json:"lobes_numbered_by"`
		}
	}
	if err := json.Unmarshal([]byte(out), &m); err != nil || status != StatusOK {
		t.Fatalf("%v: status %d: %v: %s", more, status, err, errs)
	}
	for _, l := range m.Interrupter.Lobes {
		if e := l.OpeningErrorMS.V; e > 7.9 && e < 8.1 {
			if lobe != 0 {
				t.Errorf("%v: lobes %d and %d are late", more, lobe, l.Lobe)
			}
			lobe = l.Lobe
		}
	}
	return lobe, m.Interrupter.LobesNumberedBy
}

// A note gives number 1 to the lobe that opened at a time, in a log that has
// numbers and in one that has none, for stretches before and after it.
func TestNoteLobeOne(t *testing.T) {
	stretches := [][]string{nil, {"--since", "2026-11-20T10:03:02"}, {"--since", "2026-11-20T10:04:04", "--until", "2026-11-20T10:06"},
		{"--since", "2026-11-20T10:15:03.5"}, {"--until", "2026-11-20T10:02"}}
	for _, marks := range []bool{true, false} {
		path := lobeLog(t, marks)
		for _, s := range stretches {
			// 10:00:11 is opening 10, of the cam's lobe 1; so lobe 3 has number 4.
			if lobe, by := faulty(t, path, s...); marks && (lobe != 4 || by != pulse.LobesByLog) || !marks && by != pulse.LobesByRecording {
				t.Errorf("marks %v, %v: lobe %d is late, numbered by %s", marks, s, lobe, by)
			}
		}
		for _, n := range []struct {
			at   string
			want int // number of the late lobe then
		}{
			{"2026-11-20T10:07:08.300", 1}, // opening 427 at 10:07:08.008: the late one
			{"2026-11-20T10:07:08.600", 5}, // opening 428 at 10:07:09, the one after it
			{"2026-11-20T10:19:01", 3},     // opening 1140, the cam's lobe 1
		} {
			out, errs, status := command(t, "note", "chalk mark", "--log", path, "--contact", "cam", "--lobe-one", "--at", n.at)
			if status != StatusOK || !strings.Contains(out, "is lobe 1 in all that is asked from now on.") {
				t.Fatalf("status %d: %s%s", status, out, errs)
			}
			for _, s := range stretches {
				if lobe, by := faulty(t, path, s...); lobe != n.want || by != pulse.LobesByReference {
					t.Errorf("marks %v, after the note of %s, %v: lobe %d is late, want %d, numbered by %s", marks, n.at, s, lobe, n.want, by)
				}
			}
		}
		if out, _, _ := command(t, "notes", "--log", path); strings.Count(out, "note, lobe 1 opened: chalk mark") != 3 {
			t.Errorf("notes:\n%s", out)
		}
		if out, _, _ := command(t, "measure", "run:cam", "--log", path); !strings.Contains(out, "Lobe 1 is the one that a note in the log names.") {
			t.Errorf("page:\n%s", out)
		}
	}
}

// What cannot be is refused in one line, with exit status 2.
func TestNoteLobeOneRefused(t *testing.T) {
	path := lobeLog(t, true)
	for want, args := range map[string][]string{
		`contact "bare" has no lobes in its configuration`:       {"--contact", "bare", "--at", "2026-11-20T10:07"},
		`contact "dial" is watched as a dial: expected an inter`: {"--contact", "dial", "--at", "2026-11-20T10:07"},
		`contact "lamp" is not in the log`:                       {"--contact", "lamp", "--at", "2026-11-20T10:07"},
		`has no opening of contact "cam" near that time`:         {"--contact", "cam", "--at", "2026-11-20T09:00"},
		`--at 2026-11-20T10:25: the log has no opening`:          {"--contact", "cam", "--at", "2026-11-20T10:25"},
		`expected --contact NAME and --at TIME with it`:          {"--contact", "cam"},
		`names the lobe that opened at a time: expected`:         {"--at", "2026-11-20T10:07"},
	} {
		out, errs, status := command(t, append([]string{"note", "x", "--log", path, "--lobe-one"}, args...)...)
		if status != StatusWrong || out != "" || !strings.Contains(errs, want) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: status %d: %q %q, want %q", args, status, out, errs, want)
		}
	}
	if out, _, _ := command(t, "notes", "--log", path); strings.Contains(out, "lobe 1") {
		t.Errorf("notes:\n%s", out)
	}
}
