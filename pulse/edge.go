// Package pulse turns edges of a telephone contact into what they mean: make,
// break, bounce, dial pulses, trains and digits, interrupter cycles, cadences
// and lobes, with their statistics, their uncertainty and a statement of
// conformity. It is pure: it reads no clock, opens no file, starts no
// goroutine and logs nothing.
package pulse

// A Stamp is a time on a monotonic clock, in nanoseconds. Its zero is the
// source's own; only differences have a meaning.
type Stamp int64

// A Level is the electrical level of a line.
type Level uint8

const (
	Low  Level = 0
	High Level = 1
	// Unknown says that from the edge's time until the next edge the level is
	// not known: x and z of a VCD file, an unplugged chip. The next edge
	// tells a level again, but its time is no edge of the contact.
	Unknown Level = 2
)

func (l Level) String() string {
	switch l {
	case Low:
		return "low"
	case High:
		return "high"
	}
	return "unknown"
}

// An Edge is one change of a line's level.
type Edge struct {
	At Stamp
	// Seq is the kernel's sequence number for the line, 0 when the source has none.
	Seq uint32
	// Lost counts the edges that a gap in the sequence numbers shows to be
	// missing between the edge before and this one.
	Lost  uint32
	Level Level // after the edge
}

// A Polarity says which level means that the contact is closed.
type Polarity uint8

const (
	ClosedHigh Polarity = iota
	ClosedLow
)

func (p Polarity) String() string {
	if p == ClosedLow {
		return "low"
	}
	return "high"
}

// Closed tells whether a known level l means a closed contact.
func (p Polarity) Closed(l Level) bool { return (l == High) == (p == ClosedHigh) }

// Level gives the level of a line whose contact is closed or open.
func (p Polarity) Level(closed bool) Level {
	if closed == (p == ClosedHigh) {
		return High
	}
	return Low
}

// A Kind says how the contact's breaks are read.
type Kind uint8

const (
	KindAuto Kind = iota // told from the data
	KindDial
	KindInterrupter
)

func (k Kind) String() string {
	switch k {
	case KindDial:
		return "dial"
	case KindInterrupter:
		return "interrupter"
	}
	return "auto"
}
