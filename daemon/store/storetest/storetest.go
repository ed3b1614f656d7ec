// Package storetest helps tests that need a log.
package storetest

import (
	"context"
	"errors"
	"testing"

	"makebreak/daemon/store"
)

// Finish writes all that was given to a log, and closes it.
func Finish(t testing.TB, s *store.Store) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	ran := make(chan error, 1)
	go func() { ran <- s.Run(ctx) }()
	if err := s.Flush(); err != nil {
		t.Fatal(err)
	}
	stop()
	if err := errors.Join(<-ran, s.Close()); err != nil {
		t.Fatal(err)
	}
}
