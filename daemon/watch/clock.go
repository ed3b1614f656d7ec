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
	// clockEvery is how often the clocks are compared.
	clockEvery = 2 * time.Second
	// clockStep is the change between the two clocks that is taken for a step
	// of the wall clock, as the log takes it: steering slews both alike.
	clockStep = 10 * time.Millisecond
	// steerEvery comparisons the contacts are told how good their time base is.
	steerEvery = 5
)

// clock is the task that watches the wall clock against the monotonic one.
type clock struct {
	*watch
	mu    sync.Mutex
	known bool
	metrics.Clock
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
		step := a.Wall.Sub(last.At(a.Mono))
		if step.Abs() > clockStep+time.Duration(a.WithinNS+last.WithinNS) {
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

// by tells a step in words.
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
	if k.known && k.Synchronised != d.Synchronised {
		k.Log.Info(map[bool]string{true: "the clock is synchronised", false: "the clock is not synchronised"}[d.Synchronised])
	}
	k.known = true
	k.Clock = metrics.Clock{Synchronised: d.Synchronised, EstimatedErrorNS: d.EstimatedErrorNS, FrequencyPPM: d.FrequencyPPM, Steps: k.Steps + steps}
}

func (k *clock) state() (metrics.Clock, bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	return k.Clock, k.known
}
