//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

// A soakRig is a log that a test writes by minutes, from 10:00 on. Its contacts
// are invented, and what is expected is what they were made to do.
type soakRig struct {
	*testing.T
	*logMaker
}

func newSoakRig(t *testing.T) *soakRig {
	return &soakRig{t, &logMaker{ts: testChecker{t}, path: filepath.Join(t.TempDir(), "log.db"),
		anchor: hw.Anchor{Mono: logStart, Wall: time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)}}}
}

func (r *soakRig) contact(name, limits string) *store.Contact {
	p, err := config.Profile(limits)
	r.ts.Check(err)
	b, err := json.Marshal(p)
	r.ts.Check(err)
	return r.Contact(store.Configuration{Contact: name, Source: "gpio:" + name, Kind: p.Kind, Settings: json.RawMessage(`{"profile":` + string(b) + `,"timing":"first"}`)})
}

func (r *soakRig) begin(s store.Soak) int64 {
	id, err := r.BeginSoak(r.Context(), s)
	r.ts.Check(err)
	return id
}

// minutes goes on to a minute; each played contact moves until its own.
func (r *soakRig) minutes(to int, played map[*played]int) {
	for m := int((r.anchor.Mono-logStart)/60e9) + 1; m <= to; m++ {
		at := r.at(time.Duration(m)*time.Minute, 0)
		for p, until := range played {
			if m <= until {
				p.until(at)
			}
		}
		r.flush()
	}
}

// soak runs a soak command and gives its status and JSON.
func (r *soakRig) soak(args ...string) (status int, d struct {
	CutShort *string  `json:"cut_short"`
	NotRead  []string `json:"not_read"`
	Begin    time.Time
	LengthS  float64 `json:"length_s"`
	Results  []struct {
		Log struct {
			Contact  string
			Restarts int
			Findings map[string]int
			Notes    []struct{ Text string }
			Removed  *struct {
				Missing    int64
				OutOfLimit int64 `json:"out_of_limit"`
				Lost       int64 `json:"lost_edges"`
			} `json:"removed"`
		}
		Measurement struct {
			Interrupter *struct {
				Missing int
				Due     int `json:"cycles_due"`
			}
			Limits     string
			Conformity struct{ Statement string }
		}
	}
}, text string) {
	r.Helper()
	args = append([]string{"soak"}, append(args, "--log", r.path)...)
	out, err := exec.Command("makebreak", append(args, "--json")...).Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		status = exit.ExitCode()
	} else {
		r.ts.Check(err)
	}
	if err := json.Unmarshal(out, &d); err != nil {
		r.Fatalf("%v: %s %s", err, out, exit.Stderr)
	}
	var page bytes.Buffer
	cmd := exec.Command("makebreak", args...)
	cmd.Stdout = &page
	cmd.Run() // the status is that of --json
	return status, d, page.String()
}

const soakCam = "cam,ipm=60,cycles=endless"

// A contact that stops, or stands still all the time, does not pass; one that
// fails is not hidden by one that passes after it.
func TestSoakOfStillContacts(t *testing.T) {
	r := newSoakRig(t)
	r.start(store.Options{Site: "Marrow Quay exchange"})
	dies, dead, good := r.contact("a-dies", "us-fcc-busy"), r.contact("b-dead", "us-fcc-busy"), r.contact("c-good", "us-fcc-busy")
	r.contact("d-never", "us-fcc-busy")
	r.flush()
	moves := map[*played]int{r.play(dies, soakCam): 12, r.play(dead, soakCam): 1, r.play(good, soakCam): 99}
	r.minutes(2, moves)
	all := r.begin(store.Soak{Title: "all"})
	r.minutes(32, moves)
	if _, err := r.EndSoak(r.Context(), all); err != nil {
		t.Fatal(err)
	}
	for title, contact := range map[string]string{"dies": "a-dies", "dead": "b-dead", "good": "c-good"} {
		id := r.begin(store.Soak{Title: title, Contact: contact})
		r.minutes(int((r.anchor.Mono-logStart)/60e9)+2, moves)
		if _, err := r.EndSoak(r.Context(), id); err != nil {
			t.Fatal(err)
		}
	}
	r.minutes(40, moves)
	r.end()

	status, d, page := r.soak("status", "all")
	if status != 1 || len(d.Results) != 3 || len(d.NotRead) != 1 || d.NotRead[0] != "d-never" {
		t.Fatalf("status %d, %d results, not read %q: want 1, 3, d-never\n%s", status, len(d.Results), d.NotRead, page)
	}
	if x := d.Results[0].Measurement.Interrupter; x == nil || x.Missing < 1195 || x.Missing > 1201 || x.Due < 1795 {
		t.Errorf("stopped after 10 minutes of 30: %+v, want 1,200 missing of 1,800 due", x)
	}
	if d.Results[1].Log.Contact != "b-dead" || !strings.Contains(page, "Not read at all in this time: d-never.") {
		t.Errorf("%+v\n%s", d.Results[1], page)
	}
	for title, want := range map[string]int{"dies": 3, "dead": 3, "good": 0} {
		if status, _, page := r.soak("status", title); status != want {
			t.Errorf("%s: status %d, want %d\n%s", title, status, want, page)
		}
	}
}

// Of edges that were removed the summaries tell: what was wrong in them fails,
// and what was right in them is not a pass.
func TestSoakOfRemovedEdges(t *testing.T) {
	for want, x := range map[int]store.Summary{
		1: {Missing: 2, OutOfLimit: 3, Lost: 5}, 3: {},
	} {
		r := newSoakRig(t)
		r.start(store.Options{Site: "Marrow Quay exchange", KeepEdges: 10 * time.Minute})
		c := r.contact("cam", "us-fcc-busy")
		r.flush()
		p := r.play(c, soakCam)
		id := r.begin(store.Soak{Title: "soak"})
		for m := range 120 {
			at := r.at(time.Duration(m+1)*time.Minute, 0)
			p.until(at)
			x.Contact, x.At, x.LengthNS, x.Edges, x.Pulses = "cam", store.Moment{Mono: logStart + pulse.Stamp(m)*60e9}, 60e9, 120, 60
			r.Summarise(x)
			r.flush()
		}
		_, err := r.EndSoak(r.Context(), id)
		r.ts.Check(err)
		r.minutes(121, map[*played]int{p: 999})
		r.end()
		status, d, page := r.soak("status")
		removed := d.Results[0].Log.Removed
		if (want == 1) != strings.Contains(page, "OUT OF LIMITS WHERE EDGES WERE REMOVED") || (want == 3) != strings.Contains(page, "NOT THE WHOLE TIME: ") {
			t.Errorf("the page does not tell\n%s", page)
		}
		if status != want || removed == nil || (removed.Missing > 0) != (x.Missing > 0) || 2*removed.Lost != 5*removed.Missing {
			t.Errorf("status %d, want %d: %+v\n%s", status, want, removed, page)
		}
	}
}

// A soak test ends where its run does, for times of two runs have nothing in
// common.
func TestSoakOfRenamedSite(t *testing.T) {
	r := newSoakRig(t)
	r.start(store.Options{Site: "Marrow Quay"})
	p := r.play(r.contact("cam", "us-fcc-busy"), soakCam)
	r.minutes(10, map[*played]int{p: 99})
	id := r.begin(store.Soak{Title: "soak"})
	r.minutes(20, map[*played]int{p: 99})
	r.end()
	r.at(20*time.Minute+5*time.Second, 0)
	r.start(store.Options{Site: "Marrow Quay exchange"})
	p = r.play(r.contact("cam", "us-fcc-busy"), soakCam)
	r.minutes(25, map[*played]int{p: 99})
	for _, what := range []string{"going on", "ended"} {
		status, d, page := r.soak("status")
		if status != 3 || d.CutShort == nil || d.LengthS != 600 || len(d.Results) != 1 || !strings.Contains(page, "CUT SHORT: the site was renamed") {
			t.Errorf("%s: status %d, %+v\n%s", what, status, d, page)
		}
		if what == "ended" {
			break
		}
		_, err := r.EndSoak(r.Context(), id)
		r.ts.Check(err)
		r.minutes(26, map[*played]int{p: 99})
	}
	r.end()
}

// Limits are those of the start, whatever becomes of their file.
func TestSoakKeepsItsLimits(t *testing.T) {
	r := newSoakRig(t)
	r.anchor.Wall = time.Now() // as the commands have it
	r.start(store.Options{Site: "Marrow Quay exchange"})
	p := r.play(r.contact("dial", "us-tia-470-dial"), "dial,digits=1234567890,repeat=endless")
	r.minutes(1, map[*played]int{p: 99})
	own := filepath.Join(t.TempDir(), "own.yaml")
	write := func(least string) {
		r.ts.Check(os.WriteFile(own, []byte("id: own\ntitle: Own\nkind: dial\nuse: sending\nlimits:\n  - {quantity: rate_pps, min: "+least+", max: 12, source: invented, seen: own}\n"), 0o644))
	}
	write("11")
	if out, err := exec.Command("makebreak", "soak", "start", "own", "--log", r.path, "--limits", own, "--contact", "dial").CombinedOutput(); err != nil {
		t.Fatal(string(out))
	}
	r.minutes(5, map[*played]int{p: 99})
	for range 2 {
		if status, d, page := r.soak("status"); status != 1 || d.Results[0].Measurement.Conformity.Statement != "fail" {
			t.Errorf("status %d, want 1\n%s", status, page)
		}
		write("9")
	}
	r.ts.Check(os.Remove(own))
	if status, _, page := r.soak("finish"); status != 1 {
		t.Errorf("status %d, want 1\n%s", status, page)
	}
	r.end()
}

// What is found, noted or started anew outside of the stretch is not of it.
func TestSoakOfItsStretch(t *testing.T) {
	r := newSoakRig(t)
	site := store.Options{Site: "Marrow Quay exchange"}
	r.start(site)
	p := r.play(r.contact("cam", "us-fcc-busy"), soakCam)
	restart := func() {
		r.end()
		r.start(site)
		p = r.play(r.contact("cam", "us-fcc-busy"), soakCam)
	}
	event := func(text string) {
		r.Find(store.Finding{Contact: "cam", Kind: store.SourceUp, At: store.Moment{Mono: r.anchor.Mono}, Text: text})
		r.flush()
		_, err := r.AddNote(context.Background(), store.Note{Contact: "cam", Text: text})
		r.ts.Check(err)
	}
	r.minutes(1, map[*played]int{p: 99})
	event("before")
	restart()
	r.minutes(3, map[*played]int{p: 99})
	id := r.begin(store.Soak{Title: "soak"})
	r.minutes(5, map[*played]int{p: 99})
	event("within")
	restart()
	r.minutes(8, map[*played]int{p: 99})
	_, err := r.EndSoak(r.Context(), id)
	r.ts.Check(err)
	r.minutes(9, map[*played]int{p: 99})
	event("after")
	restart()
	r.minutes(10, map[*played]int{p: 99})
	r.end()
	_, d, page := r.soak("status")
	l := d.Results[0].Log
	if l.Restarts != 1 || l.Findings["source up"] != 1 || len(l.Notes) != 1 || !strings.Contains(l.Notes[0].Text, "within") || d.LengthS != 300 {
		t.Errorf("%+v, %v s\n%s", l, d.LengthS, page)
	}
	if d.Begin.Format(time.TimeOnly) != "10:03:00" {
		t.Error(d.Begin)
	}
}

// A clock that was set only later tells the begin as it tells all else.
func TestSoakBeforeTheClockWasSet(t *testing.T) {
	r := newSoakRig(t)
	r.anchor.Wall = time.Unix(20, 0).UTC()
	r.start(store.Options{Site: "Marrow Quay exchange"})
	p := r.play(r.contact("cam", "us-fcc-busy"), soakCam)
	r.flush()
	id := r.begin(store.Soak{Title: "early"})
	r.minutes(1, map[*played]int{p: 99})
	r.at(time.Minute, time.Date(2026, 11, 21, 9, 0, 0, 0, time.UTC).Sub(r.anchor.Wall))
	r.flush()
	r.minutes(11, map[*played]int{p: 99})
	_, err := r.EndSoak(r.Context(), id)
	r.ts.Check(err)
	r.minutes(12, map[*played]int{p: 99})
	r.end()
	_, d, page := r.soak("status")
	if _, from, _ := strings.Cut(page, "From "); !strings.Contains(page, "Times count from its start, "+from[:len("2006-01-02 15:04:05 UTC")]) || d.LengthS != 660 {
		t.Errorf("%v s\n%s", d.LengthS, page)
	}
}
