package pulse_test

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"makebreak/daemon/config"
	"makebreak/pulse"
)

// The rows count as the verdict does, whatever is sent and judged.
func TestOffendersCountAsTheVerdict(t *testing.T) {
	all, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	var dials []*pulse.Profile
	for _, p := range all {
		if p.Kind == pulse.KindDial {
			dials = append(dials, p)
		}
	}
	out := 0
	rapid.Check(t, func(rt *rapid.T) {
		desc := fmt.Sprintf("dial digits=1234567890 repeat=2 rate=%d break=%d break-at=%d:70 jitter=%dus gap=500ms seed=%d lost=0.002",
			rapid.IntRange(7, 21).Draw(rt, "rate"), rapid.IntRange(50, 72).Draw(rt, "break"), rapid.IntRange(1, 10).Draw(rt, "odd"),
			rapid.SampledFrom([]int{0, 1, 100, 1500}).Draw(rt, "jitter"), rapid.Uint16().Draw(rt, "seed"))
		cfg := pulse.Config{Limits: rapid.SampledFrom(dials).Draw(rt, "limits")}
		survey, m := survey(t, desc, cfg)
		n := 0
		for _, l := range survey.OffenderCounts() {
			for _, it := range m.Conformity.Items {
				if it.Quantity != l.Name() || it.Bound != l.Side() {
					continue
				}
				n++
				want := l.Out
				if out += want; it.OutOfLimit != want {
					rt.Errorf("%s by %s: %s %s: %d out of limit, the rows have %d", desc, cfg.Limits.ID, it.Quantity, it.Bound, it.OutOfLimit, want)
				}
			}
		}
		if n == 0 && len(survey.OffenderCounts()) > 0 {
			rt.Error("no limit was compared")
		}
	})
	if out == 0 {
		t.Error("nothing was out of limit")
	}
}
