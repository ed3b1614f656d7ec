package pulse

// A lobeSignature gathers each lobe's errors over the turns of a cam, turn by
// turn so that a wandering motor speed does not enter: in a turn whose L
// openings are all there, the spacing b is the mean distance of the same lobes'
// openings in the turns before and after, or in it and its one neighbour; a
// lobe's error is what its opening differs from a regular spacing b about the
// turn's mean opening.
type lobeSignature struct {
	n       int   // lobes
	stretch int   // from 0: a time in which lobes keep their numbers
	first   int   // number of the due opening that is lobe 1's
	from    Stamp // of the first one
	fromOK  bool
	turn    []opening
	prev    []opening
	b       float64 // spacing before prev, ns
	haveB   bool
	turns   int
	late    []Moments // opening error, ns
	brk     []Moments // break, ns
	step    Moments   // spacing of openings, ns
}

func (s *lobeSignature) init(lobes, stretch int) {
	*s = lobeSignature{n: lobes, stretch: stretch}
	s.turn, s.prev = make([]opening, 0, lobes), make([]opening, 0, lobes)
	s.late, s.brk = make([]Moments, lobes), make([]Moments, lobes)
}

// opening takes the due opening number n; whole says that it follows the one
// before with nothing missing, extra or unknown between.
func (s *lobeSignature) opening(n int, o opening, whole bool) {
	if s.n == 0 {
		return
	}
	if !s.fromOK {
		s.first, s.from, s.fromOK = n, o.at, true
	}
	lobe := s.lobe(n) - 1
	if !whole || lobe != len(s.turn) {
		s.breakOff()
	}
	if o.breakNS > 0 {
		s.brk[lobe].Add(float64(o.breakNS))
	}
	if lobe != len(s.turn) {
		return
	}
	s.turn = append(s.turn, o)
	if len(s.turn) < s.n {
		return
	}
	if len(s.prev) == s.n {
		sum := 0.0
		for i := range s.turn {
			sum += float64(s.turn[i].at - s.prev[i].at)
		}
		b := sum / float64(s.n) / float64(s.n)
		if s.haveB {
			s.commit((s.b + b) / 2) // centred: a steady change of speed cancels
		} else {
			s.commit(b)
		}
		s.b, s.haveB = b, true
	}
	s.turn, s.prev = s.prev[:0], s.turn
}

// lobe is the 1-based lobe of due opening n.
func (s *lobeSignature) lobe(n int) int { return ((n-s.first)%s.n+s.n)%s.n + 1 }

// commit takes the errors of the turn before at spacing b.
func (s *lobeSignature) commit(b float64) {
	t0 := s.prev[0].at
	mean := 0.0
	for i, o := range s.prev {
		mean += float64(o.at-t0) - b*float64(i)
	}
	mean /= float64(s.n)
	for i, o := range s.prev {
		s.late[i].Add(float64(o.at-t0) - b*float64(i) - mean)
	}
	s.step.Add(b)
	s.turns++
}

// breakOff says that the next opening does not follow the last.
func (s *lobeSignature) breakOff() {
	if s.n > 0 && len(s.prev) == s.n && s.haveB {
		s.commit(s.b)
	}
	s.turn, s.prev, s.haveB = s.turn[:0], s.prev[:0], false
}

func (s *lobeSignature) result() (lobes []Lobe, turns int) {
	lobes = make([]Lobe, s.n)
	scaled := func(v float64, ok bool, by float64) Num { return Num{v / by, ok} }
	step, haveStep := s.step.Mean()
	all := 0.0
	haveAll := s.n > 0
	for i := range s.brk {
		m, ok := s.brk[i].Mean()
		all += m / float64(s.n)
		haveAll = haveAll && ok
	}
	for i := range lobes {
		l := &lobes[i]
		l.Lobe, l.N = i+1, s.late[i].N()
		late, ok := s.late[i].Mean()
		l.OpeningErrorMS = scaled(late, ok, 1e6)
		se, okSE := s.late[i].SE()
		l.OpeningErrorSE = scaled(se, okSE, 1e6)
		b, okB := s.brk[i].Mean()
		l.BreakMS = scaled(b, okB, 1e6)
		se, okSE = s.brk[i].SE()
		l.BreakSE = scaled(se, okSE, 1e6)
		l.BreakErrorMS = scaled(b-all, okB && haveAll, 1e6)
		if haveStep {
			l.OpeningErrorCyc = scaled(late, ok, step)
			l.BreakErrorCyc = scaled(b-all, okB && haveAll, step)
		}
	}
	return lobes, s.turns
}
