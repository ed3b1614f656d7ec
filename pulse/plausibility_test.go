package pulse_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

func TestImplausible(t *testing.T) {
	const (
		dial = "dial digits=1234567890 rate=10 break=65 gap=800ms"
		ring = "cadence 400/200/400/2000 cycles=20"
		fast = "cadence 75/100/75/100/75/100/75/400 cycles=20" // breaks and makes as short as a dial's
	)
	ringNS, fastNS := ringLimits().CadenceNS, []int64{75e6, 100e6, 75e6, 100e6, 75e6, 100e6, 75e6, 400e6}
	slow := &pulse.Profile{Kind: pulse.KindInterrupter, CadenceNS: []int64{1000e6, 4000e6}, Limits: []pulse.Limit{refLimit(pulse.MakeMS, 900, 1100)}}
	polarity := pulse.Implausibility{Kind: pulse.ImplausiblePolarity}
	for _, c := range []struct {
		name, desc string
		cfg        pulse.Config
		asked      pulse.Request // with the limits and the cadence of cfg
		want       []pulse.Implausibility
	}{
		{name: "dial", desc: dial, cfg: pulse.Config{Limits: dialLimits()}},
		{name: "ringing", desc: ring, cfg: pulse.Config{Limits: ringLimits()}},
		{name: "slow ringing", desc: "cadence 480/240/480/2400 cycles=20", cfg: pulse.Config{Limits: ringLimits()}},
		{name: "nothing asked", desc: ring},
		{name: "samples", desc: dial, asked: pulse.Request{Samples: true}, want: []pulse.Implausibility{{Kind: pulse.ImplausibleSamples}}},
		{name: "a dial by limits of an interrupter", desc: dial, cfg: pulse.Config{Limits: camLimits()},
			want: []pulse.Implausibility{{Kind: pulse.ImplausibleContact, Looks: "dial"}}},
		{name: "an interrupter by limits of a dial", desc: ring, cfg: pulse.Config{Limits: dialLimits()},
			want: []pulse.Implausibility{{Kind: pulse.ImplausibleContact, Looks: "interrupter"}}},
		{name: "a dial read as an interrupter", desc: dial, cfg: pulse.Config{Kind: pulse.KindInterrupter},
			want: []pulse.Implausibility{{Kind: pulse.ImplausibleContact, Looks: "dial"}}},
		{name: "too short to tell", desc: "cam ipm=60 cycles=2", cfg: pulse.Config{Kind: pulse.KindDial}},
		{name: "another cadence than the limits'", desc: ring, cfg: pulse.Config{Limits: slow},
			want: []pulse.Implausibility{{Kind: pulse.ImplausibleCadence, DoesMS: []float64{400, 200, 400, 2000}, AskedNS: slow.CadenceNS}}},
		{name: "another cadence than given", desc: "cam ipm=60 break=50 cycles=30", cfg: pulse.Config{CadenceNS: ringNS},
			want: []pulse.Implausibility{{Kind: pulse.ImplausibleCadence, DoesMS: []float64{500, 500}, AskedNS: ringNS}}},
		{name: "compound", desc: ring, cfg: pulse.Config{Limits: &pulse.Profile{Kind: pulse.KindInterrupter, Limits: []pulse.Limit{refLimit(pulse.MakeMS, 450, 550)}}},
			want: []pulse.Implausibility{{Kind: pulse.ImplausibleCompound, DoesMS: []float64{400, 200, 400, 2000}}}},
		{name: "inverted", desc: dial, cfg: pulse.Config{Polarity: pulse.ClosedLow}, want: []pulse.Implausibility{polarity}},
		{name: "inverted, read as a dial", desc: dial, cfg: pulse.Config{Polarity: pulse.ClosedLow, Kind: pulse.KindDial}, want: []pulse.Implausibility{polarity}},
		{name: "inverted, few digits", desc: "dial digits=55 rate=10 break=65 gap=800ms", cfg: pulse.Config{Polarity: pulse.ClosedLow, Kind: pulse.KindDial}, want: []pulse.Implausibility{polarity}},
		{name: "inverted, limits of an interrupter", desc: dial, cfg: pulse.Config{Polarity: pulse.ClosedLow, Limits: camLimits()}, want: []pulse.Implausibility{polarity}},
		{name: "a cadence that may be an inverted dial", desc: fast, want: []pulse.Implausibility{polarity}},
		{name: "a known cadence", desc: fast, asked: pulse.Request{Matched: true}},
		{name: "a cadence that was asked for", desc: fast, cfg: pulse.Config{CadenceNS: fastNS, Kind: pulse.KindInterrupter}},
	} {
		t.Run(c.name, func(t *testing.T) {
			edges, _ := makeSignal(t, c.desc)
			m := measureEdges(t, c.cfg, edges)
			c.asked.Limits, c.asked.CadenceNS = c.cfg.Limits, c.cfg.CadenceNS
			if diff := cmp.Diff(c.want, m.Implausible(c.asked)); diff != "" {
				t.Error(diff)
			}
		})
	}
}

func TestLooksSampled(t *testing.T) {
	edges := func(lost uint32, levels ...pulse.Level) (e []pulse.Edge) {
		for i, l := range levels {
			e = append(e, pulse.Edge{At: pulse.Stamp(i) * 1e6, Level: l, Lost: lost})
		}
		return e
	}
	for _, c := range []struct {
		name  string
		edges []pulse.Edge
		want  bool
	}{
		{"none", nil, false},
		{"one", edges(0, 1), false},
		{"edges", edges(0, 0, 1, 0, 1, 0, 1), false},
		{"samples", edges(0, 1, 1, 1, 1, 1, 0, 0, 0, 0, 1, 1, 1), true},
		{"half of them", edges(0, 1, 1, 0, 0, 1, 1, 0, 0), false},
		{"a few lost", edges(0, 0, 1, 1, 0, 1, 0, 0, 1, 0, 1), false},
		{"not known", edges(0, 2, 2, 2, 2, 2, 2), false},
		{"losses that are told", edges(1, 1, 1, 1, 1, 1, 1), false},
	} {
		if got := pulse.LooksSampled(c.edges); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
