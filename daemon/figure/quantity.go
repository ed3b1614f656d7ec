package figure

import (
	"strings"

	"makebreak/pulse"
)

// Quantity gives the noun and the unit of a measured quantity, as the
// measurement document names it: "segment_3_ms" is "segment 3" in "ms". A name
// that it does not know is its own noun, without a unit.
func Quantity(name string) (noun, unit string) {
	switch pulse.Quantity(name) {
	case pulse.RatePPS:
		return "rate", "pps"
	case pulse.RateIPM:
		return "rate", "IPM"
	case pulse.BreakPercent:
		return "percent break", "%"
	case pulse.BreakRatio:
		return "break : make", ": 1"
	case pulse.InterdigitMS:
		return "interdigit", "ms"
	case pulse.OpenLagMS:
		return "open lag", "ms"
	case pulse.CloseLagMS:
		return "close lag", "ms"
	case pulse.BreakChangeMS:
		return "change of the break", "ms"
	case pulse.BothClosedMS:
		return "both closed", "ms"
	case pulse.BothOpenMS:
		return "both open", "ms"
	case pulse.BreakMS, pulse.MakeMS, pulse.PeriodMS, pulse.BounceMS:
		return strings.TrimSuffix(name, "_ms"), "ms"
	}
	if n, ok := strings.CutPrefix(name, "segment_"); ok {
		if n, ok := strings.CutSuffix(n, "_ms"); ok {
			return "segment " + n, "ms"
		}
	}
	return name, ""
}

// Unit writes a value with its unit: "70 ms", "1.9 : 1".
func Unit(value, unit string) string {
	if unit == "" {
		return value
	}
	return value + " " + unit
}

// Difference writes the difference of two values in a unit: that of two
// percentages is in percentage points.
func Difference(value, unit string) string {
	if unit == "%" {
		unit = "percentage points"
	}
	return Unit(value, unit)
}

// Verdict says a statement of conformity in words; the empty one says that there
// are no limits. Every page says it so.
func Verdict(s pulse.Statement) string {
	switch s {
	case pulse.Pass:
		return "within limits"
	case pulse.ConditionalPass:
		return "within limits, but by less than the uncertainty"
	case pulse.ConditionalFail:
		return "out of limits, but by less than the uncertainty"
	case pulse.Fail:
		return "out of limits"
	case "":
		return "no limits set"
	}
	return "cannot be told"
}
