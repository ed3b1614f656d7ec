package command

import "makebreak/pulse"

// driftFlags ask how the figures change.
type driftFlags struct {
	Drift     bool   `group:"Change over time:" help:"Tell how the figures change over time: trend, step, and when a limit is reached."`
	Window    span   `group:"Change over time:" placeholder:"60s" help:"Length of the windows whose means --drift compares."`
	Reference string `group:"Change over time:" placeholder:"FROM..TO" help:"Stretch that the target and the spread of --drift come from; without, the first 60 windows, or those after the last as-left note."`
}

func (f *driftFlags) askDrift(cfg *pulse.Config) error {
	if f.Drift {
		cfg.Drift = &pulse.DriftOptions{WindowNS: f.Window.ns}
	}
	return nil
}
