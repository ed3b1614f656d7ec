package report

import "makebreak/daemon/stretch"

// OfEntries says what was noted and found in a stretch of a log.
func OfEntries(list stretch.Entries) *Document {
	doc := new(Document)
	for _, r := range list.Notes {
		lead := r.At.Format(wallSecond) + " "
		if r.Contact != nil {
			lead += " " + *r.Contact + " "
		}
		doc.add(Paragraph{Lead: lead, Hanging: len(wallSecond) + 2, Text: r.Kind + ": " + r.Text})
	}
	if len(list.Notes) == 0 {
		doc.say("Nothing was noted in that stretch of the log.")
	}
	return doc
}
