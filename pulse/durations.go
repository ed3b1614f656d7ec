package pulse

import (
	"encoding/binary"
	"iter"
	"math"
	"math/bits"
)

// chunkLen values are 16 KiB while they come: little to waste on a short
// recording, and one allocation for thousands of edges on a long one.
const chunkLen = 1 << 12

// durations is an append-only list of durations in nanoseconds. Each takes as
// many bytes, 0 to 4, as the spread of the 4096 that came with it needs: 3 for
// a contact that wanders by milliseconds, 8 more for one above 2.147 s
// (math.MaxInt32) or below 0. The zero value is empty and ready.
type durations struct {
	n    int // values in the chunks and the tail
	full []chunk
	tail *[chunkLen]int32 // the last values, not packed yet
	// over holds what a cell cannot: cell −1−k stands for over[k].
	over  []int64
	zeros int
}

// A chunk holds chunkLen cells as what they are above the least of them, in
// width bytes each. One byte more lets each be read as four.
type chunk struct {
	least, width int
	bytes        []byte
}

// Add appends one duration.
func (d *durations) Add(ns int64) {
	if d.tail == nil {
		d.tail = new([chunkLen]int32)
	}
	i := uint(d.n) % chunkLen
	cell := int32(ns)
	if uint64(ns) > math.MaxInt32 {
		cell = int32(-1 - len(d.over))
		d.over = append(d.over, ns)
	}
	d.tail[i] = cell
	d.n++
	if i == chunkLen-1 {
		d.full = append(d.full, packed(d.tail))
		*d.tail = [chunkLen]int32{}
	}
}

func packed(cells *[chunkLen]int32) chunk {
	least, most := cells[0], cells[0]
	for _, c := range cells {
		least, most = min(least, c), max(most, c)
	}
	c := chunk{least: int(least), width: (bits.Len32(uint32(most-least)) + 7) / 8}
	if c.width == 0 {
		return c
	}
	c.bytes = make([]byte, c.width*chunkLen+4-c.width)
	to := c.bytes
	for _, cell := range cells {
		binary.LittleEndian.PutUint32(to, uint32(cell-least)) // the next overwrites what is above width
		to = to[c.width:]
	}
	return c
}

// AddZeros adds n durations of 0 and stores nothing but their number. They
// come before all that Add appended, so it suits only lists whose order does
// not matter. n below 1 adds none.
func (d *durations) AddZeros(n int) { d.zeros += max(n, 0) }

// Len is the number of durations, zeros of AddZeros included.
func (d *durations) Len() int { return d.zeros + d.n }

// At gives duration i, from 0. Like an index of a slice, i must be in range.
func (d *durations) At(i int) int64 {
	var one [1]int64
	fill(d, one[:], i)
	return one[0]
}

const outOfRange = "pulse: durations out of range"

// All ranges over index and duration.
func (d *durations) All() iter.Seq2[int, int64] {
	return func(yield func(int, int64) bool) {
		var block [256]int64
		for from := 0; from < d.Len(); from += len(block) {
			b := block[:min(len(block), d.Len()-from)]
			d.Fill(b, from)
			for i, ns := range b {
				if !yield(from+i, ns) {
					return
				}
			}
		}
	}
}

// Fill copies the len(dst) durations that begin at index from. It panics when
// there are fewer, as slicing would.
func (d *durations) Fill(dst []int64, from int) { fill(d, dst, from) }

// FillFloat is Fill in a unit of unitNS nanoseconds: 1e6 gives ms. It divides,
// so that 60 ms come out as the float64 nearest to 60.
func (d *durations) FillFloat(dst []float64, from int, unitNS float64) {
	fill(d, dst, from)
	for i := range dst {
		dst[i] /= unitNS
	}
}

// Sum is the sum of all durations in nanoseconds, 0 when there are none.
func (d *durations) Sum() int64 {
	var sum int64
	for _, ns := range d.All() {
		sum += ns
	}
	return sum
}

func fill[T int64 | float64](d *durations, dst []T, from int) {
	if from < 0 || from+len(dst) > d.Len() {
		panic(outOfRange)
	}
	if from < d.zeros {
		n := min(len(dst), d.zeros-from)
		clear(dst[:n])
		dst, from = dst[n:], from+n
	}
	for from -= d.zeros; len(dst) > 0; {
		i, at := from/chunkLen, from%chunkLen
		part := dst[:min(len(dst), chunkLen-at)]
		if i < len(d.full) {
			unpack(&d.full[i], part, at)
		} else {
			for i, c := range d.tail[at:][:len(part)] {
				part[i] = T(c)
			}
		}
		if len(d.over) > 0 {
			for i, v := range part {
				if v < 0 {
					part[i] = T(d.over[-1-int(v)])
				}
			}
		}
		dst, from = dst[len(part):], from+len(part)
	}
}

// unpack gives the cells from index from on.
func unpack[T int64 | float64](c *chunk, dst []T, from int) {
	if c.width == 0 {
		for i := range dst {
			dst[i] = T(c.least)
		}
		return
	}
	const mask3 = 1<<24 - 1
	bytes, least := c.bytes[c.width*from:], int32(c.least)
	if c.width == 3 { // much the most often
		bytes = bytes[:3*len(dst)+1]
		for i := range dst {
			dst[i] = T(least + int32(binary.LittleEndian.Uint32(bytes[3*i:3*i+4])&mask3))
		}
		return
	}
	mask := uint32(1<<(8*c.width) - 1)
	for i := range dst {
		dst[i] = T(least + int32(binary.LittleEndian.Uint32(bytes[c.width*i:])&mask))
	}
}

// An unordered keeps durations in no order. When there have come many, it
// counts how often each below most came, in a table.
type unordered struct {
	most    int64
	list    durations
	table   []uint32 // [ns]: how many
	inTable int
	// Where FillFloat goes on: index next is number used of those in the cell.
	next, cell, used int
}

func (u *unordered) add(ns int64) {
	if u.table == nil && int64(u.list.n) >= u.most && u.most > 0 { // what the table takes, or nearly
		list := u.list
		u.list, u.table = durations{zeros: list.zeros}, make([]uint32, u.most)
		list.zeros = 0
		for _, ns := range list.All() {
			u.add(ns)
		}
	}
	if uint64(ns) < uint64(len(u.table)) {
		u.table[ns]++
		u.inTable++
		return
	}
	u.list.Add(ns)
}

func (u *unordered) Len() int { return u.inTable + u.list.Len() }

// FillFloat is that of durations; it goes fastest on from where it ended.
func (u *unordered) FillFloat(dst []float64, from int, unitNS float64) {
	if from < u.next {
		u.cell, u.used, u.next = 0, 0, 0
	}
	for from < u.inTable && len(dst) > 0 {
		left := int(u.table[u.cell]) - u.used
		if skip := from - u.next; skip > 0 || left == 0 {
			skip = min(skip, left)
			u.used, u.next = u.used+skip, u.next+skip
			if skip == left {
				u.cell, u.used = u.cell+1, 0
			}
			continue
		}
		n := min(left, len(dst))
		v := float64(u.cell) / unitNS
		for i := range dst[:n] {
			dst[i] = v
		}
		dst, from = dst[n:], from+n
		u.used, u.next = u.used+n, from
	}
	if len(dst) > 0 {
		u.list.FillFloat(dst, from-u.inTable, unitNS)
	}
}
