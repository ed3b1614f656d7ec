package watch

import (
	"context"
	"fmt"
	"sync/atomic"
	"time"

	"makebreak/daemon/store"
)

const (
	// keepEvery is how often tasks are looked after when no service manager waits.
	keepEvery = 10 * time.Second
	// slowDisk is how long the log's writer may take to come round: a bad disk
	// lets it do so every five seconds, and one that hangs not at all.
	slowDisk = 10 * time.Second
	// hangingDisk is how long a disk may hang without a new start: cards and
	// network disks come back after minutes, and what is measured meanwhile is
	// in memory, where a new start would lose it.
	hangingDisk = 10 * time.Minute
)

// keeper is the task that looks whether the others make progress, and gives
// the service manager a sign of life only while every contact's edges or
// silence are being handled and can be kept: the log's writer may hang, for ten
// minutes and as long as no edge is dropped for it.
type keeper struct {
	*watch
	began   time.Time
	dropped atomic.Uint64 // edges, when the log's writer last came round
}

func (k *keeper) String() string { return "watchdog" }

func (k *keeper) Run(ctx context.Context) error {
	every := keepEvery
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

// stalled names a task that makes no progress, empty when all do. A task that
// is well gives a sign each second.
func (k *keeper) stalled(s *store.Stats) string {
	most := 3 * keepEvery / 2
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

// writerHangs is for how long the log's writer has not come round, 0 while that
// is no longer than it may take.
func (k *keeper) writerHangs(s *store.Stats) time.Duration {
	d := min(time.Since(s.LastTry), time.Since(k.began))
	if d < slowDisk {
		return 0
	}
	return d
}

// slow tells of a disk that hangs.
func slow(d time.Duration) string {
	return fmt.Sprintf("the disk is slow: the log has been waiting for it for %v, with the edges kept in memory", d.Round(time.Second))
}
