//go:build unix

package config

import (
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// A configuration is a file: a pipe would be waited for, perhaps for ever.
func TestConfigurationThatIsNoFile(t *testing.T) {
	folder(t)
	if _, err := LoadWatch("sub"); err == nil || err.Error() != "watch configuration: open sub: not a file" {
		t.Error(err)
	}
	if err := unix.Mkfifo("pipe.yaml", 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := LoadWatch("pipe.yaml"); err == nil || err.Error() != "watch configuration: open pipe.yaml: not a file" {
		t.Error(err)
	}
	if _, err := parseWatch("w.yaml", []byte(wHead+"contacts: [{name: a, source: gpio:X, limits: pipe.yaml}]\n"), nil); err == nil || !strings.Contains(err.Error(), `key contacts[0].limits: "pipe.yaml": not a file: expected`) {
		t.Error(err)
	}
	if _, err := parseWatch("w.yaml", []byte(wHead+"web_config: pipe.yaml\n"+wContact+"}]\n"), nil); err == nil || !strings.Contains(err.Error(), "pipe.yaml: not a file") {
		t.Error(err)
	}
}
