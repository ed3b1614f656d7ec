package report

import (
	"strings"
	"testing"
	"time"

	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// spoken is the section's text on one line.
func spoken(m *pulse.Measurement, a *About) string {
	doc := new(Document)
	drift(doc, m, a)
	var said []string
	for _, b := range doc.Blocks {
		if p, ok := b.(Paragraph); ok {
			said = append(said, strings.TrimSpace(p.Lead+" "+p.Text))
		}
	}
	return strings.Join(said, "\n")
}

// What is said of drift, in a log of six days: slopes by the day, forecasts by what
// they come to, and what a quiet record proves.
func TestDriftWords(t *testing.T) {
	n := pulse.Known
	ref := pulse.Reference{FromS: n(0), ToS: n(3600), Windows: 60, Target: n(61.2), Sigma: n(0.04)}
	m := &pulse.Measurement{Interrupter: &pulse.Interrupter{}, Drift: &pulse.Drift{
		WindowS: 60, Windows: 8000, WindowsNeeded: 30, ToS: 6 * 86400, SplitS: n(-60), WindowsBefore: 12, EarlierWindows: 1440, EarlierToS: n(86400),
		InControl: pulse.ChartRun{EWMA: 500, CUSUM: 465},
		Rate:      &pulse.Trend{N: 8000, SlopePerHour: n(0), Low: n(-0.002), High: n(0.0021), ProvesPerHour: n(0.0021), Better: "none", Reference: ref, Alarm: true, AlarmSinceS: n(7200)},
		BreakPercent: &pulse.Trend{N: 8000, SlopePerHour: n(0.31 / 24), Low: n(0.27 / 24), High: n(0.35 / 24), Better: "slope", Reference: ref,
			CrossesLimitInHours:       &pulse.Crossing{Limit: 65, Upper: true, Estimate: n(270), Low: n(9.1 * 24), High: n(13.8 * 24)},
			SingleCrossesLimitInHours: &pulse.Crossing{Limit: 65, Upper: true, Estimate: n(150), Low: n(5.2 * 24), High: n(7.9 * 24)}},
		BreakMS: &pulse.Trend{N: 8000, SlopePerHour: n(0.1), Low: n(0.05), High: n(0.15), Better: "step", Step: &pulse.Step{AtS: 86400, Size: n(-4.25), Low: n(-4.5), High: n(-4.0)},
			CrossesLimitInHours: &pulse.Crossing{Limit: 40, Beyond: true, Estimate: n(0), Low: n(0), High: n(0)}},
		Lobes: []pulse.LobeTrend{
			{Lobe: 1, Trend: pulse.Trend{SlopePerHour: n(0)}, Opening: &pulse.Trend{SlopePerHour: n(0), Better: "none", ProvesPerHour: n(0.011)}, Break: &pulse.Trend{SlopePerHour: n(0), Better: "none", ProvesPerHour: n(0.02)}},
			{Lobe: 3, Trend: pulse.Trend{SlopePerHour: n(8.1 / 24)}, Opening: &pulse.Trend{}, Break: &pulse.Trend{SlopePerHour: n(8.1 / 24), Low: n(7.9 / 24), High: n(8.3 / 24), Better: "slope"}},
			{Lobe: 4, Trend: pulse.Trend{SlopePerHour: n(0.1)}, Opening: &pulse.Trend{SlopePerHour: n(-0.1), Low: n(-0.15), High: n(-0.05), Better: "unclear", Step: &pulse.Step{AtS: 7200, Size: n(-3), Low: n(-4), High: n(-2)}}, Break: &pulse.Trend{}},
		},
	}}
	a := &About{Log: &stretch.Report{Wall: func(s float64) time.Time {
		return time.Date(2026, 11, 14, 0, 0, 0, 0, time.UTC).Add(time.Duration(s * 1e9))
	}}}
	got := spoken(m, a)
	for _, want := range []string{
		"8,000 windows of 60 s, from 2026-11-14 00:00 UTC to 2026-11-20 00:00 UTC; those before the note of 2026-11-13 23:59 UTC (12) are another series.",
		"1,440 of them, until 2026-11-15 00:00 UTC, come from the log's summaries",
		"Rate No drift shown: less than 0.051 IPM a day (95 %). Away from 61.200 IPM, its level from 2026-11-14 00:00 UTC to 2026-11-14 01:00 UTC, since 2026-11-14 02:00 UTC.",
		"Percent break Rises 0.310 ± 0.040 points a day since 2026-11-14 00:00 UTC; at that pace its mean reaches 65 % in 9 to 14 days, single cycles in 5 to 8 days.",
		"Break Stepped down by 4.25 ± 0.25 ms at 2026-11-15 00:00 UTC; no steady change explains it as well. Its mean is beyond 40 ms already.",
		"Lobe 3 break Rises 8.10 ± 0.20 ms a day",
		"Lobe 4 opening Has changed, and it cannot be told how: it falls 2.4 ± 1.2 ms a day, or it stepped down by 3.0 ± 1.0 ms at 2026-11-14 02:00 UTC.",
		"Other lobes Of none a drift is shown: less than 0.48 ms a day",
		"Target and spread are of 60 windows",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("the page does not say %q but\n%s", want, got)
		}
	}
	m.Drift = &pulse.Drift{WindowS: 3600, Windows: 3, WindowsNeeded: 30, ToS: 3 * 3600, Rate: &pulse.Trend{N: 3, Reference: pulse.Reference{Windows: 3}}}
	got = spoken(m, &About{})
	for _, want := range []string{"3 windows of 1 h, from the first edge to 3:00:00.000.", "3 windows are too few for a trend, which needs 30", "the reference has 3"} {
		if !strings.Contains(got, want) {
			t.Errorf("the page does not say %q but\n%s", want, got)
		}
	}
	m.Drift = nil
	if got := spoken(m, &About{}); got != "" {
		t.Errorf("without drift: %s", got)
	}
}

// A time ahead has the unit and the digits that it supports, and never claims more.
func TestTimesAhead(t *testing.T) {
	for _, tt := range []struct {
		low, high float64
		want      string
	}{
		{0, 0.01, "less than 2 minutes"}, {0.2, 1.1, "12 to 66 minutes"}, {10.72, 10.93, "10.7 to 11.0 hours"}, {5, 30, "5 to 30 hours"},
		{9.1 * 24, 13.8 * 24, "9 to 14 days"}, {0.1, 80, "at most 4 days"}, {20000, 50000, "2 to 6 years"},
	} {
		if got := inTime(&pulse.Crossing{Low: pulse.Known(tt.low), High: pulse.Known(tt.high)}); got != tt.want {
			t.Errorf("%v to %v h: %q, want %q", tt.low, tt.high, got, tt.want)
		}
	}
	if got := inTime(&pulse.Crossing{Low: pulse.Known(30), Estimate: pulse.Known(60)}); got != "about 2 days, not before about 30 hours" && got != "about 3 days, not before about 30 hours" {
		t.Errorf("without an upper end: %q", got)
	}
}

// What is said of a lobe that leads to a limit, of why nothing is forecast, of merged
// windows, of single values that are out, and with which digits.
func TestDriftForecastWords(t *testing.T) {
	n := pulse.Known
	rising := func(slope, u float64) pulse.Trend {
		return pulse.Trend{N: 100, SlopePerHour: n(slope), Low: n(slope - u), High: n(slope + u), LevelAtEnd: n(500), Better: "slope"}
	}
	whole, lobe := rising(1.6/24, 0.012/24), rising(8.0/24, 0.04/24)
	whole.NoForecast = pulse.NoForecastFar
	whole.SingleCrossesLimitInHours = &pulse.Crossing{Limit: 530, Upper: true, Estimate: n(13.5), Low: n(13), High: n(14), Lobe: 3}
	lobe.CrossesLimitInHours = &pulse.Crossing{Limit: 530, Upper: true, Estimate: n(66), Low: n(65), High: n(67)}
	lobe.SingleCrossesLimitInHours = whole.SingleCrossesLimitInHours
	percent := rising(10.0/24, 1e-10)
	quiet := &pulse.Trend{N: 100, SlopePerHour: n(0), Low: n(-1e-6), High: n(1e-6), ProvesPerHour: n(1e-6), LevelAtEnd: n(60), Better: "none"}
	m := &pulse.Measurement{Interrupter: &pulse.Interrupter{},
		Uncertainty: map[pulse.Quantity]*pulse.BudgetResult{
			pulse.RateIPM: {Expanded: n(0.0069)}, pulse.BreakPercent: {Expanded: n(0.013)}, pulse.BreakMS: {Expanded: n(0.14)}},
		Drift: &pulse.Drift{WindowS: 10, AskedWindowS: 1, Windows: 100, WindowsNeeded: 30, ToS: 86400, SplitS: n(0), ClockRel: n(50e-6),
			Rate: quiet, BreakPercent: &percent, BreakMS: &whole,
			Lobes: []pulse.LobeTrend{{Lobe: 3, Trend: lobe, Opening: quiet, Break: &lobe}}}}
	says := func(want ...string) {
		t.Helper()
		got := spoken(m, &About{})
		for _, w := range want {
			if !strings.Contains(got, w) {
				t.Errorf("the page does not say %q but\n%s", w, got)
			}
		}
	}
	says("100 windows of 10 s in the median, merged from 1 s until each has ten periods, from the first edge to",
		"Rate No drift shown: less than 0.00003 IPM a day (95 %). The computer's clock is known within ± 100 ppm: by as much, 0.0060 IPM here, a drift of its own may make or hide one.",
		"Percent break Rises 10.0000 ± 0.0001 points a day.",
		"Break Rises 1.600 ± 0.012 ms a day; at that pace single cycles reach 530 ms in 13.0 to 14.0 hours, first those of lobe 3; its mean reaches no limit within ten times the time observed.",
		"Lobe 3 break Rises 8.000 ± 0.040 ms a day; at that pace its mean reaches 530 ms in 2.7 to 2.8 days, single cycles in 13.0 to 14.0 hours.")
	if got := spoken(m, &About{}); strings.Contains(got, "another series") {
		t.Errorf("no window is of another series:\n%s", got)
	}
	lobe.SingleCrossesLimitInHours = &pulse.Crossing{Limit: 530, Upper: true, Beyond: true, Estimate: n(0), Low: n(0), High: n(0), Value: n(530.04), Lobe: 3}
	whole.SingleCrossesLimitInHours = lobe.SingleCrossesLimitInHours
	says("in 2.7 to 2.8 days. Single cycles are beyond 530 ms already, as far as 530.04 ms.", "Single cycles of lobe 3 are beyond 530 ms already")
	lobe.CrossesLimitInHours, lobe.SingleCrossesLimitInHours = nil, nil
	for reason, want := range map[string]string{
		pulse.NoForecastUnsure:  "ms a day, not sure enough yet to say when it reaches a limit.",
		pulse.NoForecastFar:     "ms a day; its mean reaches no limit within ten times the time observed.",
		pulse.NoForecastSingles: "ms a day; single cycles get there earlier, and when is not told: they are not of one kind.",
	} {
		lobe.NoForecast = reason
		says(want)
	}
	lobe.Better, lobe.NoForecast, lobe.Step = pulse.BetterStep, pulse.NoForecastStep, &pulse.Step{AtS: 60, Size: n(2), Low: n(1.9), High: n(2.1)}
	says("no steady change explains it as well, so when it reaches a limit is not told.")
	// A drift that is far greater than what the clock may do needs no such words.
	quiet.ProvesPerHour = n(0.01)
	if got := spoken(m, &About{}); strings.Contains(got, "computer's clock") {
		t.Errorf("of a clock that does not matter:\n%s", got)
	}
}

// What is drawn: what changes, the lobes too, with the limits on it.
func TestDriftDraws(t *testing.T) {
	n := pulse.Known
	quiet := func() *pulse.Trend { return &pulse.Trend{N: 100, SlopePerHour: n(0), Better: "none"} }
	rising := &pulse.Trend{N: 100, SlopePerHour: n(1), Better: "slope"}
	m := &pulse.Measurement{Conformity: &pulse.Conformity{Items: []pulse.Item{{Quantity: "break_ms", Limit: 512}}}}
	d := &pulse.Drift{WindowsNeeded: 30, Rate: quiet(), BreakPercent: quiet(), BreakMS: quiet()}
	titles := func() string {
		var all []string
		s := driftSpeech{d: d, a: &About{}}
		for _, p := range s.drawn(m, "IPM") {
			all = append(all, p.title)
		}
		return strings.Join(all, "; ")
	}
	if got := titles(); got != "Rate; Percent break" {
		t.Errorf("of a quiet record: %s", got)
	}
	d.BreakMS = rising
	d.Lobes = []pulse.LobeTrend{{Lobe: 1, Opening: quiet(), Break: quiet()}, {Lobe: 3, Opening: rising, Break: rising, Whole: rising}}
	if got := titles(); got != "Percent break; Break; Lobe 3 opening, error; Lobe 3 break" {
		t.Errorf("of a lobe that wears: %s", got)
	}
	s := driftSpeech{d: d, a: &About{}}
	all := s.drawn(m, "IPM")
	w := &pulse.Window{LobeBreakMS: n(500), Lobes: []pulse.LobeWindow{{}, {Break: pulse.WindowMean{N: 1, Mean: 4}}}}
	d.Lobes[1].Lobe = 2
	if y, ok := all[3].of(w); !ok || y != 504 || len(all[3].limits) != 1 {
		t.Errorf("the break of a lobe: %v, limits %v", y, all[3].limits)
	}
}
