package hw

import (
	"errors"
	"strconv"
)

// Reasons why a line cannot be used; compare with errors.Is.
var (
	ErrBusy        = errors.New("line is in use")
	ErrPermission  = errors.New("no permission")
	ErrNoLine      = errors.New("no such line")
	ErrAmbiguous   = errors.New("name is not unique")
	ErrNoChip      = errors.New("no such GPIO chip")
	ErrOldKernel   = errors.New("kernel too old")
	ErrNoInterrupt = errors.New("line cannot interrupt")
	ErrUnplugged   = errors.New("GPIO chip is gone")
)

// An OpError says what could not be done with which line. Err holds one of the
// reasons above with what to do about it, or an error of the kernel.
type OpError struct {
	Op   string // "find line", "open line", "read line", "write line"
	Line string // as the user or the kernel names it; empty when no line is meant
	Err  error
}

func (e *OpError) Error() string {
	if e.Line == "" {
		return e.Op + ": " + e.Err.Error()
	}
	return e.Op + " " + strconv.Quote(e.Line) + ": " + e.Err.Error()
}

// Unwrap gives the reason.
func (e *OpError) Unwrap() error { return e.Err }

// advised is an error with what to do about it.
type advised struct {
	error
	before string // the remedy, in Error
	remedy string
}

func (e *advised) Error() string { return e.error.Error() + e.before + e.remedy }
func (e *advised) Unwrap() error { return e.error }

// Remedy parts an error of a line into what was found and what to do about it.
// remedy is empty where none is known.
func Remedy(err error) (found, remedy string) {
	var op *OpError
	if errors.As(err, &op) {
		err = op.Err
	}
	var a *advised
	if errors.As(err, &a) {
		return a.error.Error(), a.remedy
	}
	return err.Error(), ""
}
