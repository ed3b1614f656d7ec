package report

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

// decimals gives the decimals of a quantity's figures, by its uncertainty.
func decimals(m *pulse.Measurement, q pulse.Quantity) int {
	if b := m.Uncertainty[q]; b != nil && b.Expanded.OK {
		return figure.Decimals(b.Expanded.V)
	}
	return 3
}

// A statRow is one line of a table of statistics.
type statRow struct {
	name     string
	unit     string
	stat     pulse.Stat
	decimals int
	nominal  string // in a column of its own
}

// scatterDecimals gives the decimals of a row's mean and standard deviation: not
// more than a single value has, and no more than show two digits of their own
// expanded uncertainty (k = 2) from the scatter, s/√n and s/√(2n − 2)
// (JCGM 100:2008, 4.2.3 and E.4.3).
func (r *statRow) scatterDecimals() (mean, sd int) {
	s, n := r.stat.SD, float64(r.stat.N)
	if !s.OK || !(s.V > 0) || n < 2 {
		return r.decimals, r.decimals
	}
	return min(r.decimals, figure.Decimals(2*s.V/math.Sqrt(n))), min(r.decimals, figure.Decimals(2*s.V/math.Sqrt(2*n-2)))
}

// statistics tabulates rows, without those that have none. A column of nominal
// values has the title nominal, if any.
func statistics(doc *Document, nominal string, rows []statRow) {
	t := Table{Columns: columns("lrrrrrrrrr", "", nominal, "n", "mean", "sd", "min", "5 %", "50 %", "95 %", "max")}
	t.Columns[6].Rank, t.Columns[7].Rank, t.Columns[8].Rank = 2, 1, 2
	if nominal == "" {
		t.Columns = slices.Delete(t.Columns, 1, 2)
	}
	for _, r := range rows {
		if r.stat.N == 0 {
			continue
		}
		row := []Cell{{Text: r.name, Unit: r.unit}}
		if nominal != "" {
			row = append(row, Cell{Text: r.nominal})
		}
		row = append(row, Cell{Text: figure.Count(r.stat.N)})
		mean, sd := r.scatterDecimals()
		row = append(row, Cell{Number: true, Value: r.stat.Mean, Decimals: mean}, Cell{Number: true, Value: r.stat.SD, Decimals: sd})
		for _, v := range []pulse.Num{r.stat.Min, r.stat.P5, r.stat.P50, r.stat.P95, r.stat.Max} {
			row = append(row, Cell{Number: true, Value: v, Decimals: r.decimals})
		}
		t.Rows = append(t.Rows, row)
	}
	if len(t.Rows) > 0 {
		doc.add(t)
	}
}

// number writes v, or a dash when it was not measured.
func number(v pulse.Num, decimals int) string {
	if !v.OK {
		return "-"
	}
	return figure.Fixed(v.V, decimals)
}

// quantityRow is a quantity's line in a table of statistics.
func quantityRow(m *pulse.Measurement, q pulse.Quantity, s pulse.Stat) statRow {
	noun, unit := figure.Quantity(string(q))
	unit = rateUnit(m, unit)
	if unit == "%" { // as the noun says
		unit = ""
	}
	return statRow{name: noun, unit: unit, stat: s, decimals: decimals(m, q)}
}

// overall writes a figure over all periods with its expanded uncertainty.
func overall(m *pulse.Measurement, q pulse.Quantity, s pulse.OverallStat, unit string) string {
	b := m.Uncertainty[q]
	if b == nil || !b.Overall.OK {
		return figure.Unit(figure.Fixed(s.Overall.V, 3), unit)
	}
	u := b.Overall.V
	dec := figure.Decimals(u)
	return figure.Fixed(s.Overall.V, dec) + " ± " + figure.Unit(figure.NonZero(u, dec), unit)
}

// signed writes v with its sign.
func signed(v pulse.Num, decimals int) string {
	s := number(v, decimals)
	if v.OK && v.V > 0 && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// rateUnit names what a rate counts: of a compound cadence its cycles, for its
// interruptions are more.
func rateUnit(m *pulse.Measurement, unit string) string {
	if unit == "IPM" && compound(m) {
		return "cycles/min"
	}
	return unit
}

// uncertainty tells each quantity's expanded uncertainty and what it is
// made of.
func uncertainty(doc *Document, m *pulse.Measurement) {
	t := Table{Headless: true, Columns: []Column{{}, {}, {Folds: true}}}
	var sources []string
	for _, q := range budgeted() {
		b := m.Uncertainty[q]
		if b == nil || !b.Expanded.OK {
			continue
		}
		noun, unit := figure.Quantity(string(q))
		unit = rateUnit(m, unit)
		dec := figure.Decimals(b.Expanded.V)
		parts := slices.Clone(b.Budget)
		slices.SortStableFunc(parts, func(a, b pulse.Component) int { return cmp.Compare(b.Standard, a.Standard) })
		from := ""
		for i, c := range parts[:min(2, len(parts))] {
			if i > 0 {
				from += ", "
			}
			name := c.Cause.Effect.String()
			if source := name + ": " + c.Cause.From; c.Cause.From != "" && !slices.Contains(sources, source) {
				sources = append(sources, source)
			}
			from += name + " " + figure.NonZero(float64(c.Standard), dec)
		}
		if from == "" {
			from = "nothing"
		}
		t.Rows = append(t.Rows, cells(noun, "± "+figure.Unit(figure.NonZero(b.Expanded.V, dec), unit), from))
	}
	if len(t.Rows) == 0 {
		return
	}
	doc.head("Uncertainty of one value (k = 2), and its greatest standard parts")
	doc.add(t)
	if len(sources) > 0 {
		doc.tell("", strings.Join(sources, "; ")+".")
	}
}

// budgeted are the quantities that have an uncertainty, in the order of a page.
func budgeted() []pulse.Quantity {
	return append([]pulse.Quantity{pulse.RatePPS, pulse.RateIPM, pulse.PeriodMS, pulse.BreakPercent, pulse.BreakRatio, pulse.BreakMS,
		pulse.MakeMS, pulse.InterdigitMS, pulse.SegmentMS, pulse.BounceMS}, pulse.PairQuantities()...)
}
