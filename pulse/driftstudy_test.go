package pulse

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// The kinds of noise of the studies, in order. A rate wanders as its drive does;
// percent break, which is a ratio, is mostly white.
var studyNoises = []string{"white", "flicker", "walking", "white and flicker", "white and walking", "autoregressive"}

// How often the 95 % interval of a slope holds the true one, which is 0, whatever the
// noise. Plain Sen is the textbook's, for independent values: it is good for white
// noise alone. In white noise over a random walk that is weaker than it from window to
// window, and yet the stronger over a hundred, fewer than some 200 windows do not tell
// the walk, and the interval is too narrow.
func TestSlopeCoverage(t *testing.T) {
	k := studySeeds(12, 1000)
	for _, kind := range studyNoises {
		var line, plain strings.Builder
		for _, n := range []int{30, 60, 120, 240, 1000} {
			in, inPlain := 0, 0
			for seed := range k {
				r := rand.New(rand.NewPCG(uint64(seed), 21))
				p := pointsOf(trendNoises[kind](r, n))
				coarse := merged(p, mostTrendPoints)
				b, _ := theilSen(coarse)
				u := newTrendNoise(merged(p, mostNoisePoints)).slopeError(0.975)
				low, high, _ := senInterval(coarse)
				if low <= 0 && high >= 0 {
					inPlain++
				}
				if min(low, b-u) <= 0 && max(high, b+u) >= 0 {
					in++
				}
			}
			f := 100 / float64(k)
			fmt.Fprintf(&line, " n=%d %5.1f", n, f*float64(in))
			fmt.Fprintf(&plain, " %5.1f", f*float64(inPlain))
			least := 90.0
			if kind == "white and walking" {
				least = map[int]float64{30: 70, 60: 68, 120: 80, 240: 87, 1000: 90}[n]
			}
			if got, room := f*float64(in), 2.6*math.Sqrt(0.05*0.95/float64(k))*100; got < least-room || kind != "autoregressive" && got > 98+room+1 {
				t.Errorf("%s, %d windows: %.1f %% covered", kind, n, got)
			}
		}
		t.Logf("%-18s %s   plain Sen%s", kind, line.String(), plain.String())
	}
}

// What is told of series without any change: slopes, steps and forecasts that are
// not there, and charts that alarm at the last window.
func TestDriftFalseAlarms(t *testing.T) {
	k := studySeeds(8, 1000)
	for _, kind := range studyNoises {
		for _, n := range []int{60, 240} {
			told := map[string]int{}
			alarms, forecasts := 0, 0
			for seed := range k {
				r := rand.New(rand.NewPCG(uint64(seed), 22))
				y := trendNoises[kind](r, n)
				for i := range y {
					y[i] += 60
				}
				x := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakPercent, 50, 70)}).BreakPercent
				told[x.Better]++
				if x.Alarm {
					alarms++
				}
				if c := x.CrossesLimitInHours; c != nil && !c.Beyond {
					forecasts++
				}
			}
			f := 100 / float64(k)
			t.Logf("%-18s n=%-3d slope %4.1f, step %4.1f, unclear %4.1f; forecast %4.1f; chart out at the end %4.1f", kind, n,
				f*float64(told[BetterSlope]), f*float64(told[BetterStep]), f*float64(told[BetterUnclear]), f*float64(forecasts), f*float64(alarms))
			if kind != "white and walking" && forecasts > 1+k/500 || forecasts > 1+k/25 {
				t.Errorf("%d windows of %s noise: %d forecasts of %d", n, kind, forecasts, k)
			}
			if kind == "white" && f*float64(k-told[BetterNone]) > 8+100*2.6*math.Sqrt(0.08*0.92/float64(k)) {
				t.Errorf("%d windows of white noise: a change in %.1f %%", n, f*float64(k-told[BetterNone]))
			}
		}
	}
}

// How long it takes until a slope is told from white noise, by windows of a minute:
// slopes in standard deviations of a window an hour.
func TestDriftDetection(t *testing.T) {
	k := studySeeds(3, 1000)
	for _, slope := range []float64{0.05, 0.1, 0.2, 0.5, 1, 2} {
		var line strings.Builder
		for _, hours := range []int{1, 2, 5, 10, 24} {
			shown, charts := 0, 0
			for seed := range k {
				r := rand.New(rand.NewPCG(uint64(seed), 23))
				y := trendNoises["white"](r, 60*hours)
				for i := range y {
					y[i] += 60 + slope*float64(i)/60
				}
				x := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{}).BreakPercent
				if x.Better == BetterSlope {
					shown++
				}
				if x.Alarm {
					charts++
				}
			}
			f := 100 / float64(k)
			fmt.Fprintf(&line, "  %2d h %5.1f (%5.1f)", hours, f*float64(shown), f*float64(charts))
			// The standard error of a slope of n values with white noise is √(12/n)/T.
			if want := slope * float64(hours) / math.Sqrt(12/float64(60*hours)); want > 6 && f*float64(shown) < 90 {
				t.Errorf("slope of %v σ an hour, %.0f standard errors after %d hours: shown in %.1f %%", slope, want, hours, f*float64(shown))
			}
		}
		t.Logf("slope %4.2f σ/h: told a slope (chart out):%s", slope, line.String())
	}
}

// How often a step is told, and its interval holds its size.
func TestStepCoverage(t *testing.T) {
	k := studySeeds(10, 1000)
	for _, kind := range studyNoises[:3] {
		for _, size := range []float64{1, 2, 4} {
			told, in, near, unclear := 0, 0, 0, 0
			const n, at = 240, 150
			for seed := range k {
				r := rand.New(rand.NewPCG(uint64(seed), 24))
				y := trendNoises[kind](r, n)
				for i := range y {
					y[i] += 60
					if i >= at {
						y[i] += size
					}
				}
				x := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{}).BreakPercent
				if x.Better == BetterUnclear {
					unclear++
				}
				if x.Better != BetterStep {
					continue
				}
				told++
				if x.Step.Low.V <= size && x.Step.High.V >= size {
					in++
				}
				if math.Abs(float64(x.Step.AtS)-60*at) <= 120 {
					near++
				}
			}
			f := 100 / float64(max(told, 1))
			t.Logf("%-8s step of %v σ: told in %5.1f %% (unclear in %.1f %%); of those its size is covered in %5.1f %%, its time within 2 windows in %5.1f %%", kind, size,
				100*float64(told)/float64(k), 100*float64(unclear)/float64(k), f*float64(in), f*float64(near))
			if kind == "white" && size >= 2 && (told < k*9/10 || f*float64(in) < 88) {
				t.Errorf("white noise, a step of %v σ: told %d times of %d, covered in %.1f %%", size, told, k, f*float64(in))
			}
		}
	}
}

// How often the interval of a forecast holds the time at which the mean really
// crosses: the trend alone in white noise, trend and wandering together where the
// noise wanders, by its first window beyond the limit. Few forecasts are given under
// flicker noise, and those for which it happened to look like a trend: they hold it
// in two of three.
func TestCrossingCoverage(t *testing.T) {
	k := studySeeds(8, 1000)
	const n, ahead = 240, 2400
	for _, kind := range studyNoises[:3] {
		for _, rise := range []float64{2, 5, 20} { // of the whole record, in σ of the noise
			told, in, open := 0, 0, 0
			for seed := range k {
				r := rand.New(rand.NewPCG(uint64(seed), 25))
				all := trendNoises[kind](r, n+ahead)
				unit := 1.0
				if kind == "walking" {
					unit = math.Sqrt(n)
				}
				slope := rise * unit / n
				limit := 60 + 1.5*rise*unit // half the record ahead
				var y []float64
				truth := math.Inf(1)
				for i := range all {
					trend := 60 + slope*float64(i)
					if i < n {
						y = append(y, trend+all[i])
						continue
					}
					if kind != "white" {
						trend += all[i]
					}
					if trend >= limit && math.IsInf(truth, 1) {
						truth = float64(i-n+1) / 60
					}
				}
				x := DriftOf(percentWindows(y), KindInterrupter, 0, &DriftOptions{Limits: keeping(BreakPercent, 0, limit)}).BreakPercent
				c := x.CrossesLimitInHours
				if c == nil || c.Beyond {
					continue
				}
				told++
				if !c.High.OK {
					open++
				}
				if c.Low.V <= truth+1.0/60 && (!c.High.OK || truth <= c.High.V+1.0/60) {
					in++
				}
			}
			f := 100 / float64(max(told, 1))
			t.Logf("%-8s rise of %2v σ: forecast in %5.1f %%, of those covered in %5.1f %%, without an upper end in %5.1f %%", kind, rise,
				100*float64(told)/float64(k), f*float64(in), f*float64(open))
			room := 300 * math.Sqrt(0.05*0.95/float64(max(told, 1)))
			if kind != "flicker" && rise >= 5 && (told < k/2 || f*float64(in) < 90-room) {
				t.Errorf("%s, rise of %v σ: %d forecasts of %d, covered in %.1f %%", kind, rise, told, k, f*float64(in))
			}
		}
	}
}
