package stretch

import (
	"encoding/json"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
)

// The statement of a soak test's result holds of the whole time, and the exit
// status follows it: also for edges that were removed, and for a result that
// was kept when a missing interruption did not yet forbid a pass.
func TestSoakStatement(t *testing.T) {
	for _, c := range []struct {
		name    string
		s       pulse.Statement // empty: no limits
		because []string        // nil: not told yet
		missing int
		removed *Removed
		want    pulse.Statement
		causes  int
		status  Status
	}{
		{"sound", pulse.Pass, []string{}, 0, nil, pulse.Pass, 0, OK},
		{"missing", pulse.Fail, []string{"2 interruptions are missing"}, 2, nil, pulse.Fail, 1, OutOfLimits},
		{"missing, kept earlier", pulse.Pass, nil, 2, nil, pulse.Fail, 1, OutOfLimits},
		{"edges removed", pulse.Pass, []string{}, 0, &Removed{Pulses: 9}, pulse.NotMeasured, 1, NotMeasured},
		{"edges removed, near", pulse.ConditionalFail, []string{}, 0, &Removed{Pulses: 9}, pulse.ConditionalFail, 1, OutOfLimits},
		{"edges removed, faulty", pulse.Pass, []string{}, 0, &Removed{Missing: 1}, pulse.Fail, 2, OutOfLimits},
		{"no limits", "", nil, 2, nil, "", 0, OK},
		{"no limits, edges removed", "", nil, 0, &Removed{Missing: 1}, "", 0, NotMeasured},
	} {
		r := SoakResult{Log: &Report{Removed: c.removed}, Measurement: &pulse.Measurement{Interrupter: &pulse.Interrupter{Cycles: 5, Missing: c.missing}}}
		if c.s != "" {
			r.Measurement.Conformity = &pulse.Conformity{Statement: c.s, Because: slices.Clone(c.because)}
		}
		r.judge()
		r.judge() // as when it is shown again
		d := Soak{Results: []SoakResult{r}}
		if got := r.Measurement.Conformity; got != nil && (got.Statement != c.want || len(got.Because) != c.causes || got.Because == nil) {
			t.Errorf("%s: %s because %q, want %s", c.name, got.Statement, got.Because, c.want)
		}
		if d.Status() != c.status {
			t.Errorf("%s: status %d, want %d", c.name, d.Status(), c.status)
		}
	}
}

// keptSoak is what an earlier program kept of a soak test, with invented figures.
const keptSoak = `{"format":"makebreak.soak/1","title":"after oiling","contact":"cam","limits":null,"note":"idler oiled",
"begin":"2026-11-20T10:00:00Z","end":"2026-11-20T10:10:00Z","length_s":600,"cut_short":null,"idle":null,"not_read":[],
"results":[{"log":{"log":"marrow-quay.db","site":"Marrow Quay","contact":"cam","source":"gpio:GPIO17","since":"2026-11-20T10:00:00Z","until":"2026-11-20T10:10:00Z",
"length_s":600,"source_up_s":599.5,"gaps":1,"longest_gaps":[{"from":"2026-11-20T10:03:00Z","length_s":0.5,"why":"not running"}],"restarts":1,
"clock_steps":[],"findings":{"slip":2},"notes":[{"at":"2026-11-20T10:01:00Z","text":"cam, as found: dry"}],"configuration_changes":0,
"removed":{"until":"2026-11-20T10:02:00Z","pulses":120,"missing":0,"extra":0,"out_of_limit":0,"lost_edges":3},
"worst":[{"quantity":"break_percent","bound":"max","at":"2026-11-20T10:04:05.006Z"}]},
"profile":{"id":"us-fcc-busy","title":"Busy tone","country":"US"},
"measurement":{"source":"run:cam","kind":"interrupter","interrupter":{"cycles":480,"missing":2},"conformity":{"statement":"pass"}}}]}`

// The kept result of a soak test is shown as it is, but judged as it is now.
func TestKeptSoakResult(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	session(t, path, start, start+600e9, hw.Discipline{}, map[string]store.Configuration{"cam": {Kind: pulse.KindInterrupter}},
		[]pulse.Edge{{At: start, Level: pulse.High}, {At: start + 1e9, Level: pulse.Low}})
	log := open(t, path)
	id, err := log.BeginSoak(t.Context(), store.Soak{Title: "after oiling", Contact: "cam"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := log.EndSoak(t.Context(), id); err != nil {
		t.Fatal(err)
	}
	if err := log.SetSoakResult(t.Context(), id, json.RawMessage(keptSoak)); err != nil {
		t.Fatal(err)
	}
	soaks, err := log.Soaks(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	never := func(*Source) (update, done func()) {
		t.Error("it is measured again")
		return func() {}, func() {}
	}
	d, err := ResultOf(t.Context(), log, soaks[0], never)
	if err != nil {
		t.Fatal(err)
	}
	r := d.Results[0]
	if d.Title != "after oiling" || *d.Of != "cam" || d.Note != "idler oiled" || *d.LengthS != 600 || d.End == nil || d.CutShort != nil || r.Profile.ID != "us-fcc-busy" {
		t.Errorf("%+v", d)
	}
	if l := r.Log; l.Site != "Marrow Quay" || l.UpS != 599.5 || l.Longest[0].LengthS != 0.5 || l.Findings["slip"] != 2 || l.Notes[0].Text != "cam, as found: dry" || l.Removed.Lost != 3 {
		t.Errorf("%+v", l)
	}
	if at, ok := r.Log.WorstAt(pulse.Item{Quantity: "break_percent", Bound: "max"}); !ok || !at.Equal(startWall.Add(4*time.Minute+5006*time.Millisecond)) {
		t.Errorf("worst at %v, %v", at, ok)
	}
	// Two missing interruptions forbid a pass, which the earlier program did not know.
	if c := r.Measurement.Conformity; c.Statement != pulse.Fail || len(c.Because) != 2 || d.Status() != OutOfLimits {
		t.Errorf("%+v, status %v", c, d.Status())
	}
	all, err := Statements(&soaks[0])
	if err != nil || len(all) != 1 || all["cam"] != pulse.Fail {
		t.Errorf("%v, %v", all, err)
	}
	for _, bad := range []string{`{"results":[{}]}`, "3"} {
		if all, err := Statements(&store.Soak{Title: "after oiling", Result: json.RawMessage(bad)}); err == nil {
			t.Errorf("%s: %v", bad, all)
		}
	}
}

// How long the log keeps edges is told where it is less than a week or than it
// should keep; the room of a size is worked out by hand.
func TestRoom(t *testing.T) {
	const week = 7 * 24 * time.Hour
	for _, c := range []struct {
		room  Room
		short bool // its size
		want  string
	}{
		{Room{store.Limits{KeepEdges: 3 * 24 * time.Hour, MaxBytes: 1e9}, 0}, false, "single edges are kept for 3 d (keep_raw)"},
		{Room{store.Limits{KeepEdges: time.Hour, MaxBytes: 1e9}, week}, false, "single edges are kept for 1 h (keep_raw)"},
		{Room{store.Limits{KeepEdges: 90 * 24 * time.Hour, MaxBytes: 1e7}, 150 * time.Minute}, true, "at the rate of the last day, a log of 10 MB (max_size) holds single edges for some 2.5 h"},
		{Room{store.Limits{MaxBytes: 1e7}, 5 * 24 * time.Hour}, true, "at the rate of the last day, a log of 10 MB (max_size) holds single edges for some 5 d"},
		{Room{store.Limits{MaxBytes: 1e7}, 9 * 24 * time.Hour}, false, ""},
	} {
		if c.room.small() != c.short || c.want != "" && c.room.String() != c.want {
			t.Errorf("%+v: %v, %s", c.room, c.room.small(), &c.room)
		}
	}
}

// A soak test that begins or ends while the import of another contact is the latest
// that the log has is found by its contact.
func TestSoakAfterAnImport(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	add := func(contact string, began time.Time) {
		t.Helper()
		edges := []pulse.Edge{{At: 0, Level: pulse.Low}, {At: 1e9, Level: pulse.High}, {At: 2e9, Level: pulse.Low}}
		if _, err := watch.Import(t.Context(), &recorded{edges}, watch.ImportOptions{
			Log: path, Site: "Marrow Quay", Began: began, Contact: config.Contact{Name: contact, Meter: pulse.Config{Kind: pulse.KindInterrupter}}}); err != nil {
			t.Fatal(err)
		}
	}
	add("cam", startWall)
	add("other", startWall.Add(time.Hour))
	log, err := store.OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	if _, err := BeginSoak(t.Context(), log, store.Soak{Title: "a day", Contact: "cam"}, SoakLimits{}, time.UTC); err != nil {
		t.Fatal(err)
	}
	add("another", startWall.Add(2*time.Hour))
	s, err := EndSoak(t.Context(), log, "a day", time.UTC)
	if err != nil {
		t.Fatal(err)
	}
	span, _, cut, err := soakSpan(t.Context(), log, s)
	if err != nil || cut || span.From != s.Begin.Run || span.To < s.End.Run {
		t.Errorf("%+v, cut %v, %v of a test from %v to %v", span, cut, err, s.Begin.Run, s.End.Run)
	}
	if _, err := ResultOf(t.Context(), log, s, nil); err != nil {
		t.Error(err)
	}
}
