package pulse_test

import (
	"slices"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

// What is left to do at the end may be done in any order, and at the same time.
func TestTogether(t *testing.T) {
	for desc, cfg := range map[string]pulse.Config{
		"dial digits=1234567890 jitter=1ms bounce=3:0.5ms repeat=30": {},
		"cam lobes=3 jitter=1ms bounce=3:0.5ms cycles=500":           {Lobes: 3},
		"cam ipm=30 jitter=1ms cycles=100":                           {CadenceNS: []int64{1e9, 1e9}},
	} {
		edges, _ := makeSignal(t, desc)
		measure := func(run func([]func())) *pulse.Measurement {
			m, err := pulse.NewMeter(cfg)
			if err != nil {
				t.Fatal(err)
			}
			if run != nil {
				m.Together(run)
			}
			m.Add(edges)
			r := m.Finish(0)
			if r.Dial != nil {
				r.Dial.Trains = pulse.Trains{} // they are not among the tasks
			}
			return r
		}
		want := measure(nil)
		ran := 0
		for _, run := range []func([]func()){
			func(tasks []func()) {
				for _, task := range slices.Backward(tasks) {
					ran++
					task()
				}
			},
			func(tasks []func()) {
				var working sync.WaitGroup
				for _, task := range tasks {
					working.Go(task)
				}
				working.Wait()
			},
		} {
			if diff := cmp.Diff(want, measure(run), cmp.AllowUnexported(pulse.Trains{}), cmp.AllowUnexported(pulse.Location{})); diff != "" {
				t.Errorf("%s: %s", desc, diff)
			}
		}
		if ran < 5 || want.Settling.BounceMS.N == 0 {
			t.Errorf("%s: %d tasks, %d values of bounce", desc, ran, want.Settling.BounceMS.N)
		}
	}
}
