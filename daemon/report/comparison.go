package report

import (
	"cmp"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A Comparison holds the verdict of every set of limits of a contact's kind.
type Comparison struct {
	Format   string     `json:"format"`
	Source   string     `json:"source"`
	Kind     string     `json:"kind"`
	KindFrom string     `json:"kind_from"`
	Limits   []Compared `json:"limits"`
}

// A Compared is the verdict of one set of limits among others.
type Compared struct {
	ID         string            `json:"limits"`
	Title      string            `json:"title"`
	Use        string            `json:"use"`
	Country    *string           `json:"country"`
	Fits       *bool             `json:"cadence_fits"` // null for a dial
	Conformity *pulse.Conformity `json:"conformity"`   // null where no tolerance is published
}

// OfComparison says what each set of limits makes of m, the best first.
func OfComparison(m *pulse.Measurement, c *Comparison, a *About) *Document {
	doc := new(Document)
	opening(doc, m, a, implausible(m, a))
	rank := func(c Compared) int {
		switch {
		case c.Conformity != nil:
			return c.Conformity.Statement.Severity()
		case *c.Fits:
			return 1
		}
		return 9
	}
	all := slices.SortedStableFunc(slices.Values(c.Limits), func(a, b Compared) int { return cmp.Or(rank(a)-rank(b), cmp.Compare(a.ID, b.ID)) })
	doc.add(Statement{"Compared with every set of limits of its kind, " + figure.Count(len(all)), Strong})
	others := 0
	t := Table{Headless: true, Columns: []Column{{}, {}, {List: true}}}
	for _, c := range all {
		row := cells(c.ID, "fits, to recognise only", decidedBy(c))
		row[1].Tone = Strong
		switch {
		case c.Conformity != nil:
			row[1].Text, row[1].Tone = string(c.Conformity.Statement), verdictTone(c.Conformity.Statement)
		case !*c.Fits:
			others++
			continue
		}
		t.Rows = append(t.Rows, row)
	}
	doc.add(t)
	if others > 0 {
		doc.tell("", "And "+figure.Plural(others, "nominal cadence", "nominal cadences")+" that it does not do.")
	}
	doc.add(Space{})
	doc.say("--limits ID in place of all tells which pulse or cycle, by how much, and the source. A set for another use (see makebreak limits) is no fault of the contact.")
	return doc
}

// decidedBy names what decided a verdict.
func decidedBy(c Compared) string {
	if c.Conformity == nil {
		return ""
	}
	if c.Fits != nil && !*c.Fits {
		return "another cadence"
	}
	items := slices.Clone(c.Conformity.Items)
	pulse.SortByPriority(items)
	var nouns []string
	for _, it := range items {
		noun, _ := figure.Quantity(it.Quantity)
		if it.Statement == c.Conformity.Statement && it.Statement != pulse.Pass && !slices.Contains(nouns, noun) {
			nouns = append(nouns, noun)
		}
	}
	return strings.Join(append(nouns, c.Conformity.Because...), ", ")
}
