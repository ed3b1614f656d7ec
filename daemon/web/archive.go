package web

import (
	"context"
	"io"
	"net/url"
	"time"

	"makebreak/daemon/live"
)

// An Archive tells what the log knows beside the figures of now. Its functions may
// be called from several goroutines at once. Errors may be a *RequestError.
type Archive interface {
	// Trend draws how a contact changed over a stretch.
	Trend(ctx context.Context, f *live.Figures, s Stretch) ([]Drawing, error)
	// Details draws what the last openings and pulses of a stretch tell, and what is
	// known of a contact's lobes, gears and speed.
	Details(ctx context.Context, f *live.Figures, s Stretch) ([]Drawing, error)
	// Entries are the notes and findings of a contact in a stretch, the latest first.
	// more says that there are others before.
	Entries(ctx context.Context, contact string, s Stretch) (all []Entry, more bool, err error)
	// Measure measures a stretch edge by edge.
	Measure(ctx context.Context, contact string, s Stretch) (Document, error)
	// Compare compares two stretches of a contact.
	Compare(ctx context.Context, contact string, before, after Stretch) (Document, error)
	// Notes are the latest notes on a contact in all of the log, the latest first.
	Notes(ctx context.Context, contact string, most int) ([]Entry, error)
	Soaks(ctx context.Context) ([]SoakTest, error)
	// Soak is the result of a soak test, so far or in the end.
	Soak(ctx context.Context, title string) (Document, error)
	// AddNote adds a note on a contact.
	AddNote(ctx context.Context, n Note) error
	// Wiring works out the input circuit for a contact, and Batteries names usual
	// sources of its voltage. They need no log.
	Wiring(r WiringRequest) (Document, error)
	Batteries() []string
}

// A WiringRequest is what a person tells of a contact's leads.
type WiringRequest struct {
	Voltage    string // a range, or the name of a usual source
	Superposed string // what lies on it beside the dc: one of superposed
	Peak       string // the largest voltage that was measured; empty where none was
	Reverses   bool
}

// superposed are what may lie on a lead beside the dc.
var superposed = []string{"none", "ringing", "mains"}

// A RequestError is what a person asked for that cannot be had, in words for that
// person.
type RequestError struct {
	Status int // of HTTP
	Text   string
}

func (e *RequestError) Error() string { return e.Text }

// A Stretch is a part of the log, From ≤ t < To. A zero From is the start of the
// log, a zero To its end.
type Stretch struct{ From, To time.Time }

// A Drawing is a picture and what it shows in words.
type Drawing struct {
	ID    string // unique on a page, of small letters and hyphens
	Title string
	Words string                             // a text alternative
	SVG   func(w io.Writer, width int) error // so many CSS pixels wide
	Lines []string                           // what it tells, a sentence each
}

// A Document is a result in words, tables and drawings.
type Document interface {
	// Fragment writes it as HTML without head or style.
	Fragment(w io.Writer) error
}

// An Entry is a note or a finding.
type Entry struct {
	At   time.Time
	Kind string // note, as found, as left, or the finding's
	Text string
	Note bool
}

// Compare is a link to the comparison of two hours before a note with two hours
// after it.
func (e *Entry) Compare(contact string) string {
	form := func(hours time.Duration) string {
		return e.At.Add(hours * time.Hour).Format("2006-01-02T15:04:05Z07:00")
	}
	return "/compare?" + url.Values{"contact": {contact}, "from1": {form(-2)}, "to1": {form(0)}, "from2": {form(0)}, "to2": {form(2)}}.Encode()
}

// A SoakTest is one in a list.
type SoakTest struct {
	Title, Of, Limits, Note string
	Begin                   time.Time
	End                     *time.Time // nil while it goes on
	Found                   Document   // its verdicts so far, in short; nil where they are not worked out
}

// Lasted says in words how long it has gone on, or went on.
func (s *SoakTest) Lasted() string {
	end := time.Now()
	if s.End != nil {
		end = *s.End
	}
	return duration(max(end.Sub(s.Begin).Seconds(), 0))
}

// A NoteState says what a note is about.
type NoteState string

// The states of a note.
const (
	PlainNote NoteState = ""
	AsFound   NoteState = "found"
	AsLeft    NoteState = "left"
	LobeOne   NoteState = "lobe-one"
)

// A Note is what a person adds.
type Note struct {
	Contact string
	State   NoteState
	Text    string
	At      time.Time // zero: now
}
