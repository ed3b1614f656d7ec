// Command vulndb lays the Go vulnerability reports that the module
// golang.org/x/vulndb carries out as a database that govulncheck -db reads,
// for machines that reach a module proxy but not the database itself.
//
//	go run ./.ci/vulndb OUTDIR
package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
)

func main() {
	if err := run(os.Args[1]); err != nil {
		fmt.Fprintln(os.Stderr, "vulndb:", err)
		os.Exit(1)
	}
}

type vuln struct {
	ID       string `json:"id"`
	Modified string `json:"modified"`
	Fixed    string `json:"fixed,omitempty"`
}

func run(out string) error {
	cmd := exec.Command("go", "mod", "download", "-json", "golang.org/x/vulndb@latest")
	cmd.Dir = os.TempDir() // outside the module: nothing is to be added to its go.mod
	b, err := cmd.Output()
	if err != nil {
		return fmt.Errorf("download the reports: %w", err)
	}
	var mod struct{ Dir, Version string }
	if err := json.Unmarshal(b, &mod); err != nil {
		return err
	}
	files, _ := filepath.Glob(filepath.Join(mod.Dir, "data", "osv", "GO-*.json"))
	if len(files) == 0 {
		return fmt.Errorf("no reports in %s", mod.Version)
	}
	for _, d := range []string{"ID", "index"} {
		if err := os.MkdirAll(filepath.Join(out, d), 0o755); err != nil {
			return err
		}
	}
	latest := ""
	modules := map[string][]vuln{}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			return err
		}
		var e struct {
			ID, Modified string
			Affected     []struct {
				Package struct{ Name string }
				Ranges  []struct{ Events []struct{ Fixed string } }
			}
		}
		if err := json.Unmarshal(b, &e); err != nil {
			return fmt.Errorf("%s: %w", f, err)
		}
		var compact bytes.Buffer
		if err := json.Compact(&compact, b); err != nil {
			return err
		}
		if err := os.WriteFile(filepath.Join(out, "ID", e.ID+".json"), compact.Bytes(), 0o644); err != nil {
			return err
		}
		latest = max(latest, e.Modified)
		for _, a := range e.Affected {
			v := vuln{ID: e.ID, Modified: e.Modified}
			for _, r := range a.Ranges {
				for _, ev := range r.Events {
					if ev.Fixed != "" {
						v.Fixed = ev.Fixed // the last is the one that mends it all
					}
				}
			}
			modules[a.Package.Name] = append(modules[a.Package.Name], v)
		}
	}
	type module struct {
		Path  string `json:"path"`
		Vulns []vuln `json:"vulns"`
	}
	var index []module
	for path, v := range modules {
		index = append(index, module{path, v})
	}
	write := func(name string, v any) error {
		b, err := json.Marshal(v)
		if err != nil {
			return err
		}
		return os.WriteFile(filepath.Join(out, "index", name), b, 0o644)
	}
	if err := write("modules.json", index); err != nil {
		return err
	}
	if err := write("db.json", map[string]string{"modified": latest}); err != nil {
		return err
	}
	fmt.Printf("%d reports of %s\n", len(files), mod.Version)
	return nil
}
