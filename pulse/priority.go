package pulse

import (
	"cmp"
	"math"
	"slices"
)

// Severity orders statements: the whole takes the worst of its parts. It grows
// from 0 for a pass over conditional pass, not measured and conditional fail to
// 4 for a fail. Any other text counts as NotMeasured.
func (s Statement) Severity() int {
	switch s {
	case Pass:
		return 0
	case ConditionalPass:
		return 1
	case ConditionalFail:
		return 3
	case Fail:
		return 4
	}
	return 2
}

// Margin is by how much the worst value of the item keeps its limit, relative
// to the limit so that quantities compare. It is negative when the value is
// out of limit, and has no meaning where nothing was observed.
func (it *Item) Margin() float64 {
	d := it.Limit - it.Observed.V
	if it.Bound == "min" {
		d = -d
	}
	return d / max(math.Abs(it.Limit), 1e-9)
}

// SortByPriority sorts items in the order in which one would deal with them:
// first those out of limit, then those not measured, then those within their
// limit by less than the uncertainty. In each of these the speed comes before
// the quantities that depend on it, and bounce comes last. Items that pass
// follow, by their margin.
func SortByPriority(items []Item) {
	hasRate := slices.ContainsFunc(items, func(it Item) bool {
		return it.Quantity == string(RatePPS) || it.Quantity == string(RateIPM)
	})
	quantity := func(it *Item) int {
		switch Quantity(it.Quantity) {
		case RatePPS, RateIPM:
			return 0
		case BreakPercent, BreakRatio:
			return 1
		case InterdigitMS:
			return 4
		case BounceMS:
			return 5
		case PeriodMS:
			if !hasRate {
				return 0
			}
			return 3 // it repeats what the rate tells
		}
		return 2
	}
	const passes = 3
	class := func(it *Item) int {
		switch it.Statement {
		case Fail, ConditionalFail:
			return 0
		case ConditionalPass:
			return 2
		case Pass:
			return passes
		}
		return 1
	}
	slices.SortStableFunc(items, func(a, b Item) int {
		margins := cmp.Compare(a.Margin(), b.Margin())
		if class(&a) == passes && class(&b) == passes {
			return margins
		}
		return cmp.Or(class(&a)-class(&b), quantity(&a)-quantity(&b), b.Statement.Severity()-a.Statement.Severity(), margins)
	})
}
