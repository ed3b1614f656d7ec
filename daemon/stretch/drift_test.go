package stretch

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/daemon/store/storetest"
	"makebreak/hw"
	"makebreak/pulse"
)

// A cam of 60 IPM, watched for six hours by a log that keeps its edges for two: its
// percent break rises by 0.5 points an hour all the time. The windows before come
// from summaries, and tell the same. A note on the contact splits the series, and so
// does one on the site that says how it was left; another on the site, and one that
// says which lobe opened, do not.
func TestDriftOfALog(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	const hours = 6
	from := start
	now := from
	clock := func() (hw.Anchor, hw.Discipline) {
		return hw.Anchor{Mono: now, Wall: startWall.Add(time.Duration(now - start))}, hw.Discipline{}
	}
	s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", Clock: clock, KeepEdges: 2 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	c := s.Contact(store.Configuration{Contact: "cam", Source: "gpio:GPIO17", Settings: []byte(`{"kind": "interrupter"}`)})
	noise := uint64(1)
	for minute := range hours * 60 {
		sum := store.Summary{Contact: "cam", At: store.Moment{Mono: now}, LengthNS: 60e9}
		var edges []pulse.Edge
		for i := range 60 {
			noise = noise*6364136223846793005 + 1442695040888963407
			jitter := int64(noise>>40)*4e6>>24 - 2e6
			brk := 600e6 + int64(5e6*float64(minute*60+i)/3600) + jitter
			edges = append(edges, pulse.Edge{At: now, Level: pulse.Low}, pulse.Edge{At: now + pulse.Stamp(brk), Level: pulse.High})
			now += 1e9
			sum.Period.Add(1e9)
			sum.Break.Add(brk)
			sum.PeriodBreaksNS += brk
		}
		c.Append(edges)
		s.Summarise(sum)
	}
	storetest.Finish(t, s)
	for _, n := range []store.Note{
		{At: store.Moment{Wall: startWall.Add(30 * time.Minute)}, Contact: "cam", Text: "oiled"},
		{At: store.Moment{Wall: startWall.Add(50 * time.Minute)}, State: store.AsLeft, Text: "swept"},
		{At: store.Moment{Wall: startWall.Add(70 * time.Minute)}, Text: "visitors"},
		{At: store.Moment{Wall: startWall.Add(90 * time.Minute)}, Contact: "other", Text: "painted"},
	} {
		log := open(t, path)
		if n.Contact == "other" {
			continue
		}
		if _, err := log.AddNote(t.Context(), n); err != nil {
			t.Fatal(err)
		}
	}
	measure := func(r DriftRequest) *pulse.Drift {
		t.Helper()
		src, err := Open(t.Context(), open(t, path), &Request{}, "cam")
		if err != nil {
			t.Fatal(err)
		}
		cfg, err := src.Configure(t.Context(), &Wishes{})
		if err != nil {
			t.Fatal(err)
		}
		if err := src.Drift(t.Context(), &r, &cfg); err != nil {
			t.Fatal(err)
		}
		m, _, err := src.Measure(t.Context(), cfg, nil)
		if err != nil {
			t.Fatal(err)
		}
		return m.Drift
	}
	d := measure(DriftRequest{})
	x := d.BreakPercent
	t.Logf("%d windows, %d from summaries, %d before the split at %v s; %v points an hour", d.Windows, d.EarlierWindows, d.WindowsBefore, d.SplitS.V, x.SlopePerHour.V)
	if d.EarlierWindows < 60 || d.EarlierWindows >= d.Windows || d.Windows < 300 || d.Windows > 311 || !d.SplitS.OK {
		t.Errorf("%d windows, %d from summaries", d.Windows, d.EarlierWindows)
	}
	if math.Abs(x.SlopePerHour.V-0.5) > 0.01 || x.Better != pulse.BetterSlope || math.Abs(d.Rate.SlopePerHour.V) > 1e-6 {
		t.Errorf("percent break: %+v", x)
	}
	// A window of ten minutes holds ten summaries.
	if w := measure(DriftRequest{WindowNS: 600e9}); w.Windows < 29 || w.Windows > 32 || w.BreakPercent.N != w.Windows {
		t.Errorf("%d windows of ten minutes", w.Windows)
	}
	at := func(minutes int) Time {
		return Time{Set: true, Wall: startWall.Add(time.Duration(minutes) * time.Minute)}
	}
	ref := measure(DriftRequest{Reference: Request{Since: at(0), Until: at(25)}, FromTo: true}).BreakPercent.Reference
	if ref.Windows < 24 || ref.Windows > 26 || math.Abs(ref.Target.V-60.1) > 0.03 {
		t.Errorf("reference %+v", ref)
	}
}

// The windows of a cadence's summaries have the mean break of whole cycles, whatever
// breaks of other cycles the summaries hold.
func TestSummarisedCadence(t *testing.T) {
	path := filepath.Join(t.TempDir(), "log.db")
	now := start
	clock := func() (hw.Anchor, hw.Discipline) {
		return hw.Anchor{Mono: now, Wall: startWall.Add(time.Duration(now - start))}, hw.Discipline{}
	}
	s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", Clock: clock})
	if err != nil {
		t.Fatal(err)
	}
	s.Contact(store.Configuration{Contact: "ringing", Source: "gpio:GPIO17", Settings: []byte(`{"kind": "interrupter"}`)})
	for range 5 {
		sum := store.Summary{Contact: "ringing", At: store.Moment{Mono: now}, LengthNS: 60e9}
		for range 19 {
			sum.Period.Add(3e9)
			sum.Break.Add(200e6)
			sum.Break.Add(2000e6)
			sum.PeriodBreaksNS += 2200e6
		}
		sum.Break.Add(200e6) // of a cycle that was not whole
		s.Summarise(sum)
		now += 60e9
	}
	storetest.Finish(t, s)
	cfg := pulse.Config{Kind: pulse.KindInterrupter, Limits: &pulse.Profile{ID: "own", Kind: pulse.KindInterrupter, CadenceNS: []int64{400e6, 200e6, 400e6, 2000e6}}}
	all, err := (&Source{log: open(t, path), contact: "ringing"}).summarised(t.Context(), store.Span{}, &pulse.DriftOptions{}, &cfg)
	if err != nil || len(all) != 5 {
		t.Fatalf("%d windows, %v", len(all), err)
	}
	for _, w := range all {
		if w.BreakMS.N != 19 || w.BreakMS.Mean != 1100 {
			t.Errorf("break %+v", w.BreakMS)
		}
	}
}
