package command

import (
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"makebreak/daemon/config"
	"makebreak/pulse"
)

// The rows count as the verdict does, whatever is sent and judged.
func TestTallyCountsAsTheVerdict(t *testing.T) {
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
		tl := newTally(&cfg)
		tl.listen(&cfg)
		m := measureEdges(t, simEdges(t, desc), cfg)
		n := 0
		for _, l := range tl.bounds {
			for _, it := range m.Conformity.Items {
				if it.Quantity != l.Name() || it.Bound != l.Side() {
					continue
				}
				n++
				want := l.out
				if out += want; it.OutOfLimit != want {
					rt.Errorf("%s by %s: %s %s: %d out of limit, the rows have %d", desc, cfg.Limits.ID, it.Quantity, it.Bound, it.OutOfLimit, want)
				}
			}
		}
		if n == 0 && len(tl.bounds) > 0 {
			rt.Error("no limit was compared")
		}
	})
	if out == 0 {
		t.Error("nothing was out of limit")
	}
}

// A verdict that counts otherwise than the rows leaves nothing to be said.
func TestConfinedKeepsSilent(t *testing.T) {
	cfg := pulse.Config{Limits: limits(t, "us-bell-1956-dial-late")}
	tl := newTally(&cfg)
	tl.listen(&cfg)
	m := measureEdges(t, simEdges(t, "dial digits=1234567890 rate=10 break=62 gap=800ms break-at=7:70"), cfg)
	if where, ok := tl.confined(m, groupRatio, true); !ok || where == "" {
		t.Fatal("not confined")
	}
	for i := range m.Conformity.Items {
		m.Conformity.Items[i].OutOfLimit++
	}
	if where, ok := tl.confined(m, groupRatio, true); ok {
		t.Errorf("confined %s, by another count than the verdict's", where)
	}
	var none *tally
	if _, ok := none.confined(m, groupRatio, true); ok {
		t.Error("confined without rows")
	}
}

// Lobes are found where there are any, by their openings or their breaks, and
// not where a motor is unsteady, a shaft swings or a contact is noisy.
func TestLobeSearch(t *testing.T) {
	find := func(desc string) int {
		t.Helper()
		cfg := pulse.Config{Kind: pulse.KindInterrupter}
		tl := newTally(&cfg)
		tl.listen(&cfg)
		measureEdges(t, simEdges(t, desc), cfg)
		return tl.lobes.Found()
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
