package configs

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// systemd itself reads the unit without a complaint.
func TestServiceUnit(t *testing.T) {
	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(err)
		}
		t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
	}
	b, err := os.ReadFile("systemd/makebreak.service")
	if err != nil {
		t.Fatal(err)
	}
	// systemd wants the program to be there.
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "makebreak.service")
	if err := os.WriteFile(name, []byte(strings.ReplaceAll(string(b), "=/usr/local/bin/makebreak ", "="+self+" ")), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(analyze, "verify", name).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%v: %s", err, out)
	}
}
