package pulse_test

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/pulse"
)

// dialLimits are those of AT&T Notes on Distance Dialing, 1956, Sec. IV
// §3.21–3.24 (9.5 to 10.5 pps, 60 to 64 % break) with what follows from them
// for break and make: 60 % at 10.5 pps to 64 % at 9.5 pps, and the rest.
func dialLimits() *pulse.Profile {
	return &pulse.Profile{ID: "dial", Kind: pulse.KindDial, Limits: []pulse.Limit{
		refLimit(pulse.RatePPS, 9.5, 10.5), refLimit(pulse.BreakPercent, 60, 64),
		refLimit(pulse.BreakMS, 57.142, 67.369), refLimit(pulse.MakeMS, 34.285, 42.106),
	}}
}

// lengthLimits are those of GOST 23595-79 on break and make.
func lengthLimits() *pulse.Profile {
	return &pulse.Profile{ID: "lengths", Kind: pulse.KindDial, Limits: []pulse.Limit{refLimit(pulse.BreakMS, 39, 75), refLimit(pulse.MakeMS, 30, 50)}}
}

// camLimits are those of 47 CFR 80.74: 60 IPM and interruptions of 500 ms, ±10 %.
func camLimits() *pulse.Profile {
	return &pulse.Profile{ID: "cam", Kind: pulse.KindInterrupter, CadenceNS: []int64{500e6, 500e6}, Limits: []pulse.Limit{
		refLimit(pulse.RateIPM, 54, 66), refLimit(pulse.BreakMS, 450, 550),
	}}
}

// ringLimits are those of AS/CA S002:2010 cl. 5.3.4.1: 400/200/400/2000 ms, ±10 %.
func ringLimits() *pulse.Profile {
	p := &pulse.Profile{ID: "ringing", Kind: pulse.KindInterrupter, CadenceNS: []int64{400e6, 200e6, 400e6, 2000e6}}
	for i, ns := range p.CadenceNS {
		l := refLimit(pulse.SegmentMS, 0.9*float64(ns)/1e6, 1.1*float64(ns)/1e6)
		l.Segment = i + 1
		p.Limits = append(p.Limits, l)
	}
	return p
}

// survey measures a description by cfg and gives the Survey of its rows too.
func survey(t *testing.T, desc string, cfg pulse.Config) (*pulse.Survey, *pulse.Measurement) {
	t.Helper()
	edges, _ := makeSignal(t, desc)
	s := pulse.NewSurvey(&cfg)
	cfg.Observer = pulse.Tee(cfg.Observer, s.Observer())
	return s, measureEdges(t, cfg, edges)
}

// noDigit is the first whole train without a stall that is no digit.
func noDigit(m *pulse.Measurement) *pulse.Train {
	if m.Dial == nil {
		return nil
	}
	for t := range m.Dial.Trains.All() {
		if !t.Partial && t.Digit == nil && !t.Stalled {
			return &t
		}
	}
	return nil
}

// briefly writes symptoms without the figures that a lobe or a rate has.
func briefly(found []pulse.Symptom) (s []string) {
	names := map[pulse.SymptomKind]string{
		pulse.SymptomRateConfined: "rate confined", pulse.SymptomRatioConfined: "ratio confined", pulse.SymptomRateAndRatio: "rate and ratio",
		pulse.SymptomRate: "rate", pulse.SymptomRatio: "ratio", pulse.SymptomAllLengths: "all lengths", pulse.SymptomSegments: "segments",
		pulse.SymptomUnevenRate: "uneven", pulse.SymptomShortBreaks: "short breaks", pulse.SymptomInterdigit: "interdigit",
		pulse.SymptomStalls: "stalls", pulse.SymptomNoDigit: "no digit", pulse.SymptomLobe: "lobe", pulse.SymptomRepeat: "repeat",
		pulse.SymptomMissing: "missing", pulse.SymptomExtra: "extra", pulse.SymptomBounce: "bounce", pulse.SymptomChatter: "chatter",
		pulse.SymptomLostEdges: "lost edges",
	}
	side := func(d pulse.Deviation) string {
		return map[pulse.Deviation]string{{Low: true}: " low", {High: true}: " high", {Low: true, High: true}: " both"}[d]
	}
	for _, f := range found {
		text := names[f.Kind] + side(f.Deviation)
		if f.RatioHolds {
			text += " alone"
		}
		if f.Count > 0 && f.Kind != pulse.SymptomChatter && f.Kind != pulse.SymptomLostEdges {
			text += fmt.Sprint(" ", f.Count)
		}
		if c := f.Confinement; c.Pulses > 0 {
			text += fmt.Sprintf(": %d in %d, last %d.%d, %c", c.Pulses, c.Trains, c.Train, c.Pulse, c.Digit)
		}
		for _, x := range f.Segments {
			text += fmt.Sprint(" ", x.Segment, x.State, side(x.Deviation))
		}
		if f.LateLobe != nil {
			text += fmt.Sprintf(" opening %d", f.LateLobe.Lobe)
		}
		if f.WrongLobe != nil {
			text += fmt.Sprintf(" break %d", f.WrongLobe.Lobe)
		}
		s = append(s, text)
	}
	return s
}

// What is wrong with the signals was made so; the signals are invented.
func TestDiagnose(t *testing.T) {
	const cam = "cam ipm=60 break=50 lobes=5 turns=20 jitter=0.2ms "
	for _, c := range []struct {
		name, desc string
		cfg        pulse.Config
		want       []string
	}{
		{name: "in order", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}},
		{name: "slow", desc: "dial digits=1234567890 rate=9 break=62 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"rate low alone"}},
		{name: "fast", desc: "dial digits=1234567890 rate=11 break=62 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"rate high alone"}},
		{name: "break high", desc: "dial digits=1234567890 rate=10 break=70 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"ratio high"}},
		{name: "break low", desc: "dial digits=1234567890 rate=10 break=55 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"ratio low"}},
		{name: "both", desc: "dial digits=1234567890 rate=8 break=70 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"rate and ratio"}},
		{name: "slow by break and make", desc: "dial digits=1234567890 rate=7 break=63 gap=800ms", cfg: pulse.Config{Limits: lengthLimits()}, want: []string{"rate low alone"}},
		{name: "fast by break and make", desc: "dial digits=1234567890 rate=16 break=60 gap=800ms", cfg: pulse.Config{Limits: lengthLimits()}, want: []string{"rate high alone"}},
		{name: "high by break and make", desc: "dial digits=1234567890 rate=10 break=80 gap=800ms", cfg: pulse.Config{Limits: lengthLimits()}, want: []string{"ratio high"}},
		{name: "low by make", desc: "dial digits=1234567890 rate=10 break=45 gap=800ms", cfg: pulse.Config{Limits: lengthLimits()}, want: []string{"ratio low"}},
		{name: "pause and bounce", desc: "dial digits=1234567890 rate=10 break=65 gap=500ms bounce-close=2:2ms", want: []string{"interdigit low", "bounce"},
			cfg: pulse.Config{Limits: &pulse.Profile{Kind: pulse.KindDial, Limits: []pulse.Limit{refLimit(pulse.InterdigitMS, 750, 3000), refLimit(pulse.BounceMS, 0, 0.5)}}}},
		{name: "uneven", desc: "dial digits=1234567890 rate=10 break=65 gap=800ms ramp=-12,-9,-6,-3", want: []string{"uneven"}},
		{name: "run together", desc: "dial digits=99 rate=10 break=65 gap=40ms", cfg: pulse.Config{Kind: pulse.KindDial}, want: []string{"no digit 18"}},
		// Digit 7 has 7 pulses, of which the last has no percent break.
		{name: "one train", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7:70", cfg: pulse.Config{Limits: dialLimits()},
			want: []string{"ratio confined high: 6 in 1, last 7.6, 7"}},
		{name: "one digit", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70", cfg: pulse.Config{Limits: dialLimits()},
			want: []string{"ratio confined high: 18 in 3, last 27.6, 7"}},
		{name: "one digit by another coding", desc: "dial digits=1234567890 coding=10-n repeat=3 rate=10 break=62 gap=800ms break-at=3:70",
			cfg: pulse.Config{Limits: dialLimits(), Coding: pulse.Coding10MinusN, CodingSet: true}, want: []string{"ratio confined high: 18 in 3, last 23.6, 3"}},
		{name: "one pulse", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7.3:70ms", cfg: pulse.Config{Limits: dialLimits()},
			want: []string{"ratio confined high: 1 in 1, last 7.3, 7"}},
		{name: "two digits", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70,4:70", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"ratio high"}},
		{name: "every train", desc: "dial digits=7777 rate=10 break=70 gap=800ms", cfg: pulse.Config{Limits: dialLimits()}, want: []string{"ratio high"}},
		{name: "slow, and one digit", desc: "dial digits=1234567890 repeat=2 rate=9 break=62 gap=800ms break-at=7:70", cfg: pulse.Config{Limits: dialLimits()},
			want: []string{"ratio confined high: 12 in 2, last 17.6, 7", "rate low"}},
		{name: "one digit, another train cut", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70 lost=0.005 seed=3",
			cfg: pulse.Config{Limits: dialLimits()}, want: []string{"ratio confined high: 18 in 3, last 26.6, 7", "lost edges"}},
		{name: "one digit, one of its trains cut", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70 lost=0.03 seed=2",
			cfg: pulse.Config{Limits: dialLimits()}, want: []string{"ratio high", "lost edges"}},
		// The break of no lobe is wrong, and five turns tell no more than that.
		{name: "a lobe in few turns", desc: "cam ipm=60 break=50 lobes=4 lobe-errors=0,0,6ms,0 cycles=20 jitter=0.4ms seed=25", cfg: pulse.Config{Lobes: 4},
			want: []string{"lobe opening 3"}},
		{name: "chatter", desc: "dial digits=1234567890 rate=10 break=65 gap=800ms chatter=2/s chatter-length=1ms seed=5", want: []string{"chatter"}},
		{name: "cam in order", desc: "cam ipm=60 break=50 cycles=50", cfg: pulse.Config{Limits: camLimits()}},
		{name: "motor", desc: "cam ipm=50 break=50 cycles=50", cfg: pulse.Config{Limits: camLimits()}, want: []string{"rate low"}},
		{name: "long period", desc: "cadence 500/19500 cycles=8", want: []string{"rate low"},
			cfg: pulse.Config{Limits: &pulse.Profile{Kind: pulse.KindInterrupter, Limits: []pulse.Limit{refLimit(pulse.PeriodMS, 10000, 19000)}}}},
		{name: "springs", desc: "cam ipm=60 break=60 cycles=50", cfg: pulse.Config{Limits: camLimits()}, want: []string{"ratio"}},
		{name: "makes and breaks", desc: "cam ipm=80 break=50 cycles=50", want: []string{"all lengths"},
			cfg: pulse.Config{Limits: &pulse.Profile{Kind: pulse.KindInterrupter, Limits: []pulse.Limit{refLimit(pulse.BreakMS, 450, 550), refLimit(pulse.MakeMS, 450, 550)}}}},
		{name: "early lobe", desc: cam + "lobe-errors=0,0,-12ms,0,0", cfg: pulse.Config{Lobes: 5}, want: []string{"lobe opening 3"}},
		{name: "worn lobe", desc: cam + "lobe-errors=0,0,12ms,0,0 lobe-breaks=0,0,-35ms,0,0", cfg: pulse.Config{Lobes: 5}, want: []string{"lobe opening 3 break 3"}},
		{name: "two lobes", desc: cam + "lobe-errors=0,-12ms,0,0,0 lobe-breaks=0,0,0,35ms,0", cfg: pulse.Config{Lobes: 5}, want: []string{"lobe opening 2 break 4"}},
		{name: "lobe out of limit", desc: cam + "lobe-breaks=0,0,-70ms,0,0", cfg: pulse.Config{Limits: camLimits(), Lobes: 5}, want: []string{"lobe break 3"}},
		{name: "lobes alike", desc: cam, cfg: pulse.Config{Lobes: 5}},
		{name: "lobes not asked for", desc: cam + "lobe-errors=0,0,-12ms,0,0", want: []string{"repeat 5"}},
		{name: "lobes that make the rate uneven", desc: cam + "lobe-errors=0,0,-60ms,0,0", want: []string{"repeat 5"}},
		{name: "too few lobes", desc: cam + "lobe-errors=0,0,-12ms,0,0", cfg: pulse.Config{Lobes: 4}, want: []string{"repeat 5"}},
		{name: "two turns", desc: cam + "lobe-errors=0,0,-12ms,0,0", cfg: pulse.Config{Lobes: 10}},
		{name: "uneven motor", desc: "cam ipm=120 break=50 cycles=100 jitter=10ms", cfg: pulse.Config{PeriodNS: 500e6, Kind: pulse.KindInterrupter}, want: []string{"uneven"}},
		{name: "missing", desc: "cam ipm=60 break=50 cycles=50 missing-at=20", want: []string{"missing 1"}},
		{name: "ringing in order", desc: "cadence 400/200/400/2000 cycles=20", cfg: pulse.Config{Limits: ringLimits()}},
		{name: "one segment", desc: "cadence 400/300/400/1900 cycles=20", cfg: pulse.Config{Limits: ringLimits()}, want: []string{"segments 2break high"}},
		{name: "all segments", desc: "cadence 480/240/480/2400 cycles=20", cfg: pulse.Config{Limits: ringLimits()}, want: []string{"all lengths"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			s, m := survey(t, c.desc, c.cfg)
			if diff := cmp.Diff(c.want, briefly(s.Diagnose(m, noDigit(m)))); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// A verdict that counts other pulses than the rows leaves nothing confined,
// nor does a diagnosis without rows.
func TestDiagnoseUnconfined(t *testing.T) {
	s, m := survey(t, "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7:70", pulse.Config{Limits: dialLimits()})
	want := []string{"ratio high"}
	if diff := cmp.Diff(want, briefly((*pulse.Survey)(nil).Diagnose(m, noDigit(m)))); diff != "" {
		t.Error(diff)
	}
	for i := range m.Conformity.Items {
		m.Conformity.Items[i].OutOfLimit++
	}
	if diff := cmp.Diff(want, briefly(s.Diagnose(m, noDigit(m)))); diff != "" {
		t.Error(diff)
	}
}

// Wherever one digit alone is out of limit it is found, in signals with jitter
// too: so the rows count as the verdict does.
func TestConfinedDigit(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		digit := rapid.IntRange(2, 10).Draw(rt, "digit")
		desc := fmt.Sprintf("dial digits=1234567890 repeat=2 rate=10 break=62 break-at=%d:70 jitter=%dus gap=800ms seed=%d",
			digit, rapid.SampledFrom([]int{0, 1, 100}).Draw(rt, "jitter"), rapid.Uint16().Draw(rt, "seed"))
		s, m := survey(t, desc, pulse.Config{Limits: dialLimits()})
		found := s.Diagnose(m, noDigit(m))
		// All but the last pulse of the digit in each of the two rounds have a percent break.
		want := pulse.Confinement{Pulses: 2 * (digit - 1), Trains: 2, Train: 10 + digit, Pulse: digit - 1, Digit: byte('0' + digit%10)}
		if len(found) != 1 || found[0].Kind != pulse.SymptomRatioConfined || found[0].Confinement != want {
			rt.Errorf("%s: %+v, want %+v", desc, found, want)
		}
	})
}
