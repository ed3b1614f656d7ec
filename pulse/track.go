package pulse

import (
	"cmp"
	"iter"
)

// A Transition is a settled change of a contact, or a time in which its state is
// not known.
type Transition struct {
	At      Stamp
	End     Stamp // of an unknown time; else At
	Closed  bool  // the state afterwards
	Unknown bool
}

// A TransitionReader makes Transitions of what the settling filter finds, at the
// times that a Meter of the same configuration measures by: chosen by the timing,
// openings corrected for the asymmetry of the chain.
type TransitionReader struct {
	timing    Timing
	asymmetry Stamp
	last      Stamp
	any       bool
}

// NewTransitionReader makes one for a contact that is read with cfg.
func NewTransitionReader(cfg *Config) TransitionReader {
	setup := DefaultSetup()
	if cfg.Setup != nil {
		setup = *cfg.Setup
	}
	return TransitionReader{timing: cfg.Timing, asymmetry: Stamp(setup.AsymmetryNS)}
}

// at is the time that an event is measured by.
func (r *TransitionReader) at(e *Event) Stamp {
	at := e.At
	if r.timing == TimingSettled {
		at = e.End
	}
	if !e.Closed {
		at -= r.asymmetry
	}
	return at
}

// Read gives the Transition of an event; ok is false for chatter, which is none.
// Times never go back: a correction longer than a make leaves a make of 0.
func (r *TransitionReader) Read(e *Event) (t Transition, ok bool) {
	switch e.Kind {
	case EventTransition:
		t = Transition{At: r.at(e), Closed: e.Closed}
		t.End = t.At
	case EventUnknown:
		t = Transition{At: e.At, End: e.End, Closed: e.Closed, Unknown: true}
	default:
		return t, false
	}
	if r.any && t.At < r.last {
		t.At = r.last
		t.End = max(t.End, t.At)
	}
	r.any, r.last = true, t.End
	return t, true
}

// A Track keeps the Transitions of a contact, in some 3 bytes each, to be paired
// with those of another contact. The zero value is not ready: see NewTrack.
type Track struct {
	read    TransitionReader
	steps   durations // from one to the next, doubled, with the state after it in the lowest bit
	unknown durations // lengths of the unknown times
	isGap   []int     // which of the steps begin them
	last    Stamp     // start of the last one
	// bounded: the contact was read from one time to another, and not beyond.
	bounded  bool
	from, to Stamp
}

// NewTrack makes a Track for a contact that is read with cfg. Its Observer is to be
// one of the contact's Meter.
func NewTrack(cfg *Config) *Track {
	return &Track{read: NewTransitionReader(cfg), bounded: cfg.Live, from: cfg.Start, to: endless}
}

// EndAt tells when a live capture, or a stretch of a log, ended.
func (t *Track) EndAt(at Stamp) { t.to = at }

// Observer fills the Track.
func (t *Track) Observer() Observer {
	return Observer{Event: func(e *Event) {
		if x, ok := t.read.Read(e); ok {
			t.add(x)
		}
	}}
}

func (t *Track) add(x Transition) {
	step := int64(x.At-t.last) << 1
	if x.Closed {
		step |= 1
	}
	if x.Unknown {
		t.isGap = append(t.isGap, t.steps.Len())
		t.unknown.Add(int64(x.End - x.At))
	}
	t.steps.Add(step)
	t.last = x.At
}

// Len is the number of Transitions.
func (t *Track) Len() int { return t.steps.Len() }

// All gives the Transitions in order of time.
func (t *Track) All() iter.Seq[Transition] {
	return func(yield func(Transition) bool) {
		r := trackReader{track: t}
		for {
			if x, ok := r.next(); !ok || !yield(x) {
				return
			}
		}
	}
}

// A trackReader gives the Transitions of a Track one by one.
type trackReader struct {
	track *Track // nil is an empty one
	i     int
	gaps  int
	at    Stamp
	block [256]int64
}

func (r *trackReader) next() (x Transition, ok bool) {
	t := r.track
	if t == nil || r.i == t.steps.Len() {
		return x, false
	}
	in := r.i % len(r.block)
	if in == 0 {
		t.steps.Fill(r.block[:min(len(r.block), t.steps.Len()-r.i)], r.i)
	}
	r.at += Stamp(r.block[in] >> 1)
	x = Transition{At: r.at, End: r.at, Closed: r.block[in]&1 == 1}
	if r.gaps < len(t.isGap) && t.isGap[r.gaps] == r.i {
		x.Unknown, x.End = true, r.at+Stamp(t.unknown.At(r.gaps))
		r.gaps++
	}
	r.i++
	return x, true
}

// shifted keeps differences that may be below 0 as durations: shiftNS more, so
// that those within a second take as little room as durations do.
type shifted struct{ durations }

const shiftNS = 1 << 30

func (s *shifted) Add(ns int64) { s.durations.Add(ns + shiftNS) }

// FillFloat is that of durations.
func (s *shifted) FillFloat(dst []float64, from int, unitNS float64) {
	fill(&s.durations, dst, from)
	for i := range dst {
		dst[i] = (dst[i] - shiftNS) / unitNS
	}
}

// trainGap is the make that ends a train.
func (c *Config) trainGap() int64 {
	if c.Limits != nil {
		return cmp.Or(c.TrainGapNS, c.Limits.TrainGapNS, DefaultTrainGapNS)
	}
	return cmp.Or(c.TrainGapNS, DefaultTrainGapNS)
}

// pulseMin is the shortest break that is a pulse.
func (c *Config) pulseMin() int64 {
	if c.Limits != nil {
		return cmp.Or(c.PulseMinNS, c.Limits.PulseMinNS, DefaultPulseMinNS)
	}
	return cmp.Or(c.PulseMinNS, DefaultPulseMinNS)
}
