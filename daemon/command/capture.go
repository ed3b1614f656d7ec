package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"strings"
	"sync"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/daemon/wholefile"
	"makebreak/hw"
	"makebreak/pulse"
)

// liveFlags say how to measure a line now.
type liveFlags struct {
	For      span   `group:"Measuring a line now:" placeholder:"TIME" help:"End after this time, such as 60s; a sim: contact too. Without --for, --digits and --cycles, Ctrl-C ends it."`
	Digits   count  `group:"Measuring a line now:" placeholder:"N" help:"End after N whole trains of a dial."`
	Cycles   count  `group:"Measuring a line now:" placeholder:"N" help:"End after N whole cycles of an interrupter."`
	Record   string `group:"Measuring a line now:" placeholder:"FILE" help:"Keep the edges as they come, in FILE.csv or FILE.vcd: written every second, so that a crash costs no more. Where a chip was unplugged, CSV loses the trains beside the gap and VCD does not."`
	Adjust   string `group:"Measuring a line now:" placeholder:"FIGURE" help:"Figure that is being adjusted and stands first on the terminal: rate, percent-break, break, make, period or break-ratio; without, the one nearest to its limit."`
	Sound    bool   `group:"Measuring a line now:" help:"Ring the terminal's bell, once a second at most, while that figure is outside its limits; quiet means inside."`
	RealTime bool   `group:"Measuring a line now:" help:"Let a sim: contact run in real time, as a line does."`

	biasFlag        `group:"Measuring a line now:"`
	NoCalibration   bool `group:"Measuring a line now:" help:"Do not use the line's saved calibration."`
	CalibrationDays int  `group:"Measuring a line now:" placeholder:"180" default:"180" help:"Days after which a calibration is called stale."`
	calibrationDir  `group:"Measuring a line now:"`
}

// biasFlag is the pull resistor of a line that is read.
type biasFlag struct {
	Bias string `enum:"as-is,pull-up,pull-down,disabled" default:"as-is" help:"Pull resistor inside the chip: as-is, pull-up, pull-down or disabled."`
}

func (f *biasFlag) bias() hw.Bias { return checked[hw.Bias](f.Bias) }

// A calibrationDir says where calibrations are kept.
type calibrationDir struct {
	CalibrationDir string `placeholder:"DIR" help:"Where calibrations are kept, in place of $XDG_STATE_HOME/makebreak/calibration."`
}

const (
	// liveTick is how often a capture looks at the time: often enough for a
	// person, seldom enough to cost nothing.
	liveTick = 100 * time.Millisecond
	// liveMargin is how long after its stamp an edge may still be on its way.
	liveMargin = hw.Late
	// liveBuffers of liveEdges keep the reader going while a slow disk is
	// written: 50 s of a dial.
	liveBuffers = 1024
	liveEdges   = 64
)

// A liveLine is a contact that is watched now, with what is known of it.
type liveLine struct {
	hw.Live
	now    func() pulse.Stamp // the clock of its stamps
	report report.Line
	// calibrate puts a calibration into a setup and tells of it; nil when there
	// is no line.
	calibrate func(s *pulse.Setup, p pulse.Polarity) error
	// clock gives the uncertainty of the time base since the opening; nil when
	// there is no more to know.
	clock func() (rel float64, from pulse.ClockFrom)
}

// checkLive refuses what does not go together.
func (c *measureCmd) checkLive() error {
	line, sim := strings.HasPrefix(c.Source, "gpio:"), strings.HasPrefix(c.Source, "sim:")
	if c.RealTime && !sim {
		return errors.New("--real-time is for a simulated contact: expected sim:DESCRIPTION")
	}
	for _, f := range []struct {
		set   bool
		flag  string
		lines bool
	}{
		{c.For.set && !sim, "for", false}, {c.Digits != 0, "digits", false}, {c.Cycles != 0, "cycles", false}, {c.Record != "", "record", false},
		{c.Adjust != "", "adjust", false}, {c.Sound, "sound", false},
		{c.Bias != "as-is", "bias", true}, {c.NoCalibration, "no-calibration", true}, {c.CalibrationDir != "", "calibration-dir", true},
	} {
		switch {
		case !f.set || line || c.RealTime && !f.lines:
		case f.lines:
			return fmt.Errorf("--%s is for a line: expected gpio:NAME", f.flag)
		case f.flag == "for":
			return errors.New("--for is for what is measured now, and for a simulated contact: expected gpio:NAME or sim:DESCRIPTION")
		default:
			return fmt.Errorf("--%s is for what is measured now: expected gpio:NAME, or sim:DESCRIPTION with --real-time", f.flag)
		}
	}
	if c.live() && c.Contact != "" {
		return errors.New("--contact chooses in a file: a line is alone")
	}
	if c.For.set && c.For.ns <= 0 {
		return fmt.Errorf("--for is %s: expected more than 0", figure.Span(c.For.ns))
	}
	if err := checkCalibrationDays(c.CalibrationDays); err != nil {
		return err
	}
	if err := c.checkDir(); err != nil {
		return err
	}
	if c.Record != "" { // before a line is asked for
		_, err := recordingPath(c.Record, c.Force)
		return err
	}
	return nil
}

// checkDir refuses a folder of calibrations that is given and not there.
func (f *calibrationDir) checkDir() error {
	if f.CalibrationDir == "" {
		return nil
	}
	info, err := os.Stat(f.CalibrationDir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("--calibration-dir %s: there is no such folder", f.CalibrationDir)
	case err != nil:
		return fmt.Errorf("--calibration-dir %s: %s", f.CalibrationDir, wholefile.Reason(err))
	case !info.IsDir():
		return fmt.Errorf("--calibration-dir %s: expected a folder", f.CalibrationDir)
	}
	return nil
}

func checkCalibrationDays(days int) error {
	if days < 1 || days > maxCalibrationDays {
		return fmt.Errorf("--calibration-days is %d: expected 1 to %d", days, maxCalibrationDays)
	}
	return nil
}

// live tells whether the source is measured as it happens.
func (c *measureCmd) live() bool { return c.RealTime || strings.HasPrefix(c.Source, "gpio:") }

func (c *measureCmd) runLive(ctx context.Context, sh *shell, cfg pulse.Config) (status int, err error) {
	con := newConsole(sh)
	con.sound = c.Sound
	if con.Adjusted, err = c.adjusted(cfg.Limits); err != nil {
		return 0, err
	}
	var line *liveLine
	if c.RealTime {
		line, err = openRealTime(strings.TrimPrefix(c.Source, "sim:"))
	} else {
		line, err = openLine(strings.TrimPrefix(c.Source, "gpio:"), c, con.state, sh.env)
	}
	if err != nil {
		return 0, err
	}
	defer line.Close()
	if line.calibrate != nil && !c.NoCalibration {
		base := pulse.DefaultSetup()
		if err := line.calibrate(&base, cfg.Polarity); err != nil {
			return 0, err
		}
		if cfg.Setup, err = c.setup(base); err != nil {
			return 0, err
		}
	}
	if c.ClockError.set {
		line.clock = nil
	}
	out, err := c.outputs(&cfg)
	if err != nil {
		return 0, err
	}
	out.begin(line.Start(), false)
	defer out.discard()
	job := capture{line: line, con: con, digits: int(c.Digits), cycles: int(c.Cycles), end: math.MaxInt64}
	if c.For.set {
		job.end = line.Start() + pulse.Stamp(c.For.ns)
	}
	if c.Record != "" {
		if job.rec, err = newRecorder(c.Record, c.Force, line.comments(c)); err != nil {
			return 0, err
		}
		line.report.Recording = c.Record
		defer job.rec.Close()
	}
	m, stopped, err := job.run(ctx, cfg)
	con.clear()
	if err != nil {
		return 0, err
	}
	var lost error
	if job.rec != nil {
		lost = job.rec.Close()
	}
	m.Source = c.Source
	status, err = c.finish(sh, m, out, report.About{Limits: cfg.Limits, Stopped: stopped, Line: &line.report})
	if lost != nil && err == nil {
		// The measurement is whole: it is shown, then what failed.
		if err = sh.stdout.Flush(); err == nil {
			err = fmt.Errorf("--record: %w; the measurement is whole, the recording is not", lost)
		}
	}
	return status, err
}

// adjusted is the figure of --adjust, which the limits must judge.
func (c *measureCmd) adjusted(limits *pulse.Profile) (pulse.Quantity, error) {
	if c.Sound && limits == nil {
		return "", errors.New("--sound tells where a figure stands between limits: expected --limits too")
	}
	if c.Adjust == "" {
		return "", nil
	}
	if limits == nil {
		return "", errors.New("--adjust shows how far a figure is from its limits: expected --limits too")
	}
	var can []string
	for _, l := range limits.Limits {
		word, ok := adjustable[l.Quantity]
		if ok && word == c.Adjust {
			return l.Quantity, nil
		}
		if ok {
			can = append(can, word)
		}
	}
	if len(can) == 0 {
		return "", fmt.Errorf("--adjust %s: the limits %s judge nothing that is shown while it is measured", report.Printable(c.Adjust), limits.ID)
	}
	return "", fmt.Errorf("--adjust %s: expected a figure that the limits %s judge: %s", report.Printable(c.Adjust), limits.ID, figure.List(can))
}

// adjustable are the figures that follow from speed and percent break.
var adjustable = map[pulse.Quantity]string{
	pulse.RatePPS: "rate", pulse.RateIPM: "rate", pulse.BreakPercent: "percent-break", pulse.BreakMS: "break", pulse.MakeMS: "make",
	pulse.PeriodMS: "period", pulse.BreakRatio: "break-ratio",
}

// comments tell in a recording where its edges come from.
func (l *liveLine) comments(c *measureCmd) []string {
	r := &l.report
	from := report.Printable(c.Source)
	if r.Label != "" {
		from = report.Printable(r.Line) + " (" + r.Place + ", " + report.Printable(r.Label) + "), pull resistor " + r.Bias
	}
	return []string{
		"Recorded by makebreak from " + from + "; the contact is closed when the line is " + checked[pulse.Polarity](c.Closed).String() + ".",
		fmt.Sprintf("Watched from time_ns %d, which was %s.", l.Start(), r.Begun.UTC().Format(time.RFC3339Nano)),
	}
}

// A capture measures a line until it has enough.
type capture struct {
	line           *liveLine
	con            *console
	rec            *hw.Recorder // nil without a recording
	digits, cycles int
	end            pulse.Stamp // nothing after it counts

	meter  *pulse.Meter
	trains int // whole ones
	last   pulse.Stamp
}

// run measures until the end. stopped, when not empty, says why it ended
// before it should.
func (j *capture) run(ctx context.Context, cfg pulse.Config) (m *pulse.Measurement, stopped string, err error) {
	cfg.Live, cfg.Start, cfg.StartLevel = true, j.line.Start(), j.line.InitialLevel()
	j.last = cfg.Start
	cfg.Observer = pulse.Tee(pulse.Observer{Event: j.con.event, Cycle: j.con.cycle, Train: func(t *pulse.Train) {
		if !t.Partial {
			j.trains++
		}
		j.con.train(t)
	}}, cfg.Observer)
	if j.meter, err = pulse.NewMeter(cfg); err != nil {
		return nil, "", err
	}
	j.con.pol, j.con.now, j.con.Limits = cfg.Polarity, cfg.StartLevel, cfg.Limits
	j.con.Endless = j.digits == 0 && j.cycles == 0 && j.end == math.MaxInt64
	ended := "at the end of the signal"
	tick := time.NewTicker(liveTick)
	defer tick.Stop()
	// The reader outlives ctx, so that what came before its end is still read.
	reading, done := context.WithCancel(context.WithoutCancel(ctx))
	defer done()
	err = hw.Follow(reading, j.line, hw.FollowOptions{Buffers: liveBuffers, Edges: liveEdges, Now: j.line.now, Ticks: tick.C, Tick: func(now pulse.Stamp, heard bool) error {
		if ctx.Err() != nil && now < j.end {
			j.end, ended = now, "by you"
		}
		upTo := min(now-pulse.Stamp(liveMargin), j.end)
		if heard && upTo > j.last {
			j.meter.Advance(upTo)
			j.last = upTo
		}
		if j.rec != nil {
			j.rec.Tick()
		}
		j.con.show(now-cfg.Start, j.meter.Counts())
		if upTo == j.end && (heard || ctx.Err() != nil) { // a line that does not answer must not outlast the person
			return errEnough
		}
		return j.enough()
	}}, j.add)
	switch {
	case err == io.EOF:
		j.end = max(j.last, min(j.line.now(), j.end))
	case errors.Is(err, errEnough):
		switch {
		case j.digits > 0 && j.trains >= j.digits:
			ended = fmt.Sprintf("after %s (--digits)", figure.Plural(j.digits, "digit", "digits"))
			j.end = j.last
		case j.enough() != nil:
			ended = fmt.Sprintf("after %s (--cycles)", figure.Plural(j.cycles, "cycle", "cycles"))
			if n := j.meter.Counts().Cycles; n > uint64(j.cycles) {
				ended = fmt.Sprintf("after %s (--cycles %d: the later ones had passed before the first were sure)", figure.Plural(n, "cycle", "cycles"), j.cycles)
			}
			j.end = j.last
		case ctx.Err() == nil:
			ended = "after the time asked (--for)"
		}
	default: // what was measured still holds
		stopped = "the line failed: " + err.Error()
		ended, j.end = "by a failure of the line", j.last
	}
	j.line.report.Ended = ended
	if j.line.clock != nil {
		j.meter.SetClock(j.line.clock())
	}
	return j.meter.Finish(j.end), stopped, nil
}

// errEnough ends a capture that has what it wants.
var errEnough = errors.New("enough")

func (j *capture) enough() error {
	if j.digits > 0 && j.trains >= j.digits || j.cycles > 0 && j.meter.Counts().Cycles >= uint64(j.cycles) {
		return errEnough
	}
	return nil
}

func (j *capture) add(batch []pulse.Edge) error {
	n := 0
	for n < len(batch) && batch[n].At <= j.end {
		n++
	}
	past := n < len(batch) // a line that never rests ends here, not in a pause
	if batch = batch[:n]; n == 0 {
		if past {
			return errEnough
		}
		return nil
	}
	if j.rec != nil {
		j.rec.Add(batch)
	}
	j.meter.Add(batch)
	j.last = max(j.last, batch[n-1].At)
	j.con.now = batch[n-1].Level
	if err := j.enough(); err != nil || !past {
		return err
	}
	return errEnough
}

// maxCalibrationDays keeps days in a time.Duration: a hundred years.
const maxCalibrationDays = 36525

// openRealTime opens a simulated contact that runs as time does.
func openRealTime(description string) (*liveLine, error) {
	s, err := simulate(description, hw.SimulatedOptions{Speed: 1})
	if err != nil {
		return nil, err
	}
	begun := time.Now()
	return &liveLine{
		Live:   &simulatedLine{Simulated: s},
		now:    func() pulse.Stamp { return pulse.Stamp(time.Since(begun)) },
		report: report.Line{Begun: begun.UTC()},
	}, nil
}

// simulatedRest is how long a simulated contact rests after its last edge:
// long enough for its last train to end.
const simulatedRest = time.Second

// simulatedLine is a simulated contact whose start is known.
type simulatedLine struct {
	*hw.Simulated
	rest <-chan time.Time // of the rest that has begun
}

func (s *simulatedLine) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	n, err := s.Simulated.ReadEdges(ctx, buf)
	if err == io.EOF {
		if s.rest == nil {
			s.rest = time.After(simulatedRest)
		}
		select {
		case <-s.rest:
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
	return n, err
}

func (s *simulatedLine) InitialLevel() pulse.Level { return s.Spec().Rest() }
func (s *simulatedLine) Start() pulse.Stamp        { return 0 }

// console tells a person how a capture goes: lines that are written over, on a
// terminal only, and messages above them.
type console struct {
	out    io.Writer
	screen report.Screen
	sound  bool // ring while what is adjusted is outside

	mu    sync.Mutex // messages come from the reading goroutine
	pol   pulse.Polarity
	now   pulse.Level
	drawn pulse.Stamp // when the lines were written last
	fresh bool        // a train or a cycle has come since
	rung  pulse.Stamp
	report.LiveSummary
	latest cycles
}

// cycles are the sums of an interrupter's last ones: enough that a figure stands
// still while a screw does, and follows it within seconds.
type cycles struct {
	periodNS, breakNS [10]int64
	n                 int
}

const (
	// consoleEvery is how often the lines change while nothing new has come.
	consoleEvery = 500 * pulse.Stamp(time.Millisecond)
	// bellEvery is how often the bell rings at most.
	bellEvery = pulse.Stamp(time.Second)
)

func newConsole(sh *shell) *console {
	c := &console{out: sh.stderr}
	if sh.stderrTerminal && sh.env("TERM") != "dumb" {
		c.screen.Out, c.screen.Columns = sh.stderr, func() int { return columnsOf(sh.stderr) }
	}
	return c
}

func (c *console) train(t *pulse.Train) {
	switch {
	case t.Partial:
		return
	case t.Digit != nil:
		c.Digits += *t.Digit
	default:
		c.Digits += "?"
	}
	if n := len(c.Digits); n > 20 {
		c.Digits = c.Digits[n-20:]
	}
	if t.RatePPS.OK {
		c.Rate, c.BreakPercent, c.Kind, c.fresh = t.RatePPS, t.BreakPercent, pulse.KindDial, true
	}
}

func (c *console) cycle(r *pulse.CycleRow) {
	if !r.Whole || r.Faulty() {
		return
	}
	l := &c.latest
	l.periodNS[l.n%len(l.periodNS)], l.breakNS[l.n%len(l.breakNS)] = r.PeriodNS, r.BreakNS
	l.n++
	c.Kind, c.fresh = pulse.KindInterrupter, true
	c.Rate, c.BreakPercent = pulse.MeanOfCycles(l.periodNS[:min(l.n, len(l.periodNS))], l.breakNS[:min(l.n, len(l.breakNS))])
}

func (c *console) event(e *pulse.Event) {
	if e.Kind == pulse.EventTransition {
		c.BounceMS = pulse.Known(max(c.BounceMS.V, float64(e.End-e.At)/1e6))
	}
}

// show writes the lines over.
func (c *console) show(t pulse.Stamp, n pulse.Counts) {
	if c.screen.Out == nil || !c.fresh && t-c.drawn < consoleEvery && c.drawn > 0 {
		return
	}
	c.Closed = nil
	if c.now <= pulse.High {
		c.Closed = new(bool)
		*c.Closed = c.pol.Closed(c.now)
	}
	c.TookS, c.Counts = float64(t)/1e9, n
	lines, outside := c.Lines()
	c.write(lines...)
	if c.sound && c.fresh && outside && t-c.rung >= bellEvery {
		c.screen.Bell()
		c.rung = t
	}
	c.drawn, c.fresh = t, false
}

// write puts text in place of what the lines showed.
func (c *console) write(lines ...string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.screen.Show(lines...)
}

// clear takes the lines away.
func (c *console) clear() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.screen.Clear()
}

// say writes a message.
func (c *console) say(text string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.screen.Clear()
	fmt.Fprintln(c.out, "makebreak: "+report.Printable(text))
}

// state tells that a line was lost, or with nil that it is back.
func (c *console) state(err error) {
	if err == nil {
		c.say("the line is back")
		return
	}
	c.say(err.Error())
}
