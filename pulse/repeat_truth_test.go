package pulse_test

import (
	"math"
	"testing"

	"makebreak/pulse"
)

// What simulated pairs of contacts were made to do is found again: the truth is in
// their descriptions.
func TestSimulatedPairs(t *testing.T) {
	measured := func(cfg pulse.Config, desc string) (*pulse.Measurement, error) {
		edges, _ := makeSignal(t, desc)
		m, err := pulse.NewMeter(cfg)
		if err != nil {
			return nil, err
		}
		m.Add(edges)
		return m.Finish(0), nil
	}
	for _, c := range []struct {
		input, output       string
		lost, extra         int
		open, close, within float64
	}{
		{"dial digits=1234567890 repeat=10 jitter=0.2ms seed=4", " repeater=12ms:9ms", 0, 0, 12, 9, 1e-6},
		{"dial digits=1234567890 repeat=10 jitter=0.2ms bounce=3:1ms seed=4", " repeater=12ms:9ms repeater-lost-at=1,7,10,55,100,400,550 repeater-extra-at=3,300", 7, 2, 12, 9, 1e-6},
		{"dial digits=9870 rate=20 repeat=40 jitter=0.3ms seed=5", " repeater=20ms:18ms repeater-jitter=0.5ms repeater-lost-at=4,5,6", 3, 0, 20, 18, 0.1},
		{"dial digits=1 repeat=300 gap=1s seed=6", " repeater=30ms:5ms repeater-lost-at=150", 1, 0, 30, 5, 1e-6},
		{"dial digits=F0H12 repeat=5 seed=8", " repeater=15ms:15ms", 0, 0, 15, 15, 1e-6},
		{"cam ipm=60 lobes=3 lobe-errors=0,4ms,0 cycles=500 jitter=3ms missing=0.02 wander=300 outages=50s outage-length=20s seed=1", " repeater=25ms:20ms", 0, 0, 25, 20, 1e-6},
		{"cadence 400/200/400/2000 cycles=50 jitter=1ms seed=2", " repeater=8ms:5ms repeater-lost-at=40 repeater-extra-at=60", 1, 1, 8, 5, 1e-6},
	} {
		kind := pulse.KindDial
		if c.input[0] == 'c' {
			kind = pulse.KindInterrupter
		}
		cfg := pulse.Config{Kind: kind}
		track := pulse.NewTrack(&cfg)
		second := cfg
		second.Observer = track.Observer()
		if _, err := measured(second, c.input+c.output); err != nil {
			t.Fatal(err)
		}
		cfg.Against = &pulse.Against{Track: track}
		m, err := measured(cfg, c.input)
		if err != nil {
			t.Fatal(err)
		}
		r := m.Repeater
		if r.Lost != c.lost || r.Extra != c.extra || r.Unpaired != 0 || r.Pairs == 0 {
			t.Errorf("%s%s: %d pairs, %d lost, %d extra, %d unknown; want %d lost and %d extra", c.input, c.output, r.Pairs, r.Lost, r.Extra, r.Unpaired, c.lost, c.extra)
		}
		if math.Abs(r.OpenLagMS.Mean.V-c.open) > c.within || math.Abs(r.CloseLagMS.Mean.V-c.close) > c.within {
			t.Errorf("%s%s: lags %v and %v, want %v and %v", c.input, c.output, r.OpenLagMS.Mean, r.CloseLagMS.Mean, c.open, c.close)
		}
	}
}
