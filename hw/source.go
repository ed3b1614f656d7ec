// Package hw is where edges come from and go to: recorded files, simulated
// contacts, and lines of the kernel's GPIO character device.
package hw

import (
	"context"

	"makebreak/pulse"
)

// A Source gives the edges of one contact in order of time.
type Source interface {
	// ReadEdges waits for at least one edge, puts as many as there are into buf
	// and returns their number. At the end it returns 0, io.EOF. When ctx
	// is done it returns ctx.Err(). Edges are never returned with an error: an
	// error comes on the next call.
	ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error)
	Close() error
}

// A Live source is a line that is being watched now. Where edges lie ready,
// ReadEdges gives them even when ctx is done, and returns ctx.Err() only when
// there are none: a reader that is late can so tell that it has everything.
type Live interface {
	Source
	// InitialLevel is the level at Start, before the first edge; Unknown when
	// it could not be read.
	InitialLevel() pulse.Level
	Start() pulse.Stamp
}
