package pulse_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// Signals of this file are invented and made by their descriptions; what is
// true of them is what was made, as synth tells it.

// makeSignal gives all edges of a description and what is true of them.
func makeSignal(t *testing.T, desc string) ([]pulse.Edge, synth.Truth) {
	t.Helper()
	spec, err := synth.Parse(desc)
	if err != nil {
		t.Fatalf("%s: %v", desc, err)
	}
	s, err := synth.New(spec)
	if err != nil {
		t.Fatalf("%s: %v", desc, err)
	}
	var edges []pulse.Edge
	buf := make([]pulse.Edge, 1024)
	for n := s.Next(buf); n > 0; n = s.Next(buf) {
		edges = append(edges, buf[:n]...)
	}
	return edges, s.Truth()
}

func measureEdges(t *testing.T, cfg pulse.Config, edges []pulse.Edge) *pulse.Measurement {
	t.Helper()
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(edges)
	return m.Finish(0)
}

// noisySeeds is how many signals are tried.
func noisySeeds() uint64 {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		return 100
	}
	return 1000
}

// noisyCam describes a cam in bad weather: 100 to 400 cycles, two lengths of
// break, jitter up to 5 % of the spacing, up to 5 % of the interruptions
// missing, up to one spurious opening for every two true ones, outages up to a
// minute that take at most a quarter of the cycles, quiet or noisy, closed or
// open. The spurious are five times as long as the bounce at least.
func noisyCam(seed uint64) (desc string, periodNS float64) {
	r := rand.New(rand.NewPCG(seed, 1))
	cycles := 100 + r.IntN(301)
	ipm := 20 + r.IntN(101)
	periodNS = 60e9 / float64(ipm)
	percent := func() float64 { return math.Round(80+r.Float64()*370) / 10 } // 8 to 45
	a, b := percent(), percent()
	us := func(ns float64) string { return fmt.Sprintf("%dus", int64(ns/1000)) }
	longest := max(20e6, 0.4*periodNS*(1-max(a, b)/100))
	desc = fmt.Sprintf("cam ipm=%d break=%g break-also=%g cycles=%d bounce=2:2ms jitter=%s missing=%.3f spurious-breaks=%.2f spurious-makes=%.2f spurious-length=10ms..%s seed=%d",
		ipm, a, b, cycles, us(r.Float64()*0.05*periodNS), r.Float64()*0.05, r.Float64()*0.5, r.Float64()*0.05, us(longest), seed)
	if outages := r.IntN(3); outages > 0 {
		most := min(60e9, float64(cycles)/4/float64(outages)*periodNS)
		noise := r.Float64() * 0.5 * 1e9 / periodNS // a second
		desc += fmt.Sprintf(" outage-length=%s..%s outage-state=%s outage-noise=%.3f/s outages=", us(most/10), us(most), []string{"closed", "open"}[r.IntN(2)], noise)
		for i := range outages {
			// one in each half of the signal
			at := (float64(i) + 0.1 + 0.6*r.Float64()) / float64(outages) * float64(cycles) * periodNS
			if i > 0 {
				desc += ","
			}
			desc += us(1e9 + at)
		}
	}
	return desc, periodNS
}

// The weather costs single missing or extra interruptions, never the speed or
// the count of due cycles.
func TestNoisyCams(t *testing.T) {
	n := noisySeeds()
	outside, wrong := 0, 0
	var shown []string
	fault := func(seed uint64, format string, args ...any) {
		if wrong++; len(shown) < 12 {
			desc, _ := noisyCam(seed)
			shown = append(shown, fmt.Sprintf("seed %d: ", seed)+fmt.Sprintf(format, args...)+"\n\t"+desc)
		}
	}
	for seed := range n {
		desc, periodNS := noisyCam(seed)
		edges, truth := makeSignal(t, desc)
		cfg := pulse.Config{Kind: pulse.KindInterrupter}
		if seed%2 == 1 {
			cfg.PeriodNS = int64(math.Round(periodNS))
		}
		r := measureEdges(t, cfg, edges)
		i := r.Interrupter
		want := 60e9 / periodNS
		rate, u := i.RateIPM.Overall, pulse.Num{}
		if b := r.Uncertainty[pulse.RateIPM]; b != nil {
			u = b.Overall
		}
		switch off := math.Abs(rate.V - want); {
		case !rate.OK:
			outside++
			fault(seed, "no rate")
		case off > 0.01*want:
			outside++
			fault(seed, "%.3f IPM, want %g", rate.V, want)
		case !u.OK || off > u.V:
			outside++
		}
		// Each opening is due or extra, and each due one is there or missing.
		if n := len(seenBreaks(edges)); i.Slips == 0 && n-i.Extra+i.Missing-1 != i.Due {
			fault(seed, "%d openings − %d extra + %d missing − 1 are not %d cycles due", n, i.Extra, i.Missing, i.Due)
		}
		if d := i.Due - int(truth.Due); d < -1 || d > 1 {
			fault(seed, "%d cycles due (%d missing, %d extra, %d slips), want %d (%d missing, %d lost to outages, %d spurious breaks)",
				i.Due, i.Missing, i.Extra, i.Slips, truth.Due, truth.Missing, truth.OutageLost, truth.SpuriousBreaks)
		}
	}
	for _, s := range shown {
		t.Error(s)
	}
	if wrong > len(shown) {
		t.Errorf("and %d faults more", wrong-len(shown))
	}
	if float64(outside) > 0.05*float64(n) {
		t.Errorf("the rate is outside its stated expanded uncertainty in %d of %d signals, want 5 %% at most", outside, n)
	}
}

// A seenBreak is a break as a plain reader of edges sees it.
type seenBreak struct{ open, close pulse.Stamp }

// seenBreaks settles edges as the settling filter is defined, the contact being closed
// high: a level that lasted 4 ms is the state, from the first edge on that led
// to it.
func seenBreaks(edges []pulse.Edge) (out []seenBreak) {
	const settle = 4e6
	closed := true
	for i := 0; i < len(edges); {
		j := i
		for j+1 < len(edges) && edges[j+1].At-edges[j].At < settle {
			j++
		}
		if now := edges[j].Level == pulse.High; now != closed {
			if closed = now; closed {
				out[len(out)-1].close = edges[i].At
			} else {
				out = append(out, seenBreak{open: edges[i].At})
			}
		}
		i = j + 1
	}
	return out
}

// noisyDial describes a dial in bad weather: its signal without it, whose openings
// and closings stand at the same times, with what the weather adds.
func noisyDial(seed uint64) (clean, weather string) {
	r := rand.New(rand.NewPCG(seed, 2))
	digits := make([]byte, 3+r.IntN(10))
	for i := range digits {
		digits[i] = byte('0' + r.IntN(10))
	}
	clean = fmt.Sprintf("dial digits=%s rate=%.2f break=%d gap=%dms seed=%d", digits, 9+2*r.Float64(), 58+r.IntN(9), 800+r.IntN(400), seed)
	weather = fmt.Sprintf(" bounce=2:1ms spurious-breaks=%s spurious-length=12ms..%dms", []string{"0", "0.1/s", "0.4/s", "0.02"}[r.IntN(4)], 14+r.IntN(3)*30)
	if r.IntN(2) == 1 {
		weather += fmt.Sprintf(" outages=%.2f/s outage-length=0.05s..%.1fs outage-state=%s outage-noise=%.1f/s",
			0.02+0.1*r.Float64(), 0.2+4*r.Float64(), []string{"closed", "open"}[r.IntN(2)], 2*r.Float64())
	}
	return clean, weather
}

// A digit that the weather did not touch decodes rightly. One that it touched
// is what the definition of a pulse makes of it: a spurious opening of 10 to 200 ms is
// a pulse, so the digit is wrong; but where it stands inside the digit, two
// periods share one, and where pulses of its middle are lost, a make is too
// long for a digit and too short for a pause: neither may pass. What happens at
// the ends of a digit may look like a sound one of another count, and what is
// said of it then is not determined.
func TestNoisyDials(t *testing.T) {
	const (
		trainGap = 150e6
		pause    = 600e6 // the least between digits by the limits here
	)
	bound := func(v float64) *float64 { return &v }
	profile := &pulse.Profile{ID: "marrow-quay-invented", Kind: pulse.KindDial, Limits: []pulse.Limit{
		{Quantity: pulse.RatePPS, Min: bound(8), Max: bound(12)},
		{Quantity: pulse.BreakPercent, Min: bound(50), Max: bound(75)},
		{Quantity: pulse.InterdigitMS, Min: bound(pause / 1e6)},
	}}
	var trains, touched, splits, stretched, calm int
	faults := 0
	for seed := range noisySeeds() {
		clean, weather := noisyDial(seed)
		fail := func(format string, args ...any) {
			if faults++; faults <= 12 {
				t.Errorf("seed %d: %s\n\t%s%s", seed, fmt.Sprintf(format, args...), clean, weather)
			}
		}
		made, truth := makeSignal(t, clean)
		edges, _ := makeSignal(t, clean+weather)
		want, got := seenBreaks(made), seenBreaks(edges)
		r := measureEdges(t, pulse.Config{Limits: profile}, edges)
		d := r.Dial

		// Each break is what its length makes it, once. One of flash length is
		// a flash or a stall, whichever its place makes it.
		pulses, short, flashes, disconnects := 0, 0, 0, 0
		for _, b := range got {
			switch long := b.close - b.open; {
			case long < 10e6:
				short++
			case long <= 200e6:
				pulses++
			case long <= 1500e6:
				flashes++
			default:
				disconnects++
			}
		}
		if d.Pulses != pulses || d.ShortBreaks != short || d.Flashes+d.Stalls != flashes || d.Disconnects != disconnects {
			fail("%d pulses, %d short breaks, %d flashes and stalls, %d disconnects, want %d, %d, %d, %d",
				d.Pulses, d.ShortBreaks, d.Flashes+d.Stalls, d.Disconnects, pulses, short, flashes, disconnects)
		}

		// What of the signal is not as it was made.
		var moved []pulse.Stamp
		is := map[pulse.Stamp]int{}
		for _, b := range got {
			is[b.open] |= 1
			is[b.close] |= 1
		}
		for _, b := range want {
			is[b.open] |= 2
			is[b.close] |= 2
		}
		for at, in := range is {
			if in != 3 {
				moved = append(moved, at)
			}
		}
		starts := map[float64]pulse.Train{}
		for tr := range d.Trains.All() {
			starts[tr.StartS] = tr
		}
		bad, next := "", 0
		allSound := true
		for k, n := range truth.TrainPulses {
			train := want[next : next+n]
			next += n
			trains++
			first, last := train[0].open, train[n-1].close
			sound := true
			for _, at := range moved {
				sound = sound && (at < first-trainGap || at > last+trainGap)
			}
			if sound {
				tr, ok := starts[float64(first-edges[0].At)/1e9]
				switch digit := string(truth.Digits[k]); {
				case !ok:
					fail("no train begins with digit %d, which nothing touched", k+1)
				case tr.Partial || tr.Digit == nil || *tr.Digit != digit || tr.Pulses != n:
					fail("digit %d, which nothing touched, reads as %+v, want %s", k+1, tr, digit)
				case n > 1:
					rate := float64(n-1) * 1e9 / float64(train[n-1].open-first)
					if math.Abs(tr.RatePPS.V-rate) > 1e-9*rate || !tr.RatePPS.OK {
						fail("digit %d, which nothing touched, has %v pps, want %v", k+1, tr.RatePPS, rate)
					}
				}
				continue
			}
			allSound = false
			touched++
			// Of what is left of it, from its first opening to its last closing.
			var seen []seenBreak
			for _, b := range got {
				if b.open >= first && b.close <= last {
					seen = append(seen, b)
				}
			}
			for i := 1; i < len(seen); i++ {
				// Two pulses, the first a true one.
				whole := seen[i].close-seen[i].open <= 200e6 && seen[i-1].close-seen[i-1].open <= 200e6 && is[seen[i-1].open] == 3
				switch long := seen[i].open - seen[i-1].close; {
				case whole && is[seen[i].open] == 1 && i+1 < len(seen) && seen[i+1].open-seen[i-1].open < 125e6:
					bad = fmt.Sprintf("a spurious opening is inside digit %d", k+1)
					splits++
				case whole && is[seen[i].open] == 3 && long > 100e6 && long < pause-1e6:
					bad = fmt.Sprintf("pulses are lost inside digit %d, a make of %d ms", k+1, long/1e6)
					stretched++
				}
			}
		}
		s := r.Conformity.Statement
		if bad != "" && (s == pulse.Pass || s == pulse.ConditionalPass) {
			fail("%s, but the statement is %s", bad, s)
		}
		if d.Stalls > 0 && (s == pulse.Pass || s == pulse.ConditionalPass) {
			fail("%d stalls, but the statement is %s", d.Stalls, s)
		}
		if allSound && len(moved) == 0 {
			if calm++; s != pulse.Pass {
				fail("nothing happened, but the statement is %s", s)
			}
			if d.Digits != truth.Digits {
				fail("digits %s, want %s", d.Digits, truth.Digits)
			}
		}
	}
	if faults > 12 {
		t.Errorf("and %d faults more", faults-12)
	}
	if touched < trains/20 || splits < trains/100 || stretched < trains/1000 || calm < 10 || touched > trains/2 {
		t.Errorf("of %d digits %d were touched, %d split, %d stretched, %d signals calm: too little of one to tell", trains, touched, splits, stretched, calm)
	}
}
