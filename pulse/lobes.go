package pulse

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"
)

// What the numbers of lobes go by (Interrupter.LobesNumberedBy).
const (
	LobesByRecording = "recording" // lobe 1 is that of the first measured opening
	LobesByLog       = "log"       // numbers that a log has carried on
	LobesByReference = "reference" // a user said when lobe 1 opened
	LobesByMatch     = "match"     // found again by the signature
)

const (
	// worstNorm bounds the noise of one error where openings are missing: twice
	// the variance of one opening, against about one where all are there.
	worstNorm = 2.0
	// deadTurns is after how many turns without an opening a lobe counts as
	// worn away, so that the others' errors no longer wait for it.
	deadTurns = 8
	// lobeOdds is how many times likelier the best match of two signatures must
	// be than all the others together: a few turns tell their own noise badly,
	// and a match is tried several times, so that with this one in some hundreds
	// of matches of lobes that are alike passes, and far fewer of others.
	lobeOdds = 10000
	// mostLead bounds the lead that is told: beyond it, the model of the noise
	// is in doubt rather than the match.
	mostLead = 1e9
	// oddLobeVar is the square of the standard errors that a lobe counts for in a
	// match when it opens in the one signature and never in the other.
	oddLobeVar = 16
	// leastMatch and lastMatch are the turns at which a match is tried first and
	// last; each try has twice the turns of the one before.
	leastMatch, lastMatch = 6, 192
	// maxLobeGroups bounds the numberings that are kept, maxLobeStretches the
	// stretches whose lobes limits can name: a log that slips that often has no
	// lobes to tell.
	maxLobeGroups, maxLobeStretches = 4, 4096
	// medianDraws are enough for 3 % of a standard error.
	medianDraws = 600
)

// A LobeFigure is what one lobe of a reference signature is known by.
type LobeFigure struct {
	Lobe      int     `json:"lobe"`
	OpeningNS float64 `json:"opening_ns"` // about any common time
	OpeningSE float64 `json:"opening_se_ns"`
	BreakNS   float64 `json:"break_ns"`
	BreakSE   float64 `json:"break_se_ns"`
	Turns     int     `json:"turns"` // 0: it never opened
}

// A lobeSignature gathers each lobe's errors over the turns of a cam. The
// error of an opening is what it differs from the mean of the turn centred on
// it (for an even number of lobes the two openings at the ends count half).
// Every lobe is once in that mean, so no lobe's error makes another's, and a
// steady change of speed moves all errors alike. Errors of one lobe in
// different turns share no opening but the ends of an even turn, so their
// spread tells the standard error.
//
// Where openings are missing, the mean is replaced by the weighted sum of the
// openings within a turn on either side that does the same (see weighted).
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
	within     int   // of the openings in the turn centred on the next to be told
	next       int   // number of that one
	last       []int // number of each lobe's latest opening, below first before there is one
	curved     float64
	nj, s1, s2 []float64 // of weighted: openings of each lobe, sums of their x and x²
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

// own is the place, from 0, of opening n in turns that begin with the first one.
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

// put takes the opening k, or that it is missing, and tells the error of the
// one a turn before.
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

// turnTo moves the turn whose mean is known to the one centred on m, the next.
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
			s.late[s.own(m)].Add(e)
			s.norm.Add(norm)
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
	s.late[s.own(m)].Add(float64(e) / float64(2*n))
	s.norm.Add(norm)
}

// weighted tells the error of m's lobe where the turn centred on opening m is
// not whole: the sum of the openings within a turn on either side, with weights
// that give 1 for lateness of that lobe less 1/L for that of each, nothing for
// any regular spacing, and for a steady change of speed what the plain mean
// gives; of those the weights with the least noise. With x counted from m,
// Lagrange gives w = λ of the lobe + a x + b x²; norm is Σ w².
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

// turns is how many turns are behind every lobe's error, those that never
// opened aside.
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

// merge takes the figures of o, whose place j is turn places on in s.
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

// figures are the means and standard errors of the lobes, for a match. With
// few turns, a lobe's own spread is drawn towards that of all.
func (s *lobeSignature) figures() []LobeFigure {
	const drawn = 6 // turns that the common spread counts as
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

// matchLobes tells by how many places lobes of b must be turned to be those of
// a: the turn with the least sum of squared differences, each over its
// variance; what all openings have in common, and all breaks, is left out, for
// it changes with the speed and the springs. Where even the best differs more
// than its variances allow, they are widened until it does not. lead is how
// many times likelier it is than the next; sure that it is lobeOdds times
// likelier than all others together.
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

// A scatter sums up squared differences about their common mean, each over its
// variance: Σ d²/v − (Σ d/v)² / Σ 1/v, with d from the first one.
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

// aboutMedian gives the standard errors of values about their median, from
// those of the values: by drawing the values anew (the parametric bootstrap,
// B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, §6.5).
// The draws are the same each time.
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

// lobeNumbers says which lobe each opening is, and keeps the signatures of the
// numberings. In a stretch the count of openings carries the numbers on; a
// stretch is tied to the lobes before it by a mark or by its signature.
type lobeNumbers struct {
	n     int
	marks []LobeMark
	by    string       // what numbers from marks go by
	known []LobeFigure // reference signature, nil for none

	cur     lobeSignature // of the stretch at hand
	stretch int
	turn    int    // places from the stretch's own lobes to the numbers
	told    string // what they go by, "" while it is not known
	group   int    // in which the stretch belongs, once it is known
	tried   int    // turns at the last match
	lead    float64
	mark    int // next one
	prev    opening
	prevN   int
	havePre bool

	groups []lobeGroup
	made   int         // numberings that began
	places []lobePlace // of each stretch that is over
	shown  int
}

// A lobeGroup is the figures of all stretches with the same numbers.
type lobeGroup struct {
	id   int // from 1, in order of their begin
	sig  lobeSignature
	by   string
	lead float64 // of the least sure match in it, 0 for none
	any  bool    // a stretch is in it
	tied bool    // by a mark
}

type lobePlace struct {
	group int // -1 when it is not kept
	turn  int
}

// init begins; marks are in order of time, known may be nil.
func (c *lobeNumbers) init(lobes int, marks []LobeMark, by string, known []LobeFigure) {
	*c = lobeNumbers{n: lobes, by: cmp.Or(by, LobesByLog), group: -1}
	if lobes == 0 {
		return
	}
	for _, m := range marks {
		if m.Lobe >= 1 && m.Lobe <= lobes {
			c.marks = append(c.marks, m)
		}
	}
	if len(known) == lobes {
		c.known = known
	}
	c.cur.init(lobes)
	if len(c.marks) > 0 || c.known != nil {
		c.newGroup(c.by)
	} else {
		c.begin(LobesByRecording)
	}
}

// newGroup makes a numbering and gives its index. Where there are too many,
// the one with the fewest turns is given up, never that of the marks.
func (c *lobeNumbers) newGroup(by string) int {
	c.made++
	if len(c.groups) < maxLobeGroups {
		c.groups = append(c.groups, lobeGroup{id: c.made, by: by})
		g := &c.groups[len(c.groups)-1]
		g.sig.init(c.n)
		return len(c.groups) - 1
	}
	worst := 1
	for i := 1; i < len(c.groups); i++ {
		if c.groups[i].sig.turns() < c.groups[worst].sig.turns() {
			worst = i
		}
	}
	for i := range c.places {
		if c.places[i].group == worst {
			c.places[i].group = -1
		}
	}
	g := &c.groups[worst]
	g.sig.clear()
	g.id, g.by, g.lead, g.any, g.tied = c.made, by, 0, false, false
	return worst
}

// begin gives the stretch at hand a numbering of its own, from its first
// opening.
func (c *lobeNumbers) begin(by string) { c.tie(c.newGroup(by), 0, by, 0) }

func (c *lobeNumbers) tie(group, turn int, by string, lead float64) {
	c.group, c.turn, c.told, c.lead = group, turn, by, lead
}

// marked is whether group 0 is that of marks or of a reference signature.
func (c *lobeNumbers) marked() bool { return len(c.marks) > 0 || c.known != nil }

// opening takes the due opening number n.
func (c *lobeNumbers) opening(n int, o opening) {
	if c.n == 0 {
		return
	}
	c.cur.opening(n, o)
	if c.mark < len(c.marks) {
		c.meet(n, o)
	}
	c.prev, c.prevN, c.havePre = o, n, true
	if c.told == "" {
		c.decide(false)
	}
}

// meet ties the stretch to the marks that opening n has reached.
func (c *lobeNumbers) meet(n int, o opening) {
	for c.mark < len(c.marks) {
		m := c.marks[c.mark]
		if m.At < c.cur.from {
			// The phase of the first stretch reaches back, once a turn tells the
			// spacing well.
			if c.mark+1 < len(c.marks) && c.marks[c.mark+1].At <= c.cur.from {
				c.mark++
				continue
			}
			if n < c.cur.first+c.n {
				if n == c.cur.first || c.cur.from-m.At > Stamp(phaseTolerance*float64(o.at-c.cur.from)/float64(n-c.cur.first)) {
					return
				}
				// The first opening itself is the marked one.
			}
			c.reach(m, n, o)
			c.mark++
			continue
		}
		if m.At > o.at || !c.havePre && m.At != o.at {
			return // the next opening may be nearer
		}
		place := float64(n)
		if c.havePre {
			place -= float64(o.at-m.At) / float64(o.at-c.prev.at) * float64(n-c.prevN)
		}
		c.accept(m, place, phaseTolerance, n, o)
		c.mark++
	}
}

// reach ties the first stretch to a mark before or after it, where the speed
// carries the phase so far (measurement.md §4, after an unknown time).
func (c *lobeNumbers) reach(m LobeMark, n int, o opening) {
	spacing := float64(o.at-c.cur.from) / float64(n-c.cur.first)
	anchor, at := c.cur.first, c.cur.from
	if m.At > o.at {
		anchor, at = n, o.at
	}
	apart := float64(m.At-at) / spacing
	drift := gapDrift * math.Abs(apart)
	if c.told != "" || drift > phaseTolerance {
		return
	}
	c.accept(m, float64(anchor)+apart, gapJump+drift, n, o)
}

// accept ties the stretch to a mark that lies at a place in its count, if that
// is within room of an opening. A mark that says otherwise than the one before
// begins a new stretch: the phase moved without being seen to.
func (c *lobeNumbers) accept(m LobeMark, place, room float64, n int, o opening) {
	near := math.Round(place)
	if math.Abs(place-near) > room {
		return
	}
	turn := ((m.Lobe-1-c.cur.own(int(near)))%c.n + c.n) % c.n
	if c.told == c.by && c.group == 0 {
		if turn == c.turn {
			return
		}
		c.newStretch()
		c.cur.opening(n, o)
		turn = ((m.Lobe-1-c.cur.own(int(near)))%c.n + c.n) % c.n
	}
	c.tie(0, turn, c.by, 0)
}

// own is the 1-based lobe of due opening n in the stretch's own count, which
// number gives a number later.
func (c *lobeNumbers) own(n int) int {
	if c.n == 0 {
		return 0
	}
	return c.cur.own(n) + 1
}

// lobe is the 1-based number of due opening n's lobe, as far as it is known
// now, and the numbering that it is of, 0 while it is not known.
func (c *lobeNumbers) lobe(n int) (lobe, numbering int) {
	if c.n == 0 {
		return 0, 0
	}
	if c.told != "" {
		numbering = c.groups[c.group].id
	}
	return (c.cur.own(n)+c.turn)%c.n + 1, numbering
}

// figures are the signature of the lobes in the numbering at hand, nil while
// there is none or it has too few turns: that which was given, until this
// recording tells as much.
func (c *lobeNumbers) figures() []LobeFigure {
	if c.n == 0 || c.told == "" {
		return nil
	}
	g := &c.groups[c.group]
	var all lobeSignature
	all.init(c.n)
	all.merge(&g.sig, 0)
	all.merge(&c.cur, c.turn)
	switch turns := all.turns(); {
	case c.group == 0 && c.known != nil && turns < lastMatch:
		return c.known
	case turns < leastMatch:
		return nil
	}
	return all.figures()
}

// decide ties the stretch at hand by its signature, when there are turns
// enough for another try or it is over.
func (c *lobeNumbers) decide(over bool) {
	turns := c.cur.turns()
	if turns < leastMatch || !over && turns < 2*c.tried {
		return
	}
	c.tried = turns
	mine := c.cur.figures()
	step, _ := c.cur.step.Mean()
	best, bestTurn, bestLead := -1, 0, 0.0
	for i := range c.groups {
		if turn, lead, sure := c.match(i, mine, step); sure && (best < 0 || i > 0 && c.groups[i].sig.turns() > c.groups[best].sig.turns() && !(best == 0 && c.marked())) {
			best, bestTurn, bestLead = i, turn, lead
		}
	}
	switch {
	case best >= 0:
		c.tie(best, bestTurn, LobesByMatch, bestLead)
	case !over && turns >= lastMatch && c.mark == len(c.marks):
		c.begin(LobesByRecording)
	}
}

// match matches a signature with that of a group: the one that it was given
// until it has more turns of its own.
func (c *lobeNumbers) match(group int, mine []LobeFigure, step float64) (turn int, lead float64, sure bool) {
	g := &c.groups[group]
	their := c.known
	if group > 0 || their == nil || g.sig.turns() >= lastMatch {
		if g.sig.turns() < leastMatch {
			return 0, 0, false
		}
		their = g.sig.figures()
	}
	return matchLobes(their, mine, step)
}

// newStretch says that the next opening is in another phase than the last.
func (c *lobeNumbers) newStretch() {
	if c.n == 0 {
		c.stretch++
		return
	}
	if !c.cur.any {
		return
	}
	c.close()
	c.cur.clear()
	c.stretch++
	c.turn, c.told, c.group, c.tried, c.lead, c.havePre = 0, "", -1, 0, 0, false
}

// close puts the figures of the stretch at hand where they belong.
func (c *lobeNumbers) close() {
	c.cur.end()
	if c.told == "" {
		if c.decide(true); c.told == "" {
			c.begin(LobesByRecording)
		}
	}
	g := &c.groups[c.group]
	g.sig.merge(&c.cur, c.turn)
	g.any = true
	if c.lead > 0 && (g.lead == 0 || c.lead < g.lead) {
		g.lead = c.lead
	}
	if c.group == 0 && c.marked() && (c.told == c.by || !g.tied) {
		g.by, g.tied = c.told, c.told == c.by
	}
	if len(c.places) < maxLobeStretches {
		c.places = append(c.places, lobePlace{c.group, c.turn})
	}
}

// finish ends the last stretch and chooses the numbering that is shown: that
// of the marks, else the one with the most turns. Others whose signature has
// become sure join it.
func (c *lobeNumbers) finish() {
	if c.n == 0 {
		return
	}
	if c.cur.any {
		for c.mark < len(c.marks) && c.prevN > c.cur.first+c.n {
			c.reach(c.marks[c.mark], c.prevN, c.prev)
			c.mark++
		}
		c.close()
		c.cur.clear()
	}
	for i := range c.groups {
		g, s := &c.groups[i], &c.groups[c.shown]
		if !s.any || g.any && !(c.marked() && c.shown == 0) && g.sig.turns() > s.sig.turns() {
			c.shown = i
		}
	}
	s := &c.groups[c.shown]
	for i := range c.groups {
		g := &c.groups[i]
		if i == c.shown || !g.any || i == 0 && c.marked() || g.sig.turns() < leastMatch {
			continue
		}
		step, _ := g.sig.step.Mean()
		turn, lead, sure := c.match(c.shown, g.sig.figures(), step)
		if !sure {
			continue
		}
		s.sig.merge(&g.sig, turn)
		if s.lead == 0 || lead < s.lead {
			s.lead = lead
		}
		for k := range c.places {
			if p := &c.places[k]; p.group == i {
				p.group, p.turn = c.shown, (p.turn+turn)%c.n
			}
		}
		g.any = false
		c.made--
	}
}

// number gives the number of a lobe that own gave in a stretch, 0 where it is
// not one of those shown. It is for after finish.
func (c *lobeNumbers) number(own, stretch int) int {
	if own == 0 || stretch >= len(c.places) || c.places[stretch].group != c.shown {
		return 0
	}
	return (own-1+c.places[stretch].turn)%c.n + 1
}

// result fills in what is known of lobes; first is when the measurement
// begins. It is for after finish.
func (c *lobeNumbers) result(res *Interrupter, first Stamp) {
	if c.n == 0 {
		return
	}
	var empty lobeGroup
	g := &empty
	if len(c.groups) > 0 {
		g = &c.groups[c.shown]
	} else {
		g.sig.init(c.n)
	}
	res.Lobes, res.WholeTurns = g.sig.result(), g.sig.turns()
	if !g.any {
		return
	}
	by := g.by
	res.LobesNumberedBy = &by
	res.LobesMatchLead = Num{g.lead, g.lead > 0}
	res.LobesFromS = Known(float64(g.sig.from-first) / 1e9)
	res.LobeStretches = c.made
	if c.marked() && !c.groups[0].any {
		res.LobeStretches--
	}
}
