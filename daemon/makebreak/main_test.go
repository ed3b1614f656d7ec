//go:build unix

package main

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

var update = flag.Bool("update", false, "write what the program printed into the scripts")

func TestMain(m *testing.M) {
	// Those that run a Prometheus mostly wait: two more than there are cores fit beside
	// each other. A -parallel that is given counts.
	flag.Set("test.parallel", strconv.Itoa(runtime.GOMAXPROCS(0)+2))
	testscript.Main(m, map[string]func(){"makebreak": main})
}

func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir:                 "../command/testdata/script",
		UpdateScripts:       *update,
		RequireExplicitExec: true,
		Setup:               func(e *testscript.Env) error { e.Setenv("TZ", "UTC"); return nil }, // goldens hold times of day
		RequireUniqueNames:  true,
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"status": status, "refuse": refuse, "bytes": writeBytes, "unreadable": unreadable, "closedpipe": closedPipe, "narrow": narrow, "same": same, "killed": killed, "makelog": makeLog, "newlog": newLog, "tofile": toFile, "samerows": sameRows,
		},
		Condition: condition,
	})
}

// status N makebreak …: runs a command that must end with exit status N.
func status(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	if got := run(ts, args[1:]); got != want {
		ts.Fatalf("exit status %d, want %d", got, want)
	}
}

func run(ts *testscript.TestScript, args []string) int {
	err := ts.Exec(args[0], args[1:]...)
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		return exit.ExitCode()
	}
	ts.Check(err)
	return 0
}

// refuse REGEXP makebreak …: runs a command that must end with exit status 2,
// nothing on standard output and one line on standard error, which matches.
func refuse(ts *testscript.TestScript, _ bool, args []string) {
	got := run(ts, args[1:])
	refused(ts, args[0], got, ts.ReadFile("stdout"), ts.ReadFile("stderr"))
}

func refused(ts *testscript.TestScript, pattern string, status int, stdout, stderr string) {
	switch {
	case status != 2:
		ts.Fatalf("exit status %d, want 2", status)
	case stdout != "":
		ts.Fatalf("standard output is not empty: %q", stdout)
	case !strings.HasPrefix(stderr, "makebreak: ") || strings.Index(stderr, "\n") != len(stderr)-1:
		ts.Fatalf("standard error is not one line of makebreak: %q", stderr)
	case !regexp.MustCompile(pattern).MatchString(stderr):
		ts.Fatalf("standard error %q does not match %q", stderr, pattern)
	}
}

// bytes FILE GO-STRING [REPEAT GO-STRING …]: writes a file with what no
// script can hold. Each string is repeated the number of times after it.
func writeBytes(ts *testscript.TestScript, _ bool, args []string) {
	var b bytes.Buffer
	for i := 1; i < len(args); i += 2 {
		s, err := strconv.Unquote(`"` + args[i] + `"`)
		ts.Check(err)
		n := 1
		if i+1 < len(args) {
			n, err = strconv.Atoi(args[i+1])
			ts.Check(err)
		}
		b.WriteString(strings.Repeat(s, n))
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), b.Bytes(), 0o666))
}

// unreadable REGEXP FILE: measures a file that the user may not read. Root
// may read everything, so there the command runs as another user.
func unreadable(ts *testscript.TestScript, _ bool, args []string) {
	file := ts.MkAbs(args[1])
	ts.Check(os.Chmod(file, 0))
	if os.Geteuid() != 0 {
		refuse(ts, false, []string{args[0], "makebreak", "measure", args[1]})
		return
	}
	bin, err := exec.LookPath("makebreak")
	ts.Check(err)
	for _, dir := range []string{filepath.Dir(file), filepath.Dir(bin)} { // let the other user reach them
		for ; strings.HasPrefix(dir, os.TempDir()+"/"); dir = filepath.Dir(dir) {
			ts.Check(os.Chmod(dir, 0o755))
		}
	}
	cmd := exec.Command(bin, "measure", file)
	cmd.Dir = filepath.Dir(file)
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	var stdout, stderr strings.Builder
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	err = cmd.Run()
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		ts.Fatalf("run as another user: %v", err)
	}
	refused(ts, args[0], exit.ExitCode(), stdout.String(), stderr.String())
}

// closedpipe REGEXP makebreak …: runs a command whose standard output nobody
// reads any more.
func closedPipe(ts *testscript.TestScript, _ bool, args []string) {
	r, w, err := os.Pipe()
	ts.Check(err)
	ts.Check(r.Close())
	defer w.Close()
	cmd := exec.Command(args[1], args[2:]...)
	cmd.Dir = ts.MkAbs(".")
	var stderr strings.Builder
	cmd.Stdout, cmd.Stderr = w, &stderr
	err = cmd.Run()
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		ts.Fatalf("closed pipe: %v", err)
	}
	refused(ts, args[0], exit.ExitCode(), "", stderr.String())
}

// tofile FILE REGEXP makebreak …: runs a command whose standard output is a
// file. It must be refused with a line that matches, or succeed where the
// REGEXP is empty.
func toFile(ts *testscript.TestScript, _ bool, args []string) {
	f, err := os.Create(ts.MkAbs(args[0]))
	ts.Check(err)
	defer f.Close()
	cmd := exec.Command(args[2], args[3:]...)
	cmd.Dir = ts.MkAbs(".")
	var stderr strings.Builder
	cmd.Stdout, cmd.Stderr = f, &stderr
	err = cmd.Run()
	if args[1] == "" {
		ts.Check(err)
		return
	}
	var exit *exec.ExitError
	if !errors.As(err, &exit) {
		ts.Fatalf("to a file: %v", err)
	}
	refused(ts, args[1], exit.ExitCode(), ts.ReadFile(args[0]), stderr.String())
}

// narrow FILE: no line of the file is wider than 80 columns.
func narrow(ts *testscript.TestScript, _ bool, args []string) {
	text := ts.ReadFile(args[0])
	if text == "" {
		ts.Fatalf("%s is empty", args[0])
	}
	for line := range strings.Lines(text) {
		if n := len([]rune(strings.TrimSuffix(line, "\n"))); n > 80 {
			ts.Fatalf("%d columns: %s", n, line)
		}
	}
}

// same FILE: what the command before printed is what the file holds, the name
// of the source apart.
func same(ts *testscript.TestScript, _ bool, args []string) {
	source := regexp.MustCompile(`"source": "[^"]*"`)
	got, want := source.ReplaceAllString(ts.ReadFile("stdout"), ""), source.ReplaceAllString(ts.ReadFile(args[0]), "")
	if got != want || got == "" {
		ts.Fatalf("standard output differs from %s", args[0])
	}
}

// samerows FILE FILE: two tables are the same, the time in the first column apart.
func sameRows(ts *testscript.TestScript, _ bool, args []string) {
	first := regexp.MustCompile(`(?m)^[^,]*|,time_utc$|,[0-9-]{10}T[0-9:.]*Z$`)
	a, b := first.ReplaceAllString(ts.ReadFile(args[0]), ""), first.ReplaceAllString(ts.ReadFile(args[1]), "")
	if a != b || strings.Count(a, "\n") < 10 {
		ts.Fatalf("%s differs from %s", args[0], args[1])
	}
}

// condition knows nochips: a Linux computer without a GPIO chip.
func condition(cond string) (bool, error) {
	if cond != "nochips" {
		return false, fmt.Errorf("unknown condition %q", cond)
	}
	chips, err := filepath.Glob("/dev/gpiochip*")
	return runtime.GOOS == "linux" && len(chips) == 0, err
}

// killed FILE ROWS makebreak …: runs a command that writes to FILE, and kills
// it once that many rows are there.
func killed(ts *testscript.TestScript, _ bool, args []string) {
	file := ts.MkAbs(args[0])
	rows, err := strconv.Atoi(args[1])
	ts.Check(err)
	cmd := exec.Command(args[2], args[3:]...)
	cmd.Dir = ts.MkAbs(".")
	ts.Check(cmd.Start())
	for look := time.NewTicker(5 * time.Millisecond); ; <-look.C { // nothing but the file tells
		text, err := os.ReadFile(file)
		if err == nil && strings.Count(string(text), "\n") >= rows {
			break
		}
	}
	ts.Check(cmd.Process.Kill())
	err = cmd.Wait()
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != -1 {
		ts.Fatalf("it ended before it was killed: %v", err)
	}
	if text := ts.ReadFile(file); !strings.HasSuffix(text, "\n") {
		ts.Fatalf("%s ends inside a line: %q", file, text)
	}
}
