package report

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A LimitsSurvey holds the verdict of every set of limits of a contact's kind.
type LimitsSurvey struct {
	Format   string           `json:"format"`
	Source   string           `json:"source"`
	Kind     string           `json:"kind"`
	KindFrom string           `json:"kind_from"`
	Limits   []SurveyedLimits `json:"limits"`
}

// A SurveyedLimits is the verdict of one set of limits among others.
type SurveyedLimits struct {
	ID         string            `json:"limits"`
	Title      string            `json:"title"`
	Use        string            `json:"use"`
	Country    *string           `json:"country"`
	Fits       *bool             `json:"cadence_fits"` // null for a dial
	Conformity *pulse.Conformity `json:"conformity"`   // null where no tolerance is published
}

// OfLimitsSurvey says what each set of limits makes of m: first the sets that judge
// rate and percent break, in each group the best first.
func OfLimitsSurvey(m *pulse.Measurement, c *LimitsSurvey, a *About) *Document {
	doc := new(Document)
	opening(doc, m, a, implausible(m, a))
	measured := measuredNouns(m)
	rows := make([]surveyRow, 0, len(c.Limits))
	for _, x := range c.Limits {
		rows = append(rows, newSurveyRow(m, &x, len(measured)))
	}
	slices.SortStableFunc(rows, func(a, b surveyRow) int {
		return cmp.Or(a.group-b.group, a.severity-b.severity, cmp.Compare(a.id, b.id))
	})
	doc.add(Statement{"Compared with every set of limits of its kind, " + figure.Count(len(rows)), Strong})
	doc.tell("", "Of what was measured ("+figure.List(measured)+") a set judges a part; its pass says nothing of the rest.")
	doc.add(Space{})
	others := len(rows)
	rows = slices.DeleteFunc(rows, func(r surveyRow) bool { return r.verdict == "" })
	others -= len(rows)
	wideID, wideVerdict := 0, 0
	for _, r := range rows {
		wideID, wideVerdict = max(wideID, width(r.id)), max(wideVerdict, width(r.verdict))
	}
	padded := func(s string, n int) string { return s + strings.Repeat(" ", n-width(s)) }
	for _, r := range rows {
		doc.add(Paragraph{Indent: 2, Lead: padded(r.id, wideID+1), Mark: padded(r.verdict, wideVerdict+1), Tone: r.tone, Text: r.judges})
		if r.decided != "" {
			doc.add(Paragraph{Indent: 6, Text: r.decided})
		}
	}
	if others > 0 {
		doc.tell("", "And "+figure.Plural(others, "nominal cadence", "nominal cadences")+" that it does not do.")
	}
	doc.add(Space{})
	doc.say("--limits ID in place of all tells which pulse or cycle, and the source. A set for another use (see makebreak limits) is no fault of the contact.")
	return doc
}

// A surveyRow is what a survey says of one set of limits.
type surveyRow struct {
	id       string
	group    int    // its place before others, see judgesBoth
	severity int    // its place in the group
	verdict  string // empty: only counted
	tone     Tone
	judges   string
	decided  string
}

// The groups of a survey, in their order. A nominal cadence that fits stands in
// the first, after the sets that are kept.
const (
	judgesBoth = iota // rate and percent break, or what gives them
	judgesSome
	doesNotFit // other cadences
)

// newSurveyRow says what c makes of m, of which so many quantities were measured.
func newSurveyRow(m *pulse.Measurement, c *SurveyedLimits, measured int) surveyRow {
	row := surveyRow{id: c.ID, group: doesNotFit, judges: c.Use}
	fits := c.Fits == nil || *c.Fits
	if c.Conformity == nil {
		if fits {
			row.group, row.severity, row.verdict, row.tone = judgesBoth, pulse.ConditionalPass.Severity(), "fits", Strong
			row.judges += ": to recognise only"
		}
		return row
	}
	s := c.Conformity.Statement
	row.severity, row.verdict, row.tone = s.Severity(), string(s), verdictTone(s)
	if !fits {
		row.judges += strings.Join(append([]string{": another cadence"}, c.Conformity.Because...), "; ")
		return row
	}
	nouns := c.judges(m)
	if (s == pulse.Pass || s == pulse.ConditionalPass) && len(nouns) < measured {
		row.verdict += fmt.Sprintf(" on %d of %d", len(nouns), measured)
	}
	row.group = judgesSome
	for _, both := range [][]string{{"rate", "percent break"}, {"rate", "break"}, {"rate", "make"}, {"break", "make"}, {"segments"}} {
		if !slices.ContainsFunc(both, func(noun string) bool { return !slices.Contains(nouns, noun) }) {
			row.group = judgesBoth
		}
	}
	row.judges += ": " + figure.List(nouns)
	row.decided = decidedBy(m, c.Conformity)
	return row
}

// pageNoun names what a quantity is about, as a survey counts: a period is a
// rate, a ratio is a percent break, and segments are breaks and makes where there
// is one of each.
func pageNoun(m *pulse.Measurement, quantity string) string {
	switch q := pulse.Quantity(quantity); q {
	case pulse.PeriodMS:
		return "rate"
	case pulse.BreakRatio:
		return "percent break"
	}
	if n, ok := strings.CutPrefix(quantity, "segment_"); ok {
		switch {
		case compound(m):
			return "segments"
		case n == "1_ms":
			return "make"
		}
		return "break"
	}
	noun, _ := figure.Quantity(quantity)
	return noun
}

// measuredNouns names what was measured and can be judged.
func measuredNouns(m *pulse.Measurement) []string {
	var nouns []string
	add := func(noun string, s pulse.Stat) {
		if s.N > 0 {
			nouns = append(nouns, noun)
		}
	}
	switch d, in := m.Dial, m.Interrupter; {
	case d != nil:
		add("rate", d.RatePPS.Stat)
		add("percent break", d.BreakPercent.Stat)
		add("break", d.BreakMS)
		add("make", d.MakeMS)
		add("interdigit", d.InterdigitMS)
	case compound(m):
		add("rate", in.RateIPM.Stat)
		add("percent break", in.BreakPercent.Stat)
		add("segments", in.PeriodMS)
	case in != nil:
		add("rate", in.RateIPM.Stat)
		add("percent break", in.BreakPercent.Stat)
		add("break", in.BreakMS)
		add("make", in.MakeMS)
	}
	add("bounce", m.Settling.BounceMS)
	return nouns
}

// judges names what a set of limits judges.
func (c *SurveyedLimits) judges(m *pulse.Measurement) []string {
	var nouns []string
	for _, it := range c.Conformity.Items {
		if noun := pageNoun(m, it.Quantity); !slices.Contains(nouns, noun) {
			nouns = append(nouns, noun)
		}
	}
	return nouns
}

// decidedBy says what decided a verdict: the first limit that is not kept, by how
// much, and what else is not; or the nearest limit.
func decidedBy(m *pulse.Measurement, c *pulse.Conformity) string {
	items := slices.Clone(c.Items)
	pulse.SortByPriority(items)
	items = slices.DeleteFunc(items, func(it pulse.Item) bool { return it.Statement != c.Statement })
	var said []string
	if len(items) > 0 {
		said = append(said, keptOrMissed(items[0]))
	}
	if c.Statement != pulse.Pass {
		var also []string
		for _, it := range items {
			noun := pageNoun(m, it.Quantity)
			if noun != pageNoun(m, items[0].Quantity) && !slices.Contains(also, noun) {
				also = append(also, noun)
			}
		}
		if len(also) > 0 {
			said[0] += "; also " + figure.List(also)
		}
	}
	return upperFirst(strings.Join(append(said, c.Because...), "; ")) + "."
}

// keptOrMissed says by how much a limit is kept or missed.
func keptOrMissed(it pulse.Item) string {
	limit := limitText(it)
	switch {
	case !it.Observed.OK || !it.ExpandedU.OK:
		noun, _ := figure.Quantity(it.Quantity)
		return noun + " was not measured"
	case pulse.OnLimit(it.Observed.V, it.Limit):
		return limit + " is just reached"
	case it.Statement == pulse.Pass || it.Statement == pulse.ConditionalPass:
		return "the nearest limit, " + limit + ", is kept by " + distance(it)
	}
	return limit + " is missed by " + distance(it)
}
