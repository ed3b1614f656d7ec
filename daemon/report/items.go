package report

import (
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// maxDeciding leaves a page that is read: the table has all.
const maxDeciding = 3

// deciding tells of the limits that decide: each that is not met without
// doubt, or the one that is nearest when all are.
func deciding(doc *Document, m *pulse.Measurement, trains *trainDigest, log *stretch.Report) {
	items := slices.Clone(m.Conformity.Items)
	pulse.SortByPriority(items)
	n := 0
	for n < len(items) && items[n].Statement != pulse.Pass {
		n++
	}
	if n == 0 {
		n = min(1, len(items))
	}
	var said []string
	for i, it := range items[:n] {
		s := itemSentence(doc, m, trains, it, log)
		if slices.Contains(said, s) { // both bounds of what was not measured
			continue
		}
		if len(said) == maxDeciding {
			doc.say("And " + figure.Count(n-i) + " more: see the table.")
			return
		}
		said = append(said, s)
		doc.add(Space{})
		doc.say(s)
	}
}

// limitText names a limit: "break max 70 ms".
func limitText(it pulse.Item) string {
	noun, unit := figure.Quantity(it.Quantity)
	return noun + " " + it.Bound + " " + figure.Unit(figure.Trimmed(it.Limit, 4), unit)
}

// itemSentence says which limit, by how much, on which pulse, at what time,
// and what the count proves.
func itemSentence(doc *Document, m *pulse.Measurement, trains *trainDigest, it pulse.Item, log *stretch.Report) string {
	noun, unit := figure.Quantity(it.Quantity)
	if it.Statement == pulse.NotMeasured || !it.Observed.OK || !it.ExpandedU.OK {
		return upperFirst(noun) + " was not measured: " + unmeasuredWhy(m, it.Quantity) + "."
	}
	limit := limitText(it)
	dec := figure.Decimals(it.ExpandedU.V)
	worst := figure.Unit(observed(it), unit) + " ± " + figure.Unit(figure.NonZero(it.ExpandedU.V, dec), unit)
	by := distance(it)
	out := "above"
	if it.Bound == "min" {
		out = "below"
	}
	var s string
	switch {
	case pulse.OnLimit(it.Observed.V, it.Limit):
		s = upperFirst(limit) + ": the worst, " + worst + ", is on it"
	case it.Statement == pulse.Pass:
		s = "Nearest to its limit is " + limit + ": the worst, " + worst + ", keeps it by " + by
	case it.Statement == pulse.ConditionalPass:
		s = upperFirst(limit) + ": the worst, " + worst + ", keeps it by only " + by
	default:
		s = upperFirst(limit) + ": the worst, " + worst + ", is " + by + " " + out + " it"
	}
	s += where(trains, it)
	if it.AtS.OK {
		s += ", at " + figure.Time(it.AtS.V)
		if at, ok := log.WorstAt(it); ok {
			s += " (" + doc.in(at).Format(wallMilli+" MST") + ")"
		}
	}
	s += ". Out of limit: " + figure.Count(it.OutOfLimit) + " of " + figure.Count(it.Of)
	if it.Upper95.OK && it.OutOfLimit < it.Of {
		s += ": " + figure.Fewer(it.Upper95.V/100) + " (95 % bound)"
	}
	return s + "."
}

// distance writes how far an item's worst value is from its limit, with the digits
// that its uncertainty bears.
func distance(it pulse.Item) string {
	_, unit := figure.Quantity(it.Quantity)
	return figure.Difference(figure.NonZero(math.Abs(it.Observed.V-it.Limit), figure.Decimals(it.ExpandedU.V)), unit)
}

// observed writes an item's worst value with the digits that its uncertainty
// bears, and those that tell it from its limit.
func observed(it pulse.Item) string {
	dec := figure.Decimals(it.ExpandedU.V)
	if pulse.OnLimit(it.Observed.V, it.Limit) {
		return figure.Fixed(it.Observed.V, dec)
	}
	return figure.Apart(it.Observed.V, it.Limit, dec)
}

// where says on which pulse or cycle an item's worst value is, with the digit.
func where(trains *trainDigest, it pulse.Item) string {
	at := it.At
	switch {
	case at == pulse.Location{}:
		return ""
	case at.Train > 0 && at.Pulse == 0:
		return ", " + at.String()
	case trains.named[at.Train] != "":
		return ", on " + at.String() + " (digit " + trains.named[at.Train] + ")"
	}
	return ", on " + at.String()
}

func upperFirst(s string) string { return strings.ToUpper(s[:1]) + s[1:] }

// verdictTone gives the tone of a statement.
func verdictTone(s pulse.Statement) Tone {
	switch s {
	case pulse.Pass:
		return Good
	case pulse.Fail:
		return Bad
	}
	return Doubtful
}

// itemTable lists all limits.
func itemTable(items []pulse.Item) Table {
	t := Table{Columns: columns("lrrrrl", "limit", "worst", "±", "out", "at most", "verdict")}
	t.Columns[4].Rank = 1 // the sentences say the bound of those that matter
	for _, it := range items {
		row := cells(limitText(it), "-", "-", "-", "-", string(it.Statement))
		if it.Observed.OK {
			row[1].Text = observed(it)
		}
		if it.ExpandedU.OK {
			row[2].Text = figure.NonZero(it.ExpandedU.V, figure.Decimals(it.ExpandedU.V))
		}
		if it.Of > 0 {
			row[3].Text = figure.Count(it.OutOfLimit) + " of " + figure.Count(it.Of)
		}
		if it.Upper95.OK {
			row[4].Text = figure.AtMost(it.Upper95.V / 100)
		}
		row[5].Tone = verdictTone(it.Statement)
		t.Rows = append(t.Rows, row)
	}
	return t
}

// seenWords says how firmly a published figure is known.
func seenWords(s pulse.Seen) string {
	switch s {
	case pulse.SeenText:
		return "read in the document"
	case pulse.SeenSecondary:
		return "as another published page states it"
	case pulse.SeenDerived:
		return "by arithmetic from it"
	case pulse.SeenMemory:
		return "from memory: check the document"
	case pulse.SeenOwn:
		return "your own figure"
	}
	return string(s)
}

// sources names the source of each limit.
func sources(doc *Document, items []pulse.Item) {
	type source struct {
		name string
		seen pulse.Seen
	}
	var order []source
	nouns := map[source][]string{}
	for _, it := range items {
		s := source{it.Source, it.Seen}
		noun, _ := figure.Quantity(it.Quantity)
		if nouns[s] == nil {
			order = append(order, s)
		}
		if !slices.Contains(nouns[s], noun) {
			nouns[s] = append(nouns[s], noun)
		}
	}
	for i, s := range order {
		lead := "      " // of the first line
		if i == 0 {
			lead = "Source"
		}
		text := s.name + " (" + seenWords(s.seen) + ")"
		if len(order) > 1 {
			text = strings.Join(nouns[s], ", ") + ": " + text
		}
		doc.tell(lead, text)
	}
}
