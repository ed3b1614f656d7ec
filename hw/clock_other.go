//go:build !linux

package hw

import (
	"errors"
	"time"

	"makebreak/pulse"
)

var programStart = time.Now()

// Monotonic reads the clock of edge stamps. Here no kernel stamps edges: it
// counts from the start of the program.
func Monotonic() pulse.Stamp { return pulse.Stamp(time.Since(programStart)) }

// ReadDiscipline always fails: only Linux is asked how its clock is steered.
func ReadDiscipline() (Discipline, error) {
	return Discipline{}, errors.New("read clock state: it is known on Linux only")
}
