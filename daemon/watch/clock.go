package watch

import (
	"context"
	"fmt"
	"sync"
	"time"

	"makebreak/daemon/metrics"
	"makebreak/hw"
)

const (
	// clockEvery is how often the wall clock is compared with the monotonic one.
	clockEvery = 2 * time.Second
	// steerEvery is after how many comparisons the contacts are told how good
	// their time base is.
	steerEvery = 5
)

// clock is the task that compares the wall clock with the monotonic clock.
type clock struct {
	*watch
	mu   sync.Mutex
	last metrics.Clock
}

func newClock(w *watch) *clock {
	_, d := w.Host.Clock()
	return &clock{watch: w, last: metrics.Clock{Discipline: d}}
}

func (k *clock) String() string { return "clock" }

func (k *clock) Run(ctx context.Context) error {
	t := time.NewTicker(clockEvery)
	defer t.Stop()
	last, before := k.Host.Clock()
	k.set(before, 0)
	for n := 1; ; n++ {
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
		a, d := k.Host.Clock()
		if step, ok := a.Step(last); ok {
			k.Log.Warn(fmt.Sprintf("the wall clock was set %s; no interval is changed by it", by(step)))
			k.set(d, 1)
		} else {
			k.set(d, 0)
		}
		last = a
		if n%steerEvery == 0 {
			rel, from := hw.ClockUncertainty(before, d)
			for _, c := range k.all() {
				if c.steered.Load() {
					c.live.Clock(rel, from)
				}
			}
			before = d
		}
	}
}

// by says a step in words.
func by(step time.Duration) string {
	way := "forward"
	if step < 0 {
		way = "back"
	}
	if step = step.Abs(); step > time.Second {
		step = step.Round(time.Second)
	}
	return way + " by " + step.String()
}

func (k *clock) set(d hw.Discipline, steps uint64) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.last.Synchronised != d.Synchronised {
		k.Log.Info(map[bool]string{true: "the clock is synchronised", false: "the clock is not synchronised"}[d.Synchronised])
	}
	k.last = metrics.Clock{Discipline: d, Steps: k.last.Steps + steps}
}

func (k *clock) state() metrics.Clock {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.last
}
