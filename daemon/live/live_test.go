package live

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"makebreak/daemon/config"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// A rig feeds a Contact as a measuring task does.
type rig struct {
	*Contact
	now   pulse.Stamp
	meter *pulse.Meter
}

func newRig(s Setting, window time.Duration) *rig {
	r := &rig{}
	r.Contact = New(s, window, func() pulse.Stamp { return r.now })
	return r
}

func (r *rig) begin(t testing.TB, cfg pulse.Config) {
	t.Helper()
	cfg.Forget = true
	m, err := pulse.NewMeter(r.Begin(cfg))
	if err != nil {
		t.Fatal(err)
	}
	r.meter = m
	r.Up(pulse.High)
}

func (r *rig) add(edges ...pulse.Edge) {
	for len(edges) > 0 {
		n := min(len(edges), 7)
		r.now = max(r.now, edges[n-1].At)
		r.meter.Add(edges[:n])
		r.Edges(edges[:n])
		r.Counts(r.meter.Counts())
		edges = edges[n:]
	}
}

func (r *rig) advance(to pulse.Stamp) {
	r.now = to
	r.Heard(to)
	r.meter.Advance(to)
	r.Counts(r.meter.Counts())
}

// finish ends the recording, as measure does.
func (r *rig) finish() {
	r.meter.Finish(0)
	r.Counts(r.meter.Counts())
}

// descriptions of dials and interrupters, some good and some faulty.
var (
	dials = []string{
		"dial digits=1234567890 repeat=2 jitter=0.3ms bounce=3:1.5ms chatter=0.05 short-breaks=0.05 seed=%d",
		"dial digits=0F9H12 rate=8.9 break=70 gap=700ms lost=0.01 lost-silent=0.005 bounce=2:1ms repeat=3 seed=%d",
		"dial digits=000 rate=21 break=55 gap=300ms ramp=-8,-4 jitter=1ms repeat=3 seed=%d",
	}
	cams = []string{
		"cam ipm=60 lobes=5 lobe-errors=0,9ms,0,-7ms,0 jitter=2ms cycles=200 bounce=3:2ms seed=%d",
		"cam ipm=120 break=40 cycles=150 missing=0.03 extra=0.03 lost=0.002 jitter=3ms seed=%d",
		"cadence 400/200/400/2000 cycles=60 jitter=4ms bounce=2:1ms missing=0.01 seed=%d",
		"cadence 500/500 cycles=60 jitter=4ms seed=%d",
	}
)

// own holds bounds of every quantity of a kind, tight enough to be crossed.
func own(kind pulse.Kind, cadenceNS []int64) *pulse.Profile {
	p := &pulse.Profile{ID: "own", Kind: kind, CadenceNS: cadenceNS}
	f := func(v float64) *float64 { return &v }
	add := func(q pulse.Quantity, segment int, lo, hi float64) {
		p.Limits = append(p.Limits, pulse.Limit{Quantity: q, Segment: segment, Min: f(lo), Max: f(hi)})
	}
	add(pulse.BounceMS, 0, 0, 1.2)
	add(pulse.PeriodMS, 0, 99.9, 1000.2)
	add(pulse.BreakPercent, 0, 49.9, 61.6)
	if kind == pulse.KindDial {
		add(pulse.RatePPS, 0, 9.99, 10.2)
		add(pulse.BreakMS, 0, 61, 62)
		add(pulse.MakeMS, 0, 38, 39)
		add(pulse.BreakRatio, 0, 1.59, 1.61)
		add(pulse.InterdigitMS, 0, 799.9, 800.1)
		return p
	}
	add(pulse.RateIPM, 0, 59.9, 60.1)
	add(pulse.BreakMS, 0, 200, 501)
	add(pulse.MakeMS, 0, 399, 501)
	for i, ns := range cadenceNS {
		add(pulse.SegmentMS, i+1, float64(ns)/1e6-2, float64(ns)/1e6+2)
	}
	return p
}

// With a window that holds all of a recording, the verdict is the Meter's own:
// every item's worst value, uncertainty, statement and counts, for every
// bundled profile and for bounds of every quantity. The counts agree too.
func TestFiguresAreTheMeters(t *testing.T) {
	profiles, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	profiles = append(profiles, own(pulse.KindDial, nil), own(pulse.KindInterrupter, nil), own(pulse.KindInterrupter, []int64{400e6, 200e6, 400e6, 2000e6}))
	statements, others := map[pulse.Statement]int{}, 0
	for _, p := range profiles {
		descriptions := dials
		if p.Kind == pulse.KindInterrupter {
			descriptions = cams
		}
		for i, d := range descriptions {
			d = fmt.Sprintf(d, i)
			setup := pulse.DefaultSetup()
			setup.AsymmetryNS, setup.ClockRel = 30e3, 1e-4
			cfg := pulse.Config{Kind: p.Kind, Limits: p, Setup: &setup}
			edges := hwtest.Sim(t, d)
			m, err := pulse.NewMeter(cfg)
			if err != nil {
				t.Fatal(err)
			}
			m.Add(edges)
			want := m.Finish(0)

			r := newRig(Setting{Name: "a"}, 1000*time.Hour)
			r.begin(t, cfg)
			r.add(edges...)
			r.finish()
			got := r.Figures()

			statement := want.Conformity.Statement
			if len(p.Limits) == 0 && statement == pulse.NotMeasured {
				statement = ""
			}
			if want.Faults() != got.Totals.Faults() {
				t.Errorf("%s, %s: faults %+v, the meter says %+v", p.ID, d, got.Totals.Faults(), want.Faults())
			}
			same := slices.EqualFunc(got.Because, want.Conformity.Because, func(live, whole string) bool {
				return strings.HasPrefix(whole, live) || strings.Contains(whole, "either") && strings.Contains(live, "either") // the whole tells where
			})
			if !same && len(p.Limits) > 0 {
				t.Errorf("%s, %s: because %q, the meter says %q", p.ID, d, got.Because, want.Conformity.Because)
			}
			if got.Statement != statement {
				t.Errorf("%s, %s: %q, the meter says %q", p.ID, d, got.Statement, statement)
			}
			statements[got.Statement]++
			if got.OtherCadence != (want.Interrupter != nil && !want.Interrupter.CadenceFits) {
				t.Errorf("%s, %s: another cadence: %v", p.ID, d, got.OtherCadence)
			} else if got.OtherCadence {
				others++
			}
			var items []pulse.Item
			for i, it := range got.Items {
				items = append(items, it.Item)
				if !got.OtherCadence && (it.TotalOut != uint64(it.OutOfLimit) || it.TotalOf != uint64(it.Of)) {
					t.Errorf("%s, %s: %s: %d of %d in all, %d of %d in the window", p.ID, d, it.Quantity, it.TotalOut, it.TotalOf, it.OutOfLimit, it.Of)
				}
				if at := want.Conformity.Items[i].AtS; at.OK != it.AgoS.OK ||
					at.OK && it.Observed.V != 0 && // of many clean transitions any may be named
						math.Abs(float64(r.now-edges[0].At)/1e9-it.AgoS.V-at.V) > 1e-6 {
					t.Errorf("%s, %s: %s: %v ago, the meter says at %v", p.ID, d, it.Quantity, it.AgoS, at)
				}
			}
			if diff := cmp.Diff(want.Conformity.Items, items, cmpopts.IgnoreFields(pulse.Item{}, "AtS", "At"), cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("%s, %s: %s", p.ID, d, diff)
			}

			n := m.Counts()
			counted := Totals{Counts: n}
			var one, sum uint64 // a pulse or cycle may be out of several limits
			for _, it := range got.Items {
				if it.Quantity != string(pulse.BounceMS) {
					one, sum = max(one, min(it.TotalOut, counted.Pulses+counted.Stalls+counted.Cycles)), sum+it.TotalOut
				}
			}
			if counted.OutOfLimit = got.Totals.OutOfLimit; counted.OutOfLimit < one/2 || counted.OutOfLimit > sum || (counted.OutOfLimit == 0) != (sum == 0) {
				t.Errorf("%s, %s: %d out of limit, of single limits %d at most and %d in all", p.ID, d, counted.OutOfLimit, one, sum)
			}
			if diff := cmp.Diff(counted, got.Totals); diff != "" {
				t.Errorf("%s, %s: %s", p.ID, d, diff)
			}
			if got.Recent.Edges != counted.Edges || got.Recent.Extra != counted.Extra || got.Recent.Pulses != counted.Pulses || got.Recent.Missing != counted.Missing ||
				got.Recent.PhaseSlips != counted.PhaseSlips || got.Recent.Stalls != counted.Stalls {
				t.Errorf("%s, %s: recent %+v", p.ID, d, got.Recent)
			}
			gap := pulse.Num{}
			if want.Dial != nil {
				gap = want.Dial.InterdigitMS.Min
			}
			if got.InterdigitMS != gap {
				t.Errorf("%s: smallest gap %v, measured %v", d, got.InterdigitMS, gap)
			}
		}
	}
	if others == 0 {
		t.Error("no signal had another cadence than its limits")
	}
	for _, s := range []pulse.Statement{pulse.Pass, pulse.Fail, pulse.NotMeasured, ""} {
		if statements[s] == 0 {
			t.Errorf("no signal gave %q: %v", s, statements)
		}
	}
}

// A value counts for as long as the window says, to a twentieth of it, and
// what the verdict is taken on is within it.
func TestWindow(t *testing.T) {
	limits := &pulse.Profile{Kind: pulse.KindDial, Limits: []pulse.Limit{{Quantity: pulse.BreakMS, Max: new(70.)}}}
	rapid.Check(t, func(rt *rapid.T) {
		window := slots * time.Duration(rapid.Int64Range(1, 1e11).Draw(rt, "window"))
		r := newRig(Setting{}, window)
		r.now = pulse.Stamp(rapid.Int64Range(-1e15, 1e15).Draw(rt, "start"))
		cfg := r.Begin(pulse.Config{Kind: pulse.KindDial, Limits: limits})
		type value struct {
			at pulse.Stamp
			ns int64
		}
		var values []value
		total := uint64(0)
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			r.now += pulse.Stamp(rapid.Int64Range(0, int64(window)).Draw(rt, "wait"))
			if rapid.Bool().Draw(rt, "pulse") {
				v := value{r.now, rapid.Int64Range(50e6, 90e6).Draw(rt, "break")}
				values = append(values, v)
				cfg.Observer.Pulse(&pulse.PulseRow{At: v.at, BreakNS: v.ns, Train: 1, Pulse: 1})
				if v.ns > 70e6 {
					total++
				}
			}
			must, may, out := 0, 0, 0
			worst := 0.0
			for _, v := range values {
				age := int64(r.now - v.at)
				if age <= int64(window)*19/20-1 {
					must++
					worst = max(worst, float64(v.ns)/1e6)
					if v.ns > 70e6 {
						out++
					}
				}
				if age <= int64(window) {
					may++
				}
			}
			it := r.Figures().Items[0]
			if it.Of < must || it.Of > may || it.OutOfLimit < out {
				rt.Fatalf("%d of %d out: at least %d of %d, at most %d", it.OutOfLimit, it.Of, out, must, may)
			}
			if it.Observed.OK != (it.Of > 0) || it.Observed.OK && it.Observed.V < worst {
				rt.Fatalf("worst %v, in the window is %v", it.Observed, worst)
			}
			if it.AgoS.OK && it.AgoS.V > window.Seconds() {
				rt.Fatalf("worst value %v s ago, window %v", it.AgoS.V, window)
			}
			if it.TotalOut != total || it.TotalOf != uint64(len(values)) {
				rt.Fatalf("%d of %d in all, want %d of %d", it.TotalOut, it.TotalOf, total, len(values))
			}
			if (it.Of == 0) != (r.Figures().Statement == pulse.NotMeasured) {
				rt.Fatalf("%s on %d values", r.Figures().Statement, it.Of)
			}
		}
	})
}

// Totals never go back and lose nothing, over new Meters, changed limits and a
// slip of the phase.
func TestTotalsNeverGoBack(t *testing.T) {
	r := newRig(Setting{}, time.Minute)
	edges := hwtest.Sim(t, "cam ipm=120 cycles=120 missing=0.05 extra=0.05 seed=3")
	var sum Totals
	var before Totals
	check := func() {
		t.Helper()
		now := r.Figures().Totals
		for _, x := range [][2]uint64{{before.Edges, now.Edges}, {before.Cycles, now.Cycles}, {before.Missing, now.Missing}, {before.Extra, now.Extra}, {before.CyclesDue, now.CyclesDue}} {
			if x[1] < x[0] {
				t.Fatalf("went back: %+v to %+v", before, now)
			}
		}
		before = now
	}
	at := pulse.Stamp(0)
	for turn := range 3 {
		r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 500e6, Limits: own(pulse.KindInterrupter, nil)})
		for _, e := range edges {
			e.At += at
			if turn == 1 && e.At-at > 30e9 {
				e.At += 170e6 // the motor slips: a new phase
			}
			r.add(e)
			check()
		}
		at = r.now + 1e9
		n := r.meter.Counts()
		sum.Edges += uint64(n.Edges)
		sum.Cycles += uint64(n.Cycles)
		sum.Missing += uint64(n.Missing)
		sum.Extra += uint64(n.Extra)
	}
	if got := r.Figures().Totals; got.Edges != sum.Edges || got.Cycles != sum.Cycles || got.Missing != sum.Missing || got.Extra != sum.Extra {
		t.Errorf("%+v, want %+v", got, sum)
	}
	if slips := r.Figures().Totals.PhaseSlips; slips == 0 || sum.Extra == 0 || sum.Missing == 0 {
		t.Errorf("the signal shows nothing: %d slips, %+v", slips, sum)
	}

	// Bounds keep their counts when their values change, and when they are taken
	// away and put back.
	items := r.Figures().Items
	changed := own(pulse.KindInterrupter, nil)
	*changed.Limits[0].Max, changed.Limits = 3, changed.Limits[:2]
	for range 2 {
		r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 500e6, Limits: changed})
		for i, it := range r.Figures().Items {
			if it.TotalOf != items[i].TotalOf || it.TotalOf == 0 || it.TotalOut != items[i].TotalOut || it.Of != 0 {
				t.Errorf("%s %s: %d in all, %d in the window after a change", it.Quantity, it.Bound, it.TotalOf, it.Of)
			}
		}
		r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 500e6})
	}
	// Another kind has other figures, but its counts go on, those of a rate in
	// another unit too.
	rate := func(items []Item, q pulse.Quantity) Item {
		i := slices.IndexFunc(items, func(it Item) bool { return it.Limits.Quantity == q && it.Bound == "max" })
		return items[i]
	}
	old := r.Figures().Totals
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Limits: own(pulse.KindDial, nil)})
	f := r.Figures()
	if f.Totals != old || f.Rate.OK || f.Recent != (pulse.Counts{}) || f.Statement != pulse.NotMeasured {
		t.Errorf("%+v", f)
	}
	if got, want := rate(f.Items, pulse.RatePPS), rate(items, pulse.RateIPM); got.TotalOf != want.TotalOf || want.TotalOf == 0 {
		t.Errorf("rates: %d in all, then %d", want.TotalOf, got.TotalOf)
	}
}

// The level that is found after an unknown one is no edge.
func TestEdgesAreChanges(t *testing.T) {
	r := newRig(Setting{}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial})
	r.Up(pulse.Unknown)
	r.add(pulse.Edge{At: 1e9, Level: pulse.Low}) // found
	r.add(pulse.Edge{At: 2e9, Level: pulse.High}, pulse.Edge{At: 3e9, Level: pulse.Unknown}, pulse.Edge{At: 4e9, Level: pulse.Low}, pulse.Edge{At: 5e9, Level: pulse.High})
	if f := r.Figures(); f.Totals.Edges != 2 || f.Recent.Edges != 2 || r.meter.Counts().Edges != 4 {
		t.Errorf("%d edges, %d in the window; the meter says %d", f.Totals.Edges, f.Recent.Edges, r.meter.Counts().Edges)
	}
}

// An interrupter without a time of its own stands still after three of its
// slowest known cycles, 5 s at least; a dial never. The rate of one that does
// not go on is not that of now.
func TestStandsStill(t *testing.T) {
	busy := &pulse.Profile{ID: "own", Kind: pulse.KindInterrupter, CadenceNS: []int64{2e9, 4e9}}
	for name, c := range map[string]struct {
		set      Setting
		cfg      pulse.Config
		measured string // before the silence
		want     time.Duration
	}{
		"nothing known":   {cfg: pulse.Config{Kind: pulse.KindInterrupter}},
		"a dial":          {set: Setting{Rate: 10}, cfg: pulse.Config{Kind: pulse.KindDial}, measured: "dial digits=55"},
		"as set":          {set: Setting{StuckAfter: 2 * time.Second}, cfg: pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9}, want: 2 * time.Second},
		"nominal rate":    {cfg: pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 5e9}, want: 15 * time.Second},
		"fast":            {cfg: pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 100e6}, want: 5 * time.Second},
		"cadence":         {cfg: pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: []int64{400e6, 200e6, 400e6, 2e9}}, want: 9 * time.Second},
		"limits' cadence": {cfg: pulse.Config{Kind: pulse.KindInterrupter, Limits: busy}, want: 18 * time.Second},
		"measured":        {cfg: pulse.Config{Kind: pulse.KindInterrupter}, measured: "cam ipm=20 cycles=60", want: 9 * time.Second},
		"slower":          {cfg: pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 2e9}, measured: "cam ipm=24 cycles=60", want: 7500 * time.Millisecond},
	} {
		r := newRig(c.set, time.Minute)
		r.begin(t, c.cfg)
		if c.measured != "" {
			r.add(hwtest.Sim(t, c.measured)...)
		}
		last := r.now
		if got := r.StuckAfter(); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
			continue
		}
		if c.want == 0 {
			r.advance(last + pulse.Stamp(9*time.Hour))
			if f := r.Figures(); f.Stuck || f.RateAgoS.OK {
				t.Errorf("%s: %+v", name, f)
			}
			continue
		}
		r.advance(last + pulse.Stamp(c.want) - 1)
		if f := r.Figures(); f.Stuck || f.StuckAfter != c.want {
			t.Errorf("%s: stuck too early, after %v", name, f.StuckAfter)
		}
		r.advance(last + pulse.Stamp(c.want))
		f := r.Figures()
		if !f.Stuck || f.RateAgoS.OK != (c.measured != "") || f.RateAgoS.OK && (f.RateAgoS.V < c.want.Seconds() || f.RateAgoS.V > c.want.Seconds()+3) {
			t.Errorf("%s: stuck %v, rate is %v s old", name, f.Stuck, f.RateAgoS)
		}
	}

	// Edges alone do not make a rate current.
	r := newRig(Setting{StuckAfter: time.Second}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindInterrupter})
	r.add(hwtest.Sim(t, "cam ipm=60 cycles=60")...)
	if r.Figures().RateAgoS.OK {
		t.Error("the rate of a cam that runs is old")
	}
	for range 20 {
		r.add(pulse.Edge{At: r.now + 330e6, Level: pulse.Low}, pulse.Edge{At: r.now + 331e6, Level: pulse.High}) // chatter
	}
	if f := r.Figures(); f.Stuck || !f.RateAgoS.OK {
		t.Errorf("stuck %v, rate is %v s old", f.Stuck, f.RateAgoS)
	}
	// Nor does a source that is not read.
	r = newRig(Setting{}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial})
	r.add(hwtest.Sim(t, "dial digits=55")...)
	r.advance(r.now + 3e9)
	r.Down("unplugged")
	if f := r.Figures(); f.RateAgoS.V != 3 {
		t.Errorf("rate is %v s old", f.RateAgoS)
	}
}

func TestLatestFigures(t *testing.T) {
	for _, c := range []struct {
		description   string
		rate, percent float64
	}{
		// The last train's own rate: 5 pulses at 9 pps.
		{"dial digits=295 rate=9 break=60", 9, 60},
		{"dial digits=5511 rate=9 break=60", 9, 60}, // one pulse has no rate
		{"dial digits=5 rate=20 break=67", 20, 67},
		// Of a cadence the breaks of a whole cycle.
		{"cadence 400/200/400/2000 cycles=20", 20, 100 * 2200. / 3000},
		{"cam ipm=60 break=45 cycles=60", 60, 45},
	} {
		kind := pulse.KindDial
		if !strings.HasPrefix(c.description, "dial") {
			kind = pulse.KindInterrupter
		}
		r := newRig(Setting{}, time.Minute)
		r.begin(t, pulse.Config{Kind: kind})
		if f := r.Figures(); f.Rate.OK || f.BreakPercent.OK || f.SinceEdge.OK || f.Statement != "" {
			t.Errorf("before any edge: %+v", f)
		}
		r.add(hwtest.Sim(t, c.description)...)
		r.advance(r.now + 2e9)
		f := r.Figures()
		if math.Abs(f.Rate.V-c.rate) > 1e-6 || math.Abs(f.BreakPercent.V-c.percent) > 1e-6 {
			t.Errorf("%s: rate %v, percent break %v", c.description, f.Rate, f.BreakPercent)
		}
	}
	// A row of pulses without end has a rate before it ends.
	r := newRig(Setting{}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial})
	at := pulse.Stamp(0)
	for i := range 40 {
		r.add(pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 60e6, Level: pulse.High})
		at += 100e6
		if i > 20 {
			at += 25e6 // 8 pps from here on
		}
	}
	if f := r.Figures(); math.Abs(f.Rate.V-8) > 1e-9 || math.Abs(f.BreakPercent.V-48) > 1e-9 {
		t.Errorf("steady pulses: rate %v, percent break %v", f.Rate, f.BreakPercent)
	}
}

// The means are over all periods of the window, with the uncertainty that a
// measurement states of overall figures: worked out by hand, as DefaultSetup has
// 20 µs of noise an edge, 57.735 µs of asymmetry and 50 ppm of the time base.
// Two trains of four periods, 100 ms with 60 ms of break: the rate's noise is
// √(2·2) · 20 µs in 0.8 s = 50 ppm, with the time base 70.7 ppm, doubled, of
// 10 pps = 0.001414 pps. The percent break's is 20 µs · √(2·8 − 2·2·0.24) =
// 77.6 µs, the asymmetry 8 · 57.735 = 461.9 µs, together 468.4 µs in 0.8 s =
// 0.0585 %, doubled 0.1171 %.
func TestMeans(t *testing.T) {
	r := newRig(Setting{}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial})
	near := func(what string, got pulse.Num, want, tolerance float64) {
		t.Helper()
		if !got.OK || math.Abs(got.V-want) > tolerance {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	if f := r.Figures(); f.MeanRate.OK || f.MeanPercent.OK || f.SegmentsMS != nil {
		t.Errorf("before any edge: %+v", f)
	}
	r.add(hwtest.Sim(t, "dial digits=55 rate=10 break=60")...)
	r.advance(r.now + 1e9)
	f := r.Figures()
	near("rate", f.MeanRate, 10, 1e-9)
	near("U(rate)", f.MeanRateU, 0.001414, 1e-6)
	near("percent break", f.MeanPercent, 60, 1e-9)
	near("U(percent break)", f.MeanPercentU, 0.1171, 1e-4)
	if f.RestsOpen {
		t.Error("rests open")
	}
	r.advance(r.now + 61e9)
	if f := r.Figures(); f.MeanRate.OK {
		t.Errorf("of what is over: %v", f.MeanRate)
	}

	// A cadence has its segments, and a scatter that was seen counts.
	r = newRig(Setting{}, time.Hour)
	r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: []int64{400e6, 200e6, 400e6, 2000e6}, StartLevel: pulse.High})
	r.add(hwtest.Sim(t, "cadence 401/200/398/2001 cycles=20")...)
	f = r.Figures()
	near("rate of a cadence", f.MeanRate, 20, 1e-9)
	if diff := cmp.Diff([]float64{401, 200, 398, 2001}, f.SegmentsMS, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
		t.Errorf("segments: %s", diff)
	}
	steady := f.MeanRateU.V
	r = newRig(Setting{}, time.Hour)
	r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: []int64{400e6, 200e6, 400e6, 2000e6}, StartLevel: pulse.High})
	r.add(hwtest.Sim(t, "cadence 401/200/398/2001 cycles=20 jitter=10ms seed=1")...)
	// 10 ms at two edges of one run of 60 s are 236 ppm of 20 IPM, doubled.
	near("U(rate) with jitter", r.Figures().MeanRateU, 0.0094, 0.003)
	if steady > 0.0025 {
		t.Errorf("U(rate) without jitter: %v", steady)
	}
}

// A dial that rests open, as with the wrong polarity, is told from one that does
// not, and from one that is hung up.
func TestRestsOpen(t *testing.T) {
	for _, c := range []struct {
		name, description string
		polarity          pulse.Polarity
		want              bool
	}{
		{"right", "dial digits=5050505", pulse.ClosedHigh, false},
		{"swapped", "dial digits=5050505", pulse.ClosedLow, true},
		{"a few pulses", "dial digits=3", pulse.ClosedLow, false},
		{"hung up after each call", "dial digits=5555 hangup=3s repeat=5 gap=800ms", pulse.ClosedHigh, false},
		{"short breaks", "dial digits=5050505 break=40", pulse.ClosedHigh, false},
	} {
		r := newRig(Setting{}, time.Hour)
		r.begin(t, pulse.Config{Kind: pulse.KindDial, Polarity: c.polarity})
		r.add(hwtest.Sim(t, c.description)...)
		r.advance(r.now + 10e9)
		if f := r.Figures(); f.RestsOpen != c.want {
			t.Errorf("%s: %v; %+v, percent break %v", c.name, f.RestsOpen, f.Recent, f.MeanPercent)
		}
	}
}

// Since when a bound is exceeded: from the first value that is out after a whole
// window without one.
func TestOutSince(t *testing.T) {
	bound := 70.0
	r := newRig(Setting{}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Live: true, StartLevel: pulse.High, Limits: &pulse.Profile{ID: "own", Kind: pulse.KindDial, Limits: []pulse.Limit{{Quantity: pulse.BreakMS, Max: &bound}}}})
	brk := func(atS, ms float64) {
		at := pulse.Stamp(atS * 1e9)
		r.add(pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + pulse.Stamp(ms*1e6), Level: pulse.High})
		r.meter.Advance(at + 500e6)
		r.advance(at + 500e6)
	}
	is := func(want float64, ok bool) {
		t.Helper()
		if got := r.Figures().Items[0].OutForS; got.OK != ok || math.Abs(got.V-want) > 1e-9 {
			t.Errorf("at %v s: out for %v, want %v", float64(r.now)/1e9, got, want)
		}
	}
	brk(10, 60)
	is(0, false)
	brk(20, 75)
	is(0.5, true)
	brk(60, 75)
	brk(100, 60)
	is(80.5, true)
	brk(110, 75)
	is(90.5, true)
	brk(175, 60)
	is(0, false)
	brk(180, 75)
	is(0.5, true)
}

func TestStateAndSilence(t *testing.T) {
	r := newRig(Setting{Name: "a", StuckAfter: 30 * time.Second, Notes: []string{"n"}}, time.Minute)
	want := func(what string, up bool, state State, since float64, stuck bool) {
		t.Helper()
		f := r.Figures()
		if f.Up != up || f.State != state || f.SinceEdge.OK != (since >= 0) || since >= 0 && f.SinceEdge.V != since || f.Stuck != stuck {
			t.Errorf("%s: up %v, %v, since %v, stuck %v", what, f.Up, f.State, f.SinceEdge, f.Stuck)
		}
	}
	r.now = 100e9
	want("new", false, Unknown, -1, false)
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Polarity: pulse.ClosedLow})
	r.Up(pulse.Unknown)
	want("up, level unknown", true, Unknown, -1, false)
	r.Up(pulse.Low)
	want("up", true, Closed, -1, false)
	r.advance(129e9)
	want("still", true, Closed, -1, false)
	r.advance(130e9)
	want("no edge since it came up", true, Closed, -1, true)
	r.add(pulse.Edge{At: 131e9, Level: pulse.High})
	want("opened", true, Open, 0, false)
	r.advance(141e9)
	want("open for a while", true, Open, 10, false)
	r.add(pulse.Edge{At: 141e9, Level: pulse.Unknown})
	want("level unknown", true, Unknown, 0, false)
	r.advance(200e9)
	want("stuck", true, Unknown, 59, true)
	r.add(pulse.Edge{At: 200e9, Level: pulse.Low})
	r.now = 300e9
	want("not heard", true, Closed, 100, false)
	r.advance(300e9)
	want("heard", true, Closed, 100, true)
	r.Down(`line "GPIO17" is in use`)
	want("down", false, Unknown, 100, false)
	r.Finding(Stuck)
	r.Finding(Stuck)
	r.Describe(Setting{Name: "a", Title: "T"})
	f := r.Figures()
	if f.Why != `line "GPIO17" is in use` || f.Title != "T" || f.Findings[Stuck] != 2 {
		t.Errorf("%+v", f)
	}
}

// The uncertainty follows the clock's state.
func TestClock(t *testing.T) {
	r := newRig(Setting{}, time.Hour)
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Limits: own(pulse.KindDial, nil)})
	r.add(hwtest.Sim(t, "dial digits=99")...)
	before := r.Figures().Items[8] // a period
	r.Clock(0.01, pulse.ClockFrom{Given: "drifting"})
	if after := r.Figures().Items[8]; !(after.ExpandedU.V > 2*before.ExpandedU.V) {
		t.Errorf("%v, then %v", before.ExpandedU, after.ExpandedU)
	}
}

// Nothing is allocated for an edge, a pulse or a cycle.
func TestNoAllocations(t *testing.T) {
	for _, d := range []string{"dial digits=0987654321 jitter=0.2ms bounce=3:1ms seed=1", "cadence 400/200/400/2000 cycles=60 jitter=1ms seed=1"} {
		kind := pulse.KindDial
		if strings.HasPrefix(d, "cadence") {
			kind = pulse.KindInterrupter
		}
		r := newRig(Setting{}, time.Minute)
		r.begin(t, pulse.Config{Kind: kind, Limits: own(kind, nil)})
		edges := hwtest.Sim(t, d)
		length := edges[len(edges)-1].At + 1e9
		later := func() []pulse.Edge {
			for i := range edges {
				edges[i].At += length
			}
			return edges
		}
		r.add(edges...) // learns
		got := testing.AllocsPerRun(20, func() { r.add(later()...) })
		// The meter's own, for each train and its digit.
		m, err := pulse.NewMeter(pulse.Config{Kind: kind, Forget: true, Observer: pulse.Observer{Train: func(*pulse.Train) {}}})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(later())
		if own := testing.AllocsPerRun(20, func() { m.Add(later()) }); got > own {
			t.Errorf("%s: %v allocations for %d edges, %v of them the meter's", d, got, len(edges), own)
		}
	}
}

// Figures may be asked for while edges come; the race detector looks on.
func TestFiguresWhileMeasuring(t *testing.T) {
	var mu sync.Mutex
	now := pulse.Stamp(0)
	c := New(Setting{Name: "a", Notes: []string{"n"}}, time.Minute, func() pulse.Stamp {
		mu.Lock()
		defer mu.Unlock()
		return now
	})
	m, err := pulse.NewMeter(c.Begin(pulse.Config{Kind: pulse.KindDial, Limits: own(pulse.KindDial, nil), Forget: true}))
	if err != nil {
		t.Fatal(err)
	}
	edges := hwtest.Sim(t, "dial digits=1234567890 repeat=20 jitter=0.2ms seed=1")
	var asking sync.WaitGroup
	done := make(chan struct{})
	for range 3 {
		asking.Go(func() {
			last := uint64(0)
			for {
				f := c.Figures()
				if f.Totals.Edges < last {
					t.Error("edges went back")
				}
				last = f.Totals.Edges
				select {
				case <-done:
					return
				default:
				}
			}
		})
	}
	for len(edges) > 0 {
		n := min(5, len(edges))
		mu.Lock()
		now = edges[n-1].At
		mu.Unlock()
		m.Add(edges[:n])
		c.Edges(edges[:n])
		c.Counts(m.Counts())
		c.Describe(Setting{Name: "a", Notes: []string{"other"}})
		edges = edges[n:]
	}
	m.Finish(0)
	c.Counts(m.Counts())
	close(done)
	asking.Wait()
	if c.Figures().Totals.Pulses != 55*20 { // 1 + 2 + … + 10 in each round
		t.Errorf("%+v", c.Figures().Totals)
	}
}

func BenchmarkPulse(b *testing.B) {
	r := newRig(Setting{}, 10*time.Minute)
	cfg := r.Begin(pulse.Config{Kind: pulse.KindDial, Limits: own(pulse.KindDial, nil)})
	row := pulse.PulseRow{Pulse: 3, BreakNS: 61e6, PeriodNS: 100e6, MakeNS: 39e6}
	b.ReportAllocs()
	for b.Loop() {
		row.At += 100e6
		cfg.Observer.Pulse(&row)
	}
}

func BenchmarkFigures(b *testing.B) {
	r := newRig(Setting{}, 10*time.Minute)
	r.begin(b, pulse.Config{Kind: pulse.KindDial, Limits: own(pulse.KindDial, nil)})
	r.add(hwtest.Sim(b, "dial digits=1234567890")...)
	b.ReportAllocs()
	for b.Loop() {
		r.Figures()
	}
}

// A missing interruption fails the window that it lies in, with its cause, and
// no later one; without limits there is a cause and no statement. The cam is
// invented.
func TestFaultFailsItsWindow(t *testing.T) {
	slow, fast := 50.0, 70.0
	p := &pulse.Profile{ID: "wide", Kind: pulse.KindInterrupter, Limits: []pulse.Limit{{Quantity: pulse.RateIPM, Min: &slow, Max: &fast}}}
	for _, limits := range []*pulse.Profile{p, nil} {
		r := newRig(Setting{Name: "a"}, time.Minute)
		r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Limits: limits, Live: true, StartLevel: pulse.High})
		look := func(at int, want pulse.Statement, because ...string) {
			t.Helper()
			if limits == nil {
				want = ""
			}
			if f := r.Figures(); f.Statement != want || !slices.Equal(f.Because, because) {
				t.Errorf("after %d s: %q because %q, want %q because %q", at, f.Statement, f.Because, want, because)
			}
		}
		for i := 1; i <= 150; i++ {
			if i != 40 {
				at := pulse.Stamp(i * 1e9)
				r.add(pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 5e8, Level: pulse.High})
			}
			switch i {
			case 39, 150:
				look(i, pulse.Pass)
			case 50, 90:
				look(i, pulse.Fail, "1 interruption is missing")
			}
		}
	}
}

// A slip of the phase fails its window too, and no later one. The cam is
// invented.
func TestSlipFailsItsWindow(t *testing.T) {
	slow, fast := 50.0, 70.0
	p := &pulse.Profile{ID: "wide", Kind: pulse.KindInterrupter, Limits: []pulse.Limit{{Quantity: pulse.RateIPM, Min: &slow, Max: &fast}}}
	r := newRig(Setting{Name: "a"}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Limits: p, Live: true, StartLevel: pulse.High})
	for i := 1; i <= 150; i++ {
		at := pulse.Stamp(i * 1e9)
		if i >= 40 {
			at += 45e7
		}
		r.add(pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 5e8, Level: pulse.High})
		f := r.Figures()
		told := slices.Contains(f.Because, "the phase slipped once")
		switch {
		case i == 80 && (f.Statement != pulse.Fail || !told):
			t.Errorf("after the slip: %q because %q", f.Statement, f.Because)
		case (i == 39 || i == 150) && (f.Statement != pulse.Pass || len(f.Because) > 0):
			t.Errorf("at %d s: %q because %q", i, f.Statement, f.Because)
		}
	}
}

// A live contact counts a stall with the pulse behind it, has its break and
// periods judged, and judges the bounce of pulses only.
func TestStall(t *testing.T) {
	bound := func(v float64) *float64 { return &v }
	r := newRig(Setting{Name: "dial"}, time.Minute)
	r.begin(t, pulse.Config{Kind: pulse.KindDial, Live: true, StartLevel: pulse.High, Limits: &pulse.Profile{ID: "own", Kind: pulse.KindDial, Limits: []pulse.Limit{
		{Quantity: pulse.BreakMS, Max: bound(70)}, {Quantity: pulse.BounceMS, Max: bound(0.5)},
	}}})
	at := func(ms ...float64) (e []pulse.Edge) {
		for i, x := range ms {
			e = append(e, pulse.Edge{At: pulse.Stamp(x * 1e6), Level: pulse.Level(i & 1)})
		}
		return e
	}
	r.add(at(1000, 1060, 1100, 1600, 1640, 1700)...) // in one digit
	r.add(at(5000, 5002, 5003, 5500)...)             // a flash that bounces
	r.advance(6000e6)
	f := r.Figures()
	if f.Totals.Stalls != 1 || f.Totals.Flashes != 1 || f.Totals.Pulses != 2 || f.Recent.Stalls != 1 {
		t.Errorf("%+v", f.Totals)
	}
	if b := f.Items[0]; b.Of != 3 || b.OutOfLimit != 1 || b.Observed.V != 500 || b.Statement != pulse.Fail || b.At.String() != "pulse 2" {
		t.Errorf("%+v", b)
	}
	if b := f.Items[1]; b.Of != 6 || b.OutOfLimit != 0 || b.Statement != pulse.Pass {
		t.Errorf("%+v", b)
	}
}
