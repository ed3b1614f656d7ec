package pulse_test

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"makebreak/pulse"
)

// refOutcome is what the properties look at, of the Meter or of the reference reader: both must have them.
type refOutcome struct {
	statement             pulse.Statement
	missing, extra, slips int
	digits                string
	values                map[string][]float64 // some of the values: of the Meter the extremes and the median
	text                  string
}

var refReaders = map[string]func(t *testing.T, s *refSignal) refOutcome{
	"reference": func(t *testing.T, s *refSignal) refOutcome {
		r := refRead(s, refVariant{looseMakes: true})
		out := refOutcome{statement: r.statement, missing: r.missing, extra: r.extra, slips: r.slips, digits: r.digits, values: map[string][]float64{},
			text: fmt.Sprintf("cycles %d missing %d extra %d slips %d due %d, causes %q", r.cycles, r.missing, r.extra, r.slips, r.due, r.causes)}
		for _, q := range []string{"break_ms", "make_ms", "interdigit_ms", "period_ms", "break_percent"} {
			for _, v := range r.values[q] {
				out.values[q] = append(out.values[q], v.v)
			}
		}
		return out
	},
	"meter": func(t *testing.T, s *refSignal) refOutcome {
		m := refMeasure(t, s)
		out := refOutcome{statement: m.Conformity.Statement, values: map[string][]float64{}}
		add := func(q string, s pulse.Stat) {
			for _, n := range []pulse.Num{s.Min, s.P50, s.Max} {
				if n.OK && (n != s.P50 || s.N%2 == 1) { // a median of an even number is no value
					out.values[q] = append(out.values[q], n.V)
				}
			}
		}
		if d := m.Dial; d != nil {
			out.digits = d.Digits
			add("break_ms", d.BreakMS)
			add("make_ms", d.MakeMS)
			add("interdigit_ms", d.InterdigitMS)
			add("break_percent", d.BreakPercent.Stat)
		}
		if d := m.Interrupter; d != nil {
			out.missing, out.extra, out.slips = d.Missing, d.Extra, d.Slips
			add("break_ms", d.BreakMS)
			add("make_ms", d.MakeMS)
			add("period_ms", d.PeriodMS)
			add("break_percent", d.BreakPercent.Stat)
			out.text = fmt.Sprintf("cycles %d missing %d extra %d slips %d due %d, fits %v, ", d.Cycles, d.Missing, d.Extra, d.Slips, d.Due, d.CadenceFits)
		}
		out.text += fmt.Sprintf("because %q", m.Conformity.Because)
		return out
	},
}

// TestMovingAwayNeverImproves draws cadences, limits and one interval that is not as the others, and moves it away from
// what it should be, to either side: no step makes the statement better, and nothing beyond a limit passes.
func TestMovingAwayNeverImproves(t *testing.T) {
	for name, read := range refReaders {
		t.Run(name, func(t *testing.T) { movingAwayNeverImproves(t, read) })
	}
}

func movingAwayNeverImproves(t *testing.T, read func(*testing.T, *refSignal) refOutcome) {
	n := refTimes(60, 5)
	type found struct {
		count int
		text  string
	}
	bad := map[string]*found{}
	report := func(key, text string) {
		if bad[key] == nil {
			bad[key] = &found{text: text}
		}
		bad[key].count++
	}
	for seed := range uint64(n) {
		g := newRefGen(seed, 3)
		breaks := 1 + g.IntN(4)
		given := breaks > 1 || g.chance(0.5)
		var cad []float64 // break, make, break, make … in ms
		total := 0.0
		for range breaks {
			b, m := g.between(150, 900), g.between(150, 900)
			cad = append(cad, b, m)
			total += b + m
		}
		if breaks > 1 { // one long silence tells where the cadence begins
			total -= cad[len(cad)-2]
			cad[len(cad)-2] = g.between(2000, 3000)
			total += cad[len(cad)-2]
		}
		at := g.IntN(len(cad)) // the faulty interval
		// Limits about the sound figures.
		sumBreak := 0.0
		for i := 0; i < len(cad); i += 2 {
			sumBreak += cad[i]
		}
		shortest, longest := math.Inf(1), 0.0
		for i := 0; i < len(cad); i += 2 {
			shortest, longest = min(shortest, cad[i]), max(longest, cad[i])
		}
		f := []float64{0.02, 0.08, 0.2, 0.45}[g.IntN(4)]
		var lim []pulse.Limit
		lo, hi := 60e3/total*(1-f), 60e3/total*(1+f)
		kinds := []int{g.IntN(5)}
		if g.chance(0.3) {
			kinds = append(kinds, g.IntN(5))
		}
		segment := func(i int) int { return (i+1)%len(cad) + 1 } // cad begins with a break, the cadence with the make before it
		for _, k := range kinds {
			switch k {
			case 0:
				lim = append(lim, refLimit(pulse.RateIPM, lo, hi))
			case 1:
				lim = append(lim, refLimit(pulse.PeriodMS, total*(1-f), total*(1+f)))
			case 2:
				lim = append(lim, refLimit(pulse.BreakMS, shortest*(1-f), longest*(1+f)))
			case 3:
				p := 100 * sumBreak / total
				lim = append(lim, refLimit(pulse.BreakPercent, p*(1-f), min(p*(1+f), 99)))
			case 4:
				if given {
					l := refLimit(pulse.SegmentMS, cad[at]*(1-f), cad[at]*(1+f))
					l.Segment = segment(at)
					lim = append(lim, l)
				} else {
					lim = append(lim, refLimit(pulse.MakeMS, cad[1]*(1-f), cad[1]*(1+f)))
				}
			}
		}
		cfg := pulse.Config{Kind: pulse.KindInterrupter, Limits: &pulse.Profile{ID: "invented", Kind: pulse.KindInterrupter, Limits: lim}}
		if given {
			cfg.CadenceNS = []int64{int64(cad[len(cad)-1] * 1e6)}
			for _, x := range cad[:len(cad)-1] {
				cfg.CadenceNS = append(cfg.CadenceNS, int64(x*1e6))
			}
		}
		cycles := 9 + g.IntN(6)
		faulty := 3 + g.IntN(cycles-6)
		for _, up := range []bool{true, false} {
			// The lengths, from the sound one away.
			lengths := []float64{cad[at]}
			far := 6 * total
			if !up {
				far = 0.02 * total
			}
			if up == (far < cad[at]) {
				continue
			}
			for range 24 {
				// Many near the sound length and limits, some all the way.
				x := g.Float64()
				if g.chance(0.5) {
					x = math.Pow(x, 4)
				}
				lengths = append(lengths, cad[at]+(far-cad[at])*x)
			}
			slices.Sort(lengths)
			if !up {
				slices.Reverse(lengths)
			}
			last, lastLength, first := 9, 0.0, pulse.Statement("")
			var lastStatement pulse.Statement
			for _, x := range lengths {
				s := &refSignal{cfg: cfg}
				now := int64(0)
				for c := range cycles {
					for i := 0; i < len(cad); i += 2 {
						b, m := cad[i], cad[i+1]
						if c == faulty && i == at {
							b = x
						}
						if c == faulty && i+1 == at {
							m = x
						}
						s.edges = append(s.edges, pulse.Edge{At: pulse.Stamp(now), Level: pulse.Low}, pulse.Edge{At: pulse.Stamp(now + int64(b*1e6)), Level: pulse.High})
						now += int64(b*1e6) + int64(m*1e6)
					}
				}
				m := read(t, s)
				state := m.statement
				what := func() string {
					return fmt.Sprintf("seed %d: %d cycles of (break, make …) %.2f ms, given %v, cycle %d has %.4f ms for interval %d (%.3f cycles), before %.4f ms; limits %s\n      %s",
						seed, cycles, cad, given, faulty+1, x, at+1, x/total, lastLength, refLimitsText(lim), m.text)
				}
				if first == "" {
					first = state
					if refRank[first] <= refRank[pulse.NotMeasured] {
						report("a sound signal is "+string(state), what())
					}
				}
				if refRank[state] > last {
					report(fmt.Sprintf("%s improves to %s", lastStatement, state), what())
				}
				if beyond := refBeyond(lim, cad, at, x, total, sumBreak, segment(at)); beyond != "" && refRank[state] >= refRank[pulse.ConditionalPass] {
					report(beyond+" passes", what())
				}
				last, lastLength, lastStatement = refRank[state], x, state
			}
		}
	}
	for _, key := range slices.Sorted(maps.Keys(bad)) {
		f := bad[key]
		t.Errorf("%d times: %s\n    %s", f.count, key, f.text)
	}
}

func refLimitsText(lim []pulse.Limit) string {
	var out []string
	for _, l := range lim {
		lo, hi := "-", "-"
		if l.Min != nil {
			lo = fmt.Sprintf("%.4f", *l.Min)
		}
		if l.Max != nil {
			hi = fmt.Sprintf("%.4f", *l.Max)
		}
		out = append(out, fmt.Sprintf("%s %s to %s", l.Name(), lo, hi))
	}
	return strings.Join(out, ", ")
}

// refBeyond names a figure of the faulty cycle that is beyond a limit, whatever the cycle is read as.
func refBeyond(lim []pulse.Limit, cad []float64, at int, x, total, sumBreak float64, segment int) string {
	cycle, brk := total-cad[at]+x, sumBreak
	if at%2 == 0 {
		brk += x - cad[at]
	}
	for _, l := range lim {
		var v float64
		switch l.Quantity {
		case pulse.RateIPM:
			v = 60e3 / cycle
		case pulse.PeriodMS:
			v = cycle
		case pulse.BreakPercent:
			v = 100 * brk / cycle
		case pulse.BreakMS:
			if at%2 == 1 {
				continue
			}
			v = x
		case pulse.MakeMS:
			if at%2 == 0 {
				continue
			}
			v = x
		case pulse.SegmentMS:
			if l.Segment != segment {
				continue
			}
			v = x
		}
		const rounding = 1e-6 // times are whole ns
		if l.Min != nil && v < *l.Min*(1-rounding) || l.Max != nil && v > *l.Max*(1+rounding) {
			return string(l.Quantity) + " beyond its limit"
		}
	}
	return ""
}

// refBouncing makes edges of alternating breaks and makes in ms, the first a break. Every transition bounces.
func refBouncing(bounce bool, ms ...float64) []pulse.Edge {
	var out []pulse.Edge
	now := 1000.0
	for i, x := range ms {
		level, other := pulse.Low, pulse.High
		if i%2 == 1 {
			level, other = other, level
		}
		add := func(t float64, l pulse.Level) {
			out = append(out, pulse.Edge{At: pulse.Stamp(math.Round(t * 1e6)), Level: l})
		}
		add(now, level)
		if bounce {
			add(now+0.9, other)
			add(now+1.6, level)
			if i%3 != 0 {
				add(now+2.2, other)
				add(now+2.4, level)
			}
		}
		now += x
	}
	return out
}

// refTrue are the figures that a signal truly has, to 1 us.
type refTrue map[string]map[int64]bool

func (r refTrue) add(what string, ms float64) {
	if r[what] == nil {
		r[what] = map[int64]bool{}
	}
	r[what][int64(math.Round(ms*1e3))] = true
}

// wrong tells of a value that is none of the true ones.
func (r refTrue) wrong(what string, values []float64) string {
	for _, v := range values {
		if !r[what][int64(math.Round(v*1e3))] {
			return fmt.Sprintf("%s of %.4f is none that the signal has", what, v)
		}
	}
	return ""
}

// TestEveryLossEverywhere loses every edge, every run of edges, and every two runs with a few edges between, and starts and
// ends live captures beside every edge. What is measured then is true, a sound signal never fails, and a faulty one whose
// faulty break was seen never passes.
func TestEveryLossEverywhere(t *testing.T) {
	for name, read := range refReaders {
		t.Run(name, func(t *testing.T) { everyLossEverywhere(t, read) })
	}
}

func everyLossEverywhere(t *testing.T, read func(*testing.T, *refSignal) refOutcome) {
	// So close that a transition timed by its bounce is beyond them.
	dial := []pulse.Limit{refLimit(pulse.BreakMS, 59, 61), refLimit(pulse.RatePPS, 9.9, 10.1), refLimit(pulse.BreakPercent, 59, 61)}
	cam := []pulse.Limit{refLimit(pulse.BreakMS, 499, 501), refLimit(pulse.RateIPM, 59.95, 60.05), refLimit(pulse.BreakPercent, 49.9, 50.1), refLimit(pulse.MakeMS, 499, 501)}
	trainOf := func(faulty float64) []float64 {
		return []float64{60, 40, 60, 40, faulty, 100 - faulty, 60, 40, 60, 700, 60, 40, 60, 40, 60, 500}
	}
	var cycles, late []float64
	for i := range 12 {
		cycles = append(cycles, 500, 500)
		if i == 6 {
			late = append(late, 580, 420)
		} else {
			late = append(late, 500, 500)
		}
	}
	for _, c := range []struct {
		name   string
		spans  []float64
		kind   pulse.Kind
		limits []pulse.Limit
		faulty int // the faulty span, -1: none
		bounce bool
		digits string
	}{
		{"dial", trainOf(60), pulse.KindDial, dial, -1, true, "53"},
		{"dial, a break too long", trainOf(72), pulse.KindDial, dial, 4, true, "53"},
		{"dial, a break too short", trainOf(48), pulse.KindDial, dial, 4, true, "53"},
		{"clean dial", trainOf(60), pulse.KindDial, dial, -1, false, "53"},
		{"interrupter", cycles, pulse.KindInterrupter, cam, -1, true, ""},
		{"interrupter, a break too long", late, pulse.KindInterrupter, cam, 12, true, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			whole := &refSignal{edges: refBouncing(c.bounce, c.spans...), cfg: pulse.Config{Kind: c.kind, Limits: &pulse.Profile{ID: "invented", Kind: c.kind, Limits: c.limits}}}
			truth := refTrue{}
			at := []float64{1000}
			for i, x := range c.spans {
				at = append(at, at[i]+x)
				truth.add([]string{"break", "make"}[i%2], x)
				if i%2 == 0 && i+1 < len(c.spans) {
					truth.add("period", x+c.spans[i+1])
					truth.add("percent", 100*x/(x+c.spans[i+1]))
				}
			}
			type class struct {
				n    int
				text string
			}
			bad := map[string]*class{}
			tried := 0
			check := func(s *refSignal, how string) {
				if len(s.edges) == 0 {
					return
				}
				tried++
				m := read(t, s)
				var wrong []string
				state := m.statement
				failing := refRank[state] < refRank[pulse.NotMeasured]
				if c.faulty < 0 && failing {
					wrong = append(wrong, "a sound signal fails")
				}
				settled := refSettle(s)
				if c.faulty >= 0 {
					// A faulty break whose ends were both seen is beyond a limit. So is the make after it, which is as much too short.
					ns := func(i int) int64 { return int64(math.Round(at[c.faulty+i] * 1e6)) }
					next := func(i int, kind byte, ns int64) bool {
						return i < len(settled.marks) && settled.marks[i].kind == kind && settled.marks[i].at == ns
					}
					i := slices.IndexFunc(settled.marks, func(k refMark) bool { return k.kind == 'o' && k.at == ns(0) })
					j := slices.IndexFunc(settled.marks, func(k refMark) bool { return k.kind == 'c' && k.at == ns(1) })
					brk := i >= 0 && next(i+1, 'c', ns(1))
					mk := c.kind == pulse.KindInterrupter && j >= 0 && next(j+1, 'o', ns(2))
					whole := brk && (mk || c.kind == pulse.KindDial)
					if whole && !failing {
						wrong = append(wrong, "a faulty signal passes")
					}
					if !brk && !mk && failing {
						wrong = append(wrong, "the rest of a faulty signal fails")
					}
				}
				for _, q := range []struct{ name, what string }{{"break_ms", "break"}, {"make_ms", "make"}, {"interdigit_ms", "make"}, {"period_ms", "period"}, {"break_percent", "percent"}} {
					if w := truth.wrong(q.what, m.values[q.name]); w != "" {
						wrong = append(wrong, w)
					}
				}
				// A file that ends early has other digits.
				if (s.cfg.Live || s.edges[len(s.edges)-1] == whole.edges[len(whole.edges)-1]) && !strings.Contains(c.digits, m.digits) {
					wrong = append(wrong, fmt.Sprintf("digits %q", m.digits))
				}
				if m.missing+m.extra+m.slips > 0 {
					wrong = append(wrong, fmt.Sprintf("faults of %d missing %d extra %d slipped", m.missing, m.extra, m.slips))
				}
				for _, w := range wrong {
					key, _, _ := strings.Cut(w, " of ")
					key, _, _ = strings.Cut(key, "\"")
					if bad[key] == nil {
						bad[key] = &class{text: how + ": " + w + "; " + string(state) + ", " + m.text}
					}
					bad[key].n++
				}
			}
			edges := len(whole.edges)
			// Live captures begin and end beside every step-th edge. Three bouncing transitions have 13 edges, so every place in a
			// bounce has its turn.
			longest, apart, step := 6, 3, 1
			switch {
			case os.Getenv("MAKEBREAK_LONG") != "":
			case os.Getenv("MAKEBREAK_ENDURANCE") == "":
				longest, apart, step = 1, 1, 5
			case c.kind == pulse.KindInterrupter:
				longest, apart, step = 2, 1, 3
			case c.faulty >= 0:
				longest, apart = 4, 2
			}
			// Runs of lost edges, the first edges of a live capture too, and two of them near each other. A file cannot tell
			// that edges before its first are lost.
			for i := range edges {
				for n := 1; n <= longest; n++ {
					one := *whole
					if i == 0 {
						one.cfg.Live, one.cfg.StartLevel, one.end = true, pulse.High, int64(at[len(at)-1]*1e6)
					}
					one.edges = whole.without(i, n)
					if one.edges == nil {
						continue
					}
					how := fmt.Sprintf("%d edges lost from edge %d at %.1f ms", n, i, float64(whole.edges[i].At)/1e6)
					check(&one, how)
					for between := 1; between <= apart; between++ {
						for n2 := 1; n2 <= longest/2; n2++ {
							two := one
							if two.edges = one.without(i+between, n2); two.edges != nil {
								check(&two, fmt.Sprintf("%s, %d more after %d", how, n2, between))
							}
						}
					}
				}
			}
			// A level that cannot be read from anywhere until the next edge.
			for i := range edges - 1 {
				for _, after := range []float64{0.05, 0.5, 3.9, 4.1, 8, 30} {
					from := whole.edges[i].At + pulse.Stamp(after*1e6)
					if from >= whole.edges[i+1].At {
						break
					}
					one := *whole
					one.edges = slices.Insert(slices.Clone(whole.edges), i+1, pulse.Edge{At: from, Level: pulse.Unknown})
					check(&one, fmt.Sprintf("unknown from %.2f ms after edge %d at %.1f ms", after, i, float64(whole.edges[i].At)/1e6))
				}
			}
			// A recording that ends anywhere.
			for i := 1; i < edges; i++ {
				one := *whole
				one.edges = whole.edges[:i]
				check(&one, fmt.Sprintf("the file ends before edge %d at %.1f ms", i, float64(whole.edges[i].At)/1e6))
			}
			// Live captures that begin and end anywhere beside an edge.
			for i, e := range whole.edges {
				if i%step != 0 {
					continue
				}
				for _, off := range []float64{-30, -4.5, -4.01, -3.99, -2, -0.5, -0.01, 0, 0.01, 0.3, 1, 3, 4.5, 20} {
					t0 := int64(e.At) + int64(off*1e6)
					level, from := pulse.High, 0
					for from < edges && int64(whole.edges[from].At) <= t0 {
						level = whole.edges[from].Level
						from++
					}
					live := *whole
					live.cfg.Live, live.cfg.Start, live.cfg.StartLevel = true, pulse.Stamp(t0), level
					live.edges, live.end = whole.edges[from:], int64(at[len(at)-1]*1e6)
					how := fmt.Sprintf("live from %.2f ms beside edge %d", off, i)
					check(&live, how)
					live.cfg.StartLevel = pulse.Unknown
					check(&live, how+", level not read")
					// The end.
					live.cfg.Start, live.cfg.StartLevel = 0, pulse.High
					live.edges, live.end = whole.edges[:from], t0
					check(&live, fmt.Sprintf("live until %.2f ms beside edge %d", off, i))
				}
			}
			for _, key := range slices.Sorted(maps.Keys(bad)) {
				b := bad[key]
				t.Errorf("%d of %d: %s; first: %s", b.n, tried, key, b.text)
			}
		})
	}
}
