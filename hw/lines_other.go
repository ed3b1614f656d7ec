//go:build !linux

package hw

import "fmt"

var errNotHere = fmt.Errorf("%w: lines are reached on Linux only", ErrNoChip)

// Lines always fails: only Linux has the kernel's lines.
func Lines() (*Inventory, error) { return nil, &OpError{Op: "list lines", Err: errNotHere} }

// OpenInput always fails: only Linux has the kernel's lines.
func OpenInput(ref LineRef, _ InputOptions) (Live, error) {
	return nil, &OpError{"open line", ref.String(), errNotHere}
}
