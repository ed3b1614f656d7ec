package pulse_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// The order is that of dealing with a contact: speed first, bounce last, what
// passes by its margin.
func TestSortByPriority(t *testing.T) {
	item := func(q pulse.Quantity, s pulse.Statement, observed float64) pulse.Item {
		return pulse.Item{Quantity: string(q), Bound: "max", Limit: 10, Observed: pulse.Known(observed), Statement: s}
	}
	for _, c := range []struct {
		name  string
		items []pulse.Item
		want  []string
	}{
		{"all kinds", []pulse.Item{
			item(pulse.BounceMS, pulse.Fail, 11), item(pulse.InterdigitMS, pulse.Fail, 11), item(pulse.PeriodMS, pulse.Fail, 11), item(pulse.MakeMS, pulse.Fail, 11),
			item(pulse.BreakMS, pulse.ConditionalPass, 11), item(pulse.BreakPercent, pulse.ConditionalFail, 11), item(pulse.RatePPS, pulse.ConditionalFail, 11),
			item(pulse.SegmentMS, pulse.NotMeasured, 11),
		}, []string{"rate_pps", "break_percent", "make_ms", "period_ms", "interdigit_ms", "bounce_ms", "segment_ms", "break_ms"}},
		{"without a rate the period is the speed", []pulse.Item{item(pulse.BreakPercent, pulse.Fail, 11), item(pulse.PeriodMS, pulse.ConditionalFail, 11)},
			[]string{"period_ms", "break_percent"}},
		{"passes by margin", []pulse.Item{item(pulse.RatePPS, pulse.Pass, 5), item(pulse.BounceMS, pulse.Pass, 9)}, []string{"bounce_ms", "rate_pps"}},
		{"the worse statement first", []pulse.Item{item(pulse.BreakMS, pulse.ConditionalFail, 13), item(pulse.MakeMS, pulse.Fail, 12)}, []string{"make_ms", "break_ms"}},
		{"the greater excess first", []pulse.Item{item(pulse.BreakMS, pulse.Fail, 12), item(pulse.MakeMS, pulse.Fail, 13)}, []string{"make_ms", "break_ms"}},
	} {
		pulse.SortByPriority(c.items)
		var got []string
		for _, it := range c.items {
			got = append(got, it.Quantity)
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s: %s", c.name, diff)
		}
	}
}

// (limit − value) / limit for a maximum, the opposite for a minimum.
func TestMargin(t *testing.T) {
	for _, c := range []struct {
		bound           string
		limit, observed float64
		want            float64
	}{
		{"max", 10, 9, 0.1}, {"max", 10, 12, -0.2}, {"min", 10, 9, -0.1}, {"min", 50, 60, 0.2},
	} {
		it := pulse.Item{Bound: c.bound, Limit: c.limit, Observed: pulse.Known(c.observed)}
		if got := it.Margin(); got < c.want-1e-12 || got > c.want+1e-12 {
			t.Errorf("%+v: %g", c, got)
		}
	}
}
