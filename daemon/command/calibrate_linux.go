package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"makebreak/daemon/calibration"
	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
)

type calibrateCmd struct {
	loopFlags
	Coupler string `placeholder:"NOTE" help:"What lies between, in your own words: which coupler, which resistor."`
	Closed  string `group:"The measuring line:" enum:"high,low" default:"high" help:"Level of the line while the contact is closed: high or low."`
	Bias    string `group:"The measuring line:" enum:"as-is,pull-up,pull-down,disabled" default:"as-is" help:"Pull resistor inside the chip: as-is, pull-up, pull-down or disabled. It belongs to the calibration: measure with the same."`

	Pulses   int  `group:"The pulses:" default:"2000" help:"How many are sent."`
	BreakMin span `group:"The pulses:" placeholder:"10ms" help:"Shortest break."`
	BreakMax span `group:"The pulses:" placeholder:"100ms" help:"Longest break."`

	Show            bool   `group:"Output:" help:"Send nothing: show the saved calibrations, or with --in that of a line."`
	CalibrationDir  string `group:"Output:" placeholder:"DIR" help:"Where calibrations are kept, in place of $XDG_STATE_HOME/makebreak/calibration."`
	CalibrationDays int    `group:"Output:" placeholder:"180" default:"180" help:"Days after which a calibration is called stale."`
	JSON            bool   `group:"Output:" name:"json" help:"Write one JSON object instead of the page."`
}

func (*calibrateCmd) epilogue() string {
	return `Examples:
  makebreak calibrate --out GPIO27 --in GPIO17 --coupler "board 3, 10 kΩ, 50 V"
  makebreak calibrate --show

It sends pulses through the coupler into the measuring line, and finds the
noise of an edge's time and how much longer the chain shows a make than it is.
makebreak measure uses both for that line from then on. Drive the coupler as
the contact will: at its voltage and through its resistor. What the sending
end adds cannot be told apart and is contained in the result.

A calibration belongs to a line of this computer. Adapters of one make are told
apart by their USB serial number, those without by the USB socket.

` + endings + `
Exit status: 0 calibrated and saved; 1 the chain did not follow, nothing was
saved; 2 the command is wrong or a line failed; 3 stopped before the end.

` + driving + `
` + caution
}

const (
	calibrateLengths = 10                     // break lengths from the shortest to the longest
	calibrateMake    = 40 * int64(1e6)        // ns
	calibrateRest    = pulse.Stamp(500 * 1e6) // before and after the pulses
	calibrateDither  = 1e6                    // ns
	calibrateSeed    = 1
	// calibrateTolerable is the part of the edges that may be lost or doubled:
	// more, and the chain does not follow.
	calibrateTolerable = 0.01
)

func (c *calibrateCmd) check() error {
	for _, b := range []struct {
		flag string
		v    *span
		ns   int64
	}{{"break-min", &c.BreakMin, 10e6}, {"break-max", &c.BreakMax, 100e6}} {
		if !b.v.set {
			b.v.ns = b.ns
		}
		if b.v.ns < 5e6 || b.v.ns > 2e9 {
			return fmt.Errorf("--%s is %s: expected 5 ms to 2 s", b.flag, figure.Span(b.v.ns))
		}
	}
	switch {
	case c.BreakMax.ns < c.BreakMin.ns+calibrateLengths*1e6:
		return fmt.Errorf("breaks of %s to %s: expected a range of %d ms at least", figure.Span(c.BreakMin.ns), figure.Span(c.BreakMax.ns), calibrateLengths)
	case c.Pulses < 100 || c.Pulses > 1e6:
		return fmt.Errorf("--pulses is %d: expected 100 to 1,000,000", c.Pulses)
	}
	return checkCalibrationDays(c.CalibrationDays)
}

// edges gives the pulses: breaks of all lengths in an order drawn by lot, so
// that a drift does not look like a dependence on the length, and makes that
// differ within a millisecond, so that no edge keeps step with a timer.
func (c *calibrateCmd) edges() iter.Seq[pulse.Edge] {
	polarity, idle := polarityOf(c.OutClosed), c.idle()
	return func(yield func(pulse.Edge) bool) {
		rng := rand.New(rand.NewPCG(calibrateSeed, 0))
		if idle != polarity.Level(true) && !yield(pulse.Edge{Level: polarity.Level(true)}) {
			return
		}
		at := calibrateRest
		var order []int
		for range c.Pulses {
			if len(order) == 0 {
				order = rng.Perm(calibrateLengths)
			}
			length := c.BreakMin.ns + (c.BreakMax.ns-c.BreakMin.ns)*int64(order[0])/(calibrateLengths-1)
			order = order[1:]
			if !yield(pulse.Edge{At: at, Level: polarity.Level(false)}) || !yield(pulse.Edge{At: at + pulse.Stamp(length), Level: polarity.Level(true)}) {
				return
			}
			at += pulse.Stamp(length + calibrateMake + rng.Int64N(calibrateDither))
		}
		yield(pulse.Edge{At: at + calibrateRest, Level: idle})
	}
}

// length is about how long the pulses take.
func (c *calibrateCmd) length() pulse.Stamp {
	each := (c.BreakMin.ns+c.BreakMax.ns)/2 + calibrateMake + calibrateDither/2
	return 2*calibrateRest + pulse.Stamp(int64(c.Pulses)*each)
}

func (c *calibrateCmd) run(ctx context.Context, sh *shell) (int, error) {
	place := calibrationFlags{CalibrationDir: c.CalibrationDir}
	dir, err := place.dir(sh.env)
	if err != nil {
		return 0, err
	}
	if err := c.check(); err != nil {
		return 0, err
	}
	if c.Show {
		if err := place.checkDir(); err != nil {
			return 0, err
		}
		return StatusOK, c.show(sh, dir)
	}
	if err := c.names(); err != nil {
		return 0, err
	}
	if c.Coupler == "" {
		return 0, errors.New(`expected --coupler "what lies between the two lines": the calibration holds for that alone`)
	}
	bound, err := c.bound()
	if err != nil {
		return 0, err
	}
	l, err := c.find()
	if err != nil {
		return 0, err
	}
	sh.warnDriving(lineName(c.Out), l.outRef, c.length(), c.idle(), polarityOf(c.OutClosed), figure.Plural(c.Pulses, "pulse", "pulses")+" through "+c.Coupler+" into "+lineName(c.In))
	bias := (&lineFlags{Bias: c.Bias}).bias()
	if err := c.open(l, bias); err != nil {
		return 0, err
	}
	defer l.close()
	result, rep, err := c.play(ctx, l, bound)
	if err != nil {
		if ctx.Err() != nil && errors.Is(err, ctx.Err()) {
			if err := l.close(); err != nil {
				return 0, err
			}
			sh.warn("stopped by you: nothing was saved, the line is " + levelWord(c.idle()))
			return StatusNotMeasured, nil
		}
		return 0, err
	}
	if err := l.close(); err != nil {
		return 0, err
	}
	k := &calibration.Calibration{
		Format: calibration.Format, At: time.Now().UTC().Truncate(time.Second), Board: calibration.ReadBoard("/"), Coupler: c.Coupler, Result: result,
		Line:   calibration.Line{Label: l.inRef.Label, Offset: l.inRef.Offset, Device: calibration.DeviceOf("/", l.inRef.Chip), Name: lineName(c.In), Closed: c.Closed, Bias: bias.String()},
		Sender: calibration.Line{Label: l.outRef.Label, Offset: l.outRef.Offset, Device: calibration.DeviceOf("/", l.outRef.Chip), Name: lineName(c.Out), Closed: c.OutClosed},
	}
	file, why := "", c.refuse(result)
	if why == "" {
		if file, err = k.Save(dir); err != nil {
			return 0, err
		}
	}
	if c.JSON {
		err = encodeJSON(sh.stdout, struct {
			*calibration.Calibration
			Saved   string      `json:"saved"`
			Why     string      `json:"why_not"`
			Sending latenessDoc `json:"sending"`
		}{k, file, why, latenessOf(rep)})
	} else {
		p := page{colour: sh.colour()}
		writeCalibrated(&p, k, file, why, rep)
		_, err = p.WriteTo(sh.stdout)
	}
	if why != "" {
		return StatusOutOfLimits, err
	}
	return StatusOK, err
}

// refuse says why a result must not be saved; empty when it may.
func (c *calibrateCmd) refuse(r *pulse.Loopback) string {
	switch {
	case !r.AsymmetryU.OK || !r.EdgeNoise.OK:
		return fmt.Sprintf("only %s of %s came back as they should: look at the wiring, at --closed and --out-closed, and at the coupler's current",
			figure.Count(r.Openings+r.Closings), figure.Plural(r.Sent, "edge", "edges"))
	case float64(r.Lost+r.Extra) > calibrateTolerable*float64(r.Sent):
		return fmt.Sprintf("%s lost and %s too many, of %s: the chain does not follow; look for bounce, pick-up, or a coupler that is too slow",
			figure.Plural(r.Lost, "edge was", "edges were"), figure.Count(r.Extra), figure.Count(r.Sent))
	}
	return ""
}

// play sends the pulses and compares what came back.
func (c *calibrateCmd) play(ctx context.Context, l *loop, bound time.Duration) (*pulse.Loopback, hw.PlayReport, error) {
	polarity := polarityOf(c.OutClosed)
	sent := make([]pulse.Driven, 0, 2*c.Pulses+2)
	level := c.idle()
	rep, err := l.Play(ctx, c.edges(), hw.PlayOptions{Late: bound, Spin: spin, OnWrite: func(e pulse.Edge, _, done pulse.Stamp) {
		if e.Level != level {
			level = e.Level
			sent = append(sent, pulse.Driven{At: done, Closed: polarity.Closed(e.Level)})
		}
	}})
	if err != nil {
		return nil, rep, err
	}
	if err := wait(ctx, 2*liveMargin); err != nil {
		return nil, rep, err
	}
	// What came before is no answer; nor is the release, during which this
	// program is busy with other things.
	until := pulse.Stamp(math.MaxInt64)
	if last := sent[len(sent)-1]; !last.Closed {
		sent, until = sent[:len(sent)-1], last.At-matchBefore
	}
	if _, _, err := l.take(sent[0].At - matchBefore); err != nil {
		return nil, rep, err
	}
	seen, _, err := l.take(until)
	if err != nil {
		return nil, rep, err
	}
	r, _ := pulse.AnalyseLoopback(sent, seen, polarityOf(c.Closed)) // too little came back: refuse says more of that
	return r, rep, nil
}

// matchBefore is how long before the end of its write an edge may be stamped.
const matchBefore = pulse.Stamp(2e6)

func writeCalibrated(p *page, k *calibration.Calibration, file, why string, rep hw.PlayReport) {
	r := k.Result
	if why == "" {
		p.paint(green, "CALIBRATED")
	} else {
		p.paint(red, "NOT CALIBRATED: THE CHAIN DID NOT FOLLOW")
	}
	p.WriteString("\n\n")
	p.para("  ", printable(fmt.Sprintf("%s (%s:%d) drove %s (%s:%d) through: %s.", k.Sender.Name, k.Sender.Label, k.Sender.Offset, k.Line.Name, k.Line.Label, k.Line.Offset, k.Coupler)))
	p.para("  ", fmt.Sprintf("Closed is %s on the driven line and %s on the measuring one; pull resistor %s.", k.Sender.Closed, k.Line.Closed, k.Line.Bias))
	p.para("  ", fmt.Sprintf("Of %s sent, %s came back as they should, %s did not; %s too many came.",
		figure.Plural(r.Sent, "edge", "edges"), figure.Count(r.Openings+r.Closings), figure.Count(r.Lost), figure.Count(r.Extra)))
	writeLateness(p, rep)
	if why != "" {
		p.para("  ", upperFirst(why)+". Nothing was saved.")
	} else {
		p.para("  ", "Saved as "+printable(file)+"; makebreak measure gpio:"+printable(k.Line.Name)+" uses it from now on, with the same --closed and --bias.")
	}
	writeLoopback(p, r)
	p.WriteByte('\n')
	p.WriteString(caution)
}

// writeLoopback writes the figures of a loopback.
func writeLoopback(p *page, r *pulse.Loopback) {
	if !r.EdgeNoise.OK || !r.AsymmetryU.OK {
		return
	}
	p.head("What the chain does (± is k = 2)")
	us := func(n, u pulse.Num) (v, pm string) {
		dec := figure.Decimals(2 * u.V / 1e3)
		n.V, u.V = n.V/1e3, 2*u.V/1e3
		return signed(n, dec), "± " + number(u, dec)
	}
	row := func(name, unit, meaning string, n, u pulse.Num) []cell {
		dec := figure.Decimals(2 * u.V)
		u.V *= 2
		return cells(name, signed(n, dec), "± "+number(u, dec), unit, meaning)
	}
	asymmetry, asymmetryU := us(r.Asymmetry, r.AsymmetryU)
	opening := r.DelayOpen
	opening.V /= 1e3
	closing := r.DelayClose
	closing.V /= 1e3
	noise := r.EdgeNoise
	noise.V /= 1e3
	p.grid("lrlll", [][]cell{
		cells("asymmetry", asymmetry, asymmetryU, "µs", "a make is shown longer by this"),
		cells("edge noise", number(noise, 2), "", "µs", "of one edge, standard deviation"),
		row("linearity", "ppm", "error of a break by its length", r.Linearity, r.LinearityU),
		row("drift", "ns/s", "of the delay", r.DriftNSPerS, r.DriftU),
		cells("delay opening", number(opening, 1), "", "µs", "from the write to the stamp"),
		cells("delay closing", number(closing, 1), "", "µs", ""),
	})
	for _, x := range []struct {
		of, u pulse.Num
		text  string
	}{
		{r.Linearity, r.LinearityU, "The error of a break depends on its length: what the asymmetry then leaves is in its uncertainty."},
		{r.DriftNSPerS, r.DriftU, "The delay drifted while it was measured: let the chain warm up, then calibrate again."},
	} {
		if x.of.OK && x.u.OK && math.Abs(x.of.V) > 4*x.u.V {
			p.para("  Note: ", x.text)
		}
	}
	p.head("By length of the break")
	rows := [][]cell{cells("break ms", "n", "error µs", "")}
	for _, l := range r.Lengths {
		e, u := us(pulse.Known(l.ErrorNS), l.SE)
		rows = append(rows, cells(figure.Trimmed(l.BreakMS, 0), figure.Count(l.N), e, u))
	}
	p.grid("rrrl", rows)
}

// show lists what was saved.
func (c *calibrateCmd) show(sh *shell, dir string) error {
	all, err := calibration.All(dir)
	if err != nil {
		return err
	}
	if c.In != "" {
		all = slices.DeleteFunc(all, func(k *calibration.Calibration) bool { return k.Line.Name != lineName(c.In) })
		if ref, err := hw.Resolve(lineName(c.In)); err == nil && len(all) == 0 {
			k, err := calibration.Load(dir, calibration.Line{Label: ref.Label, Offset: ref.Offset, Device: calibration.DeviceOf("/", ref.Chip)})
			if err == nil {
				all = append(all, k)
			}
		}
	}
	if c.JSON {
		return encodeJSON(sh.stdout, struct {
			Format       string                     `json:"format"`
			Calibrations []*calibration.Calibration `json:"calibrations"`
		}{"makebreak.calibrations/1", append([]*calibration.Calibration{}, all...)})
	}
	if len(all) == 0 {
		of := ""
		if c.In != "" {
			of = " of " + lineName(c.In)
		}
		_, err := io.WriteString(sh.stdout, printable("No calibration"+of+" is saved in "+dir+".")+"\n")
		return err
	}
	p := page{colour: sh.colour()}
	board := calibration.ReadBoard("/")
	for _, k := range all {
		device := ""
		if k.Line.Device != "" {
			device = ", " + k.Line.Device
		}
		p.head(printable(fmt.Sprintf("%s (%s:%d%s), closed is %s, pull resistor %s", k.Line.Name, k.Line.Label, k.Line.Offset, device, k.Line.Closed, k.Line.Bias)))
		p.para("  ", upperFirst(printable(k.String()))+".")
		if fit := k.Check(board, k.Line, time.Now(), time.Duration(c.CalibrationDays)*24*time.Hour); fit.Why != "" {
			p.para("  ", map[bool]string{true: "FOREIGN: ", false: "STALE: "}[fit.Foreign]+printable(fit.Why)+".")
		}
		writeLoopback(&p, k.Result)
	}
	_, err = p.WriteTo(sh.stdout)
	return err
}
