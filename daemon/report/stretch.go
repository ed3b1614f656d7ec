package report

import (
	"maps"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

const (
	wallSecond = "2006-01-02 15:04:05"
	wallMilli  = wallSecond + ".000"
)

// Wall writes a time to the second, with its zone.
func Wall(t time.Time) string { return t.Format(wallSecond + " MST") }

// in gives a time in the document's zone.
func (d *Document) in(t time.Time) time.Time {
	if d.zone == nil {
		return t.UTC()
	}
	return t.In(d.zone)
}

// wall is Wall in the document's zone.
func (d *Document) wall(t time.Time) string { return Wall(d.in(t)) }

// removed tells what the log still knows of edges that were removed.
func removed(doc *Document, r *stretch.Removed) string {
	return "edges before " + doc.wall(r.Until) + " " + r.Why() + ", and no figure is of them. Of that time the summaries tell: " +
		figure.Count(int(r.Pulses)) + " pulses or cycles, missing: " + figure.Count(int(r.Missing)) + ", extra: " + figure.Count(int(r.Extra)) +
		", out of limit: " + figure.Count(int(r.OutOfLimit)) + ", lost edges: " + figure.Count(int(r.Lost)) + "."
}

// stretchOf tells of a stretch of a log.
func stretchOf(doc *Document, m *pulse.Measurement, l *stretch.Report) {
	doc.tell("", "Contact "+l.Contact+" ("+Shorten(Printable(l.Source), 40)+") of "+l.Site+", until "+doc.wall(l.Until)+".")
	text := "The source was read for " + figure.Time(l.UpS) + " of " + figure.Time(l.LengthS)
	if l.LengthS > 0 {
		percent := 100 * l.UpS / l.LengthS
		if s := figure.Trimmed(percent, 3); s != "100" || l.Gaps == 0 {
			text += " (" + s + " %)"
		} else {
			text += " (more than 99.999 %)"
		}
	}
	text += "; gaps: " + figure.Count(l.Gaps) + ", lost edges: " + figure.Count(m.Capture.LostEdges) +
		", restarts: " + figure.Count(l.Restarts) + ", clock steps: " + figure.Count(len(l.Steps)) + "."
	doc.tell("", text)
	if r := l.Removed; r != nil {
		doc.tell("Note:", removed(doc, r))
	}
	if l.Changes > 0 {
		doc.tell("Note:", "the contact's configuration changed "+figure.Plural(l.Changes, "time", "times")+" within the stretch; all is read by the one at its start.")
	}
	if len(l.Longest) > 0 {
		t := Table{Columns: columns("lrl", "gap from", "length", "why")}
		for _, g := range l.Longest {
			t.Rows = append(t.Rows, cells(doc.wall(g.From), figure.Time(g.LengthS), g.Why))
		}
		doc.add(t)
		if n := l.Gaps - len(l.Longest); n > 0 {
			doc.tell("", "and "+figure.Count(n)+" shorter.")
		}
	}
	remarks := slices.Concat(l.Steps, l.Notes)
	slices.SortStableFunc(remarks, func(a, b stretch.Remark) int { return a.At.Compare(b.At) })
	for _, r := range remarks {
		doc.tell(doc.wall(r.At)+":", r.Text)
	}
	var found []string
	for _, k := range slices.Sorted(maps.Keys(l.Findings)) {
		found = append(found, k+" "+figure.Count(l.Findings[k]))
	}
	if len(found) > 0 {
		doc.tell("Findings logged:", strings.Join(found, ", ")+".")
	}
}
