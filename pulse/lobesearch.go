package pulse

const (
	// A cam with more lobes is rare, and needs many cycles to show them.
	maxLobeSearch = 12
	// lobeShare is the least part of the cycles' variance that the lobes must
	// explain: our own choice. With minTurns and minLobeCycles, independent
	// cycles do so by chance less than once in a million times for any one
	// number of lobes (F test; for 4 lobes F is 24 with 3 and 20 degrees of
	// freedom, for 5 it is 23 with 4 and 25).
	lobeShare               = 0.75
	minTurns, minLobeCycles = 6, 24
	// maxLobeCycles are enough to tell, and bound the time it takes.
	maxLobeCycles = 5000
)

// A LobeSearch tells from an interrupter's cycles after how many openings they
// repeat, as they do over the turns of a cam whose lobes differ. It sorts the
// first whole cycles of a stretch by their place in a turn of 1 to 12 lobes.
// The zero value is ready; the memory is fixed.
type LobeSearch struct {
	stretch  int
	now, old lobeTurns // of this stretch, of the longest before
}

type lobeTurns struct {
	cycles int
	sums   [maxLobeSearch + 1][maxLobeSearch]cycleMoments
}

// cycleMoments are of periods and of breaks.
type cycleMoments [2]moments

// Cycle takes a cycle as an Observer gets it.
func (s *LobeSearch) Cycle(c *CycleRow) {
	if c.Stretch != s.stretch {
		if s.now.cycles > s.old.cycles {
			s.old = s.now
		}
		s.stretch, s.now = c.Stretch, lobeTurns{}
	}
	if !c.Whole || s.now.cycles == maxLobeCycles {
		return
	}
	s.now.cycles++
	for n := 1; n <= maxLobeSearch; n++ {
		x := &s.now.sums[n][c.Cycle%n]
		x[0].Add(float64(c.PeriodNS))
		x[1].Add(float64(c.BreakNS))
	}
}

// within gives the variance of the periods (0) or breaks (1) that n lobes
// leave, about each lobe's own mean.
func (s *lobeTurns) within(n, which int) (variance float64, ok bool) {
	cycles := 0
	for i := range n {
		m := &s.sums[n][i][which]
		sd, ok := m.SD()
		if !ok || m.N() < minTurns {
			return 0, false
		}
		variance += sd * sd * float64(m.N()-1)
		cycles += m.N()
	}
	return variance / float64(cycles-n), cycles >= minLobeCycles
}

// Found gives the least number of lobes whose turns the cycles repeat clearly,
// by their periods or their breaks; 0 for none, and where there are too few
// cycles to tell.
func (s *LobeSearch) Found() int {
	if s == nil {
		return 0
	}
	if s.old.cycles > s.now.cycles {
		return s.old.found()
	}
	return s.now.found()
}

func (s *lobeTurns) found() int {
	for which := range 2 {
		total, ok := s.within(1, which)
		if !ok || total == 0 {
			continue
		}
		least := total
		for n := 2; n <= maxLobeSearch; n++ {
			if v, ok := s.within(n, which); ok {
				least = min(least, v)
			}
		}
		if least > (1-lobeShare)*total {
			continue
		}
		for n := 2; n <= maxLobeSearch; n++ { // its multiples do as well
			if v, ok := s.within(n, which); ok && v <= (1-lobeShare)*total && v <= max(1.3*least, total*1e-6) {
				return n
			}
		}
	}
	return 0
}
