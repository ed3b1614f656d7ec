package pulse

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// unevenSD is the relative standard deviation from which a rate is called
	// uneven. It is our own choice: no published figure was found.
	unevenSD = 0.02
	// A lobe stands out when its error is oddLobeSigmas standard errors and
	// oddLobeRatio times the next lobe's error (our own choice).
	oddLobeSigmas, oddLobeRatio = 4.0, 1.8
)

// A Deviation tells on which sides of its limits a quantity is out. The zero
// value is within them.
type Deviation struct {
	Low, High bool
}

// Out tells that the quantity is out on either side.
func (d Deviation) Out() bool { return d.Low || d.High }

// Deviations gives the deviation of each quantity that fails a limit, with or
// without doubt, by the quantity's name in the items (see Limit.Name).
func (c *Conformity) Deviations() map[string]Deviation {
	out := map[string]Deviation{}
	if c == nil {
		return out
	}
	for _, it := range c.Items {
		if it.Statement != Fail && it.Statement != ConditionalFail {
			continue
		}
		d := out[it.Quantity]
		d.Low = d.Low || it.Bound == "min"
		d.High = d.High || it.Bound == "max"
		out[it.Quantity] = d
	}
	return out
}

// A SymptomKind says what a Symptom is about.
type SymptomKind uint8

const (
	// SymptomRateConfined: the rate is out, in the pulses of Confinement only.
	SymptomRateConfined SymptomKind = iota
	// SymptomRatioConfined: percent break is out, in those pulses only.
	SymptomRatioConfined
	// SymptomRateAndRatio: a dial's rate and percent break are both out.
	SymptomRateAndRatio
	// SymptomRate: the rate is out, by Deviation. RatioHolds says that percent
	// break is within its limits in all of the recording.
	SymptomRate
	// SymptomRatio: make and break share the period wrongly while the rate is
	// within its limits; for a dial Deviation tells the side of percent break.
	SymptomRatio
	// SymptomAllLengths: an interrupter's makes and breaks are all out.
	SymptomAllLengths
	// SymptomSegments: Segments of a cadence are out.
	SymptomSegments
	// SymptomUnevenRate: the rate's standard deviation is Percent of its mean.
	SymptomUnevenRate
	// SymptomShortBreaks: Count breaks are too short for a pulse.
	SymptomShortBreaks
	// SymptomInterdigit: the pause between digits is out, by Deviation.
	SymptomInterdigit
	// SymptomStalls: Count breaks stalled inside a digit.
	SymptomStalls
	// SymptomNoDigit: a whole train of Count pulses is no digit.
	SymptomNoDigit
	// SymptomLobe: the opening of LateLobe, the break of WrongLobe or both
	// stand out from the other lobes. One of them is nil when only the other does.
	SymptomLobe
	// SymptomRepeat: the cycles repeat every Count openings, and the lobes that
	// were measured, if any, cannot show it.
	SymptomRepeat
	// SymptomMissing: Count interruptions are missing.
	SymptomMissing
	// SymptomExtra: Count interruptions are extra.
	SymptomExtra
	// SymptomBounce: bounce is too long.
	SymptomBounce
	// SymptomChatter: there were Count bursts of chatter.
	SymptomChatter
	// SymptomLostEdges: Count edges were lost.
	SymptomLostEdges
)

// A Symptom is one symptom of a contact. Its kind says which fields it has.
type Symptom struct {
	Kind        SymptomKind
	Deviation   Deviation
	RatioHolds  bool
	Count       int
	Percent     float64
	Confinement Confinement
	Segments    []SegmentDeviation
	LateLobe    *Lobe
	WrongLobe   *Lobe
}

// A SegmentDeviation is a segment of a cadence that is out of its limits.
type SegmentDeviation struct {
	Segment   int    // from 1
	State     string // "make" or "break"
	Deviation Deviation
}

// A Survey gathers from the rows, as a Meter makes them, what a diagnosis needs
// beside the measurement. Its memory does not grow with the recording.
type Survey struct {
	offenders offenders
	lobes     *LobeSearch
	irregular []IrregularCycle
	observer  Observer
}

// An IrregularCycle is one in which interruptions are missing or extra.
type IrregularCycle struct {
	At             Stamp // opening that begins it
	Cycle          int   // from 1
	Missing, Extra int
}

// maxIrregular of the irregular cycles are kept: enough to see whether they come
// singly or together.
const maxIrregular = 6

// NewSurvey makes a Survey for a Meter with cfg, whose Observer must include
// that of the Survey.
func NewSurvey(cfg *Config) *Survey {
	s := &Survey{}
	if s.offenders.listen(cfg) {
		s.observer.Pulse = s.offenders.pulse
	}
	if cfg.Limits == nil || cfg.Limits.Kind != KindDial {
		s.lobes = &LobeSearch{}
		s.observer.Cycle = s.cycle
	}
	return s
}

func (s *Survey) cycle(c *CycleRow) {
	s.lobes.Cycle(c)
	if c.Faulty() && len(s.irregular) < maxIrregular {
		s.irregular = append(s.irregular, IrregularCycle{c.At, c.Cycle, c.Missing, c.Extra})
	}
}

// Irregular gives the first few irregular cycles; none of a nil Survey.
func (s *Survey) Irregular() []IrregularCycle {
	if s == nil {
		return nil
	}
	return s.irregular
}

// Observer takes the rows that the Survey needs.
func (s *Survey) Observer() Observer { return s.observer }

// Diagnose gives the symptoms of the contact, the most telling one first, and
// nothing when nothing stands out. Without a Survey (nil) it does not find
// where pulses out of limit are confined, nor after how many openings the cycles
// repeat. noDigit is the first whole train without a stall that is no digit, or
// nil. It must come after Finish.
func (s *Survey) Diagnose(m *Measurement, noDigit *Train) (found []Symptom) {
	out := m.Conformity.Deviations()
	switch {
	case m.Dial != nil:
		found = s.dial(m, noDigit, out)
	case m.Interrupter != nil:
		found = s.interrupter(m, out)
	}
	if out[string(BounceMS)].Out() {
		found = append(found, Symptom{Kind: SymptomBounce})
	}
	found = appendCount(found, SymptomChatter, m.Settling.Chatter)
	return appendCount(found, SymptomLostEdges, m.Capture.LostEdges)
}

// appendCount appends a symptom of n of a kind, if there are any.
func appendCount(found []Symptom, kind SymptomKind, n int) []Symptom {
	if n > 0 {
		found = append(found, Symptom{Kind: kind, Count: n})
	}
	return found
}

// ratioDeviation is the deviation of break : make or, where it has none, that
// of percent break.
func ratioDeviation(out map[string]Deviation) Deviation {
	if d := out[string(BreakRatio)]; d.Out() {
		return d
	}
	return out[string(BreakPercent)]
}

func (s *Survey) dial(m *Measurement, noDigit *Train, out map[string]Deviation) (found []Symptom) {
	d := m.Dial
	rate, ratio := out[string(RatePPS)], ratioDeviation(out)
	brk, mk := out[string(BreakMS)], out[string(MakeMS)]
	rateAdjustment, ratioAdjustment := AdjustRate, AdjustRatio
	if !rate.Out() && !ratio.Out() && (brk.Out() || mk.Out()) {
		rate, ratio = m.rateOrRatio(brk, mk)
		rateAdjustment, ratioAdjustment = AdjustLengths, AdjustLengths
	}
	// What is out in one place only is no matter of an adjustment.
	for _, x := range []struct {
		kind       SymptomKind
		deviation  *Deviation
		adjustment Adjustment
	}{{SymptomRateConfined, &rate, rateAdjustment}, {SymptomRatioConfined, &ratio, ratioAdjustment}} {
		if s == nil || !x.deviation.Out() {
			continue
		}
		if c, ok := s.offenders.confined(m, x.adjustment); ok {
			found = append(found, Symptom{Kind: x.kind, Deviation: *x.deviation, Confinement: c})
			*x.deviation = Deviation{}
		}
	}
	switch {
	case rate.Out() && ratio.Out():
		found = append(found, Symptom{Kind: SymptomRateAndRatio})
	case rate.Out():
		found = append(found, Symptom{Kind: SymptomRate, Deviation: rate, RatioHolds: len(found) == 0})
	case ratio.Out():
		found = append(found, Symptom{Kind: SymptomRatio, Deviation: ratio})
	}
	if percent, uneven := unevenPercent(d.RatePPS.Stat); uneven {
		found = append(found, Symptom{Kind: SymptomUnevenRate, Percent: percent})
	}
	found = appendCount(found, SymptomShortBreaks, d.ShortBreaks)
	if gap := out[string(InterdigitMS)]; gap.Out() {
		found = append(found, Symptom{Kind: SymptomInterdigit, Deviation: gap})
	}
	found = appendCount(found, SymptomStalls, d.Stalls)
	if t := noDigit; t != nil {
		found = append(found, Symptom{Kind: SymptomNoDigit, Count: t.Pulses})
	}
	return found
}

// rateOrRatio tells whether the rate or the ratio is out where the limits are
// on break and make: a mean period that they allow leaves the ratio.
func (m *Measurement) rateOrRatio(brk, mk Deviation) (rate, ratio Deviation) {
	period := m.Dial.BreakMS.Mean.V + m.Dial.MakeMS.Mean.V
	if least, ok := m.Conformity.periodLimit("min"); ok && period < least {
		return Deviation{High: true}, Deviation{}
	}
	if most, ok := m.Conformity.periodLimit("max"); ok && period > most {
		return Deviation{Low: true}, Deviation{}
	}
	return Deviation{}, Deviation{Low: brk.Low || mk.High, High: brk.High || mk.Low}
}

// periodLimit is the bound, "min" or "max", that the limits on break and make
// set on the period. It is not ok unless both have the bound.
func (c *Conformity) periodLimit(bound string) (ms float64, ok bool) {
	n := 0
	for _, it := range c.Items {
		if it.Bound == bound && (it.Quantity == string(BreakMS) || it.Quantity == string(MakeMS)) {
			ms += it.Limit
			n++
		}
	}
	return ms, n == 2
}

// unevenPercent is the standard deviation of a rate in percent of its mean,
// and whether that is uneven.
func unevenPercent(rate Stat) (percent float64, uneven bool) {
	if !rate.SD.OK || !rate.Mean.OK || rate.SD.V <= unevenSD*rate.Mean.V {
		return 0, false
	}
	return 100 * rate.SD.V / rate.Mean.V, true
}

func (s *Survey) interrupter(m *Measurement, out map[string]Deviation) (found []Symptom) {
	in := m.Interrupter
	rate := out[string(RateIPM)]
	if p := out[string(PeriodMS)]; p.Out() {
		rate = Deviation{Low: p.High, High: p.Low}
	}
	late := oddLobe(in.Lobes, func(l *Lobe) (e, se Num) { return l.OpeningErrorMS, l.OpeningErrorSE })
	wrong := oddLobe(in.Lobes, func(l *Lobe) (e, se Num) { return l.BreakErrorMS, l.BreakSE })
	if late != nil || wrong != nil {
		found = append(found, Symptom{Kind: SymptomLobe, LateLobe: late, WrongLobe: wrong})
	}
	repeat := 0
	if s != nil && len(in.Segments) <= 2 { // a compound cadence has no lobes
		repeat = s.lobes.Found()
	}
	if repeat > 0 && len(in.Lobes) > 0 && len(in.Lobes)%repeat == 0 {
		repeat = 0 // these lobes show it
	}
	found = appendCount(found, SymptomRepeat, repeat)
	found = appendCount(found, SymptomMissing, in.Missing)
	found = appendCount(found, SymptomExtra, in.Extra)
	var segments []SegmentDeviation
	for i, x := range in.Segments {
		if d := out[Limit{Quantity: SegmentMS, Segment: i + 1}.Name()]; d.Out() {
			segments = append(segments, SegmentDeviation{Segment: i + 1, State: x.State, Deviation: d})
		}
	}
	brk, mk := out[string(BreakMS)], out[string(MakeMS)]
	switch {
	case rate.Out():
		found = append(found, Symptom{Kind: SymptomRate, Deviation: rate})
	case len(segments) > 1 && len(segments) == len(in.Segments) || brk.Out() && brk == mk:
		found = append(found, Symptom{Kind: SymptomAllLengths})
	case len(segments) > 0:
		found = append(found, Symptom{Kind: SymptomSegments, Segments: segments})
	case wrong != nil || repeat > 0: // these symptoms say it already
	case ratioDeviation(out).Out() || brk.Out() || mk.Out():
		found = append(found, Symptom{Kind: SymptomRatio})
	}
	if percent, uneven := unevenPercent(in.RateIPM.Stat); uneven && repeat == 0 && late == nil {
		found = append(found, Symptom{Kind: SymptomUnevenRate, Percent: percent})
	}
	return found
}

// oddLobe gives the lobe whose error, with its standard error, stands out from
// the others'. It is nil where there is none, with fewer than three lobes, and
// where the error of any is not known.
func oddLobe(lobes []Lobe, errorOf func(*Lobe) (e, se Num)) *Lobe {
	if len(lobes) < 3 {
		return nil
	}
	var worst *Lobe
	most, next := 0.0, 0.0
	for i := range lobes {
		e, se := errorOf(&lobes[i])
		if !e.OK || !se.OK {
			return nil
		}
		if x := math.Abs(e.V); worst == nil || x > most {
			worst, most, next = &lobes[i], x, most
		} else {
			next = max(next, x)
		}
	}
	if _, se := errorOf(worst); most > studentSigmas(oddLobeSigmas, worst.N)*se.V && most > oddLobeRatio*next {
		return worst
	}
	return nil
}

// studentSigmas gives how many standard errors of a mean of n values are as
// improbable as so many standard deviations of a normal distribution: Student's
// t, since the standard error itself is estimated.
func studentSigmas(sigmas float64, n int) float64 {
	if n < 2 {
		return math.Inf(1)
	}
	return distuv.StudentsT{Sigma: 1, Nu: float64(n - 1)}.Quantile(distuv.UnitNormal.CDF(sigmas))
}
