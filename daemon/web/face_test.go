package web

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/live"
	"makebreak/daemon/trend"
	"makebreak/pulse"
)

// What the page says of a change is what the analysis tells: a slope, a step, one of
// them, or none. The figures are made up.
func TestChangesOf(t *testing.T) {
	known := pulse.Known
	slope := func(v, low, high float64, better string) *pulse.Trend {
		return &pulse.Trend{SlopePerHour: known(v), Low: known(low), High: known(high), Better: better}
	}
	none := slope(0, -0.001, 0.001, pulse.BetterNone)
	none.ProvesPerHour = known(0.001)
	step := slope(0, -0.1, 0.1, pulse.BetterStep)
	step.Step = &pulse.Step{Size: known(-2.5), Low: known(-2.7), High: known(-2.3)}
	for name, c := range map[string]struct {
		t    *pulse.Trend
		want []change
	}{
		"none":    {none, []change{{"→", "none", "less than 0.0240 pps a day", "rate", "no drift shown"}}},
		"slope":   {slope(-0.5, -0.6, -0.4, pulse.BetterSlope), []change{{"↘", "near", "−12.0 ± 2.4 pps a day", "rate", "falls"}}},
		"step":    {step, []change{{"↧", "near", "−2.50 ± 0.20 pps", "rate", "stepped"}}},
		"unclear": {slope(0.01, -7, 7, pulse.BetterUnclear), []change{{"↝", "near", "by a slope or a step, which cannot be told", "rate", "has changed"}}},
		"unknown": {new(pulse.Trend), nil},
	} {
		f := live.Figures{Kind: pulse.KindDial, Changes: trend.Figures{Drift: &pulse.Drift{Rate: c.t}}}
		if diff := cmp.Diff(c.want, changesOf(&f)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}
