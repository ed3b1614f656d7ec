package hw

import (
	"context"
	"fmt"
	"math"

	"makebreak/pulse"
)

// Sequence numbers of a recording count the edges of each contact, or those of
// all contacts that were watched together. Nothing in a file says which; the
// numbers do, as soon as rows of several contacts stand among each other. Until
// then both readings say the same of what is lost. Where they first differ, the
// rows ahead that the window holds decide, so that no file is read twice.

// A sequence is how the numbers of a recording count.
type sequence uint8

const (
	sequenceOpen sequence = iota // both readings say the same so far
	sequenceContact
	sequenceFile
	sequenceUnclear
)

const (
	// wrongGaps is how many gaps that contradict the levels beside them refute a
	// reading: a single one may be one more lost edge.
	wrongGaps = 4
	// manyGaps of which none repeats the level are no losses, where most rows have
	// a gap: an odd number of lost edges repeats the level, and sixteen losses all
	// have an even number by chance once in 65,536 times.
	manyGaps = 16
	// swapRows: of so many rows, one may be out of order by its number. The rows of
	// several contacts are in order of time, and a kernel takes the time and the
	// number of an edge in two steps.
	swapRows = 4
)

// A numbering follows numbers that count over all rows of a file.
type numbering struct {
	rows      int64
	top, base uint32 // greatest and least number
	recent    uint64 // bit i: number top−i came
	gaps      int64  // numbers between base and top that did not come
	swaps     int64
	broken    bool // a number came twice, or far behind
}

func (n *numbering) add(seq uint32) {
	n.rows++
	step := int32(seq - n.top)
	behind := -int64(step)
	switch {
	case n.rows == 1:
		n.top, n.base, n.recent = seq, seq, 1
	case step > 0:
		n.gaps += int64(step) - 1
		n.recent = n.recent<<uint(step) | 1
		n.top = seq
	case behind >= 64 || n.recent&(1<<behind) != 0:
		n.broken = true
	default:
		n.recent |= 1 << behind
		n.swaps++
		if below := n.base - seq; int32(below) > 0 {
			n.gaps += int64(below) - 1
			n.base = seq
		} else {
			n.gaps--
		}
	}
}

// contradicted reports whether the numbers cannot count over all rows.
func (n *numbering) contradicted() bool { return n.broken || n.swaps*swapRows > n.rows }

// A lastRow is the latest row of a contact, to compare the next one with.
type lastRow struct {
	seq   uint32
	level pulse.Level
	gaps  int64 // of the file before it
	row   int64 // of the file; 0 before the first
}

// evidence is what rows say for and against either reading.
type evidence struct {
	file  numbering
	last  *lastRow // of the row before
	mixed bool     // rows of other contacts stand between those of one

	// Read per contact: gaps, edges lost in them, gaps that do not fit the
	// levels beside them, gaps over which the level repeats.
	gaps, lost, wrong, repeats int64
	// Read over the file: steps to another contact's row that count on and
	// that do not; gaps of an odd number, and levels repeated over a gap.
	follow, jump, odd, oddRepeats int64
}

// add adds a row of a contact; false where the contact's numbers go back.
func (v *evidence) add(c *lastRow, seq uint32, level pulse.Level) bool {
	step, before := int32(seq-v.file.top), v.file.gaps
	v.file.add(seq)
	if v.last != nil && v.last != c {
		if step == 1 {
			v.follow++
		} else {
			v.jump++
		}
	}
	if (v.file.gaps-before)&1 == 1 && step > 0 {
		v.odd++
	}
	if c.row > 0 {
		own := int32(seq - c.seq)
		if own <= 0 {
			return false
		}
		repeats := level == c.level
		v.mixed = v.mixed || v.file.rows-c.row > 1
		if own > 1 {
			v.gaps++
			v.lost += int64(own) - 1
			if (own&1 == 0) != repeats {
				v.wrong++
			}
			if repeats {
				v.repeats++
			}
		}
		if repeats && v.file.gaps > c.gaps {
			v.oddRepeats++
		}
	}
	*c = lastRow{seq, level, v.file.gaps, v.file.rows}
	v.last = c
	return true
}

func (v *evidence) verdict(rows int64, several bool) sequence {
	own := !(v.wrong >= wrongGaps && 3*v.wrong > v.gaps) && !(v.gaps >= manyGaps && 2*v.gaps > rows && v.repeats == 0)
	if several && v.mixed && !v.file.contradicted() {
		// Numbers of contacts that count by themselves would have met or
		// overtaken each other.
		switch shared := v.file.gaps == 0 || v.follow > v.jump && !(v.odd >= wrongGaps && 2*v.oddRepeats < v.odd); {
		case v.lost == 0:
			return sequenceContact
		case shared:
			return sequenceFile
		}
		return sequenceUnclear
	}
	switch {
	case !own:
		return sequenceUnclear
	case several && v.file.contradicted():
		return sequenceContact
	}
	return sequenceOpen
}

// number sets what is lost before an edge whose row holds a sequence number.
func (d *csvDecoder) number(contact *csvContact, e *pulse.Edge) error {
	c := &contact.lastRow
	if d.sequence == sequenceOpen && c.row > 0 && d.numbers.rows >= d.judged && (e.Seq-c.seq != 1 || d.numbers.rows > c.row) {
		d.judge(contact, e)
	}
	top := d.numbers.top
	d.numbers.add(e.Seq)
	own := e.Seq - c.seq
	switch {
	case c.row == 0 && !(d.sequence == sequenceFile && d.numbers.broken):
	case d.sequence == sequenceUnclear:
	case d.sequence == sequenceFile && d.numbers.broken:
		err := d.orderError(&csvContact{}, columnSeq, fmt.Sprint(e.Seq), fmt.Sprint(top))
		err.Expected += ", for those before count over all contacts"
		return err
	case int32(own) <= 0:
		return d.orderError(contact, columnSeq, fmt.Sprint(e.Seq), fmt.Sprint(c.seq))
	case d.sequence == sequenceFile:
		// Whose the lost edges were is not known: as many as may be this
		// contact's, by its levels.
		lost := min(max(0, d.numbers.gaps-c.gaps), math.MaxInt32-1)
		if (lost&1 == 1) != (e.Level == c.level) {
			lost--
		}
		e.Lost = uint32(max(0, lost))
	default:
		e.Lost = own - 1
	}
	*c = lastRow{e.Seq, e.Level, d.numbers.gaps, d.numbers.rows}
	return nil
}

// judge decides how the numbers count, by the current row and those that follow.
func (d *csvDecoder) judge(contact *csvContact, e *pulse.Edge) {
	for len(d.rest()) < len(d.buf) && !d.last() {
		if d.fill(context.Background()) != nil {
			break // the next read reports it
		}
	}
	v := evidence{file: d.numbers}
	known := map[string]*lastRow{}
	at := func(name []byte) *lastRow {
		c := known[string(name)]
		if c == nil {
			c = new(lastRow)
			if old := d.byName[string(name)]; old != nil {
				*c = old.lastRow
			}
			known[string(name)] = c
		}
		return c
	}
	for name, c := range d.byName {
		n := at([]byte(name))
		if c.row > 0 && c.row == d.numbers.rows { // the row before is this contact's
			v.last = n
		}
	}
	if !v.add(at([]byte(contact.name)), e.Seq, e.Level) {
		return
	}
	rows := int64(1)
	for range d.ahead {
		c := known[""]
		var seq uint32
		var level pulse.Level
		ok := true
		for i, column := range d.columns {
			field, fits := d.fields[i], true
			switch column {
			case columnSeq:
				seq, fits = seqOf(field)
			case columnLevel:
				level, fits = levelOf(field)
			case columnContact:
				if fits = known[string(field)] != nil || len(known) <= maxContacts; fits {
					c = at(field)
				}
			}
			ok = ok && fits
		}
		if !ok || !v.add(c, seq, level) {
			break
		}
		rows++
	}
	d.sequence = v.verdict(rows, len(known) > 1)
	d.judged = d.numbers.rows + rows
}

// Sequence says how the sequence numbers of a recording count, as far as it was
// read: "contact" (each contact's edges), "file" (those of all contacts),
// "unclear" (neither fits: no edge is counted as lost by its numbers), or ""
// without such numbers.
func (r *Recording) Sequence() string {
	if d, ok := r.dec.(*csvDecoder); ok && d.hasSeq {
		return [...]string{"contact", "contact", "file", "unclear"}[d.sequence]
	}
	return ""
}
