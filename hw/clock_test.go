package hw

import (
	"math"
	"testing"
	"time"
)

func TestAnchor(t *testing.T) {
	before, wall := Monotonic(), time.Now()
	a := ReadAnchor()
	after := Monotonic()
	if a.Mono < before || a.Mono > after || a.WithinNS < 0 || a.WithinNS > int64(after-before) {
		t.Errorf("read between %d and %d: %+v", before, after, a)
	}
	// Both clocks are slewed alike, so they agree to the bracket but for a step.
	if d := a.At(before).Sub(wall); d.Abs() > time.Second {
		t.Errorf("wall clock differs by %v", d)
	}
	if got := a.At(a.Mono + 1500); !got.Equal(a.Wall.Add(1500)) || got.Location() != time.UTC {
		t.Errorf("1.5 µs later is %v, from %v", got, a.Wall)
	}
}

func TestClockUncertainty(t *testing.T) {
	sync := Discipline{Synchronised: true, FrequencyPPM: -12, EstimatedErrorNS: 300e3}
	slewed := sync
	slewed.SlewPPM = -4
	moved := sync
	moved.FrequencyPPM = -10
	for name, c := range map[string]struct {
		start, end Discipline
		want       float64
		from       string
	}{
		"steered":          {sync, sync, 1e-6, "clock synchronised, correction -12.000 ppm, estimated error 300µs"},
		"slewing":          {sync, slewed, math.Sqrt(17) * 1e-6, "clock synchronised, correction -12.000 ppm, estimated error 300µs"},
		"correction moved": {sync, moved, math.Sqrt(5) * 1e-6, "clock synchronised, correction -10.000 ppm, estimated error 300µs"},
		"lost on the way":  {sync, Discipline{}, 50e-6, "clock not synchronised: assumed quartz"},
		"found on the way": {Discipline{}, sync, 50e-6, "clock not synchronised: assumed quartz"},
	} {
		if rel, from := ClockUncertainty(c.start, c.end); math.Abs(rel-c.want) > 1e-12 || from.String() != c.from {
			t.Errorf("%s: %g, %q", name, rel, from)
		}
	}
}
