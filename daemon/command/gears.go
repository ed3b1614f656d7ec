package command

import "makebreak/pulse"

// gearsFlags ask which shaft of the drive moves the contact.
type gearsFlags struct {
	Gears string `group:"Change over time:" placeholder:"FILE" help:"Drive train of an interrupter in a YAML file: tells which shaft or gear moves the openings (see: makebreak gears)."`
}

func (f *gearsFlags) askGears(cfg *pulse.Config) error { return nil }
