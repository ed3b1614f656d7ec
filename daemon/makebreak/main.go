// Makebreak measures the contacts of electromechanical telephone exchanges.
package main

import (
	"context"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // for computers that have no time zone database

	"makebreak/daemon/command"
)

func main() {
	// A reader that goes away early is an error of writing, not a death.
	signal.Ignore(syscall.SIGPIPE)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM, syscall.SIGQUIT)
	context.AfterFunc(ctx, stop) // a second signal ends the program at once, unless the command holds it back
	os.Exit(command.Run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr, os.Getenv))
}
