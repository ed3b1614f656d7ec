package watch

import (
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/hw/hwtest"
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

// A train ends without another one after it, and not before its gap is over.
func TestTrainEndsInSilence(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		r.open["L"] = func() (src, error) {
			at := r.now() + 1e9
			return scripted(r.now(), pulse.High, after(time.Second), hwtest.Edges(train(at, at+60e6)...), after(60*time.Millisecond),
				hwtest.Edges(train(at+100e6, at+160e6)...), hwtest.Stall(nil)), nil
		}
		r.start()
		r.pass(1300 * time.Millisecond) // 140 ms after the last edge; the gap is 150 ms
		r.is(map[string]float64{"trains_total{line}": 0})
		r.pass(700 * time.Millisecond)
		r.is(map[string]float64{"pulses_total{line}": 2, "trains_total{line}": 1, "last_rate_hertz{line}": 10})
	})
}

// It is ready once every source was tried, and says so in all places.
func TestReady(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, goodContact())
		tries := 0
		r.open["L"] = func() (src, error) {
			if tries++; tries > 1 {
				return nil, hw.ErrBusy
			}
			time.Sleep(2 * time.Second)
			if _, err := r.load("/-/ready"); err == nil || !strings.Contains(err.Error(), "503") {
				t.Errorf("ready before it is: %v", err)
			}
			if s := r.told(); slices.ContainsFunc(s, func(s string) bool { return strings.HasPrefix(s, "READY") }) {
				t.Errorf("told %q", s)
			}
			time.Sleep(time.Second)
			return nil, hw.ErrBusy
		}
		began := time.Now()
		r.start()
		if took := time.Since(began); took != 3*time.Second {
			t.Errorf("ready after %v", took)
		}
		synctest.Wait()
		for _, path := range []string{"/-/ready", "/-/healthy"} {
			if _, err := r.load(path); err != nil {
				t.Error(err)
			}
		}
		if _, err := r.load("/debug/pprof/"); err == nil {
			t.Error("profiles are served unasked")
		}
	})
}

// The uncertainty follows the kernel's clock, unless the configuration knows
// better: 15 ppm from a limit is near for a plain quartz, not for a clock that
// is steered.
func TestClockUncertainty(t *testing.T) {
	bubble(t, func(t *testing.T) {
		const cam = "cam,ipm=65.999,cycles=endless"
		r := newRig(t, sim("steered", cam, "limits: us-fcc-busy", "chain: {edge_noise: 0us, asymmetry_u: 0us}"),
			sim("given", cam, "limits: us-fcc-busy", "chain: {edge_noise: 0us, asymmetry_u: 0us, clock_error: 50ppm}"))
		r.start()
		r.pass(9 * time.Second)
		r.is(map[string]float64{"verdict{steered,conditional_pass}": 1, "verdict{given,conditional_pass}": 1})
		r.pass(2 * time.Second)
		r.is(map[string]float64{"verdict{steered,pass}": 1, "verdict{given,conditional_pass}": 1})
	})
}
