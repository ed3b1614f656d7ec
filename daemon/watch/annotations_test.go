package watch

import (
	"errors"
	"math"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// Metrics tell of notes and of soak tests what the log has of them, also after a
// restart. The counts are those of the simulated cam: a cycle a second, of which one is
// missing.
func TestAnnotationsInMetrics(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t,
			sim("cam", "cam,ipm=60,cycles=endless,missing-at=100", "kind: interrupter", "rate: 60ipm"),
			sim("other", "cam,ipm=60,cycles=endless", "kind: interrupter"))
		asked := 0
		r.opt.SoakStatements = func(s *store.Soak) (map[string]pulse.Statement, error) {
			asked++
			if s.Title == "broken" {
				return nil, errors.New("not understood")
			}
			return map[string]pulse.Statement{"cam": pulse.Fail}, nil
		}
		want := func(when string, least, most map[string]float64) {
			t.Helper()
			all, err := r.metrics()
			if err != nil {
				t.Fatal(err)
			}
			for k, v := range least {
				if got, ok := all[k]; !ok || math.IsNaN(got) || got < v || got > most[k] {
					t.Errorf("%s: %s is %v, %v, want %v to %v", when, k, got, ok, v, most[k])
				}
			}
		}
		same := func(when string, of map[string]float64) { t.Helper(); want(when, of, of) }
		must := func(_ int64, err error) {
			t.Helper()
			if err != nil {
				t.Fatal(err)
			}
		}
		r.start()
		r.pass(30 * time.Second)
		same("at first", map[string]float64{
			"notes_total{cam,plain}": 0, "notes_total{,plain}": 0, "soak_going{cam}": 0, "soak_going{other}": 0,
		})
		must(r.book().AddNote(t.Context(), store.Note{Contact: "cam", Text: "oiled"}))
		must(r.book().AddNote(t.Context(), store.Note{Contact: "cam", State: store.AsLeft, Text: "set to 50 %"}))
		must(r.book().AddNote(t.Context(), store.Note{Text: "lamp replaced"}))
		must(r.book().BeginSoak(t.Context(), store.Soak{Title: "a day", Contact: "cam"}))
		r.pass(150 * time.Second) // to 12:03:00, when two whole minutes are over
		r.pass(15 * time.Second)
		progress := [2]map[string]float64{
			{"soak_going{cam}": 1, "soak_elapsed_seconds{cam}": 150, "soak_read_seconds{cam}": 119, "soak_seen{cam,measured}": 118, "soak_seen{cam,missing}": 1, "soak_seen{cam,extra}": 0},
			{"soak_going{cam}": 1, "soak_elapsed_seconds{cam}": 165, "soak_read_seconds{cam}": 121, "soak_seen{cam,measured}": 120, "soak_seen{cam,missing}": 1, "soak_seen{cam,extra}": 0},
		}
		want("meanwhile", progress[0], progress[1])
		same("meanwhile", map[string]float64{
			"notes_total{cam,plain}": 1, "notes_total{cam,as_left}": 1, "notes_total{cam,as_found}": 0, "notes_total{,plain}": 1,
			"notes_total{other,plain}": 0, "soak_going{other}": 0,
		})
		r.finish()
		r.pass(time.Minute)
		r.start()
		r.pass(15 * time.Second)
		// The minute that the stop cut short counts too.
		want("after a restart", map[string]float64{"soak_elapsed_seconds{cam}": 225, "soak_seen{cam,measured}": 130, "notes_total{cam,plain}": 1},
			map[string]float64{"soak_elapsed_seconds{cam}": 245, "soak_seen{cam,measured}": 136, "notes_total{cam,plain}": 1})
		_, err := r.book().EndSoak(t.Context(), 1)
		must(0, err)
		r.pass(15 * time.Second)
		all, err := r.metrics()
		must(0, err)
		if _, ok := all["soak_statement{cam,fail}"]; ok || asked != 0 {
			t.Error("a statement of a result that is not there")
		}
		must(0, r.book().SetSoakResult(t.Context(), 1, []byte(`{}`)))
		must(r.book().BeginSoak(t.Context(), store.Soak{Title: "broken"}))
		_, err = r.book().EndSoak(t.Context(), 2)
		must(0, err)
		must(0, r.book().SetSoakResult(t.Context(), 2, []byte(`{}`)))
		r.pass(45 * time.Second)
		same("in the end", map[string]float64{"soak_going{cam}": 0, "soak_statement{cam,fail}": 1, "soak_statement{cam,pass}": 0})
		if len(r.lines("a soak test is left out")) != 1 || asked != 2 {
			t.Errorf("asked %d times, told %q", asked, r.lines("a soak test is left out"))
		}
		if all, err = r.metrics(); err != nil {
			t.Fatal(err)
		}
		if _, ok := all["soak_elapsed_seconds{cam}"]; ok {
			t.Error("a finished test goes on")
		}
		r.finish()
	})
}

// A dial that rests is read all the time, and a soak test of it counts that.
func TestSoakOfARestingDial(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("dial", "dial,lead=10h", "kind: dial"), sim("other", "dial,lead=10h", "kind: dial"))
		r.start()
		r.pass(30 * time.Second)
		if _, err := r.book().BeginSoak(t.Context(), store.Soak{Title: "a night", Contact: "dial"}); err != nil {
			t.Fatal(err)
		}
		r.pass(10 * time.Minute)
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		if read := all["soak_read_seconds{dial}"]; read < 8*60 || read > 10*60 {
			t.Errorf("%v s of 600 were read", read)
		}
		// Without a test nothing is kept of a contact that rests.
		log := r.book()
		tl, err := log.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		minutes := func() (n map[string]int) {
			n = map[string]int{}
			for _, name := range []string{"dial", "other"} {
				for _, err := range log.Summaries(t.Context(), store.Span{Run: tl.ID}, name) {
					if err != nil {
						t.Fatal(err)
					}
					n[name]++
				}
			}
			return n
		}
		was := minutes()
		if was["dial"] < 8 || was["other"] != 0 {
			t.Errorf("%v minutes are kept", was)
		}
		if _, err := log.EndSoak(t.Context(), 1); err != nil {
			t.Fatal(err)
		}
		r.pass(10 * time.Minute)
		if now := minutes(); now["dial"] > was["dial"]+1 {
			t.Errorf("%d minutes are kept, %d when the test ended", now["dial"], was["dial"])
		}
		r.finish()
	})
}
