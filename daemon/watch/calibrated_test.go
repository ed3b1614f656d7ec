package watch

import (
	"fmt"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"makebreak/daemon/calibration"
	"makebreak/hw"
	"makebreak/pulse"
)

// A line is read with what its calibration found of the chain, wherever the
// file does not say otherwise; the log keeps it for those who measure again.
func TestCalibratedLines(t *testing.T) {
	bubble(t, func(t *testing.T) {
		names := []string{"plain", "noise", "asymmetry", "chain", "foreign", "stale", "broken", "later", "none"}
		lines := []string{sim("sim", good, "kind: dial")}
		for _, n := range names {
			chain := map[string]string{
				"noise": "\nchain: {edge_noise: 9us}", "asymmetry": "\nchain: {asymmetry_u: 1us}", "chain": "\nchain: {edge_noise: 9us, asymmetry: 5us}",
			}[n]
			lines = append(lines, "name: "+n+"\nsource: 'gpio:"+n+"'\nkind: dial"+chain)
		}
		r := newRig(t, lines...)
		var plugged atomic.Bool
		for _, n := range names {
			r.open[n] = func() (src, error) {
				if n == "later" && !plugged.Load() {
					return nil, fmt.Errorf("find line: %w", hw.ErrNoChip)
				}
				return silent(r.now()), nil
			}
			r.found[n] = func() (k *calibration.Calibration, fit calibration.Fitness, err error) {
				k = &calibration.Calibration{
					At: time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC), Coupler: "board 7",
					Result: &pulse.Loopback{EdgeNoise: pulse.Known(4e3), Asymmetry: pulse.Known(42e3), AsymmetryU: pulse.Known(300)},
				}
				switch n {
				case "foreign":
					fit = calibration.Fitness{Foreign: true, Why: "it was made for another board"}
				case "stale":
					fit = calibration.Fitness{Stale: true, Why: "it is 200 days old"}
				case "broken":
					return nil, fit, fmt.Errorf("calibration x.json: no JSON")
				case "none":
					return nil, fit, nil
				case "later":
					if !plugged.Load() {
						return nil, fit, &hw.OpError{Op: "find line", Line: n, Err: hw.ErrNoChip}
					}
				}
				return k, fit, nil
			}
		}
		r.start()
		r.pass(time.Minute)
		plugged.Store(true)
		r.pass(time.Minute)
		synctest.Wait()

		none := pulse.DefaultSetup()
		const from = "loopback calibration of 2026-03-02"
		for _, tt := range []struct {
			name          string
			noise         float64
			asymmetry, u  float64
			noiseFrom, aF string
			rows          int
		}{
			{"plain", 4e3, 42e3, 300, from, from, 1},
			{"stale", 4e3, 42e3, 300, from, from, 1},
			{"noise", 9e3, 42e3, 300, "given", from, 1},
			{"asymmetry", 4e3, 0, 1e3, from, "given", 1},
			{"chain", 9e3, 5e3, none.AsymmetryUNS, "given", none.AsymmetryFrom, 1},
			{"foreign", none.EdgeNoiseNS, 0, none.AsymmetryUNS, none.EdgeNoiseFrom, none.AsymmetryFrom, 1},
			{"broken", none.EdgeNoiseNS, 0, none.AsymmetryUNS, none.EdgeNoiseFrom, none.AsymmetryFrom, 1},
			{"none", none.EdgeNoiseNS, 0, none.AsymmetryUNS, none.EdgeNoiseFrom, none.AsymmetryFrom, 1},
			{"later", 4e3, 42e3, 300, from, from, 2},
			{"sim", none.EdgeNoiseNS, 0, none.AsymmetryUNS, none.EdgeNoiseFrom, none.AsymmetryFrom, 1},
		} {
			all, err := r.book().Configurations(t.Context(), tt.name)
			if err != nil || len(all) != tt.rows {
				t.Errorf("%s: %d configurations, want %d: %v", tt.name, len(all), tt.rows, err)
				continue
			}
			cfg, err := Reading(all[len(all)-1])
			if err != nil {
				t.Fatal(err)
			}
			s := cfg.Setup
			if s.EdgeNoiseNS != tt.noise || s.EdgeNoiseFrom != tt.noiseFrom || s.AsymmetryNS != tt.asymmetry || s.AsymmetryUNS != tt.u || s.AsymmetryFrom != tt.aF {
				t.Errorf("%s: read with %+v, want %+v", tt.name, *s, tt)
			}
		}
		for text, want := range map[string]int{"calibration of the line": 7, "made for another board": 1, "200 days old": 1, "no JSON": 1} {
			if n := r.lines(text); len(n) != want {
				t.Errorf("%q told %d times, want %d: %s", text, len(n), want, n)
			}
		}

		// A new configuration is read with it too, and what is read goes on.
		r.write(append(lines[:1:1], strings.Replace(lines[1], "kind: dial", "limits: au-s002-dial", 1))...)
		r.pass(time.Minute)
		all, err := r.book().Configurations(t.Context(), "plain")
		if err != nil || len(all) != 2 {
			t.Fatal(len(all), err)
		}
		if cfg, err := Reading(all[1]); err != nil || cfg.Setup.AsymmetryNS != 42e3 || cfg.Limits == nil {
			t.Errorf("%+v, %v", cfg.Setup, err)
		}
	})
}
