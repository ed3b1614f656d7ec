package pulse

import (
	"math"
	"math/big"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// mostPlaces of a shaft's turn are told apart: degrees.
	mostPlaces = 360
	// leastAtPlace openings make the median of a place robust, and leave it to noise
	// alone to have five of eight beyond struckAt once in some million places.
	leastAtPlace = 8
	// struckAt is in standard deviations. A place whose median is within loses less
	// than 5 % of its distance to weights that fall off at huberAt.
	struckAt = 2.0
	// mostStruck places of a shaft are told one by one.
	mostStruck = 6
	// struckSure is in standard errors: in noise alone one of a million.
	struckSure = 5.0
	// struckPart of the worst place counts as struck too: less may be the flank of the
	// same tooth, which is no news.
	struckPart = 0.15
)

// A StruckOpening says how far off the openings are that meet a bad tooth, or
// whatever catches at one place of a shaft's turn.
type StruckOpening struct {
	LateMS    Num `json:"late_ms"` // against the others; negative: early
	LateSEMS  Num `json:"late_se_ms"`
	LowMS     Num `json:"low_ms"` // 95 % interval
	HighMS    Num `json:"high_ms"`
	OneIn     int `json:"one_in_openings"`
	Places    int `json:"places"`           // of the shaft's turn that are struck; the figures are of the worst
	EachTurns int `json:"each_turns_of_it"` // turns of the shaft until an opening meets the place again; 0: not exactly
	AtDeg     Num `json:"at_deg"`           // of the shaft's turn, since the first opening of the fit

	share float64 // of the sum of squares
}

// A fold tells at which place of its turn a shaft is at an edge. It is at den
// places at most, num of them further from one edge to the next.
type fold struct{ num, den, places int64 }

// foldOf is of a shaft that turns r times a turn of a cam, whose edges come lobes
// times; ok is false where all edges are at one or two places.
func foldOf(r *big.Rat, lobes, edges int) (f fold, ok bool) {
	per := new(big.Rat).Quo(r, big.NewRat(int64(lobes), 1))
	whole := new(big.Int).Div(per.Num(), per.Denom())
	per.Sub(per, new(big.Rat).SetInt(whole))
	const most = 1 << 30 // products of two must not overflow
	if per.Denom().IsInt64() && per.Denom().Int64() <= most {
		f.num, f.den = per.Num().Int64(), per.Denom().Int64()
	} else { // over a million edges, wrong by a part in a thousand of a turn
		x, _ := per.Float64()
		f.num, f.den = int64(math.Round(x*most)), most
	}
	f.places = min(f.den, mostPlaces, int64(edges/leastAtPlace))
	return f, f.den > 2 && f.places > 2
}

func (f fold) place(n int32) int { return int(int64(n) % f.den * f.num % f.den * f.places / f.den) }

// exact tells whether each place is one point of the turn.
func (f fold) exact() bool { return f.places == f.den }

// fold prepares the places of all shafts whose swing the openings show.
func (f *driveFit) fold(turns []*big.Rat) {
	for _, s := range f.series {
		s.folds = s.folds[:0]
		for _, r := range turns {
			if fd, ok := foldOf(r, s.lobes, len(s.n)); ok && !r.IsInt() && !slices.Contains(s.folds, fd) {
				s.folds = append(s.folds, fd)
			}
		}
	}
}

// centres gives the median of what is left at each place where most edges are far
// off: a fault that repeats is none of the gross errors that shall lose weight. It
// is nil where there are none, and 0 at all other places.
func (s *edgeSeries) centres(fd fold) []float64 {
	total, above, below := make([]int, fd.places), make([]int, fd.places), make([]int, fd.places)
	far := float32(struckAt * s.scale)
	for i, e := range s.e {
		if s.w[i] == 0 {
			continue
		}
		p := fd.place(s.n[i])
		total[p]++
		if e > far {
			above[p]++
		} else if e < -far {
			below[p]++
		}
	}
	struck := map[int][]float64{}
	for p, n := range total {
		if n >= leastAtPlace && 2*max(above[p], below[p]) > n {
			struck[p] = nil
		}
	}
	if len(struck) == 0 {
		return nil
	}
	for i, e := range s.e {
		if p := fd.place(s.n[i]); s.w[i] > 0 {
			if x, ok := struck[p]; ok {
				struck[p] = append(x, float64(e))
			}
		}
	}
	centres := make([]float64, fd.places)
	for p, x := range struck {
		slices.Sort(x)
		centres[p] = x[len(x)/2]
	}
	return centres
}

// openings is a fit of the openings of the first contact alone, as f was last.
func (f *driveFit) openings(without []bool) *driveFit {
	s := *f.series[0]
	s.w, s.e = slices.Clone(s.w), slices.Clone(s.e)
	s.angle, s.seen = slices.Clone(s.angle), slices.Clone(s.seen)
	g := &driveFit{series: []*edgeSeries{&s}, turnNS: f.turnNS, turns: f.turns, base: f.base, step: f.step, without: without, extra: f.extra,
		block: f.block, degree: f.degree, settled: 1} // the weights are those of all the edges
	g.run(f.block, f.degree, slices.Clone(f.orders))
	return g
}

// Shafts that are at one place of their turn at the same openings.
type placeGroup struct {
	fold   fold
	shafts []int
}

// samePlaces gives the shafts that swing and may jerk, by what is left at some
// place of their turn.
func (s *driveSearch) samePlaces(turns []*big.Rat) (groups []placeGroup) {
	t, open := s.t, s.f.series[0]
	for i := range t.Shafts {
		x := &t.Shafts[i]
		fd, ok := foldOf(turns[i], open.lobes, len(open.n))
		if x.Kind == SwingNone || !ok || len(x.IndistinguishableFrom) > 0 || !slices.Contains(s.f.orders, float64(x.TurnsPerCamTurn)) {
			continue
		}
		if p, _ := worstPlace(open, fd, open.e, nil); x.Kind != SwingTooth && p < 0 {
			continue
		}
		same := slices.IndexFunc(groups, func(g placeGroup) bool { return fd.exact() && g.fold.exact() && g.fold.den == fd.den })
		if same < 0 {
			groups = append(groups, placeGroup{fold: fd})
			same = len(groups) - 1
		}
		groups[same].shafts = append(groups[same].shafts, i)
	}
	return groups
}

// struck fits the openings of the first contact alone, where a shaft jerks:
// closings meet a jerk at other places, so that one sinusoid is not that of both.
// It tells the swing of each such shaft in the times of the openings, and how far
// off the openings are that meet the jerk. It is nil without one.
func (s *driveSearch) struck(turns []*big.Rat) *driveFit {
	t, f := s.t, s.f
	groups := s.samePlaces(turns)
	if len(groups) == 0 {
		return nil
	}
	g := f.openings(nil)
	without := make([]bool, len(f.orders)) // those of jerks
	var jerks []int                        // the first shaft of each group
	folds, as, places := map[int]fold{}, map[int]int{}, map[int][]int{}
	for _, group := range groups {
		// A jerk at one of a few places is nearly some sinusoids and another jerk: the
		// place is told without those, and then how large both are.
		these := make([]bool, len(f.orders))
		smooth, jerk := 0.0, false
		for _, i := range group.shafts {
			o := slices.Index(f.orders, float64(t.Shafts[i].TurnsPerCamTurn))
			these[o] = true
			smooth += g.beta[2*o]*g.series[0].g.s[2*o] + g.beta[2*o+1]*g.series[0].g.s[2*o+1]
			jerk = jerk || t.Shafts[i].Kind == SwingTooth
		}
		p, last := f.openings(these).pick(group.fold)
		if last == nil || !jerk && !(last.share > smooth && math.Abs(last.late[0]) > struckSure*last.se[0]) {
			continue
		}
		first := group.shafts[0]
		jerks, places[first] = append(jerks, first), p
		for _, i := range group.shafts {
			x := &t.Shafts[i]
			x.Kind, x.SameJerkAs = SwingTooth, []string{}
			for _, k := range group.shafts {
				if k != i {
					x.SameJerkAs = append(x.SameJerkAs, t.Shafts[k].Name)
				}
			}
			o := slices.Index(f.orders, float64(x.TurnsPerCamTurn))
			without[o], folds[i], as[i] = true, group.fold, first
			folds[i], _ = foldOf(turns[i], f.series[0].lobes, len(f.series[0].n))
		}
	}
	if len(jerks) == 0 {
		return nil
	}
	told := map[int]*jump{}
	tell := func(g *driveFit) bool {
		for _, i := range jerks {
			if told[i] = g.jump(folds[i], places[i]); told[i] == nil {
				return false
			}
		}
		return true
	}
	if !tell(g) {
		clear(told)
		if g = f.openings(without); !tell(g) {
			return nil
		}
	}
	swings := g.swings()
	for i := range t.Shafts {
		j := told[as[i]]
		if _, is := folds[i]; !is || j == nil {
			continue
		}
		x, fd, series := &t.Shafts[i], folds[i], g.series[0]
		// The sinusoid that is nearest to all the openings: what is beside the jerk, and
		// the jerk's own.
		w := swings[slices.Index(g.orders, float64(x.TurnsPerCamTurn))]
		if w == nil {
			w = &swing{freedom: j.freedom}
		}
		w.cos, w.sin, w.se = w.cos+j.sine(g, x, true), w.sin+j.sine(g, x, false), math.Hypot(w.se, j.sineSE(g, x))
		alarm := x.FalseAlarm
		t.tell(x, w, float64(x.TurnsPerCamTurn), g)
		x.FalseAlarm = alarm // of all the edges
		x.Struck = j.opening(fd)
		if as[i] == i {
			x.Struck.share = j.share // it counts once
		}
		if per := new(big.Rat).Quo(turns[i], big.NewRat(int64(series.lobes), 1)); fd.exact() && per.Num().IsInt64() {
			x.Struck.EachTurns = int(per.Num().Int64())
		}
	}
	g.series[0].measure()
	return g
}

// A jump is by how much the openings at some places of a shaft's turn are late.
type jump struct {
	fold     fold
	places   []int
	late     []float64 // ns
	se       []float64
	freedom  float64
	beta     [][]float64 // what the fit makes of each place's column
	n        int32       // an opening at the worst place
	of, all  int         // openings there, and all
	worst    int
	share    float64 // of the sum of squares
	explains []float64
}

// opening describes a jump by its worst place.
func (j *jump) opening(fd fold) *StruckOpening {
	d, se := j.late[j.worst], j.se[j.worst]
	half := se * distuv.StudentsT{Mu: 0, Sigma: 1, Nu: j.freedom}.Quantile(0.975)
	at := (float64(fd.place(j.n)) + map[bool]float64{false: 0.5}[fd.exact()]) / float64(fd.places)
	return &StruckOpening{
		LateMS: Known(ms(d)), LateSEMS: Known(ms(se)), LowMS: Known(ms(d - half)), HighMS: Known(ms(d + half)),
		OneIn: int(math.Round(float64(j.all) / float64(j.of))), Places: len(j.places), AtDeg: Known(360 * at),
	}
}

// sine gives the cos, or sin, of the sinusoid of a shaft's turns that is nearest to
// the jump.
func (j *jump) sine(g *driveFit, x *ShaftSwing, cosine bool) (sum float64) {
	for i := range j.places {
		sum += j.late[i] * j.sineOf(g, x, i, cosine)
	}
	return sum
}

func (j *jump) sineOf(g *driveFit, x *ShaftSwing, i int, cosine bool) float64 {
	s := g.series[0]
	w := newWheel(s, float64(x.TurnsPerCamTurn))
	sum := 0.0
	for r := range s.n {
		if j.fold.place(s.n[r]) == j.places[i] {
			cos, sin := w.at(s.turn(r), s.lobe(r))
			if !cosine {
				cos = sin
			}
			sum += cos
		}
	}
	return 2 * sum / float64(len(s.n))
}

// sineSE is the standard error that the jump's adds to that of the sinusoid fitted
// without it: the jump is fitted to what that leaves, so both are independent.
func (j *jump) sineSE(g *driveFit, x *ShaftSwing) float64 {
	sum := 0.0
	o := slices.Index(g.orders, float64(x.TurnsPerCamTurn))
	for i := range j.places {
		cos, sin := j.sineOf(g, x, i, true)-j.beta[i][2*o], j.sineOf(g, x, i, false)-j.beta[i][2*o+1]
		sum += (cos*cos + sin*sin) / 2 * j.se[i] * j.se[i]
	}
	return math.Sqrt(sum)
}

// pick finds the places at which the openings are off, one after another, and gives
// the jump there; nil without one.
func (g *driveFit) pick(fd fold) (places []int, last *jump) {
	s := g.series[0]
	before, beta, off := slices.Clone(s.e), g.beta, s.off
	for len(places) < mostStruck {
		p, mean := worstPlace(s, fd, s.e, places)
		if p < 0 || last != nil && math.Abs(mean) < struckPart*math.Abs(last.late[0]) {
			break
		}
		s.e, g.beta, s.off = slices.Clone(before), beta, off
		j := g.jump(fd, append(slices.Clone(places), p))
		if j == nil {
			break
		}
		places, last = j.places, j
		s.measure()
	}
	return places, last
}

// jump fits how far off the openings at places of a shaft's turn are, beside all
// that was fitted, whose figures become those beside the jump. It is nil where the
// rest of the fit could make up as much.
func (g *driveFit) jump(fd fold, places []int) *jump {
	s := g.series[0]
	k := len(places)
	j := &jump{fold: fd, places: places, explains: make([]float64, k)}
	times := s.e
	beta, off, sums := g.beta, s.off, s.g
	var columns [][]float32 // 1 at a place, less what the others make of it
	var offs [][]float64
	identified := true
	for i, p := range places {
		c, own := g.column(fd, p)
		identified = identified && own >= ownPart
		columns, offs, j.beta = append(columns, c), append(offs, s.off), append(j.beta, g.beta)
		// Its product with the times, both without the polynomials.
		for a, x := range s.g.s {
			j.explains[i] += beta[a] * x
		}
		for l, x := range s.g.l {
			j.explains[i] += off[l] * x
		}
		for r, e := range times {
			if fd.place(s.n[r]) == p {
				j.explains[i] += float64(s.w[r]) * float64(e)
			}
		}
	}
	g.beta, s.off, s.g, s.e = beta, off, sums, times
	if !identified {
		return nil
	}
	dot := func(a, b []float32) (sum float64) {
		for r, x := range a {
			sum += float64(s.w[r]) * float64(x) * float64(b[r])
		}
		return sum
	}
	normal, rhs := mat.NewSymDense(k, nil), mat.NewVecDense(k, nil)
	for i, a := range columns {
		for l, b := range columns[:i+1] {
			normal.SetSym(i, l, dot(a, b))
		}
		rhs.SetVec(i, dot(a, times))
	}
	var chol mat.Cholesky
	var inverse mat.SymDense
	size := mat.NewVecDense(k, nil)
	if !chol.Factorize(normal) || chol.Cond() > 1/(ownPart*ownPart) || chol.SolveVecTo(size, rhs) != nil || chol.InverseTo(&inverse) != nil {
		return nil
	}
	g.beta, s.off, s.e = slices.Clone(beta), slices.Clone(off), slices.Clone(times)
	for i, c := range columns {
		d := size.AtVec(i)
		j.late = append(j.late, d)
		j.share += d * j.explains[i]
		for a, x := range j.beta[i] {
			g.beta[a] -= d * x
		}
		for l, x := range offs[i] {
			s.off[l] -= d * x
		}
		for r, x := range c {
			s.e[r] -= float32(d * float64(x))
		}
		if math.Abs(d) > math.Abs(j.late[j.worst]) {
			j.worst = i
		}
	}

	// The noise is told by the groups of blocks, as that of the swings.
	scores := mat.NewDense(g.clusters, k, nil)
	used := make([]bool, g.clusters)
	g.each(s, func(b block) {
		m := b.index * g.clusters / g.blocks
		used[m] = true
		for r := b.from; r < b.to; r++ {
			we := float64(s.w[r]) * float64(s.e[r])
			for i, c := range columns {
				scores.Set(m, i, scores.At(m, i)+we*float64(c[r]))
			}
			if s.w[r] > 0 {
				j.all++
				if fd.place(s.n[r]) == places[j.worst] {
					j.of++
					j.n = s.n[r]
				}
			}
		}
	})
	groups := 0.0
	for _, is := range used {
		if is {
			groups++
		}
	}
	if groups < 3 || j.of == 0 {
		return nil
	}
	j.freedom = groups - 1
	var influence mat.Dense
	influence.Mul(scores, &inverse)
	for i := range places {
		variance := 0.0
		for m := range used {
			variance += influence.At(m, i) * influence.At(m, i)
		}
		j.se = append(j.se, math.Sqrt(variance*groups/(groups-1)))
	}
	return j
}

// column fits to 1 at a place of a turn, and 0 elsewhere, what is fitted to the
// times, and gives what is left of it; own is how much that is.
func (g *driveFit) column(fd fold, place int) (left []float32, own float64) {
	s := g.series[0]
	s.e, s.what = make([]float32, len(s.n)), make([]float32, len(s.n))
	raw := 0.0
	for i := range s.n {
		if fd.place(s.n[i]) == place {
			s.what[i] = 1
			raw += float64(s.w[i])
		}
	}
	g.gather(s)
	g.solve()
	g.leave()
	s.what = nil
	for i, e := range s.e {
		own += float64(s.w[i]) * float64(e) * float64(e)
	}
	return s.e, own / max(raw, 1)
}

// worstPlace gives the place that is furthest off beyond doubt, but for those that
// are taken, and by how much; -1 without one. At few places a late one and an early
// one opposite look nearly the same: a bad tooth catches, so the late one counts.
func worstPlace(s *edgeSeries, fd fold, left []float32, taken []int) (worst int, mean float64) {
	const nearly = 1.05
	sum, n := make([]float64, fd.places), make([]float64, fd.places)
	for i, e := range left {
		p := fd.place(s.n[i])
		sum[p] += float64(s.w[i]) * float64(e)
		n[p] += float64(s.w[i])
	}
	worst, most := -1, 0.0
	for p := range sum {
		if n[p] < leastAtPlace/2 || slices.Contains(taken, p) {
			continue
		}
		m := sum[p] / n[p]
		size := math.Abs(m)
		if m > 0 {
			size *= nearly
		}
		if size > most && math.Abs(m) > struckSure*s.scale/math.Sqrt(n[p]) {
			worst, most, mean = p, size, m
		}
	}
	return worst, mean
}
