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
	// Closed is the state after the event.
	Closed bool
	// Transition says that an EventUnknown holds a transition: the state after
	// it is not the one before, but the time of the change is not known.
	Transition bool
	// Extra counts the burst's edges beyond its first, those known to be lost too.
	Extra int32
	// At is the burst's first edge, or the time up to which everything is known.
	At Stamp
	// End is the start of the level that lasted: the contact's state is known
	// from then on.
	End Stamp
}

// A settler is the settling filter: it turns edges into transitions, chatter
// and unknown intervals. A burst opens at the first edge away from the settled
// state and ends when one level has lasted SettleNS.
//
// Edges are missing where their number is told (Edge.Lost), and between two
// edges whose levels do not fit that number: then one more. The time of a
// transition is known only if its whole burst was seen: nothing missing, and no
// level unknown, from SettleNS before its first edge until the new level has
// lasted. Else an EventUnknown reaches from the last time that is sure to the
// start of the first level that has lasted with nothing missing. Only a burst
// that ends where it began, with less than SettleNS from edge to edge around
// all that is missing, is chatter nevertheless: no level can have lasted there.
type settler struct {
	SettleNS int64
	Polarity Polarity

	lost  int
	t0    Stamp // first edge of the burst
	last  Stamp // last edge, or when the level at the start was read
	extra int32
	n     int8
	phase phase
	burst bool // one is open, also behind an unknown level
	holed bool // edges are missing in it
	state bool // settled state: closed
	level bool // level after the last edge, as closed

	live    bool  // Start told when the edges begin
	atStart bool  // unsure, as no edge has come since the start
	hadOld  bool  // state is that before the unknown time
	sure    Stamp // while the state is not known: everything is up to here
	blindAt Stamp // since when the level cannot be read
	quiet   Stamp // no edge came up to here, as Advance told
	ev      [3]Event
}

// A phase says what a settler knows of the contact now.
type phase uint8

const (
	phaseNone   phase = iota // nothing has come
	phaseKnown               // the state, or a burst that began from a known one
	phaseUnsure              // the level, which has not lasted since edges were missing
	phaseBlind               // not even the level
)

// Start tells when a live capture, or a stretch of a log, begins, and the level
// then, Unknown when it could not be read. A burst less than SettleNS later may
// have begun before. Without Start, the edges are taken to begin long after
// whatever edge came before, in the opposite of the first one's level.
func (s *settler) Start(at Stamp, l Level) {
	s.live, s.sure, s.last = true, at, at
	if l <= High {
		s.startAs(s.Polarity.Closed(l))
	}
}

func (s *settler) startAs(closed bool) {
	s.phase, s.atStart, s.hadOld = phaseUnsure, true, true
	s.state, s.level = closed, closed
}

// Lost is the number of edges known to be missing so far.
func (s *settler) Lost() int { return s.lost }

// decided is the time up to which a time free of edges to now leaves nothing
// undecided; ok is false while the level cannot be read.
func (s *settler) decided(now Stamp) (upTo Stamp, ok bool) {
	switch {
	case s.phase == phaseBlind:
		return 0, false
	case s.burst:
		return s.t0, true
	case s.phase == phaseUnsure:
		return s.sure, true
	}
	return now, true
}

// Add takes the next edge and returns what it decided. The slice is valid
// until the next call.
func (s *settler) Add(e Edge) []Event {
	s.n = 0
	if e.Level > High || s.phase != phaseKnown || e.Lost > 0 || s.Polarity.Closed(e.Level) == s.level {
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

func (s *settler) unusual(e Edge) []Event {
	closed, known, lost := s.Polarity.Closed(e.Level), e.Level <= High, int(e.Lost)
	if s.phase == phaseNone && s.live && known && lost == 0 {
		s.startAs(!closed) // nothing came since the start
	}
	if (s.phase == phaseKnown || s.phase == phaseUnsure) && known && (lost&1 == 1) != (closed == s.level) {
		lost++
	}
	s.lost += lost
	near := int64(e.At-s.last) < s.SettleNS
	if lost == 0 && !near {
		s.lasted()
	}
	switch {
	case !known:
		if s.phase != phaseBlind {
			s.doubt(e.At, lost)
			s.phase, s.blindAt = phaseBlind, e.At
		}
		return s.ev[:s.n]
	case s.phase == phaseNone && lost == 0:
		s.phase, s.state = phaseKnown, !closed
	case s.burst && near && (s.phase == phaseBlind || lost > 0): // no level can have lasted between: the burst goes on
		s.phase, s.holed = phaseKnown, true
		s.extra += int32(min(lost, 1<<20)) + 1
		s.last, s.level = e.At, closed
		return s.ev[:s.n]
	case s.phase != phaseKnown || lost > 0:
		s.doubt(e.At, lost)
		s.phase, s.burst, s.holed, s.atStart = phaseUnsure, false, false, false
		s.last, s.level = e.At, closed
		return s.ev[:s.n]
	}
	s.burst, s.extra = true, 0
	s.t0, s.last, s.level = e.At, e.At, closed
	return s.ev[:s.n]
}

// doubt begins an unknown time, unless one is under way. Either lost edges are
// missing before at, or the level cannot be read from then on.
func (s *settler) doubt(at Stamp, lost int) {
	switch {
	case s.phase == phaseNone && !s.live:
		s.sure = at
	case s.phase != phaseKnown:
	case s.burst:
		s.sure, s.hadOld = s.t0, true
	case lost > 0:
		s.sure, s.hadOld = max(s.last, s.quiet), true
	default:
		s.sure, s.hadOld = at, true
	}
}

// lasted settles the level after the last edge.
func (s *settler) lasted() {
	switch {
	case s.phase == phaseKnown && s.burst:
		s.resolve()
	case s.phase == phaseUnsure:
		if !s.atStart {
			s.unknown(s.last, s.hadOld && s.level != s.state)
		}
		s.phase, s.atStart, s.hadOld, s.state = phaseKnown, false, false, s.level
	}
}

// unknown ends an unknown time.
func (s *settler) unknown(end Stamp, transition bool) {
	s.put(Event{Kind: EventUnknown, Closed: s.level, Transition: transition, At: min(s.sure, end), End: end})
}

// resolve ends the open burst in its last level.
func (s *settler) resolve() {
	s.burst = false
	kind := EventChatter
	if s.level != s.state {
		if kind, s.state = EventTransition, s.level; s.holed {
			kind = EventUnknown
		}
	}
	s.put(Event{Kind: kind, Closed: s.level, Transition: kind == EventUnknown, Extra: s.extra, At: s.t0, End: s.last})
	s.holed = false
}

func (s *settler) put(e Event) {
	s.ev[s.n] = e
	s.n++
}

// Advance says that no edge came up to now, none lost either, and returns what
// that decides.
func (s *settler) Advance(now Stamp) []Event {
	s.n = 0
	s.quiet = max(s.quiet, now)
	if int64(now-s.last) >= s.SettleNS {
		s.lasted()
	}
	return s.ev[:s.n]
}

// Finish ends the edges. A live capture ends at end, and a level that has not
// lasted the settling time by then is undecided; a recorded file goes on in
// its last level. known is false where the contact's state at the end is not.
func (s *settler) Finish(live bool, end Stamp) (ev []Event, undecided, known bool) {
	if s.n = 0; live {
		s.Advance(end)
	} else {
		s.lasted()
	}
	switch {
	case s.phase == phaseBlind:
		if !live {
			end = s.blindAt
		}
		s.level = true // as good as the other
		s.unknown(max(end, s.blindAt), false)
		return s.ev[:s.n], false, false
	case s.phase == phaseUnsure && !s.atStart:
		s.unknown(max(end, s.last), false)
		return s.ev[:s.n], true, false
	}
	return s.ev[:s.n], s.phase == phaseKnown && s.burst, true
}
