package pulse_test

import (
	"fmt"
	"math"
	"testing"

	"makebreak/pulse"
)

// windowsOf gives the windows of a simulated signal.
func windowsOf(t *testing.T, desc string, cfg pulse.Config, lengthNS int64, splits ...pulse.Stamp) []*pulse.Window {
	t.Helper()
	edges, _ := makeSignal(t, desc)
	w := pulse.NewWindows(cfg.Kind, lengthNS, cfg.Lobes, nil)
	w.SplitAt(splits...)
	cfg.Observer = w.Observer()
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(edges)
	m.Finish(0)
	w.Finish(edges[len(edges)-1].At)
	return w.All()
}

func near(a, b, within float64) bool { return math.Abs(a-b) <= within }

// A steady cam of 60 IPM and 50 % break, whose third lobe is 4 ms late, in windows
// of a minute: 60 cycles, and 12 turns, in each. Invented figures.
func TestWindowsOfACam(t *testing.T) {
	all := windowsOf(t, "cam ipm=60 break=50 lobes=5 lobe-errors=0,0,4ms,0,0 cycles=630", pulse.Config{Lobes: 5}, 0)
	if len(all) != 11 { // the last one holds half a minute
		t.Fatalf("%d windows, want 11", len(all))
	}
	for i, w := range all[:10] {
		if w.To-w.From != 60e9 || w.Rate.N != 60 || !near(float64(w.KnownNS), 60e9, 5e6) {
			t.Errorf("window %d: %d ns, %d periods, %d ns known", i, w.To-w.From, w.Rate.N, w.KnownNS)
		}
		if !near(w.Rate.Mean, 60, 0.01) || !near(w.BreakPercent.Mean, 50, 1e-3) || !near(w.BreakMS.Mean, 500, 1e-3) {
			t.Errorf("window %d: rate %v, percent break %v, break %v", i, w.Rate.Mean, w.BreakPercent.Mean, w.BreakMS.Mean)
		}
		if !near(float64(w.At-w.From), 30e9, 1e7) {
			t.Errorf("window %d: its periods lie about %v s after its start", i, float64(w.At-w.From)/1e9)
		}
		for lobe, l := range w.Lobes {
			want := 0.0
			if lobe == 2 {
				want = 4
			}
			if !near(l.Opening.Mean, want, 1e-3) || l.Opening.N < 10 || l.Opening.N > 13 || !near(l.Break.Mean, 0, 1e-3) {
				t.Errorf("window %d, lobe %d: %+v, want an opening error of %v ms", i, lobe+1, l, want)
			}
		}
	}
}

// cycleRows gives rows of whole cycles to windows: periods and breaks in ns.
func cycleRows(o pulse.Observer, at pulse.Stamp, cycle int, rows ...[2]int64) (end pulse.Stamp) {
	for i, r := range rows {
		o.Cycle(&pulse.CycleRow{At: at, Cycle: cycle + i, PeriodNS: r[0], BreakNS: r[1], Whole: true})
		at += pulse.Stamp(r[0])
	}
	return at
}

// Three cycles by hand: periods 1, 1.1, 0.9 s and breaks 0.5, 0.6, 0.4 s. The rate
// is 3 cycles in 3 s. Percent break is 100 · 1.5/3 = 50; its residuals b − p/2 are
// 0, 0.05, −0.05 s, their variance 0.0025 s², and so the standard deviation of one
// is 5 points and the standard error 5/√3.
func TestWindowArithmetic(t *testing.T) {
	w := pulse.NewWindows(pulse.KindInterrupter, 3e9, 0, nil)
	end := cycleRows(w.Observer(), 1e9, 1, [2]int64{1e9, 5e8}, [2]int64{11e8, 6e8}, [2]int64{9e8, 4e8})
	w.Finish(end)
	if len(w.All()) != 1 {
		t.Fatalf("%d windows, want 1", len(w.All()))
	}
	x := w.All()[0]
	for _, f := range []struct {
		what      string
		got, want float64
	}{
		{"rate", x.Rate.Mean, 60}, {"sd of the rate", x.Rate.SD.V, 6}, {"its se", x.Rate.SE, 6 / math.Sqrt(3)},
		{"percent", x.BreakPercent.Mean, 50}, {"sd of percent", x.BreakPercent.SD.V, 5}, {"its se", x.BreakPercent.SE, 5 / math.Sqrt(3)},
		{"break", x.BreakMS.Mean, 500}, {"sd of breaks", x.BreakMS.SD.V, 100},
		{"known", float64(x.KnownNS), 3e9}, {"number", float64(x.Rate.N), 3},
	} {
		if !near(f.got, f.want, 1e-9*(1+math.Abs(f.want))) {
			t.Errorf("%s: %v, want %v", f.what, f.got, f.want)
		}
	}
}

// Windows that are merged are as one window of the whole time.
func TestMergedWindowsAreAsOne(t *testing.T) {
	var rows [][2]int64
	for i := range int64(60) {
		rows = append(rows, [2]int64{1e9 - i%6*1e7, 5e8 + i%5*1e7 + i*1e5}) // 58.5 s
	}
	one := pulse.NewWindows(pulse.KindInterrupter, 15e9, 0, nil)
	one.Finish(cycleRows(one.Observer(), 0, 1, rows...))
	whole := pulse.NewWindows(pulse.KindInterrupter, 70e9, 0, nil)
	whole.Finish(cycleRows(whole.Observer(), 0, 1, rows...))
	if len(whole.All()) != 1 || len(one.All()) != 4 { // the rest of 15 s is short
		t.Fatalf("%d windows of 70 s and %d of 15 s, want 1 and 4", len(whole.All()), len(one.All()))
	}
	got, want := one.All()[0], whole.All()[0]
	for _, x := range one.All()[1:] {
		got.Merge(x)
	}
	for _, f := range []struct {
		what      string
		got, want float64
		within    float64
	}{
		{"rate", got.Rate.Mean, want.Rate.Mean, 1e-9}, {"percent", got.BreakPercent.Mean, want.BreakPercent.Mean, 1e-9},
		{"break", got.BreakMS.Mean, want.BreakMS.Mean, 1e-9}, {"sd of breaks", got.BreakMS.SD.V, want.BreakMS.SD.V, 1e-9},
		{"sd of the rate", got.Rate.SD.V, want.Rate.SD.V, 0.02 * want.Rate.SD.V}, // by the rate of each window
		{"sd of percent", got.BreakPercent.SD.V, want.BreakPercent.SD.V, 0.02 * want.BreakPercent.SD.V},
		{"middle", float64(got.At), float64(want.At), 5}, {"number", float64(got.Rate.N), 60, 0},
	} {
		if !near(f.got, f.want, f.within) {
			t.Errorf("%s: merged %v, of one window %v", f.what, f.got, f.want)
		}
	}
}

// A dial that is used now and then has windows that reach ten periods over idle
// time, but not over a day, nor over a split or a time in which its state was not
// known.
func TestWindowsOfADialNowAndThen(t *testing.T) {
	const minute, hour = pulse.Stamp(60e9), pulse.Stamp(3600e9)
	for _, tt := range []struct {
		name    string
		calls   []pulse.Stamp // of 4 periods each
		unknown [2]pulse.Stamp
		split   pulse.Stamp
		want    []int64 // periods in each window
	}{
		{"every hour", []pulse.Stamp{0, hour, 2 * hour, 3 * hour, 4 * hour, 5 * hour, 6 * hour}, [2]pulse.Stamp{}, -1, []int64{12, 12, 4}},
		{"three in a minute", []pulse.Stamp{0, 10e9, 20e9, hour, hour + 10e9, hour + 20e9}, [2]pulse.Stamp{}, -1, []int64{12, 12}},
		{"every other day", []pulse.Stamp{0, 48 * hour, 96 * hour}, [2]pulse.Stamp{}, -1, []int64{4, 4, 4}},
		{"with a split", []pulse.Stamp{0, hour, 2 * hour, 3 * hour}, [2]pulse.Stamp{}, hour + hour/2, []int64{8, 8}},
		{"with unknown time", []pulse.Stamp{0, hour, 2 * hour, 3 * hour}, [2]pulse.Stamp{hour + 10*minute, hour + 12*minute}, -1, []int64{8, 8}},
		{"with a moment unknown", []pulse.Stamp{0, hour, 2 * hour}, [2]pulse.Stamp{hour + 10*minute, hour + 10*minute + 1e9}, -1, []int64{12}},
		{"most of a window unknown", []pulse.Stamp{0, 70e9, 121e9}, [2]pulse.Stamp{75e9, 119e9}, -1, []int64{4, 4}},
	} {
		w := pulse.NewWindows(pulse.KindDial, 0, 0, nil)
		if tt.split >= 0 {
			w.SplitAt(tt.split)
		}
		o := w.Observer()
		told := tt.unknown[1] == 0
		for _, at := range tt.calls {
			if !told && tt.unknown[0] < at {
				o.Event(&pulse.Event{Kind: pulse.EventUnknown, At: tt.unknown[0], End: tt.unknown[1]})
				told = true
			}
			for i := range pulse.Stamp(5) {
				r := pulse.PulseRow{At: at + i*1e8, BreakNS: 6e7, PeriodNS: 1e8}
				if i == 4 {
					r.PeriodNS = 0
				}
				o.Pulse(&r)
			}
		}
		last := tt.calls[len(tt.calls)-1]
		w.Finish(last + 59e9)
		var got []int64
		for _, x := range w.All() {
			got = append(got, x.Rate.N)
			if !near(x.Rate.Mean, 10, 1e-9) || !near(x.BreakPercent.Mean, 60, 1e-9) || x.BreakMS.N != x.Rate.N/4*5 {
				t.Errorf("%s: %+v", tt.name, x)
			}
			if x.At < x.From || x.At > x.To || x.KnownNS <= 0 || x.KnownNS > int64(x.To-x.From) {
				t.Errorf("%s: window from %d to %d about %d, %d ns known", tt.name, x.From, x.To, x.At, x.KnownNS)
			}
		}
		if fmt.Sprint(got) != fmt.Sprint(tt.want) {
			t.Errorf("%s: windows of %v periods, want %v", tt.name, got, tt.want)
		}
	}
}

// Time in which nothing is known gives no window, a faulty cycle gives no figure.
func TestWindowsLeaveOutWhatIsNotKnown(t *testing.T) {
	w := pulse.NewWindows(pulse.KindInterrupter, 60e9, 0, nil)
	o := w.Observer()
	seconds := func(n int) [][2]int64 {
		rows := make([][2]int64, n)
		for i := range rows {
			rows[i] = [2]int64{1e9, 5e8}
		}
		return rows
	}
	at := cycleRows(o, 0, 1, seconds(80)...) // 20 s of the second minute
	o.Cycle(&pulse.CycleRow{At: at, Cycle: 81, PeriodNS: 150e9, Unknown: true})
	at = cycleRows(o, at+150e9, 231, seconds(70)...)                                  // from 230 s on: 10 s of the fourth minute
	o.Cycle(&pulse.CycleRow{At: at, Cycle: 301, PeriodNS: 130e9, Missing: 129})       // from 300 s on
	w.Finish(cycleRows(o, at+130e9, 431, append(seconds(49), [2]int64{1e9, 5e8})...)) // 430 to 480 s
	var got string
	for _, x := range w.All() {
		got += fmt.Sprintf("%d..%d:%d/%d ", x.From/1e9, x.To/1e9, x.Rate.N, x.KnownNS/1e9)
	}
	if want := "0..60:60/60 240..300:60/60 420..480:50/60 "; got != want {
		t.Errorf("windows %q, want %q", got, want)
	}
}

// A split ends a window, and the next begins at it.
func TestWindowsAreSplit(t *testing.T) {
	all := windowsOf(t, "cam ipm=60 lobes=2 lobe-errors=0,3ms cycles=300", pulse.Config{Lobes: 2}, 0, 100.3e9, 150e9, 160e9)
	var got string
	for _, x := range all {
		got += fmt.Sprintf("%.1f..%.1f:%d ", float64(x.From-all[0].From)/1e9, float64(x.To-all[0].From)/1e9, x.Rate.N)
		if x.Lobes == nil || !near(x.Lobes[0].Opening.Mean, -1.5, 1e-3) || !near(x.Lobes[1].Opening.Mean, 1.5, 1e-3) {
			t.Errorf("window from %v s: lobes %+v", float64(x.From)/1e9, x.Lobes)
		}
	}
	first := float64(all[0].From) / 1e9
	// Between 150 and 160 s there is less than half a window.
	want := fmt.Sprintf("0.0..60.0:60 60.0..%.1f:40 %.1f..%.1f:49 %.1f..%.1f:60 %.1f..%.1f:60 ", 100.3-first, 100.3-first, 150-first,
		160-first, 220-first, 220-first, 280-first)
	if got != want {
		t.Errorf("windows %q, want %q at first; the first edge is at %v s", got, want, first)
	}
}

// Nothing is allocated but for each window, and Advance tells a window without
// waiting for the next row.
func TestWindowsCost(t *testing.T) {
	told := 0
	w := pulse.NewWindows(pulse.KindInterrupter, 3600e9, 5, func(*pulse.Window) { told++ })
	o := w.Observer()
	r := pulse.CycleRow{PeriodNS: 1e9, BreakNS: 5e8, Whole: true, Numbering: 1}
	add := func() {
		r.Cycle++
		r.Lobe = r.Cycle%5 + 1
		o.Cycle(&r)
		r.At += 1e9
	}
	for range 3590 {
		add()
	}
	w.Advance(r.At + 69e9)
	if told != 0 {
		t.Error("a window was told while rows may still come")
	}
	w.Advance(r.At + 71e9)
	if told != 1 {
		t.Errorf("%d windows after a minute of waiting, want 1", told)
	}
	for range 20 {
		add()
	}
	if n := testing.AllocsPerRun(1000, add); n > 0 {
		t.Errorf("%v allocations a row", n)
	}
}
