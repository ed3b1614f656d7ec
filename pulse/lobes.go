package pulse

import (
	"math"
	"math/rand/v2"
	"slices"
)

const (
	// worstNorm bounds the noise of one error where openings are missing, in
	// variances of one opening: it is about 1 where none is missing.
	worstNorm = 2.0
	// deadTurns is after how many turns without an opening a lobe counts as worn
	// away: the errors of the others no longer need it.
	deadTurns = 8
	// lobeOdds is how many times likelier the best match of two signatures must be
	// than all others together. It is large because few turns tell their own noise
	// badly, and because a match is tried several times: of lobes that are alike,
	// one match in some hundreds passes, and of others far fewer.
	lobeOdds = 10000
	// mostLead bounds the lead that is told: beyond it, the model of the noise is
	// the greater doubt.
	mostLead = 1e9
	// oddLobeVar is what a lobe that opens in only one of two signatures adds to
	// their distance: the square of four standard errors.
	oddLobeVar = 16
	// medianDraws are enough to know a standard error within 3 %.
	medianDraws = 600
)

// A LobeFigure is one lobe of a reference signature.
type LobeFigure struct {
	Lobe      int     `json:"lobe"`
	OpeningNS float64 `json:"opening_ns"` // about any common time
	OpeningSE float64 `json:"opening_se_ns"`
	BreakNS   float64 `json:"break_ns"`
	BreakSE   float64 `json:"break_se_ns"`
	Turns     int     `json:"turns"` // 0: it never opened
}

// A lobeSignature gathers each lobe's errors over the turns of a cam. The error
// of an opening is its distance from the mean of the turn centred on it. (For an
// even number of lobes the two openings at the ends count half.) Every lobe is in
// that mean once, so no lobe's error changes another's, and a steady change of
// speed moves all errors alike. The errors of one lobe in different turns share
// no opening but the ends of an even turn, so their standard deviation tells the
// standard error.
//
// Where openings are missing, a weighted sum of the openings within a turn on
// either side replaces the mean (see weighted).
type lobeSignature struct {
	n    int
	late []moments // opening error, ns
	brk  []moments // break, ns
	step moments   // spacing of openings, ns
	norm moments   // sum of squared weights of the openings in an error
	from Stamp     // of the first opening
	any  bool

	// The openings of the last two turns and one, by their number.
	at         []int64 // since from
	seen       []bool
	first, n0  int // number of the first opening and of the latest
	half       int // of a turn, in openings
	sum        int64
	within     int       // openings in the turn centred on the next one to be told
	next       int       // number of that one
	last       []int     // number of each lobe's latest opening, below first before there is one
	curved     float64   // Σ w x² that weights must have, see weighted
	nj, s1, s2 []float64 // of weighted: openings of each lobe, sums of their x and x²

	onError func(n int, e float64) // told the error of opening n as it is known; may be nil
}

func (s *lobeSignature) init(lobes int) {
	*s = lobeSignature{n: lobes, half: lobes / 2}
	s.late, s.brk = make([]moments, lobes), make([]moments, lobes)
	size := 2*lobes + 1
	s.at, s.seen, s.last = make([]int64, size), make([]bool, size), make([]int, lobes)
	s.nj, s.s1, s.s2 = make([]float64, lobes), make([]float64, lobes), make([]float64, lobes)
	for x := -s.half; x <= s.half; x++ {
		s.curved -= s.plain(x) * float64(x*x)
	}
	s.clear()
}

// clear begins anew with the same memory.
func (s *lobeSignature) clear() {
	clear(s.late)
	clear(s.brk)
	clear(s.seen)
	s.step, s.norm, s.any = moments{}, moments{}, false
}

// plain is the weight in a turn's mean of the opening x after its centre.
func (s *lobeSignature) plain(x int) float64 {
	if s.n%2 == 0 && (x == s.half || x == -s.half) {
		return 0.5 / float64(s.n)
	}
	return 1 / float64(s.n)
}

// own is the lobe, from 0, of opening n in turns that begin with the first one.
func (s *lobeSignature) own(n int) int { return ((n-s.first)%s.n + s.n) % s.n }

func (s *lobeSignature) slot(n int) int {
	size := len(s.at)
	return ((n-s.first)%size + size) % size
}

// opening takes the due opening number n.
func (s *lobeSignature) opening(n int, o opening) {
	if !s.any {
		s.any, s.from, s.first, s.n0 = true, o.at, n, n-1
		s.next, s.sum, s.within = n-s.n, 0, 0
		for i := range s.last {
			s.last[i] = n - 1
		}
	}
	if o.breakNS > 0 {
		s.brk[s.own(n)].Add(float64(o.breakNS))
	}
	for k := s.n0 + 1; k < n; k++ { // missing
		if k > s.n0+len(s.at) { // nothing is left of the openings before
			s.next, s.sum, s.within = n-s.n, 0, 0
			break
		}
		s.put(k, 0, false)
	}
	s.put(n, int64(o.at-s.from), true)
	s.n0 = n
}

// put takes opening k, or says that it is missing, and tells the error of the
// opening a turn before.
func (s *lobeSignature) put(k int, at int64, seen bool) {
	i := s.slot(k)
	s.at[i], s.seen[i] = at, seen
	if seen {
		s.last[s.own(k)] = k
		if j := s.slot(k - s.n); s.seen[j] && k-s.n >= s.first {
			s.step.Add(float64(at-s.at[j]) / float64(s.n))
		}
	}
	s.turnTo(k - s.n)
	s.tell(k - s.n)
}

// turnTo moves the sums of a turn on to the turn centred on m.
func (s *lobeSignature) turnTo(m int) {
	if m < s.first-s.half { // nothing is in it yet
		s.next = m
		return
	}
	if s.next < s.first-s.half {
		s.sum, s.within = 0, 0
		s.next = s.first - s.half - 1
	}
	for s.next < m {
		s.next++
		if i := s.slot(s.next + s.half); s.next+s.half >= s.first && s.seen[i] {
			s.sum += s.at[i]
			s.within++
		}
		if out := s.next - s.half - 1; out >= s.first {
			if i := s.slot(out); s.seen[i] {
				s.sum -= s.at[i]
				s.within--
			}
		}
	}
}

// tell adds the error of opening m.
func (s *lobeSignature) tell(m int) {
	i := s.slot(m)
	if m < s.first || !s.seen[i] || s.n == 0 {
		return
	}
	if s.within != 2*s.half+1 {
		if e, norm, ok := s.weighted(m); ok {
			s.take(m, e, norm)
		}
		return
	}
	// Sums of times may overflow; what is left of them does not.
	n := int64(s.n)
	e, norm := 2*n*s.at[i]-2*s.sum, 1-1/float64(s.n)
	if s.n%2 == 0 {
		e += s.at[s.slot(m-s.half)] + s.at[s.slot(m+s.half)]
		norm -= 0.5 / float64(n*n)
	}
	s.take(m, float64(e)/float64(2*n), norm)
}

// take takes the error of opening m.
func (s *lobeSignature) take(m int, e, norm float64) {
	s.late[s.own(m)].Add(e)
	s.norm.Add(norm)
	if s.onError != nil {
		s.onError(m, e)
	}
}

// weighted tells the error of m's lobe where the turn centred on opening m is
// not whole. It is a weighted sum of the openings within a turn on either side.
// The weights give 1 for the lateness of that lobe less 1/L for that of each
// lobe, 0 for any regular spacing, and for a steady change of speed what the
// plain mean gives; of such weights they have the least noise. With x counted
// from m, Lagrange gives w = λ of the lobe + a x + b x². norm is Σ w².
func (s *lobeSignature) weighted(m int) (e, norm float64, ok bool) {
	clear(s.nj)
	clear(s.s1)
	clear(s.s2)
	lo, hi := max(m-s.n, s.first), m+s.n
	var a11, a12, a22 float64
	for k := lo; k <= hi; k++ {
		if !s.seen[s.slot(k)] {
			continue
		}
		x, j := float64(k-m), s.own(k)
		s.nj[j]++
		s.s1[j] += x
		s.s2[j] += x * x
		a11 += x * x
		a12 += x * x * x
		a22 += x * x * x * x
	}
	live := 0
	for j, n := range s.nj {
		if n > 0 {
			live++
		} else if last := s.last[j]; last >= m-deadTurns*s.n && last >= s.first || m < s.first+2*s.n {
			return 0, 0, false
		}
	}
	own := s.own(m)
	want := func(j int) float64 { // of the weights of lobe j
		if j == own {
			return 1 - 1/float64(live)
		}
		return -1 / float64(live)
	}
	// Two equations for a and b are left: Σ w x = 0, Σ w x² = curved.
	r1, r2 := 0.0, s.curved
	for j, n := range s.nj {
		if n > 0 {
			r1 -= want(j) * s.s1[j] / n
			r2 -= want(j) * s.s2[j] / n
			a11 -= s.s1[j] * s.s1[j] / n
			a12 -= s.s1[j] * s.s2[j] / n
			a22 -= s.s2[j] * s.s2[j] / n
		}
	}
	det := a11*a22 - a12*a12
	if !(det > 1e-9*a11*a22) {
		return 0, 0, false
	}
	a, b := (r1*a22-r2*a12)/det, (r2*a11-r1*a12)/det
	zero := s.at[s.slot(m)]
	for k := lo; k <= hi; k++ {
		i := s.slot(k)
		if !s.seen[i] {
			continue
		}
		x, j := float64(k-m), s.own(k)
		w := (want(j)-a*s.s1[j]-b*s.s2[j])/s.nj[j] + a*x + b*x*x
		norm += w * w
		e += w * float64(s.at[i]-zero)
	}
	return e, norm, norm <= worstNorm
}

// end tells the errors of the last turn.
func (s *lobeSignature) end() {
	for k := s.n0 + 1; s.any && k <= s.n0+s.n; k++ {
		s.put(k, 0, false)
	}
}

// turns is how many turns are behind the error of every lobe that opened.
func (s *lobeSignature) turns() int {
	least := 0
	for i := range s.late {
		if n := s.late[i].N(); n > 0 && (least == 0 || n < least) {
			least = n
		} else if n == 0 && s.brk[i].N() > 0 {
			return 0
		}
	}
	return least
}

// merge takes the figures of o, whose lobe j is lobe j + turn of s.
func (s *lobeSignature) merge(o *lobeSignature, turn int) {
	for j := range o.late {
		i := (j + turn) % s.n
		s.late[i].Merge(o.late[j])
		s.brk[i].Merge(o.brk[j])
	}
	s.step.Merge(o.step)
	s.norm.Merge(o.norm)
	if o.any && (!s.any || o.from < s.from) {
		s.from, s.any = o.from, true
	}
}

// figures are the means and standard errors of the lobes, for a match. With few
// turns, a lobe's own variance is drawn towards that of all.
func (s *lobeSignature) figures() []LobeFigure {
	const drawn = 6 // turns that the common variance counts as
	f := make([]LobeFigure, s.n)
	pooled := func(all []moments) float64 {
		sum, dof := 0.0, 0
		for i := range all {
			if n := all[i].N(); n > 1 {
				sum, dof = sum+all[i].m2, dof+n-1
			}
		}
		return sum / float64(max(dof, 1))
	}
	late, brk := pooled(s.late), pooled(s.brk)
	se := func(m *moments, all float64) float64 {
		n := float64(m.N())
		return math.Sqrt((m.m2 + drawn*all) / (max(n-1, 0) + drawn) / n)
	}
	norm, _ := s.norm.Mean()
	for i := range f {
		f[i].Lobe = i + 1
		if m := &s.late[i]; m.N() > 0 {
			f[i].Turns = m.N()
			f[i].OpeningNS, _ = m.Mean()
			f[i].OpeningSE = se(m, late) / math.Sqrt(norm)
		}
		if m := &s.brk[i]; m.N() > 0 {
			f[i].BreakNS, _ = m.Mean()
			f[i].BreakSE = se(m, brk)
		}
	}
	return f
}

// matchLobes tells by how many lobes b must be turned to match a: by that with
// the least sum of squared differences, each over its variance. What all openings
// or all breaks have in common is left out, for it changes with the speed and
// the springs. Where even the best match differs more than the variances allow,
// they are widened until it does not. lead is how many times likelier it is than
// the next match. It is sure when it is lobeOdds times likelier than all others
// together.
func matchLobes(a, b []LobeFigure, spacing float64) (turn int, lead float64, sure bool) {
	n := len(a)
	if n < 2 || len(b) != n || spacing <= 0 {
		return 0, 0, false
	}
	least := spacing * 1e-6 // what rounding alone leaves
	chi := make([]float64, n)
	terms := 0
	for turn := range n {
		var late, brk scatter
		odd := 0.0
		for j := range b {
			x, y := &a[(j+turn)%n], &b[j]
			switch {
			case (x.Turns == 0) != (y.Turns == 0):
				odd += oddLobeVar
			case x.Turns > 0:
				late.add(y.OpeningNS-x.OpeningNS, x.OpeningSE*x.OpeningSE+y.OpeningSE*y.OpeningSE+least*least)
				if x.BreakNS > 0 && y.BreakNS > 0 {
					brk.add(y.BreakNS-x.BreakNS, x.BreakSE*x.BreakSE+y.BreakSE*y.BreakSE+least*least)
				}
			}
		}
		chi[turn] = late.sum() + brk.sum() + odd
		terms = max(late.n-1, 0) + max(brk.n-1, 0)
	}
	for i, c := range chi {
		if c < chi[turn] {
			turn = i
		}
	}
	wide := max(1, chi[turn]/float64(max(terms, 1)))
	next, others := math.Inf(1), 0.0
	for i, c := range chi {
		if i != turn {
			d := (c - chi[turn]) / wide
			next = min(next, d)
			others += math.Exp(-d / 2)
		}
	}
	return turn, min(math.Exp(next/2), mostLead), others*lobeOdds <= 1
}

// A scatter is the sum of squared differences from their common mean, each over
// its variance: Σ d²/v − (Σ d/v)² / Σ 1/v, with d from the first one.
type scatter struct {
	n              int
	first, w, m, q float64
}

func (s *scatter) add(d, v float64) {
	if s.n == 0 {
		s.first = d
	}
	d -= s.first
	s.n++
	s.w += 1 / v
	s.m += d / v
	s.q += d * d / v
}

func (s *scatter) sum() float64 {
	if s.n == 0 {
		return 0
	}
	return max(s.q-s.m*s.m/s.w, 0)
}

// result gives the lobes' figures, errors about their median.
func (s *lobeSignature) result() (lobes []Lobe) {
	lobes = make([]Lobe, s.n)
	if s.n == 0 {
		return lobes
	}
	scaled := func(v float64, ok bool, by float64) Num { return Num{v / by, ok} }
	step, haveStep := s.step.Mean()
	norm, _ := s.norm.Mean()
	var late, lateSE, brk []float64
	allSE := true
	for i := range lobes {
		if v, ok := s.late[i].Mean(); ok {
			late = append(late, v)
			se, ok := s.late[i].SE()
			allSE = allSE && ok
			// An error is part of the noise of its lobe only; the rest is shared.
			lateSE = append(lateSE, se/math.Sqrt(max(norm, 1e-3)))
		}
		if v, ok := s.brk[i].Mean(); ok {
			brk = append(brk, v)
		}
	}
	lateMid, brkMid := median(slices.Clone(late)), median(brk)
	aboutSE := aboutMedian(late, lateSE)
	k := 0
	for i := range lobes {
		l := &lobes[i]
		l.Lobe, l.N = i+1, s.late[i].N()
		if v, ok := s.late[i].Mean(); ok {
			l.OpeningErrorMS = Known((v - lateMid) / 1e6)
			// The lobe in the middle is no more sure than its own openings.
			se, _ := s.late[i].SE()
			l.OpeningErrorSE = scaled(max(aboutSE[k], se), allSE, 1e6)
			if haveStep {
				l.OpeningErrorCyc = Known((v - lateMid) / step)
			}
			k++
		}
		b, ok := s.brk[i].Mean()
		l.BreakMS = scaled(b, ok, 1e6)
		se, okSE := s.brk[i].SE()
		l.BreakSE = scaled(se, okSE, 1e6)
		l.BreakErrorMS = scaled(b-brkMid, ok, 1e6)
		if haveStep {
			l.BreakErrorCyc = scaled(b-brkMid, ok, step)
		}
	}
	return lobes
}

// median sorts v; the median of an even number is the mean of the two in the
// middle.
func median(v []float64) float64 {
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// aboutMedian gives the standard errors of the distances of values from their
// median, from those of the values. It draws the values anew (the parametric
// bootstrap, B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993,
// §6.5), with the same draws each time.
func aboutMedian(v, se []float64) []float64 {
	r := rand.New(rand.NewPCG(1, 2))
	sum := make([]float64, len(v))
	x, sorted := make([]float64, len(v)), make([]float64, len(v))
	mid := median(slices.Clone(v))
	for range medianDraws {
		for i := range v {
			x[i] = v[i] + se[i]*r.NormFloat64()
		}
		copy(sorted, x)
		m := median(sorted)
		for i := range v {
			d := x[i] - m - (v[i] - mid)
			sum[i] += d * d
		}
	}
	for i := range sum {
		sum[i] = math.Sqrt(sum[i] / medianDraws)
	}
	return sum
}
