package hw

import (
	"fmt"
	"math"

	"golang.org/x/sys/unix"

	"makebreak/pulse"
)

// Monotonic reads CLOCK_MONOTONIC, the clock of the kernel's edge stamps.
func Monotonic() pulse.Stamp {
	var ts unix.Timespec
	// Fails only for a clock that the kernel does not have.
	_ = unix.ClockGettime(unix.CLOCK_MONOTONIC, &ts)
	return pulse.Stamp(ts.Nano())
}

// ReadDiscipline asks the kernel; it needs no privilege.
func ReadDiscipline() (Discipline, error) {
	var t unix.Timex
	state, err := unix.Adjtimex(&t)
	if err != nil {
		return Discipline{}, fmt.Errorf("read clock state: adjtimex: %w", err)
	}
	return discipline(state, &t), nil
}

func discipline(state int, t *unix.Timex) Discipline {
	offset := float64(t.Offset)
	if t.Status&unix.STA_NANO == 0 {
		offset *= 1e3
	}
	d := Discipline{
		Synchronised: state != unix.TIME_ERROR && t.Status&unix.STA_UNSYNC == 0,
		// freq is in 2^-16 ppm; a tick of 10000 µs is 100 Hz exactly.
		FrequencyPPM:     float64(t.Freq)/65536 + float64(t.Tick-10000)*100,
		EstimatedErrorNS: int64(t.Esterror) * 1e3,
		MaxErrorNS:       int64(t.Maxerror) * 1e3,
	}
	if t.Status&unix.STA_PLL != 0 {
		// The phase-locked loop removes offset/2^(2+constant) each second
		// (SHIFT_PLL of the kernel's timex.h).
		d.SlewPPM = offset / math.Ldexp(1, 2+int(t.Constant)) / 1e3
	}
	return d
}
