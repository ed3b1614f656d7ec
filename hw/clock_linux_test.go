package hw

import (
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"
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

func TestDiscipline(t *testing.T) {
	for name, c := range map[string]struct {
		state int
		t     unix.Timex
		want  Discipline
	}{
		// Fields by adjtimex(2): freq in 2^-16 ppm, offset in µs or with STA_NANO in ns.
		"steered by the kernel's loop": {0, unix.Timex{Status: unix.STA_PLL | unix.STA_NANO, Offset: 64000, Constant: 2, Freq: -12 * 65536, Tick: 10000, Esterror: 300, Maxerror: 4000},
			Discipline{Synchronised: true, FrequencyPPM: -12, SlewPPM: 4, EstimatedErrorNS: 300e3, MaxErrorNS: 4e6}},
		"offset in µs":     {0, unix.Timex{Status: unix.STA_PLL, Offset: 64, Constant: 2, Tick: 10000}, Discipline{Synchronised: true, SlewPPM: 4}},
		"steered by tick":  {0, unix.Timex{Freq: 65536 / 2, Tick: 10001}, Discipline{Synchronised: true, FrequencyPPM: 100.5}},
		"not steered":      {unix.TIME_ERROR, unix.Timex{Status: unix.STA_UNSYNC, Tick: 10000, Maxerror: 16e6}, Discipline{MaxErrorNS: 16e9}},
		"flag only":        {0, unix.Timex{Status: unix.STA_UNSYNC, Tick: 10000}, Discipline{}},
		"error state only": {unix.TIME_ERROR, unix.Timex{Tick: 10000}, Discipline{}},
	} {
		if d := cmp.Diff(c.want, discipline(c.state, &c.t)); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
	if _, err := ReadDiscipline(); err != nil {
		t.Error(err)
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
		if rel, from := ClockUncertainty(c.start, c.end); math.Abs(rel-c.want) > 1e-12 || from != c.from {
			t.Errorf("%s: %g, %q", name, rel, from)
		}
	}
}
