package pulse_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"makebreak/pulse"
)

// The noise of this file is invented: edges of a cam of six lobes at 92 turns a
// minute, whose times have white noise of 0.2 ms each, and whose speed wanders as
// named. Of each kind the wander is strong: over 100 turns it moves the openings
// by about as much as the edges' noise, or by far more.
type speedNoise string

const (
	steady      speedNoise = "steady"
	whiteSpeed  speedNoise = "white speed noise"
	flickSpeed  speedNoise = "flicker speed noise"
	walkingWalk speedNoise = "walking speed"
)

var speedNoises = []speedNoise{steady, whiteSpeed, flickSpeed, walkingWalk}

const (
	studyTurn  = 60e9 / 92 // ns
	studyNoise = 0.2e6     // ns
)

// speedSteps gives the error of each step's length, ns: white, flicker (a sum of
// first-order processes an octave apart, whose spectrum falls as 1/f within a few
// per cent) or a random walk.
func speedSteps(r *rand.Rand, kind speedNoise, n int) []float64 {
	d := make([]float64, n)
	switch kind {
	case whiteSpeed:
		for i := range d {
			d[i] = 0.1e6 * r.NormFloat64()
		}
	case flickSpeed:
		for k := range 16 {
			a := math.Exp(-math.Pow(2, -float64(k)))
			x := r.NormFloat64()
			for i := range d {
				x = a*x + math.Sqrt(1-a*a)*r.NormFloat64()
				d[i] += 0.05e6 * x
			}
		}
	case walkingWalk:
		x := 0.0
		for i := range d {
			x += 0.02e6 * r.NormFloat64()
			d[i] = x
		}
	}
	return d
}

// studyOpenings makes openings of a cam of lobes with errors, whose shafts of
// orders swing it by ns.
func studyOpenings(r *rand.Rand, kind speedNoise, turns, lobes int, orders, ns []float64) []pulse.DriveOpening {
	n := turns * lobes
	wander := speedSteps(r, kind, 2*n+2) // from opening to closing to opening
	phase := make([]float64, len(orders))
	for i := range phase {
		phase[i] = 2 * math.Pi * r.Float64()
	}
	err := make([]float64, lobes)
	for i := range err {
		err[i] = 1e6 * r.NormFloat64()
	}
	const brk = 0.4
	late := 0.0
	edge := func(k int, part float64) float64 {
		turn := (float64(k)+part)/float64(lobes) + err[k%lobes]/studyTurn // where the cam's lobe is
		t := turn*studyTurn + late + studyNoise*r.NormFloat64()
		for i, o := range orders {
			t += ns[i] * math.Sin(2*math.Pi*o*turn+phase[i])
		}
		return t
	}
	all := make([]pulse.DriveOpening, n)
	for k := range all {
		late += wander[2*k] * 0.5
		open := edge(k, 0)
		late += wander[2*k+1] * 0.5
		all[k] = pulse.DriveOpening{At: pulse.Stamp(1e9 + open), N: int64(k), BreakNS: int64(edge(k, brk) - open)}
	}
	return all
}

// False alarms are no more frequent than is said, and the interval of a swing
// holds the true one as often as it says, whatever the speed does. With
// MAKEBREAK_STUDY the log is a table of 1,000 seeds each.
func TestDriveTrainStudy(t *testing.T) {
	seeds, lengths, amplitudes := uint64(12), []int{40, 100}, []float64{0, 0.1}
	if pulse.StudySeeds(0, 1) == 1 {
		seeds, lengths, amplitudes = 1000, []int{40, 100, 400}, []float64{0, 0.02, 0.05, 0.2, 1}
	}
	n := float64(seeds)
	// Three and a half standard deviations: one of the table's 300 figures in some ten
	// runs.
	above := func(p float64) float64 { return p + 3.5*math.Sqrt(p*(1-p)/n) }
	t.Logf("%-19s %5s %7s | %6s %6s %8s | %s", "speed", "turns", "true ms", "found", "false", "unlisted", "interval holds the truth: idler, motor (0)")
	for _, kind := range speedNoises {
		for _, turns := range lengths {
			for _, amplitude := range amplitudes {
				found, alarms, unlisted, holdsIdler, holdsMotor := 0.0, 0.0, 0.0, 0.0, 0.0
				for seed := range seeds {
					r := rand.New(rand.NewPCG(seed, uint64(turns)+uint64(1e6*amplitude)))
					x := pulse.FitDrive(marrowQuay(), studyOpenings(r, kind, turns, 6, []float64{3.75}, []float64{amplitude * 1e6}))
					motor, idler := &x.Shafts[0], &x.Shafts[1]
					count := func(n *float64, is bool) {
						if is {
							*n++
						}
					}
					holds := func(s *pulse.ShaftSwing, ms float64) bool {
						return s.AmplitudeLowMS.OK && s.AmplitudeLowMS.V <= ms && ms <= s.AmplitudeHighMS.V
					}
					count(&found, idler.Found())
					count(&alarms, motor.Found())
					count(&unlisted, len(x.Unlisted) > 0)
					count(&holdsIdler, holds(idler, amplitude))
					count(&holdsMotor, holds(motor, 0))
				}
				t.Logf("%-19s %5d %7.2f | %5.1f%% %5.1f%% %7.1f%% | %.1f%%, %.1f%%", kind, turns, amplitude, 100*found/n, 100*alarms/n, 100*unlisted/n, 100*holdsIdler/n, 100*holdsMotor/n)
				for _, x := range []struct {
					what        string
					share, most float64
				}{
					{"false alarms of the motor", alarms / n, 0.01}, {"unlisted", unlisted / n, 0.01},
					{"intervals of the idler that miss", 1 - holdsIdler/n, 0.08}, {"intervals of the motor that miss", 1 - holdsMotor/n, 0.05},
				} {
					if x.share > above(x.most) {
						t.Errorf("%s, %d turns, %v ms: %s: %.1f %%, stated %v %%", kind, turns, amplitude, x.what, 100*x.share, 100*x.most)
					}
				}
				if amplitude == 0 && found/n > above(0.01) || amplitude >= 0.1 && found < n {
					t.Errorf("%s, %d turns, %v ms: found %.1f %%", kind, turns, amplitude, 100*found/n)
				}
			}
		}
	}
}

func BenchmarkFitDrive(b *testing.B) {
	for _, turns := range []int{2500, 166_667} {
		r := rand.New(rand.NewPCG(1, 2))
		rows := studyOpenings(r, walkingWalk, turns, 6, []float64{3.75}, []float64{0.1e6})
		b.Run(fmt.Sprint(len(rows)), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				pulse.FitDrive(marrowQuay(), rows)
			}
		})
	}
}
