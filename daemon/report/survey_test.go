package report

import (
	"fmt"
	"strings"
	"testing"

	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// A verdict that counts otherwise than the rows leaves nothing to be said of where
// the pulses out of limit are.
func TestConfinedKeepsSilent(t *testing.T) {
	cfg := pulse.Config{Limits: limits(t, "us-1956-dial-late")}
	s := surveyed(&cfg)
	m := measureEdges(t, hwtest.Sim(t, "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7:70"), cfg)
	const confined, springs = "in train 7 alone", "while the rate holds"
	if got := adviceOf(m, s); len(got) != 1 || !strings.Contains(got[0], confined) {
		t.Fatalf("not confined: %q", got)
	}
	if got := adviceOf(m, nil); len(got) != 1 || !strings.Contains(got[0], springs) {
		t.Errorf("without rows: %q", got)
	}
	for i := range m.Conformity.Items {
		m.Conformity.Items[i].OutOfLimit++
	}
	if got := adviceOf(m, s); len(got) != 1 || !strings.Contains(got[0], springs) {
		t.Errorf("by another count than the verdict's: %q", got)
	}
}

// Lobes are found where there are any, by their openings or their breaks, and
// not where a motor is unsteady, a shaft swings or a contact is noisy.
func TestLobeSearch(t *testing.T) {
	find := func(desc string) int {
		t.Helper()
		search := new(pulse.LobeSearch)
		measureEdges(t, hwtest.Sim(t, desc), pulse.Config{Kind: pulse.KindInterrupter, Observer: pulse.Observer{Cycle: search.Cycle}})
		return search.Found()
	}
	zeros := func(n int) (s string) {
		for range n {
			s += ",0"
		}
		return s
	}
	for n := 2; n <= 12; n++ {
		for _, key := range []string{"lobe-errors", "lobe-breaks"} {
			desc := fmt.Sprintf("cam ipm=60 lobes=%d %s=9ms%s turns=12 jitter=0.5ms missing=0.02 seed=%d", n, key, zeros(n-1), n)
			if got := find(desc); got != n {
				t.Errorf("%s: found %d", desc, got)
			}
		}
	}
	// Two pairs of lobes that differ more than the lobes of a pair do.
	if got := find("cam ipm=60 lobes=4 lobe-errors=0,30ms,0,38ms turns=30 jitter=0.5ms"); got != 4 {
		t.Errorf("two pairs of lobes: found %d", got)
	}
	for seed := range 300 {
		for _, desc := range []string{"cam ipm=60 cycles=60 jitter=1ms", "cam ipm=60 cycles=30 jitter=0.2ms wander=3000", "cam ipm=60 cycles=100 drift=5000 jitter=0.1ms"} {
			if got := find(fmt.Sprintf("%s seed=%d", desc, seed)); got != 0 {
				t.Errorf("%s seed=%d: found %d", desc, seed, got)
			}
		}
	}
	for _, desc := range []string{
		"cam ipm=60 cycles=60", "cam ipm=60 lobes=4 lobe-errors=9ms,0,0,0 turns=5 jitter=0.5ms", "cam ipm=60 lobes=5 turns=20 jitter=1ms gear=0.37:8ms",
	} {
		if got := find(desc); got != 0 {
			t.Errorf("%s: found %d", desc, got)
		}
	}
}
