package pulse

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
)

// A MarginGrid is what a margin test sends to a circuit: each cell is one
// pulse rate with one percent break and, where gaps are given, one pause
// between two trains.
type MarginGrid struct {
	RatesPPS      []float64 `json:"rates_pps"`
	BreakPercents []float64 `json:"break_percents"`
	GapsMS        []float64 `json:"gaps_ms"` // empty: one train a try
	Repeats       int       `json:"repeats"`
}

// maxTries bounds what a typing error costs: a try lasts seconds, so this is
// days.
const maxTries = 100_000

// gapOverMake is the least ratio of a gap to a make of the train by which a gap
// can be told from a make.
const gapOverMake = 1.5

// Check tells what is wrong with a grid. Values must grow; rates are from 2 to 100
// pps, percent breaks from 1 to 99, gaps from 1 ms to a minute and at least one
// and a half times as long as any make.
func (g *MarginGrid) Check() error {
	for _, a := range []struct {
		name     string
		values   []float64
		lo, hi   float64
		optional bool
	}{
		{"rates", g.RatesPPS, 2, 100, false},
		{"percent breaks", g.BreakPercents, 1, 99, false},
		{"gaps in ms", g.GapsMS, 1, 60e3, true},
	} {
		if len(a.values) == 0 && !a.optional {
			return fmt.Errorf("no %s: expected at least one", a.name)
		}
		for i, v := range a.values {
			if !(v >= a.lo && v <= a.hi) || i > 0 && v <= a.values[i-1] {
				return fmt.Errorf("%s hold %g: expected growing values from %g to %g", a.name, v, a.lo, a.hi)
			}
		}
	}
	if len(g.GapsMS) > 0 {
		longest := 10 * (100 - g.BreakPercents[0]) / g.RatesPPS[0]
		if g.GapsMS[0] < gapOverMake*longest {
			return fmt.Errorf("a gap of %g ms after makes of up to %.0f ms: expected at least %.0f ms", g.GapsMS[0], longest, math.Ceil(gapOverMake*longest))
		}
	}
	if g.Repeats < 1 || g.Repeats > maxTries || g.Cells() > maxTries/g.Repeats {
		return fmt.Errorf("%d repeats of %d cells: expected 1 to %d tries", g.Repeats, g.Cells(), maxTries)
	}
	return nil
}

// Cells is the number of cells.
func (g *MarginGrid) Cells() int {
	return len(g.RatesPPS) * len(g.BreakPercents) * max(len(g.GapsMS), 1)
}

// Index gives the cell of a rate, a percent break and a gap by their indices in
// the grid. gap is 0 where there are none.
func (g *MarginGrid) Index(rate, percent, gap int) int {
	return (gap*len(g.RatesPPS)+rate)*len(g.BreakPercents) + percent
}

// NewCells gives every cell of the grid, untried.
func (g *MarginGrid) NewCells() []MarginCell {
	cells := make([]MarginCell, g.Cells())
	for i := range cells {
		c := &cells[i]
		c.BreakPercent = g.BreakPercents[i%len(g.BreakPercents)]
		c.RatePPS = g.RatesPPS[i/len(g.BreakPercents)%len(g.RatesPPS)]
		if len(g.GapsMS) > 0 {
			c.GapMS = Known(g.GapsMS[i/len(g.BreakPercents)/len(g.RatesPPS)])
		}
	}
	return cells
}

// Order gives the cells in the order of the tries: round by round, each cell
// once a round, each round shuffled anew, so that a circuit that drifts does
// not show a margin that it has not (randomised complete blocks). The same
// seed gives the same order.
func (g *MarginGrid) Order(seed uint64) []int {
	n := g.Cells()
	order := make([]int, n*g.Repeats)
	rng := rand.NewPCG(seed, 0)
	for i := range order {
		order[i] = i % n
	}
	for round := range slices.Chunk(order, n) {
		// Fisher and Yates by hand: a kept test must find its order again with any
		// version of the library's. The bias of the remainder is below 2^-40.
		for i := n - 1; i > 0; i-- {
			j := rng.Uint64() % uint64(i+1)
			round[i], round[j] = round[j], round[i]
		}
	}
	return order
}

// A MarginCell is what a circuit made of one rate and percent break.
type MarginCell struct {
	RatePPS      float64 `json:"rate_pps"`
	BreakPercent float64 `json:"break_percent"`
	GapMS        Num     `json:"gap_ms"` // null where one train was sent
	Tries        int     `json:"tries"`
	Right        int     `json:"right"`
}

// AllRight tells whether the cell was tried and always counted right.
func (c MarginCell) AllRight() bool { return c.Tries > 0 && c.Right == c.Tries }

// BreakNS and MakeNS are the lengths of the pulses sent.
func (c MarginCell) BreakNS() int64 { return int64(math.Round(1e7 * c.BreakPercent / c.RatePPS)) }

// MakeNS is the rest of the period.
func (c MarginCell) MakeNS() int64 { return int64(math.Round(1e9/c.RatePPS)) - c.BreakNS() }

// Bounds95 bound the fraction of tries that the circuit counts right, from 0
// to 1, each bound with 95 % confidence on its own side (Clopper and Pearson,
// see UpperBound95). Untried, they are 0 and 1.
func (c MarginCell) Bounds95() (lower, upper float64) {
	wrong, ok := UpperBound95(c.Tries-c.Right, c.Tries)
	if !ok {
		return 0, 1
	}
	upper, _ = UpperBound95(c.Right, c.Tries)
	return 1 - wrong, upper
}

// A MarginWindow is where a circuit counts right along one row or column of
// the grid. The edge at either end lies between the last value that is not
// always right and the first that is.
type MarginWindow struct {
	Along Quantity `json:"along"` // BreakPercent or RatePPS
	At    float64  `json:"at"`    // the other of the two
	GapMS Num      `json:"gap_ms"`
	// LowRight and HighRight are the ends of the widest run of cells that are
	// always right; unknown when there is none.
	LowRight  Num `json:"low_right"`
	HighRight Num `json:"high_right"`
	// LowWrong and HighWrong are its neighbours, tried and not always right;
	// unknown where the window reaches the end of what was tried.
	LowWrong  Num `json:"low_wrong"`
	HighWrong Num `json:"high_wrong"`
	// Ragged tells whether cells outside the run are always right too.
	Ragged bool `json:"ragged"`
}

// Windows gives the window of each rate along percent break, then that of
// each percent break along rate; for each gap in turn. A line of one cell has
// no window.
func (g *MarginGrid) Windows(cells []MarginCell) []MarginWindow {
	var out []MarginWindow
	for gap := range max(len(g.GapsMS), 1) {
		line := func(along Quantity, at float64, values []float64, index func(i int) int) {
			if len(values) < 2 {
				return
			}
			w := MarginWindow{Along: along, At: at, GapMS: cells[index(0)].GapMS}
			w.find(values, func(i int) MarginCell { return cells[index(i)] })
			out = append(out, w)
		}
		for r, rate := range g.RatesPPS {
			line(BreakPercent, rate, g.BreakPercents, func(i int) int { return g.Index(r, i, gap) })
		}
		for p, percent := range g.BreakPercents {
			line(RatePPS, percent, g.RatesPPS, func(i int) int { return g.Index(i, p, gap) })
		}
	}
	return out
}

func (w *MarginWindow) find(values []float64, cell func(i int) MarginCell) {
	from, to, right := 0, 0, 0 // the widest run is from ≤ i < to
	for i := 0; i < len(values); i++ {
		j := i
		for j < len(values) && cell(j).AllRight() {
			j++
		}
		right += j - i
		if j-i > to-from {
			from, to = i, j
		}
		i = j
	}
	if to == from {
		return
	}
	w.Ragged = right > to-from
	w.LowRight, w.HighRight = Known(values[from]), Known(values[to-1])
	if from > 0 && cell(from-1).Tries > 0 {
		w.LowWrong = Known(values[from-1])
	}
	if to < len(values) && cell(to).Tries > 0 {
		w.HighWrong = Known(values[to])
	}
}

// BreakWindow gives the percent breaks that a profile's limits allow at a
// rate; lo is above hi where they allow none. Break, make and period times,
// ratios and rates count for what they mean at that rate. bounded is false,
// with 0 and 100, for a profile that limits none of them.
func (p *Profile) BreakWindow(ratePPS float64) (lo, hi float64, bounded bool) {
	lo, hi = 0, 100
	period := 1e3 / ratePPS
	for _, l := range p.Limits {
		fixed := math.NaN()                 // a quantity that the rate alone sets
		var percent func(v float64) float64 // what the limit means in percent break
		falls := false                      // a higher value is a lower percent break
		switch l.Quantity {
		case RatePPS:
			fixed = ratePPS
		case PeriodMS:
			fixed = period
		case BreakPercent:
			percent = func(v float64) float64 { return v }
		case BreakRatio:
			percent = func(v float64) float64 { return 100 * v / (v + 1) }
		case BreakMS:
			percent = func(v float64) float64 { return 100 * v / period }
		case MakeMS:
			percent, falls = func(v float64) float64 { return 100 - 100*v/period }, true
		default:
			continue
		}
		bounded = true
		for _, b := range l.Bounds() {
			switch {
			case percent == nil:
				if b.Judge(fixed, 0) != Pass {
					lo, hi = 100, 0
				}
			case b.Upper != falls:
				hi = min(hi, percent(b.Value))
			default:
				lo = max(lo, percent(b.Value))
			}
		}
	}
	return lo, hi, bounded
}

// Allows tells whether a profile's limits allow pulses of that rate and
// percent break, with that gap between trains when it is known; all on the
// limit is within. bounded is false when the profile limits none of them.
func (p *Profile) Allows(ratePPS, breakPercent float64, gapMS Num) (allowed, bounded bool) {
	lo, hi, bounded := p.BreakWindow(ratePPS)
	allowed = lo <= hi && Judge(breakPercent, lo, 0, false) == Pass && Judge(breakPercent, hi, 0, true) == Pass
	for _, l := range p.Limits {
		if l.Quantity != InterdigitMS || !gapMS.OK {
			continue
		}
		bounded = true
		allowed = allowed && l.Keeps(gapMS.V)
	}
	return allowed && bounded, bounded
}

// An Answer is how a circuit under test shows what it counted.
type Answer struct {
	Once     bool // one closing for each digit counted right, else it repeats the pulses
	Polarity Polarity
	SettleNS int64 // 0 means DefaultSettleNS
}

// Count reads what was heard from start to end in answer to a cell: the
// pulses of each train or, with Once, one entry of 1 for each closing. level
// is the line's at start, in which it has rested. whole is false when a train
// is cut or a break is too long for a pulse. An error says that edges were
// lost, so that nothing can be told.
func (a Answer) Count(cell MarginCell, heard []Edge, start, end Stamp, level Level) (counts []int, whole bool, err error) {
	counts = []int{}
	// What was sent says where its pulses and its gap must lie.
	gap := max(DefaultTrainGapNS, int64(gapOverMake*float64(cell.MakeNS())))
	if cell.GapMS.OK {
		gap = int64(math.Sqrt(float64(cell.MakeNS()) * cell.GapMS.V * 1e6))
	}
	settle := a.SettleNS
	if settle == 0 {
		settle = DefaultSettleNS
	}
	m, err := NewMeter(Config{
		Kind: KindDial, Polarity: a.Polarity, SettleNS: settle, Live: true, Start: start - Stamp(settle), StartLevel: level,
		TrainGapNS: gap, PulseMaxNS: max(DefaultPulseMaxNS, cell.BreakNS()*3/2),
		Observer: Observer{Event: func(e *Event) {
			if a.Once && e.Kind == EventTransition && e.Closed {
				counts = append(counts, 1)
			}
		}},
	})
	if err != nil {
		return nil, false, err
	}
	m.Add(heard)
	r := m.Finish(end)
	if r.Capture.LostEdges > 0 || r.Capture.Unknown > 0 {
		return nil, false, errors.New("edges of the answer were lost")
	}
	if a.Once {
		return counts, !r.Capture.UndecidedEnd, nil
	}
	whole = r.Dial.Flashes+r.Dial.Disconnects+r.Dial.Stalls == 0
	for t := range r.Dial.Trains.All() {
		counts = append(counts, t.Pulses)
		whole = whole && !t.Partial
	}
	return counts, whole, nil
}

// Right tells whether counts answer so many trains of that many pulses.
func (a Answer) Right(counts []int, whole bool, trains, pulses int) bool {
	want := pulses
	if a.Once {
		want = 1
	}
	return whole && len(counts) == trains && !slices.ContainsFunc(counts, func(n int) bool { return n != want })
}
