package pulse

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// compareBatches are the means that the noise of a stretch is told from: enough
	// to tell white noise from flicker and walk, and each of a long stretch long
	// enough to have left behind what repeats with every turn.
	compareBatches = 32
	// leastCompared is how many values a stretch needs: fewer tell their own scatter
	// too badly (of five, the interval has more than twice its final width).
	leastCompared = 6
	// farApart is how many times the longer of two stretches may lie between them
	// where that is not known: two recordings of ten minutes made in one week.
	farApart = 1000
	// wandersAt is how sure it must be that a figure wanders for a comparison without
	// known times to tell nothing of it: a little wander is never quite excluded, and
	// of some fifteen figures none should pass by chance more than once in a few times.
	wandersAt = 0.99
	// changedAt is the chance, for all that is compared at once, that anything is
	// called changed that is not.
	changedAt = 0.05
)

// An Outcome is what a comparison says of one figure.
type Outcome string

const (
	Changed    Outcome = "changed"
	NotShown   Outcome = "not shown to have changed"
	CannotTell Outcome = "cannot be told"
)

// A CompareDoubt is why a comparison cannot tell.
type CompareDoubt string

const (
	TooFew     CompareDoubt = "too few"       // values, in one of the stretches
	Wanders    CompareDoubt = "wanders"       // the figure walks about, and how long lies between is not known
	NotMatched CompareDoubt = "no sure match" // which lobe is which
)

// A Change is how one figure differs between two stretches.
type Change struct {
	Before     Num `json:"before"`
	After      Num `json:"after"`
	Difference Num `json:"difference"` // after − before
	// ExpandedU is what the difference of a figure that has not changed exceeds in
	// 5 % of all cases, each figure taken by itself.
	ExpandedU Num     `json:"expanded_uncertainty"`
	Changed   *bool   `json:"changed"` // null: it cannot be told
	Sentence  Outcome `json:"sentence"`
	// LessThan is what any change is smaller than, with 95 %, where none is shown.
	LessThan Num          `json:"less_than"`
	Why      CompareDoubt `json:"why,omitempty"`
	// Needed is how many values each stretch needs, where it has too few.
	Needed  int `json:"needed,omitempty"`
	BeforeN int `json:"before_n"` // values behind the figure
	AfterN  int `json:"after_n"`
	// P is the probability of such a difference without a change, of this figure
	// by itself; unknown where it cannot be told.
	P Num `json:"p_value"`
}

// A QuantityChange is the Change of a quantity of the contact.
type QuantityChange struct {
	Quantity string `json:"quantity"`
	Change
}

// A LobeChange is the Change of one lobe's opening error and of its break.
type LobeChange struct {
	Lobe      int // its number before
	AfterLobe int // its number in the measurement after, which is another where lobes were matched
	Opening   Change
	Break     Change
}

// MarshalJSON names the figures of the opening error as those of the lobe.
func (l LobeChange) MarshalJSON() ([]byte, error) {
	o, b := &l.Opening, &l.Break
	return json.Marshal(struct {
		Lobe            int          `json:"lobe"`
		AfterLobe       int          `json:"after_lobe"`
		Before          Num          `json:"before_ms"`
		After           Num          `json:"after_ms"`
		Difference      Num          `json:"difference_ms"`
		ExpandedU       Num          `json:"expanded_uncertainty_ms"`
		Changed         *bool        `json:"changed"`
		Sentence        Outcome      `json:"sentence"`
		LessThan        Num          `json:"less_than_ms"`
		Why             CompareDoubt `json:"why,omitempty"`
		Needed          int          `json:"needed,omitempty"`
		BeforeN         int          `json:"before_n"`
		AfterN          int          `json:"after_n"`
		P               Num          `json:"p_value"`
		BreakBefore     Num          `json:"break_before_ms"`
		BreakAfter      Num          `json:"break_after_ms"`
		BreakDifference Num          `json:"break_difference_ms"`
		BreakExpandedU  Num          `json:"break_expanded_uncertainty_ms"`
		BreakChanged    *bool        `json:"break_changed"`
		BreakSentence   Outcome      `json:"break_sentence"`
		BreakLessThan   Num          `json:"break_less_than_ms"`
		BreakP          Num          `json:"break_p_value"`
	}{
		l.Lobe, l.AfterLobe, o.Before, o.After, o.Difference, o.ExpandedU, o.Changed, o.Sentence, o.LessThan, o.Why, o.Needed, o.BeforeN, o.AfterN, o.P,
		b.Before, b.After, b.Difference, b.ExpandedU, b.Changed, b.Sentence, b.LessThan, b.P,
	})
}

// What lobes of two stretches are paired by (Comparison.LobesPairedBy).
const (
	PairedByNumber = "number" // a log has carried them on
	PairedByMatch  = "match"  // by their errors and breaks
)

// A Comparison is how two stretches of a contact, or two contacts, differ.
type Comparison struct {
	Quantities    []QuantityChange `json:"quantities"`
	Lobes         []LobeChange     `json:"lobes"`
	LobesPairedBy *string          `json:"lobes_paired_by"` // null without lobes
	// MatchLead is how many times likelier the pairs are than any other, where
	// lobes are paired by match.
	MatchLead Num `json:"match_lead"`
	// AtOnce is how many figures were tested together.
	AtOnce int `json:"tested_at_once"`
}

// changes gives all that are compared.
func (c *Comparison) changes() (all []*Change) {
	for i := range c.Quantities {
		all = append(all, &c.Quantities[i].Change)
	}
	for i := range c.Lobes {
		all = append(all, &c.Lobes[i].Opening, &c.Lobes[i].Break)
	}
	return all
}

// Outcome is that of the whole: changed where any figure is; else it cannot be told
// where that of rate, percent break or a lobe cannot.
func (c *Comparison) Outcome() Outcome {
	for _, x := range c.changes() {
		if x.Sentence == Changed {
			return Changed
		}
	}
	for _, q := range c.Quantities {
		switch Quantity(q.Quantity) {
		case RatePPS, RateIPM, BreakPercent:
			if q.Sentence == CannotTell {
				return CannotTell
			}
		}
	}
	for _, l := range c.Lobes {
		if l.Opening.Sentence == CannotTell {
			return CannotTell
		}
	}
	return NotShown
}

// A Comparand gathers, from the rows of a Meter and in bounded memory, how the
// figures of a stretch vary within it.
type Comparand struct {
	rate, percent, brk, mk turnSeries
	interdigit, bounce     meanSeries
	segments               []meanSeries

	train int // of a dial, at hand

	// The turn of a cam at hand: how many of its cycles there are, and which comes next.
	inTurn, next int
	// Where the number of lobes is not given, the first cycles wait until they have
	// told after how many of them they repeat.
	repeats int // 0: not known yet
	waiting []turnCycle
	search  *LobeSearch

	// Errors of lobes, of each numbering of which a row told.
	n         int
	sig       lobeSignature
	stretch   int
	numbering int
	offset    int // from the count of sig to the number of a lobe
	turns     []lobeSeries
}

// A turnCycle is a cycle as a turn is made of it.
type turnCycle struct {
	cycle                     int
	whole                     bool
	periodNS, breakNS, makeNS float64
}

// lobeSeries are the errors and the breaks of each lobe in one numbering, in ns.
type lobeSeries struct {
	numbering int
	late, brk []meanSeries
}

// NewComparand makes a Comparand for a contact that is read with cfg, whose
// Observer it does not change.
func NewComparand(cfg *Config) *Comparand {
	c := &Comparand{n: cfg.Lobes, repeats: cfg.Lobes}
	if c.n > 0 {
		c.sig.init(c.n)
		c.sig.onError = c.lobeError
	} else {
		c.search = new(LobeSearch)
	}
	return c
}

// A turnSeries is one of the values of a cam's lobes, or of the pulses of a dial's
// trains. Whole turns have none of the lobes' errors, and whole trains all of what a
// dial does from its first pulse to its last: these would pass for wander.
type turnSeries struct {
	each, turns meanSeries
	turn        seriesBlock // at hand
}

func (s *turnSeries) add(x, y float64) {
	s.each.add(x, y)
	s.turn.merge(seriesBlock{1, x, y})
}

// end ends the turn at hand where there is anything in it.
func (s *turnSeries) end() {
	if s.turn.n > 0 {
		s.turns.enter(s.turn)
		s.turn = seriesBlock{}
	}
}

// scatterTurns is how many turns or trains tell the scatter better than single values do.
const scatterTurns = 12

func (s *turnSeries) best() *meanSeries {
	if len(s.turns.blocks) >= scatterTurns {
		return &s.turns
	}
	return &s.each
}

// Observer is what the Comparand gathers from.
func (c *Comparand) Observer() Observer {
	return Observer{Event: c.event, Pulse: c.pulse, Cycle: c.cycle}
}

func (c *Comparand) event(e *Event) {
	if e.Kind == EventTransition {
		c.bounce.add(float64(e.End-e.At), 1)
	}
}

func (c *Comparand) pulse(r *PulseRow) {
	if !r.Counts() {
		return
	}
	if r.Train != c.train {
		c.train = r.Train
		for _, s := range c.ofTurns() {
			s.end()
		}
	}
	c.brk.add(float64(r.BreakNS), 1)
	if r.PeriodNS > 0 {
		c.rate.add(1, float64(r.PeriodNS))
		c.percent.add(float64(r.BreakNS), float64(r.PeriodNS))
		c.mk.add(float64(r.MakeNS), 1)
	}
	if r.GapNS > 0 {
		c.interdigit.add(float64(r.GapNS), 1)
	}
}

func (c *Comparand) cycle(r *CycleRow) {
	if r.Whole {
		c.rate.each.add(1, float64(r.PeriodNS))
		c.percent.each.add(float64(r.BreakNS), float64(r.PeriodNS))
	}
	if r.SegmentsNS == nil {
		for _, v := range r.Values(BreakMS, 0) {
			c.brk.each.add(v*1e6, 1)
		}
		for _, v := range r.Values(MakeMS, 0) {
			c.mk.each.add(v*1e6, 1)
		}
	}
	for i := range r.SegmentsNS {
		if i == len(c.segments) {
			c.segments = append(c.segments, meanSeries{})
		}
		for _, v := range r.Values(SegmentMS, i+1) {
			c.segments[i].add(v*1e6, 1)
		}
	}
	x := turnCycle{r.Cycle, r.Whole, float64(r.PeriodNS), float64(r.BreakNS), float64(r.MakeNS)}
	if c.repeats > 0 {
		c.turnOf(&x)
	} else {
		c.search.Cycle(r)
		if c.waiting = append(c.waiting, x); len(c.waiting) == maxLobeCycles {
			c.toTurns()
		}
	}
	if c.n > 0 {
		c.lobe(r)
	}
}

// ofTurns are the series that are gathered by turns or trains.
func (c *Comparand) ofTurns() [4]*turnSeries {
	return [...]*turnSeries{&c.rate, &c.percent, &c.brk, &c.mk}
}

// toTurns makes turns of the cycles that wait.
func (c *Comparand) toTurns() {
	if c.repeats > 0 || len(c.waiting) == 0 {
		return
	}
	c.repeats = c.search.turn()
	for i := range c.waiting {
		c.turnOf(&c.waiting[i])
	}
	c.waiting = nil
}

// turnOf takes the next cycle into the turn at hand. A turn is as many whole cycles
// one after the other as the cam has lobes: it may begin with any of them.
func (c *Comparand) turnOf(x *turnCycle) {
	if !x.whole || x.cycle != c.next {
		for _, s := range c.ofTurns() {
			s.turn = seriesBlock{}
		}
		c.inTurn = 0
	}
	if c.next = x.cycle + 1; !x.whole {
		return
	}
	c.rate.turn.merge(seriesBlock{1, 1, x.periodNS})
	c.percent.turn.merge(seriesBlock{1, x.breakNS, x.periodNS})
	c.brk.turn.merge(seriesBlock{1, x.breakNS, 1})
	c.mk.turn.merge(seriesBlock{1, x.makeNS, 1})
	if c.inTurn++; c.inTurn == c.repeats {
		for _, s := range c.ofTurns() {
			s.end()
		}
		c.inTurn = 0
	}
}

// overTurns gives the figure of whole turns, and the number of values behind it. It
// is not ok where no lobes differ, as in a dial, and where there are too few turns.
func (c *Comparand) overTurns(s *turnSeries, scale float64) (v Num, n int, ok bool) {
	if c.toTurns(); c.repeats <= 1 || s.turns.n() < leastCompared {
		return Num{}, 0, false
	}
	sum := s.turns.sum()
	return Known(scale * sum.x / sum.y), sum.n, true
}

// lobe takes the opening of a cycle whose lobe is known.
func (c *Comparand) lobe(r *CycleRow) {
	if r.Stretch != c.stretch || r.Numbering != c.numbering {
		c.endLobes()
		c.stretch, c.numbering = r.Stretch, r.Numbering
	}
	if r.Numbering == 0 || r.Lobe == 0 {
		return
	}
	o := opening{at: r.At, breakNS: r.BreakNS}
	if r.Faulty() {
		o.breakNS = 0
	}
	if !c.sig.any {
		c.offset = r.Lobe - 1
	}
	c.sig.opening(r.Cycle, o)
	if o.breakNS > 0 {
		c.lobesOf(c.numbering).brk[r.Lobe-1].add(float64(o.breakNS), 1)
	}
}

func (c *Comparand) endLobes() {
	c.sig.end()
	c.sig.clear()
}

func (c *Comparand) lobeError(n int, e float64) {
	c.lobesOf(c.numbering).late[(c.sig.own(n)+c.offset)%c.n].add(e, 1)
}

// lobesOf gives the series of a numbering. Where there are too many, the last
// takes the place of the one before.
func (c *Comparand) lobesOf(numbering int) *lobeSeries {
	for i := range c.turns {
		if c.turns[i].numbering == numbering {
			return &c.turns[i]
		}
	}
	if len(c.turns) == maxLobeGroups {
		c.turns = c.turns[:maxLobeGroups-1]
	}
	c.turns = append(c.turns, lobeSeries{numbering, make([]meanSeries, c.n), make([]meanSeries, c.n)})
	return &c.turns[len(c.turns)-1]
}

// lobes gives the series of the numbering that has most, nil where there are none:
// the measurement shows the same.
func (c *Comparand) lobes() *lobeSeries {
	if c.n == 0 {
		return nil
	}
	c.endLobes()
	var best *lobeSeries
	for i := range c.turns {
		if s := &c.turns[i]; best == nil || s.brk[0].n() > best.brk[0].n() {
			best = s
		}
	}
	return best
}

// A Compared is one of two stretches. The measurement has been finished, and the
// Comparand has observed it all.
type Compared struct {
	M      *Measurement
	Series *Comparand
	Setup  Setup
}

// CompareOptions say what two stretches have in common.
type CompareOptions struct {
	// Gap is the time in ns from the end of the first to the beginning of the
	// second, negative where they overlap; unknown for recordings.
	Gap Num
	// SameClock: one time base timed both, so that its error changes the difference
	// alone. SameCoupler: one chain, whose asymmetry cancels.
	SameClock, SameCoupler bool
	// ByNumber: lobes of one number are one lobe, as in stretches of one log.
	ByNumber bool
}

// ErrUnlike is why two contacts cannot be compared.
var ErrUnlike = errors.New("only contacts of one kind can be compared")

// A figure is what is compared.
type figure struct {
	name    string
	value   func(m *Measurement) Num
	n       func(m *Measurement) int
	series  func(c *Comparand) *meanSeries
	turns   func(c *Comparand) *turnSeries // nil for what has none
	scale   float64                        // of the series
	phase   bool                           // jitter of openings cancels in its sum
	moves   bool                           // with the speed
	primary bool                           // told even where neither stretch has any
	budget  func(s *Setup, m *Measurement, v float64) *BudgetResult
}

// seriesOf is what tells how the figure varies.
func (f *figure) seriesOf(c *Comparand) *meanSeries {
	if f.turns != nil {
		c.toTurns()
		return f.turns(c).best()
	}
	return f.series(c)
}

// of gives the figure of a stretch. Of a cam whose lobes differ it is that of whole
// turns: from one opening to the last, the rest of a turn would count some lobes once
// more than others, and their errors would pass for a change.
func (f *figure) of(s *Compared) (v Num, n int) {
	if f.turns != nil {
		if v, n, ok := s.Series.overTurns(f.turns(s.Series), f.scale); ok {
			return v, n
		}
	}
	return f.value(s.M), f.n(s.M)
}

// Compare tells how after differs from before: of each quantity and lobe the
// difference of the overall figures, or of the means, and how sure that is. Those of
// a cam are of its whole turns.
//
// What the noise of the contact makes uncertain comes from 32 batch means of each
// stretch, and allows for white noise, flicker, a random walk and mixtures: see
// spread. It is never less than the noise of the edge times. The rest of the
// budget cancels where the stretches share it. Whether a figure has changed is
// tested with all others at once, by the step-down of S. Holm, Scand. J. Stat. 6,
// 1979: the chance that any is called changed that is not stays at 5 %.
//
// The error wraps ErrUnlike where the contacts are of different kinds, cadences or
// numbers of lobes. A stretch in which nothing was measured is no error: then
// nothing can be told.
func Compare(before, after Compared, o CompareOptions) (*Comparison, error) {
	if err := likeness(before.M, after.M); err != nil {
		return nil, err
	}
	c := &comparer{before: before, after: after, o: o, pairs: map[noiseSet][]*noisePair{}}
	res := &Comparison{Quantities: []QuantityChange{}, Lobes: []LobeChange{}}
	for _, f := range figuresOf(before.M) {
		var x Change
		x.Before, x.BeforeN = f.of(&before)
		x.After, x.AfterN = f.of(&after)
		if x.BeforeN+x.AfterN == 0 && !f.primary {
			continue
		}
		c.quantity(&x, &f)
		res.Quantities = append(res.Quantities, QuantityChange{f.name, x})
	}
	c.lobes(res)
	settle(res.changes(), &res.AtOnce)
	return res, nil
}

func likeness(a, b *Measurement) error {
	if a.Kind != b.Kind {
		return fmt.Errorf("the first is a contact of kind %s, the second of kind %s: %w", a.Kind, b.Kind, ErrUnlike)
	}
	if x, y := a.Interrupter, b.Interrupter; x != nil && y != nil {
		if len(x.Segments) != len(y.Segments) && x.Cycles > 0 && y.Cycles > 0 {
			segments := func(i *Interrupter) int { return max(len(i.Segments), 2) }
			if segments(x) != segments(y) {
				return fmt.Errorf("the first does a cadence of %d segments, the second one of %d: %w", segments(x), segments(y), ErrUnlike)
			}
		}
		if len(x.Lobes) > 0 && len(y.Lobes) > 0 && len(x.Lobes) != len(y.Lobes) {
			return fmt.Errorf("the first is a cam of %d lobes, the second one of %d: %w", len(x.Lobes), len(y.Lobes), ErrUnlike)
		}
	}
	return nil
}

// lengthBudget is that of the mean of a length in ms.
func lengthBudget(s *Setup, _ *Measurement, v float64) *BudgetResult {
	return s.Budget(SegmentMS, 1, v*1e6, 0)
}

// figuresOf lists what is compared of a contact of m's kind. Of rate and period,
// which are one fact, only the rate is.
func figuresOf(m *Measurement) (all []figure) {
	length := func(name string, primary bool, stat func(m *Measurement) *Stat, series func(c *Comparand) *meanSeries) {
		all = append(all, figure{
			name: name, primary: primary, moves: primary, series: series, scale: 1e-6, budget: lengthBudget,
			value: func(m *Measurement) Num { return stat(m).Mean }, n: func(m *Measurement) int { return stat(m).N },
		})
	}
	periodic := func(rate Quantity, perNS float64, stats func(m *Measurement) (rate, percent *OverallStat), breaks func(m *Measurement) int) {
		period := func(m *Measurement) float64 {
			r, _ := stats(m)
			return perNS / r.Overall.V
		}
		all = append(all, figure{
			name: string(rate), primary: true, phase: true, turns: func(c *Comparand) *turnSeries { return &c.rate }, scale: perNS,
			value:  func(m *Measurement) Num { r, _ := stats(m); return r.Overall },
			n:      func(m *Measurement) int { r, _ := stats(m); return r.N },
			budget: func(s *Setup, m *Measurement, v float64) *BudgetResult { return s.Budget(rate, 1, 0, perNS/v) },
		}, figure{
			name: string(BreakPercent), primary: true, turns: func(c *Comparand) *turnSeries { return &c.percent }, scale: 100,
			value: func(m *Measurement) Num { _, p := stats(m); return p.Overall },
			n:     func(m *Measurement) int { _, p := stats(m); return p.N },
			budget: func(s *Setup, m *Measurement, v float64) *BudgetResult {
				return s.Budget(BreakPercent, breaks(m), v/100*period(m), period(m))
			},
		})
	}
	if m.Dial != nil {
		periodic(RatePPS, 1e9, func(m *Measurement) (rate, percent *OverallStat) { return &m.Dial.RatePPS, &m.Dial.BreakPercent },
			func(*Measurement) int { return 1 })
		length(string(BreakMS), true, func(m *Measurement) *Stat { return &m.Dial.BreakMS }, nil)
		all[len(all)-1].turns = func(c *Comparand) *turnSeries { return &c.brk }
		length(string(MakeMS), true, func(m *Measurement) *Stat { return &m.Dial.MakeMS }, nil)
		all[len(all)-1].turns = func(c *Comparand) *turnSeries { return &c.mk }
		length(string(InterdigitMS), false, func(m *Measurement) *Stat { return &m.Dial.InterdigitMS }, func(c *Comparand) *meanSeries { return &c.interdigit })
	} else {
		periodic(RateIPM, 60e9, func(m *Measurement) (rate, percent *OverallStat) {
			return &m.Interrupter.RateIPM, &m.Interrupter.BreakPercent
		}, func(m *Measurement) int { return len(m.Interrupter.Segments) / 2 })
		if n := len(m.Interrupter.Segments); n <= 2 {
			length(string(BreakMS), true, func(m *Measurement) *Stat { return &m.Interrupter.BreakMS }, nil)
			all[len(all)-1].turns = func(c *Comparand) *turnSeries { return &c.brk }
			length(string(MakeMS), true, func(m *Measurement) *Stat { return &m.Interrupter.MakeMS }, nil)
			all[len(all)-1].turns = func(c *Comparand) *turnSeries { return &c.mk }
		} else {
			none := new(Stat)
			for i := range n {
				length("segment_"+strconv.Itoa(i+1)+"_ms", true, func(m *Measurement) *Stat {
					if i >= len(m.Interrupter.Segments) {
						return none
					}
					return &m.Interrupter.Segments[i].MS
				}, func(c *Comparand) *meanSeries {
					if i >= len(c.segments) {
						return new(meanSeries)
					}
					return &c.segments[i]
				})
			}
		}
	}
	length(string(BounceMS), false, func(m *Measurement) *Stat { return &m.Settling.BounceMS }, func(c *Comparand) *meanSeries { return &c.bounce })
	all[len(all)-1].budget = func(s *Setup, _ *Measurement, v float64) *BudgetResult { return s.Budget(BounceMS, 1, v*1e6, 0) }
	return all
}

// A comparer compares the figures of two stretches.
type comparer struct {
	before, after Compared
	o             CompareOptions
	pairs         map[noiseSet][]*noisePair
	rate          float64 // before
	speed         spread  // of the rate's difference
	speedU        float64 // its expanded uncertainty
	wanders       CompareDoubt
}

// pair finds what the models say of batches of such lengths.
func (c *comparer) pair(b1, b2 []batch, set noiseSet) *noisePair {
	for _, p := range c.pairs[set] {
		if p.suits(b1, b2) {
			return p
		}
	}
	p := newNoisePair(b1, b2, noiseModels(set))
	c.pairs[set] = append(c.pairs[set], p)
	return p
}

// quantity compares one quantity.
func (c *comparer) quantity(x *Change, f *figure) {
	s1, s2 := f.seriesOf(c.before.Series), f.seriesOf(c.after.Series)
	if f.name == string(BreakMS) || f.name == string(MakeMS) {
		if s1.n() == 0 || s2.n() == 0 { // a cadence of one make, told by its segments
			s1, s2 = c.segmentOf(f.name, c.before.Series, s1), c.segmentOf(f.name, c.after.Series, s2)
		}
	}
	if !c.enough(x, s1.n(), s2.n()) {
		return
	}
	b1, b2 := f.budget(&c.before.Setup, c.before.M, x.Before.V), f.budget(&c.after.Setup, c.after.M, x.After.V)
	floor, standard := c.chain(x, b1, b2, f.phase)
	set := valueNoise
	if f.phase {
		set = periodNoise
	}
	c.tell(x, s1.batches(compareBatches, f.scale), s2.batches(compareBatches, f.scale), set, floor, standard)
	if f.moves {
		c.length(x)
	}
}

// segmentOf is the series of breaks or makes of a cadence of one make.
func (c *comparer) segmentOf(name string, s *Comparand, plain *meanSeries) *meanSeries {
	switch {
	case plain.n() > 0 || len(s.segments) != 2:
		return plain
	case name == string(MakeMS):
		return &s.segments[0]
	}
	return &s.segments[1]
}

// enough tells whether both stretches have enough values of a figure.
func (c *comparer) enough(x *Change, series ...int) bool {
	if !x.Before.OK || !x.After.OK || min(x.BeforeN, x.AfterN, slices.Min(series)) < leastCompared {
		x.Sentence, x.Why, x.Needed = CannotTell, TooFew, leastCompared
		if x.Before.OK && x.After.OK {
			x.Difference = Known(x.After.V - x.Before.V)
		}
		return false
	}
	x.Difference = Known(x.After.V - x.Before.V)
	return true
}

// chain gives what the measuring chain adds to the uncertainty of a difference:
// floor is the noise of the edge times alone, standard the rest but for what both
// stretches share.
func (c *comparer) chain(x *Change, before, after *BudgetResult, phase bool) (floor, standard float64) {
	part := func(b *BudgetResult, e Effect) float64 {
		for _, p := range b.Budget {
			if p.Cause.Effect == e {
				return float64(p.Standard)
			}
		}
		return 0
	}
	both := func(e Effect) (u, v float64) { return part(before, e), part(after, e) }
	n1, n2 := math.Sqrt(float64(x.BeforeN)), math.Sqrt(float64(x.AfterN))
	if phase { // the jitter of all openings but the outer ones cancels
		n1, n2 = float64(x.BeforeN), float64(x.AfterN)
	}
	u, v := both(EdgeNoise)
	floor = math.Hypot(u/n1, v/n2)
	// Steps of the recorded times may be off alike in every value.
	u, v = both(Resolution)
	if phase {
		u, v = u/n1, v/n2
	}
	standard = math.Hypot(u, v)
	if u, v = both(Asymmetry); c.o.SameCoupler {
		standard = math.Hypot(standard, math.Abs(u-v))
	} else {
		standard = math.Hypot(standard, math.Hypot(u, v))
	}
	if u, v = both(TimeBase); c.o.SameClock {
		if u > 0 || v > 0 { // it scales the difference
			standard = math.Hypot(standard, x.Difference.V*max(c.before.Setup.ClockRel, c.after.Setup.ClockRel))
		}
	} else {
		standard = math.Hypot(standard, math.Hypot(u, v))
	}
	return floor, standard
}

// tell states how sure the difference of x is, but for whether it has changed.
func (c *comparer) tell(x *Change, b1, b2 []batch, set noiseSet, floor, standard float64) {
	n1, n2 := b1[len(b1)-1].to, b2[len(b2)-1].to
	long := max(n1, n2)
	gap := long
	if c.o.Gap.OK {
		spacing := (c.before.M.Capture.DurationS + c.after.M.Capture.DurationS) * 1e9 / (n1 + n2)
		gap = max(c.o.Gap.V/spacing, 0)
	}
	pair := c.pair(b1, b2, set)
	s := pair.spread(b1, b2, gap).with(floor, standard)
	if !c.o.Gap.OK && s.wanders() > wandersAt {
		s = pair.spread(b1, b2, farApart*long).with(floor, standard)
		x.Why = Wanders // unless it has changed more than that
	}
	x.ExpandedU = Known(s.expanded())
	x.P = Known(s.probability(x.Difference.V, x.ExpandedU.V))
	if set == periodNoise {
		c.rate, c.speed, c.speedU, c.wanders = x.Before.V, s, x.ExpandedU.V, x.Why
	}
}

// length states how sure the difference of a length is that goes with the speed. A
// break lasts shorter as the speed wanders up, and the periods tell how far it may
// wander much better than the breaks do, which scatter more: no length is surer than
// the speed.
func (c *comparer) length(x *Change) {
	if !x.P.OK || !(c.rate > 0) || !(x.Before.V > 0) {
		return
	}
	part := x.Before.V / c.rate
	x.Why = cmp.Or(x.Why, c.wanders)
	x.ExpandedU = Known(max(x.ExpandedU.V, c.speedU*part))
	x.P = Known(max(x.P.V, c.speed.probability(x.Difference.V/part, c.speedU)))
}

// settle says of all figures at once which have changed.
func settle(all []*Change, atOnce *int) {
	var tested []*Change
	var p []float64
	for _, x := range all {
		if x.P.OK {
			tested = append(tested, x)
			p = append(p, x.P.V)
		}
	}
	*atOnce = len(tested)
	for i, adjusted := range holm(p) {
		x := tested[i]
		changed := adjusted < changedAt
		switch {
		case changed:
			x.Sentence, x.Changed, x.Why = Changed, &changed, ""
		case x.Why != "":
			x.Sentence, x.P = CannotTell, Num{}
		default:
			x.Sentence, x.Changed = NotShown, &changed
			x.LessThan = Known(math.Abs(x.Difference.V) + x.ExpandedU.V)
		}
	}
}

// holm gives the probabilities of tests that are made at once, adjusted so that
// together they err as seldom as one: the k-th smallest of m is multiplied by
// m − k + 1, and is no less than those before it (S. Holm, A Simple Sequentially
// Rejective Multiple Test Procedure, Scand. J. Stat. 6, 1979).
func holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	adjusted := make([]float64, len(p))
	most := 0.0
	for k, i := range order {
		most = max(most, min(float64(len(p)-k)*p[i], 1))
		adjusted[i] = most
	}
	return adjusted
}

// lobes compares the lobes where both stretches have some.
func (c *comparer) lobes(res *Comparison) {
	a, b := c.before.M.Interrupter, c.after.M.Interrupter
	if a == nil || b == nil || len(a.Lobes) == 0 || len(b.Lobes) == 0 {
		return
	}
	s1, s2 := c.before.Series.lobes(), c.after.Series.lobes()
	n := len(a.Lobes)
	turn, matched, by := 0, true, PairedByNumber
	if !c.o.ByNumber || !numbered(a) || !numbered(b) {
		by = PairedByMatch
		var lead float64
		turn, lead, matched = pairLobes(matchFigures(a.Lobes), matchFigures(b.Lobes), spacingNS(a))
		if n == 1 {
			matched = true
		} else {
			res.MatchLead = Known(lead)
		}
	}
	res.LobesPairedBy = &by
	for i := range n {
		j := (i - turn + n) % n
		x, y := &a.Lobes[i], &b.Lobes[j]
		l := LobeChange{Lobe: x.Lobe, AfterLobe: y.Lobe}
		l.Opening = Change{Before: x.OpeningErrorMS, After: y.OpeningErrorMS, BeforeN: x.N, AfterN: y.N}
		l.Break = Change{Before: x.BreakMS, After: y.BreakMS}
		if s1 != nil && s2 != nil {
			l.Break.BeforeN, l.Break.AfterN = s1.brk[i].n(), s2.brk[j].n()
			if c.enough(&l.Opening, s1.late[i].n(), s2.late[j].n()) {
				noise := func(s *Setup, n int) float64 { return math.Sqrt2 * s.EdgeNoiseNS / 1e6 / math.Sqrt(float64(n)) }
				floor := math.Hypot(noise(&c.before.Setup, x.N), noise(&c.after.Setup, y.N))
				c.tell(&l.Opening, aboutMiddle(a.Lobes, s1.late, i), aboutMiddle(b.Lobes, s2.late, j), lobeNoise, floor, 0)
			}
			if c.enough(&l.Break, l.Break.BeforeN, l.Break.AfterN) {
				u1, u2 := lengthBudget(&c.before.Setup, nil, x.BreakMS.V), lengthBudget(&c.after.Setup, nil, y.BreakMS.V)
				floor, standard := c.chain(&l.Break, u1, u2, false)
				c.tell(&l.Break, s1.brk[i].batches(compareBatches, 1e-6), s2.brk[j].batches(compareBatches, 1e-6), valueNoise, floor, standard)
				c.length(&l.Break)
			}
		} else {
			c.enough(&l.Opening, 0)
			c.enough(&l.Break, 0)
		}
		if !matched {
			for _, x := range []*Change{&l.Opening, &l.Break} {
				*x = Change{Before: x.Before, After: x.After, BeforeN: x.BeforeN, AfterN: x.AfterN, Sentence: CannotTell, Why: NotMatched}
			}
		}
		res.Lobes = append(res.Lobes, l)
	}
}

const (
	// lobeChanges is how likely a lobe, or its break, is taken to have been changed
	// between two stretches: one in ten, such as the one that was repaired.
	lobeChanges = 0.1
	// pairOdds is how many times likelier the best pairs must be than all others
	// together where single lobes may have changed. The scatter is known by then,
	// and it is tried once: at 20, one is wrong no more often than in 5 %.
	pairOdds = 20
	// pairSpread is by how much the scatter is taken to be wider: what lobes that are
	// alike differ by chance would else count for one way against another.
	pairSpread = 1.5
)

// pairLobes tells by how many lobes b must be turned to be paired with a, and how
// many times likelier that is than the next: as matchLobes does, where all lobes
// differ about alike, or else by how many agree, where single ones have changed. It
// is not sure where the two contradict each other.
func pairLobes(a, b []LobeFigure, spacing float64) (turn int, lead float64, sure bool) {
	turn, lead, sure = matchLobes(a, b, spacing)
	t, l, ok := agreeingLobes(a, b, spacing)
	switch {
	case ok && sure && t != turn:
		return turn, 1, false
	case ok && (!sure || l > lead):
		return t, l, true
	case !sure && t != turn:
		return turn, 1, false
	case !sure:
		return turn, min(lead, l), false
	}
	return turn, lead, true
}

// agreeingLobes tells by how many lobes b must be turned so that as many as can be
// agree with a. Each opening error and each break has either not changed, and differs
// by its scatter from what all have in common, or has, by anything within the range
// of them all: a mixture of a normal and a uniform distribution. So one lobe that was
// mended does not stand against all that agree, however small their scatter is.
func agreeingLobes(a, b []LobeFigure, spacing float64) (turn int, lead float64, sure bool) {
	n := len(a)
	if n < 2 || len(b) != n || spacing <= 0 {
		return 0, 0, false
	}
	least := spacing * 1e-6 // what rounding alone leaves
	type figure struct{ v, variance float64 }
	of := func(l *LobeFigure, which int) (f figure, ok bool) {
		f = figure{l.OpeningNS, l.OpeningSE * l.OpeningSE}
		if which == 1 {
			f = figure{l.BreakNS, l.BreakSE * l.BreakSE}
		}
		if l.Turns > 3 { // that of Student's t with the degrees of freedom of so many turns
			f.variance *= float64(l.Turns-1) / float64(l.Turns-3)
		}
		return f, l.Turns > 3 && (which == 0 || l.BreakNS > 0)
	}
	likely := make([]float64, n)
	for which := range 2 {
		low, high := math.Inf(1), math.Inf(-1)
		alike := true
		for _, all := range [][]LobeFigure{a, b} {
			mid := make([]float64, n)
			var spread scatter
			for i := range all {
				f, ok := of(&all[i], which)
				if !ok {
					return 0, 0, false
				}
				mid[i] = f.v
				spread.add(f.v, f.variance+least*least)
			}
			// Three standard deviations of a chi-square beyond its mean.
			alike = alike && spread.sum() < float64(n-1)+3*math.Sqrt(2*float64(n-1))
			m := median(slices.Clone(mid))
			for _, v := range mid {
				low, high = min(low, v-m), max(high, v-m)
			}
		}
		if alike { // tells nothing
			continue
		}
		for t := range n {
			d, variance := make([]float64, n), make([]float64, n)
			for j := range b {
				x, _ := of(&a[(j+t)%n], which)
				y, _ := of(&b[j], which)
				d[j], variance[j] = y.v-x.v, x.variance+y.variance+least*least
			}
			best := math.Inf(-1)
			for _, common := range d { // of those that agree, the best one
				sum := 0.0
				for j := range d {
					sd := pairSpread * math.Sqrt(variance[j])
					same := distuv.Normal{Mu: common, Sigma: math.Sqrt2 * sd}.Prob(d[j]) // common scatters too
					sum += math.Log((1-lobeChanges)*same + lobeChanges/(2*(high-low)+4*sd))
				}
				best = max(best, sum)
			}
			likely[t] += best
		}
	}
	for t, l := range likely {
		if l > likely[turn] {
			turn = t
		}
	}
	next, others := 0.0, 0.0
	for t, l := range likely {
		if t != turn {
			r := math.Exp(l - likely[turn])
			next = max(next, r)
			others += r
		}
	}
	return turn, min(1/next, mostLead), others*pairOdds <= 1
}

// numbered tells that the numbers of lobes are those of a log.
func numbered(i *Interrupter) bool {
	return i.LobesNumberedBy != nil && *i.LobesNumberedBy != LobesByRecording
}

// matchFigures are the lobes as matchLobes takes them.
func matchFigures(lobes []Lobe) []LobeFigure {
	all := make([]LobeFigure, len(lobes))
	for i, l := range lobes {
		all[i] = LobeFigure{Lobe: l.Lobe, OpeningNS: l.OpeningErrorMS.V * 1e6, OpeningSE: l.OpeningErrorSE.V * 1e6, BreakNS: l.BreakMS.V * 1e6, BreakSE: l.BreakSE.V * 1e6}
		if l.OpeningErrorMS.OK {
			all[i].Turns = l.N
		}
	}
	return all
}

// spacingNS is that of the openings, 0 where it is not known.
func spacingNS(i *Interrupter) float64 { return i.PeriodMS.Mean.V * 1e6 }

// aboutMiddle gives the batch means of a lobe's error, in ms, about the lobe or the
// two lobes that are in the middle: that is what makes its figure uncertain. The
// lobe in the middle itself is no more sure than its own openings.
func aboutMiddle(lobes []Lobe, late []meanSeries, lobe int) []batch {
	own := late[lobe].batches(compareBatches, 1e-6)
	order := make([]int, 0, len(lobes))
	for i := range lobes {
		if lobes[i].OpeningErrorMS.OK {
			order = append(order, i)
		}
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(lobes[a].OpeningErrorMS.V, lobes[b].OpeningErrorMS.V) })
	low, high := order[(len(order)-1)/2], order[len(order)/2]
	if low == high && low == lobe {
		return own
	}
	x, y := late[low].batches(compareBatches, 1e-6), late[high].batches(compareBatches, 1e-6)
	own = own[:min(len(own), len(x), len(y))]
	for i := range own {
		own[i].mean -= (x[i].mean + y[i].mean) / 2
	}
	return own
}

// likeLeast is how many of its own standard errors a variance may be above the least
// that any number of lobes leaves, to be as good.
const likeLeast = 3

// turn gives the least number of cycles after which those seen repeat, their periods
// and their breaks, 1 where they do not. It is much quicker to see a pattern than
// Found is, for here one too many does no harm: turns of any length are as good where
// lobes do not differ.
func (s *LobeSearch) turn() int {
	x := &s.now
	if s.old.cycles > s.now.cycles {
		x = &s.old
	}
	both := [2]int{1, 1}
	for which := range both {
		least := math.Inf(1)
		var left [maxLobeSearch + 1]float64
		for n := 1; n <= maxLobeSearch; n++ {
			left[n] = math.Inf(1)
			if v, ok := x.within(n, which); ok {
				left[n] = v
			}
			least = min(least, left[n])
		}
		most := least * (1 + likeLeast*math.Sqrt(2/float64(max(x.cycles, 1))))
		if n := slices.IndexFunc(left[1:], func(v float64) bool { return finite(v) && v <= most }); n > 0 {
			both[which] = n + 1
		}
	}
	a, b := both[0], both[1]
	for b > 0 {
		a, b = b, a%b
	}
	return both[0] / a * both[1] // the least that both repeat after
}
