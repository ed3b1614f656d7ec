package pulse

// An EventKind says what the settling filter found.
type EventKind uint8

const (
	// EventTransition: the contact changed state for good.
	EventTransition EventKind = iota
	// EventChatter: a burst of edges that ended in the state it began in.
	EventChatter
	// EventUnknown: edges are missing, or the level could not be read.
	EventUnknown
)

// An Event is one finding of the settling filter, in order of time.
type Event struct {
	Kind EventKind
	// Closed is the state after the event. After EventUnknown it is the state
	// that held, as far as is known, since End.
	Closed bool
	// Extra counts a transition's edges beyond its first.
	Extra int32
	// At is the burst's first edge, or the last edge before an unknown interval.
	At Stamp
	// End is the start of the level that lasted, or the end of the unknown interval.
	End Stamp
}

// A Settler is the settling filter: it turns edges into transitions, chatter
// and unknown intervals. A burst opens at the first edge away from the settled
// state and ends when one level has lasted SettleNS.
//
// Lost edges: each known gap, and each pair of edges whose levels do not fit
// the number of edges known to be lost between them (one more is then missing),
// makes the interval between two edges unknown, unless it is shorter than the
// settling time inside a burst: that burst goes on, since no level can have
// lasted in it. A burst that a longer gap cuts short is taken to end in its
// last level, since the gap itself is reported.
type Settler struct {
	SettleNS int64
	Polarity Polarity

	lost    int
	t0      Stamp // first edge of the burst
	last    Stamp // last edge
	extra   int32
	n       int8
	started bool
	burst   bool
	blind   bool // the level is unknown since last
	state   bool // settled state: closed
	level   bool // level after the last edge, as closed
	ev      [3]Event
}

// Start sets the settled state of a capture whose level at its start is known;
// without it the state before the first edge is the opposite of the first.
func (s *Settler) Start(at Stamp, l Level) {
	if l == Unknown {
		return
	}
	s.started, s.last = true, at
	s.state = s.Polarity.Closed(l)
	s.level = s.state
}

// Lost is the number of edges known to be missing so far.
func (s *Settler) Lost() int { return s.lost }

// Add takes the next edge and returns what it decided. The slice is valid
// until the next call.
func (s *Settler) Add(e Edge) []Event {
	s.n = 0
	if e.Level > High || !s.started || s.blind || e.Lost > 0 || s.Polarity.Closed(e.Level) == s.level {
		return s.unusual(e)
	}
	if s.burst {
		if int64(e.At-s.last) < s.SettleNS {
			s.extra++
			s.last, s.level = e.At, !s.level
			return nil
		}
		s.resolve()
	}
	s.burst, s.extra = true, 0
	s.t0, s.last, s.level = e.At, e.At, !s.level
	return s.ev[:s.n]
}

func (s *Settler) unusual(e Edge) []Event {
	closed := s.Polarity.Closed(e.Level)
	switch {
	case e.Level > High:
		s.lost += int(e.Lost)
		if s.blind {
			return nil
		}
		s.flush()
		s.started, s.blind, s.last = true, true, e.At
		return s.ev[:s.n]
	case s.blind:
		s.lost += int(e.Lost)
		s.put(Event{Kind: EventUnknown, Closed: closed, At: s.last, End: e.At})
		s.blind, s.state, s.level, s.last = false, closed, closed, e.At
		return s.ev[:s.n]
	case !s.started:
		s.lost += int(e.Lost)
		s.started, s.state = true, !closed
	default:
		lost := int(e.Lost)
		if (lost&1 == 1) != (closed == s.level) {
			lost++
		}
		s.lost += lost
		if lost > 0 && s.burst && int64(e.At-s.last) < s.SettleNS {
			// No level can have lasted between: the burst goes on.
			s.extra += int32(min(lost, 1<<20)) + 1
			s.last, s.level = e.At, closed
			return nil
		}
		if lost > 0 {
			s.flush()
			s.put(Event{Kind: EventUnknown, Closed: !closed, At: s.last, End: e.At})
			s.state = !closed
		} else if s.burst && int64(e.At-s.last) >= s.SettleNS {
			s.resolve()
		}
	}
	s.burst, s.extra = true, 0
	s.t0, s.last, s.level = e.At, e.At, closed
	return s.ev[:s.n]
}

// flush ends an open burst at a gap.
func (s *Settler) flush() {
	if s.burst {
		s.resolve()
	}
}

// resolve ends the open burst in its last level.
func (s *Settler) resolve() {
	s.burst = false
	kind := EventChatter
	if s.level != s.state {
		kind, s.state = EventTransition, s.level
	}
	s.put(Event{Kind: kind, Closed: s.level, Extra: s.extra, At: s.t0, End: s.last})
}

func (s *Settler) put(e Event) {
	s.ev[s.n] = e
	s.n++
}

// Advance says that no edge came up to now, and returns what that decides.
func (s *Settler) Advance(now Stamp) []Event {
	s.n = 0
	if s.burst && int64(now-s.last) >= s.SettleNS {
		s.resolve()
	}
	return s.ev[:s.n]
}

// Finish ends the edges. A live capture ends at end, and a level that has not
// lasted the settling time by then is undecided; a recorded file goes on in
// its last level.
func (s *Settler) Finish(live bool, end Stamp) (ev []Event, undecided bool) {
	if live {
		s.Advance(end)
		s.endBlind(max(end, s.last))
		return s.ev[:s.n], s.burst
	}
	s.n = 0
	s.flush()
	s.endBlind(s.last)
	return s.ev[:s.n], false
}

// endBlind ends a level that stays unknown to the end.
func (s *Settler) endBlind(end Stamp) {
	if s.blind {
		s.put(Event{Kind: EventUnknown, Closed: true, At: s.last, End: end})
	}
}
