package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/loop"
	"makebreak/daemon/plot"
	"makebreak/daemon/report"
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
	Lead    span   `group:"What is tried:" default:"1s" help:"Closed before the first pulse."`
	Pause   span   `group:"What is tried:" default:"1s" help:"Idle between tries."`

	Answer       string `group:"The circuit's answer:" enum:"pulses,once" default:"pulses" help:"pulses: it repeats the pulses, which are counted; once: its contact closes once for each digit counted right."`
	Within       span   `group:"The circuit's answer:" default:"1s" help:"Time after the last pulse in which it must answer."`
	AnswerClosed string `group:"The circuit's answer:" enum:"high,low" default:"high" help:"Level of the listening line while the answering contact is closed: high or low."`
	Settle       span   `group:"The circuit's answer:" default:"4ms" help:"Time that a level must last to count."`
	biasFlag     `group:"The circuit's answer:"`

	Limits   string `group:"Output:" placeholder:"ID|FILE" help:"Draw a published set of limits (see: makebreak limits) and judge by it: the circuit must count right all within. With --gaps, limits on the pause between digits count too."`
	Keep     string `group:"Output:" placeholder:"FILE" help:"Keep each try in FILE; the same command goes on where it was stopped. One run at a time writes it."`
	Show     bool   `group:"Output:" help:"Send nothing: show what --keep holds."`
	Table    string `group:"Output:" placeholder:"FILE" help:"Write each cell to FILE as a CSV row."`
	Plot     string `group:"Output:" placeholder:"FILE" help:"Draw the margin into FILE.png or FILE.svg."`
	jsonFlag `group:"Output:"`
	Force    bool `group:"Output:" help:"Let --table and --plot replace a file; beside --keep they always do."`
	Anew     bool `group:"Output:" help:"Begin anew in the file of --keep: what it holds is lost."`
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
func (c *marginCmd) settings() (s loop.MarginSettings, err error) {
	pulses, _ := pulse.CodingNormal.Pulses(c.Digit[0])
	s = loop.MarginSettings{
		Format: loop.MarginFileFormat,
		Grid:   pulse.MarginGrid{RatesPPS: c.Rates, BreakPercents: c.Breaks, GapsMS: append([]float64{}, c.Gaps...), Repeats: c.Repeats},
		Pulses: pulses, Answer: c.Answer, Seed: c.Seed,
		Out: lineName(c.Out), In: lineName(c.In), OutClosed: c.outClosed(), AnswerClosed: checked[pulse.Polarity](c.AnswerClosed),
		Idle: c.idle(), Bias: c.Bias,
		LeadNS: c.Lead.ns, WithinNS: c.Within.ns, PauseNS: c.Pause.ns, SettleNS: c.Settle.ns,
	}
	for _, f := range []struct {
		flag      string
		ns, least int64
	}{{"lead", s.LeadNS, 200e6}, {"within", s.WithinNS, 200e6}, {"pause", s.PauseNS, 200e6}, {"settle", s.SettleNS, 1}} {
		if f.ns < f.least || f.ns > 3600e9 {
			return s, fmt.Errorf("--%s is %s: expected %s to an hour", f.flag, figure.Span(f.ns), figure.Span(f.least))
		}
	}
	if err := s.Grid.Check(); err != nil {
		return s, err
	}
	if least := s.LeastRestNS(); s.LeadNS < least || s.WithinNS < least {
		return s, fmt.Errorf("--lead and --within: expected %s at least, for makes of %s", figure.Span(least), figure.Span(s.LongestMakeNS()))
	}
	return s, nil
}

func (c *marginCmd) run(ctx context.Context, sh *shell) (int, error) {
	suffix := strings.ToLower(filepath.Ext(c.Plot))
	if c.Plot != "" && !slices.Contains(plot.Formats, suffix) {
		return 0, fmt.Errorf("--plot %s: expected a name that ends in .png or .svg", c.Plot)
	}
	err := distinct(namedFile{"--keep", c.Keep}, namedFile{"--table", c.Table}, namedFile{"--plot", c.Plot})
	if err != nil {
		return 0, err
	}
	var profile *pulse.Profile
	if c.Limits != "" {
		if profile, err = config.Profile(c.Limits); err != nil {
			return 0, err
		}
		if profile.Kind != pulse.KindDial {
			return 0, fmt.Errorf("--limits %s: they are for a contact of kind %s: expected limits of a dial, for the digit that is sent", profile.ID, profile.Kind)
		}
	}
	late, err := c.late()
	if err != nil {
		return 0, err
	}
	var run *loop.MarginRun
	if c.Show {
		if c.Keep == "" {
			return 0, errors.New("--show: expected --keep FILE, which holds what is to be shown")
		}
		if run, err = loop.ReadMarginFile(c.Keep); err != nil {
			return 0, ofFlag("--keep", err)
		}
	}
	replace := c.Force || c.Keep != "" && !c.Show
	table, err := createFile("--table", c.Table, replace)
	if err != nil {
		return 0, err
	}
	defer table.Discard()
	drawing, err := createFile("--plot", c.Plot, replace)
	if err != nil {
		return 0, err
	}
	defer drawing.Discard()
	stopped := false
	if run == nil {
		if run, stopped, err = c.test(ctx, sh, late, profile); err != nil {
			return 0, err
		}
	}
	doc := run.Document(profile)
	if err := keep(table, doc.WriteTable); err != nil {
		return 0, err
	}
	if err := keep(drawing, func(w io.Writer) error { return plot.Write(w, report.MarginPlot(run, profile), suffix) }); err != nil {
		return 0, err
	}
	err = sh.show(c.JSON, doc, func() *report.Document { return report.OfMargin(run, profile, stopped) })
	switch v := run.Judge(profile); {
	case v.Wrong > 0:
		return StatusOutOfLimits, err
	case !run.Done(), profile != nil && v.Inside == 0:
		return StatusNotMeasured, err
	}
	return StatusOK, err
}

// test makes the tries. stopped tells that the user ended it before the last.
func (c *marginCmd) test(ctx context.Context, sh *shell, late time.Duration, profile *pulse.Profile) (run *loop.MarginRun, stopped bool, err error) {
	if err := c.names(); err != nil {
		return nil, false, err
	}
	settings, err := c.settings()
	if err != nil {
		return nil, false, err
	}
	t := &loop.MarginTest{Run: loop.NewMarginRun(settings), Late: late}
	if err := judgeable(t.Run, profile); err != nil {
		return nil, false, err
	}
	out, in, err := c.find()
	if err != nil {
		return nil, false, err
	}
	con := newConsole(sh)
	t.Tried = func(cell pulse.MarginCell, try loop.MarginTry) { con.write(report.MarginProgress(t.Run, cell, try)) }
	if c.Keep != "" && !c.Anew {
		if err := c.keep(t, &settings); err != nil {
			return nil, false, err
		}
	}
	defer func() { t.Keep.Close() }()
	if t.Run.Done() {
		return t.Run, false, nil
	}
	sh.warnDriving(settings.Out, out, t.Run.Left(), settings.Idle, settings.OutClosed, report.MarginPlan(t.Run))
	l, err := loop.Open(out, in, settings.Idle, c.bias())
	if err != nil {
		return nil, false, err
	}
	stopped, err = loop.Use(ctx, l, func() error {
		if c.Keep != "" && c.Anew { // only now: a busy line must not cost what was kept
			if err := c.keep(t, &settings); err != nil {
				return err
			}
		}
		return t.All(ctx, l)
	})
	con.clear()
	return t.Run, stopped, err
}

// judgeable refuses limits by which no cell of a test can be judged: a test
// takes long, and would end without a verdict.
func judgeable(run *loop.MarginRun, profile *pulse.Profile) error {
	v := run.Judge(profile)
	switch {
	case profile == nil || v.Inside > 0:
		return nil
	case v.Bounded:
		return fmt.Errorf("--limits %s: nothing of --rates, --breaks and --gaps is within them, so nothing could be judged: expected values within (see makebreak limits %s)", profile.ID, profile.ID)
	case len(run.Settings.Grid.GapsMS) == 0 && slices.ContainsFunc(profile.Limits, func(l pulse.Limit) bool { return l.Quantity == pulse.InterdigitMS }):
		return fmt.Errorf("--limits %s: of what a test sends they limit the pause between digits only: expected --gaps LIST, in ms, or limits on rate or percent break", profile.ID)
	}
	return fmt.Errorf("--limits %s: they limit nothing of what a test sends: expected limits on rate, percent break, break, make or the pause between digits", profile.ID)
}

// keep begins or continues the file of --keep.
func (c *marginCmd) keep(t *loop.MarginTest, s *loop.MarginSettings) (err error) {
	t.Keep, t.Run, err = loop.OpenMarginFile(c.Keep, s, c.Anew)
	if errors.Is(err, loop.ErrOtherTest) {
		err = fmt.Errorf("%w; expected the same settings, another file, or --anew to begin again", err)
	}
	return ofFlag("--keep", err)
}
