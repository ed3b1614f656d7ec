package command

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The examples of the help work as they stand, from where the source lies.
func TestHelpExamples(t *testing.T) {
	source, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	t.Chdir(t.TempDir())
	if err := os.Symlink(filepath.Join(source, "configs"), "configs"); err != nil {
		t.Fatal(err)
	}
	ran := 0
	for _, c := range []epilogue{&program{}, &measureCmd{}, &compareCmd{}, &reportCmd{}, &simCmd{}, &limitsCmd{}, &gearsCmd{}, &inputCircuitCmd{}} {
		for line := range strings.Lines(c.epilogue()) {
			f := strings.Fields(line)
			if len(f) < 2 || f[0] != "makebreak" || f[1] != "measure" && f[1] != "report" && f[1] != "compare" && f[1] != "limits" && f[1] != "sim" && f[1] != "gears" && f[1] != "input-circuit" || strings.Contains(line, "gpio:") || strings.Contains(line, "--log ") || strings.Contains(line, "run:") || strings.HasSuffix(line, "\\\n") {
				continue
			}
			args, stdin, save := f[1:], "", ""
			if n := len(args) - 2; n > 0 && args[n] == ">" {
				args, save = args[:n], args[n+1]
			} else if n > 0 && args[n] == "<" {
				args, stdin = args[:n], args[n+1]
			}
			var in *os.File
			if stdin != "" {
				if in, err = os.Open(stdin); err != nil {
					t.Error(err)
					continue
				}
				defer in.Close()
			}
			status, stdout, stderr := runCommand(t.Context(), in, args...)
			if status != StatusOK && status != StatusOutOfLimits || stderr != "" {
				t.Errorf("%s: status %d: %s", strings.TrimSpace(line), status, stderr)
			}
			if save != "" {
				if err := os.WriteFile(save, []byte(stdout), 0o600); err != nil {
					t.Fatal(err)
				}
			}
			ran++
		}
	}
	if ran < 13 {
		t.Errorf("%d examples ran", ran)
	}
}
