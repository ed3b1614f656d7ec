//go:build linux

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// needed finds a program, or skips the test; with MAKEBREAK_TESTS=require it
// fails.
func needed(t *testing.T, name string) string {
	t.Helper()
	file, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(err)
		}
		t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
	}
	return file
}

// completions are command lines and what a shell makes of them: all that it
// offers for the last word.
var completions = []struct {
	line string
	want []string
}{
	{"makebreak vers", []string{"version"}},
	{"makebreak soak s", []string{"start", "status"}},
	{"makebreak help soak f", []string{"finish"}},
	{"makebreak measure x.csv --stab", []string{"--stability"}},
	{"makebreak measure --kind ", []string{"auto", "dial", "interrupter"}},
	{"makebreak measure --kind d", []string{"dial"}},
	{"makebreak measure --kind=inter", []string{"--kind=interrupter"}},
	{"makebreak limits us-1956-dial", []string{"us-1956-dial-early", "us-1956-dial-late"}},
	{"makebreak soak start now --limits us-1956-dial", []string{"us-1956-dial-early", "us-1956-dial-late"}},
	{"makebreak measure sim:ca", []string{"sim:cadence", "sim:cam"}},
	{"makebreak measure rec", []string{"recording.csv"}},          // a file
	{"makebreak measure --record rec", []string{"recording.csv"}}, // a file
	{"makebreak comple", []string{"completion"}},                  // what is hidden is not offered
}

func recording(t *testing.T) (dir string) {
	dir = t.TempDir()
	writeFile(t, filepath.Join(dir, "recording.csv"), "")
	return dir
}

// bash itself calls the function as it would for the TAB key.
func TestCompletionBash(t *testing.T) {
	bash := needed(t, "bash")
	for _, c := range completions {
		cmd := exec.Command(bash, "--norc", "-c", `source <(makebreak completion bash)
			COMP_LINE=$1 COMP_POINT=${#1}
			_makebreak makebreak
			[ ${#COMPREPLY[@]} -gt 0 ] || COMPREPLY=($(compgen -f -- "${1##* }")) # as complete -o default
			printf '%s\n' "${COMPREPLY[@]}"`, "bash", c.line)
		cmd.Dir = recording(t)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Errorf("%s: %v: %s", c.line, err, out)
			continue
		}
		var want []string // bash replaces what follows the last colon or equals sign only
		for _, w := range c.want {
			want = append(want, w[strings.LastIndexAny(c.line[strings.LastIndex(c.line, " ")+1:], ":=")+1:])
		}
		got := strings.Fields(string(out))
		slices.Sort(got)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s: %s", c.line, diff)
		}
	}
	if out, err := exec.Command(bash, "--norc", "-c", "source <(makebreak completion bash); complete -p makebreak").CombinedOutput(); err != nil || !strings.Contains(string(out), "-o default -F _makebreak makebreak") {
		t.Errorf("%v: %s", err, out)
	}
}

// fish tells what it would offer.
func TestCompletionFish(t *testing.T) {
	fish := needed(t, "fish")
	for _, c := range completions {
		cmd := exec.Command(fish, "--no-config", "-c", "makebreak completion fish | source; complete --do-complete $argv[1]", c.line)
		cmd.Dir = recording(t)
		cmd.Env = append(os.Environ(), "HOME="+cmd.Dir)
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Errorf("%s: %v: %s", c.line, err, out)
			continue
		}
		var got []string
		for line := range strings.Lines(string(out)) {
			word, _, _ := strings.Cut(strings.TrimSuffix(line, "\n"), "\t")
			got = append(got, word)
		}
		slices.Sort(got)
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s: %s", c.line, diff)
		}
	}
}

// zsh runs on a terminal of its own, where lines are written and TAB is pressed
// once its editor reads: before that, the terminal would take keys for its own.
func TestCompletionZsh(t *testing.T) {
	zsh := needed(t, "zsh")
	for _, c := range completions {
		if len(c.want) != 1 {
			continue // what it lists on a terminal is laid out for a person
		}
		dir := recording(t)
		cmd := exec.Command(zsh, "-f", "-c", `
			zmodload zsh/zpty
			zpty shell zsh -f -i
			zpty -w shell "PS1=; autoload -Uz compinit; compinit -u -d $PWD/dump; source <(makebreak completion zsh); written() { print -r -- \$BUFFER > line; zle send-break }; zle -N written; bindkey '^X^W' written; zle-line-init() { print ready-\$((1+1)) }; zle -N zle-line-init"
			zpty -r -m shell out '*ready-2*'
			zpty -w -n shell $1$'\t'$'\C-x\C-w'
			for i in {1..300}; do [[ -s line ]] && break; sleep 0.1; done
			zpty -d shell
			cat line`, "zsh", c.line)
		cmd.Dir = dir
		cmd.Env = append(os.Environ(), "HOME="+dir, "TERM=xterm")
		out, err := cmd.CombinedOutput()
		want := c.line[:strings.LastIndex(c.line, " ")+1] + c.want[0]
		if got := strings.TrimSpace(string(out)); err != nil || got != want {
			t.Errorf("%s: %v: %q, want %q", c.line, err, got, want)
		}
	}
}
