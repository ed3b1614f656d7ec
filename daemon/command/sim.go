package command

import (
	"context"
	"fmt"
	"io"
	"strings"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

type simCmd struct {
	Description []string `arg:"" help:"Signal (dial, cam or cadence), then key=value …; what is not said takes a default."`

	Format string `group:"Output:" enum:"csv,vcd" default:"csv" help:"csv or vcd."`
	Out    string `group:"Output:" placeholder:"FILE" help:"Write to FILE, which appears when it is whole, instead of standard output."`
	Force  bool   `group:"Output:" help:"Let --out replace a file."`
}

func (*simCmd) epilogue() string {
	var b strings.Builder
	b.WriteString(`Examples, from the Marrow Quay exchange (invented, as all its figures are):
  makebreak sim dial digits=0123 rate=9.4 break=63 > dial.csv
  makebreak sim cam ipm=60 lobes=5 lobe-errors=0,0,4ms,0,0 --out cam.csv
  makebreak measure sim:cadence,400/200/400/2000,cycles=20
`)
	b.WriteString("\nTimes are written like 800ms, 0.8s or 200us.\n")
	var groups []string
	rows := map[string][][]cell{}
	for _, k := range synth.Keys() {
		of := "Keys of every signal:"
		if len(k.Forms) < 3 {
			of = "Keys of a " + join(formNames(k.Forms)) + ":"
		}
		if rows[of] == nil {
			groups = append(groups, of)
		}
		rows[of] = append(rows[of], cells(k.Name, k.Meaning+keyDefault(k)))
	}
	for _, of := range groups {
		var p page
		p.head(of)
		w := gridWidths(rows[of])[0]
		for _, r := range rows[of] {
			p.para("  "+r[0].text+strings.Repeat(" ", w-width(r[0].text))+"  ", r[1].text)
		}
		b.WriteString("\n" + p.String())
	}
	return b.String()
}

func formNames(forms []synth.Form) (names []string) {
	for _, f := range forms {
		names = append(names, f.String())
	}
	return names
}

// keyDefault says in what a key's value is written and what it is without.
func keyDefault(k synth.Key) string {
	unit := k.Unit
	if strings.HasPrefix(unit, "time such as ") {
		unit = "time"
	}
	if k.Default != "" {
		unit += "; default " + k.Default
	}
	return " (" + unit + ")"
}

// A recordingWriter is what hw writes recordings with.
type recordingWriter interface {
	Write([]pulse.Edge) error
	Flush() error
}

func (c *simCmd) run(ctx context.Context, sh *shell) (_ int, err error) {
	signal, err := openSimulated(strings.Join(c.Description, " "))
	if err != nil {
		return 0, err
	}
	var w io.Writer = sh.stdout
	var file *outFile
	if c.Out != "" {
		if file, err = createFile("--out", c.Out, c.Force); err != nil {
			return 0, err
		}
		defer file.discard()
		w = file
	}
	spec := signal.Spec()
	var out recordingWriter
	if c.Format == "vcd" {
		out = hw.NewVCDWriter(w, hw.VCDOptions{Variable: spec.Form.String()})
	} else {
		out = hw.NewCSVWriter(w, hw.CSVOptions{
			Comments: []string{"A simulated contact, not a recording: makebreak sim " + spec.String()},
			Seq:      spec.Lost > 0,
		})
	}
	for buf := make([]pulse.Edge, pumpEdges); ; {
		n, err := signal.ReadEdges(ctx, buf)
		if err == io.EOF {
			break
		}
		if ctx.Err() != nil {
			return 0, fmt.Errorf("stopped by you before the end of the signal")
		}
		if err != nil {
			return 0, err
		}
		if err := out.Write(buf[:n]); err != nil {
			return 0, err
		}
	}
	err = out.Flush()
	if file != nil {
		err = file.keep(err)
	}
	return StatusOK, err
}

// simulated is a simulated contact as a source of measure.
type simulated struct{ *hw.Simulated }

func (simulated) BytesRead() int64      { return 0 }
func (simulated) Size() int64           { return 0 }
func (simulated) ResolutionNS() float64 { return 1 }

func openSimulated(description string) (simulated, error) {
	spec, err := synth.Parse(description)
	if err != nil {
		return simulated{}, err
	}
	s, err := hw.NewSimulated(spec, hw.SimulatedOptions{})
	return simulated{s}, err
}
