package live

import "makebreak/pulse"

const (
	// keptMarks are two minutes and a half of a dial at 10 pps with the usual gaps
	// between its digits, and eight of a cam at 120 IPM.
	keptMarks = 2048
	// keptPoints are as many pulses as still show as single points in a drawing.
	keptPoints = 256
)

// A Mark is a change of a contact, after bounce.
type Mark struct {
	At pulse.Stamp
	To State // Unknown where the source was not being read, or edges were lost
}

// A Point is a pulse of a dial, or a whole cycle of an interrupter.
type Point struct {
	At                pulse.Stamp // opening
	BreakNS, PeriodNS int64
}

// A Cursor is how far somebody has read what a contact did. The zero value is
// before everything that is kept.
type Cursor struct{ marks, points uint64 }

// Latest is what a contact did after a Cursor.
type Latest struct {
	Before State // before the first mark
	Marks  []Mark
	Points []Point
	Next   Cursor
	// Missed says that there was more between the cursor and Marks than is kept.
	Missed bool
	Now    pulse.Stamp // of the contact's clock
}

// latest are rings. They cost nothing but a store for each change, whoever reads.
type latest struct {
	marks  [keptMarks]Mark
	points [keptPoints]Point
	n      Cursor // ever added
}

func (l *latest) mark(at pulse.Stamp, to State) {
	l.marks[l.n.marks%keptMarks] = Mark{at, to}
	l.n.marks++
}

func (l *latest) point(at pulse.Stamp, breakNS, periodNS int64) {
	l.points[l.n.points%keptPoints] = Point{at, breakNS, periodNS}
	l.n.points++
}

// Latest gives what came after a cursor, as far as it is kept: at most 2048 changes
// and 256 pulses or cycles.
func (c *Contact) Latest(after Cursor) Latest {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := &c.latest
	r := Latest{Next: l.n, Now: c.now()}
	if n := l.n.marks; n-min(after.marks, n) > keptMarks {
		r.Missed = after.marks > 0
		after.marks = n - keptMarks
	}
	if n := l.n.points; n-min(after.points, n) > keptPoints {
		after.points = n - keptPoints
	}
	// Of those before, the oldest that is kept tells the state.
	if n := l.n.marks; n > keptMarks && after.marks == n-keptMarks {
		after.marks++
	}
	if after.marks > 0 {
		r.Before = l.marks[(after.marks-1)%keptMarks].To
	}
	for i := after.marks; i < l.n.marks; i++ {
		r.Marks = append(r.Marks, l.marks[i%keptMarks])
	}
	for i := after.points; i < l.n.points; i++ {
		r.Points = append(r.Points, l.points[i%keptPoints])
	}
	return r
}

// After is what of it came after a cursor that is no later than its end.
func (l Latest) After(c Cursor) Latest {
	if n := l.Next.marks - c.marks; n < uint64(len(l.Marks)) {
		rest := uint64(len(l.Marks)) - n
		l.Before, l.Marks, l.Missed = l.Marks[rest-1].To, l.Marks[rest:], false
	}
	if n := l.Next.points - c.points; n < uint64(len(l.Points)) {
		l.Points = l.Points[uint64(len(l.Points))-n:]
	}
	return l
}
