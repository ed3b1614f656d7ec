package command

import (
	"fmt"

	"makebreak/pulse"
)

// stabilityFlags ask how steadily an interrupter keeps time.
type stabilityFlags struct {
	Stability bool `group:"Change over time:" help:"Tell how steadily an interrupter keeps time: Allan, modified Allan, time and Hadamard deviations."`
}

// askStability asks for the stability, unless the contact is known to be a dial:
// a dial has no steady beat to hold against one.
func (f *stabilityFlags) askStability(cfg *pulse.Config) error {
	if !f.Stability {
		return nil
	}
	from := ""
	switch {
	case cfg.Kind == pulse.KindDial:
		from = "this is read as a dial"
	case cfg.Kind == pulse.KindAuto && cfg.Limits != nil && cfg.Limits.Kind == pulse.KindDial:
		from = fmt.Sprintf("the limits %s are for a dial", cfg.Limits.ID)
	}
	if from != "" {
		return fmt.Errorf("--stability is for a contact of kind %s: %s", pulse.KindInterrupter, from)
	}
	cfg.Stability = true
	return nil
}
