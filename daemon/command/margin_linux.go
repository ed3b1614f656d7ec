package command

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"iter"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
)

type marginCmd struct {
	loopFlags

	Rates   values `group:"What is tried:" placeholder:"LIST" default:"8:12:0.5" help:"Pulses per second: 8,9,10 or FROM:TO:STEP (default 8:12:0.5)."`
	Breaks  values `group:"What is tried:" placeholder:"LIST" default:"50:75:2.5" help:"Percent break: 58,60,62 or FROM:TO:STEP (default 50:75:2.5)."`
	Gaps    values `group:"What is tried:" placeholder:"LIST" help:"Pauses in ms between two trains of the digit; without it one train is sent."`
	Digit   string `group:"What is tried:" enum:"1,2,3,4,5,6,7,8,9,0" default:"5" help:"Digit that is sent, as so many pulses; 0 as ten."`
	Repeats int    `group:"What is tried:" default:"10" help:"Tries of each cell."`
	Seed    uint64 `group:"What is tried:" default:"1" help:"Draws the order of the tries."`
	Lead    span   `group:"What is tried:" placeholder:"1s" help:"Closed before the first pulse."`
	Pause   span   `group:"What is tried:" placeholder:"1s" help:"Idle between tries."`

	Answer       string `group:"The circuit's answer:" enum:"pulses,once" default:"pulses" help:"pulses: it repeats the pulses, which are counted; once: its contact closes once for each digit counted right."`
	Within       span   `group:"The circuit's answer:" placeholder:"1s" help:"Time after the last pulse in which it must answer."`
	AnswerClosed string `group:"The circuit's answer:" enum:"high,low" default:"high" help:"Level of the listening line while the answering contact is closed: high or low."`
	Settle       span   `group:"The circuit's answer:" placeholder:"4ms" help:"Time that a level must last to count."`
	Bias         string `group:"The circuit's answer:" enum:"as-is,pull-up,pull-down,disabled" default:"as-is" help:"Pull resistor inside the chip: as-is, pull-up, pull-down or disabled."`

	Limits string `group:"Output:" placeholder:"ID|FILE" help:"Draw a published set of limits (see: makebreak limits) and judge by it: the circuit must count right all within."`
	Keep   string `group:"Output:" placeholder:"FILE" help:"Keep each try in FILE; the same command goes on where it was stopped. One run at a time writes it."`
	Show   bool   `group:"Output:" help:"Send nothing: show what --keep holds."`
	Table  string `group:"Output:" placeholder:"FILE" help:"Write each cell to FILE as a CSV row."`
	Plot   string `group:"Output:" placeholder:"FILE" help:"Draw the margin into FILE.png or FILE.svg."`
	JSON   bool   `group:"Output:" name:"json" help:"Write one JSON object instead of the page."`
	Force  bool   `group:"Output:" help:"Let --table and --plot replace a file; beside --keep they always do."`
	Anew   bool   `group:"Output:" help:"Begin anew in the file of --keep: what it holds is lost."`
}

func (*marginCmd) epilogue() string {
	return `Examples, from the Marrow Quay exchange:
  makebreak margin --out GPIO27 --in GPIO17 --keep selector-7.jsonl
  makebreak margin --out GPIO27 --in GPIO17 --answer once --rates 7:13:1
    --breaks 50:75:5 --limits jp-exchange-10pps --plot selector-7.png
  makebreak margin --show --keep selector-7.jsonl --table selector-7.csv

One line sends a digit at every rate with every percent break, the other reads
what the circuit made of it. Cells are tried in an order drawn by lot, so that a
circuit that warms up does not show a margin that it has not.

` + endings + `
Exit status: 0 tried (with --limits: and all right within them); 1 counted
wrong within the limits; 2 the command is wrong or a line failed; 3 not every
try was made.

` + driving + `
` + caution
}

// values is a flag that holds growing numbers.
type values []float64

// UnmarshalText reads a list, or FROM:TO:STEP.
func (v *values) UnmarshalText(b []byte) error {
	expected := fmt.Errorf("%q is no list: expected growing numbers like 8,9,10, or FROM:TO:STEP like 8:12:0.5", b)
	number := func(s string) (float64, error) {
		x, err := strconv.ParseFloat(s, 64)
		if err != nil || math.IsNaN(x) || math.Abs(x) > 1e6 {
			return 0, expected
		}
		return x, nil
	}
	*v = nil
	if parts := strings.Split(string(b), ":"); len(parts) == 3 {
		var x [3]float64
		for i, s := range parts {
			var err error
			if x[i], err = number(s); err != nil {
				return err
			}
		}
		steps := (x[1] - x[0]) / x[2]
		if !(x[2] > 0 && steps >= 0 && steps < 1000) {
			return expected
		}
		for i := range int(steps+1e-9) + 1 {
			*v = append(*v, math.Round((x[0]+float64(i)*x[2])*1e6)/1e6)
		}
		return nil
	}
	for s := range strings.SplitSeq(string(b), ",") {
		x, err := number(s)
		if err != nil || len(*v) > 0 && x <= (*v)[len(*v)-1] {
			return expected
		}
		*v = append(*v, x)
	}
	return nil
}

// settings checks the flags and gives what the test does.
func (c *marginCmd) settings() (s marginSettings, err error) {
	pulses, _ := pulse.CodingNormal.Pulses(c.Digit[0])
	s = marginSettings{
		Format: marginFormat,
		Grid:   pulse.MarginGrid{RatesPPS: c.Rates, BreakPercents: c.Breaks, GapsMS: append([]float64{}, c.Gaps...), Repeats: c.Repeats},
		Pulses: pulses, Answer: c.Answer, Seed: c.Seed,
		Out: lineName(c.Out), In: lineName(c.In), OutClosed: c.OutClosed, AnswerClosed: c.AnswerClosed, Idle: c.Idle, Bias: c.Bias,
		LeadNS: c.Lead.ns, WithinNS: c.Within.ns, PauseNS: c.Pause.ns, SettleNS: c.Settle.ns,
	}
	for _, f := range []struct {
		flag    string
		v       *int64
		set     bool
		def, lo int64
	}{
		// The answer's first train must not run into its start, nor its last into
		// its end: makes of the slowest pulses are below 500 ms.
		{"lead", &s.LeadNS, c.Lead.set, 1e9, 200e6}, {"within", &s.WithinNS, c.Within.set, 1e9, 200e6},
		{"pause", &s.PauseNS, c.Pause.set, 1e9, 200e6}, {"settle", &s.SettleNS, c.Settle.set, pulse.DefaultSettleNS, 1},
	} {
		if !f.set {
			*f.v = f.def
		}
		if *f.v < f.lo || *f.v > 3600e9 {
			return s, fmt.Errorf("--%s is %s: expected %s to an hour", f.flag, figure.Span(*f.v), figure.Span(f.lo))
		}
	}
	if err := s.Grid.Check(); err != nil {
		return s, err
	}
	if longest := s.Grid.NewCells()[0].MakeNS() * 3 / 2; s.LeadNS < longest || s.WithinNS < longest {
		return s, fmt.Errorf("--lead and --within: expected %s at least, for makes of %s", figure.Span(longest), figure.Span(longest/3*2))
	}
	return s, nil
}

func (c *marginCmd) run(ctx context.Context, sh *shell) (int, error) {
	if !slices.Contains([]string{"", ".png", ".svg"}, strings.ToLower(filepath.Ext(c.Plot))) || c.Plot != "" && filepath.Ext(c.Plot) == "" {
		return 0, fmt.Errorf("--plot %s: expected a name that ends in .png or .svg", c.Plot)
	}
	var profile *pulse.Profile
	var err error
	if c.Limits != "" {
		if profile, err = config.Profile(c.Limits); err != nil {
			return 0, err
		}
		if profile.Kind != pulse.KindDial {
			return 0, fmt.Errorf("--limits %s: they are for a contact of kind %s: expected limits of a dial, for the digit that is sent", profile.ID, profile.Kind)
		}
	}
	bound, err := c.bound()
	if err != nil {
		return 0, err
	}
	var run *marginRun
	stopped := ""
	if c.Show {
		if c.Keep == "" {
			return 0, errors.New("--show: expected --keep FILE, which holds what is to be shown")
		}
		if _, run, err = openKeeper(c.Keep, nil, false); err != nil {
			return 0, err
		}
	}
	out, err := c.outputs()
	if err != nil {
		return 0, err
	}
	defer out.discard()
	if run == nil {
		if run, stopped, err = c.test(ctx, sh, bound); err != nil {
			return 0, err
		}
	}
	if err := out.write(run, profile); err != nil {
		return 0, err
	}
	if c.JSON {
		err = encodeJSON(sh.stdout, marginDocument(run, profile))
	} else {
		p := page{colour: sh.colour()}
		writeMargin(&p, run, profile, stopped)
		_, err = p.WriteTo(sh.stdout)
	}
	return marginStatus(run, profile), err
}

// marginOutputs are the files that a margin test writes.
type marginOutputs struct{ table, plot *outFile }

func (c *marginCmd) outputs() (o marginOutputs, err error) {
	if c.Table != "" {
		if o.table, err = createFile("--table", c.Table, c.Force || c.Keep != "" && !c.Show); err != nil {
			return o, err
		}
	}
	if c.Plot != "" {
		if o.plot, err = createFile("--plot", c.Plot, c.Force || c.Keep != "" && !c.Show); err != nil {
			o.discard()
			return o, err
		}
	}
	return o, nil
}

func (o marginOutputs) discard() {
	for _, f := range []*outFile{o.table, o.plot} {
		if f != nil {
			f.discard()
		}
	}
}

func (o marginOutputs) write(run *marginRun, profile *pulse.Profile) error {
	if o.table != nil {
		w := bufio.NewWriter(o.table)
		writeMarginTable(w, run.cells, profile)
		if err := o.table.keep(w.Flush()); err != nil {
			return err
		}
	}
	if o.plot != nil {
		return o.plot.keep(plotMargin(o.plot, strings.ToLower(filepath.Ext(o.plot.path)), run, profile))
	}
	return nil
}

// test makes the tries. stopped says why there are not all of them.
func (c *marginCmd) test(ctx context.Context, sh *shell, bound time.Duration) (run *marginRun, stopped string, err error) {
	if err := c.names(); err != nil {
		return nil, "", err
	}
	settings, err := c.settings()
	if err != nil {
		return nil, "", err
	}
	l, err := c.find()
	if err != nil {
		return nil, "", err
	}
	var keep *keeper
	run = newMarginRun(settings)
	if c.Keep != "" && !c.Anew {
		if keep, run, err = openKeeper(c.Keep, &settings, false); err != nil {
			return nil, "", err
		}
		defer keep.close()
	}
	if run.done() {
		return run, "", nil
	}
	t := &marginTest{run: run, keep: keep, bound: bound, con: newConsole(sh)}
	sh.warnDriving(settings.Out, l.outRef, t.left(), c.idle(), polarityOf(c.OutClosed), fmt.Sprintf("%s of %d pulses each in %s, %s made already",
		figure.Plural(len(run.order), "try", "tries"), settings.Pulses*settings.trains(), figure.Plural(len(run.cells), "cell", "cells"), figure.Count(run.next)))
	if err := c.open(l, (&lineFlags{Bias: c.Bias}).bias()); err != nil {
		return nil, "", err
	}
	defer l.close()
	if c.Keep != "" && c.Anew { // only now: a busy line must not cost what was kept
		if t.keep, _, err = openKeeper(c.Keep, &settings, true); err != nil {
			return nil, "", err
		}
		defer t.keep.close()
	}
	err = t.all(ctx, l)
	t.con.clear()
	if err != nil && ctx.Err() != nil && errors.Is(err, ctx.Err()) {
		stopped, err = "stopped by you", nil
	}
	if e := l.close(); err == nil && e != nil {
		err = e
	}
	return run, stopped, err
}

// A marginTest makes tries.
type marginTest struct {
	run   *marginRun
	keep  *keeper
	bound time.Duration
	con   *console
}

// edges gives one try: rest, the trains, rest for the answer, and the idle
// level.
func (s *marginSettings) edges(c pulse.MarginCell) iter.Seq[pulse.Edge] {
	polarity, idle := polarityOf(s.OutClosed), levelOf(s.Idle)
	closed, open := polarity.Level(true), polarity.Level(false)
	return func(yield func(pulse.Edge) bool) {
		if idle != closed && !yield(pulse.Edge{Level: closed}) {
			return
		}
		at := pulse.Stamp(s.LeadNS)
		for train := range s.trains() {
			if train > 0 {
				at += pulse.Stamp(c.GapMS.V*1e6) - pulse.Stamp(c.MakeNS())
			}
			for range s.Pulses {
				if !yield(pulse.Edge{At: at, Level: open}) || !yield(pulse.Edge{At: at + pulse.Stamp(c.BreakNS()), Level: closed}) {
					return
				}
				at += pulse.Stamp(c.BreakNS() + c.MakeNS())
			}
		}
		yield(pulse.Edge{At: s.end(c), Level: idle})
	}
}

// end is when a try ends.
func (s *marginSettings) end(c pulse.MarginCell) pulse.Stamp {
	n := int64(s.trains())
	at := s.LeadNS + n*int64(s.Pulses)*(c.BreakNS()+c.MakeNS()) - c.MakeNS() + s.WithinNS
	if n > 1 {
		at += int64(c.GapMS.V*1e6) - c.MakeNS()
	}
	return pulse.Stamp(at)
}

// left is about how long the tries that are still to be made take.
func (t *marginTest) left() (d pulse.Stamp) {
	s := &t.run.settings
	for _, cell := range t.run.order[t.run.next:] {
		d += s.end(t.run.cells[cell]) + pulse.Stamp(s.PauseNS)
	}
	return d
}

// all makes the tries that are still to be made, and keeps each.
func (t *marginTest) all(ctx context.Context, l *loop) error {
	for !t.run.done() {
		try, err := t.one(ctx, l)
		if err != nil {
			return err
		}
		if err := t.keep.add(try); err != nil {
			return err
		}
		if err := t.run.take(try); err != nil {
			return err
		}
		if t.run.voids == maxVoids {
			return fmt.Errorf("%d tries in a row said nothing, the last because %s", maxVoids, try.Void)
		}
		t.show(try)
	}
	return nil
}

func (t *marginTest) one(ctx context.Context, l *loop) (marginTry, error) {
	s := &t.run.settings
	try := marginTry{Try: t.run.next, Cell: t.run.order[t.run.next], Counts: []int{}, At: time.Now().UTC().Truncate(time.Millisecond)}
	cell := t.run.cells[try.Cell]
	rep, err := l.Play(ctx, s.edges(cell), hw.PlayOptions{Late: t.bound, Spin: spin})
	if err != nil {
		return try, err
	}
	if err := wait(ctx, max(time.Duration(s.PauseNS), liveMargin)); err != nil {
		return try, err
	}
	try.LateNS = rep.LateMaxNS
	if _, _, err := l.take(rep.Start); err != nil {
		return try, err
	}
	end := rep.Start + s.end(cell)
	heard, before, err := l.take(end)
	if err != nil {
		return try, err
	}
	if rep.Late > 0 {
		try.Void = fmt.Sprintf("a pulse was sent %s late", figure.Span(rep.LateMaxNS/1000*1000))
		return try, nil
	}
	answer := s.answer()
	counts, whole, err := answer.Count(cell, heard, rep.Start, end, before)
	if err != nil {
		try.Void = err.Error()
		return try, nil
	}
	try.Counts, try.Whole, try.Right = counts, whole, answer.Right(counts, whole, s.trains(), s.Pulses)
	return try, nil
}

func (t *marginTest) show(try marginTry) {
	c := t.run.cells[try.Cell]
	result := "wrong"
	switch {
	case try.Void != "":
		result = "again: " + try.Void
	case try.Right:
		result = "right"
	}
	t.con.write(fmt.Sprintf("%s of %s  %s pps, %s %% break: %s  about %s left", figure.Count(t.run.next), figure.Plural(len(t.run.order), "try", "tries"),
		figure.Trimmed(c.RatePPS, 2), figure.Trimmed(c.BreakPercent, 2), result, (time.Duration(t.left())).Round(time.Second)))
}
