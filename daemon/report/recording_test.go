package report

import (
	"strings"
	"testing"
	"time"

	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// The page names the line and what is to be thought of its calibration.
func TestLineOf(t *testing.T) {
	at := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	for name, c := range map[string]struct {
		calibration *Calibration
		says        string
	}{
		"none":    {nil, "No calibration was used"},
		"fits":    {&Calibration{At: at, Used: true, Words: "of 2026-03-01 through \"x\""}, `Calibration of 2026-03-01 through "x".`},
		"stale":   {&Calibration{At: at, Used: true, Why: "it is 200 days old, more than 180", Words: "of 2026-03-01"}, "STALE calibration, still used: it is 200 days old, more than 180."},
		"foreign": {&Calibration{At: at, Why: "it was made for another board: a, not b"}, "FOREIGN calibration, not used: it was made for another board: a, not b."},
	} {
		doc := new(Document)
		lineOf(doc, &Line{Line: "HOOK", Place: "gpiochip0:3", Label: "adapter", Bias: "pull-up", Ended: "by you", Recording: "x.csv", Calibration: c.calibration})
		page := strings.Join(strings.Fields(text(t, doc)), " ")
		for _, want := range []string{"Line HOOK (gpiochip0:3 of adapter), pull resistor pull-up. Ended by you. The edges are kept in x.csv.", c.says} {
			if !strings.Contains(page, want) {
				t.Errorf("%s: no %q in %s", name, want, page)
			}
		}
	}
}

// The cycles in which interruptions are missing or extra are named, the first few.
// The faults are put in by hand.
func TestIrregular(t *testing.T) {
	cfg := pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9}
	survey := surveyed(&cfg)
	m := measureEdges(t, hwtest.Sim(t, "cam ipm=60 cycles=90 missing-at=7,12 extra-at=20"), cfg)
	want := "In cycle 6, from 5.000 s on: 1 missing; in cycle 11, from 10.000 s on: 1 missing; in cycle 20, from 19.000 s on: 1 extra."
	if got := irregular(m, &About{Survey: survey}); got != want {
		t.Errorf("%s", got)
	}
	cfg = pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9}
	survey = surveyed(&cfg)
	m = measureEdges(t, hwtest.Sim(t, "cam ipm=60 cycles=90 missing-at=7,12,17,22,27,32,37,42"), cfg)
	if got := irregular(m, &About{Survey: survey}); !strings.HasSuffix(got, "from 30.000 s on: 1 missing; and 2 more, which --table lists.") {
		t.Error(got)
	}
	if got := irregular(m, &About{}); got != "" {
		t.Errorf("without rows: %s", got)
	}
}
