package synth

import (
	"fmt"
	"math"
	"math/big"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/pulse"
)

type fataler interface {
	Helper()
	Fatal(...any)
}

func mustNew(t fataler, desc string) *Signal {
	t.Helper()
	spec, err := Parse(desc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := New(spec)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// read takes at most limit edges, in pieces of the given size.
func read(s *Signal, limit, piece int) (out []pulse.Edge) {
	buf := make([]pulse.Edge, piece)
	for len(out) < limit {
		n := s.Next(buf)
		if n == 0 {
			break
		}
		out = append(out, buf[:n]...)
	}
	return out
}

const all = 1 << 30

// breaks pairs the edges of a signal without disturbances.
func breaks(t testing.TB, edges []pulse.Edge) (open, length []int64) {
	t.Helper()
	if len(edges)%2 != 0 {
		t.Fatalf("%d edges, want an even number", len(edges))
	}
	for i, e := range edges {
		if want := pulse.Level(i % 2); e.Level != want {
			t.Fatalf("edge %d has level %d, want %d", i, e.Level, want)
		}
		if i%2 == 0 {
			open = append(open, int64(e.At))
			length = append(length, int64(edges[i+1].At-e.At))
		}
	}
	return open, length
}

// Constructed trains; the expected figures are the arithmetic of n − 1 periods
// between n openings, rounded to the digits written here.
func TestConstructedTrains(t *testing.T) {
	for _, c := range []struct {
		desc          string
		pulses        int
		rate, percent string
		firstBreakNS  int64
	}{
		{"dial digits=0 break=60ms make=40ms", 10, "10.000", "60.00", 60_000_000},
		{"dial digits=0 break=61.538ms make=38.462ms", 10, "10.000", "61.54", 61_538_000},
		{"dial digits=0 break=70ms make=41.111ms", 10, "9.000", "63.00", 70_000_000},
		{"dial digits=0 break=54.545ms make=36.364ms", 10, "11.000", "60.00", 54_545_000},
		{"dial digits=0 break=33.5ms make=16.5ms", 10, "20.000", "67.00", 33_500_000},
		{"dial digits=0 rate=9 break=63", 10, "9.000", "63.00", 70_000_000},
		{"dial digits=0 rate=11 break=60", 10, "11.000", "60.00", 54_545_455},
		{"dial digits=0 rate=20 break=67", 10, "20.000", "67.00", 33_500_000},
		{"dial digits=1 break=60ms make=40ms", 1, "", "", 60_000_000},
	} {
		s := mustNew(t, c.desc)
		open, length := breaks(t, read(s, all, 7))
		if len(open) != c.pulses || s.Truth().Pulses != int64(c.pulses) {
			t.Errorf("%s: %d pulses, truth %d, want %d", c.desc, len(open), s.Truth().Pulses, c.pulses)
			continue
		}
		if length[0] != c.firstBreakNS {
			t.Errorf("%s: break of %d ns, want %d", c.desc, length[0], c.firstBreakNS)
		}
		if c.rate == "" {
			continue
		}
		n := len(open) - 1
		span, sum := float64(open[n]-open[0]), int64(0)
		for _, l := range length[:n] {
			sum += l
		}
		if got := fmt.Sprintf("%.3f", float64(n)/span*1e9); got != c.rate {
			t.Errorf("%s: rate %s, want %s", c.desc, got, c.rate)
		}
		if got := fmt.Sprintf("%.2f", 100*float64(sum)/span); got != c.percent {
			t.Errorf("%s: percent break %s, want %s", c.desc, got, c.percent)
		}
	}
}

// What each key does to the edges; all expected times are worked out by hand.
func TestEdges(t *testing.T) {
	ms := func(times ...float64) (out []int64) {
		for _, x := range times {
			out = append(out, int64(math.Round(x*1e6)))
		}
		return out
	}
	for _, c := range []struct {
		desc string
		want []int64
	}{
		{"dial digits=12 rate=10 break=60 gap=800ms", ms(1000, 1060, 1860, 1920, 1960, 2020)},
		{"dial digits=1 repeat=2 lead=2s gap=0.5s break=60", ms(2000, 2060, 2560, 2620)},
		{"dial digits=0 coding=n+1 break=60", ms(1000, 1060)},
		{"dial digits=7 coding=10-n rate=20 break=50", ms(1000, 1025, 1050, 1075, 1100, 1125)},
		{"dial digits=1F1H1 break=60 flash=300ms hangup=2s gap=1s", ms(1000, 1060, 2060, 2360, 3360, 3420, 4420, 6420, 7420, 7480)},
		// the periods are 125 and 100 ms, and the breaks 60 % of them
		{"dial digits=3 break=60 ramp=-20", ms(1000, 1075, 1125, 1185, 1225, 1285)},
		{"dial digits=12 break=60 gap=800ms break-at=2:70,2.2:45ms", ms(1000, 1060, 1860, 1930, 1960, 2005)},
		// The outage, 3.2 to 5.3 s, touches the breaks of 3 to 3.5 s and 5 to 5.5 s.
		{"cam cycles=6 outages=3.2s outage-length=2.1s", ms(1000, 1500, 2000, 2500, 6000, 6500, 7000, 7500)},
		{"cam cycles=6 outages=3.2s outage-length=2.1s outage-state=open", ms(1000, 1500, 2000, 2500, 3000, 5500, 6000, 6500, 7000, 7500)},
		// It hides the break of 4 s and what it touches, not the one that opens as
		// it ends or a little later.
		{"cam cycles=5 outages=3.6s outage-length=1.4s", ms(1000, 1500, 2000, 2500, 3000, 3500, 5000, 5500, 6000, 6500)},
		{"cam cycles=5 outages=3.6s outage-length=1.398s", ms(1000, 1500, 2000, 2500, 3000, 3500, 5000, 5500, 6000, 6500)},
		{"cam cycles=5 outages=3.6s outage-length=1.401s", ms(1000, 1500, 2000, 2500, 3000, 3500, 6000, 6500)},
		{"cam cycles=5 outages=3.6s outage-length=1.4s outage-state=open", ms(1000, 1500, 2000, 2500, 3000, 3500, 3600, 5500, 6000, 6500)},
		// It begins and ends in a make.
		{"cam cycles=4 outages=2.6s outage-length=1.1s outage-state=open", ms(1000, 1500, 2000, 2500, 2600, 3700, 4000, 4500, 5000, 5500)},
		{"cam cycles=4 outages=2.6s outage-length=0.2s", ms(1000, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500)},
		// One over the end leaves the last break, which begins at 5 s.
		{"cam cycles=4 outages=2.6s outage-length=1min", ms(1000, 1500, 2000, 2500, 5000, 5500)},
		{"cam cycles=4 outages=2.6s outage-length=1min outage-state=open", ms(1000, 1500, 2000, 2500, 2600, 4995, 5000, 5500)},
		// Two in one make, and one that would take the first break.
		{"cam ipm=10 break=1s cycles=1 outages=0.5s,3s,5s outage-length=1s outage-state=open", ms(1000, 2000, 3000, 4000, 5000, 6000, 7000, 8000)},
		{"dial digits=3 rate=10 break=60 outages=1.11s outage-length=0.05s", ms(1000, 1060, 1200, 1260)},
		{"cadence 400/200/400/2000 cycles=1 outages=1.5s outage-length=1s", ms(1000, 1200, 4000, 4200)},
		{"cam ipm=120 break=40 cycles=2", ms(1000, 1200, 1500, 1700, 2000, 2200)},
		{"cam break=200ms make=300ms cycles=2", ms(1000, 1200, 1500, 1700, 2000, 2200)},
		{"cam lobes=2 lobe-errors=-3ms,5ms lobe-breaks=10ms,0 turns=1", ms(997, 1507, 2005, 2505, 2997, 3507)},
		{"cam cycles=3 missing-at=2 extra-at=3", ms(1000, 1500, 3000, 3500, 3500+500/3., 3500+1000/3., 4000, 4500)},
		// from 1.5 s to the second lobe, which has stepped to 2.3 s
		{"cam lobes=2 cycles=2 extra-at=1 steps=1s:lobe2:300ms", ms(1000, 1500, 1500+800/3., 1500+1600/3., 2300, 2800, 3000, 3500)},
		{"cadence 400/200/400/2000 cycles=1", ms(1000, 1200, 1600, 3600, 4000, 4200)},
		{"cadence 100/200/300/400/500/600 cycles=1", ms(1000, 1200, 1500, 1900, 2400, 3000, 3100, 3300)},
		{"cam cycles=1 asymmetry=0.25ms", ms(1000.25, 1500, 2000.25, 2500)},
		{"cam cycles=1 asymmetry=-0.25ms", ms(999.75, 1500, 1999.75, 2500)},
		{"cam cycles=1 clock=100", ms(1000.1, 1500.15, 2000.2, 2500.25)},
		// one turn of the shaft a turn of the cam: sine of 90° and 270°
		{"cam cycles=1 gear=1:2ms:90", ms(1002, 1498, 2002, 2498)},
		// a tooth as wide as the whole turn of a shaft, at its top, its foot and
		// halfway
		{"cam cycles=2 tooth=0.25:1:2ms", ms(1002, 1500+1+math.Sqrt2/2, 2001, 2500+1-math.Sqrt2/2, 3000, 3500+1-math.Sqrt2/2)},
		// one tooth of 20 on a shaft that turns with the cam: 18° long, so that
		// at 4.5° it has half its height, and 180° on nothing
		{"cam cycles=1 tooth=1:20:-2ms:4.5", ms(999, 1500, 1999, 2500)},
		// three turns a turn, at a quarter turn more each interruption
		{"cam cycles=2 gear=2.25:2ms", ms(1000, 1500+2*math.Sqrt2/2, 2002, 2500+2*math.Sqrt2/2, 3000, 3500-2*math.Sqrt2/2)},
		{"cam lobes=4 ipm=60 cycles=3 gear=3:2ms", ms(1000, 1500+2*math.Sqrt2/2, 1998, 2500+2*math.Sqrt2/2, 3000, 3500-2*math.Sqrt2/2, 4002, 4500-2*math.Sqrt2/2)},
	} {
		var got []int64
		for i, e := range read(mustNew(t, c.desc), all, 3) {
			got = append(got, int64(e.At))
			if e.Seq != uint32(i+1) || e.Lost != 0 || e.Level != pulse.Level(i%2) {
				t.Errorf("%s: edge %d is %+v", c.desc, i, e)
			}
		}
		near := cmp.Comparer(func(a, b int64) bool { return a-b <= 1 && b-a <= 1 })
		if d := cmp.Diff(c.want, got, near); d != "" {
			t.Errorf("%s: (-want +got)\n%s", c.desc, d)
		}
	}
}

func TestClosedLow(t *testing.T) {
	s := mustNew(t, "cam cycles=1 closed=low")
	if got := read(s, 1, 1)[0].Level; got != pulse.High || s.Spec().Rest() != pulse.Low {
		t.Errorf("first edge goes to %d from rest %d, want 1 from 0", got, s.Spec().Rest())
	}
}

// A year of a speed with no whole period, against exact rational arithmetic.
func TestExactOverAYear(t *testing.T) {
	s := mustNew(t, "cam ipm=6.7 lobes=3 cycles=endless")
	buf := make([]pulse.Edge, 1024)
	var last pulse.Edge
	index := int64(-1)
	const year = 31557600e9
	for last.At < year {
		n := s.Next(buf)
		if n == 0 {
			t.Fatal("the signal ended")
		}
		last = buf[n-2]
		index += int64(n) / 2
	}
	// opening index · 60 s / 6.7 after the lead
	want := new(big.Rat).SetFrac64(index*600, 67)
	want.Add(want, big.NewRat(1, 1))
	want.Mul(want, big.NewRat(1e9, 1))
	diff, _ := want.Sub(want, new(big.Rat).SetInt64(int64(last.At))).Float64()
	if math.Abs(diff) > 1 {
		t.Errorf("opening %d is %.3f ns off after a year", index, diff)
	}
	if got := s.Truth().Due; got != index {
		t.Errorf("%d cycles due, want %d", got, index)
	}
}

func TestEndlessEndsAfterAHundredYears(t *testing.T) {
	s := mustNew(t, "cadence 3600000/3600000 cycles=endless clock=10000 drift=-10000 asymmetry=5ms")
	var last pulse.Edge
	buf := make([]pulse.Edge, 512)
	for n := s.Next(buf); n > 0; n = s.Next(buf) {
		for _, e := range buf[:n] {
			if e.At <= last.At {
				t.Fatalf("%d follows %d", e.At, last.At)
			}
			last = e
		}
	}
	// half speed in the end
	if years := float64(last.At) / 31557600e9; years < 195 || years > 205 {
		t.Errorf("ended after %.1f years", years)
	}
}

func TestTruth(t *testing.T) {
	for _, c := range []struct {
		desc string
		want Truth
	}{
		{"dial digits=120F3H rate=12.5 break=65 repeat=3", Truth{
			Digits: "1203", TrainPulses: []int{1, 2, 10, 3}, GapNS: 800e6,
			PeriodNS: 80e6, BreakNS: 52e6, MakeNS: 28e6,
			FirstOpeningNS: 1e9, EndNS: 1e9 + 3*(52e6+800e6+132e6+800e6+772e6+800e6+500e6+800e6+212e6+800e6+3e9) + 2*800e6,
			Edges: 108, Transitions: 108, Pulses: 48, Trains: 12, Flashes: 3, Disconnects: 3, Rounds: 3}},
		{"cam lobes=5 lobe-errors=0,10ms,0,0,0 lobe-breaks=0,0,-5ms,0,0 wear=0,0,1us,0,0 turns=2 missing-at=4 extra-at=2,8", Truth{
			PeriodNS: 1e9, BreakNS: 5e8, MakeNS: 5e8, FirstOpeningNS: 1e9, EndNS: 11.5e9,
			Lobes: []Lobe{{-2e6, 5e8, 0}, {8e6, 5e8, 0}, {-2e6, 495e6, 1000}, {-2e6, 5e8, 0}, {-2e6, 5e8, 0}},
			Edges: 24, Transitions: 24, Cycles: 6, Due: 10, Missing: 1, Extra: 2}},
		{"cadence 400/200/400/2000 cycles=5 missing-at=4 extra-at=9", Truth{
			PeriodNS: 3e9, SegmentsNS: []int64{4e8, 2e8, 4e8, 2e9}, FirstOpeningNS: 1e9, EndNS: 16.2e9,
			Edges: 22, Transitions: 22, Cycles: 3, Due: 5, Missing: 1, Extra: 1}},
		{"cam cycles=3 extra=1", Truth{PeriodNS: 1e9, BreakNS: 5e8, MakeNS: 5e8, FirstOpeningNS: 1e9, EndNS: 4.5e9, Lobes: []Lobe{{0, 5e8, 0}},
			Edges: 14, Transitions: 14, Due: 3, Extra: 3}},
		{"cam cycles=endless", Truth{PeriodNS: 1e9, BreakNS: 5e8, MakeNS: 5e8, FirstOpeningNS: 1e9, Lobes: []Lobe{{0, 5e8, 0}},
			Edges: 40, Transitions: 40, Cycles: 19, Due: 19}},
	} {
		s := mustNew(t, c.desc)
		edges := read(s, 40, 1)
		if s.lay.total > 0 {
			edges = append(edges, read(s, all, 9)...)
			if last := int64(edges[len(edges)-1].At); last != s.Truth().EndNS {
				t.Errorf("%s: ends at %d, truth says %d", c.desc, last, s.Truth().EndNS)
			}
		}
		if d := cmp.Diff(c.want, s.Truth()); d != "" {
			t.Errorf("%s: (-want +got)\n%s", c.desc, d)
		}
	}
}

// Shares within 5 standard deviations of a binomial.
func TestHowOften(t *testing.T) {
	near := func(what string, got, n int64, p float64) {
		t.Helper()
		if d := math.Abs(float64(got) - float64(n)*p); d > 5*math.Sqrt(float64(n)*p*(1-p)) || n < 1000 {
			t.Errorf("%s: %d of %d, want a share of %g", what, got, n, p)
		}
	}
	run := func(desc string) Truth {
		s := mustNew(t, desc)
		read(s, all, 4096)
		return s.Truth()
	}
	got := run("cam ipm=600 cycles=50000 chatter=0.03 bounce=3:1ms missing=0.01 extra=0.02")
	near("chatter", got.Chatter, got.Transitions, 0.03)
	near("bounced", got.Bounced, got.Transitions, 0.75)
	near("missing", got.Missing, got.Due, 0.01)
	near("extra", got.Extra, got.Due, 0.02*0.99)
	if mean := float64(got.ExtraEdges) / float64(got.Transitions); math.Abs(mean-3) > 0.05 {
		t.Errorf("%.3f extra edges a transition, want 3", mean)
	}
	got = run("cam ipm=60 cycles=20000 lost=0.004 lost-silent=0.01")
	near("lost", got.Lost, got.Transitions, 0.004)
	near("lost silently", got.LostSilent, got.Transitions, 0.01)
	got = run("cam ipm=60 cycles=20000 lost=0.004:25")
	if runs := float64(got.Lost) / 25; math.Abs(runs-160) > 60 {
		t.Errorf("%.0f runs of lost edges, want about 160", runs)
	}
	// usable: 10,000 makes of 1 s less 10 ms, and less what one takes up
	got = run("cam ipm=30 cycles=10000 short-breaks=0.5/s")
	if got.ShortBreaks < 4700 || got.ShortBreaks > 5000 {
		t.Errorf("%d short breaks, want about 4900", got.ShortBreaks)
	}
	got = run("cam ipm=30 cycles=10000 chatter=2/s")
	if got.Chatter < 38600 || got.Chatter > 40000 {
		t.Errorf("%d chatter bursts, want about 39400", got.Chatter)
	}
	// one a make whose middle 1 ms has room
	got = run("dial break=80ms make=17ms digits=1234567890 repeat=20 short-breaks=1")
	if want := int64(20 * 55); got.ShortBreaks != want-1 {
		t.Errorf("%d short breaks, want one after each pulse but the last, %d", got.ShortBreaks, want-1)
	}
}

func TestJitter(t *testing.T) {
	const sd = 200e3
	clean := read(mustNew(t, "cam ipm=600 cycles=40000"), all, 4096)
	edges := read(mustNew(t, "cam ipm=600 cycles=40000 jitter=0.2ms seed=5"), all, 4096)
	sum, sum2, sum11 := 0.0, 0.0, 0.0
	before := 0.0
	for i, e := range edges {
		d := float64(e.At - clean[i].At)
		if math.Abs(d) > 6*sd+1 {
			t.Errorf("edge %d is %.0f ns off", i, d)
		}
		sum += d
		sum2 += d * d
		sum11 += d * before
		before = d
	}
	n := float64(len(edges))
	got := math.Sqrt((sum2 - sum*sum/n) / (n - 1))
	// the standard deviation of a standard deviation is sd/√(2n), of a mean sd/√n
	if math.Abs(got-sd) > 5*sd/math.Sqrt(2*n) || math.Abs(sum/n) > 5*sd/math.Sqrt(n) {
		t.Errorf("jitter has mean %.0f and sd %.0f, want 0 and %.0f", sum/n, got, sd)
	}
	if r := sum11 / sum2; math.Abs(r) > 5/math.Sqrt(n) {
		t.Errorf("jitter of neighbours is correlated, %.4f", r)
	}
}

// A jitter of 5 % of the spacing: openings are where it puts them and nowhere
// else, independent of each other, and breaks keep half their length.
func TestWideJitter(t *testing.T) {
	const sd, n = 50e6, 20000
	open, length := breaks(t, read(mustNew(t, fmt.Sprintf("cam ipm=60 break=100ms cycles=%d jitter=50ms seed=5", n)), all, 4096))
	sum, sum2, sum11, before, beyond := 0.0, 0.0, 0.0, 0.0, 0
	for i := range open {
		d := float64(open[i]-1e9) - float64(i)*1e9
		sum += d
		sum2 += d * d
		sum11 += d * before
		before = d
		if math.Abs(d) > 2*sd {
			beyond++
		}
		if length[i] < 50e6 || length[i] > 150e6 {
			t.Fatalf("break %d lasts %d ns, want 50 to 150 ms", i, length[i])
		}
	}
	// as in TestJitter; 4.55 % of a normal distribution are beyond two standard deviations
	if got := math.Sqrt(sum2 / n); math.Abs(got-sd) > 5*sd/math.Sqrt(2*n) || math.Abs(sum/n) > 5*sd/math.Sqrt(n) {
		t.Errorf("jitter has mean %.0f and sd %.0f, want 0 and %.0f", sum/n, got, sd)
	}
	if share := float64(beyond) / n; math.Abs(share-0.0455) > 5*math.Sqrt(0.0455/n) {
		t.Errorf("%.4f of the openings are beyond two standard deviations, want 0.0455", share)
	}
	if r := sum11 / sum2; math.Abs(r) > 5/math.Sqrt(n) {
		t.Errorf("jitter of neighbours is correlated, %.4f", r)
	}
}

// Breaks of several lengths, each as often, whatever else is asked for.
func TestBreakAlso(t *testing.T) {
	const n = 30000
	s := mustNew(t, fmt.Sprintf("cam ipm=60 break=100ms break-also=200ms,40 cycles=%d seed=1", n-1))
	open, length := breaks(t, read(s, all, 4096))
	count := map[int64]int{}
	for i, l := range length {
		count[l]++
		if open[i] != 1e9+int64(i)*1e9 {
			t.Fatalf("opening %d at %d", i, open[i])
		}
	}
	for _, l := range []int64{100e6, 200e6, 400e6} {
		if d := math.Abs(float64(count[l]) - n/3.0); d > 5*math.Sqrt(n*2/9.0) {
			t.Errorf("%d breaks of %d ns, want about %d", count[l], l, n/3)
		}
	}
	if d := cmp.Diff([]int64{200e6, 400e6}, s.Truth().BreakAlsoNS); d != "" || len(count) != 3 {
		t.Errorf("lengths %v, truth %s", count, d)
	}
	// Not the lengths that were asked for by place, nor flashes.
	_, length = breaks(t, read(mustNew(t, "dial digits=3F3 rate=10 break=60ms break-also=40ms break-at=2:50ms,1.2:55ms repeat=50"), all, 99))
	for i, l := range length {
		if want := [...]int64{0, 55e6, 0, 500e6, 50e6, 50e6, 50e6}[i%7]; l != want && (want != 0 || l != 60e6 && l != 40e6) {
			t.Errorf("break %d lasts %d ns, want %d", i, l, want)
		}
	}
}

// bad is the weather of a poor receiver, at 60 interruptions a minute.
const bad = " jitter=50ms break=100ms break-also=200ms missing=0.05 spurious-breaks=0.5 spurious-makes=0.05 spurious-length=15ms..70ms outages=0.005/s outage-length=5s..60s outage-noise=0.5/s"

// Whatever is asked for, all that lasts stays at least 5 ms from the rest
// (beside bounce), and the truth is what was made.
func TestWeather(t *testing.T) {
	for _, desc := range []string{
		"cam cycles=20000 seed=1" + bad,
		"cam cycles=20000 seed=2 bounce=3:3ms outage-state=open" + bad,
		"cam cycles=20000 seed=3 extra=0.02" + bad,
		"cadence 400/200/400/2000 cycles=10000 jitter=20ms missing=0.02 spurious-breaks=0.3/s spurious-makes=0.3/s outages=0.005/s outage-noise=1/s seed=4",
		"dial repeat=400 spurious-breaks=0.3/s spurious-length=10ms..60ms outages=0.02/s outage-length=0.2s..10s outage-noise=1/s seed=5",
	} {
		s := mustNew(t, desc)
		edges := read(s, all, 4096)
		truth := s.Truth()
		bounce := s.Spec().BounceOpen.MaxNS
		last, transitions := pulse.Stamp(-1), int64(0) // the end of the burst before
		for i, e := range edges {
			switch gap := int64(e.At - last); {
			case last >= 0 && gap < bounce:
			case last >= 0 && gap < apartNS:
				t.Fatalf("%s: edge %d at %d comes %d ns after the one before", desc, i, e.At, gap)
			default:
				transitions++
			}
			last = e.At
		}
		if transitions != truth.Transitions {
			t.Errorf("%s: %d transitions, truth %d", desc, transitions, truth.Transitions)
		}
		if truth.SpuriousBreaks == 0 || truth.Outages == 0 || truth.OutageLost == 0 {
			t.Errorf("%s: nothing happened: %+v", desc, truth)
		}
		if open := s.Spec().OutageOpen; open != (truth.OutageBreaks > 0) || truth.OutageBreaks > truth.Outages {
			t.Errorf("%s: %d breaks of %d outages", desc, truth.OutageBreaks, truth.Outages)
		}
	}
}

// How often, within 5 standard deviations; where there is room for all.
func TestHowOftenWeather(t *testing.T) {
	run := func(desc string) Truth {
		s := mustNew(t, desc)
		read(s, all, 4096)
		return s.Truth()
	}
	near := func(what string, got int64, mean, sd float64) {
		t.Helper()
		if math.Abs(float64(got)-mean) > 5*sd {
			t.Errorf("%s: %d, want %.0f", what, got, mean)
		}
	}
	got := run("cam ipm=60 break=200ms cycles=20000 spurious-breaks=0.5 spurious-makes=0.2 spurious-length=10ms..50ms")
	near("spurious breaks", got.SpuriousBreaks, 10000, math.Sqrt(5000))
	near("spurious makes", got.SpuriousMakes, 4000, math.Sqrt(3200))
	// 10,000 makes and breaks of 60 s, 10 s less near their ends; each takes up 0.1 s
	got = run("cam ipm=0.5 cycles=10000 spurious-breaks=0.02/s spurious-makes=0.01/s spurious-length=100ms")
	near("spurious breaks at a rate", got.SpuriousBreaks, 600e3/50.105, math.Sqrt(12000))
	near("spurious makes at a rate", got.SpuriousMakes, 600e3/100.105, math.Sqrt(6000))
	// An outage each 90 + 10 s; each loses ten or eleven breaks of 60 IPM.
	got = run("cam ipm=60 break=100ms cycles=200000 outages=0.0111111111/s outage-length=10s")
	near("outages", got.Outages, 2000, math.Sqrt(2000))
	near("lost to outages", got.OutageLost, 10.1*float64(got.Outages), math.Sqrt(0.1*2000))
	if got.Due != 200000 || got.Missing != 0 {
		t.Errorf("%d due and %d missing", got.Due, got.Missing)
	}
	// Listed ones begin when they are asked to.
	if got = run("cam cycles=100 outages=10.2s,20.2s,50.2s,1000s outage-length=2s outage-noise=5/s spurious-length=10ms"); got.Outages != 3 || got.OutageLost != 9 || got.SpuriousBreaks < 15 {
		t.Errorf("%+v, want 3 outages, 9 interruptions lost and some 30 spurious breaks", got)
	}
}

// Speed after three hours of 1000 ppm an hour; the position is t + d·t²/2.
func TestDrift(t *testing.T) {
	open, _ := breaks(t, read(mustNew(t, "cam ipm=60 cycles=11000 drift=1000"), all, 4096))
	at := float64(open[10800]-1e9) / 1e9
	if turns := at + 1000e-6/3600*at*at/2; math.Abs(turns-10800) > 1e-6 {
		t.Errorf("position %.7f, want 10800", turns)
	}
	// At half speed it ends: -10,000 ppm an hour needs 50 h, 37.5 h of them
	// ideal; from then on each period takes 2 s.
	open, _ = breaks(t, read(mustNew(t, "cam ipm=60 cycles=150000 drift=-10000"), all, 4096))
	for _, c := range []struct{ i, want int64 }{{135000, 180001e9}, {136000, 182001e9}, {150000, 210001e9}} {
		if d := open[c.i] - c.want; d < -1000 || d > 1000 {
			t.Errorf("opening %d at %d, want %d", c.i, open[c.i], c.want)
		}
	}
}

// The second differences of a random walk of frequency have the variance that
// two steps' integrals give: y changes by w·√(τ/h) a period.
func TestWander(t *testing.T) {
	const w, n = 500e-6, 40000 // periods of 1 s
	open, length := breaks(t, read(mustNew(t, fmt.Sprintf("cam ipm=60 cycles=%d wander=500", n)), all, 4096))
	for i := range open[1:] {
		if d := 2*length[i] - (open[i+1] - open[i]); d < -3 || d > 3 {
			t.Fatalf("break %d is off half of its period by %d ns", i, d)
		}
	}
	sum := 0.0
	for i := 2; i < len(open); i++ {
		d := float64(open[i]-2*open[i-1]+open[i-2]) / 1e9
		sum += d * d
	}
	want := w * math.Sqrt(1.0/3600)
	if got := math.Sqrt(sum / (n - 1)); math.Abs(got-want) > 5*want/math.Sqrt(2*n) {
		t.Errorf("speed steps of %.3g, want %.3g", got, want)
	}
}

func TestWear(t *testing.T) {
	// three lobes at 6 IPM: the breaks of two grow and shrink by 3 s a day
	open, length := breaks(t, read(mustNew(t, "cam ipm=6 lobes=3 break=50 wear=0,3s,-3s cycles=20000"), all, 4096))
	for i := range open {
		want := int64(5e9)
		switch grown := math.Min(0.9*5e9, 3*float64(open[i]-1e9)/86400); i % 3 {
		case 1:
			want += int64(math.Round(grown))
		case 2:
			want -= int64(math.Round(grown))
		}
		if length[i]-want > 1 || want-length[i] > 1 {
			t.Fatalf("break %d lasts %d, want %d", i, length[i], want)
		}
	}
	if grown := length[8641]; grown < 7_999e6 || grown > 8_001e6 {
		t.Errorf("after a day the break lasts %d", grown)
	}
}

// Wander, jitter, bounce and loss each have their own random numbers.
func TestDisturbancesStayWhereTheyAre(t *testing.T) {
	base := "cam ipm=60 lobes=3 cycles=2000 missing=0.01 extra=0.01"
	a := mustNew(t, base)
	b := mustNew(t, base+" jitter=0.1ms bounce=2:1ms chatter=0.1 lost=0.01")
	read(a, all, 100)
	read(b, all, 100)
	if a.Truth().Missing != b.Truth().Missing || a.Truth().Extra != b.Truth().Extra || a.Truth().Missing == 0 {
		t.Errorf("missing %d and %d, extra %d and %d, want the same", a.Truth().Missing, b.Truth().Missing, a.Truth().Extra, b.Truth().Extra)
	}
	// So do spurious breaks and makes, outages and lengths.
	weather := func(more string) []pulse.Edge {
		return read(mustNew(t, "cam cycles=300 break=100ms jitter=30ms spurious-breaks=0.3"+more), all, 100)
	}
	openings := func(edges []pulse.Edge) map[pulse.Stamp]bool {
		at := map[pulse.Stamp]bool{}
		for _, e := range edges {
			if e.Level == pulse.Low {
				at[e.At] = true
			}
		}
		return at
	}
	plain := openings(weather(""))
	for _, more := range []string{" spurious-makes=0.3", " lost=0.01"} {
		got := openings(weather(more))
		same := 0
		for at := range plain {
			if got[at] {
				same++
			}
		}
		if same < len(plain)*97/100 {
			t.Errorf("with%s %d of %d openings stay", more, same, len(plain))
		}
	}
	steady := func(more string) map[pulse.Stamp]bool {
		return openings(read(mustNew(t, "cam cycles=300 break=100ms jitter=30ms"+more), all, 100))
	}
	before, after := steady(""), steady(" spurious-breaks=0.5 outages=20s outage-length=5s outage-noise=2/s break-also=200ms")
	gone := 0
	for at := range before {
		if !after[at] {
			gone++
		}
	}
	if gone < 5 || gone > 6 {
		t.Errorf("%d openings are not where they were without spurious ones, want the 5 or 6 that the outage took", gone)
	}
	c := read(mustNew(t, "cam cycles=2000 jitter=0.1ms lost=0.05"), all, 100)
	bySeq := map[uint32]pulse.Stamp{}
	for _, e := range c {
		bySeq[e.Seq] = e.At
	}
	found := 0
	for _, e := range read(mustNew(t, "cam cycles=2000 jitter=0.1ms"), all, 100) {
		if at, ok := bySeq[e.Seq]; ok {
			found++
			if at != e.At {
				t.Fatalf("edge %d at %d with loss, %d without", e.Seq, at, e.At)
			}
		}
	}
	if found != len(c) {
		t.Errorf("%d of %d edges found again", found, len(c))
	}
}

// genDescription makes a description out of all keys.
func genDescription(t *rapid.T) string {
	form := rapid.SampledFrom([]Form{Dial, Cam, Cadence}).Draw(t, "form")
	var words []string
	maybe := func(key string, values ...string) {
		if rapid.Bool().Draw(t, "has "+key) {
			words = append(words, key+"="+rapid.SampledFrom(values).Draw(t, key))
		}
	}
	turns := func() {
		maybe("missing", "0.01", "0.5", "0")
		maybe("missing-at", "2", "7,3,3")
		maybe("extra", "0.02", "1")
		maybe("extra-at", "1,2,5")
		maybe("gear", "2.5:0.2ms", "35/12:0.1ms:-90,7:20us", "999.5:1us")
		maybe("tooth", "1.5:20:0.1ms", "3.75:90:10us:90,1/7:12:-0.1ms")
	}
	switch form {
	case Dial:
		maybe("digits", "0123", "f1H9", "5", "FF")
		maybe("coding", "n+1", "10-n", "normal")
		maybe("break", "60", "45ms", "33.333333333333336")
		maybe("rate", "10", "9.3", "0.5", "12.000001")
		maybe("gap", "800ms", "0.2s", "1.5min")
		maybe("flash", "300ms")
		maybe("hangup", "1.7s")
		maybe("repeat", "1", "3", "endless")
		maybe("ramp", "-10,-5,2.5", "3")
		maybe("break-at", "1:55", "1:55,1.1:20ms")
	case Cam:
		maybe("ipm", "60", "120", "33.3")
		maybe("break", "40", "300ms")
		if rapid.Bool().Draw(t, "lobed") {
			words = append(words, "lobes=3")
			maybe("lobe-errors", "0,1.5ms,-200us")
			maybe("lobe-breaks", "0,0,-30ms")
			maybe("wear", "0,10ms,-3ms", "1s/h,0,-10s/h")
			maybe("lobe-wear", "0,5ms,-3ms", "10s/h,-10s/h,1s/day")
		}
		maybe(rapid.SampledFrom([]string{"cycles", "turns"}).Draw(t, "length"), "8", "20")
		turns()
	case Cadence:
		words = append(words, rapid.SampledFrom([]string{"400/200/400/2000", "0.5s/500ms", "segments=30,70", "10/20/30/40/50/60.25"}).Draw(t, "segments"))
		maybe("cycles", "8", "endless")
		turns()
	}
	maybe("lead", "1ms", "20s")
	maybe("drift", "200", "-10000")
	maybe("wander", "50", "10000")
	switch form {
	case Cam:
		maybe("steps", "3s:speed:0.5%,1s:break:2ms", "2s:lobe1:-1ms,5s:lobe1-break:1ms", "4s:break:-1.2,4s:speed:-19")
	case Dial:
		maybe("steps", "3s:speed:0.5%,1s:break:2ms", "4s:break:-1.2,4s:speed:-19")
	case Cadence:
		maybe("steps", "3s:speed:0.5%,1s:speed:-100ppm")
	}
	maybe("wander-white", "20", "10000")
	maybe("wander-flicker", "0.5", "10000")
	maybe("wander-walk", "3", "10000")
	maybe("jitter", "0.1ms", "3ms", "20us", "50ms", "1s")
	if rapid.Bool().Draw(t, "bounces apart") {
		maybe("bounce-open", "1:0.3ms")
		maybe("bounce-close", "16:2ms", "3:50ms")
	} else {
		maybe("bounce", "2:1ms", "16:1us")
	}
	maybe("chatter", "0.2", "1", "40/s", "0.5/s")
	maybe("chatter-length", "3ms", "1us")
	maybe("short-breaks", "0.3", "5/s")
	maybe("short-length", "8ms")
	if form != Cadence {
		maybe("break-also", "45", "30ms,40ms")
		maybe("break-drift", "3", "-100/h", "100/h")
	}
	maybe("spurious-breaks", "0.5", "1", "4/s")
	maybe("spurious-makes", "0.3", "9/s")
	maybe("spurious-length", "10ms", "5ms..100ms", "1ms..2s")
	maybe("outages", "0.05/s", "2/s", "1s,2s", "3.3s") // more leave no edge in years
	maybe("outage-length", "1ms", "0.5s..20s")
	maybe("outage-state", "open", "closed")
	maybe("outage-noise", "2/s", "500/s")
	maybe("lost", "0.01", "0.1:7", "0.5")
	maybe("lost-silent", "0.02", "0.5")
	maybe("asymmetry", "0.1ms", "-2ms", "5ms")
	maybe("clock", "25", "-10000")
	maybe("closed", "low", "high")
	maybe("contact", "1", "2")
	maybe("shift", "0.9ms", "-0.5ms")
	if rapid.Bool().Draw(t, "repeated") {
		words = append(words, "repeater=2ms:1ms")
		maybe("repeater-jitter", "50us:0.1ms", "90ms")
		maybe("repeater-lost", "0.1", "0.5")
		maybe("repeater-lost-at", "2,3")
		maybe("repeater-extra-at", "1,2,5")
		if form == Dial {
			maybe("repeater-first", "1ms:0,-1ms:-0.5ms")
		}
	}
	maybe("seed", "1", "18446744073709551615")
	words = rapid.Permutation(words).Draw(t, "order")
	if form == Cadence { // its segments come first
		for i, w := range words {
			if !strings.Contains(w, "=") {
				words[0], words[i] = words[i], words[0]
			}
		}
	}
	return form.String() + "," + strings.Join(words, rapid.SampledFrom([]string{",", " ", " , "}).Draw(t, "separator"))
}

func TestProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		desc := genDescription(t)
		spec, err := Parse(desc)
		if err != nil {
			// only what is one by one in range but cannot stand together
			if !strings.Contains(err.Error(), "would last") && !strings.Contains(err.Error(), "break-at") && !strings.Contains(err.Error(), "lead") && !strings.Contains(err.Error(), "tooth") {
				t.Fatal(err)
			}
			return
		}
		again, err := Parse(spec.String())
		if err != nil {
			t.Fatalf("%s: %v", spec, err)
		}
		if d := cmp.Diff(spec, again); d != "" || again.String() != spec.String() {
			t.Fatalf("%s becomes %s: (-before +after)\n%s", spec, again, d)
		}

		const limit = 2000
		s, err := New(spec)
		if err != nil {
			t.Fatal(err)
		}
		edges := read(s, limit, 1)
		other := mustNew(t, spec.String())
		got := read(other, limit, rapid.IntRange(1, 700).Draw(t, "piece"))
		if d := cmp.Diff(edges, got[:min(len(edges), len(got))]); d != "" {
			t.Fatalf("%s: other edges in other pieces\n%s", spec, d)
		}

		truth := s.Truth()
		lost, level := int64(0), spec.Rest()
		for i, e := range edges {
			if i > 0 && e.At <= edges[i-1].At || e.At < 0 {
				t.Fatalf("%s: edge %d at %d does not come after %d", spec, i, e.At, edges[max(0, i-1)].At)
			}
			lost += int64(e.Lost)
			if e.Seq != uint32(int64(i)+1+lost) {
				t.Fatalf("%s: edge %d has number %d after %d lost", spec, i, e.Seq, lost)
			}
			if spec.LostSilent == 0 && (e.Level == level) != (e.Lost%2 == 1) {
				t.Fatalf("%s: edge %d goes from level %d to %d with %d lost", spec, i, level, e.Level, e.Lost)
			}
			level = e.Level
		}
		if edges[0].Level == spec.Rest() {
			t.Fatalf("%s: begins with a closing", spec)
		}
		if truth.Edges != int64(len(edges)) || truth.Lost != lost {
			t.Fatalf("%s: %d edges and %d lost, truth has %d and %d", spec, len(edges), lost, truth.Edges, truth.Lost)
		}
		if len(edges) < limit {
			if level != spec.Rest() {
				t.Fatalf("%s: does not end closed", spec)
			}
			if a, b := truth.Edges+truth.Lost+truth.LostSilent, truth.Transitions+truth.ExtraEdges+2*truth.Chatter; a != b {
				t.Fatalf("%s: %d edges given and lost, %d made", spec, a, b)
			}
			commanded := 2 * (truth.Pulses + truth.Flashes + truth.Disconnects + truth.ShortBreaks + truth.Extra +
				truth.SpuriousBreaks + truth.SpuriousMakes + truth.OutageBreaks + truth.RepeaterExtra)
			if spec.Repeater != (Lags{}) {
				commanded = truth.Transitions // what was lost may have been of any kind
			}
			if spec.Form == Dial && spec.Repeater == (Lags{}) {
				if made := truth.Pulses + truth.Flashes + truth.Disconnects; made+truth.OutageLost != s.lay.total {
					t.Fatalf("%s: %d breaks and %d lost of %d", spec, made, truth.OutageLost, s.lay.total)
				}
			}
			if spec.Repeater != (Lags{}) {
				if truth.Rounds != max(0, spec.Repeat) {
					t.Fatalf("%s: %d rounds", spec, truth.Rounds)
				}
			} else if spec.Form != Dial {
				commanded += 2 * (s.lay.total - truth.Missing - truth.OutageLost)
				if truth.Due != (s.lay.total-1)/s.lay.perCycle {
					t.Fatalf("%s: %d cycles due", spec, truth.Due)
				}
			} else if truth.Trains != int64(len(truth.Digits))*spec.Repeat && truth.OutageLost == 0 || truth.Rounds != spec.Repeat {
				t.Fatalf("%s: %d trains in %d rounds", spec, truth.Trains, truth.Rounds)
			}
			if commanded != truth.Transitions {
				t.Fatalf("%s: %d transitions, truth has %d", spec, commanded, truth.Transitions)
			}
		}
	})
}

// Chatter and bounce as a settling filter must find them: in a signal whose
// makes and breaks are long, each burst is told by the time to the next edge.
func TestBurstsCanBeTold(t *testing.T) {
	const settle = 4e6
	s := mustNew(t, "cadence 100/60/80/200 cycles=3000 bounce-open=2:0.5ms bounce-close=4:3ms chatter=0.1 chatter-length=2ms short-breaks=1/s jitter=20us seed=9")
	edges := read(s, all, 4096)
	state, transitions, bounced, extra, chatter := true, int64(0), int64(0), int64(0), int64(0)
	longest := int64(0)
	for i := 0; i < len(edges); {
		j := i
		for j+1 < len(edges) && edges[j+1].At-edges[j].At < settle {
			j++
		}
		if (edges[j].Level == pulse.High) == state {
			chatter++
		} else {
			state = !state
			transitions++
			extra += int64(j - i)
			longest = max(longest, int64(edges[j].At-edges[i].At))
			if j > i {
				bounced++
			}
		}
		i = j + 1
	}
	got := s.Truth()
	want := Truth{Transitions: transitions, Bounced: bounced, ExtraEdges: extra, Chatter: chatter}
	if d := cmp.Diff(want, Truth{Transitions: got.Transitions, Bounced: got.Bounced, ExtraEdges: got.ExtraEdges, Chatter: got.Chatter}); d != "" {
		t.Errorf("(-told from edges +truth)\n%s", d)
	}
	if chatter < 1000 || got.ShortBreaks < 100 {
		t.Errorf("too little to tell: %d chatter, %d short breaks", chatter, got.ShortBreaks)
	}
	if longest > 3e6 || got.BounceMaxNS != longest {
		t.Errorf("bounce of %d ns, truth %d, want the same, at most 3 ms", longest, got.BounceMaxNS)
	}
}

// Jitter moves a burst as a whole, so that it bounces as it would without,
// however large the jitter is beside it and beside the room between bursts.
func TestJitterLeavesBounceAsItIs(t *testing.T) {
	for _, cam := range []string{
		"cam ipm=60 cycles=400 bounce=4:0.1ms chatter=0.1 short-breaks=0.1 seed=3",
		"cam break=1ms make=1ms cycles=400 bounce=4:0.1ms seed=3",
	} {
		clean := read(mustNew(t, cam), all, 4096)
		edges := read(mustNew(t, cam+" jitter=2ms"), all, 4096)
		if len(edges) != len(clean) {
			t.Fatalf("%s: %d edges, %d without jitter", cam, len(edges), len(clean))
		}
		moved, inBursts := 0, 0
		for i := 1; i < len(edges); i++ {
			d := edges[i].At - clean[i].At
			if d != 0 {
				moved++
			}
			if clean[i].At-clean[i-1].At > 100e3 {
				continue
			}
			inBursts++
			if before := edges[i-1].At - clean[i-1].At; d != before {
				t.Fatalf("%s: edge %d moves by %d ns, the one before in its burst by %d", cam, i, d, before)
			}
		}
		if moved < len(edges)*9/10 || inBursts < 1000 {
			t.Errorf("%s: jitter moves %d of %d edges, %d in bursts", cam, moved, len(edges), inBursts)
		}
	}
}

func TestBounceIsWhereItIsSaid(t *testing.T) {
	edges := read(mustNew(t, "cam ipm=600 cycles=1000 bounce-close=3:1ms"), all, 4096)
	for i, e := range edges {
		if e.At%1e8 == 0 && (e.Level != pulse.Low || edges[i+1].At != e.At+5e7) {
			t.Fatalf("opening at %d is followed by %+v", e.At, edges[i+1])
		}
	}
	if len(edges) < 4000 {
		t.Errorf("%d edges, no bounce", len(edges))
	}
	// never more than half of what comes after
	s := mustNew(t, "cam break=10ms make=20ms cycles=endless bounce=16:50ms")
	read(s, 50000, 4096)
	if got := s.Truth().BounceMaxNS; got > 10e6 || got < 9e6 {
		t.Errorf("bounce of %d ns in a make of 20 ms, want up to 10 ms", got)
	}
}

// A drive at double speed that wanders and swings as far as it may would run
// backwards by itself.
func TestExtremesKeepTheOrder(t *testing.T) {
	s := mustNew(t, "cam ipm=96 lobes=16 cycles=1000000 drift=10000 wander=10000 gear=1:0.795s bounce=2:1ms seed=2")
	edges, buf := int64(0), make([]pulse.Edge, 4096)
	last := pulse.Stamp(-1)
	for n := s.Next(buf); n > 0; n = s.Next(buf) {
		for _, e := range buf[:n] {
			if e.At <= last {
				t.Fatalf("%d follows %d", e.At, last)
			}
			last = e.At
		}
		edges += int64(n)
	}
	if truth := s.Truth(); truth.Due != 1000000 || edges != truth.Transitions+truth.ExtraEdges {
		t.Errorf("%d cycles, %d edges", truth.Due, edges)
	}
}

// A day on, openings and closings alike are where the shafts of the drive are
// then: each phase worked out as an exact fraction of a turn.
func TestShaftsOverADay(t *testing.T) {
	const desc = "cam ipm=552 lobes=6 break=40 lobe-errors=0,1ms,0,0,0,-1ms cycles=800000 gear=15/4:0.4ms:20,75/4:0.1ms,3375/2:0.002ms:-90 tooth=15/4:90:0.1ms:77,1/3:11:-3ms"
	s := mustNew(t, desc)
	edges := read(s, all, 4096)
	turns := func(order *big.Rat, ns *big.Rat) float64 { // of a shaft in a time, without whole ones
		x := new(big.Rat).Mul(order, ns)
		x.Mul(x, big.NewRat(552, 6*60e9))
		whole := new(big.Int).Quo(x.Num(), x.Denom())
		f, _ := x.Sub(x, new(big.Rat).SetInt(whole)).Float64()
		return f
	}
	bumps := 0
	for i := 0; i < len(edges); i += 1 + i/400 {
		n := int64(i / 2)
		ideal := big.NewRat(n*60e3, 552)
		ideal.Mul(ideal, big.NewRat(1e6, 1))
		at := new(big.Rat).Set(ideal)
		switch n % 6 {
		case 1:
			at.Add(at, big.NewRat(1e6, 1))
		case 5:
			at.Sub(at, big.NewRat(1e6, 1))
		}
		if i%2 == 1 {
			at.Add(at, big.NewRat(4*60e8, 552))
		}
		late := 0.0
		for _, g := range []struct {
			order              *big.Rat
			amplitude, degrees float64
		}{{big.NewRat(15, 4), 0.4e6, 20}, {big.NewRat(75, 4), 0.1e6, 0}, {big.NewRat(3375, 2), 2e3, -90}} {
			late += g.amplitude * math.Sin(2*math.Pi*(turns(g.order, at)+g.degrees/360))
		}
		for _, f := range []struct {
			order                  *big.Rat
			teeth, height, degrees float64
		}{{big.NewRat(15, 4), 90, 0.1e6, 77}, {big.NewRat(1, 3), 11, -3e6, 0}} {
			place := math.Mod(turns(f.order, at)+f.degrees/360, 1)
			if place > 0.5 {
				place--
			}
			if place > -0.5/f.teeth && place < 0.5/f.teeth {
				late += f.height * math.Pow(math.Cos(math.Pi*f.teeth*place), 2)
				bumps++
			}
		}
		want, _ := at.Add(at, big.NewRat(1e9, 1)).Float64()
		if got := float64(edges[i].At); math.Abs(got-want-late) > 3 {
			t.Fatalf("edge %d at %.0f, want %.0f", i, got, want+late)
		}
	}
	if bumps < 100 {
		t.Errorf("%d edges on a bad tooth", bumps)
	}
	if days := float64(edges[len(edges)-1].At) / 86400e9; days < 1 {
		t.Errorf("%.1f days", days)
	}
	want := []Tooth{{3.75, 90, 1e5, 77}, {1. / 3, 11, -3e6, 0}}
	if d := cmp.Diff(want, s.Truth().Teeth); d != "" || len(s.Truth().Gears) != 3 {
		t.Errorf("truth: %s", d)
	}
}

func TestTurnFraction(t *testing.T) {
	for _, order := range []float64{35. / 12, 2.25, 1. / 7, 999.999} {
		for _, turn := range []float64{0, 1, 1e4 + 1, 52596000, 1e9 + 7} {
			exact := new(big.Rat).SetFloat64(order)
			exact.Mul(exact, new(big.Rat).SetFloat64(turn))
			whole := new(big.Int).Quo(exact.Num(), exact.Denom())
			want, _ := exact.Sub(exact, new(big.Rat).SetInt(whole)).Float64()
			if got := turnFraction(order, turn); math.Abs(math.Remainder(got-want, 1)) > 1e-15 {
				t.Errorf("order %g turn %g: fraction %.17g, want %.17g", order, turn, got, want)
			}
		}
	}
}

func TestNoAllocations(t *testing.T) {
	for _, more := range []string{
		"jitter=0.1ms bounce=3:1ms",
		"jitter=5ms break=20ms break-also=40ms spurious-breaks=0.5 spurious-makes=1/s spurious-length=8ms..20ms outages=0.2/s outage-noise=3/s",
		"jitter=5ms spurious-makes=0.5 spurious-length=8ms..20ms outages=0.2/s outage-noise=3/s outage-state=open",
		"jitter=0.1ms bounce=3:1ms contact=2 shift=3ms repeater=12ms:9ms repeater-jitter=0.1ms repeater-lost=0.1 repeater-lost-at=3 repeater-extra-at=5,9",
	} {
		s := mustNew(t, "cam ipm=600 lobes=5 cycles=endless wear=1us,0,0,0,0 lobe-wear=0,1us/h,0,0,0 break-drift=0.1 steps=5s:break:1,9s:lobe2:1us,20s:speed:1 missing=0.01 extra=0.01 gear=3.5:0.1ms tooth=3.5:9:0.1ms drift=5 wander=2 wander-white=9 wander-flicker=5 wander-walk=1 chatter=0.1 short-breaks=1/s lost=0.01 clock=3 "+more)
		buf := make([]pulse.Edge, 256)
		if got := testing.AllocsPerRun(200, func() { s.Next(buf) }); got != 0 {
			t.Errorf("%s: %g allocations for 256 edges", more, got)
		}
	}
}

func BenchmarkNext(b *testing.B) {
	for _, c := range []struct{ name, desc string }{
		{"dial", "dial repeat=endless"},
		{"dial-real", "dial repeat=endless jitter=0.1ms bounce=3:1ms"},
		{"cam-weather", "cam ipm=60 cycles=endless" + bad},
		{"cam-wander", "cam ipm=60 cycles=endless wander-white=20 wander-flicker=20 wander-walk=1"},
		{"cam-all", "cam ipm=600 lobes=5 cycles=endless missing=0.01 extra=0.01 gear=3.5:0.1ms drift=5 wander=2 jitter=0.1ms bounce=3:1ms chatter=0.1 short-breaks=1/s lost=0.01 clock=3"},
	} {
		b.Run(c.name, func(b *testing.B) {
			s := mustNew(b, c.desc)
			buf := make([]pulse.Edge, 256)
			b.ReportAllocs()
			n := 0
			for b.Loop() {
				if n++; n%len(buf) == 0 && s.Next(buf) != len(buf) {
					b.Fatal("ended")
				}
			}
		})
	}
}
