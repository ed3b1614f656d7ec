package command

import (
	"context"
	"fmt"
	"runtime/debug"

	"makebreak/pulse"
)

type versionCmd struct{}

func (*versionCmd) run(_ context.Context, sh *shell) (int, error) {
	writeVersion(sh)
	return StatusOK, nil
}

func writeVersion(sh *shell) {
	version, goVersion, revision := build()
	fmt.Fprintf(sh.stdout, "makebreak %s%s\nbuilt with %s; writes %s\n", version, revision, goVersion, pulse.Format)
}

// build tells which program this is; revision begins with a comma, or is empty.
func build() (version, goVersion, revision string) {
	version, goVersion = "(unknown)", "(unknown)"
	if b, ok := debug.ReadBuildInfo(); ok {
		version, goVersion = b.Main.Version, b.GoVersion
		for _, s := range b.Settings {
			switch {
			case s.Key == "vcs.revision":
				revision = ", revision " + s.Value + revision
			case s.Key == "vcs.modified" && s.Value == "true":
				revision += " with changes"
			}
		}
	}
	return version, goVersion, revision
}
