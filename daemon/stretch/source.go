// Package stretch takes a part of a log: the edges of a contact between two
// times, with the configuration to read them by, their wall-clock times and what
// else the log knows of that time. A soak test is such a part with limits.
package stretch

import (
	"cmp"
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// A Source is a stretch of one contact in a log. It implements hw.Source; times
// are run time. Where the level at its start is not known, it begins with an
// edge to Unknown.
type Source struct {
	log       *store.Log
	owned     bool // the log is closed with it
	replay    *store.Replay
	contact   string
	settings  store.Configuration // in force at the start
	changes   int                 // of the settings, later in the stretch
	kindAsked bool                // by Configure
	numbering int64               // of lobes, by Configure
	from, to  pulse.Stamp
	length    pulse.Stamp // also when it was cut
	told      pulse.Stamp // before which findings and notes are of the stretch
	seen      pulse.Stamp // measured up to

	ahead   []pulse.Edge // read but not given
	err     error        // that follows ahead
	start   pulse.Level  // at from
	level   pulse.Level  // after the edges given
	unknown pulse.Stamp  // since when the level is, while it is
	blind   pulse.Stamp  // time that it was, in all
	gaps    int
	longest []unknownGap // in order of time
}

// notRead is why the level was not known, where nothing tells more.
const notRead = "the source was not read"

// maxGaps of the longest gaps are told of, in order of time.
const maxGaps = 8

type unknownGap struct{ from, to pulse.Stamp }

// Open opens the stretch of a contact that is asked for. Without an asked start,
// it begins with the contact's first edge. The Source closes log with it; where
// the error is not nil, log stays open.
func Open(ctx context.Context, log *store.Log, r *Request, contact string) (*Source, error) {
	if err := KnownContact(ctx, log, contact); err != nil {
		return nil, err
	}
	span, err := r.Span(ctx, log, contact)
	if err != nil {
		return nil, err
	}
	s, err := replayed(ctx, log, span, r.whole(), contact)
	if err == nil {
		s.owned = true
	}
	return s, err
}

// replayed starts to read a span. Without whole, a contact whose edges begin
// later is read from its first edge on.
func replayed(ctx context.Context, log *store.Log, span store.Span, whole bool, contact string) (_ *Source, err error) {
	read, err := untilStop(ctx, log, span, contact)
	if err != nil {
		return nil, err
	}
	r, err := log.Replay(ctx, read, contact)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, r.Close())
		}
	}()
	s := &Source{log: log, replay: r, contact: contact, level: r.StartLevel(), ahead: make([]pulse.Edge, 64)}
	s.from, s.to = r.Span().From, r.Span().To
	s.told = cmp.Or(span.To, r.Timeline().End()+1)
	if s.to == r.Timeline().End()+1 { // there is nothing after the last commit
		s.to--
	}
	n, err := r.ReadEdges(ctx, s.ahead)
	if err != nil && err != io.EOF {
		return nil, err
	}
	s.ahead, s.err = s.ahead[:n], err
	switch g := s.removedGap(); {
	case n == 0:
	case g != nil:
		s.from = max(s.from, g.To)
	case s.level > pulse.High && !whole:
		s.from = s.ahead[0].At
	default:
		s.from = min(s.from, s.ahead[0].At)
	}
	for len(s.ahead) > 0 && s.level > pulse.High && s.ahead[0].At <= s.from { // the level found at the start
		s.level = s.ahead[0].Level
		s.ahead = s.ahead[1:]
	}
	s.start, s.unknown, s.length = s.level, s.from, s.to-s.from
	if s.level > pulse.High {
		s.ahead = slices.Insert(s.ahead, 0, pulse.Edge{At: s.from, Level: pulse.Unknown})
	}
	if s.settings, s.changes, err = settingsAt(ctx, log, contact, r.Timeline().At(s.from), r.Timeline().At(s.to)); err != nil {
		return nil, err
	}
	return s, nil
}

// untilStop ends a span that goes on to the end of the log where the contact was
// no longer read because of a stop: the moment that a stop takes is no gap.
func untilStop(ctx context.Context, log *store.Log, span store.Span, contact string) (store.Span, error) {
	tl, err := log.Timeline(ctx, span.Run)
	if err != nil || span.To != 0 && span.To != tl.End()+1 {
		return span, err
	}
	at, ok, err := log.Stopped(ctx, tl, contact)
	if ok && at > span.From {
		span.To = at
	}
	return span, err
}

// removedGap is the gap at the start in which edges were removed.
func (s *Source) removedGap() *store.Gap {
	if g := s.replay.Gaps(); len(g) > 0 && g[0].Kind == store.GapRemoved {
		return &g[0]
	}
	return nil
}

// BytesRead is how much of the stretch was measured, in ns.
func (s *Source) BytesRead() int64 { return max(int64(s.seen-s.from), 0) }

// Size is the length of the stretch that was opened, in ns.
func (s *Source) Size() int64 { return int64(s.length) }

// ResolutionNS is the step of the times.
func (s *Source) ResolutionNS() float64 { return 1 }

// Begin is the time from which on the stretch counts: that which is asked for,
// or the contact's first edge.
func (s *Source) Begin() pulse.Stamp { return s.from }

// End is the end of the stretch; when measuring was stopped, of what was
// measured.
func (s *Source) End() pulse.Stamp { return s.to }

// Run is the run of the log that times are of.
func (s *Source) Run() int64 { return s.replay.Timeline().ID }

// SameLobes tells whether lobes of one number are one lobe in two stretches of one
// contact that were measured as Configure says: they are of one numbering, or
// somebody has told for both which lobe is number 1.
func SameLobes(a, b *Source, m, n *pulse.Measurement) bool {
	if a.log.Path() != b.log.Path() || a.contact != b.contact || m.Interrupter == nil || n.Interrupter == nil {
		return false
	}
	x, y := m.Interrupter.LobesNumberedBy, n.Interrupter.LobesNumberedBy
	switch {
	case x == nil || y == nil || *x == pulse.LobesByRecording || *y == pulse.LobesByRecording:
		return false
	case *x == pulse.LobesByReference && *y == pulse.LobesByReference:
		return true
	}
	return a.numbering == b.numbering && a.numbering != 0 && a.Run() == b.Run()
}

// Contact is its name in the log.
func (s *Source) Contact() string { return s.contact }

// Settings are how the contact was set up at the start.
func (s *Source) Settings() store.Configuration { return s.settings }

// Asked is the start that was asked for, 0 for that of the run: Begin is later where
// there was no edge yet, or edges were removed.
func (s *Source) Asked() pulse.Stamp { return s.replay.Span().From }

// SameClock tells whether the times of two stretches count from the same moment.
func (s *Source) SameClock(o *Source) bool {
	return s.log.Path() == o.log.Path() && s.replay.Timeline().ID == o.replay.Timeline().ID
}

// Site is the name of the site then.
func (s *Source) Site() string { return s.replay.Timeline().Site }

// Wall gives the wall-clock time, in UTC, of a time of the stretch.
func (s *Source) Wall(at pulse.Stamp) time.Time { return s.replay.Timeline().At(at).Wall.UTC() }

// WallClock gives the moments of times of the stretch.
func (s *Source) WallClock() *store.WallClock { return s.replay.Timeline().WallClock() }

// Close closes the log too, of a Source from Open.
func (s *Source) Close() error {
	err := s.replay.Close()
	if s.owned {
		err = errors.Join(err, s.log.Close())
	}
	return err
}

// ReadEdges implements hw.Source.
func (s *Source) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	switch {
	case len(s.ahead) > 0:
		n = copy(buf, s.ahead)
		s.ahead = s.ahead[n:]
	case s.err != nil:
		return 0, s.err
	default:
		if n, err = s.replay.ReadEdges(ctx, buf); err != nil {
			s.err = err
			return 0, err
		}
	}
	return n, nil
}

// saw takes the edges that are measured.
func (s *Source) saw(edges []pulse.Edge) {
	for i := range edges {
		e := &edges[i]
		s.seen = e.At
		if (e.Level > pulse.High) == (s.level > pulse.High) {
			continue
		}
		if s.level = e.Level; s.level > pulse.High {
			s.unknown = e.At
		} else {
			s.known(e.At)
		}
	}
}

// cut ends the stretch with the last edge that was measured.
func (s *Source) cut() {
	s.to = max(s.seen, s.from)
	s.told = s.to + 1
}

// known ends a time in which the level was not known.
func (s *Source) known(at pulse.Stamp) {
	if at <= s.unknown {
		return
	}
	s.gaps++
	s.blind += at - s.unknown
	s.longest = append(s.longest, unknownGap{s.unknown, at})
	if len(s.longest) > maxGaps {
		shortest := slices.MinFunc(s.longest, func(a, b unknownGap) int { return cmp.Compare(a.to-a.from, b.to-b.from) })
		s.longest = slices.DeleteFunc(s.longest, func(g unknownGap) bool { return g == shortest })
	}
}
