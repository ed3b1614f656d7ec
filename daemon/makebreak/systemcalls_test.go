//go:build linux

package main

import (
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// What a real watch asks of the kernel, by strace, is what the service's unit lets
// it ask, by systemd's own lists of system calls.
func TestSystemCallsOfTheService(t *testing.T) {
	strace, analyze := needed(t, "strace"), needed(t, "systemd-analyze")
	unit, err := os.ReadFile("../../configs/systemd/makebreak.service")
	if err != nil {
		t.Fatal(err)
	}
	allowed := map[string]bool{}
	for line := range strings.Lines(string(unit)) {
		words, ok := strings.CutPrefix(strings.TrimSpace(line), "SystemCallFilter=")
		if !ok {
			continue
		}
		words, not := strings.CutPrefix(words, "~")
		for _, w := range strings.Fields(words) {
			for call := range systemCalls(t, analyze, w) {
				allowed[call] = !not
			}
		}
	}
	dir := site(t, map[string]string{"dial": fastDial, "cam": "cam,ipm=600,cycles=endless"})
	trace := filepath.Join(dir, "trace")
	// With -D the process that is started is the watch, strace another one.
	p := launchFile(t, strace, dir, nil, nil, "-D", "-f", "-qq", "-o", trace, "makebreak", "watch", "watch.yaml")
	for range 3 {
		p.get("")
		p.get("metrics")
		time.Sleep(time.Second) // while the log is written
	}
	p.end(syscall.SIGTERM)
	text, err := os.ReadFile(trace)
	if err != nil {
		t.Fatal(err)
	}
	used := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^\d+ +([a-z_0-9]+)\(`).FindAllStringSubmatch(string(text), -1) {
		used[m[1]] = true
	}
	if os.Geteuid() == 0 {
		delete(used, "fchown") // SQLite's, for root alone
	}
	for call := range used {
		if !allowed[call] {
			t.Errorf("%s is used, and the unit forbids it", call)
		}
	}
	if len(used) < 30 || !used["adjtimex"] || allowed["clock_adjtime"] || allowed["mount"] {
		t.Errorf("%d calls seen, of %d that are allowed", len(used), len(allowed))
	}
}

// systemCalls are those of a group such as @system-service, or the one that is
// named.
func systemCalls(t *testing.T, analyze, name string) map[string]bool {
	if !strings.HasPrefix(name, "@") {
		return map[string]bool{name: true}
	}
	out, err := exec.Command(analyze, "syscall-filter", "--no-pager", name).Output()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	all := map[string]bool{}
	for line := range strings.Lines(string(out)) {
		if w := strings.TrimSpace(line); w != "" && w != name && !strings.HasPrefix(w, "#") {
			maps.Copy(all, systemCalls(t, analyze, w))
		}
	}
	return all
}
