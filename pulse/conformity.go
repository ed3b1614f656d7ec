package pulse

import (
	"math"

	"gonum.org/v1/gonum/mathext"
)

// judgeSlack is the part of the figures' size by which they may miss a bound
// and still be on it: a few roundings of float64 (2e-16 each) are less, one
// nanosecond in a quarter of an hour is more.
const judgeSlack = 1e-12

// Judge states whether an observed value keeps a limit (upper, else lower),
// with a guard band equal to the expanded uncertainty (ILAC-G8:09/2019, 4.2.3;
// JCGM 106:2012). All three figures are in one unit. With d the excess beyond
// the limit, negative inside:
//
//	d ≤ −U      pass
//	−U < d ≤ 0  conditional pass
//	0 < d ≤ U   conditional fail
//	d > U       fail
//
// So on the limit is a conditional pass, or a pass where U is 0. Values within
// a relative 1e-12 of a bound are on it, so that rounding (60 % computed as
// 60.00000000000001 %) does not turn a verdict. A value or uncertainty that is
// not a number, infinite, or a negative uncertainty, is NotMeasured.
func Judge(observed, limit, expandedU float64, upper bool) Statement {
	if !finite(observed) || !finite(expandedU) || expandedU < 0 || math.IsNaN(limit) {
		return NotMeasured
	}
	excess := observed - limit
	if !upper {
		excess = -excess
	}
	if math.IsInf(limit, 0) {
		if excess < 0 {
			return Pass
		}
		return Fail
	}
	size := max(math.Abs(observed), math.Abs(limit))
	slack := judgeSlack * max(size, expandedU)
	switch {
	case excess <= slack-expandedU:
		return Pass
	case excess <= judgeSlack*size:
		return ConditionalPass
	case excess <= slack+expandedU:
		return ConditionalFail
	}
	return Fail
}

// OnLimit tells whether a value is on a limit, but for rounding, as Judge has
// it.
func OnLimit(observed, limit float64) bool {
	return math.Abs(observed-limit) <= judgeSlack*max(math.Abs(observed), math.Abs(limit))
}

// Worst gives the worse of two statements, in the order pass, conditional
// pass, not measured, conditional fail, fail: a part that was not measured is
// never a pass of the whole, and never hides a value found beyond its limit.
// Anything but the five statements counts as NotMeasured.
func Worst(a, b Statement) Statement {
	return [...]Statement{Pass, ConditionalPass, NotMeasured, ConditionalFail, Fail}[max(a.Severity(), b.Severity())]
}

// UpperBound95 is the one-sided 95 % upper confidence bound, from 0 to 1, on
// the fraction of values out of limit, when out of so many were seen to be (C.
// J. Clopper and E. S. Pearson, Biometrika 26, 1934). For none out it is
// 1 − 0.05^(1/of), about 3/of; for all out it is 1. Not ok where of is 0 or out
// is not in 0…of.
func UpperBound95(out, of int) (fraction float64, ok bool) {
	switch {
	case of < 1 || out < 0 || out > of:
		return 0, false
	case out == 0: // with all the digits that 1 − x would lose
		return -math.Expm1(math.Log(0.05) / float64(of)), true
	case out == of:
		return 1, true
	}
	return mathext.InvRegIncBeta(float64(out)+1, float64(of-out), 0.95), true
}
