//go:build !linux

package command

import (
	"context"
	"errors"
)

// hardware is the commands that touch lines.
type hardware struct {
	Lines     linuxOnly `cmd:"" hidden:"" passthrough:""`
	Preflight linuxOnly `cmd:"" hidden:"" passthrough:""`
	Send      linuxOnly `cmd:"" hidden:"" passthrough:""`
	Calibrate linuxOnly `cmd:"" hidden:"" passthrough:""`
	Margin    linuxOnly `cmd:"" hidden:"" passthrough:""`
}

// linuxOnly takes the place of a command that needs the kernel's lines or
// writes a log.
type linuxOnly struct {
	Rest []string `arg:"" optional:""`
}

func (*linuxOnly) run(context.Context, *shell) (int, error) {
	return 0, errors.New("lines are read and a log is written on Linux only: here files and the log of another computer can be measured")
}

func openLine(string, *measureCmd, func(error), func(string) string) (*liveLine, error) {
	return nil, errors.New("gpio: lines can be measured on Linux only: expected a file, -, run:CONTACT of a log or sim:DESCRIPTION")
}
