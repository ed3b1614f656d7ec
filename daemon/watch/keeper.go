package watch

import (
	"context"
	"time"
)

// keepEvery is how often tasks are looked after when no service manager waits.
const keepEvery = 10 * time.Second

// keeper is the task that looks whether the others make progress, and gives
// the service manager a sign of life only while every contact's edges or
// silence are being handled and the log's writer comes round.
type keeper struct{ *watch }

func (k *keeper) String() string { return "watchdog" }

func (k *keeper) Run(ctx context.Context) error {
	every := keepEvery
	if k.Watchdog > 0 {
		every = k.Watchdog / 3
	}
	t := time.NewTicker(every)
	defer t.Stop()
	told := ""
	for {
		stalled := k.stalled()
		if stalled != told && stalled != "" {
			k.Log.Error("no progress", "task", stalled)
		} else if stalled != told {
			k.Log.Info("progress again")
		}
		told = stalled
		if stalled == "" && k.Watchdog > 0 {
			k.notify("WATCHDOG=1\nSTATUS=" + k.status())
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// stalled names a task that makes no progress, empty when all do. A task that
// is well gives a sign each second; the writer of a bad disk each five.
func (k *keeper) stalled() string {
	most := 3 * keepEvery / 2
	if k.Watchdog > 0 {
		most = k.Watchdog / 2
	}
	for _, c := range k.all() {
		if !c.ended() && time.Duration(int64(k.Now())-c.beat.Load()) > most {
			return c.String()
		}
	}
	if last := k.store.Stats().LastTry; time.Since(last) > most && time.Since(k.began) > most {
		return k.store.String()
	}
	return ""
}
