package store

import (
	"context"
	"database/sql"
	"errors"
	"os"
	"runtime"
	"testing"
	"testing/synctest"
	"time"
)

// A stop is one commit.
func TestStopCommitsOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := newClock()
		s := open(t, logPath(t), clock, Options{})
		c := s.Contact(dialA)
		ctx, stop := context.WithCancel(t.Context())
		done := make(chan error)
		go func() { done <- s.Run(ctx) }()
		c.Append(numbered(clock.mono(), 1, 5))
		if err := s.Flush(); err != nil {
			t.Fatal(err)
		}
		synctest.Wait() // Run's own first commit
		c.Append(numbered(clock.advance(time.Second), 6, 5))
		before := s.Stats().Commits
		stop()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		c.Append(numbered(clock.advance(time.Second), 11, 5))
		closeStore(t, s)
		if n := s.Stats().Commits - before; n != 1 {
			t.Errorf("%d commits", n)
		}
		l, err := OpenRead(context.Background(), s.Path())
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		got, r := replay(t, l, Span{}, "dial A")
		if ended := r.Timeline().Sessions[0].Ended; len(got) != 15 || !ended {
			t.Errorf("%d edges, in good order: %v", len(got), ended)
		}
	})
}

// lockedByAnother has another program write the log until the transaction ends.
func lockedByAnother(t *testing.T, path string) *sql.Tx {
	t.Helper()
	other, err := openWriter(path, commitWait)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { other.Close() })
	tx, err := other.Begin()
	if err != nil {
		t.Fatal(err)
	}
	return tx
}

// A row that comes while a commit fails is as late as it is.
func TestLagOfRowsInFailedCommit(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	s := open(t, path, clock, Options{})
	c := s.Contact(dialA)
	mustCommit(t, s)
	tx := lockedByAnother(t, path)
	c.Append(numbered(clock.mono(), 1, 5))
	failed := make(chan error)
	go func() { failed <- s.Flush() }()
	for sending := false; !sending; runtime.Gosched() {
		c.mu.Lock()
		sending = !c.sending.IsZero()
		c.mu.Unlock()
	}
	s.Find(Finding{Kind: Extra, At: Moment{Mono: clock.mono()}, Text: "x"})
	if err := <-failed; err == nil {
		t.Fatal("no error")
	}
	s.mu.Lock()
	since := s.rowsSince
	s.mu.Unlock()
	if since.IsZero() {
		t.Error("a row waits and its age is not known")
	}
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	mustCommit(t, s)
	mustCommit(t, s) // what is told of the fault
	if lag := s.Stats().Lag; lag != 0 {
		t.Errorf("lag %v", lag)
	}
}

// While the log cannot be written, Stats tells why by the latest attempt.
func TestFaultChanges(t *testing.T) {
	clock := newClock()
	path := logPath(t)
	s := open(t, path, clock, Options{})
	tx := lockedByAnother(t, path)
	kind := func() FaultKind {
		s.Contact(dialA).Append(numbered(clock.advance(time.Second), 1, 1))
		if err := s.Flush(); err == nil {
			t.Fatal("no error")
		}
		return s.Stats().Fault.Kind
	}
	diff(t, Locked, kind())
	if err := errors.Join(os.Rename(path, path+".elsewhere"), os.Mkdir(path, 0o755)); err != nil { // nothing can be written here
		t.Fatal(err)
	}
	diff(t, OtherKind, kind())
	if err := errors.Join(os.Remove(path), os.Rename(path+".elsewhere", path)); err != nil {
		t.Fatal(err)
	}
	diff(t, Locked, kind())
	if err := tx.Rollback(); err != nil {
		t.Fatal(err)
	}
	mustCommit(t, s)
	if f := s.Stats().Fault; f != nil {
		t.Error(f)
	}
}
