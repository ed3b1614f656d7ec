//go:build !linux

package command

// watching is the commands that go on for long. A log that was written
// elsewhere can be read.
type watching struct {
	Watch linuxOnly `cmd:"" hidden:"" passthrough:""`
	onLog
	Demo linuxOnly `cmd:"" hidden:"" passthrough:""`
}
