package pulse

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// All contacts here are invented. What is expected of them is what they were made
// to do, by arithmetic beside it.

// A brk is a break: from opening to closing, in ms.
type brk struct{ open, close float64 }

// edgesOf makes the edges of a contact that rests closed; bounceMS is that of each
// opening and closing, 0 for none.
func edgesOf(breaks []brk, bounceMS float64) (edges []Edge) {
	add := func(ms float64, l Level) {
		at := Stamp(math.Round(ms * 1e6))
		edges = append(edges, Edge{At: at, Level: l})
		if bounceMS > 0 {
			edges = append(edges, Edge{At: at + Stamp(bounceMS*5e5), Level: 1 - l}, Edge{At: at + Stamp(bounceMS*1e6), Level: l})
		}
	}
	for _, b := range breaks {
		add(b.open, Low)
		add(b.close, High)
	}
	return edges
}

// trains makes pulses at 10 pps with breaks of 60 ms, trains of so many pulses with
// pauses of 800 ms after the last closing.
func trains(pulses ...int) (all []brk) {
	at := 1000.0
	for _, n := range pulses {
		for range n {
			all = append(all, brk{at, at + 60})
			at += 100
		}
		at += 760
	}
	return all
}

// delayed is what a repeater makes of breaks.
func delayed(in []brk, openLag, closeLag float64) []brk {
	out := slices.Clone(in)
	for i := range out {
		out[i].open += openLag
		out[i].close += closeLag
	}
	return out
}

// against measures an input against an output, edges against edges.
func against(t testing.TB, cfg Config, in, out []Edge, same bool) *Measurement {
	t.Helper()
	track := NewTrack(&cfg)
	other := cfg
	other.Limits = nil
	other.Observer = track.Observer()
	m, err := NewMeter(other)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(out)
	m.Finish(0)
	cfg.Against = &Against{Track: track, OneRecording: same}
	if m, err = NewMeter(cfg); err != nil {
		t.Fatal(err)
	}
	m.Add(in)
	return m.Finish(0)
}

func dialAgainst(t testing.TB, in, out []brk) *Repeater {
	t.Helper()
	return against(t, Config{Kind: KindDial}, edgesOf(in, 0), edgesOf(out, 0), true).Repeater
}

func wantMean(t *testing.T, name string, s Stat, n int, mean float64) {
	t.Helper()
	if s.N != n || math.Abs(s.Mean.V-mean) > 1e-9 {
		t.Errorf("%s: %d values with mean %v, want %d with %v", name, s.N, s.Mean, n, mean)
	}
}

func wantCounts(t *testing.T, r *Repeater, pairs, lost, extra, unknown int) {
	t.Helper()
	got, want := [4]int{r.Pairs, r.Lost, r.Extra, r.Unpaired}, [4]int{pairs, lost, extra, unknown}
	if got != want {
		t.Errorf("pairs, lost, extra, unknown: %v, want %v", got, want)
	}
}

func TestRepeaterByHand(t *testing.T) {
	in := trains(3, 1, 10)
	r := dialAgainst(t, in, delayed(in, 12, 9))
	wantCounts(t, r, 14, 0, 0, 0)
	wantMean(t, "open lag", r.OpenLagMS, 14, 12)
	wantMean(t, "close lag", r.CloseLagMS, 14, 9)
	wantMean(t, "change", r.BreakChangeMS, 14, -3)
	// From the output's opening (12) to the input's closing (60).
	wantMean(t, "both open", r.BothOpenMS, 14, 48)
	// From the output's closing (69) to the input's next opening (100), inside
	// trains: 2 + 9 makes.
	wantMean(t, "both closed", r.BothClosedMS, 11, 31)
	if r.Opposite || r.OutputOpensFirst != 0 || r.OutputClosesFirst != 0 {
		t.Errorf("opposite %v, first %d and %d", r.Opposite, r.OutputOpensFirst, r.OutputClosesFirst)
	}
	wantMean(t, "period", Stat{N: 1, Mean: r.PeriodMS}, 1, 100)
}

func TestOneLostPulseCostsOnePulse(t *testing.T) {
	in := trains(10, 10, 1, 3)
	for lost := range in {
		out := slices.Delete(delayed(in, 12, 9), lost, lost+1)
		for name, same := range map[string]bool{"one file": true, "two files": false} {
			r := against(t, Config{Kind: KindDial}, edgesOf(in, 0), edgesOf(out, 0), same).Repeater
			wantCounts(t, r, len(in)-1, 1, 0, 0)
			wantMean(t, name+" open lag", r.OpenLagMS, len(in)-1, 12)
			wantMean(t, name+" close lag", r.CloseLagMS, len(in)-1, 9)
			if len(r.LostAt) != 1 || r.LostAt[0].AtS != (in[lost].open-in[0].open)/1e3 {
				t.Errorf("pulse %d: lost at %+v", lost, r.LostAt)
			} else if lost < 10 && (r.LostAt[0].Train != 1 || r.LostAt[0].Pulse != lost+1) {
				t.Errorf("pulse %d: lost at %+v", lost, r.LostAt)
			}
			// The other way round it is an extra one.
			r = against(t, Config{Kind: KindDial}, edgesOf(out, 0), edgesOf(in, 0), same).Repeater
			wantCounts(t, r, len(in)-1, 0, 1, 0)
			wantMean(t, name+" open lag the other way", r.OpenLagMS, len(in)-1, -12)
		}
	}
}

func TestDeadOutput(t *testing.T) {
	in := trains(10, 10, 10, 10)
	// It moves once, long before.
	r := dialAgainst(t, in, []brk{{100, 160}})
	wantCounts(t, r, 0, 40, 1, 0)
	if r.OpenLagMS.N != 0 || r.BreakChangeMS.Mean.OK {
		t.Errorf("lags of a dead output: %+v", r)
	}
	if len(r.LostAt) != 20 {
		t.Errorf("%d places of lost pulses, want the first 20", len(r.LostAt))
	}
	// In a recording of its own, which ended: only what it may have seen is lost.
	// 0.1 s + 2 s is before the third train begins.
	r = against(t, Config{Kind: KindDial}, edgesOf(in, 0), edgesOf([]brk{{100, 160}}, 0), false).Repeater
	if r.Pairs != 0 || r.Lost+r.Unpaired != 40 || r.Unpaired < 25 {
		t.Errorf("%d lost and %d unknown of an output whose recording ended", r.Lost, r.Unpaired)
	}
}

func TestMergedAndSplitBreaks(t *testing.T) {
	in := trains(10)
	out := delayed(in, 12, 9)
	// The output holds through the make after pulse 4: one break for two.
	merged := slices.Clone(out)
	merged[3].close = merged[4].close
	merged = slices.Delete(merged, 4, 5)
	r := dialAgainst(t, in, merged)
	wantCounts(t, r, 9, 1, 0, 0)
	wantMean(t, "close lag", r.CloseLagMS, 9, 9) // that of pulse 4 is not there
	wantMean(t, "change", r.BreakChangeMS, 8, -3)
	// The output closes for 10 ms in pulse 4.
	split := slices.Insert(slices.Clone(out), 4, brk{in[3].open + 45, out[3].close})
	split[3].close = in[3].open + 35
	r = dialAgainst(t, in, split)
	wantCounts(t, r, 10, 0, 1, 0)
	wantMean(t, "change of a split break", r.BreakChangeMS, 9, -3)
}

func TestShortBreaksAloneAreNoPulses(t *testing.T) {
	in := trains(10)
	out := delayed(in, 12, 9)
	noisy := slices.Insert(slices.Clone(out), 10, brk{in[9].open + 400, in[9].open + 408})
	r := dialAgainst(t, in, noisy)
	wantCounts(t, r, 10, 0, 0, 0)
	if r.Short != 1 {
		t.Errorf("%d short breaks alone, want 1", r.Short)
	}
	// A pulse that the output makes too short is a pair all the same.
	out[4].close = out[4].open + 8
	r = dialAgainst(t, in, out)
	wantCounts(t, r, 10, 0, 0, 0)
	if r.BreakChangeMS.Min.V != -52 {
		t.Errorf("least change %v, want -52", r.BreakChangeMS.Min)
	}
}

func TestFlashesAreRepeated(t *testing.T) {
	in := append(trains(3), brk{4000, 4400}, brk{8000, 11000})
	r := dialAgainst(t, in, delayed(in, 12, 9))
	wantCounts(t, r, 5, 0, 0, 0)
	wantMean(t, "change", r.BreakChangeMS, 5, -3)
}

func TestBounceOnBoth(t *testing.T) {
	in := trains(10, 5, 7)
	out := delayed(in, 12, 9)
	r := against(t, Config{Kind: KindDial}, edgesOf(in, 2), edgesOf(out, 1), true).Repeater
	wantCounts(t, r, 22, 0, 0, 0)
	wantMean(t, "open lag", r.OpenLagMS, 22, 12)
	// At the settled times the input is 2 ms later and the output 1 ms.
	r = against(t, Config{Kind: KindDial, Timing: TimingSettled}, edgesOf(in, 2), edgesOf(out, 1), true).Repeater
	wantMean(t, "settled open lag", r.OpenLagMS, 22, 11)
	wantMean(t, "settled close lag", r.CloseLagMS, 22, 8)
}

func TestAsymmetryOfBothChains(t *testing.T) {
	in := trains(10)
	setup := DefaultSetup()
	setup.AsymmetryNS = 1e6
	cfg := Config{Kind: KindDial, Setup: &setup}
	r := against(t, cfg, edgesOf(in, 0), edgesOf(delayed(in, 12, 9), 0), true).Repeater
	wantMean(t, "open lag of two equal chains", r.OpenLagMS, 10, 12)
	wantMean(t, "both open", r.BothOpenMS, 10, 49) // both openings are 1 ms earlier
	if len(r.ByPlace) != 10 {
		t.Errorf("%d places: corrected openings lost theirs", len(r.ByPlace))
	}
	// Only the output's chain is slow to show openings.
	track := NewTrack(&cfg)
	other := cfg
	other.Observer = track.Observer()
	m, _ := NewMeter(other)
	m.Add(edgesOf(delayed(in, 12, 9), 0))
	m.Finish(0)
	plain := DefaultSetup()
	m, _ = NewMeter(Config{Kind: KindDial, Setup: &plain, Against: &Against{Track: track, Setup: &setup, OneRecording: true}})
	m.Add(edgesOf(in, 0))
	r = m.Finish(0).Repeater
	wantMean(t, "open lag of a slow chain", r.OpenLagMS, 10, 11)
	wantMean(t, "change of a slow chain", r.BreakChangeMS, 10, -2)
}

func TestUnknownTimeGivesNeitherPairsNorLost(t *testing.T) {
	in := trains(10, 10)
	out := delayed(in, 12, 9)
	at := func(b brk) int { return 2 * slices.Index(in, b) }
	cases := map[string]struct {
		damage func(in, out *[]Edge)
		check  func(r *Repeater) bool
	}{
		"output loses an edge pair": {func(_, o *[]Edge) {
			// Opening and closing of pulse 5 are gone, and the gap is told at the next
			// opening: nothing is known from the closing of pulse 4 on.
			*o = slices.Delete(*o, 8, 10)
			(*o)[8].Lost = 2
		}, func(r *Repeater) bool { return r.Lost == 0 && r.Extra == 0 && r.Pairs == 18 && r.Unpaired == 2 }},
		"input loses an edge pair": {func(i, _ *[]Edge) {
			*i = slices.Delete(*i, 8, 10)
			(*i)[8].Lost = 2
		}, func(r *Repeater) bool { return r.Lost == 0 && r.Extra == 0 && r.Pairs == 18 && r.Unpaired == 2 }},
		"output is blind for a second": {func(_, o *[]Edge) {
			dark := (*o)[at(in[4])].At - 2e6
			kept := slices.Clone((*o)[:8])
			kept = append(kept, Edge{At: dark, Level: Unknown}, Edge{At: (*o)[19].At + 50e6, Level: High})
			*o = append(kept, (*o)[20:]...)
		}, func(r *Repeater) bool { return r.Lost == 0 && r.Extra == 0 && r.Pairs == 14 && r.Unpaired == 6 }},
	}
	for name, c := range cases {
		i, o := edgesOf(in, 0), edgesOf(out, 0)
		c.damage(&i, &o)
		r := against(t, Config{Kind: KindDial}, i, o, true).Repeater
		if !c.check(r) {
			t.Errorf("%s: pairs %d, lost %d, extra %d, unknown %d", name, r.Pairs, r.Lost, r.Extra, r.Unpaired)
		}
		wantMean(t, name+": open lag", r.OpenLagMS, r.Pairs, 12)
	}
}

func TestInvertedOutputIsTold(t *testing.T) {
	in := trains(10, 4, 6, 1, 2)
	out := delayed(in, 12, 9)
	inverted := edgesOf(out, 0)
	for i := range inverted {
		inverted[i].Level = 1 - inverted[i].Level
	}
	m := against(t, Config{Kind: KindDial}, edgesOf(in, 0), inverted, true)
	if !m.Repeater.Opposite {
		t.Errorf("an inverted output agrees for %v %%, and is not told", m.Repeater.AgreePercent)
	}
	if r := dialAgainst(t, in, out); r.Opposite {
		t.Errorf("an output that follows agrees for %v %%, and is told to be inverted", r.AgreePercent)
	}
}

// A spring set that must make before it breaks: contact A is closed, and B closes
// 1.8 ms before A opens; on the way back A closes 2.5 ms before B opens.
func TestMakeBeforeBreak(t *testing.T) {
	var a, b []brk
	for i := range 60 {
		at := 1000 * float64(i+1)
		a = append(a, brk{at, at + 500})
		b = append(b, brk{at - 500 + 2.5, at - 1.8})
	}
	b[30].close = b[30].close + 2.4 // once A opens 0.6 ms too early
	cfg := Config{Kind: KindInterrupter, Limits: &Profile{ID: "spring", Kind: KindInterrupter, Limits: []Limit{
		{Quantity: BothClosedMS, Min: ptr(1.0), Source: "own", Seen: SeenOwn}}}}
	m := against(t, cfg, edgesOf(a, 0), edgesOf(b, 0), true)
	r := m.Repeater
	if !r.Opposite {
		t.Fatalf("a changeover agrees for %v %%", r.AgreePercent)
	}
	wantMean(t, "B before A", *r.OutputMakesBeforeMS, 60, (59*1.8-0.6)/60)
	wantMean(t, "A before B", *r.InputMakesBeforeMS, 59, 2.5)
	if n, low := r.BothClosedMS.N, r.BothClosedMS.Min.V; n != 119 || low != 0 {
		t.Errorf("both closed: %d values from %v, want 119 from 0", n, low)
	}
	if high := r.BothOpenMS.Max.V; math.Abs(high-0.6) > 1e-9 {
		t.Errorf("both open at most %v ms, want 0.6", high)
	}
	it := m.Conformity.Items[0]
	if it.Statement != Fail || it.OutOfLimit != 1 || it.Of != 119 || it.Observed.V != 0 {
		t.Errorf("the limit on the overlap: %+v", it)
	}
	if at := it.AtS.V; at != 30 { // the 31st cycle, counted from the first opening
		t.Errorf("worst at %v s, want 30", at)
	}
}

func ptr[T any](v T) *T { return &v }

// Two contacts that open half a period apart are paired, not taken for early and
// for late in turn.
func TestHalfAPeriodApart(t *testing.T) {
	var a, b []brk
	random := newNoise(1)
	for i := range 300 {
		at := 1000 * float64(i+1)
		a = append(a, brk{at, at + 200})
		shift := 500 + 3*random()
		b = append(b, brk{at + shift, at + shift + 200})
	}
	r := against(t, Config{Kind: KindInterrupter}, edgesOf(a, 0), edgesOf(b, 0), true).Repeater
	if r.Lost+r.Extra > 2 || math.Abs(math.Abs(r.OpenLagMS.Mean.V)-500) > 1 || r.OpenLagMS.SD.V > 4 {
		t.Errorf("lost %d, extra %d, lag %+v", r.Lost, r.Extra, r.OpenLagMS)
	}
}

// newNoise gives numbers of about the standard normal distribution (the sum of
// twelve even ones), by a plain congruential generator (D. E. Knuth, The Art of
// Computer Programming 2, 3.3.4, line 26).
func newNoise(seed uint64) func() float64 {
	state := seed
	return func() float64 {
		sum := -6.0
		for range 12 {
			state = state*6364136223846793005 + 1442695040888963407
			sum += float64(state>>11) / (1 << 53)
		}
		return sum
	}
}

func TestDriftOverThePlace(t *testing.T) {
	in := trains(10, 9, 8, 10, 7, 10, 6, 10)
	out := delayed(in, 12, 9)
	random := newNoise(7)
	before := -1e9
	n := 0
	for i := range out {
		out[i].close += 0.3 * random()
		if in[i].open-before > 200 {
			out[i].close -= 4 // the first pulse of each train
			n++
		}
		before = in[i].open
	}
	r := dialAgainst(t, in, out)
	f := r.FirstPulse
	if f == nil || !f.Shown || f.N != n || f.Others != len(in)-2*n || math.Abs(float64(f.DifferenceMS)+4) > float64(f.ExpandedMS) {
		t.Errorf("first pulse %+v, want -4 ms shown", f)
	}
	if r.LastPulse == nil || r.LastPulse.Shown {
		t.Errorf("last pulse %+v, want none shown", r.LastPulse)
	}
	if len(r.ByPlace) != 10 || r.ByPlace[0].N != 8 || r.ByPlace[9].N != 4 || math.Abs(r.ByPlace[0].BreakChangeMS.V+7) > 0.5 {
		t.Errorf("by place: %+v", r.ByPlace)
	}
}

// Without a difference, one is shown in about 5 % of all measurements: two
// comparisons at 97.5 % each.
func TestPlaceShiftFalseAlarms(t *testing.T) {
	const runs = 400
	shown := 0
	for seed := range uint64(runs) {
		random := newNoise(seed)
		in := trains(10, 9, 8, 10, 7, 10, 6, 10)
		out := delayed(in, 12, 9)
		for i := range out {
			out[i].close += random()
		}
		if r := dialAgainst(t, in, out); r.FirstPulse.Shown || r.LastPulse.Shown {
			shown++
		}
	}
	t.Logf("shown in %d of %d", shown, runs)
	if shown < 6 || shown > 36 { // 20 ± 3.7 σ
		t.Errorf("shown in %d of %d, want about 20", shown, runs)
	}
}

func TestCadenceIsPairedBreakByBreak(t *testing.T) {
	var in []brk
	for i := range 40 { // 400/200/400/2000
		at := 3000 * float64(i+1)
		in = append(in, brk{at + 400, at + 600}, brk{at + 1000, at + 3000})
	}
	out := slices.Delete(delayed(in, 8, 5), 31, 32)
	r := against(t, Config{Kind: KindInterrupter}, edgesOf(in, 0), edgesOf(out, 0), true).Repeater
	wantCounts(t, r, 79, 1, 0, 0)
	wantMean(t, "change", r.BreakChangeMS, 79, -3)
}

// A drive that changes its speed is followed.
func TestSpeedChange(t *testing.T) {
	var in []brk
	at := 1000.0
	for i := range 400 {
		period := 1000.0
		if i >= 200 {
			period = 250
		}
		in = append(in, brk{at, at + period/2})
		at += period
	}
	r := against(t, Config{Kind: KindInterrupter}, edgesOf(in, 0), edgesOf(delayed(in, 20, 20), 0), true).Repeater
	wantCounts(t, r, 400, 0, 0, 0)
}

func TestUncertaintyOfTwo(t *testing.T) {
	in, out := DefaultSetup(), DefaultSetup()
	out.AsymmetryUNS, out.AsymmetryFrom, out.EdgeNoiseNS = 3e3, "calibrated", 15e3
	// √(0.020² + 0.015²) = 0.025 of noise, √(0.057735² + 0.003²) = 0.057813 of delays,
	// 12 · 50e-6 = 0.0006 of the time base: √ of the sum of squares = 0.062990.
	b := PairBudget(OpenLagMS, &in, &out, 12)
	if math.Abs(b.Standard.V-0.062990) > 1e-6 || math.Abs(b.Expanded.V-0.125980) > 2e-6 {
		t.Errorf("open lag: %v and %v", b.Standard, b.Expanded)
	}
	// √2 of noise: √(0.0353553² + 0.0578129² + 0.00015²) = 0.0677664.
	if b = PairBudget(BreakChangeMS, &in, &out, -3); math.Abs(b.Standard.V-0.0677664) > 1e-6 {
		t.Errorf("change: %v", b.Standard)
	}
	var back Cause
	for _, c := range b.Budget {
		if text, _ := c.Cause.MarshalText(); back.UnmarshalText(text) != nil || back != c.Cause {
			t.Errorf("cause %q reads back as %q", text, back)
		}
	}
	if b := PairBudget(BreakMS, &in, &out, 60); b.Standard.OK {
		t.Error("a budget of two contacts for a quantity of one")
	}
}

func TestLimitsOfTwoNeedTwo(t *testing.T) {
	p := &Profile{ID: "own", Kind: KindDial, Limits: []Limit{
		{Quantity: OpenLagMS, Max: ptr(15.0), Source: "own", Seen: SeenOwn},
		{Quantity: BreakChangeMS, Min: ptr(-5.0), Max: ptr(5.0), Source: "own", Seen: SeenOwn}}}
	in := trains(10, 10)
	m, _ := NewMeter(Config{Kind: KindDial, Limits: p})
	m.Add(edgesOf(in, 0))
	c := m.Finish(0).Conformity
	if c.Statement != NotMeasured || len(c.Because) != 1 || !strings.Contains(c.Because[0], "--against") {
		t.Errorf("without a second contact: %+v", c)
	}
	judge := func(out []brk) *Conformity {
		return against(t, Config{Kind: KindDial, Limits: p}, edgesOf(in, 0), edgesOf(out, 0), true).Conformity
	}
	if c := judge(delayed(in, 12, 9)); c.Statement != Pass || len(c.Items) != 3 || c.Items[0].Of != 20 {
		t.Errorf("within: %+v", c)
	}
	late := delayed(in, 12, 9)
	late[13].open += 8
	c = judge(late)
	if c.Statement != Fail || c.Items[0].Statement != Fail || c.Items[0].At.String() != "train 2, pulse 4" || c.Items[0].Observed.V != 20 {
		t.Errorf("one late opening: %+v", c)
	}
	if math.Abs(c.Items[0].AtS.V-(in[13].open-in[0].open)/1e3) > 1e-9 {
		t.Errorf("late at %v", c.Items[0].AtS)
	}
	if c := judge(slices.Delete(delayed(in, 12, 9), 3, 4)); c.Statement != Fail || !slices.Equal(c.Because, []string{"the output lost one break of the input"}) {
		t.Errorf("a lost pulse: %+v", c)
	}
}

func TestRepeaterDocumentHasNoNaN(t *testing.T) {
	for name, out := range map[string][]brk{"one break": {{1012, 1069}}, "elsewhere": {{900e3, 901e3}}} {
		m := against(t, Config{Kind: KindDial}, edgesOf(trains(2), 0), edgesOf(out, 0), false)
		b, err := json.Marshal(m)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if s := string(b); !strings.Contains(s, `"open_lag_ms":{"n":`) || strings.Contains(s, "NaN") {
			t.Errorf("%s: %s", name, s)
		}
	}
}

// A day of a contact that is dialled without end, with a lost pulse every hour: the
// memory that waits does not grow.
func TestADayOfPairs(t *testing.T) {
	var n PairCounts
	p := NewPairing(PairingOptions{Kind: KindDial, TrainGapNS: DefaultTrainGapNS, ShortNS: DefaultPulseMinNS})
	lost, most := 0, 0
	for i := range 864_000 {
		at := Stamp(i) * 100e6
		p.Input(Transition{At: at, End: at})
		p.Input(Transition{At: at + 60e6, End: at + 60e6, Closed: true})
		if i%36_000 == 35_999 {
			lost++
		} else {
			p.Output(Transition{At: at + 12e6, End: at + 12e6})
			p.Output(Transition{At: at + 69e6, End: at + 69e6, Closed: true})
		}
		most = max(most, len(p.in.lines[0].list), len(p.out.lines[1].list), len(p.pulses.list), len(p.match[0].taken), cap(p.in.steps))
	}
	p.Finish(0, false)
	n = p.Counts()
	if want := (PairCounts{Pairs: 864_000 - uint64(lost), Lost: uint64(lost)}); n != want {
		t.Errorf("%+v, want %+v", n, want)
	}
	if most > 4096 {
		t.Errorf("%d changes waited", most)
	}
}

// transitionsOf gives the transitions of breaks.
func transitionsOf(breaks []brk) (all []Transition) {
	for _, b := range breaks {
		o, c := Stamp(math.Round(b.open*1e6)), Stamp(math.Round(b.close*1e6))
		all = append(all, Transition{At: o, End: o}, Transition{At: c, End: c, Closed: true})
	}
	return all
}

// collect pairs two lists that are fed as order says: true takes the next of the
// input. What is left is fed at the end.
func collect(o PairingOptions, in, out []Transition, order []bool) (got []PairedPulse, n PairCounts, leads []int64) {
	o.OnPulse = func(t *PairedPulse) { got = append(got, *t) }
	o.OnLead = func(at Stamp, opens bool, ns int64) { leads = append(leads, int64(at), ns) }
	p := NewPairing(o)
	for _, first := range order {
		if first && len(in) > 0 {
			p.Input(in[0])
			in = in[1:]
		} else if !first && len(out) > 0 {
			p.Output(out[0])
			out = out[1:]
		}
	}
	for _, t := range in {
		p.Input(t)
	}
	for _, t := range out {
		p.Output(t)
	}
	p.Finish(0, false)
	return got, p.Counts(), leads
}

// drawBreaks draws a dial's breaks with every fault, and what an output made of
// them.
func drawBreaks(t *rapid.T) (in, out []brk) {
	at := 100.0
	lag, change := rapid.Float64Range(0, 25).Draw(t, "lag"), rapid.Float64Range(-15, 15).Draw(t, "change")
	kinds := rapid.SliceOfN(rapid.SampledFrom([]string{"both", "both", "both", "both", "both", "lost", "extra", "pause"}), 1, 120).Draw(t, "kinds")
	jitter := rapid.SliceOfN(rapid.Float64Range(-3, 3), 7, 7).Draw(t, "jitter")
	for i, k := range kinds {
		j := jitter[i%len(jitter)]
		b := brk{at + j, at + 60 + jitter[(i+3)%len(jitter)]}
		c := brk{b.open + lag + jitter[(i+1)%len(jitter)]/3, b.close + lag + change + jitter[(i+2)%len(jitter)]/3}
		switch k {
		case "pause":
			at += 700
			continue
		case "both":
			in, out = append(in, b), append(out, c)
		case "lost":
			in = append(in, b)
		case "extra":
			out = append(out, c)
		}
		at += 100
	}
	return in, out
}

var dialPairing = PairingOptions{Kind: KindDial, TrainGapNS: DefaultTrainGapNS, ShortNS: DefaultPulseMinNS, OneRecording: true}

func TestPairingProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, out := drawBreaks(t)
		a, b := transitionsOf(in), transitionsOf(out)
		got, n, leads := collect(dialPairing, a, b, nil)
		if int(n.Pairs+n.Lost+n.Unknown+n.Short) < len(in) || n.Pairs+n.Lost != uint64(len(in)) || n.Pairs+n.Extra != uint64(len(out)) {
			t.Fatalf("%d breaks of the input, %d of the output: %+v", len(in), len(out), n)
		}
		// In which turn they are fed does not matter.
		order := rapid.SliceOfN(rapid.Bool(), 0, 500).Draw(t, "order")
		got2, n2, leads2 := collect(dialPairing, a, b, order)
		byTime := func(x []PairedPulse) []PairedPulse {
			x = slices.Clone(x)
			slices.SortStableFunc(x, func(a, b PairedPulse) int {
				if a.Output != b.Output {
					return map[bool]int{true: 1, false: -1}[a.Output]
				}
				return int(a.At - b.At)
			})
			return x
		}
		if n != n2 || cmp.Diff(byTime(got), byTime(got2)) != "" || !slices.Equal(leads, leads2) {
			t.Fatalf("fed in turn: %+v, one after the other: %+v\n%s", n2, n, cmp.Diff(byTime(got), byTime(got2)))
		}
		// A shift of both changes nothing.
		by := Stamp(rapid.Int64Range(0, 1e15).Draw(t, "shift"))
		shiftAll := func(x []Transition) []Transition {
			x = slices.Clone(x)
			for i := range x {
				x[i].At, x[i].End = x[i].At+by, x[i].End+by
			}
			return x
		}
		got3, n3, _ := collect(dialPairing, shiftAll(a), shiftAll(b), nil)
		for i := range got3 {
			got3[i].At -= by
		}
		if n3 != n || cmp.Diff(got, got3) != "" {
			t.Fatalf("shifted: %+v, want %+v", n3, n)
		}
		// The other way round, lags change their sign, and lost ones are extra ones.
		back, m, _ := collect(dialPairing, b, a, nil)
		if m.Pairs != n.Pairs || m.Lost != n.Extra || m.Extra != n.Lost {
			t.Fatalf("the other way round %+v, want %+v", m, n)
		}
		var lags, backLags []int64
		for _, x := range got {
			if x.OpenOK {
				lags = append(lags, -x.OpenLagNS)
			}
		}
		for _, x := range back {
			if x.OpenOK {
				backLags = append(backLags, x.OpenLagNS)
			}
		}
		if !slices.Equal(lags, backLags) {
			t.Fatalf("lags %v, the other way round %v", lags, backLags)
		}
		// One more lost pulse is one more, where there are enough to tell the lag.
		if n.Pairs < 10 || n.Pairs < 2*(n.Lost+n.Extra) {
			return
		}
		if paired := slices.IndexFunc(got, func(x PairedPulse) bool { return x.State == Paired && x.OpenOK }); paired >= 0 {
			want := Stamp(int64(got[paired].At) + got[paired].OpenLagNS)
			j := slices.IndexFunc(b, func(x Transition) bool { return x.At == want && !x.Closed })
			_, less, _ := collect(dialPairing, a, slices.Delete(slices.Clone(b), j, j+2), nil)
			if less.Lost != n.Lost+1 || less.Pairs != n.Pairs-1 || less.Extra != n.Extra {
				t.Fatalf("without one output: %+v, with: %+v", less, n)
			}
		}
	})
}

// A second, plain way to pair, from the definition: of every opening of one contact
// and every one of the other, those that are nearest to each other and within half
// a period, the usual lag taken off.
func plainPairs(in, out []Stamp, lag, period int64) (pairs [][2]int) {
	nearest := func(all []Stamp, at Stamp) int {
		best := 0
		for i := range all {
			if abs(int64(all[i]-at)) < abs(int64(all[best]-at)) {
				best = i
			}
		}
		return best
	}
	if len(in) == 0 || len(out) == 0 {
		return nil
	}
	for i, a := range in {
		j := nearest(out, a+Stamp(lag))
		if nearest(in, out[j]-Stamp(lag)) == i && abs(int64(out[j]-a)-lag) <= period/2 {
			pairs = append(pairs, [2]int{i, j})
		}
	}
	return pairs
}

func TestPairingAgainstThePlainWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Any two contacts, of which most have nothing to do with each other.
		draw := func(name string) (breaks []brk) {
			at := 0.0
			for _, step := range rapid.SliceOfN(rapid.Float64Range(5, 400), 1, 25).Draw(t, name) {
				breaks = append(breaks, brk{at, at + step/2})
				at += step
			}
			return breaks
		}
		in, out := draw("in"), draw("out")
		p := NewPairing(PairingOptions{Kind: KindInterrupter, OneRecording: true})
		var got [][2]Stamp
		p.opt.OnPulse = func(x *PairedPulse) {
			if x.OpenOK {
				got = append(got, [2]Stamp{x.At, x.At + Stamp(x.OpenLagNS)})
			}
		}
		for _, x := range transitionsOf(in) {
			p.Input(x)
		}
		for _, x := range transitionsOf(out) {
			p.Output(x)
		}
		p.Finish(0, false)
		var a, b []Stamp
		for _, x := range transitionsOf(in) {
			if !x.Closed {
				a = append(a, x.At)
			}
		}
		for _, x := range transitionsOf(out) {
			if !x.Closed {
				b = append(b, x.At)
			}
		}
		var want [][2]Stamp
		for _, x := range plainPairs(a, b, p.match[0].lag, p.periodNS) {
			want = append(want, [2]Stamp{a[x[0]], b[x[1]]})
		}
		if !slices.Equal(got, want) {
			t.Fatalf("pairs %v, want %v", got, want)
		}
	})
}

func TestTrackKeepsTransitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var want []Transition
		at := Stamp(rapid.Int64Range(-1e15, 1e15).Draw(t, "start"))
		for range rapid.IntRange(0, 700).Draw(t, "n") {
			at += Stamp(rapid.Int64Range(0, 3e9).Draw(t, "step"))
			x := Transition{At: at, End: at, Closed: rapid.Bool().Draw(t, "closed")}
			if rapid.IntRange(0, 9).Draw(t, "gap") == 0 {
				x.Unknown, x.End = true, at+Stamp(rapid.Int64Range(0, 1e12).Draw(t, "length"))
				at = x.End
			}
			want = append(want, x)
		}
		track := NewTrack(&Config{})
		for _, x := range want {
			track.add(x)
		}
		if got := slices.Collect(track.All()); !slices.Equal(got, want) {
			t.Fatal(cmp.Diff(got, want))
		}
	})
}

func BenchmarkPairing(b *testing.B) {
	p := NewPairing(PairingOptions{Kind: KindDial, TrainGapNS: DefaultTrainGapNS})
	b.ReportAllocs()
	at := Stamp(0)
	for b.Loop() {
		at += 100e6
		p.Input(Transition{At: at, End: at})
		p.Output(Transition{At: at + 12e6, End: at + 12e6})
		p.Input(Transition{At: at + 60e6, End: at + 60e6, Closed: true})
		p.Output(Transition{At: at + 69e6, End: at + 69e6, Closed: true})
	}
}

// A repeater that comes to rest with the third pulse: the first is told against those
// from the third on, and of the last nothing.
func TestSecondPulseIsNoMeasure(t *testing.T) {
	in := trains(10, 9, 8, 10, 7, 10, 6, 10)
	out := delayed(in, 12, 9)
	place := 0
	for i := range in {
		if place++; i == 0 || in[i].open-in[i-1].open > 200 {
			place = 1
		}
		out[i].open += map[int]float64{1: 4, 2: 2}[place]
	}
	r := dialAgainst(t, in, out)
	if f := r.FirstPulse; f == nil || !f.Shown || math.Abs(float64(f.DifferenceMS)+4) > 1e-6 {
		t.Errorf("first pulse %+v, want -4 ms", f)
	}
	if l := r.LastPulse; l == nil || l.Shown {
		t.Errorf("last pulse %+v, want nothing shown", l)
	}
}

// The means' uncertainty covers the truth: lags of 12 and 9 ms with noise of 0.5 ms
// on each, and asymmetries drawn from what is assumed of them, once a measurement.
func TestCoverageOfLags(t *testing.T) {
	runs := studySeeds(60, 1000)
	covered := map[Quantity]int{}
	firstCovered, firstShown := 0, 0
	truth := map[Quantity]float64{OpenLagMS: 12, CloseLagMS: 9}
	for seed := range uint64(runs) {
		random := newNoise(1000 + seed)
		in := trains(10, 9, 8, 10, 7, 10, 6, 10)
		out := delayed(in, 12, 9)
		// Each chain delays openings and closings by about ±0.058 ms more than is known.
		inOpen, inClose, outOpen, outClose := random()*0.0577/math.Sqrt2, random()*0.0577/math.Sqrt2, random()*0.0577/math.Sqrt2, random()*0.0577/math.Sqrt2
		before := -1e9
		shift := 0.0
		for i := range out {
			if in[i].open-before > 200 {
				shift = -1
			} else {
				shift = 0
			}
			before = in[i].open
			out[i].open += outOpen + 0.5*random()
			out[i].close += outClose + 0.5*random() + shift
		}
		for i := range in {
			in[i].open += inOpen
			in[i].close += inClose
		}
		m := against(t, Config{Kind: KindDial}, edgesOf(in, 0), edgesOf(out, 0), true)
		r := m.Repeater
		for q, want := range truth {
			if q == CloseLagMS {
				want -= 8.0 / 70 // eight trains of 70 pulses
			}
			if math.Abs(r.Stat(q).Mean.V-want) <= m.Uncertainty[q].Overall.V {
				covered[q]++
			}
		}
		if math.Abs(float64(r.FirstPulse.DifferenceMS)+1) <= float64(r.FirstPulse.ExpandedMS) {
			firstCovered++
		}
		if r.FirstPulse.Shown {
			firstShown++
		}
	}
	percentOf := func(n int) float64 { return 100 * float64(n) / float64(runs) }
	t.Logf("%d runs: covered open lag %.1f %%, close lag %.1f %%, first pulse (97.5 %% stated) %.1f %%; a first pulse shorter by 1 ms of 0.7 ms noise is shown in %.1f %%",
		runs, percentOf(covered[OpenLagMS]), percentOf(covered[CloseLagMS]), percentOf(firstCovered), percentOf(firstShown))
	for what, n := range map[string]int{"open lag": covered[OpenLagMS], "close lag": covered[CloseLagMS], "first pulse": firstCovered} {
		if percentOf(n) < 90 {
			t.Errorf("%s: covered in %.1f %%", what, percentOf(n))
		}
	}
}

// A time in which the output is unknown may hide the true partner of an opening,
// nearer than the one that is seen: then neither counts.
func TestANearerPartnerMayBeHidden(t *testing.T) {
	in := trains(10, 10)
	i, o := transitionsOf(in), transitionsOf(delayed(in, 12, 9))
	// Output pulse 5 opens 30 ms late, after 10 ms in which nothing is known.
	late := o[8].At + 30e6
	dark := Transition{At: o[8].At - 5e6, End: o[8].At + 5e6, Closed: true, Unknown: true}
	o = slices.Concat(o[:8], []Transition{dark, {At: late, End: late}}, o[9:])
	_, n, _ := collect(dialPairing, i, o, nil)
	if want := (PairCounts{Pairs: 19, Unknown: 2}); n != want {
		t.Errorf("%+v, want %+v", n, want)
	}
	// The same in the input, beside the output's opening.
	_, n, _ = collect(dialPairing, o, i, nil)
	if want := (PairCounts{Pairs: 19, Unknown: 2}); n != want {
		t.Errorf("the other way round %+v, want %+v", n, want)
	}
}

// In a cadence the period is the shorter distance of its openings, so that a break
// that one contact has early in the long silence and one that the other has late in
// it are no pair.
func TestHalfAPeriodOfACadence(t *testing.T) {
	var in []brk
	for i := range 40 { // openings 600 and 2400 ms apart
		at := 3000 * float64(i+1)
		in = append(in, brk{at + 400, at + 600}, brk{at + 1000, at + 1200})
	}
	out := delayed(in, 8, 5)
	out = slices.Insert(out, 40, brk{in[39].open + 1500, in[39].open + 1550})
	in = slices.Insert(in, 40, brk{in[39].open + 1000, in[39].open + 1050})
	r := against(t, Config{Kind: KindInterrupter}, edgesOf(in, 0), edgesOf(out, 0), true).Repeater
	wantCounts(t, r, 80, 1, 1, 0)
}

// A make in which the output opens once more is no overlap of the two pulses beside
// it.
func TestOverlapBesideAnExtraBreak(t *testing.T) {
	var in []brk
	for i := range 20 {
		at := 1000 * float64(i+1)
		in = append(in, brk{at, at + 300})
	}
	out := slices.Insert(delayed(in, 12, 9), 10, brk{in[9].open + 700, in[9].open + 720})
	r := against(t, Config{Kind: KindInterrupter}, edgesOf(in, 0), edgesOf(out, 0), true).Repeater
	wantCounts(t, r, 20, 0, 1, 0)
	wantMean(t, "both closed", r.BothClosedMS, 18, 691) // 19 makes, but for one
}

// The last pulse of each train comes out 2 ms longer: it is told, and the first
// pulse is as the others are but for those last ones.
func TestLastPulse(t *testing.T) {
	in := trains(10, 9, 8, 10, 7, 10, 6, 10)
	out := delayed(in, 12, 9)
	random := newNoise(3)
	for i := range out {
		out[i].close += 0.2 * random()
		if i+1 == len(in) || in[i+1].open-in[i].open > 200 {
			out[i].close += 2
		}
	}
	l := dialAgainst(t, in, out).LastPulse
	if l == nil || !l.Shown || l.N != 8 || l.Others != len(in)-24 || math.Abs(float64(l.DifferenceMS)-2) > float64(l.ExpandedMS) {
		t.Errorf("last pulse %+v, want 2 ms of 8 against %d", l, len(in)-24)
	}
}
