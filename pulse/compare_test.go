package pulse

import (
	"math"
	"math/rand/v2"
	"testing"
)

// A comparedCam makes edges of a cam: a noisy speed, jitter of each edge, errors of
// the lobes and a percent break.
type comparedCam struct {
	alpha, speed float64 // noise of the periods, of a part of one
	jitterNS     float64
	lobes        []float64 // opening errors, ns
	percent      float64
	breakNoise   float64 // ns
	periodNS     float64
}

// edges of two stretches of turns each, one after the other, with the second cam
// after the first; the noise goes on through both.
func comparedEdges(r *rand.Rand, turns int, cams [2]comparedCam) (both [2][]Edge) {
	n := turns * len(cams[0].lobes)
	noise := powerNoise(r, 2*n, cams[0].alpha)
	t := 1e9
	for i := range both {
		c := &cams[i]
		for j := range n {
			period := c.periodNS * (1 + c.speed*noise[i*n+j])
			open := t + c.lobes[j%len(c.lobes)] + c.jitterNS*r.NormFloat64()
			closed := t + c.lobes[j%len(c.lobes)] + period*c.percent/100 + c.jitterNS*r.NormFloat64() + c.breakNoise*r.NormFloat64()
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

func TestCompareStudy(t *testing.T) {
	seeds := endurance(5, 300)
	for _, k := range []struct {
		name  string
		alpha float64
		speed float64
	}{{"white", 0, 1e-3}, {"flicker", 1, 3e-4}, {"walk", 2, 3e-5}} {
		anyChanged, tested := 0, 0
		beyond := map[string]int{}
		cannot := map[string]int{}
		for seed := range seeds {
			r := rand.New(rand.NewPCG(uint64(seed), 9))
			cam := comparedCam{alpha: k.alpha, speed: k.speed, jitterNS: 0.3e6, lobes: []float64{0, 1e6, 4e6, -1e6, 0}, percent: 50, breakNoise: 0.2e6, periodNS: 1e9}
			e := comparedEdges(r, 100, [2]comparedCam{cam, cam})
			cfg := Config{Kind: KindInterrupter, Lobes: 5}
			res, err := Compare(compared(t, cfg, e[0]), compared(t, cfg, e[1]), CompareOptions{Gap: Known(0), SameClock: true, SameCoupler: true, ByNumber: true})
			if err != nil {
				t.Fatal(err)
			}
			if res.Outcome() == Changed {
				anyChanged++
			}
			tested = res.AtOnce
			for _, q := range res.Quantities {
				if math.Abs(q.Difference.V) > q.ExpandedU.V {
					beyond[q.Quantity]++
				}
				if q.Sentence == CannotTell {
					cannot[q.Quantity]++
				}
			}
			for _, l := range res.Lobes {
				if math.Abs(l.Opening.Difference.V) > l.Opening.ExpandedU.V {
					beyond["lobe"]++
				}
				if math.Abs(l.Break.Difference.V) > l.Break.ExpandedU.V {
					beyond["lobe break"]++
				}
				if l.Opening.Sentence == CannotTell {
					cannot["lobe"]++
				}
			}
		}
		t.Log(k.name, seeds, "any changed", anyChanged, "tested", tested, "beyond", beyond, "cannot", cannot)
	}
}
