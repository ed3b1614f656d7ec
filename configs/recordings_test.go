package configs

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

var update = flag.Bool("update", false, "write the bundled recordings anew")

// The bundled recordings are what their descriptions make, byte for byte. A
// recording begins with its title and its description; the exchange and all
// figures are invented.
func TestRecordings(t *testing.T) {
	files, err := filepath.Glob("recordings/*")
	if err != nil || len(files) != 4 {
		t.Errorf("%d recordings, want 4 (%v)", len(files), err)
	}
	for _, name := range files {
		got, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		const invented = "All invented and computed: makebreak sim "
		lines := strings.SplitN(string(got), "\n", 3)
		title, isTitle := strings.CutPrefix(lines[0], "# Marrow Quay exchange (invented): ")
		description, isDescription := strings.CutPrefix(lines[1], "# "+invented)
		if !isTitle || !isDescription {
			t.Fatalf("%s begins with %q", name, lines[:2])
		}
		spec, err := synth.Parse(description)
		if err != nil {
			t.Fatal(err)
		}
		if s := spec.String(); s != description {
			t.Errorf("%s: the canonical description is %s", name, s)
		}
		signal, err := synth.New(spec)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		w := hw.NewCSVWriter(&b, hw.CSVOptions{Comments: []string{"Marrow Quay exchange (invented): " + title, invented + description}})
		buf := make([]pulse.Edge, 256)
		for n := signal.Next(buf); n > 0; n = signal.Next(buf) {
			if err := w.Write(buf[:n]); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		if *update {
			if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		} else if !bytes.Equal(got, b.Bytes()) {
			t.Errorf("%s is not what its description makes: run this test with -update", name)
		}
		if b.Len() > 40<<10 || b.Len() < 2000 {
			t.Errorf("%s has %d bytes", name, b.Len())
		}
	}
}
