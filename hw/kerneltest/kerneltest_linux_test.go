package kerneltest

import (
	"context"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// programs are built for the machine and put into it beside the tests: path
// there -> package.
var programs = map[string]string{"/bin/makebreak": "makebreak/daemon/makebreak"}

// TestKernel runs the tests of ./guest on a real kernel, as arm64 and as ARMv6
// programs. It runs with MAKEBREAK_KERNELTEST=require only, fetches the kernel
// when it is not in the cache and fails where anything is missing.
// MAKEBREAK_KERNELTEST_RUN chooses tests as -run does.
func TestKernel(t *testing.T) {
	if os.Getenv("MAKEBREAK_KERNELTEST") != "require" {
		t.Skip("kernel test not run, it takes minutes: MAKEBREAK_KERNELTEST=require go test -count=1 -timeout 30m -v ./hw/kerneltest")
	}
	cache, err := CacheDir()
	if err != nil {
		t.Fatal(err)
	}
	dir, tools := filepath.Join(cache, "arm64"), filepath.Join(cache, "gpiomon")
	version, cached := Cached(dir)
	toolVersions, toolsCached := Cached(tools)
	cached = cached && toolsCached
	if missing := Missing(!cached); len(missing) > 0 {
		t.Fatalf("this machine lacks %s", strings.Join(missing, ", "))
	}
	ctx := t.Context()
	if !cached {
		began := time.Now()
		if version == "" {
			if err := Fetch(ctx, dir, t.Logf); err != nil {
				t.Fatal("fetch a kernel: ", err)
			}
			version, _ = Cached(dir)
		}
		if !toolsCached {
			if err := FetchMonitors(ctx, tools); err != nil {
				t.Fatal("fetch gpiomon: ", err)
			}
			toolVersions, _ = Cached(tools)
		}
		t.Logf("fetched in %.0f s", time.Since(began).Seconds())
	}
	t.Log(version + "; " + strings.ReplaceAll(toolVersions, "\n", ", "))

	tmp := t.TempDir()
	init := filepath.Join(tmp, "init")
	if err := Build(ctx, init, "arm64", "makebreak/hw/kerneltest/init", ""); err != nil {
		t.Fatal(err)
	}
	boards := []string{"arm64", "arm"}
	for i, arch := range boards {
		t.Run(arch, func(t *testing.T) {
			files := map[string]string{}
			build := func(to, pkg, tags string) {
				files[to] = filepath.Join(tmp, arch+"-"+filepath.Base(to))
				if err := Build(ctx, files[to], arch, pkg, tags); err != nil {
					t.Fatal(err)
				}
			}
			build("/guest.test", "makebreak/hw/kerneltest/guest", "guest")
			for to, pkg := range programs {
				build(to, pkg, "")
			}
			monitorFiles, err := filepath.Glob(filepath.Join(tools, "?", "*"))
			if err != nil {
				t.Fatal(err)
			}
			for _, f := range monitorFiles {
				files["/gpiomon"+filepath.Base(filepath.Dir(f))+"/"+filepath.Base(f)] = f
			}
			ctx, cancel := ctx, func() {}
			if end, limited := t.Deadline(); limited {
				ctx, cancel = context.WithTimeout(ctx, share(time.Until(end), len(boards)-i))
			}
			defer cancel()
			t.Logf("%s: the machine starts", arch)
			var out strings.Builder
			began := time.Now()
			first := &firstWrite{w: &out}
			vm := VM{Kernel: dir, Init: init, Files: files, Args: []string{"/guest.test", "-test.v", "-test.timeout=1h"}}
			if run := os.Getenv("MAKEBREAK_KERNELTEST_RUN"); run != "" {
				vm.Args = append(vm.Args, "-test.run="+run)
			}
			status, err := vm.Run(ctx, first)
			took := time.Since(began).Seconds()
			results, rest := parseResults(out.String())
			if first.at.IsZero() {
				t.Logf("%s: no output in %.1f s", arch, took)
			} else {
				t.Logf("%s: first output after %.1f s, ended after %.1f s with %d tests", arch, first.at.Sub(began).Seconds(), took, len(results))
			}
			for _, r := range results {
				t.Run(r.name, func(t *testing.T) {
					t.Log("\n" + r.output)
					switch r.verdict {
					case "PASS":
					case "SKIP":
						t.Fatal("skipped in the machine")
					default:
						t.Fatal("failed in the machine, or not ended")
					}
				})
			}
			if ctx.Err() == context.DeadlineExceeded {
				t.Fatalf("the machine was stopped after %.0f s, this board's share of the time limit: give more with go test -timeout, or a quieter computer", took)
			}
			if err != nil {
				t.Fatal(err)
			}
			if status != 0 || len(results) == 0 {
				t.Errorf("tests in the machine ended with status %d after %d results\n%s", status, len(results), rest)
			}
		})
	}
}

// share is the time that the next of so many boards may take, so that the test
// itself says that time ran out, before go test ends it.
func share(left time.Duration, boards int) time.Duration {
	return max(left-30*time.Second, 0) / time.Duration(boards)
}

func TestShare(t *testing.T) {
	for _, c := range []struct {
		left   time.Duration
		boards int
		want   time.Duration
	}{{10 * time.Minute, 2, 285 * time.Second}, {315 * time.Second, 1, 285 * time.Second}, {10 * time.Second, 2, 0}} {
		if got := share(c.left, c.boards); got != c.want {
			t.Errorf("%v for %d boards: %v each, want %v", c.left, c.boards, got, c.want)
		}
	}
}

type firstWrite struct {
	w  io.Writer
	at time.Time
}

func (f *firstWrite) Write(b []byte) (int, error) {
	if f.at.IsZero() {
		f.at = time.Now()
	}
	return f.w.Write(b)
}

type result struct{ name, verdict, output string }

var (
	runLine     = regexp.MustCompile(`^=== RUN   ([^/\s]+)$`)
	verdictLine = regexp.MustCompile(`^--- (PASS|FAIL|SKIP): ([^/\s]+) \(`)
)

// parseResults splits the output of a verbose test run by top-level test. A
// test that has no verdict, as after a panic, is given as "NONE".
func parseResults(out string) (results []result, rest string) {
	var r *result
	close := func() {
		if r != nil {
			results = append(results, *r)
			r = nil
		}
	}
	for line := range strings.Lines(out) {
		trimmed := strings.TrimRight(line, "\r\n")
		switch m, v := runLine.FindStringSubmatch(trimmed), verdictLine.FindStringSubmatch(trimmed); {
		case m != nil:
			close()
			r = &result{name: m[1], verdict: "NONE"}
			continue
		case v != nil && r != nil && r.name == v[2]:
			r.verdict = v[1]
			r.output += line
			continue
		case r != nil && r.verdict != "NONE" && !strings.HasPrefix(line, " "): // subtests' verdicts are indented
			close()
		}
		if r != nil {
			r.output += line
		} else {
			rest += line
		}
	}
	close()
	return results, rest
}

func TestParseResults(t *testing.T) {
	got, rest := parseResults(`hello
=== RUN   TestA
    a_test.go:3: said
=== RUN   TestA/sub
--- PASS: TestA (0.01s)
    --- PASS: TestA/sub (0.00s)
=== RUN   TestB
--- SKIP: TestB (0.00s)
=== RUN   TestC
--- FAIL: TestC (1.00s)
=== RUN   TestD
panic: no
goroutine 1
FAIL
`)
	want := []result{
		{"TestA", "PASS", "    a_test.go:3: said\n=== RUN   TestA/sub\n--- PASS: TestA (0.01s)\n    --- PASS: TestA/sub (0.00s)\n"},
		{"TestB", "SKIP", "--- SKIP: TestB (0.00s)\n"},
		{"TestC", "FAIL", "--- FAIL: TestC (1.00s)\n"},
		{"TestD", "NONE", "panic: no\ngoroutine 1\nFAIL\n"},
	}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(result{})); d != "" {
		t.Error(d)
	}
	if rest != "hello\n" {
		t.Errorf("rest %q", rest)
	}
}

func TestMirror(t *testing.T) {
	for name, c := range map[string]struct{ file, text, want string }{
		"one line":     {"sources.list", "# deb http://no.invalid/debian x\ndeb [arch=arm64] http://mirror.invalid/debian trixie main\n", "http://mirror.invalid/debian"},
		"paragraphs":   {"sources.list.d/debian.sources", "Types: deb\nURIs: http://mirror.invalid/debian/\nSuites: trixie\n", "http://mirror.invalid/debian/"},
		"switched off": {"sources.list.d/x.list.off", "deb http://mirror.invalid/debian trixie main\n", ""},
		"another":      {"sources.list", "deb http://mirror.invalid/other stable main\n", ""},
	} {
		t.Run(name, func(t *testing.T) {
			etc := t.TempDir()
			path := filepath.Join(etc, c.file)
			if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, []byte(c.text), 0o644); err != nil {
				t.Fatal(err)
			}
			got, err := mirror(etc)
			if got != c.want || (err == nil) != (c.want != "") {
				t.Errorf("got %q, %v", got, err)
			}
		})
	}
}

func TestCompareVersions(t *testing.T) {
	// By dpkg's rules: numbers as numbers.
	for _, c := range []struct {
		a, b string
		want int
	}{{"6.12.9+deb13", "6.12.48+deb13", -1}, {"6.16.3+deb13", "6.12.48+deb13", 1}, {"6.1.0-9", "6.1.0-10", -1}, {"6.1", "6.1", 0}} {
		if got := compareVersions(c.a, c.b); got != c.want {
			t.Errorf("%s and %s: %d", c.a, c.b, got)
		}
	}
}
