//go:build unix

package loop

import (
	"os/signal"
	"syscall"
)

// ignoreSuspend: a job that is stopped in a break would leave the line open for
// as long.
func ignoreSuspend() { signal.Ignore(syscall.SIGTSTP) }
