//go:build !linux

package hw

import (
	"context"
	"fmt"
	"iter"

	"makebreak/pulse"
)

var errNotHere = fmt.Errorf("%w: lines are reached on Linux only", ErrNoChip)

// Lines always fails: only Linux has the kernel's lines.
func Lines() (*Inventory, error) { return nil, &OpError{Op: "list lines", Err: errNotHere} }

// OpenInput always fails: only Linux has the kernel's lines.
func OpenInput(ref LineRef, _ InputOptions) (Live, error) {
	return nil, &OpError{"open line", ref.String(), errNotHere}
}

// An Output is a line that is driven.
type Output struct{}

// OpenOutput always fails: only Linux has the kernel's lines.
func OpenOutput(ref LineRef, _ pulse.Level) (*Output, error) {
	return nil, &OpError{"open line", ref.String(), errNotHere}
}

// Play always fails.
func (*Output) Play(context.Context, iter.Seq[pulse.Edge], PlayOptions) (PlayReport, error) {
	return PlayReport{}, errNotHere
}

// Close does nothing.
func (*Output) Close() error { return nil }
