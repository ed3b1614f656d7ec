package report

import (
	"cmp"
	"encoding/json"
	"slices"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// A Remark is a note or a finding of a log, as other programs read it.
type Remark struct {
	At      time.Time       `json:"at"`
	Contact *string         `json:"contact"` // null: the site, or the log
	Kind    string          `json:"kind"`    // note, as found, as left, or the finding's
	Text    string          `json:"text"`
	Detail  json.RawMessage `json:"detail,omitempty"`

	run pulse.Stamp // of the log's clock, to sort by: the wall clock may have been set
}

// RemarkList is the remarks of a stretch of a log as other programs read them.
type RemarkList struct {
	Format string   `json:"format"`
	Notes  []Remark `json:"notes"`
}

// RemarksOf gives notes and findings in order of time.
func RemarksOf(notes []store.Note, findings []store.Finding) RemarkList {
	list := RemarkList{"makebreak.notes/1", []Remark{}}
	for _, n := range notes {
		kind := cmp.Or(string(n.State), "note")
		if n.LobeOne {
			kind += ", lobe 1 opened"
		}
		list.Notes = append(list.Notes, Remark{n.At.Wall.UTC(), Given(n.Contact), kind, n.Text, nil, n.At.Run})
	}
	for _, f := range findings {
		list.Notes = append(list.Notes, Remark{f.At.Wall.UTC(), Given(f.Contact), string(f.Kind), f.Text, f.Detail, f.At.Run})
	}
	slices.SortStableFunc(list.Notes, func(a, b Remark) int { return cmp.Compare(a.run, b.run) })
	return list
}

// OfRemarks says what was noted and found in a stretch of a log.
func OfRemarks(list RemarkList) *Document {
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
