package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/config"
	"makebreak/daemon/metrics"
	"makebreak/daemon/report"
	"makebreak/pulse"
)

// The README has each set of limits and each family of metrics, as the program
// knows them, and the drawing is that of the command beside it.
func TestREADME(t *testing.T) {
	const file, drawing = "../../README.md", "../../configs/input-circuit.svg"
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	want := string(text)
	for name, table := range map[string]string{"limits": limitsTable(t), "metrics": metricsTable()} {
		begin := "<!-- " + name + ": written by go test ./daemon/makebreak -run README -update -->\n"
		before, rest, ok := strings.Cut(want, begin)
		end := "<!-- end of " + name + " -->"
		_, after, closed := strings.Cut(rest, end)
		if !ok || !closed {
			t.Fatalf("README.md has no place for %s", name)
		}
		want = before + begin + table + end + after
	}
	made := filepath.Join(t.TempDir(), "input-circuit.svg")
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(self, filepath.Join(filepath.Dir(made), "makebreak")); err != nil {
		t.Fatal(err)
	}
	const command = "input-circuit --voltage 48V-battery --superposed none --peak 90V --drawing "
	if !strings.Contains(want, "makebreak "+command+"wiring.svg") {
		t.Error("README.md does not show the command that makes its drawing")
	}
	cmd := exec.Command(filepath.Join(filepath.Dir(made), "makebreak"), strings.Fields(command+made)...)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	drawn, err := os.ReadFile(made)
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(drawing, drawn, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if diff := cmp.Diff(want, string(text)); diff != "" {
		t.Errorf("README.md (-update writes it anew): %s", diff)
	}
	if kept, err := os.ReadFile(drawing); err != nil || string(kept) != string(drawn) {
		t.Errorf("%s is not what the command draws (-update writes it anew): %v", drawing, err)
	}
}

func limitsTable(t *testing.T) string {
	all, err := config.Profiles()
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	b.WriteString("| `--limits` | of | what is judged | source | known from |\n|---|---|---|---|---|\n")
	for _, p := range all {
		if len(p.Limits) == 0 {
			continue
		}
		var sources, seen []string
		for _, l := range p.Limits {
			document, _, _ := strings.Cut(l.Source, ";")
			if l.Seen == pulse.SeenDerived {
				continue
			}
			if !slices.Contains(sources, document) {
				sources = append(sources, document)
			}
			if s := string(l.Seen); !slices.Contains(seen, s) {
				seen = append(seen, s)
			}
		}
		fmt.Fprintf(&b, "| `%s` | %s: %s | %s | %s | %s |\n", p.ID, report.CountryName(p.Country), p.Title, report.Figures(p), strings.Join(sources, "; "), strings.Join(seen, ", "))
	}
	return b.String()
}

func metricsTable() string {
	var b strings.Builder
	b.WriteString("| metric | kind | labels | what it is |\n|---|---|---|---|\n")
	for _, f := range metrics.Families() {
		fmt.Fprintf(&b, "| `%s` | %s | %s | %s |\n", f.Name, f.Kind, strings.Join(f.Labels, ", "), strings.ReplaceAll(f.Help, "|", `\|`))
	}
	return b.String()
}
