//go:build !linux

package command

import "errors"

// hardware is the commands that touch lines: none outside Linux.
type hardware struct{}

func openLine(string, *measureCmd, func(error), func(string) string) (*liveLine, error) {
	return nil, errors.New("gpio: lines can be measured on Linux only: expected a file, - or sim:DESCRIPTION")
}
