//go:build !linux

package command

// watching is the commands that go on for long: none outside Linux.
type watching struct{}
