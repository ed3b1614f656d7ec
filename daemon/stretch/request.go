package stretch

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"makebreak/daemon/store"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

// A Time is one end of a stretch as somebody asks for it: a wall-clock time, so long
// before the end of the log, or the moment of a note. The zero value asks for
// nothing.
type Time struct {
	Set   bool
	Text  string // as it was asked
	Wall  time.Time
	Back  time.Duration // before the end of the log, where Wall is zero
	Words string        // of a note, where both are; Resolve finds its time

	zoned bool // Text tells the zone; else Wall is in UTC until In
	exact bool // it is at of run; Wall is only shown
	run   int64
	at    pulse.Stamp
}

// In takes a time without a zone of its own for one by the clock of a zone.
func (t Time) In(zone *time.Location) Time {
	if w := t.Wall; !w.IsZero() && !t.zoned {
		t.Wall = time.Date(w.Year(), w.Month(), w.Day(), w.Hour(), w.Minute(), w.Second(), w.Nanosecond(), zone).UTC()
		t.zoned = true
	}
	return t
}

// ParseTime reads a date with or without a time of day and a zone, by default UTC
// (see In), or -2h for so long ago: before now in a note, before the end of the log
// in a stretch. What begins with a letter, or has a word of four letters, is taken for
// words of a note.
func ParseTime(s string) (Time, error) {
	t := Time{Set: true, Text: s}
	if rest, ok := strings.CutPrefix(s, "-"); ok {
		if ns, err := duration.Parse(rest); err == nil && ns > 0 {
			t.Back = time.Duration(ns)
			return t, nil
		}
	}
	for _, form := range []string{"2006-01-02T15:04:05Z07:00", "2006-01-02T15:04Z07:00", "2006-01-02T15:04:05", "2006-01-02T15:04", "2006-01-02"} {
		if wall, err := time.Parse(form, strings.Replace(s, " ", "T", 1)); err == nil {
			t.Wall, t.zoned = wall.UTC(), strings.Contains(form, "Z07")
			return t, nil
		}
	}
	if hasWords(s) {
		t.Words = s
		return t, nil
	}
	if ns, err := duration.Parse(s); err == nil && ns > 0 {
		return t, fmt.Errorf("%q is no time: -%[1]s is so long ago; expected that, one like 2026-11-20T10:00, or words of a note, such as oiled", s)
	}
	return t, fmt.Errorf("%q is no time: expected one like 2026-11-20T10:00 or 2026-11-20, with or without a zone such as +02:00, or -2h or -3d for so long ago, or words of a note, such as oiled", s)
}

// hasWords tells a text that is meant for words from a time that is not written as
// expected, such as 20 Nov 2026 or 10:00 CET.
func hasWords(s string) bool {
	if first, _ := utf8.DecodeRuneInString(s); unicode.IsLetter(first) {
		return true
	}
	return !strings.HasPrefix(s, "-") && slices.ContainsFunc(strings.FieldsFunc(s, func(r rune) bool { return !unicode.IsLetter(r) }),
		func(word string) bool { return utf8.RuneCountInString(word) >= 4 })
}

// ErrNoNote says that no note has the words that are asked for.
var ErrNoNote = errors.New("no note")

// mostNotes of those that have the same words are told of.
const mostNotes = 5

// A RunNote is a note of a run of a log.
type RunNote struct {
	store.Note
	Run int64
}

// FindNote finds the note that has the words, in capitals or not: one on the
// contact or on the site, and of every contact where that is empty. "as found" and
// "as left" are words of the notes that say so. Where several notes have the words,
// it is the one that has no others. Times in an error are in the zone; nil is UTC.
// The error wraps ErrNoNote where there is none.
func FindNote(ctx context.Context, log *store.Log, contact, words string, zone *time.Location) (RunNote, error) {
	runs, err := log.Runs(ctx)
	if err != nil {
		return RunNote{}, err
	}
	asked := strings.ToLower(strings.TrimSpace(words))
	state := store.NoteState(strings.ReplaceAll(asked, "-", " "))
	var found, same []RunNote
	for _, r := range runs {
		notes, err := log.Notes(ctx, store.Span{Run: r.ID}, contact)
		if err != nil {
			return RunNote{}, err
		}
		for _, n := range notes {
			text := strings.ToLower(n.Text)
			if text == asked {
				same = append(same, RunNote{n, r.ID})
			}
			if strings.Contains(text, asked) || n.State != store.PlainNote && n.State == state {
				found = append(found, RunNote{n, r.ID})
			}
		}
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(same) == 1:
		return same[0], nil
	case len(found) == 0:
		of := "in the log"
		if contact != "" {
			of = "on the contact " + contact + " or the site"
		}
		return RunNote{}, fmt.Errorf("%w %s has the words %q: expected words of one (see makebreak notes), or a time such as 2026-11-20T10:00 or -2h", ErrNoNote, of, words)
	}
	var said []string
	for _, n := range found[:min(len(found), mostNotes)] {
		said = append(said, fmt.Sprintf("%s (%s)", wallText(inZone(n.At.Wall, zone)), NoteText(n.Note)))
	}
	if more := len(found) - mostNotes; more > 0 {
		said = append(said, fmt.Sprintf("and %d more", more))
	}
	return RunNote{}, fmt.Errorf("%d notes have the words %q: %s: expected words that one of them has, or a time", len(found), words, strings.Join(said, ", "))
}

// Resolve gives the moment of the note whose words are asked for, of a contact, as
// FindNote does. Another time stays as it is.
func (t Time) Resolve(ctx context.Context, log *store.Log, contact string, zone *time.Location) (Time, error) {
	if t.Words == "" {
		return t, nil
	}
	n, err := FindNote(ctx, log, contact, t.Words, zone)
	if err != nil {
		return t, err
	}
	t.Words, t.Wall, t.zoned, t.exact, t.run, t.at = "", n.At.Wall.UTC(), true, true, n.Run, n.At.Run
	return t, nil
}

// A Request asks for a stretch of a log: between two times, or that of a soak
// test. The zero value asks for the whole latest run.
type Request struct {
	Since, Until Time
	Soak         string         // title of a soak test, which is a stretch by itself; empty for none
	Zone         *time.Location // of the times of an error; nil is UTC
}

// whole tells whether the stretch begins where it is asked to, also where the
// contact's first edge comes later.
func (r *Request) whole() bool { return r.Since.Set || r.Soak != "" }

// ErrSoakAndTimes says that both a soak test and times are asked for.
var ErrSoakAndTimes = errors.New("a soak test is a stretch by itself, without other times")

// ErrEmpty says that a stretch is asked to begin at its end or after it.
var ErrEmpty = errors.New("the stretch begins at its end or after it")

// An OutsideError says that an end of a stretch is asked for outside the log.
type OutsideError struct {
	AtStart     bool // Since is after the log, else Until is before it
	First, Last time.Time
}

func (e *OutsideError) Error() string {
	return "the log is of " + wallText(e.First) + " to " + wallText(e.Last)
}

// A TimeError says that an end of a stretch is asked for by words that are not
// those of one note.
type TimeError struct {
	AtStart bool // Since is, else Until
	Err     error
}

func (e *TimeError) Error() string { return e.Err.Error() }
func (e *TimeError) Unwrap() error { return e.Err }

// wallText writes a time with its zone.
func wallText(t time.Time) string { return t.Format("2006-01-02 15:04:05 MST") }

// inZone gives a time in a zone; nil is UTC.
func inZone(t time.Time, zone *time.Location) time.Time {
	if zone == nil {
		return t.UTC()
	}
	return t.In(zone)
}

// Span finds the stretch that is asked for. The contact is only compared with
// that of the soak test, and tells whose notes have words that are asked for; it may
// be empty for none. The error may be ErrEmpty, ErrSoakAndTimes, an *OutsideError or
// a *TimeError.
func (r *Request) Span(ctx context.Context, log *store.Log, contact string) (s store.Span, err error) {
	if r.Soak != "" {
		if r.Since.Set || r.Until.Set {
			return s, ErrSoakAndTimes
		}
		soak, err := FindSoak(ctx, log, r.Soak)
		if err != nil {
			return s, err
		}
		if contact != "" && soak.Contact != "" && soak.Contact != contact {
			return s, fmt.Errorf("soak test %q is of the contact %s, not of %s", soak.Title, soak.Contact, contact)
		}
		s, _, _, err := soakSpan(ctx, log, soak)
		return s, err
	}
	since, err := r.Since.Resolve(ctx, log, contact, r.Zone)
	if err != nil {
		return s, &TimeError{AtStart: true, Err: err}
	}
	until, err := r.Until.Resolve(ctx, log, contact, r.Zone)
	if err != nil {
		return s, &TimeError{Err: err}
	}
	run := int64(0)
	switch {
	case since.exact:
		run = since.run
	case !since.Wall.IsZero():
		if run, err = runAt(ctx, log, since.Wall); err != nil {
			return s, err
		}
	case until.exact && !since.Set:
		run = until.run
	}
	tl, err := log.TimelineOf(ctx, run, contact)
	if err != nil {
		return s, err
	}
	s = store.Span{Run: tl.ID, To: tl.End() + 1}
	outside := func(atStart bool) error {
		return &OutsideError{atStart, inZone(tl.At(0).Wall, r.Zone), inZone(tl.At(tl.End()).Wall, r.Zone)}
	}
	switch t := &since; {
	case !t.Wall.IsZero():
		if s.From = t.at; !t.exact {
			s.From = tl.Since(t.Wall)
		}
		if s.From >= s.To {
			return s, outside(true)
		}
	case t.Set:
		s.From = max(tl.End()-pulse.Stamp(t.Back), 0)
	}
	switch t := &until; {
	case t.exact && t.run == tl.ID:
		s.To = min(s.To, t.at)
	case !t.Wall.IsZero():
		if t.Wall.Before(tl.At(0).Wall) {
			return s, outside(false)
		}
		s.To = min(s.To, tl.Until(t.Wall))
	case t.Set:
		s.To = tl.End() - pulse.Stamp(t.Back)
	}
	if s.From >= s.To {
		return s, ErrEmpty
	}
	return s, nil
}

// runAt gives the run of a log at a time, the first one for a time before it: a
// site that was renamed began another run.
func runAt(ctx context.Context, log *store.Log, wall time.Time) (run int64, err error) {
	runs, err := log.Runs(ctx)
	if err != nil {
		return 0, err
	}
	for _, r := range runs {
		if run == 0 || !r.Began.After(wall) {
			run = r.ID
		}
	}
	return run, nil
}

// KnownContact refuses a contact that the log does not have.
func KnownContact(ctx context.Context, log *store.Log, contact string) error {
	names, err := log.Contacts(ctx)
	switch {
	case err != nil:
		return err
	case slices.Contains(names, contact):
		return nil
	case len(names) == 0:
		return fmt.Errorf("contact %q is not in the log %s: it has none", contact, log.Path())
	}
	return fmt.Errorf("contact %q is not in the log %s: expected one of %s", contact, log.Path(), strings.Join(names, ", "))
}
