package report

import (
	"errors"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/daemon/config"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

func measureEdges(t testing.TB, edges []pulse.Edge, cfg pulse.Config) *pulse.Measurement {
	t.Helper()
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add(edges)
	r := m.Finish(0)
	r.Source = "marrow-quay.csv"
	return r
}

func limits(t testing.TB, id string) *pulse.Profile {
	t.Helper()
	if id == "" {
		return nil
	}
	p, err := config.Profile(id)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// What the trade would look at first follows the fault that was put in.
func TestAdvice(t *testing.T) {
	const dial, cam, ring = "us-1956-dial-late", "us-fcc-busy", "au-s002-ringing-tone"
	for _, c := range []struct {
		name, desc, limits string
		cfg                pulse.Config
		want               []string // a part of each hint, in order
	}{
		{name: "in order", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms", limits: dial},
		{name: "slow", desc: "dial digits=1234567890 rate=9 break=62 gap=800ms", limits: dial,
			want: []string{"The rate is too slow while percent break holds: the governor first, then dirt or want of oil in its gears"}},
		{name: "fast", desc: "dial digits=1234567890 rate=11 break=62 gap=800ms", limits: dial,
			want: []string{"The rate is too fast while percent break holds: the governor's setting first, then oil on its friction surface"}},
		{name: "break high", desc: "dial digits=1234567890 rate=10 break=70 gap=800ms", limits: dial,
			want: []string{"percent break is too high while the rate holds: a narrower gap of the impulse springs shortens the break, whose mean is 8.0 percentage points above the middle of its limits. Then their tension"}},
		{name: "break low", desc: "dial digits=1234567890 rate=10 break=55 gap=800ms", limits: dial,
			want: []string{"too low while the rate holds: a wider gap of the impulse springs lengthens the break, whose mean is 7.0 percentage points below the middle"}},
		{name: "both", desc: "dial digits=1234567890 rate=8 break=70 gap=800ms", limits: dial,
			want: []string{"Both rate and percent break are off. The rate, too slow, comes first: the governor first, then dirt"}},
		// GOST 23595-79 limits break and make, not rate and percent break.
		{name: "slow by break and make", desc: "dial digits=1234567890 rate=7 break=63 gap=800ms", limits: "su-gost-23595-dial",
			want: []string{"The rate is too slow"}},
		{name: "fast by break and make", desc: "dial digits=1234567890 rate=16 break=60 gap=800ms", limits: "su-gost-23595-dial",
			want: []string{"The rate is too fast"}},
		{name: "high by break and make", desc: "dial digits=1234567890 rate=10 break=80 gap=800ms", limits: "su-gost-23595-dial",
			want: []string{"percent break is too high while the rate holds: the gap of the impulse springs first. Then"}},
		{name: "low by make alone", desc: "dial digits=1234567890 rate=10 break=45 gap=800ms", limits: "su-gost-23595-dial",
			want: []string{"percent break is too low"}},
		{name: "pause", desc: "dial digits=1234567890 rate=10 break=65 gap=500ms", limits: "au-s002-dial",
			want: []string{"The pause between digits is too short"}},
		{name: "bounce", desc: "dial digits=1234567890 rate=10 break=65 gap=800ms bounce-close=2:2ms", limits: "au-s002-dial",
			want: []string{"Bounce is too long: the tension of the contact springs"}},
		{name: "unsteady", desc: "dial digits=1234567890 rate=10 break=65 gap=800ms ramp=-12,-9,-6,-3", want: []string{"The rate wanders by"}},
		{name: "run together", desc: "dial digits=99 rate=10 break=65 gap=40ms", cfg: pulse.Config{Kind: pulse.KindDial}, want: []string{"A train of 18 pulses is no digit"}},
		{name: "one train", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7:70", limits: dial,
			want: []string{"The percent break is too high in train 7 alone, where all 6 pulses out of limit are: look at what is particular there"}},
		{name: "one digit", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70", limits: dial,
			want: []string{"The percent break is too high in 3 trains of digit 7 alone, where all 18 pulses out of limit are"}},
		{name: "one digit by another coding", desc: "dial digits=1234567890 coding=10-n repeat=3 rate=10 break=62 gap=800ms break-at=3:70", limits: dial,
			cfg: pulse.Config{Coding: pulse.Coding10MinusN, CodingSet: true}, want: []string{"too high in 3 trains of digit 3 alone"}},
		{name: "one pulse", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7.3:70ms", limits: dial,
			want: []string{"The percent break is too high in one pulse alone, train 7, pulse 3: look"}},
		{name: "two digits", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70,4:70", limits: dial,
			want: []string{"percent break is too high while the rate holds: a narrower gap"}},
		{name: "every train", desc: "dial digits=7777 rate=10 break=70 gap=800ms", limits: dial,
			want: []string{"percent break is too high while the rate holds: a narrower gap"}},
		{name: "slow, and one digit", desc: "dial digits=1234567890 repeat=2 rate=9 break=62 gap=800ms break-at=7:70", limits: dial,
			want: []string{"The percent break is too high in 2 trains of digit 7 alone", "The rate is too slow: the governor"}},
		{name: "one slow train", desc: "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=9.2:90ms", limits: "su-gost-7153-dial",
			want: []string{"The percent break is too high in one pulse alone, train 9, pulse 2"}},
		{name: "one digit, another train cut", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70 lost=0.005 seed=3", limits: dial,
			want: []string{"too high in 3 trains of digit 7 alone, where all 18 pulses", "Edges were lost"}},
		{name: "one digit, one of its trains cut", desc: "dial digits=1234567890 repeat=3 rate=10 break=62 gap=800ms break-at=7:70 lost=0.03 seed=2", limits: dial,
			want: []string{"percent break is too high while the rate holds", "Edges were lost"}},
		{name: "cam in order", desc: "cam ipm=60 break=50 cycles=50", limits: cam},
		{name: "motor", desc: "cam ipm=50 break=50 cycles=50", limits: cam, want: []string{"The rate is too slow: the motor's speed"}},
		{name: "long period", desc: "cadence 500/19500 cycles=8", limits: "au-s002-intrusion", want: []string{"The rate is too slow: the motor's speed"}},
		{name: "springs", desc: "cam ipm=60 break=60 cycles=50", limits: cam, want: []string{"Make and break share the cycle wrongly while the rate holds"}},
		{name: "lobe", desc: "cam ipm=60 break=50 lobes=5 lobe-errors=0,0,-12ms,0,0 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 5},
			want: []string{"Lobe 3 opens 12.0"}},
		{name: "lobe worn", desc: "cam ipm=60 break=50 lobes=5 lobe-errors=0,0,12ms,0,0 lobe-breaks=0,0,-35ms,0,0 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 5},
			want: []string{"ms late and its break is 34.98 ms short"}},
		{name: "lobe short alone", desc: "cam ipm=60 break=50 lobes=5 lobe-breaks=0,0,-35ms,0,0 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 5},
			want: []string{"The break of lobe 3 is 34.98 ms short"}},
		{name: "two lobes", desc: "cam ipm=60 break=50 lobes=5 lobe-errors=0,-12ms,0,0,0 lobe-breaks=0,0,0,35ms,0 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 5},
			want: []string{"ms early; the break of lobe 4 is"}},
		{name: "lobe out of limit", desc: "cam ipm=60 break=50 lobes=5 lobe-breaks=0,0,-70ms,0,0 turns=20 jitter=0.2ms", limits: cam, cfg: pulse.Config{Lobes: 5},
			want: []string{"The break of lobe 3 is 69.98 ms short"}},
		{name: "lobes not asked for", desc: "cam ipm=60 break=50 lobes=5 lobe-errors=0,0,-12ms,0,0 turns=20 jitter=0.2ms",
			want: []string{"The cycles repeat every 5 openings. If the cam has 5 lobes, --lobes 5 shows the errors of each."}},
		{name: "too few lobes asked for", desc: "cam ipm=60 break=50 lobes=5 lobe-errors=0,0,-12ms,0,0 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 4},
			want: []string{"The cycles repeat every 5 openings, which 4 lobes cannot show: each figure is a mixture. If the cam has 5 lobes, --lobes 5 shows"}},
		{name: "too many lobes asked for", desc: "cam ipm=60 break=50 lobes=5 lobe-breaks=0,0,-35ms,0,0 turns=30 jitter=0.2ms", cfg: pulse.Config{Lobes: 6},
			want: []string{"The cycles repeat every 5 openings, which 6 lobes cannot show"}},
		{name: "one lobe asked for", desc: "cam ipm=60 break=50 lobes=5 lobe-breaks=0,0,-35ms,0,0 turns=30 jitter=0.2ms", cfg: pulse.Config{Lobes: 1},
			want: []string{"The cycles repeat every 5 openings, which 1 lobe cannot show"}},
		{name: "two turns asked for", desc: "cam ipm=60 break=50 lobes=5 lobe-errors=0,0,-12ms,0,0 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 10}},
		{name: "breaks of lobes not asked for", desc: "cam ipm=60 break=50 lobes=3 lobe-breaks=0,-70ms,0 turns=20 jitter=0.2ms", limits: cam,
			want: []string{"The cycles repeat every 3 openings"}},
		{name: "unsteady motor", desc: "cam ipm=120 break=50 cycles=100 jitter=10ms", cfg: pulse.Config{PeriodNS: 500e6, Kind: pulse.KindInterrupter}, want: []string{"from cycle to cycle: unsteady drive, or the lobes"}},
		{name: "unsteady motor, lobes alike", desc: "cam ipm=120 break=50 lobes=5 cycles=100 jitter=10ms", cfg: pulse.Config{Lobes: 5}, want: []string{"from cycle to cycle: unsteady drive."}},
		{name: "lobes alike", desc: "cam ipm=60 break=50 lobes=5 turns=20 jitter=0.2ms", cfg: pulse.Config{Lobes: 5}},
		{name: "missing", desc: "cam ipm=60 break=50 cycles=50 missing-at=20", want: []string{"1 interruption is missing: a contact that did not close"}},
		{name: "ringing in order", desc: "cadence 400/200/400/2000 cycles=20", limits: ring},
		{name: "one segment", desc: "cadence 400/300/400/1900 cycles=20", limits: ring, want: []string{"Segments off: 2 (break, too long). The part of the cam"}},
		{name: "all segments", desc: "cadence 480/240/480/2400 cycles=20", limits: ring, want: []string{"all off together: the motor's speed"}},
		{name: "chatter", desc: "dial digits=1234567890 rate=10 break=65 gap=800ms chatter=2/s chatter-length=1ms seed=5", want: []string{"of chatter, a contact that moved and came back"}},
		{name: "lost", desc: "dial digits=1234567890 rate=10 break=65 gap=800ms lost=0.03 seed=4", want: []string{"Edges were lost"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.cfg.Limits = limits(t, c.limits)
			survey := surveyed(&c.cfg)
			m := measureEdges(t, hwtest.Sim(t, c.desc), c.cfg)
			got := adviceOf(m, survey)
			match := len(got) == len(c.want)
			for i := 0; match && i < len(got); i++ {
				match = strings.Contains(got[i], c.want[i])
			}
			if !match {
				t.Errorf("got %q, want parts %q", got, c.want)
			}
		})
	}
}

// surveyed adds a Survey to what cfg observes.
func surveyed(cfg *pulse.Config) *pulse.Survey {
	s := pulse.NewSurvey(cfg)
	cfg.Observer = pulse.Tee(cfg.Observer, s.Observer())
	return s
}

// adviceOf gives the items of the advice on m.
func adviceOf(m *pulse.Measurement, s *pulse.Survey) (items []string) {
	doc := new(Document)
	adviceOn(doc, m, digest(m), s)
	for _, b := range doc.Blocks {
		if p, ok := b.(Paragraph); ok && p.Bullet {
			items = append(items, p.Text)
		}
	}
	return items
}

// text is the page of a document without colours.
func text(t testing.TB, doc *Document) string {
	t.Helper()
	var b strings.Builder
	if err := doc.Text(&b, false, PageWidth); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

var colours = regexp.MustCompile("\x1b\\[[0-9;]*m")

// Whatever is measured, the page fits 80 columns, and its colours add nothing
// to its words.
func TestPageFits(t *testing.T) {
	sets := []*pulse.Profile{nil}
	for _, id := range []string{"au-s002-dial", "us-1956-dial-late", "us-tia-470-dial", "us-fcc-busy", "au-s002-ringing-tone"} {
		sets = append(sets, limits(t, id))
	}
	all, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	var signals [][]pulse.Edge
	for _, desc := range []string{
		"dial digits=1234567890 repeat=9 rate=9.37 jitter=2ms bounce=3:3ms chatter=3/s lost=0.01",
		"dial digits=159F7H2 rate=20 break=67 short-breaks=1/s", "cam ipm=61.7 lobes=9 jitter=5ms missing=0.05 extra=0.05",
		"cadence 400/200/400/2000 cycles=30 jitter=8ms", "cadence 100/100/100/100/100/100/400/400 cycles=30", "cam ipm=3 cycles=90",
	} {
		signals = append(signals, hwtest.Sim(t, desc))
	}
	rapid.Check(t, func(rt *rapid.T) {
		edges := slices.Clone(rapid.SampledFrom(signals).Draw(rt, "signal"))
		edges = edges[:rapid.IntRange(1, len(edges)).Draw(rt, "edges")]
		scale := pulse.Stamp(rapid.SampledFrom([]int64{1, 1, 1, 997, 1_000_003}).Draw(rt, "scale"))
		for i := range edges {
			edges[i].At *= scale
		}
		profile := rapid.SampledFrom(sets).Draw(rt, "limits")
		cfg := pulse.Config{Limits: profile, Polarity: rapid.SampledFrom([]pulse.Polarity{pulse.ClosedHigh, pulse.ClosedLow}).Draw(rt, "polarity")}
		if profile == nil {
			cfg.Kind = rapid.SampledFrom([]pulse.Kind{pulse.KindAuto, pulse.KindDial, pulse.KindInterrupter}).Draw(rt, "kind")
			if cfg.Kind == pulse.KindInterrupter {
				cfg.Lobes = rapid.SampledFrom([]int{0, 1, 9, 40}).Draw(rt, "lobes")
			}
		}
		setup := pulse.DefaultSetup()
		setup.EdgeNoiseNS = rapid.SampledFrom([]float64{0, 1, 20e3, 50e6}).Draw(rt, "noise")
		cfg.Setup = &setup
		survey := surveyed(&cfg)
		m := measureEdges(t, edges, cfg)
		m.Source = rapid.StringN(0, 200, -1).Draw(rt, "source")

		a := &About{Limits: profile, Stopped: "stopped by you after 1 MB of 2 MB", Survey: survey, Samples: rapid.Bool().Draw(rt, "samples")}
		if profile == nil {
			a.Known = all
		}
		doc := OfMeasurement(m, a)
		var dull, coloured, page strings.Builder
		if err := errors.Join(doc.Text(&dull, false, PageWidth), doc.Text(&coloured, true, PageWidth), doc.HTML(&page, "Marrow Quay")); err != nil {
			rt.Fatal(err)
		}
		if colours.MatchString(dull.String()) {
			rt.Error("colours on a page without")
		}
		if diff := cmp.Diff(dull.String(), colours.ReplaceAllString(coloured.String(), "")); diff != "" {
			rt.Errorf("colours change the words (-without +with):\n%s", diff)
		}
		if diff := cmp.Diff(wordsOf(doc), readHTML(rt, page.String())); diff != "" {
			rt.Errorf("the HTML page says something else (-document +page):\n%s", diff)
		}
		for line := range strings.Lines(dull.String()) {
			if n := width(strings.TrimSuffix(line, "\n")); n > PageWidth {
				rt.Errorf("%d columns: %s", n, line)
			}
			if strings.TrimRight(line, " \n") != strings.TrimSuffix(line, "\n") {
				rt.Errorf("blanks at the end: %q", line)
			}
		}
		if strings.Contains(dull.String(), "NaN") || strings.Contains(dull.String(), "Inf") {
			rt.Error("a number that is none:\n" + dull.String())
		}
	})
}

// A long list of trains is folded, and keeps the train that a limit names.
func TestTrainsFold(t *testing.T) {
	edges := hwtest.Sim(t, "dial digits=1234567890 repeat=30 rate=10 break=65 gap=800ms break-at=7:80")
	late := edges[len(edges)/2:]
	for i := range late { // one pause is longer than the others
		late[i].At += 1e9
	}
	m := measureEdges(t, edges, pulse.Config{})
	doc := new(Document)
	listTrains(doc, m, digest(m))
	text := text(t, doc)
	if n := strings.Count(text, "\n"); n > 30 {
		t.Errorf("%d lines", n)
	}
	for _, want := range []string{"\n      1 ", "\n      5 ", "\n    296 ", "\n    300 ", "\n      7 ", "1800.00\n", "\n  …\n"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in:\n%s", want, text)
		}
	}
}

// What decides is told in the order of the trade, what could not be measured
// once for both its bounds, and nothing that passes.
func TestDeciding(t *testing.T) {
	known := pulse.Known
	m := &pulse.Measurement{Dial: &pulse.Dial{}, Conformity: &pulse.Conformity{Items: []pulse.Item{
		{Quantity: "break_percent", Bound: "min", Limit: 60, Observed: known(61), ExpandedU: known(0.1), Statement: pulse.Pass, Of: 9},
		{Quantity: "interdigit_ms", Bound: "min", Limit: 600, Statement: pulse.NotMeasured},
		{Quantity: "interdigit_ms", Bound: "max", Limit: 3000, Statement: pulse.NotMeasured},
		{Quantity: "make_ms", Bound: "max", Limit: 40, Observed: known(39.95), ExpandedU: known(0.13), Statement: pulse.ConditionalPass, Of: 9, Upper95: known(30)},
		{Quantity: "bounce_ms", Bound: "max", Limit: 0.5, Observed: known(0.4), ExpandedU: known(0.05), Statement: pulse.Pass, Of: 9},
		{Quantity: "rate_pps", Bound: "min", Limit: 9.5, Observed: known(9.49), ExpandedU: known(0.0057), Statement: pulse.Fail,
			OutOfLimit: 1, Of: 9, Upper95: known(45), At: pulse.Location{Train: 2, Pulse: 3}, AtS: known(4000)},
		{Quantity: "break_ms", Bound: "max", Limit: 70, Observed: known(70.05), ExpandedU: known(0.13), Statement: pulse.ConditionalFail, OutOfLimit: 9, Of: 9},
	}}}
	doc := new(Document)
	deciding(doc, m, digest(m), nil)
	want := `
Rate min 9.5 pps: the worst, 9.4900 pps ± 0.0057 pps, is 0.0100 pps below it, on
train 2, pulse 3, at 1:06:40.000. Out of limit: 1 of 9: at most 45 % (95 %
bound).

Break max 70 ms: the worst, 70.05 ms ± 0.13 ms, is 0.05 ms above it. Out of
limit: 9 of 9.

Interdigit was not measured: it needs two trains with nothing but the pause
between them.
And 1 more: see the table.
`
	if diff := cmp.Diff(want, text(t, doc)); diff != "" {
		t.Error(diff)
	}
}

// A table of segments that were not measured has no heading.
func TestSegments(t *testing.T) {
	m := &pulse.Measurement{Interrupter: &pulse.Interrupter{CadenceFits: true, Segments: []pulse.Segment{{Segment: 1, State: "make"}, {Segment: 2, State: "break"}}}}
	doc := new(Document)
	segments(doc, m, &About{})
	if len(doc.Blocks) > 0 {
		t.Errorf("got %q", doc.Blocks)
	}
	m.Interrupter.Segments[1].MS.N = 1
	segments(doc, m, &About{})
	if text := text(t, doc); !strings.HasPrefix(text, "Cadence, ms\n") || !strings.Contains(text, "2 break") || strings.Contains(text, "1 make") {
		t.Errorf("got %q", text)
	}
}

func TestLayout(t *testing.T) {
	doc := &Document{Blocks: []Block{
		Paragraph{Text: strings.Repeat("x", 70) + " ± 0.13 ms, 10 %."},
		Paragraph{Text: strings.Repeat("x", 73) + " (k = 2)."},
		Paragraph{Indent: 2, Bullet: true, Text: strings.Repeat("word ", 30) + strings.Repeat("long", 25)},
		Table{Columns: columns("lrr", "name", "n", "ms"), Rows: [][]Cell{cells("a", "1", "23.45"), nil, cells("longer", "100", "-")}},
	}}
	want := strings.Repeat("x", 70) + "\n± 0.13 ms, 10 %.\n" +
		strings.Repeat("x", 73) + "\n(k = 2).\n" +
		"  - " + strings.Repeat("word ", 14) + "word\n" +
		"    " + strings.Repeat("word ", 14) + "word\n" +
		"    " + strings.Repeat("long", 25) + "\n" +
		"  name      n     ms\n" +
		"  a         1  23.45\n" +
		"  …\n" +
		"  longer  100      -\n"
	if diff := cmp.Diff(want, text(t, doc)); diff != "" {
		t.Error(diff)
	}
	for _, c := range []struct {
		in   string
		n    int
		want string
	}{{"short", 8, "short"}, {"abcdefghij", 10, "abcdefghij"}, {"abcdefghijk", 7, "ab…hijk"}} {
		if got := Shorten(c.in, c.n); got != c.want {
			t.Errorf("Shorten(%q, %d) = %q, want %q", c.in, c.n, got, c.want)
		}
	}
}

// A distance from a limit is never told as 0, nor is an uncertainty; what is on
// a limit is told to be. Invented figures.
func TestDistances(t *testing.T) {
	for _, c := range []struct {
		bound       string
		observed, u float64
		want        string
	}{
		{"max", 70.0004, 0.13, "the worst, 70.0004 ms ± 0.13 ms, is 0.00040 ms above it"},
		{"max", 69.9996, 0.13, "the worst, 69.9996 ms ± 0.13 ms, keeps it by only 0.00040 ms"},
		{"min", 69.9996, 0.13, "the worst, 69.9996 ms ± 0.13 ms, is 0.00040 ms below it"},
		{"max", 70, 0.13, "the worst, 70.00 ms ± 0.13 ms, is on it"},
		{"min", 70.00000000000001, 0.13, "the worst, 70.00 ms ± 0.13 ms, is on it"},
		{"max", 81.52, 0.13, "the worst, 81.52 ms ± 0.13 ms, is 11.52 ms above it"},
		{"max", 70.0000004, 4e-8, "the worst, 70.0000004 ms ± 0.000000040 ms, is 0.00000040 ms above it"},
		{"max", 69, 0, "Nearest to its limit is break max 70 ms: the worst, 69.000 ms ± 0.000 ms, keeps it by 1.000 ms"},
	} {
		it := pulse.Item{Quantity: "break_ms", Bound: c.bound, Limit: 70, Observed: pulse.Known(c.observed), ExpandedU: pulse.Known(c.u), OutOfLimit: 1, Of: 2}
		it.Statement = pulse.Judge(c.observed, 70, c.u, c.bound == "max")
		if s := itemSentence(&Document{}, &pulse.Measurement{}, &trainDigest{}, it, nil); !strings.Contains(s, c.want) {
			t.Errorf("%s %v ± %v: %q, want %q", c.bound, c.observed, c.u, s, c.want)
		}
	}
}

// A page tells of stalls, and of flashes that may be some.
func TestPageStalls(t *testing.T) {
	ms := []float64{1000, 1060, 1100, 1600, 1640, 1700, 2500, 2560, 2600, 3100} // pulse, stall, pulse; pulse, flash
	edges := make([]pulse.Edge, len(ms))
	for i, at := range ms {
		edges[i] = pulse.Edge{At: pulse.Stamp(at * 1e6), Level: pulse.Level(i & 1)}
	}
	m := measureEdges(t, edges, pulse.Config{Kind: pulse.KindDial})
	doc, d := new(Document), digest(m)
	recording(doc, m, d, &About{})
	dial(doc, m, d)
	listTrains(doc, m, d)
	h := strings.Join(adviceOf(m, nil), "; ")
	if !strings.Contains(h, "1 break stalled inside a digit") || strings.Contains(h, "is no digit") {
		t.Error(h)
	}
	text := strings.Join(strings.Fields(text(t, doc)), " ")
	for _, want := range []string{
		"3 pulses in 2 trains; 0 short breaks, 1 flash, 0 disconnects, 1 stall inside a digit.",
		"Digits ?1 (normal coding; ? is a train that is no digit, or holds a stall)",
		" - stalled ", "1 flash has a pause on one side only",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in:\n%s", want, text)
		}
	}
}

// Flashes and disconnects have their time and length on the page, calls between
// which the line was disconnected are parted, and a time at which edges were lost
// says when and in which train. The signals are invented; breaks and pauses of
// them, in ms, are worked by hand.
func TestPageLongBreaks(t *testing.T) {
	var edges []pulse.Edge
	at := 0.0
	change := func(level pulse.Level, ms float64) { // a level that lasts so long
		edges = append(edges, pulse.Edge{At: pulse.Stamp(at * 1e6), Level: level})
		at += ms
	}
	digit := func(n int) {
		for range n {
			change(0, 60)
			change(1, 40)
		}
		at += 760 // 800 ms in all
	}
	change(1, 1000)
	digit(2)
	change(0, 400) // a flash
	change(1, 800)
	digit(1)
	change(0, 2500) // a disconnect
	change(1, 800)
	digit(3)
	change(0, 15000)
	change(1, 800)
	digit(4)
	m := measureEdges(t, edges, pulse.Config{Kind: pulse.KindDial})
	doc := new(Document)
	dial(doc, m, digest(m))
	text1 := strings.Join(strings.Fields(text(t, doc)), " ")
	for _, want := range []string{
		"1 flash, 2 disconnects",
		"Digits 21 / 3 / 4 (normal coding; / is a disconnect)",
		"Flash of 400.00 ms at 1.960 s, after train 1.",
		"Disconnect of 2500.00 ms at 4.020 s, after train 2.",
		"Disconnect of 15.000 s at 8.380 s, after train 3.",
	} {
		if !strings.Contains(text1, want) {
			t.Errorf("no %q in:\n%s", want, text1)
		}
	}

	// The edges of one make are lost in the second train.
	at, edges = 0, nil
	change(1, 1000)
	digit(4)
	digit(5)
	lost := slices.Delete(slices.Clone(edges), 13, 15)
	lost[13].Lost = 2
	m = measureEdges(t, lost, pulse.Config{Kind: pulse.KindDial})
	doc = new(Document)
	recording(doc, m, digest(m), &About{})
	if got := text(t, doc); !strings.Contains(got, "\n  Unknown at ") || !strings.Contains(got, ", in train 2.\n") {
		t.Errorf("the time of what was lost is missing in:\n%s", got)
	}
}

// On a wide terminal a table has what it lacks on a narrow one, and running text
// stays as wide. On a narrower one than PageWidth nothing is lost.
func TestWideTerminal(t *testing.T) {
	doc := new(Document)
	doc.say(strings.Repeat("Some words of a text that runs on. ", 10))
	table := Table{Columns: []Column{{Title: "first"}, {Title: "second", Rank: 1}, {Title: "list", List: true}}}
	table.Rows = [][]Cell{cells(strings.Repeat("a", 40), strings.Repeat("b", 40), strings.Repeat("item, ", 20)+"end")}
	doc.add(table)
	folding := Table{Headless: true, Columns: []Column{{}, {Folds: true}}, Rows: [][]Cell{cells("c", strings.Repeat("word ", 30))}}
	margin := Table{Columns: columns("rrrr", "0", "1", "2", "3"), Across: 2, Rows: [][]Cell{cells("0", "10", "20", "30")}}
	doc.add(folding, margin)
	for _, c := range []struct {
		columns, widest int
		has, lacks      string
	}{
		{0, 80, "item, item, …", "bbb"}, {40, 80, "item, item, …", "bbb"}, {80, 80, "item, item, …", "bbb"},
		{160, 160, strings.Repeat("b", 40), "aaa  item"}, {400, 241, "item, end", "…"},
	} {
		var b strings.Builder
		if err := doc.Text(&b, false, c.columns); err != nil {
			t.Fatal(err)
		}
		text, widest, prose := b.String(), 0, 0
		for line := range strings.SplitSeq(text, "\n") {
			widest = max(widest, width(line))
			if strings.Contains(line, "runs on") {
				prose = max(prose, width(line))
			}
		}
		if !strings.Contains(text, c.has) || strings.Contains(text, c.lacks) || widest > c.widest || prose > PageWidth {
			t.Errorf("%d columns: %d wide, text %d:\n%s", c.columns, widest, prose, text)
		}
		if parted := strings.Count(text, "  30\n") == strings.Count(text, "  20  30\n"); parted != (c.columns > PageWidth) {
			t.Errorf("%d columns: parted %v:\n%s", c.columns, parted, text)
		}
	}
}

// A mean and a standard deviation have no more digits than their own scatter
// bears, by hand: of 100 values with s = 2, 2·s/√n is 0.4 and 2·s/√(2n − 2) is 0.28,
// of which two digits show; a single value known to ±0.001 has four decimals.
func TestScatterDecimals(t *testing.T) {
	for _, c := range []struct {
		stat     pulse.Stat
		mean, sd int
	}{
		{pulse.Stat{N: 100, SD: pulse.Known(2)}, 2, 2},
		{pulse.Stat{N: 100, SD: pulse.Known(20)}, 1, 1},
		{pulse.Stat{N: 100, SD: pulse.Known(1e-4)}, 4, 4},
		{pulse.Stat{N: 1}, 4, 4},
		{pulse.Stat{N: 5, SD: pulse.Known(0)}, 4, 4},
	} {
		r := statRow{stat: c.stat, decimals: 4}
		if mean, sd := r.scatterDecimals(); mean != c.mean || sd != c.sd {
			t.Errorf("%+v: %d and %d decimals, want %d and %d", c.stat, mean, sd, c.mean, c.sd)
		}
	}
}
