package pulse

import (
	"math"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestMarginGridCheck(t *testing.T) {
	good := MarginGrid{RatesPPS: []float64{8, 10}, BreakPercents: []float64{50, 60}, Repeats: 3}
	if err := good.Check(); err != nil {
		t.Error(err)
	}
	for name, g := range map[string]MarginGrid{
		"no rates":      {BreakPercents: []float64{60}, Repeats: 1},
		"no breaks":     {RatesPPS: []float64{10}, Repeats: 1},
		"falling":       {RatesPPS: []float64{10, 8}, BreakPercents: []float64{60}, Repeats: 1},
		"twice":         {RatesPPS: []float64{10}, BreakPercents: []float64{60, 60}, Repeats: 1},
		"NaN":           {RatesPPS: []float64{math.NaN()}, BreakPercents: []float64{60}, Repeats: 1},
		"too slow":      {RatesPPS: []float64{1}, BreakPercents: []float64{60}, Repeats: 1},
		"no break left": {RatesPPS: []float64{10}, BreakPercents: []float64{100}, Repeats: 1},
		"no repeats":    {RatesPPS: []float64{10}, BreakPercents: []float64{60}},
		"too many":      {RatesPPS: []float64{10}, BreakPercents: []float64{60, 61}, Repeats: 60_000},
		"gap is a make": {RatesPPS: []float64{10}, BreakPercents: []float64{60}, GapsMS: []float64{50}, Repeats: 1}, // makes of 40 ms
	} {
		if err := g.Check(); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

func TestMarginCells(t *testing.T) {
	g := MarginGrid{RatesPPS: []float64{8, 10, 12}, BreakPercents: []float64{50, 60}, GapsMS: []float64{300, 600}, Repeats: 4}
	cells := g.NewCells()
	if len(cells) != 12 {
		t.Fatalf("%d cells", len(cells))
	}
	if d := cmp.Diff(MarginCell{RatePPS: 12, BreakPercent: 50, GapMS: Known(600)}, cells[g.Index(2, 0, 1)]); d != "" {
		t.Error(d)
	}
	order := g.Order(7)
	for r := range g.Repeats {
		round := slices.Clone(order[r*12 : r*12+12])
		slices.Sort(round)
		for i, c := range round {
			if i != c {
				t.Fatalf("round %d is not each cell once: %v", r, order[r*12:r*12+12])
			}
		}
	}
	if !slices.Equal(order, g.Order(7)) || slices.Equal(order, g.Order(8)) || slices.Equal(order[:12], order[12:24]) {
		t.Error("the order does not follow the seed, or the rounds are alike")
	}
}

func TestMarginBounds(t *testing.T) {
	for _, c := range []struct {
		right, tries int
		lower, upper float64
	}{
		{0, 0, 0, 1},
		// One-sided 95 % Clopper–Pearson by its closed forms: all of n right
		// proves 0.05^(1/n); 0.05^(1/20) = 0.8609, 1 − 0.05^(1/10) = 0.2589.
		{20, 20, 0.8609, 1},
		{0, 10, 0, 0.2589},
		// Two-sided 90 % for 5 of 10, from the tables of Clopper and Pearson as
		// general statistics packages give them: 0.2224 to 0.7776 (from memory).
		{5, 10, 0.2224, 0.7776},
	} {
		lower, upper := MarginCell{Tries: c.tries, Right: c.right}.Bounds95()
		if math.Abs(lower-c.lower) > 5e-5 || math.Abs(upper-c.upper) > 5e-5 {
			t.Errorf("%d of %d: %.4f to %.4f, want %.4f to %.4f", c.right, c.tries, lower, upper, c.lower, c.upper)
		}
	}
}

// binomial sums the probability of at most k of n.
func binomial(k, n int, p float64) float64 {
	sum := 0.0
	for i := 0; i <= k; i++ {
		c, _ := math.Lgamma(float64(n + 1))
		a, _ := math.Lgamma(float64(i + 1))
		b, _ := math.Lgamma(float64(n - i + 1))
		sum += math.Exp(c - a - b + float64(i)*math.Log(p) + float64(n-i)*math.Log1p(-p))
	}
	return sum
}

// At either bound the count seen, or one further out, has a chance of 5 %: the
// definition of Clopper and Pearson, summed term by term.
func TestMarginBoundsDefinition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 60).Draw(t, "tries")
		k := rapid.IntRange(0, n).Draw(t, "right")
		lower, upper := MarginCell{Tries: n, Right: k}.Bounds95()
		if k < n {
			if p := binomial(k, n, upper); math.Abs(p-0.05) > 1e-9 {
				t.Fatalf("upper %v: %v", upper, p)
			}
		}
		if k > 0 {
			if p := 1 - binomial(k-1, n, lower); math.Abs(p-0.05) > 1e-9 {
				t.Fatalf("lower %v: %v", lower, p)
			}
		}
	})
}

func TestMarginWindows(t *testing.T) {
	g := MarginGrid{RatesPPS: []float64{8, 10, 12, 14, 16}, BreakPercents: []float64{50, 55, 60, 65, 70}, Repeats: 1}
	cells := g.NewCells()
	for r, row := range []string{
		"-+++-", // bounded on both sides
		"++++.", // from the end of the grid to what was not tried
		"+-++-", // ragged
		"-----", // never
		".+---", // from what was not tried
	} {
		for p, mark := range row {
			c := &cells[g.Index(r, p, 0)]
			switch mark {
			case '+':
				c.Tries, c.Right = 4, 4
			case '-':
				c.Tries, c.Right = 4, 3
			}
		}
	}
	got := g.Windows(cells)[:6] // the rates, and the first percent break
	want := []MarginWindow{
		{Along: BreakPercent, At: 8, LowWrong: Known(50), LowRight: Known(55), HighRight: Known(65), HighWrong: Known(70)},
		{Along: BreakPercent, At: 10, LowRight: Known(50), HighRight: Known(65)},
		{Along: BreakPercent, At: 12, LowWrong: Known(55), LowRight: Known(60), HighRight: Known(65), HighWrong: Known(70), Ragged: true},
		{Along: BreakPercent, At: 14},
		{Along: BreakPercent, At: 16, LowRight: Known(55), HighRight: Known(55), HighWrong: Known(60)},
		{Along: RatePPS, At: 50, LowWrong: Known(8), LowRight: Known(10), HighRight: Known(12), HighWrong: Known(14)},
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	one := MarginGrid{RatesPPS: []float64{10}, BreakPercents: []float64{50, 60}, Repeats: 1}
	if w := one.Windows(one.NewCells()); len(w) != 1 || w[0].Along != BreakPercent {
		t.Errorf("one rate: %+v", w)
	}
}

func TestMarginLimits(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	// Break 60–70 ms and make 30–40 ms: AS/CA S002:2010 cl. 5.5.1.8.
	australia := &Profile{Limits: []Limit{{Quantity: BreakMS, Min: v(60), Max: v(70)}, {Quantity: MakeMS, Min: v(30), Max: v(40)}}}
	// 9–11 pps, make ratio 30–42 %: Japan, MPT Ordinance 30 of 1985, Annexed Table 1.
	japan := &Profile{Limits: []Limit{{Quantity: RatePPS, Min: v(9), Max: v(11)}, {Quantity: BreakPercent, Min: v(58), Max: v(70)}, {Quantity: InterdigitMS, Min: v(600)}}}
	// Period 90–110 ms, 1.3:1 to 1.9:1: Deutsche Bundespost, reprinted.
	germany := &Profile{Limits: []Limit{{Quantity: PeriodMS, Min: v(90), Max: v(110)}, {Quantity: BreakRatio, Min: v(1.3), Max: v(1.9)}}}
	for _, c := range []struct {
		name          string
		p             *Profile
		rate          float64
		lo, hi        float64
		bounded, none bool
	}{
		{name: "period 100 ms: 60–70 % by break and by make", p: australia, rate: 10, lo: 60, hi: 70, bounded: true},
		// At 9.5 pps the period is 105.263 ms: break 60–70 ms is 57–66.5 %, make
		// 30–40 ms is 62–71.5 %.
		{name: "slow", p: australia, rate: 9.5, lo: 62, hi: 66.5, bounded: true},
		{name: "too slow for any", p: australia, rate: 8, bounded: true, none: true},
		{name: "on the limit", p: japan, rate: 11, lo: 58, hi: 70, bounded: true},
		{name: "beyond it", p: japan, rate: 11.01, bounded: true, none: true},
		{name: "ratios", p: germany, rate: 10, lo: 56.5217, hi: 65.5172, bounded: true}, // 100·r/(r+1)
		{name: "period", p: germany, rate: 12, bounded: true, none: true},
		{name: "no limit on pulses", p: &Profile{Limits: []Limit{{Quantity: BounceMS, Max: v(0.5)}}}, rate: 10, lo: 0, hi: 100},
	} {
		lo, hi, bounded := c.p.BreakWindow(c.rate)
		if bounded != c.bounded || (lo > hi) != c.none || !c.none && (math.Abs(lo-c.lo) > 1e-4 || math.Abs(hi-c.hi) > 1e-4) {
			t.Errorf("%s: %.4f to %.4f, bounded %v", c.name, lo, hi, bounded)
		}
	}
	for _, c := range []struct {
		name             string
		rate, percent    float64
		gap              Num
		allowed, bounded bool
	}{
		{"inside", 10, 64, Num{}, true, true},
		{"corner", 9, 70, Known(600), true, true},
		{"percent", 10, 70.1, Num{}, false, true},
		{"gap", 10, 64, Known(599), false, true},
	} {
		if a, b := japan.Allows(c.rate, c.percent, c.gap); a != c.allowed || b != c.bounded {
			t.Errorf("%s: %v, %v", c.name, a, b)
		}
	}
	if a, b := (&Profile{}).Allows(10, 60, Known(600)); a || b {
		t.Error("a profile without limits allows or bounds")
	}
}

// answer makes the edges of breaks and makes in turn, from a closed contact.
func answer(at Stamp, lengths ...Stamp) (e []Edge, end Stamp) {
	for i, l := range lengths {
		e = append(e, Edge{At: at, Level: Level(i % 2)})
		at += l * 1e6
	}
	return e, at
}

func TestMarginAnswer(t *testing.T) {
	cell := MarginCell{RatePPS: 10, BreakPercent: 60}
	twice := MarginCell{RatePPS: 10, BreakPercent: 60, GapMS: Known(100)}
	for _, c := range []struct {
		name    string
		answer  Answer
		cell    MarginCell
		level   Level
		lengths []Stamp // ms; the last is the rest to the end
		counts  []int
		whole   bool
		right   [2]bool // as one train of 2 and as two trains of 2
	}{
		{"two pulses", Answer{}, cell, High, []Stamp{60, 40, 60, 500}, []int{2}, true, [2]bool{true, false}},
		{"one is missing", Answer{}, cell, High, []Stamp{60, 500}, []int{1}, true, [2]bool{}},
		{"two trains", Answer{}, cell, High, []Stamp{60, 40, 60, 300, 60, 40, 60, 500}, []int{2, 2}, true, [2]bool{false, true}},
		{"two trains close together", Answer{}, twice, High, []Stamp{60, 40, 60, 100, 60, 40, 60, 500}, []int{2, 2}, true, [2]bool{false, true}},
		{"held open", Answer{}, cell, High, []Stamp{60, 40, 400, 500}, []int{1}, false, [2]bool{}},
		{"cut", Answer{}, cell, High, []Stamp{60, 40, 60, 100}, []int{2}, false, [2]bool{}},
		{"silence", Answer{}, cell, High, nil, []int{}, true, [2]bool{}},
		{"lamp", Answer{Once: true}, cell, Low, []Stamp{0, 200, 500}, []int{1}, true, [2]bool{true, false}},
		{"lamp twice", Answer{Once: true, Polarity: ClosedLow}, cell, High, []Stamp{200, 200, 200, 500}, []int{1, 1}, true, [2]bool{false, true}},
	} {
		heard, end := answer(1e9, c.lengths...)
		if c.level == Low && len(heard) > 0 { // its first edge would be to the level that it has
			heard = heard[1:]
		}
		counts, whole, err := c.answer.Count(c.cell, heard, 0, max(end, 2e9), c.level)
		if d := cmp.Diff(c.counts, counts); d != "" || err != nil {
			t.Errorf("%s: %s%v", c.name, d, err)
		}
		if c.name == "cut" { // it ends within the train gap
			_, whole, _ = c.answer.Count(c.cell, heard, 0, end, c.level)
		}
		if whole != c.whole {
			t.Errorf("%s: whole %v", c.name, whole)
		}
		for i, want := range c.right {
			if got := c.answer.Right(counts, whole, i+1, 2); got != want {
				t.Errorf("%s: right as %d trains: %v", c.name, i+1, got)
			}
		}
	}
	heard, end := answer(1e9, 60, 40, 60, 500)
	heard[2].Lost = 2
	if _, _, err := (Answer{}).Count(cell, heard, 0, end, High); err == nil {
		t.Error("lost edges were counted")
	}
}
