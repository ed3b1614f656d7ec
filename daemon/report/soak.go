package report

import (
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// OfSoak says what a soak test found, so far or in the end, by the clock of a zone.
func OfSoak(s *stretch.Soak, zone *time.Location) *Document {
	doc, of := &Document{zone: zone}, "all contacts"
	if s.Of != nil {
		of = *s.Of
	}
	doc.say("Soak test \"" + s.Title + "\" of " + of)
	if s.End != nil && s.LengthS != nil {
		doc.say("From " + doc.wall(s.Begin) + " to " + doc.wall(*s.End) + ", " + figure.Time(*s.LengthS) + ".")
	} else {
		doc.mark("GOES ON", Doubtful, "since "+doc.wall(s.Begin)+"; what follows is so far.")
	}
	if s.CutShort != nil {
		doc.mark("CUT SHORT:", Doubtful, *s.CutShort+".")
	}
	if s.Idle != nil {
		doc.mark("NOT WATCHED:", Doubtful, *s.Idle+".")
	}
	if len(s.NotRead) > 0 {
		doc.say("Not read at all in this time: " + strings.Join(s.NotRead, ", ") + ".")
	}
	if s.Note != "" {
		doc.add(Paragraph{Lead: "Note:", Text: s.Note})
	}
	if len(s.Results) == 0 {
		doc.add(Space{})
		doc.say("No contact was read.")
	}
	for _, r := range s.Results {
		if s.Of == nil {
			doc.head(r.Log.Contact)
		} else {
			doc.add(Space{})
		}
		soaked(doc, &r)
	}
	doc.add(Caution{})
	return doc
}

// OfSoakVerdicts is the verdict of each contact of a soak test, so far or in the end,
// in the words of OfSoak.
func OfSoakVerdicts(s *stretch.Soak) *Document {
	doc := &Document{}
	if len(s.Results) == 0 {
		doc.say("No contact was read.")
	}
	for _, r := range s.Results {
		v := headline(r.Measurement)
		if s.Of == nil {
			doc.mark(v.Words, v.Tone, r.Log.Contact)
		} else {
			doc.add(v)
		}
	}
	return doc
}

// soaked tells of one contact.
func soaked(doc *Document, r *stretch.SoakResult) {
	m := r.Measurement
	a := About{Log: r.Log}
	if r.Profile != nil {
		a.Limits = &pulse.Profile{ID: r.Profile.ID, Title: r.Profile.Title, Country: r.Profile.Country}
	}
	if x := r.Log.Removed; x != nil {
		mark, tone := "NOT THE WHOLE TIME:", Doubtful
		if x.Wrong() {
			mark, tone = "OUT OF LIMITS WHERE EDGES WERE REMOVED:", Bad
		}
		doc.mark(mark, tone, removed(doc, x)+" What follows is of the time after.")
	}
	verdict(doc, m, digest(m), &a)
	doc.head("Counts")
	switch {
	case m.Dial != nil:
		doc.tell("", figure.Plural(m.Dial.Pulses, "pulse", "pulses")+"; "+otherBreaks(m.Dial))
	case m.Interrupter != nil:
		doc.tell("", cyclesText(m))
		if len(m.Interrupter.Lobes) > 0 {
			doc.tell("", lobesBy(m.Interrupter))
		}
	}
	doc.tell("", settlingText(m))
	doc.head("Stretch of the log")
	doc.tell("", "Times count from its start, "+doc.wall(r.Log.Since)+".")
	stretchOf(doc, m, r.Log)
}

// OfSoaks lists the soak tests of a log, by the clock of a zone.
func OfSoaks(list stretch.Soaks, zone *time.Location) *Document {
	doc := &Document{zone: zone}
	if len(list.Soaks) == 0 {
		doc.say("No soak test is in the log.")
		return doc
	}
	t := Table{Columns: columns("llll", "title", "contact", "begun", "ended")}
	for _, s := range list.Soaks {
		of, ended := "all contacts", "goes on"
		if s.Of != nil {
			of = *s.Of
		}
		if s.End != nil {
			ended = doc.wall(*s.End)
		}
		t.Rows = append(t.Rows, cells(s.Title, of, doc.wall(s.Begin), ended))
	}
	doc.add(t)
	return doc
}
