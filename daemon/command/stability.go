package command

import "makebreak/pulse"

// stabilityFlags ask how steadily an interrupter keeps time.
type stabilityFlags struct {
	Stability bool `group:"Change over time:" help:"Tell how steadily an interrupter keeps time: Allan, modified Allan, time and Hadamard deviations."`
}

func (f *stabilityFlags) askStability(cfg *pulse.Config) error {
	cfg.Stability = f.Stability
	return nil
}
