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
	if err := os.WriteFile(name, []byte(strings.ReplaceAll(string(b), "=/usr/bin/makebreak ", "="+self+" ")), 0o644); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(analyze, "verify", "--man=no", name).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%v: %s", err, out)
	}
	// 0 is a service that may do nothing, 10 one that may do all. What is left is
	// the network, the lines, and reading the state of the clock.
	out, err := exec.Command(analyze, "security", "--offline=true", "--threshold=15", "--no-pager", name).CombinedOutput()
	if err != nil {
		t.Errorf("its exposure is above 1.5: %v: %s", err, out)
	}
}
