package command

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

type simCmd struct {
	Description []string `arg:"" help:"Signal (dial, cam or cadence), then key=value …; what is not said takes a default."`

	For    span   `group:"The signal:" placeholder:"TIME" help:"Leave out what comes after this time, such as 60s."`
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
	if c.For.set && c.For.ns <= 0 {
		return 0, fmt.Errorf("--for is %s: expected more than 0", figure.Span(c.For.ns))
	}
	open := openSimulated
	if c.Out == "" && !sh.stdoutFile {
		open = openEndless // its reader ends it
	}
	signal, err := open(strings.Join(c.Description, " "), c.For)
	if err != nil {
		return 0, err
	}
	until := ""
	if c.For.set {
		until = " --for " + time.Duration(c.For.ns).String()
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
		out = hw.NewVCDWriter(w, spec.Form.String())
	} else {
		out = hw.NewCSVWriter(w, hw.CSVOptions{
			Comments: []string{"A simulated contact, not a recording: makebreak sim " + spec.String() + until},
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

// simulated is a simulated contact as a source of measure, up to --for when
// that is set.
type simulated struct {
	*hw.Simulated
	until span
	any   bool
}

func (*simulated) BytesRead() int64      { return 0 }
func (*simulated) Size() int64           { return 0 }
func (*simulated) ResolutionNS() float64 { return 1 }

// ReadEdges gives an error where there is no edge at all, as a recording does.
func (s *simulated) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	n, err = s.Simulated.ReadEdges(ctx, buf)
	if s.until.set {
		for n > 0 && int64(buf[n-1].At) > s.until.ns {
			n, err = n-1, io.EOF
		}
	}
	s.any = s.any || n > 0
	switch {
	case n > 0:
		return n, nil
	case err == io.EOF && !s.any && s.until.set:
		return 0, fmt.Errorf("%s: no edge until --for %s", s.Spec(), figure.Span(s.until.ns))
	case err == io.EOF && !s.any:
		return 0, fmt.Errorf("%s: no edge", s.Spec())
	}
	return 0, err
}

// openSimulated opens a simulated contact that has an end.
func openSimulated(description string, until span) (*simulated, error) {
	s, err := openEndless(description, until)
	if err != nil {
		return nil, err
	}
	key := ""
	switch spec := s.Spec(); int64(synth.Endless) {
	case spec.Repeat:
		key = "repeat"
	case spec.Cycles:
		key = "cycles"
	}
	if key != "" && !until.set {
		return nil, fmt.Errorf("%s=endless: expected an end: --for, such as --for 60s, or a number, such as %[1]s=100", key)
	}
	return s, nil
}

// openEndless opens a simulated contact that need not have an end.
func openEndless(description string, until span) (*simulated, error) {
	spec, err := config.ParseSim(description)
	if err != nil {
		return nil, err
	}
	s, err := hw.NewSimulated(spec, hw.SimulatedOptions{})
	if err != nil {
		return nil, err
	}
	return &simulated{Simulated: s, until: until}, nil
}
