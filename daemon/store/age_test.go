package store

import (
	"encoding/json"
	"strings"
	"testing"
	"time"
)

// Edges age only by time that is known. The hours are those of the table,
// added up by hand; all is invented.
func TestAgeAcrossBoots(t *testing.T) {
	const keep = 48 * time.Hour
	day := time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC)
	type start struct {
		wall    time.Time
		steers  bool
		later   time.Duration // by which the clock is then set
		steers2 bool          // from then on
		boot    string
	}
	for name, tt := range map[string]struct {
		steered bool // in the first boot, which begins at day
		starts  []start
		kept    bool
	}{
		"a clock that was never set jumps by years": {false, []start{{day.AddDate(2, 0, 0), true, 0, true, "boot-2"}}, true},
		"it is set a while after the boot":          {false, []start{{day.Add(time.Hour), false, 1000 * time.Hour, true, "boot-2"}}, true},
		"the new boot has no time":                  {true, []start{{day.AddDate(2, 0, 0), false, 0, false, "boot-2"}}, true},
		"three days, steered in both":               {true, []start{{day.Add(72 * time.Hour), true, 0, true, "boot-2"}}, false},
		"a day, steered in both":                    {true, []start{{day.Add(24 * time.Hour), true, 0, true, "boot-2"}}, true},
		"steered again a while after the boot":      {true, []start{{day.Add(2 * time.Hour), false, 70 * time.Hour, true, "boot-2"}}, false},
		"set back":                                  {true, []start{{day.Add(-1000 * time.Hour), true, 0, true, "boot-2"}}, true},
		"a boot without time between two that had it": {true, []start{
			{day.AddDate(-30, 0, 0), false, 0, false, "boot-2"}, {day.Add(72 * time.Hour), true, 0, true, "boot-3"}}, false},
		"a step within the boot": {true, []start{{day.Add(2 * time.Hour), true, 1000 * time.Hour, true, "boot-1"}}, true},
	} {
		t.Run(name, func(t *testing.T) {
			path, clock := logPath(t), newClock()
			clock.state.Synchronised = tt.steered
			s := open(t, path, clock, Options{KeepEdges: keep})
			s.Contact(dialA).Append(numbered(clock.mono(), 1, 9000))
			clock.advance(10 * time.Minute)
			mustCommit(t, s)
			for _, b := range tt.starts {
				closeStore(t, s)
				if b.boot == "boot-1" {
					clock.advance(time.Hour)
				} else {
					clock.reboot(b.wall, b.steers)
				}
				s = open(t, path, clock, Options{KeepEdges: keep, Boot: b.boot})
				s.Contact(dialA).Append(numbered(clock.mono(), 20000, 10))
				mustCommit(t, s)
				clock.step(b.later)
				clock.state.Synchronised = b.steers2
				for range 3 {
					clock.advance(time.Minute)
					mustCommit(t, s)
				}
			}
			removed := s.Stats().RemovedEdges
			if (removed == 0) != tt.kept {
				t.Errorf("%d edges were removed", removed)
			}
			told := 0
			for _, f := range findings(t, s.Log, "") {
				if f.Kind == Removed {
					told++
				}
			}
			if (told == 0) != tt.kept {
				t.Errorf("%d findings", told)
			}
			sound(t, s.Log)
		})
	}
}

// Run time goes on ageing edges, whatever the clock did before.
func TestAgeByRunTime(t *testing.T) {
	path, clock := logPath(t), newClock()
	clock.state.Synchronised = false
	s := open(t, path, clock, Options{KeepEdges: 48 * time.Hour})
	s.Contact(dialA).Append(numbered(clock.mono(), 1, 9000))
	clock.advance(20 * time.Hour)
	mustCommit(t, s)
	closeStore(t, s)
	clock.reboot(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), false)
	var told []Finding
	s = open(t, path, clock, Options{KeepEdges: 48 * time.Hour, Boot: "boot-2", OnRemoval: func(f Finding) { told = append(told, f) }})
	for _, hours := range []time.Duration{27, 2} { // 20 + 27 hours, less the 82 s of a block; then 49
		if len(told) > 0 {
			t.Fatal(texts(told))
		}
		clock.advance(hours * time.Hour)
		mustCommit(t, s)
	}
	if len(told) != 1 || s.Stats().RemovedEdges == 0 {
		t.Errorf("%v, %+v", texts(told), s.Stats())
	}
}

// Each removal is told with its range, in one finding of a contact and reason a
// day, which a kill does not lose.
func TestRemovalIsTold(t *testing.T) {
	path, clock := logPath(t), newClock()
	s := open(t, path, clock, Options{KeepEdges: time.Hour})
	removed := uint64(0)
	for i := range 60 {
		s.Contact(dialA).Append(numbered(clock.mono(), uint32(i*9000+1), 9000))
		clock.advance(40 * time.Minute)
		mustCommit(t, s)
		if n := s.Stats().RemovedEdges; n > 0 && removed == 0 {
			removed = n
			fs := findings(t, s.Log, "")
			if len(fs) != 1 || !strings.HasPrefix(fs[0].Text, "8192 edges from 2024-03-30 12:00:00 to 2024-03-30 12:01:21 UTC were removed: they were older than 1h0m0s") {
				t.Error(texts(fs)) // a block of 8192 edges, 10 ms apart, is 81.91 s long
			}
		}
	}
	removed = s.Stats().RemovedEdges
	crash(t, s)
	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	fs := findings(t, l, "")
	if len(fs) != 2 { // of 40 hours
		t.Fatal(texts(fs))
	}
	for _, f := range fs {
		var d struct{ Edges uint64 }
		if err := json.Unmarshal(f.Detail, &d); err != nil || f.Kind != Removed || f.Contact != "dial A" {
			t.Errorf("%+v, %v", f, err)
		}
		removed -= d.Edges
	}
	if removed != 0 {
		t.Errorf("%d removed edges are not told", removed)
	}
}
