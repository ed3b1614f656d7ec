package pulse

// A meanSeries keeps a figure that is a sum over a sum, such as a mean, in order
// of time and in bounded memory: as sums of blocks of equal numbers of entries,
// which double when there are too many. The zero value is empty and ready.
type meanSeries struct {
	size   int // entries of a block
	last   int // of the last block
	blocks []seriesBlock
}

// A seriesBlock is n values.
type seriesBlock struct {
	n    int
	x, y float64
}

func (b *seriesBlock) merge(o seriesBlock) { b.n, b.x, b.y = b.n+o.n, b.x+o.x, b.y+o.y }

// seriesBlocks is enough for batches whose sizes differ by a tenth at most.
const seriesBlocks = 16 * compareBatches

// add takes the next value: what it adds to the upper sum and to the lower one.
func (s *meanSeries) add(x, y float64) { s.enter(seriesBlock{1, x, y}) }

// enter takes the next entry, of one value or more that belong together.
func (s *meanSeries) enter(b seriesBlock) {
	if s.last < s.size {
		s.blocks[len(s.blocks)-1].merge(b)
		s.last++
		return
	}
	if len(s.blocks) == seriesBlocks {
		for i := range seriesBlocks / 2 {
			s.blocks[i] = s.blocks[2*i]
			s.blocks[i].merge(s.blocks[2*i+1])
		}
		s.blocks = s.blocks[:seriesBlocks/2]
		s.size *= 2
	}
	s.size = max(s.size, 1)
	s.blocks, s.last = append(s.blocks, b), 1
}

// n is the number of values.
func (s *meanSeries) n() (n int) {
	for i := range s.blocks {
		n += s.blocks[i].n
	}
	return n
}

// sum is that of all values.
func (s *meanSeries) sum() (sum seriesBlock) {
	for i := range s.blocks {
		sum.merge(s.blocks[i])
	}
	return sum
}

// batches are at most k of about the same number of values, each scale times the
// quotient of its sums.
func (s *meanSeries) batches(k int, scale float64) []batch {
	k = min(k, len(s.blocks))
	all := make([]batch, 0, k)
	at, next := 0, 0
	for i := range k {
		var sum seriesBlock
		for ; next < (i+1)*len(s.blocks)/k; next++ {
			sum.merge(s.blocks[next])
		}
		all = append(all, batch{float64(at), float64(at + sum.n), scale * sum.x / sum.y})
		at += sum.n
	}
	return all
}
