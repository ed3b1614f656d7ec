package pulse

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"
)

// signatureOf gathers the signature of a cam whose opening i lies at at(i), in
// ms, without those that gone names; each break lasts 100 ms and brk(i) more.
// All cams here are invented.
func signatureOf(lobes, n int, at, brk func(i int) float64, gone func(i int) bool) *lobeSignature {
	var s lobeSignature
	s.init(lobes)
	for i := range n {
		if gone != nil && gone(i) {
			continue
		}
		s.opening(i, opening{at: Stamp(math.Round(1e6 * at(i))), breakNS: int64(1e6 * (100 + brk(i)))})
	}
	s.end()
	return &s
}

func none(int) float64 { return 0 }

// medianOf is worked out here from the definition alone.
func medianOf(v []float64) float64 {
	v = slices.Sorted(slices.Values(v))
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// Errors are against the median of the lobes, the mean of two where their
// number is even: a single fault shows whole, in openings and in breaks.
// Sums by hand.
func TestLobeErrorsAreAgainstTheMedian(t *testing.T) {
	for _, tt := range []struct{ late, want []float64 }{
		{[]float64{0, 0, 4, 0, 0}, []float64{0, 0, 4, 0, 0}},
		{[]float64{0, 4, 0, 0}, []float64{0, 4, 0, 0}},
		{[]float64{1, 2, 4, 9}, []float64{-2, -1, 1, 6}},
		{[]float64{-3, 5, 1}, []float64{-4, 4, 0}},
		{[]float64{0, 6}, []float64{-3, 3}},
		{[]float64{7}, []float64{0}},
	} {
		n := len(tt.late)
		s := signatureOf(n, 12*n, func(i int) float64 { return 500*float64(i) + tt.late[i%n] }, func(i int) float64 { return tt.late[i%n] }, nil)
		for i, l := range s.result() {
			if math.Abs(l.OpeningErrorMS.V-tt.want[i]) > 1e-6 || math.Abs(l.BreakErrorMS.V-tt.want[i]) > 1e-6 || l.N < 10 ||
				math.Abs(l.OpeningErrorCyc.V-tt.want[i]/500) > 1e-8 || !l.OpeningErrorSE.OK || l.OpeningErrorSE.V > 1e-6 {
				t.Errorf("lobes %v ms late: lobe %d %+v, want %v", tt.late, i+1, l, tt.want[i])
			}
		}
	}
}

// A speed that changes steadily, by 2 and by 10 %, does not show as a parabola
// over the lobes: beside the change of scale, what is left of it stays below
// 0.00005 of a spacing, and below 0.0003 with one interruption in seven missing.
func TestLobesUnderDrift(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 1))
	for _, lobes := range []int{2, 3, 4, 5, 8, 12, 13} {
		for _, change := range []float64{0.02, -0.02, 0.1, -0.1} {
			for _, gaps := range []float64{0, 0.15} {
				late := make([]float64, lobes)
				for i := range late {
					late[i] = 20 * (r.Float64() - 0.5)
				}
				n := 20 * lobes
				gone := make([]bool, n)
				for i := range gone {
					gone[i] = i > 0 && r.Float64() < gaps
				}
				s := signatureOf(lobes, n, func(i int) float64 {
					x := float64(i) + late[i%lobes]/1000
					return 1000 * (x + change*x*x/2/float64(n))
				}, none, func(i int) bool { return gone[i] })
				mid, most := medianOf(late), 0.05
				if gaps > 0 {
					most = 0.3
				}
				for i, l := range s.result() {
					want := (late[i] - mid) * (1 + change/2)
					if d := math.Abs(l.OpeningErrorMS.V - want); !(d <= most) || l.N < 5 {
						t.Errorf("%d lobes, %+.0f %%, %v missing: lobe %d is %.3f ms late (n %d), want %.3f", lobes, 100*change, gaps, i+1, l.OpeningErrorMS.V, l.N, want)
					}
				}
			}
		}
	}
}

// A signature is there where no two turns next to each other are whole, and
// where none is at all.
func TestLobesWithoutWholeTurns(t *testing.T) {
	late := []float64{0, 3, -2, 8, 1}
	for name, gone := range map[string]func(i int) bool{
		"another one missing in every turn":          func(i int) bool { return i%5 == (i/5+1)%5 },
		"one missing in every second turn":           func(i int) bool { return i%10 == 3 },
		"every fourth missing":                       func(i int) bool { return i%4 == 2 },
		"two of five missing":                        func(i int) bool { return i%7 == 2 || i%11 == 5 || i%13 == 1 },
		"one whole turn in three, one opening after": func(i int) bool { return i%15 > 6 },
	} {
		s := signatureOf(5, 200, func(i int) float64 { return 500*float64(i) + late[i%5] }, none, gone)
		for i, l := range s.result() {
			if math.Abs(l.OpeningErrorMS.V-(late[i]-1)) > 1e-6 || l.N < 8 { // median 1
				t.Errorf("%s: lobe %d is %v ms late (n %d), want %v", name, i+1, l.OpeningErrorMS.V, l.N, late[i]-1)
			}
		}
	}
	// A lobe that wears away keeps the figures that it had; the others' go on.
	worn := signatureOf(5, 300, func(i int) float64 { return 500*float64(i) + late[i%5] }, none, func(i int) bool { return i%5 == 3 && i > 100 })
	for i, l := range worn.result() {
		if least := map[bool]int{true: 18, false: 45}[i == 3]; l.N < least || l.N > 60 {
			t.Errorf("beside a lobe that wears away: lobe %d has %d turns", i+1, l.N)
		}
	}
	// A lobe that never opens has no figures, and the others have theirs: their
	// median is 0.5.
	s := signatureOf(5, 200, func(i int) float64 { return 500*float64(i) + late[i%5] }, none, func(i int) bool { return i%5 == 3 })
	for i, l := range s.result() {
		if i == 3 {
			if l.N != 0 || l.OpeningErrorMS.OK || l.BreakMS.OK {
				t.Errorf("lobe that never opens: %+v", l)
			}
		} else if math.Abs(l.OpeningErrorMS.V-(late[i]-0.5)) > 1e-6 || l.N < 30 {
			t.Errorf("beside a lobe that never opens: lobe %d is %v ms late (n %d)", i+1, l.OpeningErrorMS.V, l.N)
		}
	}
}

// Two standard errors hold the true error about as often as they do for the
// mean of that many turns (Student's t with n − 1 degrees of freedom: 94.0 %
// for 20 turns, NIST/SEMATECH e-Handbook 1.3.6.7.2), with and without a fault
// in one lobe, with missing interruptions, with noise in the motor's speed.
func TestLobeStandardErrors(t *testing.T) {
	const runs, turns = 400, 20
	for _, tt := range []struct {
		name    string
		late    []float64
		gaps    float64
		hunting float64 // sd of a cycle's length, ms
	}{
		{"equal", []float64{0, 0, 0, 0, 0}, 0, 0},
		{"a fault", []float64{0, 0, 4, 0, 0}, 0, 0},
		{"all different", []float64{0, 3, -2, 4, 9}, 0, 0},
		{"even", []float64{0, 0, 4, 0}, 0, 0},
		{"two", []float64{0, 4}, 0, 0},
		{"twelve", []float64{0, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 0, 0},
		{"missing", []float64{0, 0, 4, 0, 0}, 0.15, 0},
		{"one in three missing", []float64{0, 0, 4, 0, 0}, 0.33, 0},
		{"every turn misses one", []float64{0, 0, 4, 0, 0}, -1, 0},
		{"wandering", []float64{0, 0, 4, 0, 0}, 0, 0.5},
	} {
		r := rand.New(rand.NewPCG(3, 9))
		held, all, worst := 0, 0, 1.0
		lobes := len(tt.late)
		mid := medianOf(tt.late)
		heldBy := make([]int, lobes)
		for range runs {
			at := make([]float64, turns*lobes)
			now := 0.0
			for i := range at {
				at[i] = now + tt.late[i%lobes] + 0.5*r.NormFloat64()
				now += 500 + tt.hunting*r.NormFloat64()
			}
			s := signatureOf(lobes, len(at), func(i int) float64 { return at[i] }, none, func(i int) bool {
				return i > 0 && (r.Float64() < tt.gaps || tt.gaps < 0 && i%4 == 2)
			})
			for i, l := range s.result() {
				all++
				if math.Abs(l.OpeningErrorMS.V-(tt.late[i]-mid)) <= 2*l.OpeningErrorSE.V {
					held++
					heldBy[i]++
				}
			}
		}
		for _, h := range heldBy {
			worst = min(worst, float64(h)/runs)
		}
		t.Logf("%s: %.3f, worst lobe %.3f", tt.name, float64(held)/float64(all), worst)
		if f := float64(held) / float64(all); f < 0.92 || f > 0.99 || worst < 0.90 {
			t.Errorf("%s: two standard errors hold %.1f %% of the true errors, of the worst lobe %.1f %%", tt.name, 100*f, 100*worst)
		}
	}
}

// camOf gives opening i of an invented cam with lobes late as given, at 1 s a
// lobe, with noise of sd ms, the first at start and being lobe begin's.
func camOf(late []float64, begin int, start, sd float64, r *rand.Rand) func(i int) opening {
	return func(i int) opening {
		at := start + 1000*float64(i) + late[(begin-1+i)%len(late)] + sd*r.NormFloat64()
		return opening{at: Stamp(math.Round(1e6 * at)), breakNS: int64(5e8 + 2e5*r.NormFloat64())}
	}
}

// run reads n openings of a cam, whose numbers count on from from.
func (c *lobeNumbers) run(cam func(i int) opening, from, n int) {
	for i := range n {
		c.opening(from+i, cam(i))
	}
}

func lobesShown(c *lobeNumbers) Interrupter {
	var res Interrupter
	c.finish()
	c.result(&res, 0)
	return res
}

// Five lobes, one 8 ms late, the motor stopped for 12.5 cycles in the middle:
// the two stretches are told apart, matched by their signature, and the fault
// shows whole, in one lobe.
func TestLobesAfterTheMotorStood(t *testing.T) {
	late := []float64{0, 0, 8, 0, 0}
	for begin := 1; begin <= 5; begin++ {
		r := rand.New(rand.NewPCG(11, uint64(begin)))
		var c lobeNumbers
		c.init(5, nil, "", nil)
		c.run(camOf(late, 1, 0, 0.5, r), 0, 100)
		c.newStretch()
		c.run(camOf(late, begin, 112.5e3, 0.5, r), 100, 100)
		if lobe, numbering := c.lobe(100); lobe != begin || numbering != 1 {
			t.Errorf("begins with lobe %d: told lobe %d of numbering %d", begin, lobe, numbering)
		}
		res := lobesShown(&c)
		if res.LobeStretches != 1 || *res.LobesNumberedBy != LobesByRecording || !(res.LobesMatchLead.V > 1000) || res.WholeTurns < 38 {
			t.Errorf("begins with lobe %d: %+v", begin, res)
		}
		for i, l := range res.Lobes {
			if math.Abs(l.OpeningErrorMS.V-late[i]) > 5*l.OpeningErrorSE.V || l.OpeningErrorSE.V > 0.15 {
				t.Errorf("begins with lobe %d: lobe %d is %v ± %v ms late", begin, i+1, l.OpeningErrorMS.V, l.OpeningErrorSE.V)
			}
		}
		for own := 1; own <= 5; own++ {
			if got := c.number(own, 1); got != (own+begin-2)%5+1 {
				t.Errorf("begins with lobe %d: its lobe %d is number %d", begin, own, got)
			}
		}
	}
}

// Lobes that are alike are not matched, nor those of a signature that repeats
// in a turn: the numbers begin anew, and the figures are of the longer stretch.
func TestLobesThatCannotBeMatched(t *testing.T) {
	for _, tt := range []struct {
		late []float64
		want float64 // share of runs that may match
	}{
		{[]float64{0, 0, 0, 0, 0}, 0.005},
		{[]float64{0, 0}, 0.005},
		{[]float64{0, 8, 0, 8}, 0.005},
		{[]float64{0, 8, 0, 0, 8, 0}, 0.005},
		{make([]float64, 12), 0.005},
	} {
		wrong, runs := 0, 2000
		n := len(tt.late)
		for i := range runs {
			r := rand.New(rand.NewPCG(5, uint64(i)))
			var c lobeNumbers
			c.init(n, nil, "", nil)
			c.run(camOf(tt.late, 1, 0, 1, r), 0, 20*n)
			c.newStretch()
			c.run(camOf(tt.late, 2, 1e6, 1, r), 20*n, 10*n)
			res := lobesShown(&c)
			if res.LobesMatchLead.OK {
				wrong++
				continue
			}
			if res.LobeStretches != 2 || res.WholeTurns < 18 || res.LobesFromS.V > 1 || *res.LobesNumberedBy != LobesByRecording {
				t.Fatalf("%v: %+v", tt.late, res)
			}
		}
		if t.Logf("%v: %d of %d matched", tt.late, wrong, runs); float64(wrong) > tt.want*float64(runs) {
			t.Errorf("%v: %d of %d matched", tt.late, wrong, runs)
		}
	}
}

// A match that is told is right: faults of a few standard errors, short
// stretches.
func TestLobeMatchesAreRight(t *testing.T) {
	told, wrong, runs := 0, 0, 3000
	for i := range runs {
		r := rand.New(rand.NewPCG(6, uint64(i)))
		n := 3 + i%6
		late := make([]float64, n)
		for k := range late {
			late[k] = r.NormFloat64()
		}
		begin := 1 + r.IntN(n)
		var c lobeNumbers
		c.init(n, nil, "", nil)
		c.run(camOf(late, 1, 0, 1, r), 0, (5+r.IntN(40))*n)
		c.newStretch()
		c.run(camOf(late, begin, 1e6, 1, r), 1000, (5+r.IntN(20))*n)
		if lobe, numbering := c.lobe(1000); numbering == 1 {
			if told++; lobe != begin {
				wrong++
			}
		}
	}
	t.Logf("%d of %d told, %d wrong", told, runs, wrong)
	if told < runs/10 || 500*wrong > told {
		t.Errorf("%d of %d told, %d of them wrong", told, runs, wrong)
	}
}

// Marks give the numbers of the stretch that holds them or reaches them.
func TestLobeMarks(t *testing.T) {
	late := []float64{0, 30, 0, -20, 0}
	s := func(x float64) Stamp { return Stamp(x * 1e9) }
	type stretch struct {
		from  float64 // s
		begin int     // the cam's lobe at its first opening
		n     int
		gap   []int // openings missing in it
	}
	for _, tt := range []struct {
		name  string
		runs  []stretch
		marks []LobeMark
		by    string
		want  int // number of the cam's lobe 1
		told  []string
	}{
		{"in the stretch", []stretch{{0, 1, 50, nil}}, []LobeMark{{s(7), 1}}, LobesByLog, 4, []string{LobesByLog}},
		{"near an opening", []stretch{{0, 1, 50, nil}}, []LobeMark{{s(7.2), 1}}, LobesByLog, 4, []string{LobesByLog}},
		{"between two openings", []stretch{{0, 1, 50, nil}}, []LobeMark{{s(7.5), 2}}, LobesByRecording, 1, []string{""}},
		{"at the first opening", []stretch{{0, 1, 50, nil}}, []LobeMark{{0, 5}}, LobesByLog, 5, []string{LobesByLog}},
		{"at a missing opening", []stretch{{0, 1, 50, []int{7, 8}}}, []LobeMark{{s(7), 1}}, LobesByLog, 4, []string{LobesByLog}},
		{"before the first", []stretch{{100, 1, 50, nil}}, []LobeMark{{s(90), 3}}, LobesByLog, 3, []string{LobesByLog}},
		{"the latest before the first", []stretch{{100, 1, 50, nil}}, []LobeMark{{s(20), 1}, {s(90), 3}}, LobesByLog, 3, []string{LobesByLog}},
		{"too long before", []stretch{{100, 1, 50, nil}}, []LobeMark{{s(49), 3}}, LobesByRecording, 1, []string{""}},
		{"after the last", []stretch{{0, 1, 50, nil}}, []LobeMark{{s(55), 3}}, LobesByLog, 3, []string{""}},
		{"in the second stretch", []stretch{{0, 1, 100, nil}, {200.5, 3, 100, nil}}, []LobeMark{{s(210.5), 4}}, LobesByLog, 2, []string{"", LobesByLog}},
		{"two that agree", []stretch{{0, 1, 100, nil}, {200.5, 3, 100, nil}}, []LobeMark{{s(10), 2}, {s(210.5), 4}}, LobesByLog, 2, []string{LobesByLog, LobesByLog}},
		{"a user's", []stretch{{0, 1, 50, nil}}, []LobeMark{{s(13), 1}}, LobesByReference, 3, []string{LobesByReference}},
		{"no such lobe", []stretch{{0, 1, 50, nil}}, []LobeMark{{s(13), 6}}, LobesByRecording, 1, []string{LobesByRecording}},
	} {
		r := rand.New(rand.NewPCG(8, 8))
		var c lobeNumbers
		c.init(5, tt.marks, tt.by, nil)
		if tt.by == LobesByRecording {
			c.init(5, tt.marks, LobesByLog, nil)
		}
		n := 0
		for i, x := range tt.runs {
			if i > 0 {
				c.newStretch()
			}
			cam := camOf(late, x.begin, 1000*x.from, 0.5, r)
			for k := range x.n {
				if !slices.Contains(x.gap, k) {
					c.opening(n, cam(k))
				}
				n++
			}
			if c.numberedBy != tt.told[i] {
				t.Errorf("%s: stretch %d goes by %q, want %q", tt.name, i, c.numberedBy, tt.told[i])
			}
		}
		res := lobesShown(&c)
		if res.LobesNumberedBy == nil || *res.LobesNumberedBy != tt.by || res.LobeStretches != 1 {
			t.Errorf("%s: %+v", tt.name, res)
			continue
		}
		for i, l := range late {
			if got := res.Lobes[(i+tt.want-1)%5].OpeningErrorMS.V; math.Abs(got-l) > 1 {
				t.Errorf("%s: number %d is %v ms late, want %v", tt.name, (i+tt.want-1)%5+1, got, l)
			}
		}
	}
}

// A mark that says otherwise than the one before parts the stretch: the lobes
// are not mixed.
func TestLobeMarksThatDisagree(t *testing.T) {
	late := []float64{0, 30, 0, -20, 0}
	r := rand.New(rand.NewPCG(8, 9))
	var c lobeNumbers
	c.init(5, []LobeMark{{0, 1}, {Stamp(100e9), 3}}, LobesByLog, nil)
	c.run(camOf(late, 1, 0, 0.5, r), 0, 100)
	c.run(camOf(late, 3, 100e3, 0.5, r), 100, 100)
	res := lobesShown(&c)
	for i, l := range res.Lobes {
		if math.Abs(l.OpeningErrorMS.V-late[i]) > 1 || l.OpeningErrorSE.V > 1 {
			t.Errorf("lobe %d is %v ± %v ms late, want %v", i+1, l.OpeningErrorMS.V, l.OpeningErrorSE.V, late[i])
		}
	}
	if c.stretch != 1 {
		t.Errorf("%d stretches", c.stretch+1)
	}
}

// A signature that is known from before gives the numbers where no mark does.
func TestLobesKnownBefore(t *testing.T) {
	late := []float64{0, 8, 0, -5, 0}
	r := rand.New(rand.NewPCG(8, 10))
	var c lobeNumbers
	c.init(5, nil, "", nil)
	c.run(camOf(late, 1, 0, 0.5, r), 0, 100)
	known := c.figures()
	for _, alike := range []bool{false, true} {
		cam := camOf(late, 4, 0, 0.5, r)
		if alike {
			cam = camOf(make([]float64, 5), 4, 0, 0.5, r)
		}
		c.init(5, nil, LobesByReference, known)
		c.run(cam, 0, 60)
		res := lobesShown(&c)
		if alike {
			if *res.LobesNumberedBy != LobesByRecording || res.LobeStretches != 1 || res.LobesMatchLead.OK {
				t.Errorf("another cam: %+v", res)
			}
		} else if got := res.Lobes[1].OpeningErrorMS.V; *res.LobesNumberedBy != LobesByMatch || math.Abs(got-8) > 1 || !(res.LobesMatchLead.V > 1000) {
			t.Errorf("lobe 2 is %v ms late, want 8: %s, lead %v", got, *res.LobesNumberedBy, res.LobesMatchLead)
		}
	}
}

// Nothing is allocated for an opening, with gaps, marks and matches that fail.
func TestLobesAllocateNothing(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	var c lobeNumbers
	c.init(7, nil, "", nil)
	cam := camOf(make([]float64, 7), 1, 0, 1, r)
	n := 0
	if got := testing.AllocsPerRun(2000, func() {
		if n++; n%5 != 2 {
			c.opening(n, cam(n))
		}
	}); got != 0 {
		t.Errorf("%v allocations an opening", got)
	}
}

// Lobes are found again after the springs were set to other breaks and at a
// speed that is 3 % lower: what all lobes have in common does not count.
func TestLobesAreMatchedAtAnotherSpeed(t *testing.T) {
	late := []float64{0, 0, 8, 0, 0}
	r := rand.New(rand.NewPCG(4, 4))
	var c lobeNumbers
	c.init(5, nil, "", nil)
	c.run(camOf(late, 1, 0, 0.5, r), 0, 100)
	c.newStretch()
	slow := camOf(late, 4, 0, 0.5, r)
	for i := range 100 {
		o := slow(i)
		o.at = Stamp(200e9 + 1.03*float64(o.at))
		o.breakNS += 40e6
		c.opening(100+i, o)
	}
	if lobe, numbering := c.lobe(100); lobe != 4 || numbering != 1 {
		t.Errorf("lobe %d of numbering %d, want 4 of 1", lobe, numbering)
	}
}
