package hw

import (
	"time"

	"makebreak/pulse"
)

// PlayOptions tune a play.
type PlayOptions struct {
	// Late is the bound beyond which a write counts as late; 0 means 200 µs:
	// 0.2 % of the period of 10 pulses per second.
	Late time.Duration
	// Spin is how long before each write the processor waits busily instead of
	// asleep. It buys the wake-up delay for processor time.
	Spin time.Duration
	// OnWrite, when set, is told each edge as scheduled and the time when its
	// write was done. It runs between writes: it must be quick.
	OnWrite func(e pulse.Edge, due, done pulse.Stamp)
}

// A PlayReport tells how closely a schedule was kept. A write is late by the
// time from when it was due until it was done. Without a write all times are 0.
type PlayReport struct {
	Start     pulse.Stamp `json:"-"` // the schedule's zero on the monotonic clock
	Edges     int         `json:"edges"`
	Late      int         `json:"late_edges"` // writes later than the bound
	LateMaxNS int64       `json:"late_max_ns"`
	LateP99NS int64       `json:"late_p99_ns"` // to 1 µs; LateMaxNS when it is beyond 10 ms
	BoundNS   int64       `json:"late_bound_ns"`
	// Realtime tells that the thread ran under SCHED_FIFO with its memory
	// locked; Scheduling says what was granted and what was refused.
	Realtime   bool   `json:"realtime"`
	Scheduling string `json:"scheduling"`
}
