package command

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// Each command has a manual page, which says all that its help says, and which
// the programs that show such pages read without a complaint.
func TestManual(t *testing.T) {
	dir := t.TempDir()
	if status, out, stderr := runCommand(t.Context(), nil, "manual", "--date", "2026-11-28", dir); status != StatusOK || out+stderr != "" {
		t.Fatal(status, out, stderr)
	}
	files, err := filepath.Glob(filepath.Join(dir, "*.1"))
	if err != nil || len(files) < 20 {
		t.Fatal(files, err)
	}
	unescape := strings.NewReplacer(`\e`, `\`, `\-`, "-", `\(aq`, "'", `\(ga`, "`", `\(ha`, "^", `\(ti`, "~", `\(dq`, `"`, `\&`, "")
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		name := strings.TrimSuffix(filepath.Base(f), ".1")
		page := ""
		for line := range strings.Lines(string(b)) {
			if !strings.HasPrefix(line, ".") || strings.HasPrefix(line, ".TP") {
				page += line
			} else if _, text, ok := strings.Cut(line, " "); ok {
				page += text
			}
		}
		for {
			_, after, ok := strings.Cut(page, `\[u`)
			if !ok {
				break
			}
			hex, _, _ := strings.Cut(after, "]")
			r := rune(0)
			for _, d := range hex {
				r = r<<4 + rune(strings.IndexRune("0123456789ABCDEF", d))
			}
			page = strings.ReplaceAll(page, `\[u`+hex+"]", string(r))
		}
		page = unescape.Replace(page)
		args := strings.Split(name, "-")[1:]
		if name == "makebreak-input-circuit" { // the hyphen is its own
			args = []string{"input-circuit"}
		}
		status, help, _ := runCommand(t.Context(), nil, append(args, "--help")...)
		if status != StatusOK {
			t.Fatalf("%s: no help", name)
		}
		// Headings of the two differ, and where a line ends.
		words := map[string]bool{}
		for _, w := range strings.Fields(page) {
			words[strings.ToLower(strings.Trim(w, `".:`))] = true
		}
		for _, w := range strings.Fields(help) {
			w = strings.ToLower(strings.Trim(w, `".:,`))
			switch w {
			case "usage", "flags", "caution", "arguments", "status", "examples", "run", "more", "information", "on", "a", "command", "exit":
				continue
			}
			if !words[w] && !words[w+","] && !strings.Contains(page, w) && !strings.Contains(strings.ToLower(page), w) {
				t.Errorf("%s lacks %q of the help", name, w)
			}
		}
	}
	for _, check := range [][]string{{"mandoc", "-T", "lint", "-W", "warning"}, {"man", "--warnings", "-E", "UTF-8", "-l", "-Tutf8", "-Z"}} {
		program, err := exec.LookPath(check[0])
		if err != nil {
			if os.Getenv("MAKEBREAK_TESTS") == "require" {
				t.Fatal(err)
			}
			t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
		}
		for _, f := range files {
			cmd := exec.Command(program, append(check[1:], f)...)
			var stderr strings.Builder
			cmd.Stderr = &stderr
			out, err := cmd.Output()
			if check[0] == "mandoc" {
				stderr.Write(out)
			}
			if err != nil || stderr.Len() > 0 {
				t.Errorf("%s %s: %v: %s", check[0], filepath.Base(f), err, &stderr)
			}
		}
	}
}
