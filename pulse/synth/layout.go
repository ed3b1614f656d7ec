package synth

import (
	"fmt"
	"math"
	"math/bits"
	"slices"
	"strings"

	"makebreak/pulse/duration"
)

type kind uint8

const (
	pulseBreak kind = iota
	flashBreak
	hangupBreak
	interruption
	extraInterruption
	spuriousBreak
	afterSpurious // the rest of a break after a spurious make
	outageBreak   // of a contact that stands open in an outage
	repeaterExtra // of a repeater
)

// A span is one break. The times of a span in a layout count from the first
// opening of its round.
type span struct {
	open, close int64
	kind        kind
	newTrain    bool
	lastOfRound bool
	number      int64 // due breaks before it
	missing     int64 // interruptions missing just before it
	lost        int64 // interruptions or pulses lost to an outage just before it
	dropped     int64 // breaks that the repeater lost just before it
	fixed       bool  // its length is given by break-at
	stuck       bool  // of an outage
}

// minLengthNS is the shortest make or break: bounce, jitter and asymmetry need
// room, and no contact of a telephone exchange is faster.
const minLengthNS = 1e5

// horizonNS, a hundred years, is the longest signal: its times stay within int64
// whatever the errors of speed and clock.
const horizonNS = 36525 * 24 * hour

// A layout is one round of a signal (the dialled digits, a turn of the cam, a
// cycle of the cadence), repeated every num/den ns, without disturbances.
type layout struct {
	spans    []span
	num, den int64
	perCycle int64   // breaks in a cycle
	total    int64   // breaks that are due, below 0 without end
	shift    int64   // of the contact on its drive, in the times of the spans
	also     []int64 // differences of the other lengths of a break from the usual one
}

// start gives the time at which a round begins, exact to the ns however late.
func (l *layout) start(round int64) int64 {
	hi, lo := bits.Mul64(uint64(round), uint64(l.num))
	if hi >= uint64(l.den) {
		return math.MaxInt64
	}
	q, _ := bits.Div64(hi, lo, uint64(l.den))
	return int64(min(q, math.MaxInt64))
}

func (l *layout) roundNS() float64 { return float64(l.num) / float64(l.den) }

// spacingNS is the mean time from opening to opening, in a dial's trains.
func (l *layout) spacingNS(s *Spec) float64 {
	if s.Form == Dial {
		period, _ := s.nominal()
		return period
	}
	return l.roundNS() / float64(len(l.spans))
}

// end is the last closing, counted from the first opening.
func (l *layout) end() int64 {
	n := int64(len(l.spans))
	start := l.start((l.total - 1) / n)
	if start > horizonNS {
		return math.MaxInt64
	}
	return start + l.spans[(l.total-1)%n].close
}

func newLayout(s *Spec) (l *layout, err error) {
	if s.MakeNS != 0 && s.Break.NS == 0 {
		return nil, fmt.Errorf("key \"break\" value %q: expected a time such as 60ms beside make=%s", s.Break, duration.Format(s.MakeNS))
	}
	switch s.Form {
	case Dial:
		l, err = dialLayout(s)
	case Cam:
		l, err = camLayout(s)
	case Cadence:
		l = cadenceLayout(s)
	}
	if err != nil {
		return nil, err
	}
	l.spans[len(l.spans)-1].lastOfRound = true
	if s.Form != Cadence {
		_, usual := s.nominal()
		for _, ns := range s.alsoNS() {
			l.also = append(l.also, ns-int64(math.Round(usual)))
		}
	}
	if s.ShiftDegrees != 0 && s.Form == Dial {
		return nil, fmt.Errorf("key \"shift\" value %q: expected a time such as 3ms, a dial has no turns", decimal(s.ShiftDegrees)+"deg")
	}
	l.shift = s.ShiftNS + int64(math.Round(s.ShiftDegrees/360*l.roundNS()))
	for i := range l.spans {
		l.spans[i].open += l.shift
		l.spans[i].close += l.shift
	}
	if err := l.check(s); err != nil {
		return nil, err
	}
	if err := l.checkRepeater(s); err != nil {
		return nil, err
	}
	if err := l.checkSteps(s); err != nil {
		return nil, err
	}
	return l, nil
}

// nominal gives the period and the break of a dial's pulse or a cam's
// interruption, in ns.
func (s *Spec) nominal() (period, length float64) {
	switch {
	case s.MakeNS != 0:
		period = float64(s.Break.NS + s.MakeNS)
	case s.Form == Dial:
		period = 1e9 / s.RatePPS
	default:
		period = 60e15 / math.Round(s.IPM*1e6)
	}
	if length = float64(s.Break.NS); length == 0 {
		length = s.Break.Percent / 100 * period
	}
	return period, length
}

// length is the length of a break in a period.
func (b Break) length(period float64) int64 {
	if b.NS != 0 {
		return b.NS
	}
	return int64(math.Round(b.Percent / 100 * period))
}

// varies reports whether a break has the other lengths too.
func (sp *span) varies() bool {
	return !sp.fixed && (sp.kind == pulseBreak || sp.kind == interruption)
}

func dialLayout(s *Spec) (*layout, error) {
	period, _ := s.nominal()
	// Opening of each pulse of a train and the length that percent break counts from.
	var at, periods [10]float64
	for i := range at {
		periods[i] = period
		if i < len(s.RampPercent) {
			periods[i] /= 1 + s.RampPercent[i]/100
		}
		if i > 0 {
			at[i] = at[i-1] + periods[i-1]
		}
	}
	counts := s.trainPulses()
	type position struct{ train, pulse int }
	breaks := map[position]Break{}
	for _, b := range s.BreakAt {
		if b.Train > len(counts) || b.Pulse > counts[b.Train-1] {
			return nil, fmt.Errorf("key \"break-at\" value %q: expected a pulse of the %d trains that digits=%s has", b, len(counts), s.Digits)
		}
		breaks[position{b.Train, b.Pulse}] = b.Break
	}
	l := &layout{den: 1, total: s.Repeat}
	t, train := int64(0), 0
	whole := func(k kind, length int64) {
		l.spans = append(l.spans, span{open: t, close: t + length, kind: k})
		t += length + s.GapNS
	}
	for _, c := range s.Digits {
		switch c {
		case 'F':
			whole(flashBreak, s.FlashNS)
			continue
		case 'H':
			whole(hangupBreak, s.HangupNS)
			continue
		}
		train++
		for i := range counts[train-1] {
			b, fixed := breaks[position{train, i + 1}]
			if !fixed {
				if b, fixed = breaks[position{train, 0}]; !fixed {
					b = s.Break
				}
			}
			open := t + int64(math.Round(at[i]))
			l.spans = append(l.spans, span{open: open, close: open + b.length(periods[i]), newTrain: i == 0, fixed: fixed})
		}
		t = l.spans[len(l.spans)-1].close + s.GapNS
	}
	l.num = t
	l.perCycle = int64(len(l.spans))
	if s.Repeat > 0 {
		l.total = s.Repeat * l.perCycle
	}
	return l, nil
}

// trainPulses gives the pulses of each train of a round.
func (s *Spec) trainPulses() []int {
	var out []int
	for i := range len(s.Digits) {
		if n, ok := s.Coding.Pulses(s.Digits[i]); ok {
			out = append(out, n)
		}
	}
	return out
}

func camLayout(s *Spec) (*layout, error) {
	for _, v := range []struct {
		key string
		ns  []int64
	}{{"lobe-errors", s.LobeErrorsNS}, {"lobe-breaks", s.LobeBreaksNS}, {"wear", s.WearNSPerDay}, {"lobe-wear", s.LobeWearNSPerDay}} {
		if len(v.ns) != 0 && len(v.ns) != s.Lobes {
			return nil, fmt.Errorf("key %q value %q: expected one value a lobe, %d for lobes=%d", v.key, join(v.ns, ",", duration.Format), s.Lobes, s.Lobes)
		}
	}
	l := &layout{num: int64(s.Lobes) * (s.Break.NS + s.MakeNS), den: 1, perCycle: 1, total: s.Cycles + 1}
	if s.MakeNS == 0 {
		// 60 s over ipm, both a million times
		l.num, l.den = int64(s.Lobes)*60e15, int64(math.Round(s.IPM*1e6))
	}
	switch {
	case s.Turns != 0:
		l.total = s.Turns*int64(s.Lobes) + 1
	case s.Cycles == Endless:
		l.total = -1
	}
	period := l.roundNS() / float64(s.Lobes)
	length := s.Break.length(period)
	for i := range s.Lobes {
		open := int64(math.Round(float64(i)*period)) + at(s.LobeErrorsNS, i)
		l.spans = append(l.spans, span{open: open, close: open + length + at(s.LobeBreaksNS, i), kind: interruption})
	}
	return l, nil
}

func cadenceLayout(s *Spec) *layout {
	l := &layout{den: 1}
	t := int64(0)
	for i := 1; i < len(s.SegmentsNS); i += 2 {
		l.spans = append(l.spans, span{open: t, close: t + s.SegmentsNS[i], kind: interruption})
		t += s.SegmentsNS[i] + s.SegmentsNS[(i+1)%len(s.SegmentsNS)]
	}
	l.num, l.perCycle = t, int64(len(l.spans))
	l.total = s.Cycles*l.perCycle + 1
	if s.Cycles == Endless {
		l.total = -1
	}
	return l
}

func at(list []int64, i int) int64 {
	if i < len(list) {
		return list[i]
	}
	return 0
}

// tooShort says which break or make of a round is shorter than any contact's,
// "" where none is. Each break has its later opening and its growth, if any.
func (l *layout) tooShort(c *changes) string {
	late := func(i int) (open, grown int64) {
		if c == nil {
			return 0, 0
		}
		return c.step(i)
	}
	for i, sp := range l.spans {
		n := i + 1
		next := l.start(1)
		if n == len(l.spans) {
			n = 0
		} else {
			next = 0
		}
		open, grown := late(i)
		nextOpen, _ := late(n)
		next += l.spans[n].open + nextOpen
		least, most := int64(0), int64(0)
		if len(l.also) > 0 && sp.varies() {
			least, most = min(0, slices.Min(l.also)), max(0, slices.Max(l.also))
		}
		for _, part := range []struct {
			name string
			ns   int64
		}{{"break", sp.close - sp.open + grown + least}, {"make after break", next - sp.close - open - grown - most}} {
			if part.ns < minLengthNS {
				return fmt.Sprintf("%s %d of a round would last %s: expected at least %s",
					part.name, i+1, duration.Format(part.ns), duration.Format(minLengthNS))
			}
		}
	}
	return ""
}

// checkRepeater refuses lags that would leave no break or no make.
func (l *layout) checkRepeater(s *Spec) error {
	if s.Repeater == (Lags{}) {
		for _, f := range fieldsOf(s) {
			if v := f.get(); strings.HasPrefix(f.Name, "repeater-") && v != "" {
				return fmt.Errorf("key %q value %q: expected beside repeater, such as repeater=12ms:9ms", f.Name, v)
			}
		}
		return nil
	}
	c := changes{on: true, lobeOpenNS: make([]int64, len(l.spans)), lobeBreakNS: make([]int64, len(l.spans))}
	place := 0
	for i := range l.spans {
		place = l.spans[i].place(place)
		g := s.lags(&l.spans[i], place)
		c.lobeOpenNS[i], c.lobeBreakNS[i] = g.OpenNS, g.CloseNS-g.OpenNS
	}
	if what := l.tooShort(&c); what != "" {
		return fmt.Errorf("key \"repeater\" value %q: in the output %s", s.Repeater, what)
	}
	return nil
}

// Beside all else that makes a drive late, the times of a signal stay within
// int64 between these speeds; no motor of an exchange leaves them and runs on.
const leastSpeed, mostSpeed = 0.8, 1.25

// checkSteps refuses steps of what the signal does not have and those after
// which it could not be.
func (l *layout) checkSteps(s *Spec) error {
	speed := 1.0
	c := newChanges(s, l)
	for _, st := range s.Steps {
		refuse := func(format string, args ...any) error {
			return fmt.Errorf("key \"steps\" value %q: %s", st, fmt.Sprintf(format, args...))
		}
		switch {
		case st.What == StepSpeed:
			speed += st.Speed / 100
		case st.What == StepBreaks && s.Form == Cadence:
			return refuse("expected a step of speed, a cadence has its segments")
		case st.What != StepBreaks && s.Form != Cam:
			return refuse("expected a step of speed or break, only a cam has lobes")
		case st.What != StepBreaks && st.Lobe > s.Lobes:
			return refuse("expected a lobe from 1 to %d, see lobes", s.Lobes)
		}
		if speed < leastSpeed || speed > mostSpeed {
			return refuse("the speed would be %.4g times the nominal one: expected %g to %g", speed, leastSpeed, mostSpeed)
		}
		c.apply(st)
		if what := l.tooShort(&c); what != "" {
			return refuse("%s", what)
		}
	}
	return nil
}

// check refuses what no contact can do: spans that overlap, a drive that turns
// back, and signals longer than the horizon.
func (l *layout) check(s *Spec) error {
	keys := [...]string{"rate, break, break-also, make, break-at and ramp", "ipm, break, break-also, make, lobe-errors and lobe-breaks", "segments"}[s.Form]
	if s.LeadNS+l.spans[0].open < 0 {
		early := "lobe 1"
		if l.shift < 0 {
			early = "the first opening"
		}
		return fmt.Errorf("key \"lead\" value %q: expected more than %s is early", duration.Format(s.LeadNS), early)
	}
	if what := l.tooShort(nil); what != "" {
		return fmt.Errorf("%s: %s, see %s", s.Form, what, keys)
	}
	slope := 0.0
	for _, g := range s.Gears {
		slope += 2 * math.Pi * g.Order * float64(g.AmplitudeNS) / l.roundNS()
	}
	if slope > 0.5 {
		return fmt.Errorf("key \"gear\" value %q: expected less swing, the speed would change by %.0f %%, at most 50", join(s.Gears, ",", Gear.String), 100*slope)
	}
	for _, f := range s.Teeth {
		slope += math.Pi * f.Order * float64(f.Teeth) * math.Abs(float64(f.HeightNS)) / l.roundNS()
	}
	if slope > 0.9 {
		return fmt.Errorf("key \"tooth\" value %q: expected less height, the speed would change by %.0f %%, at most 90", join(s.Teeth, ",", Tooth.String), 100*slope)
	}
	for _, p := range []struct {
		key string
		at  []int64
	}{{"missing-at", s.MissingAt}, {"extra-at", s.ExtraAt}} {
		if l.total > 0 && len(p.at) > 0 && p.at[len(p.at)-1] >= l.total {
			return fmt.Errorf("key %q value %q: expected interruptions before the last, which is %d", p.key, join(p.at, ",", countOrOff), l.total)
		}
	}
	if l.total > 0 && l.end() > horizonNS {
		return fmt.Errorf("%s: lasts more than 100 years: expected fewer cycles or repeats, or endless", s.Form)
	}
	return nil
}
