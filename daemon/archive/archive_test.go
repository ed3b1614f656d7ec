package archive

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/live"
	"makebreak/daemon/plot"
	"makebreak/daemon/store"
	"makebreak/daemon/store/storetest"
	"makebreak/daemon/stretch"
	"makebreak/daemon/web"
	"makebreak/hw"
	"makebreak/pulse"
)

// began is the start of the invented logs.
var began = time.Date(2026, 10, 1, 8, 0, 0, 0, time.UTC)

// A rig is a log with minutes of contacts, whose clock a test sets.
type rig struct {
	store *store.Store
	now   pulse.Stamp
}

func newRig(t testing.TB) *rig {
	t.Helper()
	r := &rig{now: 1e9}
	var err error
	r.store, err = store.Open(t.Context(), filepath.Join(t.TempDir(), "log.db"), store.Options{
		Site: "Marrow Quay exchange", Boot: "boot", Program: "test",
		Clock: func() (hw.Anchor, hw.Discipline) {
			return hw.Anchor{Mono: 0, Wall: began.Add(-time.Second)}, hw.Discipline{Synchronised: true}
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { storetest.Finish(t, r.store) })
	return r
}

func cam(name string) store.Configuration {
	chain := pulse.DefaultSetup()
	return store.Configuration{Contact: name, Source: "gpio:GPIO17", Kind: pulse.KindInterrupter,
		Settings: []byte(fmt.Sprintf(`{"timing":"first","chain":{"edge_noise_ns":%g},"yaml":""}`, chain.EdgeNoiseNS))}
}

// minute logs a minute of a cam of 60 IPM whose break has a mean in ms.
func (r *rig) minute(name string, at pulse.Stamp, breakMS float64) {
	stats := func(mean float64) store.TimeStats {
		return store.TimeStats{N: 60, SumNS: int64(60 * mean * 1e6), Squares: 60 * 1e10, MinNS: int64((mean - 0.3) * 1e6), MaxNS: int64((mean + 0.3) * 1e6)}
	}
	m := store.Summary{Contact: name, At: store.Moment{Mono: at}, LengthNS: 60e9, Edges: 120, Pulses: 60, Period: stats(1000), Break: stats(breakMS)}
	m.PeriodBreaksNS = m.Break.SumNS
	r.store.Summarise(m)
}

// fill logs so many days of contacts whose breaks grow by 0.1 ms a day, with scatter.
func (r *rig) fill(t testing.TB, names []string, days int) {
	t.Helper()
	for _, n := range names {
		r.store.Contact(cam(n))
	}
	for i := range days * 24 * 60 {
		at := pulse.Stamp(1e9) + pulse.Stamp(i)*60e9
		for k, n := range names {
			noise := 0.02 * math.Sin(float64(i*i%9973)+float64(k))
			r.minute(n, at, 500+0.1*float64(i)/1440+noise)
		}
		if i%2000 == 0 {
			if err := r.store.Flush(); err != nil {
				t.Fatal(err)
			}
		}
		r.now = at + 60e9
	}
	// The log reaches to its latest edge.
	r.store.Contact(cam(names[0])).Append([]pulse.Edge{{At: r.now, Level: pulse.Unknown}})
	if err := r.store.Flush(); err != nil {
		t.Fatal(err)
	}
}

func figures(name string) *live.Figures {
	f := func(v float64) *float64 { return &v }
	return &live.Figures{Setting: live.Setting{Name: name, Rate: 60}, Kind: pulse.KindInterrupter,
		Limits: &pulse.Profile{ID: "card", Kind: pulse.KindInterrupter, Limits: []pulse.Limit{{Quantity: pulse.BreakMS, Min: f(490), Max: f(503)}}}}
}

// A trend shows what was logged, with notes, and says the drift that is in it and
// when the limit is reached.
func TestTrend(t *testing.T) {
	r := newRig(t)
	r.fill(t, []string{"cam"}, 10)
	a := New(r.store.Log, time.UTC)
	if err := a.AddNote(t.Context(), web.Note{Contact: "cam", Text: `card pulled <b>`, At: began.Add(time.Hour)}); err != nil {
		t.Fatal(err)
	}
	all, err := a.Trend(t.Context(), figures("cam"), web.Stretch{})
	if err != nil || len(all) != 3 {
		t.Fatal(len(all), err)
	}
	d := all[2]
	if d.ID != "trend-break" || !strings.Contains(d.Words, "of break from") || !strings.Contains(d.Words, "card pulled") || !strings.Contains(d.Words, "490 to 503 ms") {
		t.Errorf("%s: %s", d.ID, d.Words)
	}
	text := strings.Join(d.Lines, " ")
	if !strings.Contains(text, "It drifts by +0.100") || !strings.Contains(text, "ms a day") || !strings.Contains(text, "reaches the limit of 503 about") {
		t.Error(text)
	}
	// 501 ms at the end of the 10th day, 2 ms to go at 0.1 ms a day: 31 October.
	if !strings.Contains(text, "30 October 2026") && !strings.Contains(text, "31 October 2026") && !strings.Contains(text, " 1 November 2026") {
		t.Errorf("forecast %q", text)
	}
	var b strings.Builder
	if err := d.SVG(&b, 640); err != nil || !strings.HasPrefix(b.String(), "<svg") || strings.Contains(b.String(), "style=") || strings.Contains(b.String(), "<b>") {
		t.Errorf("%v: %.200s", err, b.String())
	}
	x, err := a.trends(t.Context(), figures("cam"), web.Stretch{From: began.Add(2 * time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	var p plot.Trend
	x.explain(&p, x.drift.BreakMS, "ms")
	if n := len(p.Fit); n != 2 || math.Abs(p.Fit[0].V-500) > 0.03 || math.Abs(p.Fit[1].V-501) > 0.03 {
		t.Errorf("the line %+v", p.Fit)
	}
	// Ten days ahead, as long as was seen: at 502 ms, and the limit is at 503.
	if f := p.Forecast; f == nil || math.Abs(f.V-502) > 0.05 || f.Low >= f.V || f.High <= f.V || f.To.Sub(f.From) > 10*24*time.Hour {
		t.Errorf("the forecast %+v", p.Forecast)
	}
	if all, err = a.Trend(t.Context(), figures("cam"), web.Stretch{From: began.AddDate(1, 0, 0)}); err != nil || len(all) != 0 {
		t.Errorf("after the end: %d, %v", len(all), err)
	}
}

// Buckets have what the minutes have.
func TestBuckets(t *testing.T) {
	r := newRig(t)
	r.fill(t, []string{"cam", "other"}, 2)
	for _, step := range []time.Duration{time.Minute, 7 * time.Minute, time.Hour, 100 * time.Hour} {
		var want, got store.Summary
		var minutes int
		for m, err := range r.store.Summaries(t.Context(), store.Span{}, "cam") {
			if err != nil {
				t.Fatal(err)
			}
			minutes++
			want.Pulses += m.Pulses
			want.PeriodBreaksNS += m.PeriodBreaksNS
			want.Break.Merge(m.Break)
			want.Period.Merge(m.Period)
		}
		all, err := r.store.Buckets(t.Context(), store.Span{}, "cam", step)
		if err != nil {
			t.Fatal(err)
		}
		for i, m := range all {
			if i > 0 && m.At.Run <= all[i-1].At.Run {
				t.Errorf("%v: bucket %d is not later", step, i)
			}
			got.Pulses += m.Pulses
			got.PeriodBreaksNS += m.PeriodBreaksNS
			got.Break.Merge(m.Break)
			got.Period.Merge(m.Period)
		}
		if n := int(math.Ceil(float64(minutes) * float64(time.Minute) / float64(step))); len(all) < n || len(all) > n+1 {
			t.Errorf("%v: %d buckets of %d minutes", step, len(all), minutes)
		}
		for _, p := range []struct{ want, got *store.TimeStats }{{&want.Break, &got.Break}, {&want.Period, &got.Period}} {
			if r := p.got.Squares / p.want.Squares; math.Abs(r-1) > 1e-3 { // ns² of 1e9 ns: float64 has no more
				t.Errorf("%v: squares %g, want %g", step, p.got.Squares, p.want.Squares)
			}
			p.got.Squares = p.want.Squares
		}
		if got != want {
			t.Errorf("%v: %+v, want %+v", step, got, want)
		}
	}
}

// edges logs a dial of 10 pps for a while and gives when it ended.
func (r *rig) edges(t testing.TB, name string, from pulse.Stamp, pulses int, breakMS int64) pulse.Stamp {
	t.Helper()
	cfg := cam(name)
	cfg.Kind = pulse.KindDial
	c := r.store.Contact(cfg)
	at := from
	c.Append([]pulse.Edge{{At: at, Level: pulse.High}})
	for i := range pulses {
		at += 100e6
		if i%10 == 9 {
			at += 800e6
		}
		c.Append([]pulse.Edge{{At: at, Level: pulse.Low}, {At: at + pulse.Stamp(breakMS)*1e6, Level: pulse.High}})
	}
	if err := r.store.Flush(); err != nil {
		t.Fatal(err)
	}
	return at + 1e9
}

// What is asked of a stretch is measured by its edges; what cannot be had is said as
// an error for a person.
func TestMeasureAndCompare(t *testing.T) {
	r := newRig(t)
	middle := r.edges(t, "dial", 2e9, 400, 60)
	end := r.edges(t, "dial", middle, 400, 66)
	a := New(r.store.Log, time.UTC)
	wall := func(at pulse.Stamp) time.Time { return began.Add(-time.Second + time.Duration(at)) }
	words := func(d web.Document, err error) string {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		var b strings.Builder
		if err := d.Fragment(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	before, after := web.Stretch{From: wall(2e9), To: wall(middle)}, web.Stretch{From: wall(middle), To: wall(end)}
	if s := words(a.Measure(t.Context(), "dial", before)); !strings.Contains(s, "60.0") || strings.Contains(s, "style=") {
		t.Errorf("%.600s", s)
	}
	if s := words(a.Compare(t.Context(), "dial", before, after)); !strings.Contains(s, "<h1>dial, two stretches</h1>") || !strings.Contains(s, "changed") || !strings.Contains(s, "6.0") {
		t.Errorf("%.600s", s)
	}
	all, err := a.Details(t.Context(), &live.Figures{Setting: live.Setting{Name: "dial"}, Kind: pulse.KindDial}, web.Stretch{To: wall(end)})
	if err != nil || len(all) != 4 || !strings.Contains(all[0].Words, "percent break from") {
		t.Errorf("%d drawings, %v", len(all), err)
	}
	for name, ask := range map[string]func() error{
		"beyond the end": func() error {
			_, err := a.Measure(t.Context(), "dial", web.Stretch{From: began.AddDate(1, 0, 0)})
			return err
		},
		"an unknown soak test": func() error { _, err := a.Soak(t.Context(), "oiling"); return err },
		"no voltage":           func() error { _, err := a.Wiring(web.WiringRequest{Superposed: "none"}); return err },
		"a peak of 0": func() error {
			_, err := a.Wiring(web.WiringRequest{Voltage: "48V-battery", Superposed: "none", Peak: "0V"})
			return err
		},
		"lobe of a dial": func() error {
			return a.AddNote(t.Context(), web.Note{Contact: "dial", Text: "x", State: web.LobeOne, At: wall(middle)})
		},
	} {
		var said *web.RequestError
		if err := ask(); !errors.As(err, &said) || said.Status < 400 || said.Text == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if s := words(a.Wiring(web.WiringRequest{Voltage: "48V-battery", Superposed: "none", Peak: "90V"})); !strings.Contains(s, "<svg") {
		t.Errorf("%.300s", s)
	}
}

// Soak tests are listed, the latest first, and their result is worked out.
func TestSoaks(t *testing.T) {
	r := newRig(t)
	r.edges(t, "dial", 2e9, 50, 60)
	a := New(r.store.Log, time.UTC)
	for i, s := range []store.Soak{{Title: "first", Contact: "dial"}, {Title: "after oiling"}} {
		if _, err := stretch.BeginSoak(t.Context(), r.store.Log, s, stretch.SoakLimits{}, time.UTC); err != nil {
			t.Fatal(err)
		}
		if i == 0 {
			if _, err := stretch.EndSoak(t.Context(), r.store.Log, s.Title, time.UTC); err != nil {
				t.Fatal(err)
			}
		}
	}
	all, err := a.Soaks(t.Context())
	if err != nil || len(all) != 2 || all[0].Title != "after oiling" || all[0].Of != "all contacts" || all[1].Of != "dial" || all[0].End != nil || all[1].End == nil {
		t.Errorf("%+v, %v", all, err)
	}
	d, err := a.Soak(t.Context(), "first")
	if err != nil {
		t.Fatal(err)
	}
	// The list has the verdict in the words of the page.
	var page, found strings.Builder
	if err := cmp.Or(d.Fragment(&page), all[1].Found.Fragment(&found)); err != nil {
		t.Fatal(err)
	}
	if s := strings.TrimSpace(found.String()); !strings.Contains(s, "NOT MEASURED") || !strings.Contains(page.String(), s) {
		t.Errorf("the list has %q, the page %s", s, page.String())
	}
	found.Reset()
	if err := all[0].Found.Fragment(&found); err != nil || !strings.Contains(found.String(), "No contact was read.") && !strings.Contains(found.String(), "dial") {
		t.Errorf("of all contacts: %q, %v", found.String(), err)
	}
	again, err := a.Soak(t.Context(), "first")
	if err != nil || d != again {
		t.Error("the result is worked out again at once")
	}
	// While another works the list has what the log keeps, and a page of its own the rest.
	b := New(r.store.Log, time.UTC)
	b.working <- struct{}{}
	if all, err = b.Soaks(t.Context()); err != nil || len(all) != 2 || all[0].Found != nil || all[1].Found == nil {
		t.Errorf("while another works: %+v, %v", all, err)
	}
	<-b.working
	if d, err = b.Soak(t.Context(), "after oiling"); err != nil || d == nil {
		t.Errorf("the page after a list without it: %v, %v", d, err)
	}
	if entries, _, err := a.Entries(t.Context(), "dial", web.Stretch{}); err != nil || len(entries) > 1 {
		t.Errorf("%+v, %v", entries, err)
	}
}

// One who measures keeps others waiting for some seconds only.
func TestBusy(t *testing.T) {
	r := newRig(t)
	r.edges(t, "dial", 2e9, 50, 60)
	a := New(r.store.Log, time.UTC)
	a.working <- struct{}{}
	var said *web.RequestError
	if _, err := a.Measure(t.Context(), "dial", web.Stretch{From: began}); !errors.As(err, &said) || said.Status != http.StatusServiceUnavailable {
		t.Error(err)
	}
}

func names(n int) (all []string) {
	for i := range n {
		all = append(all, fmt.Sprintf("cam-%d", i))
	}
	return all
}

// BenchmarkPages times the pages of a log of 30 days and 16 contacts.
func BenchmarkPages(b *testing.B) {
	r := newRig(b)
	all := names(16)
	r.fill(b, all, 30)
	h := web.New(web.Options{Site: "Marrow Quay exchange", Archive: New(r.store.Log, time.UTC), Log: slog.New(slog.DiscardHandler), Ready: func() error { return nil },
		Metrics: http.NotFoundHandler(),
		Contacts: func() (f []live.Figures) {
			for _, n := range all {
				f = append(f, *figures(n))
			}
			return f
		}})
	from := "?from=2026-10-01T08:00&to=2026-10-31T08:00"
	for _, path := range []string{"/", "/contacts/cam-7" + from} {
		b.Run(path[:min(len(path), 12)], func(b *testing.B) {
			for b.Loop() {
				w := httptest.NewRecorder()
				if h.ServeHTTP(w, httptest.NewRequest("GET", path, nil)); w.Code != 200 || strings.Contains(w.Body.String(), "cannot be read") {
					b.Fatal(w.Code)
				}
			}
		})
	}
}

// BenchmarkTrend times the drawings of a contact's month and year.
func BenchmarkTrend(b *testing.B) {
	r := newRig(b)
	r.fill(b, names(1), 365)
	a := New(r.store.Log, time.UTC)
	for _, days := range []int{30, 365} {
		b.Run(fmt.Sprintf("days=%d", days), func(b *testing.B) {
			for b.Loop() {
				all, err := a.Trend(b.Context(), figures("cam-0"), web.Stretch{From: began, To: began.AddDate(0, 0, days)})
				if err != nil || len(all) != 3 {
					b.Fatal(len(all), err)
				}
				for _, d := range all {
					for _, width := range []int{640, 328} {
						if err := d.SVG(new(strings.Builder), width); err != nil {
							b.Fatal(err)
						}
					}
				}
			}
		})
	}
}
