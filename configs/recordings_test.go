package configs

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

var update = flag.Bool("update", false, "write the bundled recordings anew")

// The bundled recordings are what their descriptions make, byte for byte.
func TestRecordings(t *testing.T) {
	files, err := filepath.Glob("recordings/*")
	if err != nil || !*update && len(files) != len(synth.Examples()) {
		t.Errorf("%d recordings, want %d (%v)", len(files), len(synth.Examples()), err)
	}
	for _, e := range synth.Examples() {
		spec, err := synth.Parse(e.Description)
		if err != nil {
			t.Fatal(err)
		}
		signal, err := synth.New(spec)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		w := hw.NewCSVWriter(&b, hw.CSVOptions{Comments: []string{e.Title, "All invented and computed: makebreak sim " + e.Description}})
		buf := make([]pulse.Edge, 256)
		for n := signal.Next(buf); n > 0; n = signal.Next(buf) {
			if err := w.Write(buf[:n]); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		name := filepath.Join("recordings", e.File)
		if *update {
			if err := os.WriteFile(name, b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		got, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, b.Bytes()) {
			t.Errorf("%s is not what its description makes: run this test with -update", name)
		}
		if len(got) > 40<<10 {
			t.Errorf("%s has %d bytes", name, len(got))
		}
	}
}
