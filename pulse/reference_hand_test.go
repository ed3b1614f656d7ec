package pulse_test

// The reference reader against cases worked by hand, so that it is not only compared with the Meter.

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"makebreak/pulse"
)

// refEdgesMS makes edges from times in ms, the first opening the contact (closed is high); a negative time is that of an
// edge that is lost.
func refEdgesMS(ms ...float64) []pulse.Edge {
	var out []pulse.Edge
	lost := uint32(0)
	for i, x := range ms {
		if x < 0 {
			lost++
			continue
		}
		level := pulse.Low
		if i%2 == 1 {
			level = pulse.High
		}
		out = append(out, pulse.Edge{At: pulse.Stamp(math.Round(x * 1e6)), Level: level, Lost: lost})
		lost = 0
	}
	return out
}

// refMarksText writes what the settling filter leaves: o and c with their ms, u for what is not known.
func refMarksText(marks []refMark) string {
	s := ""
	for _, m := range marks {
		if m.kind == 'u' {
			s += "u "
			continue
		}
		s += fmt.Sprintf("%c%g ", m.kind, float64(m.at)/1e6)
	}
	return s
}

func TestReferenceSettlesAsByHand(t *testing.T) {
	// S is 4 ms throughout. Invented times.
	for _, c := range []struct {
		name      string
		edges     []pulse.Edge
		cfg       pulse.Config
		endMS     float64
		want      string
		lost      int
		undecided bool
	}{
		{name: "clean break", edges: refEdgesMS(100, 160), want: "u o100 c160 u "},
		// Bounce: no level lasts 4 ms until 103 and 164; each is timed at its first edge.
		{name: "bounce", edges: refEdgesMS(100, 102, 103, 160, 163, 164), want: "u o100 c160 u "},
		{name: "bounce, settled timing", edges: refEdgesMS(100, 102, 103, 160, 163, 164), cfg: pulse.Config{Timing: pulse.TimingSettled}, want: "u o103 c164 u "},
		// A level of just 4 ms has lasted.
		{name: "just long enough", edges: refEdgesMS(100, 104), want: "u o100 c104 u "},
		{name: "chatter", edges: refEdgesMS(100, 103, 200, 260), want: "u o200 c260 u "},
		// The closing at 160 is lost: 100 may have been chatter that ended in the lost edge, 200 may end its bounce.
		{name: "closing lost", edges: refEdgesMS(10, 70, 100, -1, 200, 260), lost: 1, want: "u o10 c70 u c260 u "},
		// 1 ms between the edges around the loss: the burst goes on. It ends open, at a time that is not known.
		{name: "lost in the bounce", edges: refEdgesMS(10, 70, 100, -1, 101, 160), lost: 1, want: "u o10 c70 u c160 u "},
		// The same loss in chatter of a make leaves the make whole.
		{name: "lost in chatter", edges: refEdgesMS(10, 70, 100, -1, -1, 101, 160, 220), lost: 2, want: "u o10 c70 o160 c220 u "},
		// Two edges lost 30 ms apart inside a make: the make is unknown, and so is the transition before it.
		{name: "lost in a make", edges: refEdgesMS(10, 70, -1, -1, 160, 220), lost: 2, want: "u o10 u c220 u "},
		// A settled level before an unknown one keeps its start; the opening at 200 is no edge of the contact.
		{name: "level not read", edges: []pulse.Edge{{At: 10e6, Level: pulse.Low}, {At: 70e6, Level: pulse.High}, {At: 90e6, Level: pulse.Unknown}, {At: 200e6, Level: pulse.Low}, {At: 260e6, Level: pulse.High}},
			want: "u o10 c70 u c260 u "},
		{name: "two edges of one level", edges: []pulse.Edge{{At: 10e6, Level: pulse.Low}, {At: 70e6, Level: pulse.High}, {At: 150e6, Level: pulse.High}, {At: 250e6, Level: pulse.Low}},
			lost: 1, want: "u o10 u o250 u "},
		{name: "live, start beside the first edge", edges: refEdgesMS(100, 160), cfg: pulse.Config{Live: true, Start: 97e6, StartLevel: pulse.High}, endMS: 500, want: "u c160 u "},
		{name: "live, start well before", edges: refEdgesMS(100, 160), cfg: pulse.Config{Live: true, Start: 96e6, StartLevel: pulse.High}, endMS: 500, want: "u o100 c160 u "},
		{name: "live, end too soon", edges: refEdgesMS(100, 160), cfg: pulse.Config{Live: true, StartLevel: pulse.High}, endMS: 163, want: "u o100 u ", undecided: true},
		// 0.5 ms of asymmetry lengthens breaks: the opening moves back.
		{name: "asymmetry", edges: refEdgesMS(100, 160), cfg: pulse.Config{Setup: &pulse.Setup{AsymmetryNS: 500e3}}, want: "u o99.5 c160 u "},
	} {
		t.Run(c.name, func(t *testing.T) {
			got := refSettle(&refSignal{edges: c.edges, cfg: c.cfg, end: int64(c.endMS * 1e6)})
			if s := refMarksText(got.marks); s != c.want || got.lost != c.lost || got.undecided != c.undecided {
				t.Errorf("%q, %d lost, undecided %v; by hand %q, %d, %v", s, got.lost, got.undecided, c.want, c.lost, c.undecided)
			}
		})
	}
}

func TestReferenceReadsDialAsByHand(t *testing.T) {
	// 60 ms breaks and 40 ms makes unless said: 10 pps, 60 %.
	for _, c := range []struct {
		name   string
		edges  []pulse.Edge
		limits []pulse.Limit
		want   string // digits, pulses, short breaks, flashes, disconnects, stalls; periods, breaks, makes, gaps
		state  pulse.Statement
		causes int
	}{
		// Gap: 900 - 260 = 640 ms.
		{name: "3 and 1", edges: refEdgesMS(0, 60, 100, 160, 200, 260, 900, 960), want: "31 4 0 0 0 0; 2 4 2 1"},
		// 300 ms inside a digit, makes of 40 ms on both sides: periods 100, 340.
		{name: "stall", edges: refEdgesMS(0, 60, 100, 400, 440, 500), want: "? 2 0 0 0 1; 2 3 2 0", state: pulse.Fail, causes: 1},
		{name: "flash without a pause", edges: refEdgesMS(0, 60, 100, 400, 1000, 1060), want: "11 2 0 1 0 0; 0 2 0 0", state: pulse.NotMeasured},
		// The break before the flash lasts from an unknown time to 60: a stall, if it is a pulse. The digit cannot be told.
		{name: "flash after an unknown break", edges: refEdgesMS(0, 60, 100, 400, 440, 500)[1:], want: " 1 0 1 0 0; 0 1 0 0", state: pulse.NotMeasured},
		{name: "flash before an unknown break", edges: refEdgesMS(0, 60, 100, 400, 440), want: " 1 0 1 0 0; 0 1 0 0", state: pulse.NotMeasured},
		{name: "flash", edges: refEdgesMS(0, 60, 600, 900, 1500, 1560), want: "11 2 0 1 0 0; 0 2 0 0", state: pulse.NotMeasured},
		{name: "disconnect", edges: refEdgesMS(0, 60, 100, 1700, 1740, 1800), want: "11 2 0 0 1 0; 0 2 0 0", state: pulse.NotMeasured},
		{name: "short break", edges: refEdgesMS(0, 60, 500, 508, 1000, 1060), want: "11 2 1 0 0 0; 0 2 0 1", state: pulse.NotMeasured},
		// A make of 200 ms, 150 to 300: a gap or a stalled make. One train each side, of one period.
		{name: "doubtful make", edges: refEdgesMS(0, 60, 100, 160, 360, 420, 460, 520), want: "22 4 0 0 0 0; 2 4 2 1", state: pulse.NotMeasured, causes: 1},
		{name: "doubtful make, judged", edges: refEdgesMS(0, 60, 100, 160, 360, 420, 460, 520), limits: []pulse.Limit{refLimit(pulse.InterdigitMS, 250, 0)}, want: "22 4 0 0 0 0; 2 4 2 1", state: pulse.Fail},
		// Starts open: cut at its start; ends open: cut at its end.
		{name: "starts open", edges: refEdgesMS(0, 60, 100, 160, 200, 260)[1:], want: " 2 0 0 0 0; 1 2 1 0"},
		{name: "ends open", edges: refEdgesMS(0, 60, 100, 160, 200), want: " 2 0 0 0 0; 1 2 1 0"},
		// The second break's closing is lost: its break is unknown, as is its make and the transitions beside the loss.
		// Known: break 0-60, make 60-100? No: the opening at 100 stands at the loss. The last closing has a known time, its break not.
		{name: "closing lost", edges: refEdgesMS(0, 60, 100, -1, 200, 260, 300, 360), want: " 2 0 0 0 0; 0 2 0 0", state: pulse.NotMeasured},
	} {
		t.Run(c.name, func(t *testing.T) {
			if c.limits == nil {
				c.limits = []pulse.Limit{refLimit(pulse.RatePPS, 0, 11)}
			}
			if c.state == "" {
				c.state = pulse.Pass
			}
			s := &refSignal{edges: c.edges, cfg: pulse.Config{Kind: pulse.KindDial, Limits: &pulse.Profile{Limits: c.limits}}}
			r := refRead(s, refVariant{})
			n := func(q pulse.Quantity) int { return len(r.values[string(q)]) }
			got := fmt.Sprintf("%s %d %d %d %d %d; %d %d %d %d", r.digits, r.pulses, r.shorts, r.flashes, r.disconnects, r.stalls,
				n(pulse.PeriodMS), n(pulse.BreakMS), n(pulse.MakeMS), n(pulse.InterdigitMS))
			if got != c.want || r.statement != c.state || len(r.causes) != c.causes {
				t.Errorf("%q %q %q, by hand %q %q, %d causes", got, r.statement, r.causes, c.want, c.state, c.causes)
			}
		})
	}
}

func TestReferenceJudgesBounceAsByHand(t *testing.T) {
	for _, c := range []struct {
		name  string
		edges []pulse.Edge
		of    int
	}{
		{"two pulses", refEdgesMS(0, 60, 100, 160), 4},
		{"stall", refEdgesMS(0, 60, 100, 400, 440, 500), 6},
		{"short break", refEdgesMS(0, 60, 500, 508, 1000, 1060), 4},
		{"flash and disconnect", refEdgesMS(0, 60, 600, 900, 1500, 1560, 2500, 4500), 4},
		{"starts open", refEdgesMS(0, 60, 100, 160)[1:], 2},
		{"ends open", refEdgesMS(0, 60, 100), 2},
		// The closing at 160 is lost: 100 begins and 200 ends a time that is not known.
		{"closing lost", refEdgesMS(0, 60, 100, -1, 200, 260, 300, 360), 4},
	} {
		lim := refLimit(pulse.BounceMS, 0, 3)
		s := &refSignal{edges: c.edges, cfg: pulse.Config{Kind: pulse.KindDial, Limits: &pulse.Profile{Limits: []pulse.Limit{lim}}}}
		if r := refRead(s, refVariant{}); r.items[0].n != c.of {
			t.Errorf("%s: %d transitions are judged, by hand %d", c.name, r.items[0].n, c.of)
		}
	}
}

// refLimit has a bound where it is not 0.
func refLimit(q pulse.Quantity, lo, hi float64) pulse.Limit {
	l := pulse.Limit{Quantity: q, Source: "invented", Seen: pulse.SeenOwn}
	if lo != 0 {
		l.Min = &lo
	}
	if hi != 0 {
		l.Max = &hi
	}
	return l
}

// refCycles makes openings at the given s, each followed by a break of so many s.
func refCycles(brk float64, at ...float64) []pulse.Edge {
	var ms []float64
	for _, x := range at {
		ms = append(ms, x*1e3, (x+brk)*1e3)
	}
	return refEdgesMS(ms...)
}

func TestReferenceReadsInterrupterAsByHand(t *testing.T) {
	for _, c := range []struct {
		name  string
		edges []pulse.Edge
		cad   []int64
		lim   pulse.Limit
		want  string // cycles, missing, extra, slips, due; overall rate
		state pulse.Statement
	}{
		{name: "sound", edges: refCycles(0.5, 0, 1, 2, 3, 4), lim: refLimit(pulse.RateIPM, 54, 66), want: "4 0 0 0 4; 60", state: pulse.Pass},
		// One interval of 1.3 s: 46.15 IPM, more than a quarter late, and the next keep to it. 3 cycles in 3.3 s: 54.545 IPM.
		{name: "late", edges: refCycles(0.5, 0, 1.3, 2.3, 3.3), lim: refLimit(pulse.RateIPM, 54, 66), want: "3 0 0 1 3; 54.545", state: pulse.Fail},
		// The same where limits from 0.5 to 1.5 s allow it: due, and no fault.
		{name: "late, allowed", edges: refCycles(0.5, 0, 1.3, 2.3, 3.3), lim: refLimit(pulse.PeriodMS, 500, 1500), want: "3 0 0 0 3; 54.545", state: pulse.Pass},
		// 1.249 spacings is due, and out of 800-1200 ms.
		{name: "within a quarter", edges: refCycles(0.5, 0, 1, 2, 3.249, 4.249, 5.249), lim: refLimit(pulse.PeriodMS, 800, 1200), want: "5 0 0 0 5; 57.154", state: pulse.Fail},
		// 1.501 is a slip and holds round(1.501) - 1 = 1 missing; 4 good cycles of 1 s.
		{name: "slip over one and a half", edges: refCycles(0.5, 0, 1, 2, 3.501, 4.501, 5.501), lim: refLimit(pulse.PeriodMS, 800, 1200), want: "4 1 0 1 6; 60", state: pulse.Fail},
		// The opening of 3 s is not there.
		{name: "missing", edges: refCycles(0.5, 0, 1, 2, 4, 5, 6), lim: refLimit(pulse.PeriodMS, 800, 1200), want: "4 1 0 0 6; 60", state: pulse.Fail},
		// An opening at 2.6 s of 0.1 s (its make ends the break of 2 s at 2.5 s): the cycle that holds it is due and not measured.
		{name: "extra", edges: refEdgesMS(0, 500, 1000, 1500, 2000, 2500, 2600, 2700, 3000, 3500, 4000, 4500, 5000, 5500), lim: refLimit(pulse.PeriodMS, 800, 1200), want: "4 0 1 0 5; 60", state: pulse.Fail},
		// A lasting change from 1 to 1.75 s: ten cycles in 5 + 5*1.75 = 13.75 s.
		{name: "slow motor", edges: refCycles(0.5, 0, 1, 2, 3, 4, 5, 6.75, 8.5, 10.25, 12, 13.75), lim: refLimit(pulse.PeriodMS, 400, 0), want: "10 0 0 0 10; 43.636", state: pulse.Pass},
		// Ringing of 0.4 s make, 0.2 break, 0.4 make, 2 break: 3 s, two whole cycles from the first break of 0.2 s.
		{name: "compound", edges: refEdgesMS(400, 600, 1000, 3000, 3400, 3600, 4000, 6000, 6400, 6600), cad: []int64{400e6, 200e6, 400e6, 2000e6},
			lim: refLimit(pulse.PeriodMS, 2900, 3100), want: "2 0 0 0 4; 20", state: pulse.Pass},
		// The second break of the second cycle is not there: 3.6 to 6.4 s stays closed.
		{name: "compound missing", edges: refEdgesMS(400, 600, 1000, 3000, 3400, 3600, 6400, 6600, 7000, 9000, 9400, 9600), cad: []int64{400e6, 200e6, 400e6, 2000e6},
			lim: refLimit(pulse.PeriodMS, 2900, 3100), want: "2 1 0 0 6; 20", state: pulse.Fail},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &refSignal{edges: c.edges, cfg: pulse.Config{Kind: pulse.KindInterrupter, CadenceNS: c.cad, Limits: &pulse.Profile{Limits: []pulse.Limit{c.lim}}}}
			r := refRead(s, refVariant{})
			got := fmt.Sprintf("%d %d %d %d %d; %.5g", r.cycles, r.missing, r.extra, r.slips, r.due, r.overallRate)
			if got != c.want || r.statement != c.state {
				t.Errorf("%q %q, by hand %q %q", got, r.statement, c.want, c.state)
			}
		})
	}
}

func TestReferenceUncertaintyAsByHand(t *testing.T) {
	// 20 us, 0.1 ms / root 3 = 57.735 us, 50 ppm.
	b := refBudgetOf(pulse.Config{})
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		// 2 * root(20^2 + 20^2 + 57.735^2 + 3.3^2) us = 2 * root(400 + 400 + 3333.3 + 10.9) = 2 * 64.376
		{"break of 66 ms", b.length(66e6), 128.751e3},
		// 2 * root(400 + 400 + 5^2) us = 2 * 28.723
		{"period of 100 ms", b.same(100e6), 57.446e3},
		// b = 0.66: root(1 + 0.34^2 + 0.66^2) = 1.24563; 24.9126 us and 57.735 us of 100 ms: 2 * 100 * root(6.2064e-8 + 3.33333e-7) = 0.12576
		{"percent break of 66 in 100 ms", b.percent(66e6, 100e6, 1), 0.125759},
		// k = 2, b = 2.2/3: root(3 + 0.26667^2 + 0.73333^2) = 1.89971; 37.994 us and 115.47 us of 3 s: 200 * root(1.60396e-10 + 1.48148e-9) = 0.0081040
		{"percent break of a ringing cadence", b.percent(2200e6, 3000e6, 2), 0.00810402},
		// 1/M + B/M^2 = 86.505e-9, 1/M = 29.412e-9, B/M^2 = 57.093e-9 per ns: 2 * root(1.7301^2 + 0.58824^2 + 1.14187^2 + 4.9944^2) e-3
		{"ratio of 66 to 34 ms", b.ratio(66e6, 34e6), 0.0108788},
	} {
		if math.Abs(c.got-c.want) > 1e-5*c.want {
			t.Errorf("%s: %.7g, by hand %.7g", c.name, c.got, c.want)
		}
	}
}

// TestReferenceFindsNoFaultInSoundSignals runs the reader on signals without a fault: whatever is lost of them, it must name
// none.
func TestReferenceFindsNoFaultInSoundSignals(t *testing.T) {
	for seed := range uint64(500) {
		for _, opt := range []refInterrupterOptions{{}, {live: true}, {losses: true}, {losses: true, live: true}, {compound: true}, {compound: true, losses: true}, {compound: true, live: true}} {
			s := refInterrupterSignal(seed, opt)
			if r := refRead(s, refVariant{}); r.missing+r.extra+r.slips > 0 {
				t.Errorf("seed %d %+v: %d missing, %d extra, %d slips\n%s", seed, opt, r.missing, r.extra, r.slips, refDescribe(s))
			}
		}
		if s := refDialSignal(seed, refDialOptions{losses: true}); s != nil {
			if r := refRead(s, refVariant{}); r.stalls > 0 || r.disconnects > 0 {
				t.Errorf("dial, seed %d: %d stalls, %d disconnects\n%s", seed, r.stalls, r.disconnects, refDescribe(s))
			}
		}
	}
}

// TestReferenceCountsWhatWasMade runs the reader on interrupters with one to three faults of one kind, which the generator
// counts as it makes them.
func TestReferenceCountsWhatWasMade(t *testing.T) {
	for seed := range uint64(1000) {
		s := refInterrupterSignal(seed, refInterrupterOptions{faults: true})
		missing, extra, slips := 0, 0, 0
		for _, d := range s.desc {
			_, what, _ := strings.Cut(d, ": ")
			var n int
			var x float64
			if k, _ := fmt.Sscanf(what, "%d missing", &n); k == 1 {
				missing += n
			} else if strings.HasPrefix(what, "extra") {
				extra++
			} else if k, _ := fmt.Sscanf(what, "slip early, interval of %f", &x); k == 1 {
				slips++
			} else if k, _ := fmt.Sscanf(what, "slip late, interval of %f", &x); k == 1 {
				slips++
			} else if k, _ := fmt.Sscanf(what, "long slip, interval of %f", &x); k == 1 {
				slips++
				missing += int(math.Round(x)) - 1
			}
		}
		r := refRead(s, refVariant{})
		if r.missing != missing || r.extra != extra || r.slips != slips {
			t.Errorf("seed %d: %d missing %d extra %d slips, made %d %d %d\n%s", seed, r.missing, r.extra, r.slips, missing, extra, slips, refDescribe(s))
		}
	}
}
