// Package configs holds the files that makebreak brings along.
package configs

import "embed"

// Limits holds the published limits, limits/*.yaml. How such a file is
// written is told by the documentation of package daemon/config, which reads
// them.
//
//go:embed limits/*.yaml
var Limits embed.FS
