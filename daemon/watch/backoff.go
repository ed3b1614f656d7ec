package watch

import (
	"time"

	"makebreak/pulse"
)

// The pause after a report of something that goes on. The first is short enough
// to follow it, the last long enough for a log that is kept for good.
const (
	firstPause = pulse.Stamp(time.Minute)
	lastPause  = pulse.Stamp(time.Hour)
)

// A backoff limits how often something that goes on is reported. The first time
// is reported at once. What happens in the pause after a report is added up and
// reported at its end, and the next pause is twice as long. A pause in which
// nothing happens ends the backoff.
type backoff struct {
	held         uint64 // not reported yet
	pause, until pulse.Stamp
}

// add records that it happened n times.
func (b *backoff) add(n uint64) { b.held += n }

// due gives how many times to report now, 0 for no report.
func (b *backoff) due(now pulse.Stamp) (n uint64) {
	if now < b.until {
		return 0
	}
	if b.held == 0 {
		b.pause = 0
		return 0
	}
	n, b.held = b.held, 0
	b.pause = min(max(2*b.pause, firstPause), lastPause)
	b.until = now + b.pause
	return n
}
