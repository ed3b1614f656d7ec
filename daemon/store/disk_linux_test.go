package store

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"makebreak/pulse"
)

// smallDisk mounts a real file system of its own.
func smallDisk(t *testing.T, bytes int) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("tmpfs", dir, "tmpfs", 0, fmt.Sprintf("size=%d", bytes)); err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatalf("mount a small disk: %v", err)
		}
		t.Skipf("not run: a small disk cannot be mounted here (%v); MAKEBREAK_TESTS=require makes this a failure", err)
	}
	t.Cleanup(func() {
		if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// fill uses up what is left of a disk.
func fill(t *testing.T, dir string) (empty func()) {
	t.Helper()
	name := filepath.Join(dir, "filler")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for {
		if _, err := f.Write(make([]byte, 4096)); err != nil {
			if !errors.Is(err, unix.ENOSPC) {
				t.Fatal(err)
			}
			return func() {
				if err := os.Remove(name); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

func TestDiskFull(t *testing.T) {
	dir := smallDisk(t, 2<<20)
	clock := newClock()
	var told faults
	s := open(t, filepath.Join(dir, "log"), clock, Options{OnFault: told.add, BufferBytes: 40 * blockMemory})
	c, quiet := s.Contact(dialA), s.Contact(named("quiet"))
	begin := clock.mono()
	noise := rand.New(rand.NewPCG(1, 1))
	at, seq := begin, uint32(0)
	var sent []pulse.Edge
	send := func(n int) {
		edges := make([]pulse.Edge, n)
		for i := range edges {
			at += pulse.Stamp(noise.IntN(1e8))
			seq++
			edges[i] = pulse.Edge{At: at, Seq: seq, Level: pulse.Level(seq % 2)}
		}
		c.Append(edges)
		sent = append(sent, edges...)
	}
	send(1000)
	mustCommit(t, s)
	empty := fill(t, dir)
	failures := uint64(0)
	for range 200 {
		clock.advance(time.Second)
		send(1500)
		quiet.Append([]pulse.Edge{{At: clock.mono(), Level: pulse.Level(failures % 2)}})
		if s.Flush() != nil {
			failures++
		}
	}
	st := s.Stats()
	if failures == 0 || st.WriteErrors != failures || st.Fault == nil || st.Fault.Kind != DiskFull {
		t.Fatalf("%d failures, %+v", failures, st)
	}
	if n := dropped(quiet); n != 0 {
		t.Errorf("the quiet contact lost %d edges", n)
	}
	if n := len(c.full) + len(quiet.full); n > 40 {
		t.Errorf("%d blocks wait", n)
	}
	dropped := dropped(c)
	if dropped == 0 || st.DroppedEdges != dropped || st.PendingEdges < 20*1000 || len(c.full) != 20 {
		t.Fatalf("dropped %d, %+v", dropped, st)
	}
	_, readersGoOn := replay(t, s.Log, Span{}, "dial A")
	diff(t, []Gap(nil), readersGoOn.Gaps())
	diff(t, faults{"disk full"}, told)

	empty()
	mustCommit(t, s)
	send(700)
	mustCommit(t, s)
	diff(t, faults{"disk full", "over"}, told)
	if st := s.Stats(); st.Fault != nil || st.PendingEdges != 0 || st.Lag != 0 {
		t.Errorf("%+v", st)
	}
	got, _ := replay(t, s.Log, Span{}, "dial A")
	lost := uint64(0)
	next := 0
	for _, e := range got {
		lost += uint64(e.Lost)
		next += int(e.Lost)
		want := sent[next]
		want.At -= begin
		want.Lost = e.Lost
		if e != want {
			t.Fatalf("%+v, want %+v", e, want)
		}
		next++
	}
	if next != len(sent) || lost != dropped || len(got)+int(dropped) != len(sent) {
		t.Errorf("%d sent, %d dropped, %d in the log, %d shown as lost", len(sent), dropped, len(got), lost)
	}
	if n, _ := replay(t, s.Log, Span{}, "quiet"); len(n) != 200 {
		t.Errorf("%d edges of the quiet contact", len(n))
	}
	fs := texts(findings(t, s.Log, "dial A"))
	if len(fs) != 2 || !strings.Contains(fs[0], "the log could not be written for") || !strings.Contains(fs[0], ": disk full") ||
		!strings.Contains(fs[1], fmt.Sprintf("%d edges were dropped before they could be logged: the buffer was full while the log could not be written: disk full", dropped)) {
		t.Error(fs)
	}
	sound(t, s.Log)
}

// What is lost because the disk is full is told at the stop, after the next
// start, and where the edges are missing; also when the program was killed.
func TestLossIsTold(t *testing.T) {
	for _, killed := range []bool{false, true} {
		dir := smallDisk(t, 2<<20)
		path := filepath.Join(dir, "log")
		clock := newClock()
		s := open(t, path, clock, Options{BufferBytes: 4 * blockMemory})
		s.Contact(dialA).Append(numbered(clock.mono(), 1, 10))
		s.Contact(named("quiet")).Append(numbered(clock.mono(), 1, 10))
		clock.advance(time.Second)
		mustCommit(t, s)
		empty := fill(t, dir)
		seq, failed := uint32(10), false
		for range 20 {
			s.Contact(dialA).Append(numbered(clock.advance(time.Minute), seq+1, 5000))
			seq += 5000
			failed = s.Flush() != nil || failed
		}
		lost := seq - 10 - uint32(edgesIn(t, path)-20)
		if !failed || dropped(s.Contact(dialA)) == 0 {
			t.Fatal("nothing was lost")
		}
		if killed {
			crash(t, s)
		} else if err := s.Close(); err == nil || !strings.Contains(err.Error(), "the disk is full: ") || !strings.Contains(err.Error(), fmt.Sprintf("%d edges since 2024-03-30T12:", lost)) {
			t.Errorf("%v, want %d edges", err, lost)
		}
		empty()
		clock.advance(time.Minute)
		s = open(t, path, clock, Options{})
		s.Contact(dialA).Append(numbered(clock.mono(), 1, 10))
		mustCommit(t, s)
		told := fmt.Sprintf(" (disk full) and %d edges of all contacts were lost", lost)
		if got := s.Stats().LostBefore; !strings.HasSuffix(got, told) {
			t.Error(got)
		}
		fs := texts(findings(t, s.Log, ""))
		if f := fs[len(fs)-1]; !strings.HasPrefix(f, "restart: started after the log could not be written since 2024-03-30T12:") || !strings.Contains(f, told) {
			t.Error(fs)
		}
		_, r := replay(t, s.Log, Span{}, "dial A")
		if g := r.Gaps(); len(g) != 1 || g[0].Kind != GapNotWritten || !strings.HasSuffix(g[0].Why(), told) {
			t.Errorf("%+v", g)
		}
		// It is told once.
		closeStore(t, s)
		s = open(t, path, clock, Options{})
		mustCommit(t, s)
		if got := s.Stats().LostBefore; got != "" {
			t.Error(got)
		}
		fs = texts(findings(t, s.Log, ""))
		if strings.Contains(fs[len(fs)-1], "lost") {
			t.Error(fs)
		}
		closeStore(t, s)
	}
}

// edgesIn counts the edges in a log.
func edgesIn(t *testing.T, path string) (n int) {
	t.Helper()
	l, err := OpenRead(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	blocks, err := list(t.Context(), l, scanInt, "SELECT edges FROM edge_blocks")
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range blocks {
		n += int(b)
	}
	return n
}

// A log that cannot even be made at the start is made later; nothing is lost.
func TestStartsOnBadDisk(t *testing.T) {
	remount := func(t *testing.T, dir string, flags uintptr) {
		t.Helper()
		if err := unix.Mount("", dir, "", unix.MS_REMOUNT|flags, ""); err != nil {
			t.Fatal(err)
		}
	}
	for _, tt := range []struct {
		name  string
		kind  FaultKind
		spoil func(*testing.T, string) (mend func())
		old   bool // there is a log from before
	}{
		{"full", DiskFull, fill, false},
		{"full with a log", DiskFull, fill, true},
		{"read-only", ReadOnly, func(t *testing.T, dir string) func() {
			remount(t, dir, unix.MS_RDONLY)
			return func() { remount(t, dir, 0) }
		}, false},
		{"read-only with a log", ReadOnly, func(t *testing.T, dir string) func() {
			remount(t, dir, unix.MS_RDONLY)
			return func() { remount(t, dir, 0) }
		}, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			dir := smallDisk(t, 1<<20)
			path := filepath.Join(dir, "log")
			clock := newClock()
			var want []pulse.Edge
			if tt.old {
				s := open(t, path, clock, Options{})
				s.Contact(dialA).Append(numbered(clock.mono(), 1, 10))
				want = append(want, numbered(0, 1, 10)...)
				want = append(want, pulse.Edge{At: 90e6, Level: pulse.Unknown})
				closeStore(t, s)
			}
			mend := tt.spoil(t, dir)
			var told faults
			begin := clock.mono()
			clock.advance(time.Second)
			s := open(t, path, clock, Options{OnFault: told.add})
			s.Contact(dialA).Append(numbered(clock.mono(), 11, 10))
			if tt.old && tt.kind == ReadOnly {
				l, err := OpenRead(t.Context(), path)
				if err != nil {
					t.Fatal(err)
				}
				if got, _ := replay(t, l, Span{}, "dial A"); len(got) != 10 {
					t.Errorf("%d edges on the read-only disk", len(got))
				}
				if err := l.Close(); err != nil {
					t.Fatal(err)
				}
			}
			if !tt.old {
				if _, err := s.Timeline(t.Context(), 0); err == nil || !strings.Contains(err.Error(), "not open") {
					t.Errorf("reading a log that is not there yet: %v", err)
				}
			}
			if err := s.Flush(); err == nil {
				t.Fatal("no error")
			}
			if _, err := s.AddNote(t.Context(), Note{Text: "x"}); err == nil {
				t.Error("a note was taken")
			}
			mend()
			mustCommit(t, s)
			diff(t, faults{string(tt.kind), "over"}, faults(told))
			got, _ := replay(t, s.Log, Span{}, "dial A")
			first := clock.mono() - begin
			if !tt.old {
				first = 0
			}
			diff(t, append(want, numbered(first, 11, 10)...), got)
			mustCommit(t, s)
			sound(t, s.Log)
		})
	}
}
