package command

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

type simCmd struct {
	Description []string `arg:"" help:"Signal (dial, cam or cadence), then key=value …; what is not said takes a default."`

	For    span   `group:"The signal:" placeholder:"TIME" help:"Leave out what comes after this time, such as 60s; the signal goes on until then where cycles, turns or repeat do not end it."`
	Format string `group:"Output:" enum:"csv,vcd" default:"csv" help:"csv or vcd."`
	outFlags
}

func (*simCmd) epilogue() string {
	return `Examples, from the Marrow Quay exchange (invented, as all its figures are):
  makebreak sim dial digits=0123 rate=9.4 break=63 > dial.csv
  makebreak sim cam ipm=60 lobes=5 lobe-errors=0,0,4ms,0,0 --out cam.csv
  makebreak measure sim:cadence,400/200/400/2000,cycles=20
  makebreak sim cam lobes=5 wear=0,0,8ms/day,0,0 steps=18h:speed:0.5 --for 1d
  makebreak sim cam ipm=60 lobes=6 gear=3.75:1.2ms tooth=18.75:18:0.4ms
  makebreak sim cam ipm=60 wander-white=40 wander-flicker=20 --for 6h
  makebreak sim dial digits=0123 seed=7 repeater=12ms:9ms > output.csv

Times are written like 800ms, 0.8s or 200us.
` + report.OfSignalKeys(synth.Keys()).String()
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
	w, file, err := c.create(sh)
	if err != nil {
		return 0, err
	}
	defer file.Discard()
	spec := signal.Spec()
	var out hw.RecordingWriter
	if c.Format == "vcd" {
		out = hw.NewVCDWriter(w, spec.Form.String())
	} else {
		out = hw.NewCSVWriter(w, hw.CSVOptions{
			Comments: []string{"A simulated contact, not a recording: makebreak sim " + spec.String() + until},
			Seq:      spec.Lost > 0,
		})
	}
	for buf := make([]pulse.Edge, batchEdges); ; {
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
		err = file.Keep(err)
	}
	return StatusOK, err
}

// simulated is a simulated contact as a source of measure.
type simulated struct {
	*hw.Simulated
	until span // --for, for the error of a signal without an edge
	any   bool
}

func (*simulated) BytesRead() int64      { return 0 }
func (*simulated) Size() int64           { return 0 }
func (*simulated) ResolutionNS() float64 { return 1 }

// ReadEdges gives an error where there is no edge at all, as a recording does.
func (s *simulated) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	n, err = s.Simulated.ReadEdges(ctx, buf)
	s.any = s.any || n > 0
	if err == io.EOF && !s.any {
		err = fmt.Errorf("%s: no edge", s.Spec())
		if s.until.set {
			err = fmt.Errorf("%w until --for %s", err, figure.Span(s.until.ns))
		}
	}
	return n, err
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
	parse := config.ParseSim
	if until.set {
		parse = config.ParseSimEndless // it is --for that says how long
	}
	spec, err := parse(description)
	if err != nil {
		return nil, err
	}
	s, err := hw.NewSimulated(spec, hw.SimulatedOptions{Until: pulse.Stamp(until.ns)})
	if err != nil {
		return nil, err
	}
	return &simulated{Simulated: s, until: until}, nil
}

func simulate(description string, opt hw.SimulatedOptions) (*hw.Simulated, error) {
	spec, err := config.ParseSim(description)
	if err != nil {
		return nil, err
	}
	return hw.NewSimulated(spec, opt)
}
