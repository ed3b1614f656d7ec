package pulse

import (
	"cmp"
	"iter"
	"math"
	"slices"
)

// A Stability is how steadily an interrupter keeps time, as for any clock. The
// deviations are those of NIST SP 1065 (Riley, Handbook of Frequency Stability
// Analysis, 2008), chapter 5.
type Stability struct {
	Tau0S    Num              `json:"tau0_s"` // mean period
	Segments int              `json:"segments"`
	ADEV     []StabilityPoint `json:"adev"` // overlapping Allan deviation
	MDEV     []StabilityPoint `json:"mdev"` // modified Allan deviation
	TDEV     []StabilityPoint `json:"tdev"` // time deviation, in s
	HDEV     []StabilityPoint `json:"hdev"` // overlapping Hadamard deviation
	Openings int              `json:"openings"`
	// OtherSpeeds counts the segments that were left out since the openings come at
	// another speed in them.
	OtherSpeeds int `json:"segments_at_other_speeds"`
	// Regimes say what shapes the curve of the ADEV, from short τ to long.
	Regimes []StabilityRegime `json:"regimes"`
	// JitterS is the standard deviation of the noise of one opening's time, where
	// the noise of the contact shapes the beginning of the curve.
	JitterS Num         `json:"jitter_s"`
	Cycles  []SlowCycle `json:"cycles"` // that the curve shows, the shortest first
}

// A StabilityPoint is one point of a curve, with its 95 % interval.
type StabilityPoint struct {
	TauS      Rounded `json:"tau_s"`
	Deviation Num     `json:"deviation"`
	N         int     `json:"n"` // differences, or windows, in it
	Low       Num     `json:"low"`
	High      Num     `json:"high"`
	EDF       Num     `json:"edf"` // equivalent degrees of freedom, which the interval is from
	// Alpha is the kind of noise that the interval is for: the density of the
	// fractional speed goes with frequency to this power.
	Alpha Num `json:"alpha"`
	m     int // τ in periods
}

// LeastOpenings are needed for the first point of the ADEV.
const LeastOpenings = 3

// A PhaseSample is an opening: its number, counted with the ones that are missing,
// and its time.
type PhaseSample struct {
	N  int64
	At Stamp
}

// A PhaseSegment holds the openings, in order, of a time in which none was counted
// wrong. One that is missing leaves out its sample, not its number.
type PhaseSegment []PhaseSample

// carriedPeriods is how long a speed that is known within 0.5 % carries the
// number of an opening: then it is off by a quarter of a period, and a segment
// ends.
const carriedPeriods = 50

// StabilityOf gives the four deviations at each τ that has a difference: 1, 2, 4,
// 8 … mean periods, and the multiples of the mean period next to 10, 1, 0.1 s and
// so on. Segments are pooled, and nothing is taken across their borders. One with
// more than 50 openings missing in a row is taken as two. Those whose own mean
// period is more than a quarter from that of most openings are left out. Below
// LeastOpenings openings in one segment the curves are empty, below two the mean
// period is unknown too.
func StabilityOf(segments ...PhaseSegment) *Stability {
	return newPhases(inOrder(segments)).stability()
}

// ADEVAt gives the ADEV of the segments, as StabilityOf takes them, at the
// multiples of the mean period that are next to the given τ, in s. A point that
// has no difference has N 0 and nothing else known; its τ is the one that was
// asked for.
func ADEVAt(segments []PhaseSegment, tauS ...float64) []StabilityPoint {
	p := newPhases(inOrder(segments))
	points := make([]StabilityPoint, len(tauS))
	for i, tau := range tauS {
		points[i].TauS = Rounded(tau)
		m := math.Round(tau * 1e9 / p.tau0)
		if !(p.tau0 > 0 && m >= 1 && m < float64(p.longest())) {
			continue
		}
		if at := p.point(allan, int(m), p.alpha(int(m), 2)); at.N > 0 {
			points[i] = at
		}
	}
	return points
}

// inOrder gives the samples of segments, and whether one begins a segment.
func inOrder(segments []PhaseSegment) iter.Seq2[PhaseSample, bool] {
	return func(yield func(PhaseSample, bool) bool) {
		for _, s := range segments {
			for i, x := range s {
				if !yield(x, i == 0) {
					return
				}
			}
		}
	}
}

// absent stands for the phase of an opening that is missing.
const absent = math.MinInt64

// A phaseRecord is the phase of one segment: how much later than at an even pace each
// opening came, in ns. Whole numbers keep sums and differences exact.
type phaseRecord struct {
	x    []int64
	gaps bool // some are absent
	runs []phaseRun
}

// A phaseRun is a part of it without gaps: from index from up to to.
type phaseRun struct{ from, to int }

// phases are the segments whose stability is told.
type phases struct {
	tau0     float64 // mean period, in ns; 0 when it is not known
	all      []phaseRecord
	openings int
	others   int // segments at another speed
}

// An extent is what pools a segment.
type extent struct {
	first, last PhaseSample
	openings    int
}

func (e *extent) periods() int64  { return e.last.N - e.first.N }
func (e *extent) period() float64 { return float64(e.last.At-e.first.At) / float64(e.periods()) }

// splitSegments ranges over samples, and begins a segment too where the numbers
// do not go on.
func splitSegments(samples iter.Seq2[PhaseSample, bool]) iter.Seq2[PhaseSample, bool] {
	return func(yield func(PhaseSample, bool) bool) {
		var last PhaseSample
		fresh := true
		for s, begins := range samples {
			begins = begins || fresh || s.N <= last.N || s.At <= last.At || s.N-last.N > carriedPeriods+1
			last, fresh = s, false
			if !yield(s, begins) {
				return
			}
		}
	}
}

func newPhases(samples iter.Seq2[PhaseSample, bool]) *phases {
	p := new(phases)
	var extents []extent
	for s, begins := range splitSegments(samples) {
		if begins {
			extents = append(extents, extent{first: s})
		}
		e := &extents[len(extents)-1]
		e.last = s
		e.openings++
	}
	usual := usualPeriod(extents)
	pooled := func(e *extent) bool { // as for an opening that is due, a quarter
		return e.periods() > 0 && math.Abs(e.period()-usual) <= phaseTolerance*usual
	}
	var ns, periods float64
	for i := range extents {
		switch e := &extents[i]; {
		case pooled(e):
			ns, periods = ns+float64(e.last.At-e.first.At), periods+float64(e.periods())
		case e.periods() > 0:
			p.others++
		}
	}
	if periods == 0 {
		return p
	}
	p.tau0 = ns / periods
	pace := int64(math.Round(p.tau0))
	i := -1
	var s *phaseRecord
	for at, begins := range splitSegments(samples) {
		if begins {
			i, s = i+1, nil
			if e := &extents[i]; pooled(e) {
				p.all = append(p.all, phaseRecord{x: make([]int64, 0, e.periods()+1)})
				s = &p.all[len(p.all)-1]
				p.openings += e.openings
			}
		}
		if s == nil {
			continue
		}
		first, here := extents[i].first, len(s.x)
		n := int(at.N - first.N)
		if n > here {
			s.gaps = true
		}
		for len(s.x) < n {
			s.x = append(s.x, absent)
		}
		if begins || n > here {
			s.runs = append(s.runs, phaseRun{from: n})
		}
		s.x = append(s.x, int64(at.At-first.At)-int64(n)*pace)
		s.runs[len(s.runs)-1].to = n + 1
	}
	return p
}

// usualPeriod is the median over all periods of their segment's mean period.
func usualPeriod(extents []extent) float64 {
	all := slices.DeleteFunc(slices.Clone(extents), func(e extent) bool { return e.periods() == 0 })
	slices.SortFunc(all, func(a, b extent) int { return cmp.Compare(a.period(), b.period()) })
	var total, sum int64
	for i := range all {
		total += all[i].periods()
	}
	for i := range all {
		if sum += all[i].periods(); 2*sum >= total {
			return all[i].period()
		}
	}
	return 0
}

// A deviation is one of the three kinds of difference.
type deviation uint8

const (
	allan    deviation = iota // second differences of the phase
	hadamard                  // third differences
	modified                  // second differences of the phase's mean over τ
)

// order is that of the differences.
func (d deviation) order() int {
	if d == hadamard {
		return 3
	}
	return 2
}

// scale is the mean square of the differences over the variance times τ².
func (d deviation) scale() float64 {
	if d == hadamard {
		return 6
	}
	return 2
}

// span is how many samples a difference at τ of m periods lasts.
func (d deviation) span(m int) int {
	if d == modified {
		return 3 * m
	}
	return d.order()*m + 1
}

// square sums the squares of all differences of s at τ of m periods, each step-th
// of them. There are n of them, in so many runs.
func (s *phaseRecord) square(d deviation, m, step int) (sum float64, n, runs int) {
	if d == modified {
		for _, r := range s.runs {
			q, k := sumOfWindows(s.x[r.from:r.to], m)
			sum, n = sum+q, n+k
		}
		return sum, n, len(s.runs)
	}
	k := len(s.x) - d.span(m) + 1
	if k <= 0 {
		return 0, 0, 0
	}
	last := -2 * step
	a, b, c := s.x[:k], s.x[m:][:k], s.x[2*m:][:k]
	if d == hadamard {
		e := s.x[3*m:][:k]
		for i := 0; i < k; i += step {
			if s.gaps && (a[i] == absent || b[i] == absent || c[i] == absent || e[i] == absent) {
				continue
			}
			z := float64(e[i] - a[i] - 3*(c[i]-b[i]))
			sum += z * z
			n++
			if i != last+step {
				runs++
			}
			last = i
		}
		return sum, n, runs
	}
	for i := 0; i < k; i += step {
		if s.gaps && (a[i] == absent || b[i] == absent || c[i] == absent) {
			continue
		}
		z := float64(c[i] - 2*b[i] + a[i])
		sum += z * z
		n++
		if i != last+step {
			runs++
		}
		last = i
	}
	return sum, n, runs
}

// sumOfWindows sums the squares of the second differences of windows of m samples,
// from the sums of the samples up to each.
func sumOfWindows(to []int64, m int) (sum float64, n int) {
	n = len(to) - 3*m + 1
	if n <= 0 {
		return 0, 0
	}
	z := float64(to[3*m-1] - 3*(to[2*m-1]-to[m-1]))
	sum = z * z
	a, b, c, d := to[:n-1], to[m:][:n-1], to[2*m:][:n-1], to[3*m:][:n-1]
	for i := range a {
		z := float64(d[i] - a[i] - 3*(c[i]-b[i]))
		sum += z * z
	}
	return sum, n
}

// sumUp turns the samples of each run into their sums from its beginning, in place:
// a record of weeks is long. Sums that overflow do no harm: their differences do
// not.
func (p *phases) sumUp() {
	for i := range p.all {
		s := &p.all[i]
		for _, r := range s.runs {
			var sum int64
			for j := r.from; j < r.to; j++ {
				sum += s.x[j]
				s.x[j] = sum
			}
		}
	}
}

// point gives a deviation at τ of m periods, for noise of the kind alpha. It has N 0
// where there is no difference.
func (p *phases) point(d deviation, m int, alpha Num) StabilityPoint {
	sum, pt := 0.0, StabilityPoint{TauS: Rounded(float64(m) * p.tau0 / 1e9), m: m}
	freedom := newFreedom(d, m, alpha)
	for i := range p.all {
		s := &p.all[i]
		q, n, runs := s.square(d, m, 1)
		sum, pt.N = sum+q, pt.N+n
		switch {
		case n == 0:
		case d == modified:
			for _, r := range s.runs {
				if k := r.to - r.from - d.span(m) + 1; k > 0 {
					freedom.add(k, k, 1)
				}
			}
		default:
			freedom.add(n, len(s.x)-d.span(m)+1, runs)
		}
	}
	if pt.N == 0 {
		return pt
	}
	dev := math.Sqrt(sum/(d.scale()*float64(pt.N))) / (float64(m) * p.tau0)
	if d == modified {
		dev /= float64(m)
	}
	pt.Deviation = Known(dev)
	if edf := freedom.edf(); dev > 0 {
		low, high := chiSquared(edf, 0.95)
		pt.EDF, pt.Alpha, pt.Low, pt.High = Known(edf), alpha, Known(low*dev), Known(high*dev)
	}
	return pt
}

// multiples gives the τ at which a curve is told, in periods, in order.
func (p *phases) multiples() (all []int) {
	most := (p.longest() - 1) / 2
	for m := 1; m <= most; m *= 2 {
		all = append(all, m)
	}
	for e := math.Ceil(math.Log10(p.tau0 / 1e9)); ; e++ {
		m := math.Round(math.Pow(10, e) * 1e9 / p.tau0)
		if !(m <= float64(most)) {
			break
		}
		all = append(all, max(int(m), 1))
	}
	slices.Sort(all)
	return slices.Compact(all)
}

func (p *phases) stability() *Stability {
	r := &Stability{Segments: len(p.all), Openings: p.openings, OtherSpeeds: p.others,
		ADEV: []StabilityPoint{}, MDEV: []StabilityPoint{}, TDEV: []StabilityPoint{}, HDEV: []StabilityPoint{}, Regimes: []StabilityRegime{}, Cycles: []SlowCycle{}}
	if p.tau0 == 0 {
		return r
	}
	r.Tau0S = Known(p.tau0 / 1e9)
	taus := p.multiples()
	alphas := make([]Num, len(taus))
	for i, m := range taus {
		alphas[i] = p.alpha(m, 2)
		if pt := p.point(allan, m, alphas[i]); pt.N > 0 {
			r.ADEV = append(r.ADEV, pt)
		}
		if pt := p.point(hadamard, m, p.alpha(m, 3)); pt.N > 0 {
			r.HDEV = append(r.HDEV, pt)
		}
	}
	r.Cycles = append(r.Cycles, p.slowCycles()...)
	p.sumUp()
	for i, m := range taus {
		pt := p.point(modified, m, alphas[i])
		if pt.N == 0 {
			continue
		}
		r.MDEV = append(r.MDEV, pt)
		s := float64(pt.TauS) / math.Sqrt(3)
		for _, v := range []*Num{&pt.Deviation, &pt.Low, &pt.High} {
			v.V *= s
		}
		r.TDEV = append(r.TDEV, pt)
	}
	r.shape()
	return r
}

// A PhaseReader takes the openings out of an interrupter's rows.
type PhaseReader struct {
	any, ended bool
	stretch    int
	begins     int // BeforeSegment of a cycle that begins where it should
}

// Read gives the sample of a row, and whether it begins a segment: time that is not
// known, a slip of the phase, a phase found anew and a change of speed by a whole
// factor end one. ok is false for a cycle of a cadence whose first opening is
// missing. Rows are to come in order.
func (p *PhaseReader) Read(r *CycleRow) (s PhaseSample, begins, ok bool) {
	if !p.any {
		p.any, p.ended, p.begins, p.stretch = true, true, r.BeforeSegment, r.Stretch
	}
	p.ended = p.ended || r.Stretch != p.stretch
	p.stretch = r.Stretch
	// The number of a cycle that has not ended counts what fell due after it.
	late := r.BeforeSegment != p.begins || r.PeriodNS == 0 && r.Missing > 0
	begins = p.ended
	if !late {
		p.ended = false
	}
	p.ended = p.ended || r.Unknown
	return PhaseSample{N: int64(r.Cycle), At: r.At}, begins, !late
}

// A stabilityReader keeps the openings of a measurement, in some 3 bytes each.
type stabilityReader struct {
	phase PhaseReader
	last  PhaseSample
	usual int64 // first difference of two times
	// steps are the differences of the times that follow one another by one, off
	// usual; jumps the others, each before the step of an index.
	steps durations
	jumps []phaseJump
}

type phaseJump struct {
	step   int
	to     PhaseSample
	begins bool
}

// stepMiddle is in the middle of what a duration takes least memory for.
const stepMiddle = math.MaxInt32 / 2

func (s *stabilityReader) observer() Observer {
	return Observer{Cycle: func(r *CycleRow) {
		if at, begins, ok := s.phase.Read(r); ok {
			s.add(at, begins)
		}
	}}
}

func (s *stabilityReader) add(at PhaseSample, begins bool) {
	step := int64(at.At - s.last.At)
	if begins || at.N != s.last.N+1 {
		s.jumps = append(s.jumps, phaseJump{s.steps.Len(), at, begins})
	} else {
		if s.usual == 0 {
			s.usual = step
		}
		s.steps.Add(step - s.usual + stepMiddle)
	}
	s.last = at
}

// samples gives what was kept, as newPhases takes it.
func (s *stabilityReader) samples(yield func(PhaseSample, bool) bool) {
	var at PhaseSample
	jumps := s.jumps
	jump := func(i int) bool {
		for len(jumps) > 0 && jumps[0].step == i {
			at = jumps[0].to
			if !yield(at, jumps[0].begins) {
				return false
			}
			jumps = jumps[1:]
		}
		return true
	}
	for i, step := range s.steps.All() {
		if !jump(i) {
			return
		}
		at = PhaseSample{at.N + 1, at.At + Stamp(step-stepMiddle+s.usual)}
		if !yield(at, false) {
			return
		}
	}
	jump(s.steps.Len())
}

func (s *stabilityReader) finish(m *Meter, r *Measurement) {
	if m.kind == KindDial {
		r.StabilityOfDial = true
		return
	}
	r.Stability = newPhases(s.samples).stability()
}
