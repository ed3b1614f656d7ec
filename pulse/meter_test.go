package pulse

import (
	"encoding/json"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// anyEdges draws a contact's life: dial-like and cam-like lengths, bounce,
// lost edges, unknown levels.
func anyEdges() *rapid.Generator[[]Edge] {
	return rapid.Custom(func(t *rapid.T) (e []Edge) {
		at := Stamp(rapid.Int64Range(0, 1e15).Draw(t, "start"))
		l := Level(rapid.IntRange(0, 1).Draw(t, "first"))
		lengths := rapid.SampledFrom([][]int64{{60e6, 40e6, 60e6, 40e6, 800e6, 500e3}, {500e6, 500e6, 500e6, 1e6}, {400e6, 200e6, 400e6, 2000e6}, {60e6, 150e6, 60e6, 148e6, 61e6, 149.99e6}}).Draw(t, "lengths")
		n := rapid.IntRange(0, 80).Draw(t, "n")
		for i := range n {
			x := Edge{At: at, Level: l}
			switch rapid.IntRange(0, 60).Draw(t, "fault") {
			case 0:
				x.Lost = uint32(rapid.IntRange(1, 3).Draw(t, "lost"))
			case 1:
				x.Level = Unknown
			case 2:
				l ^= 1 // the next edge has this one's level
			}
			e = append(e, x)
			l ^= 1
			at += Stamp(lengths[i%len(lengths)] + rapid.Int64Range(-1e5, 1e5).Draw(t, "jitter"))
		}
		return e
	})
}

func anyConfig() *rapid.Generator[Config] {
	return rapid.Custom(func(t *rapid.T) Config {
		c := Config{Kind: Kind(rapid.IntRange(0, 2).Draw(t, "kind")), Timing: Timing(rapid.IntRange(0, 1).Draw(t, "timing"))}
		if rapid.Bool().Draw(t, "lobes") {
			c.Lobes = rapid.IntRange(1, 5).Draw(t, "n lobes")
		}
		if rapid.Bool().Draw(t, "live") {
			c.Live, c.StartLevel = true, Level(rapid.IntRange(0, 2).Draw(t, "start level"))
		}
		return c
	})
}

func asJSON(t testing.TB, r *Measurement) string {
	t.Helper()
	b, err := json.MarshalIndent(r, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestProperties(t *testing.T) {
	type run struct {
		cfg   Config
		edges []Edge
		end   Stamp
		split []int
	}
	do := func(t *rapid.T, r run) string {
		m, err := NewMeter(r.cfg)
		if err != nil {
			t.Fatal(err)
		}
		from := 0
		for _, to := range append(r.split, len(r.edges)) {
			m.Add(r.edges[from:to])
			from = to
		}
		res := m.Finish(r.end)
		res.Capture.FirstEdgeS = 0 // the one figure that a shift moves
		b, err := json.MarshalIndent(res, "", " ")
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	rapid.Check(t, func(t *rapid.T) {
		r := run{cfg: anyConfig().Draw(t, "config"), edges: anyEdges().Draw(t, "edges")}
		if len(r.edges) > 0 {
			r.cfg.Start = r.edges[0].At - Stamp(rapid.Int64Range(0, 2e9).Draw(t, "lead"))
			r.end = r.edges[len(r.edges)-1].At + Stamp(rapid.Int64Range(0, 2e9).Draw(t, "tail"))
		}
		want := do(t, r)

		split := r
		for range rapid.IntRange(1, 5).Draw(t, "splits") {
			split.split = append(split.split, rapid.IntRange(0, len(r.edges)).Draw(t, "at"))
		}
		slices.Sort(split.split)
		if d := cmp.Diff(want, do(t, split)); d != "" {
			t.Fatalf("fed in pieces %v:\n%s", split.split, d)
		}

		shift := r
		by := Stamp(rapid.Int64Range(0, 1e17).Draw(t, "shift"))
		shift.cfg.Start += by
		shift.end += by
		shift.edges = slices.Clone(r.edges)
		for i := range shift.edges {
			shift.edges[i].At += by
		}
		if d := cmp.Diff(want, do(t, shift)); d != "" {
			t.Fatalf("shifted by %d ns:\n%s", by, d)
		}

		swap := r
		swap.cfg.Polarity = ClosedLow
		swap.edges = slices.Clone(r.edges)
		for i := range swap.edges {
			if swap.edges[i].Level <= High {
				swap.edges[i].Level ^= 1
			}
		}
		if swap.cfg.StartLevel <= High {
			swap.cfg.StartLevel ^= 1
		}
		if d := cmp.Diff(strings.Replace(want, `"closed": "high"`, `"closed": "low"`, 1), do(t, swap)); d != "" {
			t.Fatalf("levels and polarity swapped:\n%s", d)
		}
	})
}

// Advancing the clock must not change what is measured, only when it is known.
func TestAdvanceChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := anyConfig().Draw(t, "config")
		edges := anyEdges().Draw(t, "edges")
		a, _ := NewMeter(cfg)
		b, _ := NewMeter(cfg)
		a.Add(edges)
		end := Stamp(0)
		for i, e := range edges {
			b.Add(edges[i : i+1])
			end = e.At
			if i+1 == len(edges) {
				break
			}
			n := edges[i+1]
			whole := n.Lost == 0 && n.Level != e.Level && e.Level != Unknown
			if whole && rapid.Bool().Draw(t, "advance") {
				b.Advance(e.At + (edges[i+1].At-e.At)*Stamp(rapid.IntRange(0, 100).Draw(t, "percent"))/100)
			}
		}
		x, _ := json.Marshal(a.Finish(end))
		y, _ := json.Marshal(b.Finish(end))
		if d := cmp.Diff(string(x), string(y)); d != "" {
			t.Fatal(d)
		}
	})
}

// The document keeps every key of the contract, with null for what could not
// be measured.
func TestDocumentKeys(t *testing.T) {
	var got map[string]any
	r := measure(t, Config{Kind: KindDial}, edgesAt(Low, 0))
	if err := json.Unmarshal([]byte(asJSON(t, r)), &got); err != nil {
		t.Fatal(err)
	}
	for _, path := range []string{
		"format", "source", "kind", "limits", "capture.edges", "capture.lost_edges", "capture.duration_s", "capture.partial_start",
		"capture.partial_end", "capture.undecided_end", "settling.settle_ms", "settling.transitions", "settling.bounced",
		"settling.extra_edges", "settling.chatter", "settling.bounce_ms.p95", "dial.digits", "dial.pulses", "dial.short_breaks",
		"dial.flashes", "dial.disconnects", "dial.trains", "dial.rate_pps.overall", "dial.rate_pps.mean", "dial.break_percent.overall",
		"dial.break_ms.sd", "dial.make_ms.n", "dial.interdigit_ms.p5", "interrupter", "uncertainty.break_ms.standard",
		"uncertainty.break_ms.expanded", "uncertainty.break_ms.budget", "conformity",
	} {
		at := any(got)
		for _, k := range strings.Split(path, ".") {
			m, _ := at.(map[string]any)
			v, ok := m[k]
			if !ok {
				t.Errorf("no key %s", path)
				break
			}
			at = v
		}
		switch path {
		case "limits", "interrupter", "conformity", "dial.rate_pps.overall", "dial.break_ms.sd", "uncertainty.break_ms.standard":
			if at != nil {
				t.Errorf("%s is %v, want null", path, at)
			}
		case "dial.trains":
			if l, ok := at.([]any); !ok || len(l) != 0 {
				t.Errorf("trains are %v, want []", at)
			}
		}
	}
	r = measure(t, Config{Kind: KindInterrupter, Lobes: 2}, camEdges(0, 500, 250, 20, nil))
	b := asJSON(t, r)
	for _, k := range []string{"cycles", "missing", "extra", "period_ms", "rate_ipm", "overall", "lobe", "n", "opening_error_ms", "opening_error_se_ms", "break_ms", "break_se_ms"} {
		if !strings.Contains(b, `"`+k+`":`) {
			t.Errorf("no key %s", k)
		}
	}
}

func bound(v float64) *float64 { return &v }

func TestJudgeMeter(t *testing.T) {
	p := &Profile{ID: "own", Kind: KindDial, Limits: []Limit{
		{Quantity: RatePPS, Min: bound(9), Max: bound(11)},
		{Quantity: BreakMS, Min: bound(60), Max: bound(70)},
		{Quantity: InterdigitMS, Min: bound(750)},
		{Quantity: BounceMS, Max: bound(0.5)},
		{Quantity: BreakRatio, Max: bound(2)},
	}}
	edges := slices.Concat(dialEdges(0, 100, 65, 800, 5, 5), dialEdges(2700, 100, 59, 0, 2))
	r := measure(t, Config{Limits: p}, edges)
	c := r.Conformity
	if c.Statement != Fail || r.Kind != "dial" || r.KindFrom != "profile" {
		t.Errorf("%s %s %s", c.Statement, r.Kind, r.KindFrom)
	}
	type row struct {
		Name, Bound string
		S           Statement
		Out, Of     int
		Where       string
	}
	var got []row
	for _, i := range c.Items {
		got = append(got, row{i.Quantity, i.Bound, i.Statement, i.OutOfLimit, i.Of, i.At.String()})
	}
	want := []row{
		{"rate_pps", "min", Pass, 0, 9, "train 1, pulse 1"},
		{"rate_pps", "max", Pass, 0, 9, "train 1, pulse 1"},
		{"break_ms", "min", Fail, 2, 12, "train 3, pulse 1"},
		{"break_ms", "max", Pass, 0, 12, "train 1, pulse 1"},
		{"interdigit_ms", "min", Pass, 0, 2, "before train 2"},
		{"bounce_ms", "max", Pass, 0, 24, ""},
		{"break_make_ratio", "max", Pass, 0, 9, "train 1, pulse 1"},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
	if i := c.Items[2]; !close9(i.Observed.V, 59) || !close9(i.AtS.V, 2.7) || i.Limit != 60 {
		t.Errorf("%+v", i)
	}
	// One edge tells nothing: not measured, and never a pass.
	r = measure(t, Config{Limits: p}, edgesAt(Low, 0))
	if r.Conformity.Statement != NotMeasured {
		t.Errorf("one edge: %s", r.Conformity.Statement)
	}
}

func TestConfigErrors(t *testing.T) {
	for want, c := range map[string]Config{
		"limits \"x\" are for kind interrupter, not dial":         {Kind: KindDial, Limits: &Profile{ID: "x", Kind: KindInterrupter}},
		"even number of segments, not 3":                          {CadenceNS: []int64{1, 2, 3}},
		"segment 2 of the cadence is not above 0":                 {CadenceNS: []int64{1, 0}},
		"must not be negative":                                    {SettleNS: -1},
		"shortest pulse 300 ms is not below longest pulse 200 ms": {PulseMinNS: 300e6},
		"longest pulse 200 ms is above longest flash 100 ms":      {FlashMaxNS: 100e6},
		"lobes are those of a plain interrupter":                  {Lobes: 2, CadenceNS: []int64{1, 2, 3, 4}},
	} {
		if _, err := NewMeter(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want %q", err, want)
		}
	}
}

// benchEdges is dialling with two bounces at each closing, as a good dial has.
func benchEdges(n int, bounce bool) (e []Edge) {
	at := Stamp(0)
	for i := 0; len(e) < n; i++ {
		e = append(e, Edge{At: at, Level: Low}, Edge{At: at + 60e6 + Stamp(i*7919%1000), Level: High})
		if bounce {
			e = append(e, Edge{At: at + 61e6, Level: Low}, Edge{At: at + 61500000, Level: High})
		}
		at += 100e6
		if i%5 == 4 {
			at += 700e6
		}
	}
	return e[:n]
}

func BenchmarkMeter(b *testing.B) {
	for _, c := range []struct {
		name   string
		kind   Kind
		bounce bool
		lobes  int
	}{{"dial/clean", KindDial, false, 0}, {"dial/bounce", KindDial, true, 0}, {"interrupter", KindInterrupter, false, 0}, {"lobes", KindInterrupter, false, 5}} {
		b.Run(c.name, func(b *testing.B) {
			const n = 1 << 20
			edges := benchEdges(n, c.bounce)
			if c.kind == KindInterrupter {
				for i := range edges {
					edges[i].At = Stamp(i) * 250e6
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				m, _ := NewMeter(Config{Kind: c.kind, Lobes: c.lobes})
				for i := 0; i < n; i += 8192 {
					m.Add(edges[i : i+8192])
				}
				m.Finish(0)
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/n, "ns/edge")
		})
	}
}

// The stores grow in chunks of thousands; nothing else is allocated per edge.
func TestNoAllocationPerEdge(t *testing.T) {
	edges := benchEdges(1<<20, true)
	m, _ := NewMeter(Config{Kind: KindDial})
	m.Add(edges[:1<<16])
	edges = edges[1<<16:]
	if a := testing.AllocsPerRun(10, func() { m.Add(edges[:8192]); edges = edges[8192:] }); a/8192 > 0.002 {
		t.Errorf("%v allocations for 8192 edges", a)
	}
}

// A Meter that forgets counts and calls back just as one that keeps.
func TestForget(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := anyConfig().Draw(t, "config")
		edges := anyEdges().Draw(t, "edges")
		run := func(forget bool) (log []any, c Counts) {
			cfg.Forget = forget
			cfg.Observer.Event = func(e *Event) { log = append(log, *e) }
			cfg.Observer.Pulse = func(r *PulseRow) { log = append(log, *r) }
			cfg.Observer.Train = func(r *Train) { log = append(log, *r) }
			cfg.Observer.Cycle = func(r *CycleRow) {
				x := *r
				x.SegmentsNS = slices.Clone(r.SegmentsNS)
				log = append(log, x)
			}
			m, err := NewMeter(cfg)
			if err != nil {
				t.Fatal(err)
			}
			m.Add(edges)
			m.Finish(0)
			return log, m.Counts()
		}
		log, counts := run(false)
		log2, counts2 := run(true)
		if d := cmp.Diff(log, log2) + cmp.Diff(counts, counts2); d != "" {
			t.Fatal(d)
		}
	})
}

func TestForgetKeepsNothing(t *testing.T) {
	m, _ := NewMeter(Config{Kind: KindDial, Forget: true})
	edges := benchEdges(1<<18, true)
	m.Add(edges[:1<<12])
	edges = edges[1<<12:]
	if a := testing.AllocsPerRun(10, func() { m.Add(edges[:1<<12]); edges = edges[1<<12:] }); a > 0 {
		t.Errorf("%v allocations", a)
	}
	if c := m.Counts(); c.Pulses == 0 || m.Finish(0).Dial.BreakMS.N != 0 {
		t.Errorf("%+v", c)
	}
}

// Limits for another contact are noticed: the kind that the data tell, another
// cadence, an inverted line.
func TestMisfits(t *testing.T) {
	ringing := cadenceEdges([]float64{400, 200, 400, 2000}, 1, 100)
	plain := &Profile{ID: "plain", Kind: KindInterrupter, CadenceNS: []int64{1000e6, 4000e6}, Limits: []Limit{{Quantity: BreakMS, Max: bound(4400)}}}
	r := measure(t, Config{Limits: plain}, ringing)
	if i := r.Interrupter; i.CadenceFits || i.Missing != 0 || !close9(i.RateIPM.Overall.V, 20) || len(i.Segments) != 4 || r.Conformity.Statement != NotMeasured {
		t.Errorf("ringing against a plain cadence: %+v, %s", i, r.Conformity.Statement)
	}
	// Many interruptions missing is the cadence gone wrong, not another one.
	cam := camEdges(0, 5000, 4000, 60, nil, 3, 8, 9, 15, 22, 23, 24, 31, 40)
	if r = measure(t, Config{Limits: plain}, cam); !r.Interrupter.CadenceFits || r.Interrupter.Missing != 9 ||
		r.Conformity.WorstItem() != Pass || r.Conformity.Statement != Fail || !slices.Equal(r.Conformity.Because, []string{"9 interruptions are missing"}) {
		t.Errorf("missing interruptions: %+v, %s", r.Interrupter, r.Conformity.Statement)
	}
	// The ringing machine stood still again and again, for 20 s after four rings.
	stopped := slices.Clone(ringing)
	for i := range stopped {
		stopped[i].At += Stamp(i/16) * 20e9
	}
	dial := dialEdges(0, 100, 64, 800, 5, 3, 10, 1, 5)
	for _, c := range []struct {
		cfg      Config
		edges    []Edge
		kind     string
		looks    string
		inverted bool
	}{
		{Config{Limits: plain}, dial, "interrupter", "dial", false},
		{Config{Kind: KindDial}, ringing, "dial", "interrupter", false},
		{Config{Kind: KindDial}, dial, "dial", "dial", false},
		{Config{Polarity: ClosedLow}, dial, "interrupter", "interrupter", true},
		{Config{}, ringing, "interrupter", "interrupter", false},
		{Config{}, stopped, "interrupter", "interrupter", false},
		{Config{}, camEdges(0, 1000, 500, 20, nil), "interrupter", "interrupter", false},
	} {
		r := measure(t, c.cfg, c.edges)
		if r.Kind != c.kind || r.KindLooks == nil || *r.KindLooks != c.looks || r.MaybeInverted != c.inverted {
			t.Errorf("%+v: kind %s, looks %v, inverted %v", c, r.Kind, r.KindLooks, r.MaybeInverted)
		}
	}
	if r := measure(t, Config{}, edgesAt(Low, 0)); r.KindLooks != nil || r.Kind != "dial" {
		t.Errorf("one edge looks like %v", r.KindLooks)
	}
}

// A hang-up or a flash among digits does not make a dial an interrupter.
func TestDialWithHangUp(t *testing.T) {
	for _, counts := range [][]int{{1, 2, 3}, {10, 10}, {9, 10}, {5}} {
		for _, long := range []float64{500, 3000} {
			e := dialEdges(0, 100, 60, 800, counts...)
			at := float64(e[len(e)-1].At)/1e6 + 800
			e = slices.Concat(e, edgesAt(Low, at, at+long), dialEdges(at+long+800, 100, 60, 800, 4, 5, 10))
			if r := measure(t, Config{}, e); r.Kind != "dial" {
				t.Errorf("%v, %v ms open, then 4 5 0: %s", counts, long, r.Kind)
			}
		}
	}
}

// A level that stays unknown to the end cuts the last train.
func TestUnknownToTheEnd(t *testing.T) {
	e := append(dialEdges(1000, 100, 60, 0, 3), Edge{At: 1270 * msec, Level: Unknown})
	for _, live := range []bool{false, true} {
		m, _ := NewMeter(Config{Kind: KindDial, Live: live, StartLevel: High})
		m.Add(e)
		m.Advance(5000 * msec)
		r := m.Finish(9000 * msec)
		train := slices.Collect(r.Dial.Trains.All())[0]
		if r.Dial.Digits != "" || !train.Partial || r.Capture.Unknown != 1 || !r.Capture.PartialEnd || live != (r.Capture.UnknownS > 7.7) {
			t.Errorf("live %v: %q %+v %+v", live, r.Dial.Digits, train, r.Capture)
		}
	}
}

// A live capture whose level at the start could not be read does not know
// what came before its first opening.
func TestLiveStartUnknown(t *testing.T) {
	for lead, partial := range map[float64]bool{5: true, 149: true, 150: false} {
		r := measure(t, Config{Kind: KindDial, Live: true, StartLevel: Unknown}, dialEdges(lead, 100, 60, 0, 3))
		if r.Capture.PartialStart != partial {
			t.Errorf("opens after %v ms: partial start %v", lead, r.Capture.PartialStart)
		}
	}
}

// A transition with edges lost in its burst counts as one, and tells no time
// and no bounce.
func TestLossInsideABounce(t *testing.T) {
	e := dialEdges(1000, 100, 60, 0, 5)
	e = slices.Insert(e, 5, Edge{At: e[4].At + 5e5, Level: Low, Lost: 1})
	r := measure(t, Config{Kind: KindDial}, e)
	if r.Dial.Digits != "" || r.Dial.BreakMS.N != 4 || r.Dial.RatePPS.N != 2 || r.Capture.LostEdges != 1 || r.Capture.Unknown != 1 ||
		r.Settling.Transitions != 10 || r.Settling.BounceMS.N != 9 {
		t.Errorf("%+v %+v %+v", r.Dial, r.Capture, r.Settling)
	}
}

// Advance may not decide what a pending burst may still change.
func TestAdvanceDuringABurst(t *testing.T) {
	m, _ := NewMeter(Config{Kind: KindDial, Live: true, StartLevel: High})
	m.Add(edgesAt(Low, 1000, 1060, 1209))
	m.Advance(1211 * msec)
	m.Add([]Edge{{At: 1269 * msec, Level: High}})
	if d := m.Finish(3000 * msec).Dial.Digits; d != "2" {
		t.Errorf("digits %q, want 2", d)
	}
}

// Budgets of a compound cadence: the cycle's length, and each break's edges.
func TestCadenceBudget(t *testing.T) {
	r := measure(t, Config{}, cadenceEdges([]float64{400, 200, 400, 2000}, 1, 100))
	s := DefaultSetup()
	for q, want := range map[Quantity]float64{
		PeriodMS: s.Budget(PeriodMS, 1, 0, 3000e6).Expanded.V,
		RateIPM:  s.Budget(RateIPM, 1, 0, 3000e6).Expanded.V,
		// Two breaks, each with two edges: 2 k √(2·2·u_t² + (2·δ)²) · 100 / 3000,
		// a little less for what the period takes part in.
		BreakPercent: 2 * math.Sqrt(2*2*0.02*0.02+4*0.057735*0.057735) * 100 / 3000,
	} {
		if got := r.Uncertainty[q].Expanded.V; math.Abs(got-want) > 0.03*want {
			t.Errorf("%s: U %v, want %v", q, got, want)
		}
	}
}

// Times count from the first edge and tell where the recording has an opening,
// so no correction moves them, and none is negative; lengths are corrected.
func TestTimesUnderAsymmetry(t *testing.T) {
	limits := &Profile{ID: "own", Limits: []Limit{{Quantity: BreakMS, Min: bound(1)}, {Quantity: PeriodMS, Min: bound(1)}, {Quantity: BounceMS, Max: bound(9)}}}
	bouncing := dialEdges(0, 100, 60, 800, 3, 2)
	bouncing = slices.Insert(bouncing, 1, Edge{At: Stamp(1e6), Level: High}, Edge{At: Stamp(2e6), Level: Low})
	closing := slices.Concat(edgesAt(High, 0), dialEdges(20, 100, 60, 800, 3, 2))
	cam := camEdges(0, 1000, 500, 12, nil)
	for _, c := range []struct {
		name  string
		edges []Edge
		kind  Kind
		live  bool
	}{
		{"dial", bouncing, KindDial, false}, {"closed first", closing, KindDial, false}, {"live", bouncing, KindDial, true},
		{"cam", cam, KindInterrupter, false}, {"cam closed first", slices.Concat(edgesAt(High, -20), cam), KindInterrupter, false},
	} {
		times := func(asymmetry float64) (at []float64, breakMS float64) {
			s := DefaultSetup()
			s.AsymmetryNS = asymmetry
			p := *limits
			p.Kind = c.kind
			cfg := Config{Kind: c.kind, Setup: &s, Limits: &p, Live: c.live, StartLevel: High}
			if c.kind == KindInterrupter {
				cfg.Lobes = 2
			}
			m, err := NewMeter(cfg)
			if err != nil {
				t.Fatal(err)
			}
			m.Add(c.edges)
			r := m.Finish(c.edges[len(c.edges)-1].At + Stamp(1e9))
			for _, it := range r.Conformity.Items {
				at = append(at, it.AtS.V)
			}
			if r.Dial == nil {
				return append(at, r.Interrupter.LobesFromS.V), r.Interrupter.BreakMS.Mean.V
			}
			for x := range r.Dial.Trains.All() {
				at = append(at, x.StartS)
			}
			return at, r.Dial.BreakMS.Mean.V
		}
		want, breakMS := times(0)
		for _, asymmetry := range []float64{0.5e6, -0.5e6, 30e6} {
			got, b := times(asymmetry)
			if !slices.Equal(got, want) || !close9(b, breakMS+asymmetry/1e6) {
				t.Errorf("%s, asymmetry %v ns: times %v, breaks of %v ms; without %v, %v ms", c.name, asymmetry, got, b, want, breakMS)
			}
			if slices.Min(got) < 0 {
				t.Errorf("%s, asymmetry %v ns: %v", c.name, asymmetry, got)
			}
		}
	}
}
