package pulse_test

import (
	"fmt"
	"maps"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"makebreak/pulse"
)

func refMeasure(t testing.TB, s *refSignal) *pulse.Measurement {
	t.Helper()
	m, err := pulse.NewMeter(s.cfg)
	if err != nil {
		t.Fatal(err)
	}
	// In pieces, as a live capture comes; and where no edge is missing before the next, with word that none came until then.
	for i := 0; i < len(s.edges); {
		n := min(1+(i*7+len(s.edges))%5, len(s.edges)-i)
		m.Add(s.edges[i : i+n])
		i += n
		if i < len(s.edges) && i%2 == 0 && s.edges[i].Lost == 0 && s.edges[i].Level != pulse.Unknown && s.edges[i-1].Level != pulse.Unknown && s.edges[i].Level != s.edges[i-1].Level {
			m.Advance((s.edges[i].At + s.edges[i-1].At) / 2)
		}
	}
	return m.Finish(pulse.Stamp(s.end))
}

type refDiff []string

func (d *refDiff) ints(what string, got, want int) {
	if got != want {
		*d = append(*d, fmt.Sprintf("%s: meter %d, reference %d", what, got, want))
	}
}

func (d *refDiff) num(what string, got pulse.Num, want, tolerance float64) {
	if got.OK != !math.IsNaN(want) || got.OK && math.Abs(got.V-want) > tolerance*(math.Abs(want)+1e-3) {
		*d = append(*d, fmt.Sprintf("%s: meter %v, reference %v", what, got, want))
	}
}

func (d *refDiff) stat(what string, got pulse.Stat, want []refValue) {
	d.ints(what+" n", got.N, len(want))
	if got.N != len(want) || got.N == 0 {
		return
	}
	sum, lo, hi := 0.0, math.Inf(1), math.Inf(-1)
	for _, x := range want {
		sum, lo, hi = sum+x.v, min(lo, x.v), max(hi, x.v)
	}
	d.num(what+" mean", got.Mean, sum/float64(len(want)), 1e-9)
	d.num(what+" min", got.Min, lo, 1e-9)
	d.num(what+" max", got.Max, hi, 1e-9)
	sorted := make([]float64, len(want))
	mean, squares := sum/float64(len(want)), 0.0
	for i, x := range want {
		sorted[i] = x.v
		squares += (x.v - mean) * (x.v - mean)
	}
	slices.Sort(sorted)
	sd := math.NaN()
	if len(want) > 1 {
		sd = math.Sqrt(squares / float64(len(want)-1))
	}
	if got.SD.OK != !math.IsNaN(sd) || got.SD.OK && math.Abs(got.SD.V-sd) > 1e-9*(math.Abs(mean)+sd) {
		*d = append(*d, fmt.Sprintf("%s sd: meter %v, reference %v", what, got.SD, sd))
	}
	// Percentiles: linear between order statistics, the first at 0 and the last at 1.
	at := func(p float64) float64 {
		x := p * float64(len(sorted)-1)
		i := min(int(x), max(0, len(sorted)-2))
		if len(sorted) == 1 {
			return sorted[0]
		}
		return sorted[i] + (x-float64(i))*(sorted[i+1]-sorted[i])
	}
	d.num(what+" p5", got.P5, at(0.05), 1e-9)
	d.num(what+" p50", got.P50, at(0.5), 1e-9)
	d.num(what+" p95", got.P95, at(0.95), 1e-9)
}

// refUpper95 is the fraction p at which so few out of n come with 5 % probability: sum of C(n,i) p^i (1-p)^(n-i) to out is 0.05.
func refUpper95(out, n int) float64 {
	if n == 0 {
		return math.NaN()
	}
	if out == n {
		return 1
	}
	lo, hi := 0.0, 1.0
	for range 200 {
		p := (lo + hi) / 2
		sum := 0.0
		for i := range out + 1 {
			a, _ := math.Lgamma(float64(n + 1))
			b, _ := math.Lgamma(float64(i + 1))
			c, _ := math.Lgamma(float64(n - i + 1))
			sum += math.Exp(a - b - c + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
		}
		if sum > 0.05 {
			lo = p
		} else {
			hi = p
		}
	}
	return lo
}

// refCompare tells where a measurement and a reading differ.
func refCompare(s *refSignal, m *pulse.Measurement, r *refReading) []string {
	var d refDiff
	d.ints("lost edges", m.Capture.LostEdges, r.settled.lost)
	if m.Capture.UndecidedEnd != r.settled.undecided {
		d = append(d, fmt.Sprintf("undecided end: meter %v, reference %v", m.Capture.UndecidedEnd, r.settled.undecided))
	}
	if !s.loss && !s.cfg.Live { // how a transition of unknown time counts among the others is not settled
		d.ints("transitions", m.Settling.Transitions, r.settled.transitions)
		d.ints("bounced", m.Settling.Bounced, r.settled.bounced)
		d.ints("extra edges", m.Settling.ExtraEdges, r.settled.extra)
		d.ints("chatter", m.Settling.Chatter, r.settled.chatter)
	}
	d.stat("bounce_ms", m.Settling.BounceMS, r.values["bounce_ms"])
	if m.Dial != nil {
		d.dial(s, m.Dial, r)
	}
	if m.Interrupter != nil {
		d.interrupter(s, m.Interrupter, r)
	}
	if (m.Conformity != nil) != (s.cfg.Limits != nil) {
		d = append(d, "conformity there or not")
	} else if m.Conformity != nil {
		d.conformity(m.Conformity, r)
	}
	return d
}

func (d *refDiff) dial(s *refSignal, m *pulse.Dial, r *refReading) {
	if m.Digits != r.digits {
		*d = append(*d, fmt.Sprintf("digits: meter %q, reference %q", m.Digits, r.digits))
	}
	if r.stalls == 0 { // whether a stalled break is counted among the pulses is not said
		d.ints("pulses", m.Pulses, r.pulses)
	}
	d.ints("short breaks", m.ShortBreaks, r.shorts)
	d.ints("flashes", m.Flashes, r.flashes)
	d.ints("disconnects", m.Disconnects, r.disconnects)
	d.ints("stalls", m.Stalls, r.stalls)
	d.stat("rate_pps", m.RatePPS.Stat, r.values["rate_pps"])
	d.num("rate_pps overall", m.RatePPS.Overall, r.overallRate, 1e-9)
	d.stat("break_percent", m.BreakPercent.Stat, r.values["break_percent"])
	d.num("break_percent overall", m.BreakPercent.Overall, r.overallPercent, 1e-9)
	d.stat("break_ms", m.BreakMS, r.values["break_ms"])
	d.stat("make_ms", m.MakeMS, r.values["make_ms"])
	d.stat("interdigit_ms", m.InterdigitMS, r.values["interdigit_ms"])
	got := slices.Collect(m.Trains.All())
	d.ints("trains", len(got), len(r.trains))
	if len(got) != len(r.trains) {
		return
	}
	for i, w := range r.trains {
		g, at := got[i], fmt.Sprintf("train %d ", i+1)
		if !w.stalled {
			d.ints(at+"pulses", g.Pulses, w.pulses)
			digit := ""
			if w.digit != 0 && w.digit != '?' {
				digit = string(w.digit)
			}
			gotDigit := ""
			if g.Digit != nil {
				gotDigit = *g.Digit
			}
			if gotDigit != digit {
				*d = append(*d, fmt.Sprintf("%sdigit: meter %q, reference %q", at, gotDigit, digit))
			}
		}
		if g.Partial != w.partial {
			*d = append(*d, fmt.Sprintf("%spartial: meter %v, reference %v", at, g.Partial, w.partial))
		}
		d.num(at+"rate", g.RatePPS, w.rate, 1e-9)
		d.num(at+"percent", g.BreakPercent, w.percent, 1e-9)
		d.num(at+"gap", g.GapBeforeMS, w.gap, 1e-9)
		// Where times count from in a live capture is not said, nor how a corrected opening before the first edge counts.
		if !s.cfg.Live && (s.cfg.Setup == nil || s.cfg.Setup.AsymmetryNS == 0) {
			d.num(at+"start", pulse.Known(g.StartS), float64(w.startNS-int64(s.edges[0].At))/1e9, 1e-7)
		}
	}
}

func (d *refDiff) interrupter(s *refSignal, m *pulse.Interrupter, r *refReading) {
	compound := len(s.cfg.CadenceNS) > 2
	d.ints("missing", m.Missing, r.missing)
	d.ints("extra", m.Extra, r.extra)
	d.ints("slips", m.Slips, r.slips)
	d.ints("cycles", m.Cycles, r.cycles)
	if !compound && !s.loss { // openings of unknown time, and cycles of several openings: the formula does not say
		d.ints("due", m.Due, r.due)
	}
	d.stat("period_ms", m.PeriodMS, r.values["period_ms"])
	d.stat("rate_ipm", m.RateIPM.Stat, r.values["rate_ipm"])
	d.num("rate_ipm overall", m.RateIPM.Overall, r.overallRate, 1e-9)
	d.stat("break_percent", m.BreakPercent.Stat, r.values["break_percent"])
	d.num("break_percent overall", m.BreakPercent.Overall, r.overallPercent, 1e-9)
	if !compound || r.missing+r.extra+r.slips == 0 && !s.loss { // which segments of a faulty cycle stay is not said
		d.stat("break_ms", m.BreakMS, r.values["break_ms"])
		d.stat("make_ms", m.MakeMS, r.values["make_ms"])
		for i, seg := range m.Segments {
			if len(s.cfg.CadenceNS) > 0 {
				d.stat(refSegment(i+1), seg.MS, r.values[refSegment(i+1)])
			}
		}
	}
}

func (d *refDiff) conformity(m *pulse.Conformity, r *refReading) {
	if m.Statement != r.statement {
		*d = append(*d, fmt.Sprintf("statement: meter %q %q, reference %q %q", m.Statement, m.Because, r.statement, r.causes))
	}
	if (len(m.Because) > 0) != (len(r.causes) > 0) {
		*d = append(*d, fmt.Sprintf("because: meter %q, reference %q", m.Because, r.causes))
	}
	d.ints("items", len(m.Items), len(r.items))
	for _, w := range r.items {
		bound := "min"
		if w.upper {
			bound = "max"
		}
		at := fmt.Sprintf("item %s %s ", w.quantity, bound)
		i := slices.IndexFunc(m.Items, func(g pulse.Item) bool {
			return g.Quantity == w.quantity && g.Bound == bound && g.Limit == w.limit
		})
		if i < 0 {
			*d = append(*d, at+"is not there")
			continue
		}
		g := m.Items[i]
		d.num(at+"observed", g.Observed, w.observed, 1e-9)
		d.num(at+"expanded uncertainty", g.ExpandedU, w.u, 2e-3)
		d.ints(at+"of", g.Of, w.n)
		d.ints(at+"out of limit", g.OutOfLimit, w.out)
		d.num(at+"upper 95 percent", g.Upper95, 100*refUpper95(w.out, w.n), 1e-6)
		if g.Statement != w.statement {
			*d = append(*d, fmt.Sprintf("%sstatement: meter %q, reference %q (limit %v observed %v ± %v)", at, g.Statement, w.statement, w.limit, w.observed, w.u))
		}
	}
}

// refVariants are the honest readings of a signal, see refVariant.
func refVariants(s *refSignal) []refVariant {
	if s.cfg.Kind == pulse.KindDial {
		return []refVariant{{}}
	}
	var out []refVariant
	for place := range max(1, len(s.cfg.CadenceNS)/2) {
		out = append(out, refVariant{looseMakes: true, firstPlace: place})
	}
	return out
}

// refMismatch gives the differences to the variant that fits best, none where one fits.
func refMismatch(t testing.TB, s *refSignal) ([]string, *pulse.Measurement) {
	m := refMeasure(t, s)
	var best []string
	for i, v := range refVariants(s) {
		d := refCompare(s, m, refRead(s, v))
		if len(d) == 0 {
			return nil, m
		}
		if i == 0 || len(d) < len(best) {
			best = d
		}
	}
	return best, m
}

func refDescribe(s *refSignal) string {
	var b strings.Builder
	fmt.Fprintf(&b, "  %s\n  ", strings.Join(s.desc, "; "))
	for i, e := range s.edges {
		if i == 60 {
			fmt.Fprintf(&b, "… %d edges", len(s.edges))
			break
		}
		fmt.Fprintf(&b, "%.6f:%d", float64(e.At)/1e6, e.Level)
		if e.Lost > 0 {
			fmt.Fprintf(&b, " (%d lost before)", e.Lost)
		}
		b.WriteString(" ")
	}
	c := s.cfg
	fmt.Fprintf(&b, "\n  polarity %v, timing %v, coding %v, cadence %v, period %d, live %v from %d (level %d) to %d",
		c.Polarity, c.Timing, c.Coding, c.CadenceNS, c.PeriodNS, c.Live, c.Start, c.StartLevel, s.end)
	if c.Setup != nil {
		fmt.Fprintf(&b, "\n  setup %+v", *c.Setup)
	}
	return b.String()
}

// refTimes is how many signals are tried: few, n where
// MAKEBREAK_ENDURANCE is set, and MAKEBREAK_LONG times n where that is set.
//
//	MAKEBREAK_LONG=20 go test -run 'TestReference|TestMovingAway' ./pulse
func refTimes(n, short int) int {
	if times, err := strconv.Atoi(os.Getenv("MAKEBREAK_LONG")); err == nil && times > 0 {
		return n * times
	}
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		return short
	}
	return n
}

// refRun compares a family of signals. Of each kind of difference it prints the signal with the fewest edges.
func refRun(t *testing.T, n int, signal func(seed uint64) *refSignal) {
	t.Helper()
	n = refTimes(n, n/20)
	type class struct {
		count int
		seed  uint64
		s     *refSignal
		diff  []string
	}
	classes := map[string]*class{}
	bad := 0
	for seed := range uint64(n) {
		s := signal(seed)
		if len(s.edges) < 2 {
			continue
		}
		diff, _ := refMismatch(t, s)
		if len(diff) == 0 {
			continue
		}
		bad++
		key, _, _ := strings.Cut(diff[0], ":")
		c := classes[key]
		if c == nil {
			c = &class{}
			classes[key] = c
		}
		c.count++
		if c.s == nil || len(s.edges) < len(c.s.edges) {
			c.s, c.seed, c.diff = s, seed, diff
		}
	}
	for _, key := range slices.Sorted(maps.Keys(classes)) {
		c := classes[key]
		t.Errorf("%d of %d signals: %s; the shortest is seed %d:\n%s\n    %s", c.count, n, key, c.seed, refDescribe(c.s), strings.Join(c.diff, "\n    "))
	}
	if bad > 0 {
		t.Errorf("%d of %d signals mismatch", bad, n)
	}
}

func TestReferenceDial(t *testing.T) {
	for _, c := range []struct {
		name string
		opt  refDialOptions
	}{
		{"sound", refDialOptions{limits: true}},
		{"faults", refDialOptions{faults: true, limits: true}},
		{"live", refDialOptions{faults: true, limits: true, live: true}},
		{"losses", refDialOptions{faults: true, limits: true, losses: true}},
		{"live losses", refDialOptions{faults: true, limits: true, losses: true, live: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			refRun(t, 1000, func(seed uint64) *refSignal { return refDialSignal(seed, c.opt) })
		})
	}
}

func TestReferenceInterrupter(t *testing.T) {
	for _, c := range []struct {
		name string
		opt  refInterrupterOptions
	}{
		{"sound", refInterrupterOptions{limits: true}},
		{"faults", refInterrupterOptions{faults: true, limits: true}},
		{"faults live", refInterrupterOptions{faults: true, limits: true, live: true}},
		{"wide", refInterrupterOptions{faults: true, wide: true}},
		{"live", refInterrupterOptions{limits: true, live: true}},
		{"losses", refInterrupterOptions{limits: true, losses: true}},
		{"live losses", refInterrupterOptions{limits: true, losses: true, live: true}},
		{"compound", refInterrupterOptions{compound: true, limits: true}},
		{"compound faults", refInterrupterOptions{compound: true, faults: true}},
		{"compound live", refInterrupterOptions{compound: true, live: true, limits: true}},
		{"compound losses", refInterrupterOptions{compound: true, losses: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			refRun(t, 250, func(seed uint64) *refSignal { return refInterrupterSignal(seed, c.opt) })
		})
	}
}
