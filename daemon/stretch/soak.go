package stretch

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// SoakLimits are the limits of a soak test as the log keeps them: whole, for a
// file of them may change or vanish. The zero value is none.
type SoakLimits struct {
	Asked   string         `json:"asked"`
	Profile *pulse.Profile `json:"profile"`
}

// SoakLimitsOf finds limits by their id or file; without, it gives none.
func SoakLimitsOf(asked string) (l SoakLimits, err error) {
	if asked == "" {
		return l, nil
	}
	l.Asked = asked
	l.Profile, err = config.Profile(asked)
	return l, err
}

// text is what the log keeps, which keptLimits reads.
func (l SoakLimits) text() string {
	if l.Profile == nil {
		return ""
	}
	b, err := json.Marshal(l)
	if err != nil {
		panic(err) // of plain numbers and text
	}
	return string(b)
}

// keptLimits reads what text wrote, or the id of limits.
func keptLimits(s store.Soak) (l SoakLimits, err error) {
	if !strings.HasPrefix(s.Profile, "{") {
		return SoakLimitsOf(s.Profile)
	}
	if err := json.Unmarshal([]byte(s.Profile), &l); err != nil {
		return l, fmt.Errorf("limits of soak test %q in the log: %w", s.Title, err)
	}
	return l, nil
}

// suit tells limits that are for no contact of the test.
func (l SoakLimits) suit(ctx context.Context, log *store.Log, contact string) error {
	if l.Profile == nil {
		return nil
	}
	names := []string{contact}
	if contact == "" {
		var err error
		if names, err = log.Contacts(ctx); err != nil {
			return err
		}
	}
	for _, name := range names {
		all, err := log.Configurations(ctx, name)
		if err != nil {
			return err
		}
		if len(all) == 0 || all[len(all)-1].Kind == l.Profile.Kind {
			return nil
		}
	}
	if contact == "" {
		return fmt.Errorf("limits %s are for a contact of kind %s, and none in the log is", l.Asked, l.Profile.Kind)
	}
	return fmt.Errorf("limits %s are for a contact of kind %s, and %s is watched as another kind", l.Asked, l.Profile.Kind, contact)
}

// idleOf says since when nobody writes the log, empty while somebody does: what
// is being watched is written every ten seconds at least.
func idleOf(ctx context.Context, log *store.Log, zone *time.Location) (string, error) {
	tl, err := log.Timeline(ctx, 0)
	if err != nil {
		return "", err
	}
	s := tl.Sessions[len(tl.Sessions)-1]
	if !s.Ended && time.Since(s.Alive.Wall) < 20*time.Second {
		return "", nil
	}
	return "nothing is being watched now, the log was last written " + wallText(inZone(s.Alive.Wall, zone)), nil
}

// BeginSoak begins a soak test now, of s.Title, s.Contact (empty for all) and
// s.Note, held to limits. idle says that nobody is watching; empty when somebody
// is. Times in it and in an error are in a zone.
func BeginSoak(ctx context.Context, log *store.Log, s store.Soak, limits SoakLimits, zone *time.Location) (idle string, err error) {
	if s.Contact != "" {
		if err := KnownContact(ctx, log, s.Contact); err != nil {
			return "", err
		}
	}
	if err := limits.suit(ctx, log, s.Contact); err != nil {
		return "", err
	}
	soaks, err := log.Soaks(ctx)
	if err != nil {
		return "", err
	}
	for _, x := range soaks {
		switch {
		case x.Title == s.Title:
			return "", fmt.Errorf("soak test %q was begun %s: expected another title", s.Title, wallText(inZone(x.Begin.Wall, zone)))
		case x.End == nil && (x.Contact == s.Contact || x.Contact == "" || s.Contact == ""):
			return "", fmt.Errorf("soak test %q of %s already goes on, since %s: finish it first", x.Title, cmp.Or(x.Contact, "all contacts"), wallText(inZone(x.Begin.Wall, zone)))
		}
	}
	if idle, err = idleOf(ctx, log, zone); err != nil {
		return "", err
	}
	s.Profile = limits.text()
	_, err = log.BeginSoak(ctx, s)
	return idle, err
}

// Room is how long a log keeps single edges, where that is short for a soak test.
type Room struct {
	store.Limits
	Holds time.Duration // what its largest size holds by the rate of the last day; 0: not known
}

// shortRoom is less than a soak test may last.
const shortRoom = 7 * 24 * time.Hour

// RoomOf gives how long the log keeps edges if that is less than a week, or if
// its largest size holds less than it should keep; else nil.
func RoomOf(ctx context.Context, log *store.Log) (*Room, error) {
	tl, err := log.Timeline(ctx, 0)
	if err != nil {
		return nil, err
	}
	s := &tl.Sessions[len(tl.Sessions)-1]
	if s.Limits == nil {
		return nil, nil
	}
	r := &Room{Limits: *s.Limits}
	if r.Holds, err = log.Holds(ctx, s); err != nil {
		return nil, err
	}
	short := r.KeepEdges != 0 && r.KeepEdges < shortRoom
	if !short && !r.small() {
		return nil, nil
	}
	return r, nil
}

// small says that the largest size of the log is what is short.
func (r *Room) small() bool {
	return r.Holds != 0 && (r.Holds < r.KeepEdges || r.KeepEdges == 0 && r.Holds < shortRoom)
}

func (r *Room) String() string {
	if r.small() {
		return "at the rate of the last day, a log of " + figure.Bytes(r.MaxBytes) + " (max_size) holds single edges for some " + days(r.Holds)
	}
	return "single edges are kept for " + days(r.KeepEdges) + " (keep_raw)"
}

func days(d time.Duration) string {
	if h := d.Hours(); h < 48 {
		return figure.Trimmed(h, 1) + " h"
	}
	return figure.Trimmed(d.Hours()/24, 1) + " d"
}

// EndSoak ends a soak test now; title is as for FindSoak. Times of an error are in a
// zone.
func EndSoak(ctx context.Context, log *store.Log, title string, zone *time.Location) (s store.Soak, err error) {
	s, err = FindSoak(ctx, log, title)
	switch {
	case err != nil:
		return s, err
	case s.End != nil && title == "":
		return s, errors.New("no soak test goes on in the log")
	case s.End != nil:
		return s, fmt.Errorf("soak test %q was finished %s already: makebreak soak status shows it", s.Title, wallText(inZone(s.End.Wall, zone)))
	}
	if _, err := keptLimits(s); err != nil { // before it ends, for then it is measured
		return s, err
	}
	end, err := log.EndSoak(ctx, s.ID)
	if err != nil {
		return s, err
	}
	s.End = &end
	return s, awaitCommit(ctx, log, end)
}

// FindSoak finds a soak test by its title; without one, the one that goes on,
// else the latest.
func FindSoak(ctx context.Context, log *store.Log, title string) (found store.Soak, err error) {
	soaks, err := log.Soaks(ctx)
	if err != nil {
		return found, err
	}
	going := 0
	var titles, goOn []string
	for _, s := range soaks {
		titles = append(titles, fmt.Sprintf("%q", s.Title))
		switch {
		case title != "" && s.Title == title:
			return s, nil
		case title != "":
		case s.End == nil:
			going++
			goOn = append(goOn, titles[len(titles)-1])
			found = s
		case going == 0:
			found = s
		}
	}
	switch {
	case len(soaks) == 0:
		return found, errors.New("no soak test is in the log: makebreak soak start begins one")
	case title != "":
		return found, fmt.Errorf("soak test %q is not in the log: expected one of %s", title, strings.Join(titles, ", "))
	case going > 1:
		return found, fmt.Errorf("%d soak tests go on: expected the title of one: %s", going, strings.Join(goOn, ", "))
	}
	return found, nil
}

// awaitCommit waits until a log that is being written has all up to a moment:
// it may commit up to ten seconds late where nothing moves.
func awaitCommit(ctx context.Context, log *store.Log, m store.Moment) error {
	const patience, look = 12 * time.Second, 100 * time.Millisecond
	for end := time.Now().Add(patience); ; {
		tl, err := log.Timeline(ctx, 0)
		if err != nil {
			return err
		}
		s := tl.Sessions[len(tl.Sessions)-1]
		if s.Ended || s.ID != m.Session || s.Alive.Mono >= m.Mono || m.Mono-s.Alive.Mono > pulse.Stamp(patience) || time.Now().After(end) {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(look):
		}
	}
}

// soakSpan is the stretch of a soak test, with the clock of its run. It is cut
// where the site was renamed, for another run begins there.
func soakSpan(ctx context.Context, log *store.Log, s store.Soak) (_ store.Span, _ *store.Timeline, cut bool, _ error) {
	runs, err := log.Runs(ctx)
	if err != nil {
		return store.Span{}, nil, false, err
	}
	for i, r := range runs {
		// It may begin and end in the import of another contact: whatever was the latest.
		all, err := log.Timeline(ctx, r.ID)
		if err != nil {
			return store.Span{}, nil, false, err
		}
		for _, x := range all.Sessions {
			if x.ID != s.Begin.Session {
				continue
			}
			tl, err := log.TimelineOf(ctx, r.ID, s.Contact)
			if err != nil {
				return store.Span{}, nil, false, err
			}
			span := store.Span{Run: r.ID, From: s.Begin.Run, To: tl.End() + 1}
			switch last := all.Sessions[len(all.Sessions)-1].ID; {
			case s.End == nil:
				cut = i+1 < len(runs)
			case s.End.Session > last:
				cut = true
			default:
				span.To = s.End.Run
			}
			span.To = max(span.To, span.From+1)
			return span, tl, cut, nil
		}
	}
	return store.Span{}, nil, false, fmt.Errorf("read log %q: the start of soak test %q is not in it", log.Path(), s.Title)
}
