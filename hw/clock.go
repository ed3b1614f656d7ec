package hw

import (
	"math"
	"time"

	"makebreak/pulse"
)

// An Anchor ties the monotonic clock to the wall clock at one instant.
type Anchor struct {
	Mono pulse.Stamp
	Wall time.Time // UTC, without a monotonic reading
	// WithinNS is half of the bracket: the wall clock was read no further than
	// this from Mono.
	WithinNS int64
}

// ReadAnchor reads the wall clock between two readings of the monotonic clock
// and keeps the tightest of several brackets.
func ReadAnchor() Anchor {
	best := Anchor{WithinNS: math.MaxInt64}
	for range 8 {
		before := Monotonic()
		wall := time.Now()
		after := Monotonic()
		if half := int64(after-before+1) / 2; half < best.WithinNS {
			best = Anchor{before + (after-before)/2, wall.UTC().Round(0), half}
		}
	}
	return best
}

// At gives the wall-clock time of a monotonic stamp. It is a label: a step of
// the wall clock after the anchor was read is not in it.
func (a Anchor) At(s pulse.Stamp) time.Time { return a.Wall.Add(time.Duration(s - a.Mono)) }

// A Discipline is the state of the kernel's clock steering (adjtimex), which
// slews CLOCK_MONOTONIC too.
type Discipline struct {
	Synchronised     bool
	FrequencyPPM     float64 // correction in force
	SlewPPM          float64 // rate at which the kernel now removes a known offset
	EstimatedErrorNS int64
	MaxErrorNS       int64
}

// Relative standard uncertainties of the time base.
const (
	// quartzRel is a plain quartz that nothing steers: 50 ppm (the measurement
	// contract; common practice for board crystals).
	quartzRel = 50e-6
	// steeredRel is what a steered quartz wanders between corrections at room
	// temperature: 1 ppm (common practice, a cautious figure).
	steeredRel = 1e-6
)

// ClockUncertainty turns the clock's states at the start and the end of a
// recording into the relative standard uncertainty of its time base and where
// that comes from, for pulse.Setup. Steered throughout: 1 ppm of
// wander, the slews seen, and the change of the correction between the two, as
// independent contributions. Otherwise: a quartz within 50 ppm. One state may
// be given twice.
func ClockUncertainty(start, end Discipline) (rel float64, from pulse.ClockFrom) {
	if !start.Synchronised || !end.Synchronised {
		return quartzRel, pulse.ClockFrom{State: pulse.ClockUnsteered}
	}
	slew := math.Max(math.Abs(start.SlewPPM), math.Abs(end.SlewPPM)) * 1e-6
	change := math.Abs(end.FrequencyPPM-start.FrequencyPPM) * 1e-6
	rel = math.Sqrt(steeredRel*steeredRel + slew*slew + change*change)
	return rel, pulse.ClockFrom{State: pulse.ClockSynchronised, CorrectionPPM: end.FrequencyPPM, EstimatedErrorNS: end.EstimatedErrorNS}
}
