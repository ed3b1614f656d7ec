package watch

import (
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// Every edge of every contact is in the log, exact, and in the figures once.
func TestEdgesReachLogAndFigures(t *testing.T) {
	const (
		dial    = "dial,digits=1234567890,rate=20,repeat=endless,jitter=0.1ms,bounce=3:1ms,seed=1"
		cam     = "cam,ipm=120,cycles=endless,jitter=0.5ms,bounce-close=3:1.5ms,missing=0.02,seed=2"
		cadence = "cadence,400/200/400/2000,cycles=endless,jitter=1ms,seed=3"
	)
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("dial", dial, "kind: dial"), sim("cam", cam, "kind: interrupter", "rate: 120ipm"), sim("cadence", cadence, "limits: au-s002-ringing-tone"))
		r.start()
		r.pass(5 * time.Minute)
		r.finish()
		for name, d := range map[string]string{"dial": dial, "cam": cam, "cadence": cadence} {
			all := r.logged(name)
			edges, readings := known(all)
			want := signal(t, d, booted, booted+pulse.Stamp(5*time.Minute-batch))
			if err := sameEdges(edges, want); err != nil {
				t.Errorf("%s: %v", name, err)
			}
			if readings != 1 || all[0].Level != pulse.Unknown || all[0].At != booted || all[1].Level != pulse.High || all[len(all)-1].Level != pulse.Unknown {
				t.Errorf("%s: %d readings, %+v … %+v", name, readings, all[:2], all[len(all)-1])
			}
			var sum store.Summary
			for m, err := range r.book().Summaries(t.Context(), store.Span{}, name) {
				if err != nil {
					t.Fatal(err)
				}
				sum.Edges += m.Edges
				sum.LengthNS += m.LengthNS
				sum.Missing += m.Missing
			}
			if sum.Edges != int64(len(want)) || sum.LengthNS != int64(5*time.Minute) || (sum.Missing > 0) != (name == "cam") {
				t.Errorf("%s: summaries have %d edges, want %d, and %v; %d missing", name, sum.Edges, len(want), time.Duration(sum.LengthNS), sum.Missing)
			}
		}
		if got := r.findings("cadence"); len(got) != 0 {
			t.Errorf("findings of a contact in good order: %q", got)
		}
	})
}
