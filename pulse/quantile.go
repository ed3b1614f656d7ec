package pulse

import (
	"math"
	"math/bits"
	"slices"
)

const (
	// blockLen values (16 KiB) stay in a first-level cache while several loops
	// pass over them.
	blockLen = 1 << 11
	// binBits makes the tables of counts 64 KiB: they stay in a second-level
	// cache, and a continuous distribution needs one table.
	binBits = 14
	// collectMax is the number of values (512 KiB) that are copied out and
	// sorted once the wanted ranks are known to lie among them.
	collectMax = 1 << 16
)

// quantiles gives the ps-quantiles (0 ≤ p ≤ 1) of n values by linear
// interpolation between order statistics: definition 7 of R. J. Hyndman and
// Y. Fan, Sample quantiles in Statistical Packages, The American Statistician
// 50, 1996. They are exact, whatever n; the values are never copied or sorted
// as a whole.
//
// fill(dst, from) stores the values from, from + 1 … in dst and must give the
// same ones each time it is called. NaN and infinite values are left out. With
// no value left, and for p outside 0…1, the result is NaN.
func quantiles(n int, fill func(dst []float64, from int), ps ...float64) []float64 {
	s := newSeries(n, fill)
	lo, hi, _ := s.extent()
	sel := newSelection(s.n, lo, hi, ps, collectMax)
	for !sel.done() {
		s.each(sel.see)
		sel.narrow()
	}
	qs := make([]float64, len(ps))
	for i, p := range ps {
		qs[i] = sel.quantile(p)
	}
	return qs
}

// statOf summarises n values, which fill gives as for quantiles; N counts the
// finite ones. Mean and standard deviation come from a second pass about the
// mean of the first, corrected for its rounding (T. F. Chan, G. H. Golub, R. J.
// LeVeque, Algorithms for Computing the Sample Variance, The American
// Statistician 37, 1983, eq. 1.7).
//
// Ten million values take three or four calls of fill for each block and
// about 1 MB.
func statOf(n int, fill func(dst []float64, from int)) Stat {
	s := newSeries(n, fill)
	lo, hi, mean := s.extent()
	if s.n == 0 {
		return Stat{}
	}
	sel := newSelection(s.n, lo, hi, []float64{0.05, 0.5, 0.95}, collectMax)
	var d, dd float64
	s.each(func(block []float64) {
		var bd, bdd float64
		for _, x := range block {
			x -= mean
			bd += x
			bdd += x * x
		}
		d, dd = d+bd, dd+bdd
		sel.see(block)
	})
	sel.narrow()
	for !sel.done() {
		s.each(sel.see)
		sel.narrow()
	}
	count := float64(s.n)
	out := Stat{
		N: s.n, Min: Known(lo), Max: Known(hi),
		Mean: Known(min(max(mean+d/count, lo), hi)),
		P5:   Known(sel.quantile(0.05)), P50: Known(sel.quantile(0.5)), P95: Known(sel.quantile(0.95)),
	}
	if s.n > 1 {
		out.SD = Known(math.Sqrt(max(dd-d*d/count, 0) / (count - 1)))
	}
	return out
}

// A series reads values block by block, as often as asked.
type series struct {
	n, all int // finite values, all values
	fill   func([]float64, int)
	block  []float64
}

func newSeries(n int, fill func([]float64, int)) *series {
	return &series{n: n, all: n, fill: fill, block: make([]float64, min(max(n, 0), blockLen))}
}

// each calls f with the finite values of every block.
func (s *series) each(f func(block []float64)) {
	for from := 0; from < s.all; from += len(s.block) {
		b := s.block[:min(len(s.block), s.all-from)]
		s.fill(b, from)
		if s.n < s.all {
			b = slices.DeleteFunc(b, func(x float64) bool { return !finite(x) })
		}
		f(b)
	}
}

// extent gives extremes and mean, and counts the finite values into s.n. It
// has to come first.
func (s *series) extent() (lo, hi, mean float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	n, sum := 0, 0.0
	s.each(func(block []float64) {
		blockSum := 0.0
		for _, x := range block {
			if !finite(x) {
				continue
			}
			n++
			blockSum += x
			if x < lo {
				lo = x
			}
			if x > hi {
				hi = x
			}
		}
		sum += blockSum
	})
	s.n = n
	return lo, hi, sum / float64(n)
}

// A selection finds the values of given ranks in a few passes. A pass counts
// the values of the ranges that hold wanted ranks into bins, which become the
// next, narrower ranges; when few values are left in them, the last pass
// collects and sorts those. Ranges are of keys, the integers in the order of
// the floats, so that at most ⌈64/binBits⌉ passes part any two values.
type selection struct {
	ranks      []int     // wanted, ascending, 0 is the smallest value
	values     []float64 // of the ranks, once known
	n          int
	collectMax int
	ranges     []keyRange // disjoint, ascending
	collect    bool
	collected  []float64
}

type keyRange struct {
	lo, span     uint64 // keys lo … lo + span
	below, count int    // values below lo, values within
	from, to     int    // the ranks within: ranks[from:to]
	shift        int
	bins         []uint32
}

func newSelection(n int, lo, hi float64, ps []float64, collectMax int) *selection {
	s := &selection{n: n, collectMax: collectMax}
	for _, p := range ps {
		if i, _, ok := s.position(p); ok {
			s.ranks = append(s.ranks, i, min(i+1, n-1))
		}
	}
	slices.Sort(s.ranks)
	s.ranks = slices.Compact(s.ranks)
	s.values = make([]float64, len(s.ranks))
	if len(s.ranks) > 0 {
		s.add(keyRange{lo: key(lo), span: key(hi) - key(lo), count: n, to: len(s.ranks)})
		s.prepare()
	}
	return s
}

// position gives the order statistic at or below the p-quantile, and how far
// the quantile lies towards the next.
func (s *selection) position(p float64) (rank int, part float64, ok bool) {
	if s.n == 0 || !(p >= 0 && p <= 1) {
		return 0, 0, false
	}
	h := p * float64(s.n-1)
	return int(h), h - math.Floor(h), true
}

func (s *selection) quantile(p float64) float64 {
	rank, part, ok := s.position(p)
	if !ok {
		return math.NaN()
	}
	i, _ := slices.BinarySearch(s.ranks, rank)
	a := s.values[i]
	b := s.values[min(i+1, len(s.values)-1)]
	switch {
	case part == 0:
		return a
	case part < 0.5: // from the nearer end, so that it never leaves a…b
		return a + part*(b-a)
	}
	return b - (1-part)*(b-a)
}

func (s *selection) done() bool { return len(s.ranges) == 0 }

// add keeps r for the next pass, unless all its values are equal.
func (s *selection) add(r keyRange) {
	if r.span > 0 {
		s.ranges = append(s.ranges, r)
		return
	}
	for i := r.from; i < r.to; i++ {
		s.values[i] = unkey(r.lo)
	}
}

// prepare makes the tables of the next pass.
func (s *selection) prepare() {
	total := 0
	for _, r := range s.ranges {
		total += r.count
	}
	if s.collect = total <= s.collectMax; s.collect {
		s.collected = make([]float64, 0, total)
		return
	}
	// Many ranges share one table's memory sixteenfold.
	b := max(binBits-max(bits.Len(uint(len(s.ranges)))-4, 0), 1)
	for i := range s.ranges {
		r := &s.ranges[i]
		r.shift = max(bits.Len64(r.span)-b, 0)
		r.bins = make([]uint32, r.span>>r.shift+1)
	}
}

// see takes one block of a pass.
func (s *selection) see(block []float64) {
	for i := range s.ranges {
		r := &s.ranges[i]
		if s.collect {
			for _, x := range block {
				if key(x)-r.lo <= r.span {
					s.collected = append(s.collected, x)
				}
			}
			continue
		}
		lo, span, shift, bins := r.lo, r.span, r.shift&63, r.bins
		for _, x := range block {
			if k := key(x) - lo; k <= span {
				bins[k>>shift]++
			}
		}
	}
}

// narrow ends a pass.
func (s *selection) narrow() {
	ranges := s.ranges
	s.ranges = nil
	if s.collect {
		slices.Sort(s.collected)
		before := 0 // collected values of the ranges before
		for _, r := range ranges {
			for i := r.from; i < r.to; i++ {
				s.values[i] = s.collected[before+s.ranks[i]-r.below]
			}
			before += r.count
		}
		s.collected = nil
		return
	}
	for _, r := range ranges {
		below, from := r.below, r.from
		for bin, count := range r.bins {
			if from == r.to {
				break
			}
			next, to := below+int(count), from
			for to < r.to && s.ranks[to] < next {
				to++
			}
			if to > from {
				offset := uint64(bin) << r.shift
				s.add(keyRange{
					lo: r.lo + offset, span: min(r.span-offset, 1<<r.shift-1),
					below: below, count: int(count), from: from, to: to,
				})
			}
			below, from = next, to
		}
	}
	s.prepare()
}

// key maps a float to an integer of the same order: the bits of a positive
// float are in order already, those of a negative one in reverse.
func key(x float64) uint64 {
	b := math.Float64bits(x)
	return b ^ (uint64(int64(b)>>63) | 1<<63)
}

func unkey(k uint64) float64 {
	return math.Float64frombits(k ^ (uint64(^int64(k)>>63) | 1<<63))
}
