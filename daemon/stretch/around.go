package stretch

import (
	"context"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// Halves are the stretches before and after a moment of a log.
type Halves struct {
	Before, After Request
	At            time.Time // the moment itself, which may lie in neither
	// Note is the note that gave the moment; nil for a time.
	Note *store.Note
	// Found and Left are the last note before the moment that says how the contact
	// was found, and the first one after it that says how it was left, within the
	// stretches; nil without one.
	Found, Left *store.Note
}

// Around gives the stretches of a contact before and after a moment, as long as
// asked or up to an end of the log. Times in an error are in the zone; nil is UTC.
// The error may be an *OutsideError where the log does not reach to both sides of
// the moment, or wrap ErrNoNote.
func Around(ctx context.Context, log *store.Log, contact string, moment Time, before, after time.Duration, zone *time.Location) (*Halves, error) {
	h := &Halves{}
	if moment.Words != "" {
		n, err := FindNote(ctx, log, contact, moment.Words, zone)
		if err != nil {
			return nil, err
		}
		h.Note = &n.Note
		moment.exact, moment.run, moment.at = true, n.Run, n.At.Run
	}
	var err error
	run := moment.run
	if !moment.exact && !moment.Wall.IsZero() {
		if run, err = runAt(ctx, log, moment.Wall); err != nil {
			return nil, err
		}
	}
	tl, err := log.TimelineOf(ctx, run, contact)
	if err != nil {
		return nil, err
	}
	at := moment.at
	switch {
	case moment.exact:
	case !moment.Wall.IsZero():
		if at = tl.Since(moment.Wall); moment.Wall.Before(tl.At(0).Wall) {
			at = 0
		}
	default:
		at = tl.End() - pulse.Stamp(moment.Back)
	}
	if at <= 0 || at >= tl.End() {
		return nil, &OutsideError{at > 0, inZone(tl.At(0).Wall, zone), inZone(tl.At(tl.End()).Wall, zone)}
	}
	exactly := func(at pulse.Stamp) Time {
		return Time{Set: true, Wall: tl.At(at).Wall.UTC(), zoned: true, exact: true, run: tl.ID, at: at}
	}
	from, to := max(at-pulse.Stamp(before), 0), at+pulse.Stamp(after)
	last, next := watchedAround(tl, at)
	h.Before = Request{Since: exactly(min(from, last)), Until: exactly(last), Zone: zone}
	h.After = Request{Since: exactly(next), Zone: zone}
	if to <= tl.End() {
		h.After.Until = exactly(max(to, next))
	}
	h.At = tl.At(at).Wall.UTC()
	if h.Note != nil {
		h.At = h.Note.At.Wall.UTC()
	}
	notes, err := log.Notes(ctx, store.Span{Run: tl.ID, From: from, To: to + 1}, contact)
	if err != nil {
		return nil, err
	}
	for i := range notes {
		switch n := &notes[i]; {
		case n.State == store.AsFound && n.At.Run <= at:
			h.Found = n
		case n.State == store.AsLeft && n.At.Run >= at && h.Left == nil:
			h.Left = n
		}
	}
	return h, nil
}

// watchedAround gives the last time up to a moment, and the first from it, at which
// the log was written: a moment between two sessions is beside neither.
func watchedAround(tl *store.Timeline, at pulse.Stamp) (last, next pulse.Stamp) {
	last, next = 0, tl.End()
	for i := range tl.Sessions {
		s := &tl.Sessions[i]
		if s.Start.Run < at && at <= s.Alive.Run {
			return at, at
		}
		if s.Alive.Run < at {
			last = max(last, s.Alive.Run)
		}
		if s.Start.Run >= at {
			next = min(next, s.Start.Run)
		}
	}
	return last, next
}

// A StateNote says how a contact was found or left.
type StateNote struct{ State, Text string }

// FoundNote is the note that says how the contact was found; nil without one, and
// of nil Halves.
func (h *Halves) FoundNote() *StateNote {
	if h == nil {
		return nil
	}
	return stateNote(h.Found)
}

// LeftNote is the note that says how the contact was left, as FoundNote is.
func (h *Halves) LeftNote() *StateNote {
	if h == nil {
		return nil
	}
	return stateNote(h.Left)
}

func stateNote(n *store.Note) *StateNote {
	if n == nil {
		return nil
	}
	return &StateNote{string(n.State), n.Text}
}
