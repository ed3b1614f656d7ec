package report

import (
	"time"

	"makebreak/daemon/stretch"
)

// OfEntries says what was noted and found in a stretch of a log, by the clock of a
// zone.
func OfEntries(list stretch.Entries, zone *time.Location) *Document {
	doc := &Document{zone: zone}
	for _, r := range list.Notes {
		lead := doc.wall(r.At) + " "
		if r.Contact != nil {
			lead += " " + *r.Contact + " "
		}
		doc.add(Paragraph{Lead: lead, Hanging: width(doc.wall(r.At)) + 2, Text: r.Kind + ": " + r.Text})
	}
	if len(list.Notes) == 0 {
		doc.say("Nothing was noted in that stretch of the log.")
	}
	return doc
}
