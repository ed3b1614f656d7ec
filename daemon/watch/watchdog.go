package watch

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"makebreak/daemon/store"
)

const (
	// checkEvery is how often the tasks are checked when no service manager waits.
	checkEvery = 10 * time.Second
	// slowDisk is how long the log's writer may be without an attempt to commit:
	// on a bad disk it makes one every five seconds, on one that hangs none.
	slowDisk = 10 * time.Second
	// hangingDisk is how long a disk may hang before the program is to be started
	// anew. Cards and network disks come back after minutes, and what is measured
	// meanwhile is in memory, where a new start would lose it.
	hangingDisk = 10 * time.Minute
)

// watchdog is the task that checks whether the others make progress. It gives
// the service manager a sign of life only while every contact is being handled
// and its edges can be kept: the log's writer may hang for ten minutes, as long
// as no edge is dropped because of that.
type watchdog struct {
	*watch
	began   time.Time
	dropped atomic.Uint64 // edges, when the log's writer last made progress
}

func (k *watchdog) String() string { return "watchdog" }

func (k *watchdog) Run(ctx context.Context) error {
	every := checkEvery
	if k.Watchdog > 0 {
		every = k.Watchdog / 3
	}
	t := time.NewTicker(every)
	defer t.Stop()
	told, hung := "", false
	for {
		s := k.store.Stats()
		d := k.writerHangs(&s)
		if hangs := d > 0; hangs != hung {
			hung = hangs
			if hangs {
				k.Log.Error("measuring goes on, but " + slow(d))
			} else {
				k.Log.Info("the disk takes the log again")
			}
		}
		if !hung {
			k.dropped.Store(s.DroppedEdges)
		}
		stalled := k.stalled(&s)
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

// stalled names a task that makes no progress, empty when all do. A contact that
// is well makes progress each second.
func (k *watchdog) stalled(s *store.Stats) string {
	most := 3 * checkEvery / 2
	if k.Watchdog > 0 {
		most = k.Watchdog / 2
	}
	for _, c := range k.all() {
		if !c.ended() && time.Duration(int64(k.Now())-c.beat.Load()) > most {
			return c.String()
		}
	}
	if d := k.writerHangs(s); d >= hangingDisk || d > 0 && s.DroppedEdges > k.dropped.Load() {
		return k.store.String()
	}
	return ""
}

// writerHangs is how long the log's writer has made no progress, 0 while that is
// no longer than it may be.
func (k *watchdog) writerHangs(s *store.Stats) time.Duration {
	d := min(time.Since(s.LastTry), time.Since(k.began))
	if d < slowDisk {
		return 0
	}
	return d
}

// slow says that the disk hangs.
func slow(d time.Duration) string {
	return fmt.Sprintf("the disk is slow: the log has been waiting for it for %v, with the edges kept in memory", d.Round(time.Second))
}
