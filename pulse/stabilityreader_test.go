package pulse_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// openingsAt makes edges of a contact that opens at the given times for half of
// periodNS.
func openingsAt(at []pulse.Stamp, periodNS int64) (edges []pulse.Edge) {
	for _, t := range at {
		edges = append(edges, pulse.Edge{At: t, Level: pulse.Low}, pulse.Edge{At: t + pulse.Stamp(periodNS/2), Level: pulse.High})
	}
	return edges
}

func stabilityOfEdges(t *testing.T, cfg pulse.Config, edges []pulse.Edge) *pulse.Measurement {
	t.Helper()
	cfg.Stability = true
	return measureEdges(t, cfg, edges)
}

// What a Meter takes out of its rows is what there is: openings that are missing or
// extra, edges that are lost, a phase that slips and a speed that doubles. Times are
// invented.
func TestStabilityOfReadOpenings(t *testing.T) {
	const period = 500e6
	rnd := rand.New(rand.NewPCG(1, 2))
	opening := func(i int) pulse.Stamp { return pulse.Stamp(int64(i)*period + int64(rnd.NormFloat64()*1e6) + 5e9) }
	var plain []pulse.Stamp
	for i := range 400 {
		plain = append(plain, opening(i))
	}
	segment := func(at []pulse.Stamp, from, to int, without ...int) (s pulse.PhaseSegment) {
		for i := from; i < to; i++ {
			if !slices.Contains(without, i) {
				s = append(s, pulse.PhaseSample{N: int64(i), At: at[i]})
			}
		}
		return s
	}
	without := func(gone ...int) (at []pulse.Stamp) {
		for i, t := range plain {
			if !slices.Contains(gone, i) {
				at = append(at, t)
			}
		}
		return at
	}
	slipped, faster := slices.Clone(plain), slices.Clone(plain)
	for i := 200; i < 400; i++ {
		slipped[i] += 0.4 * period
		faster[i] = faster[200] + (plain[i]-plain[200])/2
	}
	lost := slices.Delete(openingsAt(plain, period), 300, 304) // the openings 150 and 151
	lost[300].Lost = 4
	for _, c := range []struct {
		name  string
		edges []pulse.Edge
		want  []pulse.PhaseSegment
	}{
		{"all there", openingsAt(plain, period), []pulse.PhaseSegment{segment(plain, 0, 400)}},
		{"missing", openingsAt(without(50, 51, 120), period), []pulse.PhaseSegment{segment(plain, 0, 400, 50, 51, 120)}},
		{"edges lost", lost, []pulse.PhaseSegment{segment(plain, 0, 150), segment(plain, 153, 400)}}, // the time of 152, beside the loss, is not trusted
		{"slipped", openingsAt(slipped, period), []pulse.PhaseSegment{segment(slipped, 0, 200), segment(slipped, 200, 400)}},
	} {
		t.Run(c.name, func(t *testing.T) {
			m := stabilityOfEdges(t, pulse.Config{Kind: pulse.KindInterrupter}, c.edges)
			want := pulse.StabilityOf(c.want...)
			if diff := cmp.Diff(asJSON(t, want), asJSON(t, m.Stability)); diff != "" {
				t.Error(diff)
			}
			if want.Segments != len(c.want) {
				t.Errorf("%d segments", want.Segments)
			}
		})
	}
	t.Run("twice the speed", func(t *testing.T) {
		m := stabilityOfEdges(t, pulse.Config{Kind: pulse.KindInterrupter}, openingsAt(faster, period/2))
		s := m.Stability
		if s.Segments != 1 || s.OtherSpeeds != 1 || s.Openings < 190 || math.Abs(s.Tau0S.V/0.5-1) > 0.01 && math.Abs(s.Tau0S.V/0.25-1) > 0.01 {
			t.Errorf("%d segments, %d at other speeds, %d openings, %v", s.Segments, s.OtherSpeeds, s.Openings, s.Tau0S)
		}
		// The change itself is in no difference: jitter of 1 ms is all there is.
		if want := math.Sqrt(3) * 1e-3 / s.Tau0S.V; s.ADEV[0].Deviation.V > 1.3*want {
			t.Errorf("ADEV %v, want about %v", s.ADEV[0].Deviation.V, want)
		}
	})
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.MarshalIndent(v, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A cadence's cycle is its period, whatever it holds, and one whose first break is
// missing leaves out its sample. Invented: two short rings and a silence.
func TestStabilityOfACadence(t *testing.T) {
	cadence := []int64{400e6, 200e6, 400e6, 2000e6}
	edges, _ := makeSignal(t, "cadence segments=400/200/400/2000 cycles=300 jitter=0.5ms seed=4")
	m := stabilityOfEdges(t, pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: cadence}, edges)
	if s := m.Stability; s.Openings != 301 || s.Segments != 1 || math.Abs(s.Tau0S.V-3) > 1e-3 {
		t.Errorf("%d openings in %d segments, %v", s.Openings, s.Segments, s.Tau0S)
	}
	edges, _ = makeSignal(t, "cadence segments=400/200/400/2000 cycles=300 jitter=0.5ms missing-at=101,202 seed=4")
	m = stabilityOfEdges(t, pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: cadence}, edges)
	s := m.Stability
	if s.Openings != 300 || s.Segments != 1 || math.Abs(s.Tau0S.V-3) > 1e-3 {
		t.Errorf("with a first and a second break missing: %d openings in %d segments, %v", s.Openings, s.Segments, s.Tau0S)
	}
	if want := math.Sqrt(3) * 0.5e-3 / 3; math.Abs(s.ADEV[0].Deviation.V/want-1) > 0.2 {
		t.Errorf("ADEV %v, want about %v", s.ADEV[0].Deviation.V, want)
	}
}

// Without a dial's beat there is no stability, and with too few openings no curve.
func TestStabilityOfTooLittle(t *testing.T) {
	edges, _ := makeSignal(t, "dial digits=1234567890")
	m := stabilityOfEdges(t, pulse.Config{}, edges)
	if m.Stability != nil || !m.StabilityOfDial {
		t.Errorf("of a dial: %+v", m.Stability)
	}
	for n := range 5 {
		var at []pulse.Stamp
		for i := range n {
			at = append(at, pulse.Stamp(1e9+int64(i)*1e9+int64(i%3)*1e6))
		}
		m := stabilityOfEdges(t, pulse.Config{Kind: pulse.KindInterrupter}, openingsAt(at, 1e9))
		got := fmt.Sprint(len(m.Stability.ADEV), len(m.Stability.MDEV), len(m.Stability.TDEV), len(m.Stability.HDEV))
		want := []string{"0 0 0 0", "0 0 0 0", "0 0 0 0", "1 1 1 0", "1 1 1 1"}[n]
		if got != want {
			t.Errorf("of %d openings points %s, want %s", n, got, want)
		}
	}
}
