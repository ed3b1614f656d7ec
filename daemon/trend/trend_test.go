package trend

import (
	"math"
	"runtime"
	"slices"
	"testing"

	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// window is a minute with so many cycles of a percent break.
func window(minute int, n int64, percent float64) *pulse.Window {
	from := pulse.Stamp(minute) * 60e9
	return &pulse.Window{From: from, At: from + 30e9, To: from + 60e9, KnownNS: 60e9,
		Rate: pulse.WindowMean{N: n, Mean: 60}, BreakPercent: pulse.WindowMean{N: n, Mean: percent}}
}

// A month of minutes is kept in a few hundred windows, in order, without a gap, and
// with the mean that all of them have; none reaches over a time at which the contact
// was worked on.
func TestSeries(t *testing.T) {
	const minutes = 31 * 24 * 60
	s := series{splits: []pulse.Stamp{(20*24*60 + 7) * 60e9}}
	for i := -120; i < minutes; i++ { // a log's windows of before this boot lie below 0
		s.add(window(i, 60, float64(i)))
	}
	all := s.all()
	if len(all) > mostFirst+mostMinutes+mostTens+mostHours+20 || len(all) < mostMinutes+mostTens {
		t.Errorf("%d windows", len(all))
	}
	end := all[0].From
	var n int64
	var sum float64
	for _, w := range all {
		if w.From != end {
			t.Fatalf("a window from %d after one to %d", w.From, end)
		}
		if at := s.splits[0]; w.From < at && w.To > at {
			t.Errorf("the window from %d to %d reaches over %d", w.From, w.To, at)
		}
		end = w.To
		n += w.BreakPercent.N
		sum += float64(w.BreakPercent.N) * w.BreakPercent.Mean
	}
	first := int(all[0].From / 60e9)
	if first > minutes-29*24*60 {
		t.Errorf("the first window is of minute %d", first)
	}
	if want := int64(60 * (minutes - first)); n != want {
		t.Errorf("%d cycles, want %d", n, want)
	}
	if mean, want := sum/float64(n), float64(first+minutes-1)/2; math.Abs(mean-want) > 1e-6*want {
		t.Errorf("mean %v, want %v", mean, want)
	}
}

// follow feeds the edges of a simulated cam and analyses them every ten minutes.
func follow(t testing.TB, c *Contact, s Setting, from pulse.Stamp, description string) (all []Change, end pulse.Stamp) {
	t.Helper()
	o := c.Begin(s)
	m, err := pulse.NewMeter(pulse.Config{Kind: s.Kind, Lobes: s.Lobes, Observer: o, Forget: true, Live: true, Start: from, StartLevel: pulse.High})
	if err != nil {
		t.Fatal(err)
	}
	looked := from
	for _, e := range hwtest.Sim(t, description) {
		e.At += from
		m.Add([]pulse.Edge{e})
		if e.At-looked > 600e9 {
			looked = e.At
			c.Advance(e.At)
			all = append(all, c.Analyse(e.At)...)
		}
		end = e.At
	}
	m.Finish(end)
	c.End(end)
	return append(all, c.Analyse(end)...), end
}

var camSetting = Setting{Kind: pulse.KindInterrupter, Lobes: 5, Drive: &pulse.Drive{MotorRPM: 60, CamShaft: "cam", Lobes: 5, Shafts: []pulse.Shaft{
	{Name: "motor"}, {Name: "idler", From: "motor", DrivingTeeth: 18, OwnTeeth: 24}, {Name: "cam", From: "idler", DrivingTeeth: 20, OwnTeeth: 75},
}}}

// A cam at rest tells nothing; a step and a drift are told once each, with the truth
// of the simulated cam; a swing that doubles after the work is told with what it was.
func TestChanges(t *testing.T) {
	for name, tt := range map[string]struct {
		description string
		want        []Change
	}{
		"quiet":     {"cam ipm=60 lobes=5 jitter=0.5ms cycles=14400 seed=5", nil},
		"wandering": {"cam ipm=60 lobes=5 jitter=0.5ms wander-flicker=40 wander-walk=2 cycles=14400 seed=6", nil},
		"step":      {"cam ipm=60 lobes=5 jitter=0.5ms steps=2h:break:0.5 cycles=14400 seed=7", []Change{{Kind: Stepped, Subject: Subject{Quantity: pulse.BreakPercent}}}},
		"drift":     {"cam ipm=60 lobes=5 jitter=0.5ms break-drift=0.3/h cycles=14400 seed=8", []Change{{Kind: Drifting, Subject: Subject{Quantity: pulse.BreakPercent}}}},
	} {
		t.Run(name, func(t *testing.T) {
			got, _ := follow(t, New(), camSetting, 0, tt.description)
			same := slices.EqualFunc(got, tt.want, func(a, b Change) bool { return a.Kind == b.Kind && a.Subject == b.Subject })
			if !same {
				t.Errorf("told %+v, want %+v", got, tt.want)
			}
			for _, x := range got {
				switch x.Kind {
				case Stepped:
					if size, at := x.Trend.Step.Size.V, float64(x.Since)/3600e9; math.Abs(size-0.5) > 0.05 || math.Abs(at-2) > 0.1 {
						t.Errorf("a step of %v at %v h", size, at)
					}
				case Drifting:
					if slope := x.Trend.SlopePerHour.V; math.Abs(slope-0.3) > 0.05 {
						t.Errorf("a drift of %v an hour", slope)
					}
				}
			}
		})
	}
}

func TestSwingGrows(t *testing.T) {
	c := New()
	told, end := follow(t, c, camSetting, 0, "cam ipm=60 lobes=5 jitter=0.5ms gear=3.75:1ms cycles=5000 seed=9")
	if len(told) != 0 {
		t.Errorf("told %+v before anything changed", told)
	}
	told, _ = follow(t, c, camSetting, end+10e9, "cam ipm=60 lobes=5 jitter=0.5ms gear=3.75:2.5ms cycles=20000 seed=10")
	if len(told) != 1 || told[0].Kind != SwingGrown || told[0].Subject.Shaft != "idler" ||
		math.Abs(told[0].SwingMS-2.5) > 0.3 || math.Abs(told[0].BeforeMS-1) > 0.1 {
		t.Errorf("told %+v", told)
	}
}

// What an analysis costs: a cam of five lobes with a drive that was followed for a
// month, with all that is kept of it. The drive is fitted in every second one.
func BenchmarkAnalyse(b *testing.B) {
	c := New()
	follow(b, c, camSetting, 0, "cam ipm=120 lobes=5 jitter=0.5ms gear=3.75:1ms cycles=20000 seed=9")
	var before []*pulse.Window
	for i := range 30 * 24 * 60 {
		before = append(before, window(i-31*24*60, 60, 50+float64(i%7)))
	}
	c.Remember(before, nil)
	now := pulse.Stamp(20000e9)
	b.ResetTimer()
	for range b.N {
		now += 300e9
		c.fresh = true
		c.Analyse(now)
	}
}

// What the log has of before is there before the first Meter, and stays; another
// polarity makes another contact of it, other lobes only lose what lobes did.
func TestBeginKeepsThePast(t *testing.T) {
	c := New()
	var before []*pulse.Window
	for i := range 100 {
		w := window(i-200, 60, 50)
		w.Lobes = make([]pulse.LobeWindow, 5)
		before = append(before, w)
	}
	windows := func(want, withLobes int) {
		t.Helper()
		c.Analyse(0)
		all, lobes := c.series.all(), 0
		for _, w := range all {
			if w.Lobes != nil {
				lobes++
			}
		}
		if len(all) != want || lobes != withLobes {
			t.Errorf("%d windows, %d with lobes, want %d and %d", len(all), lobes, want, withLobes)
		}
	}
	c.Remember(before, nil)
	c.Begin(camSetting)
	windows(100, 100)
	c.numbered = 3
	seven := camSetting
	seven.Lobes, seven.Drive = 7, nil
	c.Begin(seven)
	windows(100, 0)
	seven.Polarity = pulse.ClosedLow
	c.Begin(seven)
	windows(0, 0)
}

// Two steps are told once each, however the analysis falls from one to the other;
// what goes up and down every day is told once a day at most.
func TestStepsAreToldOnce(t *testing.T) {
	var d told
	d.begin(0)
	s := &snapshot{windows: []*pulse.Window{window(0, 60, 50)}}
	known := func(v float64) pulse.Num { return pulse.Known(v) }
	step := func(hour float64) *pulse.Trend {
		return &pulse.Trend{Better: pulse.BetterStep, Step: &pulse.Step{AtS: pulse.Rounded(hour * 3600), Size: known(2), Low: known(1.9), High: known(2.1)}}
	}
	told := 0
	for i := range 7 * 24 * 12 { // a week, every five minutes
		s.now = pulse.Stamp(i) * 300e9
		at := 30.0
		if i/6%2 == 1 {
			at = 60
		}
		told += len(d.trend(nil, Subject{Quantity: pulse.RateIPM}, step(at), s))
	}
	if told != 2 {
		t.Errorf("two steps are told %d times", told)
	}
	daily := 0
	for i := range 7 * 24 * 12 {
		s.now = pulse.Stamp(7*24*12+i) * 300e9
		daily += len(d.trend(nil, Subject{Quantity: pulse.BreakPercent}, step(float64(i/72)*6), s))
	}
	if daily > 7 {
		t.Errorf("%d findings in a week of steps up and down", daily)
	}
}

// A contact that stands still for days takes no memory for what the other does, and
// no count goes back.
func TestPairAtRest(t *testing.T) {
	p := NewPair("in", "out", pulse.KindDial, 0, 0, nil)
	in, out := PairSide{Pair: p}, PairSide{Pair: p, IsOutput: true}
	in.From(0)
	out.From(0)
	var heap [2]uint64
	var last pulse.PairCounts
	for i := range pulse.Stamp(3 * 24 * 36000) { // three days of 10 pulses a second
		at := i * 100e6
		out.Feed(pulse.Transition{At: at, End: at})
		out.Feed(pulse.Transition{At: at + 60e6, End: at + 60e6, Closed: true})
		if i%600 == 0 {
			in.UpTo(at)
			n := p.Counts()
			if n.Extra < last.Extra {
				t.Fatalf("extra breaks went from %d to %d", last.Extra, n.Extra)
			}
			last = n
		}
		if day := i / (24 * 36000); i%(24*36000) == 0 && (day == 1 || day == 2) {
			runtime.GC()
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			heap[day-1] = m.HeapAlloc
		}
	}
	if heap[1] > heap[0]+4<<20 {
		t.Errorf("the heap grew from %d to %d in a day", heap[0], heap[1])
	}
	if last.Extra == 0 {
		t.Error("no extra break")
	}
}
