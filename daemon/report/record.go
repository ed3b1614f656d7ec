package report

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/plot"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// Particulars are what a record says beside a result. What nobody gave is left
// blank, to be filled in by hand.
type Particulars struct {
	By, Site, Equipment, Remark string
	Written                     time.Time
	Program                     string // name and version
	Sums                        []Sum
}

// A Sum is the checksum of the edges that a result is of.
type Sum struct {
	Of     string // the source, or what it is of two
	SHA256 string // in hexadecimal digits
	Edges  int
}

// SumMark stands before the checksums in every form of a record, whatever its
// format: --check looks for it.
const SumMark = "makebreak-edges"

// SumLine is what a record holds for --check.
func SumLine(sums []Sum) string {
	line := SumMark
	for _, s := range sums {
		line += " sha256:" + s.SHA256
	}
	return line
}

// SumsIn finds the checksums in a record; none where there are none. A record of
// which something was cut, that is none, or in which a remark claims others, has none.
func SumsIn(record []byte) (sums []string) {
	_, rest, ok := strings.Cut(string(record), SumMark+" ")
	for ; ok; _, rest, ok = strings.Cut(rest, SumMark+" ") {
		all := sumsAt(rest)
		if len(all) > 0 && len(sums) > 0 && !slices.Equal(all, sums) {
			return nil
		}
		if len(all) > 0 {
			sums = all
		}
	}
	return sums
}

// sumsAt are the checksums at the beginning of a text.
func sumsAt(rest string) (all []string) {
	for ok := true; ok; {
		var hex string
		if rest, ok = strings.CutPrefix(rest, "sha256:"); !ok || len(rest) < sumDigits {
			return all
		}
		hex, rest = rest[:sumDigits], rest[sumDigits:]
		if strings.Trim(hex, "0123456789abcdef") != "" {
			return all
		}
		all = append(all, hex)
		rest, ok = strings.CutPrefix(rest, " ")
	}
	return all
}

// sumDigits are those of a SHA-256.
const sumDigits = 64

// blank is a line to write on.
const blank = "______________________________"

// OfRecord makes the test record of a measurement: what measure says, with what a
// binder needs.
func OfRecord(m *pulse.Measurement, a *About, g *Gathered, p *Particulars) *Document {
	trains := digest(m)
	a.Record = true
	said := OfMeasurement(m, a).Blocks
	doc := &Document{zone: a.Zone, record: p}
	doc.add(Title{"Test record"})
	doc.particulars(p, a.Log, m.Source)
	if m.Conformity != nil {
		doc.head("Statement of conformity")
	} else {
		doc.head("Result")
	}
	at := slices.IndexFunc(said, func(b Block) bool { _, is := b.(Heading); return is })
	if at < 0 {
		at = len(said) - 1
	}
	doc.add(said[1:at]...)
	if judged(m) {
		doc.add(Space{}, statement(m))
		doc.add(decisionRule()...)
	}
	g.drawings(doc, m, trains, a.Limits)
	doc.add(said[at : len(said)-1]...)
	settings(doc, m, a)
	budget(doc, m)
	doc.close(p)
	return doc
}

// OfRecordOfComparison makes the test record of two stretches beside each other.
func OfRecordOfComparison(c *Comparison, before, after *pulse.Measurement, found, left *Gathered, p *Particulars, zone *time.Location) *Document {
	said := OfComparison(c, zone)
	doc := &Document{zone: zone, record: p}
	doc.add(Title{"Test record: a comparison"})
	doc.particulars(p, nil, said.Blocks[0].(Title).Text)
	doc.head("Result")
	at := slices.IndexFunc(said.Blocks, func(b Block) bool { _, is := b.(Heading); return is })
	doc.add(said.Blocks[1:at]...)
	names := [2]string{sideName(&c.Before, "before"), sideName(&c.After, "after")}
	doc.head(upperFirst(names[0]) + " and " + names[1])
	beside(doc, c, before, after, names)
	rate, unit := rateOf(after)
	b, ofB := found.points(rate)
	if f, of := left.points(rate); len(b)+len(f) > 0 {
		x := &plot.Plane{
			Title: "Rate and percent break of each", Unit: unit, Before: b, BeforeOf: ofB, BeforeName: names[0], Points: f, Of: of, Name: names[1],
			Break: plot.LimitsOf(after, pulse.BreakPercent), Rate: plot.LimitsOf(after, rate),
		}
		doc.draw(x.Title, x)
	}
	besideLobes(doc, c, names)
	doc.add(said.Blocks[at : len(said.Blocks)-1]...)
	if before.Conformity != nil && len(before.Conformity.Items) > 0 {
		for i, m := range []*pulse.Measurement{before, after} {
			doc.head("Statement of conformity, " + names[i])
			doc.add(headline(m), itemTable(m.Conformity.Items), statement(m))
		}
		sources(doc, before.Conformity.Items) // both are held to the same limits
		doc.add(Space{})
		doc.add(decisionRule()...)
	}
	budget(doc, after)
	doc.close(p)
	return doc
}

// OfRecordOfSoak makes the test record of a soak test.
func OfRecordOfSoak(s *stretch.Soak, p *Particulars, zone *time.Location) *Document {
	said := OfSoak(s, zone)
	doc := &Document{zone: zone, record: p}
	doc.add(Title{"Test record: a soak test"})
	of := *p
	for _, r := range s.Results {
		of.Site = cmp.Or(of.Site, r.Log.Site)
	}
	measured := "since " + doc.wall(s.Begin) + ", goes on"
	if s.End != nil {
		measured = doc.wall(s.Begin) + " to " + doc.wall(*s.End)
	}
	doc.facts(&of, "soak:"+s.Title, cells("Measured", measured))
	doc.head("Result")
	doc.add(said.Blocks[:len(said.Blocks)-1]...)
	if slices.ContainsFunc(s.Results, func(r stretch.SoakResult) bool { return judged(r.Measurement) }) {
		doc.add(Space{})
		for _, r := range s.Results {
			if judged(r.Measurement) {
				x := statement(r.Measurement)
				x.Lead = "Statement on " + r.Log.Contact + ":"
				doc.add(x)
			}
		}
		doc.add(decisionRule()...)
	}
	for _, r := range s.Results {
		if len(s.Results) > 1 {
			doc.head(r.Log.Contact)
		}
		settings(doc, r.Measurement, &About{Log: r.Log})
		budget(doc, r.Measurement)
	}
	doc.close(p)
	return doc
}

// besideLobes draws the opening errors of a cam's lobes after, with those before as
// the reference; nothing where it is not sure which lobe is which.
func besideLobes(doc *Document, c *Comparison, names [2]string) {
	if len(c.Lobes) < 2 || c.Lobes[0].Opening.Why == pulse.NotMatched {
		return
	}
	x := &plot.Lobes{
		Title: "Opening error of each lobe, " + names[1], Earlier: names[0], Unit: "ms",
		Note: "Intervals are the expanded uncertainty of the change.",
	}
	for _, l := range c.Lobes {
		x.Lobes = append(x.Lobes, plot.Lobe{Number: l.Lobe, Error: l.Opening.After, U: l.Opening.ExpandedU.V, Reference: l.Opening.Before})
	}
	doc.draw(x.Title, x)
}

func sideName(s *ComparedSide, or string) string {
	if s.State != nil {
		return *s.State
	}
	return or
}

// judged tells whether a limit was compared with a value.
func judged(m *pulse.Measurement) bool { return m.Conformity != nil && len(m.Conformity.Items) > 0 }

// statement is that of conformity, in the words of ILAC-G8.
func statement(m *pulse.Measurement) Paragraph {
	return Paragraph{Lead: "Statement:", Text: string(m.Conformity.Statement) + "."}
}

// particulars say what was tested, by whom, where and with what.
func (d *Document) particulars(p *Particulars, log *stretch.Report, source string) {
	if log == nil {
		d.facts(p, source, cells("Date of the test", blank))
		return
	}
	of := *p
	of.Site = cmp.Or(of.Site, log.Site)
	d.facts(&of, source, cells("Contact", log.Contact+" ("+log.Source+")"), cells("Measured", d.wall(log.Since)+" to "+d.wall(log.Until)))
}

// facts are the particulars, with what is known of the time.
func (d *Document) facts(p *Particulars, source string, time ...[]Cell) {
	t := Table{Headless: true, Columns: []Column{{}, {Folds: true}}}
	row := func(name, value string) { t.Rows = append(t.Rows, cells(name, cmp.Or(value, blank))) }
	row("Source", source)
	t.Rows = append(t.Rows, time...)
	row("Site", p.Site)
	row("Equipment", p.Equipment)
	row("Tested by", p.By)
	if p.Remark != "" {
		row("Remark", p.Remark)
	}
	row("Written", d.wall(p.Written)+", by "+p.Program)
	d.add(t)
}

// decisionRule states how a limit is judged, as ILAC-G8:09/2019 asks a statement to.
func decisionRule() []Block {
	return []Block{
		Paragraph{Lead: "Decision rule:", Text: "non-binary statement with a guard band w = U (ILAC-G8:09/2019, 4.2.3; JCGM 106:2012), U the expanded uncertainty of one value with k = 2, on the worst pulse or cycle. " +
			"Pass: within the limit by U or more. Conditional pass: within it, by less than U. Conditional fail: outside it, by no more than U. Fail: outside it by more than U. " +
			"The whole has the worst statement of its parts."},
	}
}

// settings tell how the contact was read.
func settings(doc *Document, m *pulse.Measurement, a *About) {
	t := Table{Headless: true, Columns: []Column{{}, {Folds: true}}}
	row := func(name, value string) { t.Rows = append(t.Rows, cells(name, value)) }
	wiring := "not known to the program: it reads recorded edges"
	switch {
	case a.Log != nil && strings.HasPrefix(a.Log.Source, "gpio:"):
		wiring = "line " + a.Log.Source
	case strings.HasPrefix(m.Source, "sim:") || a.Log != nil && strings.HasPrefix(a.Log.Source, "sim:"):
		wiring = "none: the contact is simulated"
	}
	row("Wiring", wiring)
	row("Contact is closed", "when the line is "+m.Capture.Closed)
	row("Settling time", figure.Unit(figure.Trimmed(m.Settling.SettleMS, 6), "ms")+"; a transition is timed at "+map[string]string{"first": "its first edge", "settled": "the start of the settled level"}[m.Settling.Timing])
	if d := m.Dial; d != nil {
		row("Read as", "a dial, coding "+d.Coding)
	} else {
		row("Read as", "an interrupter")
	}
	if a.Limits != nil {
		row("Limits", a.Limits.Title+" ("+a.Limits.ID+")")
	}
	for _, e := range []struct {
		name   string
		effect pulse.Effect
	}{{"Edge times", pulse.EdgeNoise}, {"Coupler", pulse.Asymmetry}, {"Clock", pulse.TimeBase}} {
		if from := causeFrom(m, e.effect); from != "" {
			row(e.name, from)
		}
	}
	doc.head("How it was measured")
	doc.add(t)
}

// causeFrom is where the figure of an effect comes from, in words.
func causeFrom(m *pulse.Measurement, e pulse.Effect) string {
	for _, q := range []pulse.Quantity{pulse.BreakMS, pulse.PeriodMS, pulse.RatePPS, pulse.RateIPM} {
		if b := m.Uncertainty[q]; b != nil {
			for _, c := range b.Budget {
				if c.Cause.Effect == e && c.Cause.From != "" {
					return c.Cause.From
				}
			}
		}
	}
	return ""
}

// budget lists every part of each uncertainty.
func budget(doc *Document, m *pulse.Measurement) {
	t := Table{Columns: columns("llrl", "quantity", "part", "standard", "kind")}
	for _, q := range budgeted() {
		b := m.Uncertainty[q]
		if b == nil || !b.Expanded.OK {
			continue
		}
		noun, unit := figure.Quantity(string(q))
		dec := figure.Decimals(b.Expanded.V)
		for i, c := range b.Budget {
			name := ""
			if i == 0 {
				name = noun
			}
			t.Rows = append(t.Rows, cells(name, c.Cause.Effect.String(), figure.Unit(figure.NonZero(float64(c.Standard), dec), unit), c.Kind))
		}
		t.Rows = append(t.Rows, cells("", "expanded, k = 2", figure.Unit(figure.NonZero(b.Expanded.V, dec), unit), ""))
	}
	if len(t.Rows) == 0 {
		return
	}
	doc.head("Uncertainty budget of one value (JCGM 100)")
	doc.add(t)
	doc.tell("", "Kind A: from repeated observations; B: from other knowledge.")
}

// close ends a record: checksums, the caution, lines to sign on.
func (d *Document) close(p *Particulars) {
	d.head("Checksum of the edges")
	for _, s := range p.Sums {
		d.add(Paragraph{Indent: 2, Lead: s.Of + ":", Text: figure.Plural(s.Edges, "edge", "edges")})
		d.add(Paragraph{Indent: 2, Text: "SHA-256 " + s.SHA256, OneLine: true})
	}
	d.tell("", "Of one line for each edge: time in ns since the first edge, level after it (0 or 1), and 1 where edges were lost before it, else 0; spaces between, a line feed after. "+
		"makebreak report --check FILE SOURCE tells whether a recording has these edges.")
	d.add(Caution{})
	d.head("Signatures")
	d.add(Table{Headless: true, Columns: []Column{{}, {}, {}, {}}, Rows: [][]Cell{
		cells("Tested by", blank, "Date", "______________"), cells("Checked by", blank, "Date", "______________"),
	}})
}

// beside draws the figures of two stretches beside each other.
func beside(doc *Document, c *Comparison, before, after *pulse.Measurement, names [2]string) {
	x := &plot.Compare{Title: upperFirst(names[0]) + " and " + names[1], Before: names[0], After: names[1]}
	for _, q := range c.Quantities {
		if !q.Before.OK && !q.After.OK {
			continue
		}
		noun, unit := comparedNoun(c, q.Quantity)
		r := plot.CompareRow{Quantity: noun, Unit: unit, Outcome: string(q.Sentence), Limits: plot.LimitsOf(after, pulse.Quantity(q.Quantity))}
		r.Before = plot.Value{V: q.Before, U: overallU(before, pulse.Quantity(q.Quantity))}
		r.After = plot.Value{V: q.After, U: overallU(after, pulse.Quantity(q.Quantity))}
		x.Rows = append(x.Rows, r)
	}
	if len(x.Rows) > mostCompared {
		x.Rows = x.Rows[:mostCompared]
	}
	if len(x.Rows) > 0 {
		doc.draw(x.Title, x)
	}
}

// mostCompared figures fill a page; the table has all.
const mostCompared = 6

// overallU is the expanded uncertainty of an overall figure, where it is known.
func overallU(m *pulse.Measurement, q pulse.Quantity) (u pulse.Num) {
	if b := m.Uncertainty[q]; b != nil {
		if u = b.Overall; !u.OK {
			u = b.Expanded
		}
	}
	return u
}
