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
