//go:build !linux

package command

import (
	"context"
	"errors"
)

func openLogged(context.Context, *stretchFlags, string) (stretch, error) {
	return nil, errors.New("run:CONTACT is for Linux: the log of makebreak watch is read there only")
}
