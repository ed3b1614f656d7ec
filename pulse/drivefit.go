package pulse

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// The slow wander of the speed is taken out in blocks of some turns of the cam, by
// a polynomial in each. A block holds so many cycles of the slowest swing that is
// looked for that the polynomial cannot follow that.
const (
	// longCycles in a block let a cubic pass by a swing within 1 %, shortCycles a
	// parabola within 10 %. The shorter one is for records that are too short
	// otherwise.
	longCycles, longDegree   = 4.0, 3
	shortCycles, shortDegree = 2.5, 2
	// leastBlocks are enough to tell the noise of a swing by how it differs from
	// block to block: 14 degrees of freedom.
	leastBlocks = 8
	// leastRows keeps a polynomial from following the noise of a block.
	leastRows = 24
	// mostClusters are as many groups of blocks as the noise is told from. More give
	// hardly more degrees of freedom than matter, fewer would mix in noise of
	// neighbouring orders less.
	mostClusters = 40
	// blockRange is how much longer blocks may be than a swing asks for, before it
	// is fitted again in shorter ones.
	blockRange = 3
	// ownPart is how much of a swing must be its own: beyond what lobes, wander and
	// other shafts could make up. Less is a variance inflated ten times, at which
	// two causes count as one (a common rule for collinear columns).
	ownPart = 0.1
	// huberAt is in standard deviations. Beyond, an opening counts less (Huber 1964;
	// 3 rather than his 1.5, for the noise of contacts is near normal and only gross
	// errors shall lose weight).
	huberAt = 3.0
	// fitRounds let the weights settle, settledRounds do once they nearly have.
	fitRounds, settledRounds = 3, 2
	// leastFalseAlarm is what is claimed at best: beyond, the model of the noise is
	// the greater doubt.
	leastFalseAlarm = 1e-9
)

// An edgeSeries is the openings, or the closings, of one cam.
type edgeSeries struct {
	lobes int
	n     []int32     // number of each edge, 0 for the first opening of the fit
	at    []int64     // ns since that
	w     []float32   // weight by Huber, 0 for what is left out
	e     []float32   // what is left of it, ns
	angle []float64   // of each lobe's edge without its error, in turns of the cam
	seen  []float64   // with it: many teeth may pass in a lobe's error
	scale float64     // standard deviation of its noise, ns
	first int         // turn of number 0
	opens *edgeSeries // of closings, the openings; nil otherwise
	g     seriesSums  // of the normal equations
	gamma *mat.Dense  // regression of the shafts' columns on the lobes
	off   []float64   // error of each lobe, ns
	what  []float32   // fitted in place of the times; nil for these
	less  []float32   // known slow swings, taken off the times; nil for none
	folds []fold      // of the shafts, at whose places faults may repeat
	chol  mat.Cholesky
}

// seriesSums are a series' part of the normal equations.
type seriesSums struct {
	ss     []float64 // columns by columns
	sl     []float64 // columns by lobes
	ll     []float64 // lobes by lobes
	s, l   []float64 // with the times
	raw    []float64 // columns' own, three of each pair: cos·cos, cos·sin, sin·sin, before the polynomial
	yy     float64
	weight float64
}

func (s *edgeSeries) turn(i int) int { return s.first + int(s.n[i])/s.lobes }
func (s *edgeSeries) lobe(i int) int { return int(s.n[i]) % s.lobes }

// A driveFit fits what turns to the edges of cams that share one shaft.
type driveFit struct {
	series []*edgeSeries
	turnNS float64 // length of a turn of the cam
	turns  float64 // in the record
	base   Stamp   // of the first opening
	// step of the times, ns: rounding makes swings of up to half of it, with the
	// orders of shafts where periods are equal.
	step float64

	// Of the pass at hand.
	block, degree int
	orders        []float64
	beta          []float64 // cos, sin of each order that was kept; ns
	kept          []int     // orders that were
	schur         *mat.SymDense
	clusters      int
	firstTurn     int
	blocks        int
	settled       int          // rounds for weights that are those of the last fit; 0 for none
	without       []bool       // orders that are not fitted; nil for none
	extra, more   []*extraTurn // that are no shaft's, fitted after those; and those found last

	slow    []*slowTurn  // what was found in longer blocks
	slowest int          // turns of the longest of these
	last    *driveSearch // the latest

	// Scratch of one block.
	y, q, x []float64
}

// A block of a series is rows from to to, less their polynomial.
type block struct {
	s        *edgeSeries
	from, to int
	index    int
}

// prepare chooses the blocks and the orders of a pass.
func (f *driveFit) prepare(block, degree int, orders []float64) {
	f.block, f.degree, f.orders = block, degree, orders
	f.firstTurn = math.MaxInt
	last := math.MinInt
	for _, s := range f.series {
		f.firstTurn, last = min(f.firstTurn, s.turn(0)), max(last, s.turn(len(s.n)-1))
	}
	f.blocks = max((last-f.firstTurn)/block, 1)
	f.clusters = min(mostClusters, f.blocks)
}

// each calls do with every block of a series that has rows enough. The others'
// rows lose their weight.
func (f *driveFit) each(s *edgeSeries, do func(block)) {
	for i := 0; i < len(s.n); {
		b := block{s: s, from: i, index: min((s.turn(i)-f.firstTurn)/f.block, f.blocks-1)}
		for i < len(s.n) && min((s.turn(i)-f.firstTurn)/f.block, f.blocks-1) == b.index {
			i++
		}
		b.to = i
		if b.to-b.from < f.degree+4 {
			clear(s.w[b.from:b.to])
			clear(s.e[b.from:b.to])
			continue
		}
		do(b)
	}
}

// fill gives a block's times less a steady speed, and polynomials that are
// orthonormal under the weights. It is false where too few rows have weight.
func (f *driveFit) fill(b block) bool {
	s, n, k := b.s, b.to-b.from, f.degree+1
	f.y, f.q = slices.Grow(f.y[:0], n)[:n], slices.Grow(f.q[:0], n*k)[:n*k]
	turn0, at0 := s.turn(b.from), s.at[b.from]
	angle0 := s.angle[s.lobe(b.from)]
	half := float64(f.block) / 2
	for i := range n {
		r := b.from + i
		turns := float64(s.turn(r)-turn0) + s.angle[s.lobe(r)] - angle0
		if s.what != nil {
			f.y[i] = float64(s.what[r])
		} else {
			f.y[i] = float64(s.at[r]-at0) - turns*f.turnNS
			if s.less != nil {
				f.y[i] -= float64(s.less[r])
			}
		}
		u := turns/half - 1
		p := 1.0
		for j := range k {
			f.q[j*n+i] = p
			p *= u
		}
	}
	w := s.w[b.from:b.to]
	for j := range k {
		qj := f.q[j*n : j*n+n]
		for range 2 { // twice is enough (Kahan, Parlett)
			for l := range j {
				ql := f.q[l*n : l*n+n]
				dot := 0.0
				for i, v := range ql {
					dot += float64(w[i]) * v * qj[i]
				}
				for i, v := range ql {
					qj[i] -= dot * v
				}
			}
		}
		norm := 0.0
		for i, v := range qj {
			norm += float64(w[i]) * v * v
		}
		if !(norm > 1e-9) {
			return false
		}
		norm = 1 / math.Sqrt(norm)
		for i := range qj {
			qj[i] *= norm
		}
	}
	return true
}

// A wheel gives cos and sin of what turns, at the edges of a series.
type wheel struct {
	order    float64
	lobes    [][2]float64 // at each lobe's edge in turn 0
	turn     int
	cos, sin float64 // at the beginning of turn
}

func newWheel(s *edgeSeries, order float64) *wheel {
	w := &wheel{order: order, lobes: make([][2]float64, s.lobes), turn: math.MinInt}
	for j := range w.lobes {
		sin, cos := math.Sincos(2 * math.Pi * order * s.seen[j])
		w.lobes[j] = [2]float64{cos, sin}
	}
	return w
}

// at gives them at an edge of a lobe in a turn.
func (w *wheel) at(turn, lobe int) (cos, sin float64) {
	if turn != w.turn {
		// The fraction of order · turn, exact for as many turns as a float64 counts.
		product := w.order * float64(turn)
		fraction := product - math.Floor(product) + math.FMA(w.order, float64(turn), -product)
		w.turn = turn
		w.sin, w.cos = math.Sincos(2 * math.Pi * fraction)
	}
	l := w.lobes[lobe]
	return w.cos*l[0] - w.sin*l[1], w.sin*l[0] + w.cos*l[1]
}

// columns fills in the shafts' columns of a block, one row after another.
func (f *driveFit) columns(b block, wheels []*wheel) {
	n, c := b.to-b.from, 2*len(wheels)
	f.x = slices.Grow(f.x[:0], n*c)[:n*c]
	for i := range n {
		turn, lobe := b.s.turn(b.from+i), b.s.lobe(b.from+i)
		for k, w := range wheels {
			f.x[i*c+2*k], f.x[i*c+2*k+1] = w.at(turn, lobe)
		}
	}
}

func wheelsOf(s *edgeSeries, orders []float64) []*wheel {
	all := make([]*wheel, len(orders))
	for i, o := range orders {
		all[i] = newWheel(s, o)
	}
	return all
}

// gather makes the normal equations of one series.
func (f *driveFit) gather(s *edgeSeries) {
	c, L, k := 2*len(f.orders), s.lobes, f.degree+1
	g := &s.g
	*g = seriesSums{ss: make([]float64, c*c), sl: make([]float64, c*L), ll: make([]float64, L*L), s: make([]float64, c), l: make([]float64, L), raw: make([]float64, 3*len(f.orders))}
	wheels := wheelsOf(s, f.orders)
	xq, lq, yq := make([]float64, c*k), make([]float64, L*k), make([]float64, k)
	f.each(s, func(b block) {
		n := b.to - b.from
		if !f.fill(b) {
			clear(s.w[b.from:b.to])
			return
		}
		f.columns(b, wheels)
		clear(xq)
		clear(lq)
		clear(yq)
		for i := range n {
			w, y, lobe := float64(s.w[b.from+i]), f.y[i], s.lobe(b.from+i)
			if w == 0 {
				continue
			}
			x := f.x[i*c : i*c+c]
			for p := range k {
				wq := w * f.q[p*n+i]
				yq[p] += wq * y
				lq[lobe*k+p] += wq
				for a, xa := range x {
					xq[a*k+p] += wq * xa
				}
			}
			for a, xa := range x {
				wx := w * xa
				g.s[a] += wx * y
				g.sl[a*L+lobe] += wx
				row := g.ss[a*c : a*c+a+1]
				for d := range row {
					row[d] += wx * x[d]
				}
			}
			for o := range f.orders {
				cos, sin := x[2*o], x[2*o+1]
				g.raw[3*o] += w * cos * cos
				g.raw[3*o+1] += w * cos * sin
				g.raw[3*o+2] += w * sin * sin
			}
			g.l[lobe] += w * y
			g.ll[lobe*L+lobe] += w
			g.yy += w * y * y
			g.weight += w
		}
		dot := func(a, b []float64) (sum float64) {
			for i, v := range a {
				sum += v * b[i]
			}
			return sum
		}
		for a := range c {
			xa := xq[a*k : a*k+k]
			for d := range a + 1 {
				g.ss[a*c+d] -= dot(xa, xq[d*k:d*k+k])
			}
			for l := range L {
				g.sl[a*L+l] -= dot(xa, lq[l*k:l*k+k])
			}
			g.s[a] -= dot(xa, yq)
		}
		for l := range L {
			ll := lq[l*k : l*k+k]
			for m := range l + 1 {
				g.ll[l*L+m] -= dot(ll, lq[m*k:m*k+k])
			}
			g.l[l] -= dot(ll, yq)
		}
		g.yy -= dot(yq, yq)
	})
}

// eliminate takes the lobes out of a series' normal equations. The last lobe is
// left out of them, for the polynomials hold what is common to all.
func (s *edgeSeries) eliminate(c int) {
	L, g := s.lobes, &s.g
	n := L - 1
	s.off = make([]float64, L)
	if n == 0 {
		s.gamma = nil
		return
	}
	most := 0.0
	for l := range n {
		most = max(most, g.ll[l*L+l])
	}
	ll := mat.NewSymDense(n, nil)
	for l := range n {
		for m := range l + 1 {
			ll.SetSym(l, m, g.ll[l*L+m])
		}
		if !(g.ll[l*L+l] > 1e-9*most) { // it never opened
			ll.SetSym(l, l, 1)
		}
	}
	for ridge := 1e-12 * max(most, 1); !s.chol.Factorize(ll); ridge *= 100 {
		for l := range n {
			ll.SetSym(l, l, ll.At(l, l)+ridge)
		}
	}
	s.gamma = mat.NewDense(n, max(c, 1), nil)
	if c == 0 {
		return
	}
	ls := mat.NewDense(n, c, nil)
	for a := range c {
		for l := range n {
			ls.Set(l, a, g.sl[a*L+l])
		}
	}
	_ = s.chol.SolveTo(s.gamma, ls) // a bad condition shows in the Schur complement
}

// solve makes the shafts' own equations, chooses the orders that can be told
// apart, and solves. part gives, of each order, how much of it is left after the
// polynomials, after the lobes, and after the orders kept before it; twin is the
// kept order that is most like it.
func (f *driveFit) solve() (parts []ownParts) {
	c := 2 * len(f.orders)
	schur, rhs := mat.NewSymDense(max(c, 1), nil), make([]float64, c)
	afterPoly := make([]float64, c*c)
	raw := make([]float64, 3*len(f.orders))
	for _, s := range f.series {
		s.eliminate(c)
		v := 1 / (s.scale * s.scale)
		g, L := &s.g, s.lobes
		for i := range raw {
			raw[i] += v * g.raw[i]
		}
		for a := range c {
			for d := range a + 1 {
				x := g.ss[a*c+d]
				afterPoly[a*c+d] += v * x
				for l := range L - 1 {
					x -= g.sl[a*L+l] * s.gamma.At(l, d)
				}
				schur.SetSym(a, d, schur.At(a, d)+v*x)
			}
			x := g.s[a]
			for l := range L - 1 {
				x -= s.gamma.At(l, a) * g.l[l]
			}
			rhs[a] += v * x
		}
	}
	f.schur, f.kept = schur, f.kept[:0]
	parts = make([]ownParts, len(f.orders))
	for o := range f.orders {
		p := &parts[o]
		p.twin = -1
		mean := (raw[3*o] + raw[3*o+2]) / 2
		if mean == 0 || f.without != nil && f.without[o] {
			continue
		}
		p.seen = least2(raw[3*o], raw[3*o+1], raw[3*o+2]) / mean
		a := 2 * o
		p.wander = least2(afterPoly[a*c+a], afterPoly[(a+1)*c+a], afterPoly[(a+1)*c+a+1]) / mean
		p.lobes = least2(schur.At(a, a), schur.At(a, a+1), schur.At(a+1, a+1)) / mean
		p.others = p.lobes
		if len(f.kept) > 0 {
			var twin int
			p.others, twin = f.ownPart(o, mean)
			if p.others < ownPart {
				p.twin = twin
			}
		}
		if p.seen >= ownPart && p.wander >= ownPart && p.lobes >= ownPart && p.others >= ownPart {
			f.kept = append(f.kept, o)
		}
	}
	f.beta = make([]float64, c)
	if k := 2 * len(f.kept); k > 0 {
		sub, sol := f.sub(), mat.NewVecDense(k, nil)
		r := mat.NewVecDense(k, nil)
		for i, o := range f.kept {
			r.SetVec(2*i, rhs[2*o])
			r.SetVec(2*i+1, rhs[2*o+1])
		}
		var chol mat.Cholesky
		chol.Factorize(sub)
		_ = chol.SolveVecTo(sol, r)
		for i, o := range f.kept {
			f.beta[2*o], f.beta[2*o+1] = sol.AtVec(2*i), sol.AtVec(2*i+1)
		}
	}
	for _, s := range f.series {
		n := s.lobes - 1
		if n == 0 {
			continue
		}
		r := mat.NewVecDense(n, nil)
		for l := range n {
			x := s.g.l[l]
			for a := range c {
				x -= s.g.sl[a*s.lobes+l] * f.beta[a]
			}
			r.SetVec(l, x)
		}
		var off mat.VecDense
		_ = s.chol.SolveVecTo(&off, r)
		for l := range n {
			s.off[l] = off.AtVec(l)
		}
	}
	return parts
}

// ownParts are how much of an order is left, from 0 to 1.
type ownParts struct {
	seen   float64 // of its worse phase at the edges
	wander float64 // after the polynomials
	lobes  float64 // after the lobes too
	others float64 // and after the orders that were kept before it
	twin   int     // of those, the one most like it; -1 for none
}

// least2 is the smaller eigenvalue of a symmetrical matrix a b, b d.
func least2(a, b, d float64) float64 {
	return max((a+d)/2-math.Hypot((a-d)/2, b), 0)
}

// sub is the Schur complement of the orders kept.
func (f *driveFit) sub() *mat.SymDense {
	k := len(f.kept)
	m := mat.NewSymDense(2*k, nil)
	for i, o := range f.kept {
		for j := range i + 1 {
			p := f.kept[j]
			for u := range 2 {
				for v := range 2 {
					if 2*i+u >= 2*j+v {
						m.SetSym(2*i+u, 2*j+v, f.schur.At(2*o+u, 2*p+v))
					}
				}
			}
		}
	}
	return m
}

// ownPart tells what is left of order o beyond those kept, and which is most like
// it.
func (f *driveFit) ownPart(o int, mean float64) (part float64, twin int) {
	k := 2 * len(f.kept)
	var chol mat.Cholesky
	if !chol.Factorize(f.sub()) {
		return 0, f.kept[0]
	}
	cross := mat.NewDense(k, 2, nil)
	most := -1.0
	for i, p := range f.kept {
		size := 0.0
		for u := range 2 {
			for v := range 2 {
				x := f.schur.At(2*p+u, 2*o+v)
				cross.Set(2*i+u, v, x)
				size += x * x
			}
		}
		if size /= f.schur.At(2*p, 2*p) + f.schur.At(2*p+1, 2*p+1); size > most {
			most, twin = size, p
		}
	}
	var sol mat.Dense
	if err := chol.SolveTo(&sol, cross); err != nil && len(f.kept) == 0 {
		return 0, twin
	}
	var left mat.Dense
	left.Mul(cross.T(), &sol)
	a := 2 * o
	return least2(f.schur.At(a, a)-left.At(0, 0), f.schur.At(a, a+1)-left.At(0, 1), f.schur.At(a+1, a+1)-left.At(1, 1)) / mean, twin
}

// leave fills in what is left of every edge.
func (f *driveFit) leave() {
	var orders []float64
	var beta []float64
	for _, o := range f.kept {
		orders = append(orders, f.orders[o])
		beta = append(beta, f.beta[2*o], f.beta[2*o+1])
	}
	for _, s := range f.series {
		wheels := wheelsOf(s, orders)
		f.each(s, func(b block) {
			n := b.to - b.from
			if !f.fill(b) {
				clear(s.e[b.from:b.to])
				return
			}
			for i := range n {
				turn, lobe := s.turn(b.from+i), s.lobe(b.from+i)
				f.y[i] -= s.off[lobe]
				for o, w := range wheels {
					cos, sin := w.at(turn, lobe)
					f.y[i] -= beta[2*o]*cos + beta[2*o+1]*sin
				}
			}
			f.rest(b)
		})
	}
}

// rest keeps what the polynomials leave of a block's y.
func (f *driveFit) rest(b block) {
	n := len(f.y)
	for p := range f.degree + 1 {
		q := f.q[p*n : p*n+n]
		dot := 0.0
		for i, v := range q {
			dot += float64(b.s.w[b.from+i]) * v * f.y[i]
		}
		for i, v := range q {
			f.y[i] -= dot * v
		}
	}
	for i, v := range f.y {
		b.s.e[b.from+i] = float32(v)
	}
}

// reweigh gives each edge the weight that its distance leaves it.
func (f *driveFit) reweigh(last bool) {
	for _, s := range f.series {
		if !s.measure() || last {
			continue
		}
		var folds []fold
		var centres [][]float64
		for _, fd := range s.folds {
			if c := s.centres(fd); c != nil {
				folds, centres = append(folds, fd), append(centres, c)
			}
		}
		for i, e := range s.e {
			if s.w[i] > 0 {
				far := math.Abs(float64(e))
				for k, fd := range folds {
					if c := centres[k][fd.place(s.n[i])]; c != 0 {
						far = min(far, math.Abs(float64(e)-c))
					}
				}
				s.w[i] = float32(min(1, huberAt*s.scale/far))
			}
		}
	}
}

// measure gives a series the scale of what is left of it; false where nothing has
// weight.
func (s *edgeSeries) measure() bool {
	stride := len(s.e)/20_000 + 1 // enough for the median
	sample := make([]float64, 0, len(s.e)/stride+1)
	for i := 0; i < len(s.e); i += stride {
		if s.w[i] > 0 {
			sample = append(sample, math.Abs(float64(s.e[i])))
		}
	}
	if len(sample) == 0 {
		return false
	}
	slices.Sort(sample)
	// 1.4826 makes the median of the distances a standard deviation of normal noise.
	// Times are whole ns.
	s.scale = max(1.4826*sample[len(sample)/2], 1)
	return true
}

// run fits the orders in blocks of a length. In blocks as before the weights have
// nearly settled.
func (f *driveFit) run(block, degree int, orders []float64) (parts []ownParts) {
	rounds := fitRounds
	if f.settled > 0 && f.block == block && f.degree == degree {
		rounds = f.settled
	} else {
		for _, s := range f.series {
			for i := range s.w {
				s.w[i] = 1
			}
		}
	}
	f.settled = settledRounds
	f.prepare(block, degree, orders)
	for _, s := range f.series {
		if s.scale == 0 {
			s.scale, s.seen = 1, slices.Clone(s.angle)
		}
	}
	for round := range rounds {
		for _, s := range f.series {
			f.gather(s)
		}
		parts = f.solve()
		f.leave()
		if round < rounds-1 {
			f.see()
		}
		f.reweigh(round == rounds-1)
	}
	return parts
}

// see puts the lobes where their edges were found to be: openings by their errors,
// closings by how long the breaks are without the swings.
func (f *driveFit) see() {
	for _, s := range f.series {
		if s.opens != nil {
			continue
		}
		mean := 0.0
		for _, off := range s.off {
			mean += off / float64(s.lobes)
		}
		for j, off := range s.off {
			s.seen[j] = s.angle[j] + (off-mean)/f.turnNS
		}
	}
	for _, s := range f.series {
		if s.opens != nil {
			f.seeClosings(s)
		}
	}
}

// seeTurns are enough to know the angle of a closing.
const seeTurns = 3000

func (f *driveFit) seeClosings(s *edgeSeries) {
	o := s.opens
	var orders, beta []float64
	for _, k := range f.kept {
		orders = append(orders, f.orders[k])
		beta = append(beta, f.beta[2*k], f.beta[2*k+1])
	}
	opening, closing := wheelsOf(o, orders), wheelsOf(s, orders)
	sum, n := make([]float64, s.lobes), make([]float64, s.lobes)
	stride := int(s.n[len(s.n)-1])/s.lobes/seeTurns + 1
	k := 0
	for i := range s.n {
		for o.n[k] < s.n[i] {
			k++
		}
		turn, lobe := s.turn(i), s.lobe(i)
		if (turn-s.first)%stride != 0 || s.w[i] < 1 || o.w[k] < 1 { // gross errors would shift the mean
			continue
		}
		brk := float64(s.at[i] - o.at[k])
		for w := range orders {
			oc, os := opening[w].at(turn, lobe)
			cc, cs := closing[w].at(turn, lobe)
			brk -= beta[2*w]*(cc-oc) + beta[2*w+1]*(cs-os)
		}
		sum[lobe] += brk
		n[lobe]++
	}
	for j := range sum {
		if n[j] > 0 {
			s.seen[j] = o.seen[j] + sum[j]/n[j]/f.turnNS
		}
	}
}

// A swing is a sinusoid that was fitted.
type swing struct {
	cos, sin float64 // ns
	se       float64 // standard error of each
	freedom  float64 // of that
	p        float64 // probability that noise makes as much at this order alone
	power    float64 // sum of squares that it explains, in variances of an edge
	size     float64 // of the noise, in the same
}

func (s *swing) amplitude() float64 { return math.Hypot(s.cos, s.sin) }

// swings gives the orders that were kept, by their index. Their noise is told by
// how the scores differ between groups of blocks, so it is that of this order and
// its neighbours, whatever the rest of the spectrum is (White's sandwich with
// clusters: Liang and Zeger, Biometrika 73, 1986).
func (f *driveFit) swings() map[int]*swing {
	c, k := 2*len(f.orders), 2*len(f.kept)
	if k == 0 {
		return nil
	}
	scores := make([][]float64, f.clusters)
	used := make([]bool, f.clusters)
	for i := range scores {
		scores[i] = make([]float64, c)
	}
	for _, s := range f.series {
		wheels := wheelsOf(s, f.orders)
		v := 1 / (s.scale * s.scale)
		f.each(s, func(b block) {
			m := b.index * f.clusters / f.blocks
			sc := scores[m]
			used[m] = true
			for i := b.from; i < b.to; i++ {
				we := v * float64(s.w[i]) * float64(s.e[i])
				if we == 0 {
					continue
				}
				turn, lobe := s.turn(i), s.lobe(i)
				for o, w := range wheels {
					cos, sin := w.at(turn, lobe)
					if s.gamma != nil && lobe < s.lobes-1 {
						cos -= s.gamma.At(lobe, 2*o)
						sin -= s.gamma.At(lobe, 2*o+1)
					}
					sc[2*o] += we * cos
					sc[2*o+1] += we * sin
				}
			}
		})
	}
	var chol mat.Cholesky
	if !chol.Factorize(f.sub()) {
		return nil
	}
	inv := mat.NewSymDense(k, nil)
	if err := chol.InverseTo(inv); err != nil && math.IsNaN(inv.At(0, 0)) {
		return nil
	}
	out := map[int]*swing{}
	for i, o := range f.kept {
		// Influence of each group on this order's pair.
		var vcc, vcs, vss float64
		groups := 0.0
		for m, sc := range scores {
			if !used[m] {
				continue
			}
			groups++
			var pc, ps float64
			for j, p := range f.kept {
				for v := range 2 {
					pc += inv.At(2*i, 2*j+v) * sc[2*p+v]
					ps += inv.At(2*i+1, 2*j+v) * sc[2*p+v]
				}
			}
			vcc, vcs, vss = vcc+pc*pc, vcs+pc*ps, vss+ps*ps
		}
		if groups < 3 {
			continue
		}
		shape := [3]float64{inv.At(2*i, 2*i), inv.At(2*i, 2*i+1), inv.At(2*i+1, 2*i+1)}
		fix := groups / (groups - 1)
		out[o] = f.real(newSwing(f.beta[2*o], f.beta[2*o+1], shape, [3]float64{fix * vcc, fix * vcs, fix * vss}, 2*(groups-1)))
	}
	return out
}

// newSwing judges a pair of coefficients whose covariance has a shape known from
// the columns, and which differed by v between groups. The noise of one order has
// no phase of its own, so both parts tell its size.
func newSwing(cos, sin float64, shape, v [3]float64, freedom float64) *swing {
	det := shape[0]*shape[2] - shape[1]*shape[1]
	// trace(shape⁻¹ v) / 2 is the size of the noise in units of shape.
	size := (shape[2]*v[0] - 2*shape[1]*v[1] + shape[0]*v[2]) / det / 2
	quadratic := (shape[2]*cos*cos - 2*shape[1]*cos*sin + shape[0]*sin*sin) / det
	s := &swing{cos: cos, sin: sin, freedom: freedom, se: math.Sqrt(size * (shape[0] + shape[2]) / 2), p: 1, power: quadratic, size: size}
	switch fisher := quadratic / (2 * size); {
	case size > 0:
		// The tail of F with 2 and freedom degrees of freedom.
		s.p = math.Pow(1+2*fisher/freedom, -freedom/2)
	case quadratic > 0:
		s.p = 0
	}
	return s
}

// interval gives the 95 % interval of the amplitude. |cos, sin|² over its noise is
// noncentral χ² with two degrees of freedom; the noise is known with freedom
// degrees only, which Student's t widens.
func (s *swing) interval() (low, high float64) {
	if !(s.se > 0) {
		return s.amplitude(), s.amplitude()
	}
	unit := s.se * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: s.freedom}.Quantile(0.975) / 1.959964
	a := max(s.amplitude()/unit, 1e-3) // below, the arithmetic would lose its digits
	// An amplitude that happens to be small for mere noise shall not bound the true
	// one below what noise would hide: the upper bound is against the probability
	// without any swing (Read, J. Phys. G 28, 2002, 2693).
	return unit * riceBound(a, 0.975), unit * riceBound(a, 0.025*-math.Expm1(-a*a/2))
}

// riceBound gives the amplitude ν, in standard deviations of its parts, from which
// a smaller one than a is seen with probability p; 0 where that is less likely
// from none.
func riceBound(a, p float64) float64 {
	if -math.Expm1(-a*a/2) <= p {
		return 0
	}
	lo, hi := 0.0, a+10
	for range 60 {
		mid := (lo + hi) / 2
		if riceBelow(a, mid) > p {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// riceBelow is the probability that the length of a vector (ν, 0) with normal
// noise of 1 in both parts is below a.
func riceBelow(a, nu float64) float64 {
	if a > 20 && nu > 20 { // normal, but for 1/(2ν) in the mean
		return distuv.UnitNormal.CDF(a - nu - 1/(2*nu))
	}
	// ∫ φ(x − ν) P(|y| < √(a² − x²)) dx over |x| < a, where it is not nothing.
	from, to := max(-a, nu-9), min(a, nu+9)
	if from >= to {
		return 0
	}
	const steps = 400
	h, sum := (to-from)/steps, 0.0
	for i := range steps {
		x := from + (float64(i)+0.5)*h
		sum += math.Exp(-(x-nu)*(x-nu)/2) * math.Erf(math.Sqrt(max(a*a-x*x, 0)/2))
	}
	return sum * h / math.Sqrt(2*math.Pi)
}

// ofMany gives the probability that one of so many candidates does what a single
// one does with probability p.
func ofMany(p float64, candidates int) float64 {
	return -math.Expm1(float64(candidates) * math.Log1p(-min(p, 1)))
}

// sineSums are the sums of a sinusoid fitted to points by weighted least squares.
type sineSums struct{ c, s, cc, cs, ss float64 }

func (g *sineSums) add(weight, y, cos, sin float64) {
	g.c, g.s = g.c+weight*y*cos, g.s+weight*y*sin
	g.cc, g.cs, g.ss = g.cc+weight*cos*cos, g.cs+weight*cos*sin, g.ss+weight*sin*sin
}

// solve gives the coefficients, and the inverse of their matrix; false where the
// points do not tell both.
func (g *sineSums) solve() (cos, sin float64, shape [3]float64, ok bool) {
	det := g.cc*g.ss - g.cs*g.cs
	if !(det > 1e-6*g.cc*g.ss) {
		return 0, 0, shape, false
	}
	shape = [3]float64{g.ss / det, -g.cs / det, g.cc / det}
	return shape[0]*g.c + shape[1]*g.s, shape[1]*g.c + shape[2]*g.s, shape, true
}

// line tests an order that was not fitted, on what is left of the edges. The sum
// of squares that it explains is twice the periodogram of Lomb and Scargle
// (Scargle, Astrophys. J. 263, 1982).
func (f *driveFit) line(order float64) *swing {
	groups := make([]sineSums, f.clusters)
	for _, s := range f.series {
		w := newWheel(s, order)
		v := 1 / (s.scale * s.scale)
		f.each(s, func(b block) {
			g := &groups[b.index*f.clusters/f.blocks]
			for i := b.from; i < b.to; i++ {
				if s.w[i] > 0 {
					cos, sin := w.at(s.turn(i), s.lobe(i))
					g.add(v*float64(s.w[i]), float64(s.e[i]), cos, sin)
				}
			}
		})
	}
	var all sineSums
	n, keeps := 0.0, f.keeps(order)
	for i := range groups {
		g := &groups[i]
		if g.cc+g.ss > 0 {
			n++
		}
		g.cc, g.cs, g.ss = keeps*g.cc, keeps*g.cs, keeps*g.ss
		all.c, all.s, all.cc, all.cs, all.ss = all.c+g.c, all.s+g.s, all.cc+g.cc, all.cs+g.cs, all.ss+g.ss
	}
	cos, sin, shape, ok := all.solve()
	if n < 3 || !ok {
		return nil
	}
	var v [3]float64
	for _, g := range groups {
		// What is left of the group's score beside the whole's swing.
		c, s := g.c-g.cc*cos-g.cs*sin, g.s-g.cs*cos-g.ss*sin
		pc, ps := shape[0]*c+shape[1]*s, shape[1]*c+shape[2]*s
		v[0], v[1], v[2] = v[0]+pc*pc, v[1]+pc*ps, v[2]+ps*ps
	}
	for i := range v {
		v[i] *= n / (n - 1)
	}
	return f.real(newSwing(cos, sin, shape, v, 2*(n-1)))
}

// real makes a swing below the step of the times one of the noise.
func (f *driveFit) real(s *swing) *swing {
	if s.amplitude() < f.step {
		s.p = 1
	}
	return s
}

// keeps tells what part of an order the polynomials leave, by some of the blocks.
func (f *driveFit) keeps(order float64) float64 {
	const blocks = 32 // their parts hardly differ
	k := f.degree + 1
	dots := make([]float64, 2*k)
	lost, all := 0.0, 0.0
	for _, s := range f.series {
		w := newWheel(s, order)
		stride := f.blocks/blocks + 1
		f.each(s, func(b block) {
			if b.index%stride != 0 || !f.fill(b) {
				return
			}
			n := b.to - b.from
			clear(dots)
			for i := range n {
				cos, sin := w.at(s.turn(b.from+i), s.lobe(b.from+i))
				wt := float64(s.w[b.from+i])
				all += wt
				for p := range k {
					dots[2*p] += wt * cos * f.q[p*n+i]
					dots[2*p+1] += wt * sin * f.q[p*n+i]
				}
			}
			for _, x := range dots {
				lost += x * x
			}
		})
	}
	if !(all > 0) {
		return 1
	}
	return max(1-lost/all, ownPart)
}
