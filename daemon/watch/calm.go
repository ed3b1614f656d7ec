package watch

import (
	"time"

	"makebreak/pulse"
)

// The pause after something was told, while it goes on: the first is short
// enough to follow it, the last long enough for a log that is kept for good.
const (
	firstPause = pulse.Stamp(time.Minute)
	lastPause  = pulse.Stamp(time.Hour)
)

// A calm keeps what goes on happening from filling the log. The first is told
// at once. What happens in the pause after is added up and told at its end,
// and the next pause is twice as long. A pause without any ends it.
type calm struct {
	held         uint64
	pause, until pulse.Stamp
}

// add notes that it happened n times.
func (k *calm) add(n uint64) { k.held += n }

// due gives how many to tell of now, 0 for nothing.
func (k *calm) due(now pulse.Stamp) (n uint64) {
	if now < k.until {
		return 0
	}
	if k.held == 0 {
		k.pause = 0
		return 0
	}
	n, k.held = k.held, 0
	k.pause = min(max(2*k.pause, firstPause), lastPause)
	k.until = now + k.pause
	return n
}
