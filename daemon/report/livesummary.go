package report

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// A LiveSummary is what a person sees who turns a screw while a contact is being
// measured.
type LiveSummary struct {
	TookS  float64 // since the start
	Closed *bool   // the contact; nil while its level is not known
	Counts pulse.Counts
	Kind   pulse.Kind
	Digits string // the last ones of a dial
	// Rate, in pps or IPM, and BreakPercent are of the last train of a dial, or the
	// mean of an interrupter's last cycles.
	Rate, BreakPercent pulse.Num
	BounceMS           pulse.Num // the longest so far
	Limits             *pulse.Profile
	Adjusted           pulse.Quantity // stands first; empty: the figure that is nearest to a limit, or furthest beyond
	Endless            bool           // nothing but the person ends it
}

// learningEdges without a figure let a person wonder: a cam's cycle is learnt from
// some tens of openings.
const learningEdges = 3

// An adjustment is a figure, and how far it is from its limits.
type adjustment struct {
	pulse.Limit
	name  string
	value float64
	// room is how far the value is inside the nearer limit, in parts of the band;
	// below 0 outside.
	room float64
}

// Lines are some lines of text, what is being adjusted first. outside tells that
// it is beyond a limit now.
func (s *LiveSummary) Lines() (lines []string, outside bool) {
	all := s.adjustments()
	for i := range all {
		lines = append(lines, all[i].line())
	}
	if len(all) > 0 {
		outside = all[0].room < 0
	} else if parts := s.plain(); len(parts) > 0 {
		lines = append(lines, strings.Join(parts, "  "))
	} else if s.Counts.Edges > learningEdges && s.Digits == "" {
		lines = append(lines, "Rate and percent break follow a whole train, or cycles enough to know them")
	}
	for _, parts := range [][]string{s.seen(), s.going()} {
		if len(parts) > 0 {
			lines = append(lines, strings.Join(parts, "  "))
		}
	}
	return lines, outside
}

// adjustments are the figures that limits judge and that follow from the latest
// speed and percent break, first what is to be looked at first.
func (s *LiveSummary) adjustments() (all []adjustment) {
	if s.Limits == nil {
		return nil
	}
	for _, l := range s.Limits.Limits {
		v := s.value(l.Quantity)
		if !v.OK {
			continue
		}
		a := adjustment{Limit: l, name: l.Name(), value: v.V, room: math.Inf(1)}
		// A bound without its opposite is as wide as a tenth of itself.
		width := 0.1 * math.Abs(*cmp.Or(l.Max, l.Min))
		if l.Min != nil && l.Max != nil {
			width = *l.Max - *l.Min
		}
		if width = math.Max(width, 1e-9); l.Min != nil {
			a.room = (v.V - *l.Min) / width
		}
		if l.Max != nil {
			a.room = math.Min(a.room, (*l.Max-v.V)/width)
		}
		all = append(all, a)
	}
	slices.SortStableFunc(all, func(a, b adjustment) int {
		if first := s.Adjusted; first != "" && (a.Quantity == first) != (b.Quantity == first) {
			if a.Quantity == first {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.room, b.room)
	})
	return all
}

// value is a quantity of the latest train or cycles.
func (s *LiveSummary) value(q pulse.Quantity) (v pulse.Num) {
	period := pulse.Num{OK: s.Rate.OK && s.Rate.V > 0}
	if period.OK {
		period.V = 1000 / s.Rate.V
		if s.Kind == pulse.KindInterrupter {
			period.V *= 60
		}
	}
	both := period.OK && s.BreakPercent.OK
	switch {
	case q == pulse.RatePPS && s.Kind == pulse.KindDial, q == pulse.RateIPM && s.Kind == pulse.KindInterrupter:
		return s.Rate
	case q == pulse.BreakPercent:
		return s.BreakPercent
	case q == pulse.PeriodMS:
		return period
	case q == pulse.BreakMS && both:
		return pulse.Known(period.V * s.BreakPercent.V / 100)
	case q == pulse.MakeMS && both:
		return pulse.Known(period.V * (1 - s.BreakPercent.V/100))
	case q == pulse.BreakRatio && s.BreakPercent.OK && s.BreakPercent.V < 100:
		return pulse.Known(s.BreakPercent.V / (100 - s.BreakPercent.V))
	}
	return v
}

// line says the value, where it stands, and how far it is to each limit.
func (a *adjustment) line() string {
	noun, unit := figure.Quantity(a.name)
	decimals := liveDecimals(a.value)
	number := func(v float64) string { return figure.Fixed(v, decimals) }
	parts := []string{upperFirst(noun) + " " + figure.Unit(number(a.value), unit)}
	for _, bound := range []struct {
		at         *float64
		name       string
		over, less string
	}{{a.Min, "min", "above", "BELOW"}, {a.Max, "max", "ABOVE", "below"}} {
		if bound.at == nil {
			continue
		}
		by, where := a.value-*bound.at, bound.over
		if by < 0 {
			by, where = -by, bound.less
		}
		parts = append(parts, number(by)+" "+where+" "+bound.name+" "+figure.Trimmed(*bound.at, 3))
	}
	return strings.Join(parts, "   ")
}

// liveDecimals shows a thousandth of a value, or a little better: what a screw can
// set.
func liveDecimals(v float64) int {
	switch a := math.Abs(v); {
	case a >= 1000:
		return 0
	case a >= 100:
		return 1
	}
	return 2
}

// plain are the latest figures where no limits judge them.
func (s *LiveSummary) plain() (parts []string) {
	unit := "pps"
	if s.Kind == pulse.KindInterrupter {
		unit = "IPM"
	}
	if s.Rate.OK {
		parts = append(parts, "Rate "+figure.Fixed(s.Rate.V, 2)+" "+unit)
	}
	if s.BreakPercent.OK {
		parts = append(parts, figure.Fixed(s.BreakPercent.V, 1)+" % break")
	}
	return parts
}

// seen is what came.
func (s *LiveSummary) seen() (parts []string) {
	if s.Digits != "" {
		parts = append(parts, "digits "+s.Digits)
	}
	if s.Counts.Cycles > 0 {
		parts = append(parts, figure.Plural(s.Counts.Cycles, "cycle", "cycles"))
	}
	for _, x := range []struct {
		n    uint64
		what string
	}{{s.Counts.Missing, "missing"}, {s.Counts.Extra, "extra"}, {s.Counts.LostEdges, "edges lost"}} {
		if x.n > 0 {
			parts = append(parts, figure.Count(x.n)+" "+x.what)
		}
	}
	if s.BounceMS.OK {
		parts = append(parts, "bounce up to "+figure.Fixed(s.BounceMS.V, 2)+" ms")
	}
	return parts
}

// going is how the measurement goes.
func (s *LiveSummary) going() []string {
	state := "level unknown"
	if s.Closed != nil {
		state = "open"
		if *s.Closed {
			state = "closed"
		}
	}
	parts := []string{figure.Fixed(s.TookS, 0) + " s", figure.Plural(s.Counts.Edges, "edge", "edges"), state}
	if s.Endless {
		parts = append(parts, "Ctrl-C ends it and gives the whole result")
	}
	return parts
}
