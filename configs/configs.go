// Package configs holds the files that makebreak brings along.
package configs

import "embed"

// Limits holds the published limits, limits/*.yaml. How such a file is
// written is told by the documentation of package daemon/config, which reads
// them.
//
//go:embed limits/*.yaml
var Limits embed.FS

// Watch is the reference configuration of makebreak watch, for the invented
// Marrow Quay exchange. It explains every key.
//
//go:embed watch.yaml
var Watch string

// OwnDial and OwnInterrupter are examples of a user's own limits, for the
// invented Marrow Quay exchange, that explain every key.
//
//go:embed own-dial.yaml
var OwnDial string

//go:embed own-interrupter.yaml
var OwnInterrupter string

// OwnGears is an example of a drive train, for the invented Marrow Quay exchange,
// that explains every key.
//
//go:embed own-gears.yaml
var OwnGears string

// OwnCoupler is an example of an opto-coupler's data, invented, that explains every
// key.
//
//go:embed own-coupler.yaml
var OwnCoupler string
