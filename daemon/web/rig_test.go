package web

import (
	"context"
	"io"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"makebreak/daemon/live"
	"makebreak/pulse"
)

// A bench is a contact that a test moves.
type bench struct {
	*live.Contact
	meter *pulse.Meter
	began time.Time
	ahead atomic.Int64 // ns of its clock
	mu    sync.Mutex
	open  bool
}

func newBench(t testing.TB, name string, stuckAfter time.Duration) *bench {
	t.Helper()
	b := &bench{began: time.Now()}
	b.Contact = live.New(live.Setting{Name: name, Title: "Dial under test", Source: "sim:dial", Rate: 10, StuckAfter: stuckAfter}, time.Minute, b.now)
	f := func(v float64) *float64 { return &v }
	profile := &pulse.Profile{ID: "bench", Title: "Bench card", Kind: pulse.KindDial, Limits: []pulse.Limit{
		{Quantity: pulse.RatePPS, Min: f(9), Max: f(11), Nominal: f(10)}, {Quantity: pulse.BreakPercent, Min: f(55), Max: f(70)},
	}}
	m, err := pulse.NewMeter(b.Begin(pulse.Config{Kind: pulse.KindDial, Limits: profile, Live: true, Forget: true, StartLevel: pulse.High}))
	if err != nil {
		t.Fatal(err)
	}
	b.meter = m
	b.Up(pulse.High)
	return b
}

func (b *bench) now() pulse.Stamp { return pulse.Stamp(int64(time.Since(b.began))+b.ahead.Load()) + 1 }

// change opens or closes the contact now.
func (b *bench) change() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.open = !b.open
	level := pulse.High
	if b.open {
		level = pulse.Low
	}
	e := []pulse.Edge{{At: b.now(), Level: level}}
	b.Edges(e)
	b.meter.Add(e)
	b.Counts(b.meter.Counts())
}

// fast is change 50 ms later by the contact's clock, so that much comes in little time.
func (b *bench) fast() {
	b.ahead.Add(int64(50 * time.Millisecond))
	b.change()
}

func (b *bench) wait() {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.Heard(b.now())
	b.meter.Advance(b.now())
	b.Counts(b.meter.Counts())
}

// run dials at 10 pps until ctx is done, and gives how late a change was at worst.
func (b *bench) run(ctx context.Context) (worst time.Duration) {
	next := time.Now()
	for {
		for _, d := range []time.Duration{62 * time.Millisecond, 38 * time.Millisecond} {
			b.change()
			next = next.Add(d)
			select {
			case <-ctx.Done():
				return worst
			case <-time.After(time.Until(next)):
			}
			worst = max(worst, time.Since(next))
		}
	}
}

// A shelf is an Archive in memory.
type shelf struct {
	mu    sync.Mutex
	notes []Note
}

const (
	shelfSVG = `<svg xmlns="http://www.w3.org/2000/svg" role="img" width="320" height="60" viewBox="0 0 320 60"><rect width="320" height="60" fill="#fdfcf8"/><path d="M0 50L320 10" stroke="#0b5a8a"/></svg>`
	evilText = `<script>alert(1)</script>"'&`
)

type fragment string

func (f fragment) Fragment(w io.Writer) error { _, err := io.WriteString(w, string(f)); return err }

func (s *shelf) drawing(id string) []Drawing {
	return []Drawing{{ID: id, Title: "Rate", Words: "It rises.", Lines: []string{"It drifts."}, SVG: func(w io.Writer, _ int) error { _, err := io.WriteString(w, shelfSVG); return err }}}
}

func (s *shelf) Trend(context.Context, *live.Figures, Stretch) ([]Drawing, error) {
	return s.drawing("trend-rate"), nil
}

func (s *shelf) Details(context.Context, *live.Figures, Stretch) ([]Drawing, error) {
	return s.drawing("lobes"), nil
}

func (s *shelf) Entries(context.Context, string, Stretch) (all []Entry, _ bool, _ error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, n := range slices.Backward(s.notes) {
		all = append(all, Entry{At: noon, Kind: "note", Text: n.Text, Note: true})
	}
	return append(all, Entry{At: noon, Kind: "limit", Text: "rate was beyond its limit " + evilText}), false, nil
}

func (s *shelf) Measure(context.Context, string, Stretch) (Document, error) {
	return fragment("<h1>A stretch</h1><p class=\"verdict good\">WITHIN LIMITS</p>"), nil
}

func (s *shelf) Compare(context.Context, string, Stretch, Stretch) (Document, error) {
	return fragment("<h1>Compared</h1>"), nil
}

func (s *shelf) Notes(_ context.Context, contact string, _ int) ([]Entry, error) {
	if contact != "generator-a" {
		return nil, nil
	}
	return []Entry{{At: noon, Kind: "as left", Text: "oiled " + evilText, Note: true}}, nil
}

func (s *shelf) Soaks(context.Context) ([]SoakTest, error) {
	return []SoakTest{{Title: "after oiling", Of: "cam-60", Begin: noon, Found: fragment("<p class=\"verdict good\">WITHIN LIMITS</p>")}, {Title: "a long one", Of: "all contacts", Begin: noon}}, nil
}

func (s *shelf) Soak(_ context.Context, title string) (Document, error) {
	if title != "after oiling" {
		return nil, &RequestError{http.StatusNotFound, "no soak test has that title"}
	}
	return fragment("<p class=\"verdict good\">WITHIN LIMITS</p>"), nil
}

func (s *shelf) AddNote(_ context.Context, n Note) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.notes = append(s.notes, n)
	return nil
}

func (s *shelf) Wiring(r WiringRequest) (Document, error) {
	if r.Voltage == "48V" {
		return nil, &RequestError{http.StatusBadRequest, "48V is no range"}
	}
	return fragment("<p class=\"verdict good\">FITS</p>"), nil
}

func (s *shelf) Batteries() []string { return []string{"48V-battery"} }

func (s *shelf) kept() []Note {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.notes)
}

// movingOptions are of a site with one contact of a bench beside the others.
func movingOptions(b *bench) Options {
	o := options()
	o.Contacts = func() []live.Figures { return append([]live.Figures{b.Figures()}, marrowQuay()...) }
	o.Contact = func(name string) *live.Contact {
		if name == b.Figures().Name {
			return b.Contact
		}
		return nil
	}
	o.Archive = &shelf{}
	return o
}
