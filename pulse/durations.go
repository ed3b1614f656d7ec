package pulse

import (
	"iter"
	"math"
)

// chunkLen values are 16 KiB: little to waste on a short recording, and one
// allocation for thousands of edges on a long one.
const chunkLen = 1 << 12

// Durations is an append-only list of durations in nanoseconds that takes 4
// bytes for each from 0 to 2.147 s (math.MaxInt32) and 12 for any other. It
// never copies what it holds when it grows. The zero value is empty and ready.
type Durations struct {
	n      int // values in the chunks
	tail   *[chunkLen]int32
	chunks []*[chunkLen]int32
	// over holds what a cell cannot: cell −1−k stands for over[k].
	over  []int64
	zeros int
}

// Add appends one duration.
func (d *Durations) Add(ns int64) {
	i := uint(d.n) % chunkLen
	if i == 0 {
		d.tail = new([chunkLen]int32)
		d.chunks = append(d.chunks, d.tail)
	}
	cell := int32(ns)
	if uint64(ns) > math.MaxInt32 {
		cell = int32(-1 - len(d.over))
		d.over = append(d.over, ns)
	}
	d.tail[i] = cell
	d.n++
}

// AddZeros adds n durations of 0 and stores nothing but their number. They
// come before all that Add appended, so it suits only lists whose order does
// not matter. n below 1 adds none.
func (d *Durations) AddZeros(n int) { d.zeros += max(n, 0) }

// Len is the number of durations, zeros of AddZeros included.
func (d *Durations) Len() int { return d.zeros + d.n }

// At gives duration i, from 0. Like an index of a slice, i must be in range.
func (d *Durations) At(i int) int64 {
	switch stored := uint(i - d.zeros); {
	case i < 0 || i >= d.Len():
		panic(outOfRange)
	case i < d.zeros:
		return 0
	default:
		return d.value(d.chunks[stored/chunkLen][stored%chunkLen])
	}
}

const outOfRange = "pulse: durations out of range"

func (d *Durations) value(cell int32) int64 {
	if cell < 0 {
		return d.over[-1-cell]
	}
	return int64(cell)
}

// All ranges over index and duration.
func (d *Durations) All() iter.Seq2[int, int64] {
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
func (d *Durations) Fill(dst []int64, from int) { fill(d, dst, from) }

// FillFloat is Fill in a unit of unitNS nanoseconds: 1e6 gives ms. It divides,
// so that 60 ms come out as the float64 nearest to 60.
func (d *Durations) FillFloat(dst []float64, from int, unitNS float64) {
	fill(d, dst, from)
	for i := range dst {
		dst[i] /= unitNS
	}
}

// Sum is the sum of all durations in nanoseconds, 0 when there are none.
func (d *Durations) Sum() int64 {
	var sum int64
	for _, chunk := range d.chunks {
		for _, c := range chunk {
			sum += int64(max(c, 0)) // unused cells are 0
		}
	}
	for _, ns := range d.over {
		sum += ns
	}
	return sum
}

func fill[T int64 | float64](d *Durations, dst []T, from int) {
	if from < 0 || from+len(dst) > d.Len() {
		panic(outOfRange)
	}
	if from < d.zeros {
		n := min(len(dst), d.zeros-from)
		clear(dst[:n])
		dst, from = dst[n:], from+n
	}
	for from -= d.zeros; len(dst) > 0; {
		cells := d.chunks[uint(from)/chunkLen][uint(from)%chunkLen:]
		cells = cells[:min(len(cells), len(dst))]
		for i, c := range cells {
			dst[i] = T(d.value(c))
		}
		dst, from = dst[len(cells):], from+len(cells)
	}
}
