package stretch

import (
	"cmp"
	"context"
	"encoding/json"
	"slices"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// An Entry is a note or a finding of a log, as other programs read it.
type Entry struct {
	At      time.Time       `json:"at"`
	Contact *string         `json:"contact"` // null: the site, or the log
	Kind    string          `json:"kind"`    // note, as found, as left, or the finding's
	Text    string          `json:"text"`
	Detail  json.RawMessage `json:"detail,omitempty"`

	run pulse.Stamp // of the log's clock, to sort by: the wall clock may have been set
}

// Entries are those of a span of a log, in order of time.
type Entries struct {
	Format string  `json:"format"`
	Notes  []Entry `json:"notes"`
}

// EntriesOf gives the notes on a contact and the site, and with findings what
// watching found as well. An empty contact stands for all.
func EntriesOf(ctx context.Context, log *store.Log, span store.Span, contact string, findings bool) (Entries, error) {
	list := Entries{"makebreak.notes/1", []Entry{}}
	notes, err := log.Notes(ctx, span, contact)
	if err != nil {
		return list, err
	}
	for _, n := range notes {
		kind := cmp.Or(string(n.State), "note")
		if n.LobeOne {
			kind += ", lobe 1 opened"
		}
		list.Notes = append(list.Notes, Entry{n.At.Wall.UTC(), unlessEmpty(n.Contact), kind, n.Text, nil, n.At.Run})
	}
	if findings {
		for f, err := range log.Findings(ctx, span, contact) {
			if err != nil {
				return list, err
			}
			list.Notes = append(list.Notes, Entry{f.At.Wall.UTC(), unlessEmpty(f.Contact), string(f.Kind), f.Text, f.Detail, f.At.Run})
		}
	}
	slices.SortStableFunc(list.Notes, func(a, b Entry) int { return cmp.Compare(a.run, b.run) })
	return list, nil
}

// A SoakEntry is a soak test in the list that other programs read.
type SoakEntry struct {
	Title string     `json:"title"`
	Of    *string    `json:"contact"` // null: all
	Begin time.Time  `json:"begin"`
	End   *time.Time `json:"end"` // null while it goes on
}

// Soaks are the soak tests of a log as other programs read them.
type Soaks struct {
	Format string      `json:"format"`
	Soaks  []SoakEntry `json:"soaks"`
}

// SoaksOf lists the soak tests of a log.
func SoaksOf(ctx context.Context, log *store.Log) (Soaks, error) {
	list := Soaks{"makebreak.soaks/1", []SoakEntry{}}
	soaks, err := log.Soaks(ctx)
	for _, s := range soaks {
		x := SoakEntry{Title: s.Title, Of: unlessEmpty(s.Contact), Begin: s.Begin.Wall.UTC()}
		if s.End != nil {
			end := s.End.Wall.UTC()
			x.End = &end
		}
		list.Soaks = append(list.Soaks, x)
	}
	return list, err
}

// unlessEmpty is nil for an empty text.
func unlessEmpty(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}
