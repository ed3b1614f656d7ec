package watch

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// fed counts the signs of life given so far.
func (r *rig) fed() (n int) {
	for _, s := range r.told() {
		if strings.HasPrefix(s, "WATCHDOG=1\n") {
			n++
		}
	}
	return n
}

// deaf is a source whose read does not come back, whatever its context says.
type deaf struct {
	*hwtest.Source
	wake chan struct{}
}

func (d *deaf) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	<-d.wake
	return d.Source.ReadEdges(ctx, buf)
}

// The service manager gets a sign of life while all is well, whatever lines and
// disks are like, and none while a contact or the log's writer is stuck.
func TestWatchdog(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, goodContact(), sim("ends", "dial,digits=1", "kind: dial"))
		r.opt.Watchdog = 30 * time.Second
		r.open["L"] = func() (src, error) { return nil, hw.ErrBusy }
		r.start()
		r.pass(5 * time.Minute)
		if n := r.fed(); n < 29 || n > 31 {
			t.Errorf("%d signs of life in 5 minutes", n)
		}
		if s := r.told(); !strings.Contains(s[len(s)-1], "STATUS=watching 3 contacts; not read: line") {
			t.Errorf("status %q", s[len(s)-1])
		}
	})
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, goodContact())
		r.opt.Watchdog = 30 * time.Second
		wake := make(chan struct{})
		r.open["L"] = func() (src, error) { return &deaf{silent(r.now()), wake}, nil }
		r.start()
		r.pass(15 * time.Second)
		before := r.fed()
		r.pass(2 * time.Minute)
		if n := r.fed() - before; n > 1 { // 30 s after the last one systemd acts
			t.Errorf("%d signs of life while a contact was stuck", n)
		}
		if l := r.lines("no progress"); len(l) != 1 || !strings.Contains(l[0], "contact line") {
			t.Errorf("told: %s", l)
		}
		if !strings.Contains(r.page(), "No progress: contact line.") {
			t.Error("the page does not tell")
		}
		close(wake)
		before = r.fed()
		r.pass(time.Minute)
		if n := r.fed() - before; n < 5 {
			t.Errorf("%d signs of life after it", n)
		}
		r.finish()
		r.isExact("good", good, booted+pulse.Stamp(195*time.Second))
	})
	bubble(t, func(t *testing.T) {
		r := newRig(t, goodContact())
		r.opt.Watchdog = 30 * time.Second
		wake := make(chan struct{})
		r.onLine = func(l string) { // nobody reads what is logged
			if strings.Contains(l, "cannot be written") {
				<-wake
			}
		}
		r.start()
		r.pass(15 * time.Second)
		file := filepath.Join(r.dir, "log.db")
		if err := errors.Join(os.Remove(file), os.Mkdir(file, 0o755)); err != nil { // nothing can be written there
			t.Fatal(err)
		}
		r.pass(5 * time.Second)
		before := r.fed()
		r.pass(9 * time.Minute)
		if n := r.fed() - before; n < 50 {
			t.Errorf("%d signs of life in nine minutes of a stuck writer", n)
		}
		if strings.Contains(r.page(), "No progress: log ") {
			t.Error("the page tells of no progress before it is so")
		}
		r.pass(2 * time.Minute)
		before = r.fed()
		r.pass(2 * time.Minute)
		if n := r.fed() - before; n > 0 {
			t.Errorf("%d signs of life after ten minutes of a stuck writer", n)
		}
		if !strings.Contains(r.page(), "No progress: log ") {
			t.Error("the page does not tell")
		}
		if !strings.Contains(r.page(), "Measuring goes on, but log cannot be written: log file is gone") {
			t.Error("the page does not tell why")
		}
		r.is(map[string]float64{"log_fault{other}": 1, "log_fault{disk_full}": 0, "up{good}": 1})
		if err := os.Remove(file); err != nil {
			t.Fatal(err)
		}
		close(wake)
		before = r.fed()
		r.pass(time.Minute)
		if n := r.fed() - before; n < 5 {
			t.Errorf("%d signs of life after it", n)
		}
		r.is(map[string]float64{"log_fault{other}": 0, "log_pending_edges{}": 0})
		if len(r.lines("the log is in order again")) != 1 {
			t.Error("it is not told that the log is in order again")
		}
	})
}

// hang makes the log's writer wait, as for a disk, after its file was lost and
// until the channel is closed. It is to be called before start.
func (r *rig) hang() (lose func(), wake chan struct{}) {
	wake = make(chan struct{})
	r.onLine = func(l string) {
		if strings.Contains(l, "the log file was removed") { // from within the writer
			<-wake
		}
	}
	return func() {
		if err := os.Remove(filepath.Join(r.dir, "log.db")); err != nil {
			r.Error(err)
		}
	}, wake
}

// A disk that hangs without an error is a fault of its own, told at once, and
// no reason to start anew while what is measured can be kept.
func TestSlowDisk(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, goodContact())
		r.opt.Watchdog = 30 * time.Second
		lose, wake := r.hang()
		r.start()
		r.pass(15 * time.Second)
		r.is(map[string]float64{"log_fault{slow_disk}": 0})
		lose()
		r.pass(5 * time.Second)
		r.is(map[string]float64{"log_fault{slow_disk}": 0, "log_fault{other}": 0})
		before := r.fed()
		r.pass(40 * time.Second)
		r.is(map[string]float64{"log_fault{slow_disk}": 1, "log_fault{other}": 0, "up{good}": 1})
		if !strings.Contains(r.page(), "Measuring goes on, but the disk is slow: the log has been waiting for it for 4") {
			t.Error("the page does not tell")
		}
		if l := r.lines("the disk is slow"); len(l) != 1 || !strings.Contains(l[0], "level=ERROR") {
			t.Errorf("told: %s", l)
		}
		if n := r.fed() - before; n != 4 {
			t.Errorf("%d signs of life in 40 s", n)
		}
		close(wake)
		r.pass(15 * time.Second)
		r.is(map[string]float64{"log_fault{slow_disk}": 0, "log_dropped_edges_total{}": 0})
		if len(r.lines("the disk takes the log again")) != 1 {
			t.Error("it is not told that the disk is well")
		}
		if strings.Contains(r.page(), "the disk is slow") {
			t.Error("the page goes on telling")
		}
	})
	// Once there is no room for edges any more, a new start may help.
	bubble(t, func(t *testing.T) {
		contacts := []string{line}
		for i := range 200 { // each has its share of the buffer
			contacts = append(contacts, "name: c"+itoa(i)+"\nsource: 'gpio:C"+itoa(i)+"'\nkind: dial")
		}
		r := newRig(t, contacts...)
		r.opt.Watchdog = 30 * time.Second
		for i := range 200 {
			r.open["C"+itoa(i)] = func() (src, error) { return silent(r.now()), nil }
		}
		r.open["L"] = func() (src, error) { return &storm{silent(r.now()), r.now, 10e3, r.now() + 60e9, 0}, nil }
		lose, wake := r.hang()
		defer close(wake)
		r.start()
		r.pass(15 * time.Second)
		lose()
		r.pass(40 * time.Second)
		if n := len(r.lines("no progress")); n > 0 {
			t.Errorf("told %d times of no progress", n)
		}
		r.pass(20 * time.Second) // edges come from 60 s on
		before := r.fed()
		r.pass(20 * time.Second)
		if n := r.fed() - before; n > 0 {
			t.Errorf("%d signs of life while edges are dropped", n)
		}
		if all, err := r.metrics(); err != nil || all["log_dropped_edges_total{}"] == 0 || len(r.lines("no progress")) != 1 {
			t.Errorf("%v: %v edges dropped, told: %s", err, all["log_dropped_edges_total{}"], r.lines("no progress"))
		}
	})
}

// A stop does not wait for a client that reads nothing, nor for a line in its
// pause (finish looks at the time).
func TestStopsInTime(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, goodContact())
		r.open["L"] = func() (src, error) { return nil, hw.ErrNoChip }
		r.start()
		for range 3 {
			c, err := r.pipes.dial(t.Context(), "", "")
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			if _, err := c.Write([]byte("GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n")); err != nil {
				t.Fatal(err)
			}
		}
		r.pass(10 * time.Second)
		r.finish()
		r.isExact("good", good, booted+pulse.Stamp(10*time.Second))
	})
}
