package pulse

import (
	"encoding/json"
	"errors"
	"maps"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

// A comparedCam makes edges of a cam: a noisy speed, jitter of each edge, errors of
// the lobes and a percent break.
type comparedCam struct {
	alpha, speed float64 // noise of the periods, of a part of one
	jitterNS     float64
	lobes        []float64 // opening errors, ns
	breaks       []float64 // what the break of each lobe is longer, ns; nil for none
	percent      float64
	breakNoise   float64 // ns
	periodNS     float64
}

// edges of two stretches of turns each, one after the other, with the second cam
// after the first; the noise goes on through both.
func comparedEdges(r *rand.Rand, turns int, cams [2]comparedCam) (both [2][]Edge) {
	n := turns * len(cams[0].lobes)
	noise := spectralNoise(r, 2*n, cams[0].alpha)
	t := 1e9
	for i := range both {
		c := &cams[i]
		for j := range n {
			period := c.periodNS * (1 + c.speed*noise[i*n+j])
			open := t + c.lobes[j%len(c.lobes)] + c.jitterNS*r.NormFloat64()
			longer := 0.0
			if c.breaks != nil {
				longer = c.breaks[j%len(c.breaks)]
			}
			closed := longer + t + c.lobes[j%len(c.lobes)] + period*c.percent/100 + c.jitterNS*r.NormFloat64() + c.breakNoise*r.NormFloat64()
			both[i] = append(both[i], Edge{At: Stamp(open), Level: Low}, Edge{At: Stamp(closed), Level: High})
			t += period
		}
	}
	return both
}

// compared measures edges for a comparison.
func compared(t testing.TB, cfg Config, edges []Edge) Compared {
	t.Helper()
	setup := DefaultSetup()
	cfg.Setup = &setup
	s := NewComparand(&cfg)
	cfg.Observer = Tee(cfg.Observer, s.Observer())
	m, err := NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(edges)
	return Compared{m.Finish(0), s, setup}
}

// unchanged and changed cams, with the speed noise of the name.
var speedNoises = []struct {
	name         string
	alpha, speed float64
	low          float64 // how often 95 % must hold of any group of figures
}{{"white", 0, 1e-3, 0.93}, {"flicker", 1, 3e-4, 0.92}, {"walk", 2, 3e-5, 0.90}}

func studiedCam(alpha, speed float64) comparedCam {
	return comparedCam{alpha: alpha, speed: speed, jitterNS: 0.3e6, lobes: []float64{0, 1e6, 4e6, -1e6, 0}, percent: 50, breakNoise: 0.2e6, periodNS: 1e9}
}

// oneChain are two stretches of a log, one after the other.
var oneChain = CompareOptions{Gap: Known(0), SameClock: true, SameCoupler: true, ByNumber: true}

func compareCams(t testing.TB, seed uint64, turns int, cams [2]comparedCam) *Comparison {
	t.Helper()
	e := comparedEdges(rand.New(rand.NewPCG(seed, 9)), turns, cams)
	cfg := Config{Kind: KindInterrupter, Lobes: 5}
	var both [2]Compared
	for i := range both {
		cfg.LobeMarks = []LobeMark{{At: e[i][0].At, Lobe: 1}}
		both[i] = compared(t, cfg, e[i])
	}
	res, err := Compare(both[0], both[1], oneChain)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// Of cams that did not change, anything is called changed in 5 % of comparisons at
// most, and 95 % intervals hold about so often, whatever the noise of the speed.
func TestUnchangedCams(t *testing.T) {
	seeds := studySeeds(5, 200)
	for _, k := range speedNoises {
		changed := 0
		beyond, of := map[string]int{}, map[string]int{}
		count := func(name string, x *Change) {
			if x.Sentence == CannotTell {
				t.Errorf("%s, %s: %+v", k.name, name, x)
			}
			of[name]++
			if math.Abs(x.Difference.V) > x.ExpandedU.V {
				beyond[name]++
			}
		}
		for seed := range seeds {
			cam := studiedCam(k.alpha, k.speed)
			res := compareCams(t, uint64(seed), 100, [2]comparedCam{cam, cam})
			if res.Outcome() == Changed {
				changed++
			}
			if res.AtOnce != 15 || *res.LobesPairedBy != PairedByNumber {
				t.Fatalf("%d at once, paired by %s", res.AtOnce, *res.LobesPairedBy)
			}
			for i := range res.Quantities {
				count(res.Quantities[i].Quantity, &res.Quantities[i].Change)
			}
			for i := range res.Lobes {
				count("lobe opening", &res.Lobes[i].Opening)
				count("lobe break", &res.Lobes[i].Break)
			}
		}
		t.Logf("%s: any of 15 called changed in %d of %d", k.name, changed, seeds)
		if max := float64(seeds)*0.05 + 3*math.Sqrt(float64(seeds)*0.05); float64(changed) > max {
			t.Errorf("%s: called changed in %d of %d", k.name, changed, seeds)
		}
		for _, name := range slices.Sorted(maps.Keys(of)) {
			held := 1 - float64(beyond[name])/float64(of[name])
			t.Logf("%s: %-14s 95 %% hold in %.1f %%", k.name, name, 100*held)
			if held < k.low-3*math.Sqrt(0.05/float64(seeds)) {
				t.Errorf("%s: %s: 95 %% hold in %.1f %%", k.name, name, 100*held)
			}
		}
	}
}

// Stretches of one cam that begin and end with other lobes do not differ, whether the
// number of lobes is given or not: one lobe 8 ms late, in the outer openings alone,
// and one break 30 ms longer would change rate and break by many times their ±.
func TestWholeTurnsAreCompared(t *testing.T) {
	seeds := studySeeds(20, 200)
	for _, lobes := range []int{5, 0} {
		changed, beyond, of := 0, 0, 0
		for seed := range seeds {
			cam := studiedCam(0, 0)
			cam.lobes, cam.breaks, cam.jitterNS, cam.breakNoise = []float64{0, 8e6, 0.5e6, -0.5e6, 0}, []float64{0, 0, 30e6, 0, 0}, 0.1e6, 0
			e := comparedEdges(rand.New(rand.NewPCG(uint64(seed), 11)), 60, [2]comparedCam{cam, cam})
			cfg := Config{Kind: KindInterrupter, Lobes: lobes}
			first, second := e[0][:len(e[0])-2*3], e[1][2:len(e[1])-2*2] // lobes 1 to 2, and 2 to 3
			if seed%2 == 1 && lobes > 0 {                                // an opening that was not seen begins another turn
				second = slices.Delete(slices.Clone(second), 200, 202)
			}
			res, err := Compare(compared(t, cfg, first), compared(t, cfg, second), CompareOptions{SameClock: true, SameCoupler: true})
			if err != nil {
				t.Fatal(err)
			}
			for _, x := range res.Quantities {
				if x.Quantity == string(BounceMS) {
					continue
				}
				if x.Changed != nil && *x.Changed {
					changed++
				}
				if of++; math.Abs(x.Difference.V) > x.ExpandedU.V {
					beyond++
				}
				if math.Abs(x.After.V-x.Before.V-x.Difference.V) > 1e-12 || x.BeforeN%5 != 0 || x.AfterN%5 != 0 {
					t.Errorf("%s: %+v: not of whole turns", x.Quantity, x)
				}
			}
		}
		t.Logf("%d lobes given: %d of %d beyond their ±, %d called changed", lobes, beyond, of, changed)
		if float64(beyond) > 0.1*float64(of) || float64(changed) > 0.05*float64(seeds)+1 {
			t.Errorf("%d lobes given: %d of %d beyond their ±, %d called changed", lobes, beyond, of, changed)
		}
	}
}

// How large a change is found, by the length of the stretches.
func TestChangedCams(t *testing.T) {
	seeds, lengths := studySeeds(2, 50), []int{100}
	if seeds > 2 {
		lengths = []int{12, 30, 100, 300}
	}
	for _, k := range speedNoises {
		for _, turns := range lengths {
			for _, change := range []float64{0.1, 0.3, 1, 3} { // ms of lobe 3, and tenths of a point of percent break
				lobe, percent, others := 0, 0, 0
				for seed := range seeds {
					cam := studiedCam(k.alpha, k.speed)
					after := cam
					after.lobes = slices.Clone(cam.lobes)
					after.lobes[2] += change * 1e6
					after.percent += change / 10
					res := compareCams(t, uint64(seed), turns, [2]comparedCam{cam, after})
					for i := range res.Lobes {
						switch o := &res.Lobes[i].Opening; {
						case o.Sentence != Changed:
						case i == 2:
							lobe++
						default:
							others++
						}
					}
					if res.Quantities[1].Sentence == Changed {
						percent++
					}
				}
				t.Logf("%-7s %3d turns: lobe 3 by %.1f ms found in %3.0f %%, percent break by %.2f in %3.0f %%, other lobes in %.1f %%", k.name, turns, change,
					100*float64(lobe)/float64(seeds), change/10, 100*float64(percent)/float64(seeds), 100*float64(others)/float64(4*seeds))
				if change == 3 && turns >= 100 && (lobe < seeds || percent < seeds) || others*20 > 4*seeds+20 {
					t.Errorf("%s, %d turns: %v of %d, %v, others %v", k.name, turns, lobe, seeds, percent, others)
				}
			}
		}
	}
}

// What is nine times its standard deviation is called changed in most comparisons,
// though fifteen figures are tested at once and a little walk is never excluded.
func TestClearChangesAreFound(t *testing.T) {
	seeds := studySeeds(12, 200)
	percent, any := 0, 0
	for seed := range seeds {
		cam := studiedCam(0, 0)
		cam.breakNoise = 0
		after := cam
		after.percent += 0.01 // 0.1 ms, of breaks that 600 turns tell to 11 µs
		res := compareCams(t, uint64(seed), 600, [2]comparedCam{cam, after})
		if res.Outcome() == Changed {
			any++
		}
		for _, x := range res.Quantities {
			if x.Quantity == string(BreakPercent) && x.Sentence == Changed {
				percent++
			}
		}
	}
	t.Logf("percent break in %d, anything in %d of %d", percent, any, seeds)
	if percent*3 < seeds*2 || any*4 < seeds*3 {
		t.Errorf("percent break in %d, anything in %d of %d", percent, any, seeds)
	}
}

// By hand: 0.005·4, 0.01·3, 0.03·2, and 0.04·1 no less than that before it.
func TestHolm(t *testing.T) {
	got := holm([]float64{0.01, 0.04, 0.03, 0.005})
	want := []float64{0.03, 0.06, 0.06, 0.02}
	for i := range want {
		if math.Abs(got[i]-want[i]) > 1e-15 {
			t.Errorf("%v, want %v", got, want)
		}
	}
	if got := holm([]float64{0.9, 0.8}); got[0] != 1 || got[1] != 1 {
		t.Errorf("%v", got)
	}
	if got := holm(nil); len(got) != 0 {
		t.Errorf("%v", got)
	}
}

// pulsesOf are trains of pulses.
func pulsesOf(trains, pulses int, periodNS, breakNS int64) (e []Edge) {
	t := Stamp(1e9)
	for range trains {
		for range pulses {
			e = append(e, Edge{At: t, Level: Low}, Edge{At: t + Stamp(breakNS), Level: High})
			t += Stamp(periodNS)
		}
		t += 700e6
	}
	return e
}

func changeOf(t *testing.T, c *Comparison, q Quantity) Change {
	t.Helper()
	for _, x := range c.Quantities {
		if x.Quantity == string(q) {
			return x.Change
		}
	}
	t.Fatalf("no %s in %+v", q, c.Quantities)
	return Change{}
}

// A contact without any scatter, too few values, and what the chain shares.
func TestCompareDials(t *testing.T) {
	cfg := Config{Kind: KindDial}
	before, after := pulsesOf(4, 10, 100e6, 60e6), pulsesOf(4, 10, 100e6, 60.2e6)
	same, err := Compare(compared(t, cfg, before), compared(t, cfg, after), CompareOptions{SameClock: true, SameCoupler: true})
	if err != nil {
		t.Fatal(err)
	}
	other, err := Compare(compared(t, cfg, before), compared(t, cfg, after), CompareOptions{})
	if err != nil {
		t.Fatal(err)
	}
	// Nothing varies, so what is left is the noise of the edges of 40 breaks, 20 µs
	// each: √2·20 µs·√2/√40 = 6.3 µs, and 50 ppm of the difference.
	x := changeOf(t, same, BreakMS)
	if want := 1.959964 * math.Hypot(2*0.02/math.Sqrt(40), 0.2*50e-6); x.Sentence != Changed || math.Abs(x.Difference.V-0.2) > 1e-9 || math.Abs(x.ExpandedU.V-want) > 1e-6 {
		t.Errorf("one chain: %+v, want ± %v", x, want)
	}
	// Two couplers, each 57.7 µs off, and two clocks, each 50 ppm of 60 ms. The
	// difference is beyond that, but as one of four that are tested at once it shows
	// no change: p is 0.0147, and 4 · 0.0147 more than 0.05.
	x = changeOf(t, other, BreakMS)
	if want := 1.959964 * math.Sqrt(2*0.057735*0.057735+2*0.02*0.02*2/40+(60*60+60.2*60.2)*50e-6*50e-6); x.Sentence != NotShown || other.AtOnce != 5 || math.Abs(x.ExpandedU.V-want) > 1e-6 {
		t.Errorf("two chains: %+v, want ± %v", x, want)
	}
	// One clock that is 50 ppm off is so in the difference of 10 and 9.090909 pps
	// alone; two are so in each. 36 periods of a contact have 20 µs at their ends.
	fast, slow := compared(t, cfg, before), compared(t, cfg, pulsesOf(4, 10, 110e6, 60e6))
	for _, clocks := range []float64{1, 2} {
		res, err := Compare(fast, slow, CompareOptions{SameClock: clocks == 1, SameCoupler: true})
		if err != nil {
			t.Fatal(err)
		}
		r1, r2 := 10.0, 100/11.0
		clock := (r1 - r2) * 50e-6
		if clocks == 2 {
			clock = math.Hypot(r1, r2) * 50e-6
		}
		want := 1.959964 * math.Hypot(clock, math.Sqrt2*0.02/36*math.Hypot(r1/100, r2/110))
		if x := changeOf(t, res, RatePPS); math.Abs(x.ExpandedU.V-want) > 1e-4*want {
			t.Errorf("%v clocks: ± %v, want %v", clocks, x.ExpandedU.V, want)
		}
	}
	if x := changeOf(t, same, RatePPS); x.Sentence != NotShown || x.Difference.V != 0 || *x.Changed || !(x.LessThan.V < 0.002) {
		t.Errorf("rate: %+v", x)
	}
	if x := changeOf(t, same, InterdigitMS); x.Sentence != CannotTell || x.Changed != nil || x.Why != TooFew || x.Needed != leastCompared || x.BeforeN != 3 {
		t.Errorf("interdigit: %+v", x)
	}
	if o := same.Outcome(); o != Changed {
		t.Error(o)
	}
	short, err := Compare(compared(t, cfg, before), compared(t, cfg, pulsesOf(1, 3, 100e6, 60e6)), CompareOptions{})
	if err != nil || short.Outcome() != CannotTell {
		t.Errorf("%v, %+v", err, short)
	}
	if b, err := json.Marshal(short); err != nil || !strings.Contains(string(b), `"changed":null`) {
		t.Errorf("%s, %v", b, err)
	}
	cam := compared(t, Config{Kind: KindInterrupter}, before)
	if _, err := Compare(cam, compared(t, cfg, after), CompareOptions{}); !errors.Is(err, ErrUnlike) {
		t.Errorf("a cam and a dial: %v", err)
	}
	five, six := compared(t, Config{Kind: KindInterrupter, Lobes: 5}, before), compared(t, Config{Kind: KindInterrupter, Lobes: 6}, before)
	if _, err := Compare(five, six, CompareOptions{}); !errors.Is(err, ErrUnlike) {
		t.Errorf("five and six lobes: %v", err)
	}
}

// Lobes of two recordings are paired by their errors, and not at all where these
// do not tell them apart.
func TestComparedLobesAreMatched(t *testing.T) {
	cfg := Config{Kind: KindInterrupter, Lobes: 5}
	cam := studiedCam(0, 1e-4)
	e := comparedEdges(rand.New(rand.NewPCG(1, 9)), 100, [2]comparedCam{cam, cam})
	e[1] = e[1][2*2:] // it begins with the third lobe
	res, err := Compare(compared(t, cfg, e[0]), compared(t, cfg, e[1]), CompareOptions{})
	if err != nil || *res.LobesPairedBy != PairedByMatch || !(res.MatchLead.V > 1000) {
		t.Fatalf("%v, %+v", err, res)
	}
	for i, l := range res.Lobes {
		if l.Lobe != i+1 || l.AfterLobe != (i+3)%5+1 || math.Abs(l.Opening.Difference.V) > 0.3 || l.Opening.Sentence != NotShown {
			t.Errorf("%+v", l)
		}
	}
	cam.lobes = make([]float64, 5)
	e = comparedEdges(rand.New(rand.NewPCG(1, 9)), 100, [2]comparedCam{cam, cam})
	res, err = Compare(compared(t, cfg, e[0]), compared(t, cfg, e[1]), CompareOptions{})
	if err != nil || res.Outcome() != CannotTell || res.Lobes[0].Opening.Why != NotMatched || res.Lobes[0].Opening.Changed != nil {
		t.Errorf("lobes that are alike: %v, %+v", err, res)
	}
}

// One lobe that was mended does not keep the others from being paired: with four that
// agree there is one way only, and the more turns the surer. Two lobes of which one
// has moved halfway can be paired either way.
func TestOneMendedLobe(t *testing.T) {
	lead := 0.0
	for _, turns := range []int{100, 1000} {
		before, after := studiedCam(0, 0), studiedCam(0, 0)
		before.lobes, before.jitterNS, before.breakNoise = []float64{0, 3e6, 0, 0, 0}, 0.1e6, 0
		after.lobes, after.jitterNS, after.breakNoise = []float64{0, 1e6, 0, 0, 0}, 0.1e6, 0
		e := comparedEdges(rand.New(rand.NewPCG(3, 9)), turns, [2]comparedCam{before, after})
		cfg := Config{Kind: KindInterrupter, Lobes: 5}
		e[1] = e[1][2*3:] // it begins with the fourth lobe
		res, err := Compare(compared(t, cfg, e[0]), compared(t, cfg, e[1]), CompareOptions{SameClock: true, SameCoupler: true})
		if err != nil || !(res.MatchLead.V > max(100, lead)) {
			t.Fatalf("%d turns: %v, lead %v, was %v", turns, err, res.MatchLead, lead)
		}
		lead = res.MatchLead.V
		for i, l := range res.Lobes {
			if want := map[bool]Outcome{true: Changed, false: NotShown}[i == 1]; l.AfterLobe != (i+2)%5+1 || l.Opening.Sentence != want {
				t.Errorf("%d turns: %+v", turns, l)
			}
		}
	}
	lobe := func(ms float64) LobeFigure {
		return LobeFigure{OpeningNS: ms * 1e6, OpeningSE: 1e4, BreakNS: 5e8, BreakSE: 1e4, Turns: 100}
	}
	if _, lead, sure := pairLobes([]LobeFigure{lobe(0), lobe(3)}, []LobeFigure{lobe(0), lobe(0)}, 1e9); sure {
		t.Errorf("two lobes that are alike now: lead %v", lead)
	}
	if turn, _, sure := pairLobes([]LobeFigure{lobe(0), lobe(2), lobe(8), lobe(-1)}, []LobeFigure{lobe(0), lobe(2.2), lobe(7.6), lobe(-1.3)}, 1e9); turn != 0 || !sure {
		t.Errorf("all have changed a little: %d, %v", turn, sure)
	}
}

// A walking speed tells nothing of two recordings of unknown times, but white noise
// does.
func TestWalkOfUnknownTimes(t *testing.T) {
	for alpha, want := range map[float64]Outcome{0: NotShown, 2: CannotTell} {
		cam := studiedCam(alpha, 1e-3)
		cam.lobes, cam.jitterNS = []float64{0}, 0
		e := comparedEdges(rand.New(rand.NewPCG(4, 9)), 300, [2]comparedCam{cam, cam})
		cfg := Config{Kind: KindInterrupter}
		res, err := Compare(compared(t, cfg, e[0]), compared(t, cfg, e[1]), CompareOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if x := changeOf(t, res, RateIPM); x.Sentence != want || (want == CannotTell) != (x.Why == Wanders) {
			t.Errorf("%v: %+v", alpha, x)
		}
	}
}

// A series keeps its sums however long it is, and its batches are of like size.
func TestMeanSeries(t *testing.T) {
	for _, n := range []int{1, 31, 33, 511, 512, 513, 5000, 100000} {
		var s meanSeries
		sum := 0.0
		for i := range n {
			s.add(float64(i), 2)
			sum += float64(i)
		}
		b := s.batches(compareBatches, 1)
		got, least, most := 0.0, math.Inf(1), 0.0
		for i, x := range b {
			got += x.mean * 2 * x.n()
			least, most = min(least, x.n()), max(most, x.n())
			if i > 0 && x.from != b[i-1].to {
				t.Errorf("%d: a gap at %v", n, x.from)
			}
		}
		if s.n() != n || len(b) != min(n, compareBatches) || math.Abs(got-sum) > 1e-6*sum || len(s.blocks) > seriesBlocks || n > 600 && most > 1.3*least {
			t.Errorf("%d values: n %d, %d batches of %v to %v, sum %v of %v", n, s.n(), len(b), least, most, got, sum)
		}
	}
}
