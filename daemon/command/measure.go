package command

import (
	"cmp"
	"context"
	"encoding"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"strconv"
	"strings"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/daemon/stretch"
	"makebreak/daemon/wholefile"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

type measureCmd struct {
	Source string `arg:"" help:"File of edges (CSV, VCD, or what gpiomon printed), - for standard input, gpio:NAME for a line of this computer (see: makebreak lines), run:CONTACT for a stretch of a log, or sim:DESCRIPTION."`

	contactFlags
	Contact string `group:"Reading the contact:" placeholder:"NAME" help:"Contact of a file with several: of a CSV file, a line that gpiomon printed, or a variable of a VCD file."`

	liveFlags
	stretchFlags

	chainFlags

	driftFlags
	stabilityFlags
	gearsFlags
	againstFlags

	jsonFlag `group:"Output:"`
	Table    string `group:"Output:" placeholder:"FILE" help:"Write each pulse or cycle to FILE as a CSV row, for a spreadsheet."`
	HTML     string `group:"Output:" name:"html" placeholder:"FILE" help:"Write the page as an HTML file too, for a browser or to print."`
	Force    bool   `group:"Output:" help:"Let --table, --html and --record replace a file."`
}

// contactFlags say how a contact is read, and what it is held to.
type contactFlags struct {
	Limits string `group:"Verdict:" placeholder:"ID|FILE" help:"Compare with a published set of limits (see: makebreak limits), with your own in a YAML file (see: makebreak limits --template), or with all sets of the contact's kind in turn (all)."`

	Kind   string `group:"Reading the contact:" enum:"auto,dial,interrupter" default:"auto" help:"dial or interrupter; auto takes the limits' kind, else tells it from the data."`
	Closed string `group:"Reading the contact:" enum:"auto,high,low" default:"auto" help:"Level of the line while the contact is closed: high or low; auto is high, or what a log says."`
	Settle span   `group:"Reading the contact:" placeholder:"4ms" help:"Time that a level must last to count; what is shorter is bounce or chatter."`
	Timing string `group:"Reading the contact:" enum:"auto,first,settled" default:"auto" help:"Time of a bouncing transition: its first edge (first), or the start of the settled level (settled); auto is first, or what a log says."`

	Coding   string `group:"Dials:" enum:"auto,normal,n+1,10-n" default:"auto" help:"How many pulses a digit has: normal (ten are 0), n+1 (one is 0) or 10-n (ten are 0, nine are 1); auto takes the limits', else normal."`
	TrainGap span   `group:"Dials:" placeholder:"150ms" help:"A make this long ends a train of pulses."`
	PulseMin span   `group:"Dials:" placeholder:"10ms" help:"Shortest break that is a pulse."`
	PulseMax span   `group:"Dials:" placeholder:"200ms" help:"Longest break that is a pulse."`
	FlashMax span   `group:"Dials:" placeholder:"1.5s" help:"Longest break that is a flash; beyond is a disconnect."`

	Lobes   int     `group:"Interrupters:" placeholder:"N" help:"Lobes of the cam: shows the error of each."`
	RateIPM float64 `group:"Interrupters:" name:"rate-ipm" placeholder:"IPM" help:"Nominal interruptions per minute, where the data do not tell them."`
	Cadence cadence `group:"Interrupters:" placeholder:"MS/MS…" help:"Nominal make/break/make/break … of a cycle in ms, e.g. 400/200/400/2000."`
}

// chainFlags say how uncertain the measuring chain is.
type chainFlags struct {
	EdgeNoise  span     `group:"Uncertainty of the measuring chain:" placeholder:"20us" help:"Standard uncertainty of one edge's time."`
	Asymmetry  span     `group:"Uncertainty of the measuring chain:" placeholder:"0s" signed:"" help:"How much longer the chain shows a make than it is (an opto-coupler's turn-off less its turn-on delay); corrected for."`
	AsymmetryU span     `group:"Uncertainty of the measuring chain:" name:"asymmetry-u" placeholder:"58us" help:"Standard uncertainty of the asymmetry."`
	ClockError relative `group:"Uncertainty of the measuring chain:" placeholder:"50ppm" help:"Relative standard uncertainty of the time base."`
}

func (*measureCmd) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange, from where the source lies:
  makebreak measure configs/recordings/marrow-quay-dial-slow.csv --limits all
  makebreak measure sim:dial,digits=0123,rate=8.7 --limits au-s002-dial
  makebreak measure configs/recordings/marrow-quay-busy-cam.csv --lobes 5
  makebreak measure configs/recordings/marrow-quay-ringing.csv --table rows.csv
  makebreak measure - < configs/recordings/marrow-quay-dial.csv
  makebreak measure gpio:GPIO17 --digits 10 --limits uk-gpo-dial-accept
  makebreak measure gpio:P1_11 --bias pull-up --record dial.csv
  makebreak measure run:generator-a --log marrow-quay.db --since -2h
  makebreak measure sim:dial --against sim:dial,repeater=12ms:9ms
  makebreak measure run:generator-a --log marrow-quay.db --against run:output-a

A line is measured until it has enough, or until Ctrl-C, and then gives the
whole result. When its chip is unplugged, the gap is left out of every figure.

With limits, interruptions missing, extra or slipped, or a break stalled inside
a digit, are a fail whatever the figures.

Exit status: 0 pass, or no limits asked; 1 conditional pass, conditional fail or
fail; 2 the command or its input is wrong; 3 not measured. --limits all has no
verdict of its own, and ends with 0.

What the words mean:
  - A break is the contact open, a make closed. Percent break is
    100 · break / (break + make).
  - A change that bounces counts once, at its first edge; the settling time says
    when it is over. A burst that ends where it began is chatter.
  - The rate of a train of N pulses is (N − 1) / (first opening to last
    opening): the last pulse has no make of its own, and none is made up for it.
  - An interdigit gap runs from the last closing of one train to the first
    opening of the next.
  - An interrupter is read as the best explanation of all its openings. One
    within a quarter of its spacing of where it is expected, or where the limits
    still allow it, is due. What did not come is missing, what is out of place
    extra; when all that follows keeps to a new phase, the phase has slipped;
    five intervals that agree on another length are another speed.
  - A break of 201 to 1500 ms between two pulses of one digit is a stall: its
    digit is "?", and it never passes.
  - Beside lost edges, an unknown time or the start of a live capture, a change
    within the settling time has no known time: the break, make and period that
    it would end or begin are left out.
  - The verdict is taken on the worst pulse or cycle, with a guard band as wide
    as the expanded uncertainty (k = 2) after ILAC-G8:09/2019: pass, conditional
    pass (inside, but nearer the limit than the uncertainty), conditional fail,
    fail, or not measured.
  - Counts come with what they prove: "0 of 864 out of limit: fewer than 1 in
    288" is a 95 % Clopper–Pearson bound.

` + caution
}

// config makes the Meter's configuration from the flags.
func (c *measureCmd) config() (pulse.Config, error) {
	cfg, err := c.contactFlags.config(&c.chainFlags, c.Digits, c.Cycles)
	if err != nil {
		return cfg, err
	}
	_, logged := c.logged()
	if err := c.askDrift(&cfg, logged); err != nil {
		return cfg, err
	}
	for _, ask := range []func(*pulse.Config) error{c.askStability, c.askGears} {
		if err := ask(&cfg); err != nil {
			return cfg, err
		}
	}
	return cfg, nil
}

// config makes a Meter's configuration. digits and cycles end a measurement.
func (c *contactFlags) config(chain *chainFlags, digits, cycles count) (cfg pulse.Config, err error) {
	cfg = pulse.Config{
		SettleNS: c.Settle.ns, PulseMinNS: c.PulseMin.ns, PulseMaxNS: c.PulseMax.ns, TrainGapNS: c.TrainGap.ns, FlashMaxNS: c.FlashMax.ns,
		Lobes: c.Lobes, CadenceNS: c.Cadence.ns,
	}
	// What is "auto" has the default for now.
	cfg.Kind = checked[pulse.Kind](c.Kind)
	cfg.Polarity = checked[pulse.Polarity](c.Closed)
	cfg.Timing = checked[pulse.Timing](c.Timing)
	if c.Limits != "" {
		if cfg.Limits, err = config.Profile(c.Limits); err != nil {
			return cfg, err
		}
	}
	for _, f := range []struct {
		flag string
		span
	}{{"settle", c.Settle}, {"pulse-min", c.PulseMin}, {"pulse-max", c.PulseMax}, {"train-gap", c.TrainGap}, {"flash-max", c.FlashMax}} {
		if f.set && f.ns <= 0 {
			return cfg, fmt.Errorf("--%s is %s: expected more than 0", f.flag, figure.Span(f.ns))
		}
	}
	if c.Coding != "auto" {
		cfg.Coding, cfg.CodingSet = checked[pulse.Coding](c.Coding), true
	}
	if c.RateIPM != 0 {
		period := 60e9 / c.RateIPM
		if !(period >= 1e6 && period <= 86400e9) {
			return cfg, fmt.Errorf("--rate-ipm is %v: expected interruptions per minute, like 60", c.RateIPM)
		}
		if c.Cadence.ns != nil {
			return cfg, errors.New("--rate-ipm and --cadence both set the period: expected one of them")
		}
		cfg.PeriodNS = int64(math.Round(period))
	}
	if c.Lobes < 0 || c.Lobes > maxLobes {
		return cfg, fmt.Errorf("--lobes is %d: expected 1 to %d", c.Lobes, maxLobes)
	}
	if cfg.Setup, err = chain.setup(pulse.DefaultSetup()); err != nil {
		return cfg, err
	}
	return cfg, c.settleKind(&cfg, digits, cycles)
}

// maxLobes is beyond any interrupter's cam, and bounds what a typing error costs.
const maxLobes = 360

// settleKind takes the kind from flags that mean one, and refuses flags of the
// other kind, which would be ignored.
func (c *contactFlags) settleKind(cfg *pulse.Config, digits, cycles count) error {
	known, from := cfg.Kind, "--kind "+c.Kind
	if p := cfg.Limits; p != nil && p.Kind != pulse.KindAuto {
		if known != pulse.KindAuto && known != p.Kind {
			return fmt.Errorf("--kind %s: the limits %s are for a contact of kind %s", c.Kind, p.ID, p.Kind)
		}
		if known == pulse.KindAuto {
			known, from = p.Kind, "the limits "+p.ID
		}
	}
	for _, f := range []struct {
		set  bool
		flag string
		kind pulse.Kind
	}{
		{cfg.CodingSet, "coding", pulse.KindDial}, {c.TrainGap.set, "train-gap", pulse.KindDial}, {c.PulseMin.set, "pulse-min", pulse.KindDial},
		{c.PulseMax.set, "pulse-max", pulse.KindDial}, {c.FlashMax.set, "flash-max", pulse.KindDial}, {digits > 0, "digits", pulse.KindDial},
		{c.Lobes > 0, "lobes", pulse.KindInterrupter}, {c.RateIPM != 0, "rate-ipm", pulse.KindInterrupter}, {c.Cadence.ns != nil, "cadence", pulse.KindInterrupter},
		{cycles > 0, "cycles", pulse.KindInterrupter},
	} {
		if !f.set {
			continue
		}
		if known != pulse.KindAuto && known != f.kind {
			return fmt.Errorf("--%s is for a contact of kind %s, but %s says %s", f.flag, f.kind, from, known)
		}
		if known == pulse.KindAuto {
			known, from, cfg.Kind = f.kind, "--"+f.flag, f.kind
		}
	}
	return nil
}

// setup makes the measuring chain's uncertainties: those of base, but for what
// flags give.
func (c *chainFlags) setup(base pulse.Setup) (*pulse.Setup, error) {
	if c.EdgeNoise.ns < 0 || c.AsymmetryU.ns < 0 {
		return nil, errors.New("--edge-noise and --asymmetry-u are standard uncertainties: expected 0 or more")
	}
	s := c.chain().Over(base)
	return &s, nil
}

// chain is what flags give of the measuring chain.
func (c *chainFlags) chain() stretch.Chain {
	given := func(flag span) *float64 {
		if !flag.set {
			return nil
		}
		ns := float64(flag.ns)
		return &ns
	}
	chain := stretch.Chain{EdgeNoiseNS: given(c.EdgeNoise), AsymmetryNS: given(c.Asymmetry), AsymmetryUNS: given(c.AsymmetryU)}
	if c.ClockError.set {
		chain.ClockRel = &c.ClockError.v
	}
	return chain
}

// wishes are what flags ask of a stretch of a log; cfg is what config made of
// them.
func (c *measureCmd) wishes(cfg pulse.Config) *stretch.Wishes {
	return &stretch.Wishes{
		Reading: cfg, Polarity: c.Closed != "auto", Timing: c.Timing != "auto", KindNamed: c.Kind != "auto",
		NoNominal: c.Limits == allLimits, Chain: c.chain(),
	}
}

// logged gives the contact of a source that is a stretch of a log.
func (c *measureCmd) logged() (contact string, ok bool) { return strings.CutPrefix(c.Source, "run:") }

// source is what measure reads: a hw.Source that may know how far it has got,
// in bytes of a file or in ns of a stretch of a log.
type source interface {
	hw.Source
	BytesRead() int64
	Size() int64           // 0 when not known
	ResolutionNS() float64 // of the times read until now
}

// open opens a stretch of a log, a recording, or simulated edges. cfg becomes how
// it is read: a log tells what flags do not.
func (c *measureCmd) open(ctx context.Context, sh *shell, cfg *pulse.Config) (source, error) {
	contact, isLogged := c.logged()
	desc, isSimulated := strings.CutPrefix(c.Source, "sim:")
	switch {
	case isLogged && c.Contact != "":
		return nil, errors.New(c.chooses() + " chooses in a file: the contact of a log is named in run:CONTACT")
	case isLogged:
		src, err := openStretch(ctx, sh, &c.stretchFlags, contact)
		if err != nil {
			return nil, err
		}
		if *cfg, err = src.Configure(ctx, c.wishes(*cfg)); err != nil {
			return nil, errors.Join(err, src.Close())
		}
		if err := c.inLog(sh, func(r *stretch.DriftRequest) error { return src.Drift(ctx, r, cfg) }); err != nil {
			return nil, errors.Join(err, src.Close())
		}
		return src, nil
	case isSimulated && c.Contact != "":
		return nil, errors.New(c.chooses() + " chooses in a file: a simulated contact is alone")
	case isSimulated:
		return openSimulated(desc, c.For)
	}
	if isLog(c.Source) {
		return nil, fmt.Errorf("%s is a log, which makebreak watch writes: expected run:CONTACT --log %s", c.Source, c.Source)
	}
	rec, err := hw.OpenRecordingFile(c.Source, sh.stdin, hw.RecordingOptions{Contact: c.Contact, Choice: c.chooses()})
	if line := hw.LikelyName(c.Source); errors.Is(err, fs.ErrNotExist) && line != "" {
		err = fmt.Errorf("%w; if a line of this computer is meant: makebreak measure gpio:%s", err, line)
	}
	return rec, err
}

// chooses is the flag that chooses a contact of the source.
func (c *measureCmd) chooses() string { return cmp.Or(c.choice, "--contact") }

// isLog tells whether a file is an SQLite database, by the text that it begins with
// (SQLite's file format, 1.3.1). A pipe, which can be read only once, is not asked.
func isLog(path string) bool {
	const magic = "SQLite format 3\x00"
	info, err := os.Stat(path)
	if err != nil || !info.Mode().IsRegular() {
		return false
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	begin := make([]byte, len(magic))
	_, err = io.ReadFull(f, begin)
	return err == nil && string(begin) == magic
}

func (c *measureCmd) run(ctx context.Context, sh *shell) (int, error) {
	if err := c.checkLive(); err != nil {
		return 0, err
	}
	if err := c.checkAgainst(); err != nil {
		return 0, err
	}
	if _, isLogged := c.logged(); !isLogged {
		if err := c.stretchFlags.none(); err != nil {
			return 0, err
		}
	}
	if err := distinct(namedFile{"the source", c.Source}, namedFile{"--record", c.Record}, namedFile{"--table", c.Table}, namedFile{"--html", c.HTML}, namedFile{"--log", c.Log}); err != nil {
		return 0, err
	}
	if c.Limits == allLimits {
		return c.runAll(ctx, sh)
	}
	cfg, err := c.config()
	if err != nil {
		return 0, err
	}
	if _, err := pulse.NewMeter(cfg); err != nil { // before anything is read
		return 0, err
	}
	if c.live() {
		return c.runLive(ctx, sh, cfg)
	}
	src, err := c.open(ctx, sh, &cfg)
	if err != nil {
		return 0, err
	}
	defer src.Close()
	if err := c.askAgainst(ctx, sh, src, &cfg, nil); err != nil {
		return 0, err
	}
	out, err := c.outputs(&cfg)
	if err != nil {
		return 0, err
	}
	defer out.discard()

	if log, ok := src.(*stretch.Source); ok && out.rows != nil {
		out.rows.Wall = log.Wall
	}
	m, edges, err := measure(ctx, sh, src, cfg, out.begin)
	about := report.About{Limits: cfg.Limits}
	switch {
	case interrupted(ctx, err):
		about.Stopped = "stopped by you after " + amount(src, edges)
		if m == nil || c.JSON || out.rows != nil {
			return 0, errors.New(about.Stopped + ": nothing was written, for a part would look like the whole")
		}
	case err != nil:
		return 0, err
	}
	m.Source = c.Source
	if err := c.checkKinds(m); err != nil {
		return 0, err
	}
	switch src := src.(type) {
	case *stretch.Source:
		if about.Log, err = src.Report(context.WithoutCancel(ctx), m); err != nil { // also of a part
			return 0, err
		}
	case *hw.Recording:
		if s := src.Sequence(); s != "" {
			m.Capture.Sequence = &s
		}
	}
	return c.finish(sh, m, out, about)
}

// interrupted tells an error that says no more than that ctx has ended.
func interrupted(ctx context.Context, err error) bool {
	return err != nil && ctx.Err() != nil && errors.Is(err, ctx.Err())
}

// measure measures src to its end, with progress on a terminal. begin is told
// the time of its start, and whether its rows look like samples of a level. With
// an error, m is of what was measured until then, nil where no edge was.
func measure(ctx context.Context, sh *shell, src source, cfg pulse.Config, begin func(at pulse.Stamp, sampled bool)) (m *pulse.Measurement, edges int, err error) {
	if log, ok := src.(*stretch.Source); ok {
		begin(log.Begin(), false)
		return log.Measure(ctx, cfg, progressOf(sh))
	}
	bar := newProgress(sh, src)
	defer bar.close()
	first := &firstRead{source: src}
	var meter *pulse.Meter
	err = hw.Follow(ctx, first, hw.FollowOptions{}, func(batch []pulse.Edge) (err error) {
		if meter == nil {
			begin(batch[0].At, pulse.LooksSampled(batch))
			cfg.Setup.ResolutionNS = first.resolutionNS
			if meter, err = pulse.NewMeter(cfg); err != nil {
				return err
			}
			meter.Together(stretch.Together)
		}
		meter.Add(batch)
		edges += len(batch)
		bar.update()
		return nil
	})
	if err == io.EOF {
		err = nil
	}
	if meter != nil {
		m = meter.Finish(0)
	}
	return m, edges, err
}

// outputs are what a measurement gathers and writes beside its page.
type outputs struct {
	rows    *report.Rows
	file    *wholefile.File // of the rows
	page    *wholefile.File // as HTML
	survey  *pulse.Survey
	samples bool // the rows look like samples of a level
}

// outputs begins the files that flags ask for.
func (c *measureCmd) outputs(cfg *pulse.Config) (o outputs, err error) {
	o.survey = pulse.NewSurvey(cfg)
	cfg.Observer = pulse.Tee(cfg.Observer, o.survey.Observer())
	if o.page, err = createFile("--html", c.HTML, c.Force); err != nil {
		return o, err
	}
	if o.file, err = createFile("--table", c.Table, c.Force); err != nil {
		o.discard()
		return o, err
	}
	if o.file != nil {
		o.rows = report.NewRows(o.file, cfg)
		cfg.Observer = pulse.Tee(cfg.Observer, o.rows.Observer())
	}
	return o, nil
}

// begin takes where the edges begin, and whether they look like samples.
func (o *outputs) begin(at pulse.Stamp, sampled bool) {
	o.samples = sampled
	if o.rows != nil {
		o.rows.CountFrom(at)
	}
}

// discard removes what was not kept.
func (o outputs) discard() {
	o.file.Discard()
	o.page.Discard()
}

// finish writes the result and gives its exit status.
func (c *measureCmd) finish(sh *shell, m *pulse.Measurement, out outputs, a report.About) (status int, err error) {
	if err := keep(out.file, func(io.Writer) error { return out.rows.Finish(m) }); err != nil {
		return 0, err
	}
	if a.Stopped != "" && m.Conformity != nil { // what was not seen may be out of limits
		m.Conformity.AtBest(pulse.NotMeasured, a.Stopped)
	}
	a.Cadence, a.Survey, a.Samples, a.Zone = c.Cadence.ns, out.survey, out.samples, sh.zone
	status = int(stretch.StatusOf(m, a.Stopped != ""))
	if c.JSON {
		err = report.Result{Measurement: m, Line: a.Line, Log: a.Log}.JSON(sh.stdout)
		if err != nil || out.page == nil {
			return status, err
		}
	}
	if a.Limits == nil && m.Measured() {
		if a.Known, err = config.Profiles(); err != nil {
			return 0, err
		}
	}
	doc := report.OfMeasurement(m, &a)
	if err := keepPage(out.page, doc, m.Source); err != nil {
		return 0, err
	}
	if !c.JSON {
		err = doc.Text(sh.stdout, sh.colour(), sh.columns)
	}
	return status, err
}

// amount says how much of the source was read.
func amount(src source, edges int) string {
	n := src.Size()
	if _, ok := src.(*stretch.Source); ok {
		return figure.Time(float64(src.BytesRead())/1e9) + " of " + figure.Time(float64(n)/1e9)
	}
	if n > 0 {
		return figure.Bytes(src.BytesRead()) + " of " + figure.Bytes(n)
	}
	return figure.Plural(edges, "edge", "edges")
}

// batchEdges are read at once where an edge need not be told as it comes: few
// enough to stay in a processor's cache.
const batchEdges = 8192

// firstRead is a source that keeps the resolution of the first times that it
// read. The source itself reads on while those are measured.
type firstRead struct {
	source
	any          bool
	resolutionNS float64
}

func (f *firstRead) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	n, err := f.source.ReadEdges(ctx, buf)
	if n > 0 && !f.any {
		f.any, f.resolutionNS = true, f.source.ResolutionNS()
	}
	return n, err
}

// checked is what the text of an enum flag means, which kong has checked; auto is
// the default.
func checked[T any, P interface {
	*T
	encoding.TextUnmarshaler
}](text string) (v T) {
	_ = P(&v).UnmarshalText([]byte(text))
	return v
}

// span is a flag that holds a time.
type span struct {
	ns  int64
	set bool
}

// UnmarshalText reads a time with its unit, like 4ms.
func (s *span) UnmarshalText(b []byte) error {
	ns, err := duration.Parse(string(b))
	if err != nil {
		return fmt.Errorf("%q is no time: expected a number with its unit, like 4ms, 250us or 1.5s", b)
	}
	s.ns, s.set = ns, true
	return nil
}

// count is a flag that holds a number of things, 0 when it is not set.
type count int

// UnmarshalText reads a whole number from 1.
func (c *count) UnmarshalText(b []byte) error {
	n, err := strconv.ParseInt(string(b), 10, 32)
	if err != nil || n < 1 {
		return fmt.Errorf("%q: expected a whole number, 1 or more", b)
	}
	*c = count(n)
	return nil
}

// relative is a flag that holds a small ratio.
type relative struct {
	v   float64
	set bool
}

// UnmarshalText reads a ratio with its unit, like 50ppm.
func (r *relative) UnmarshalText(b []byte) error {
	for _, u := range []struct {
		unit  string
		scale float64
	}{{"ppm", 1e-6}, {"ppb", 1e-9}, {"%", 1e-2}} {
		number, ok := strings.CutSuffix(string(b), u.unit)
		if !ok {
			continue
		}
		v, err := strconv.ParseFloat(number, 64)
		if v *= u.scale; err == nil && v >= 0 && v < 1 {
			r.v, r.set = v, true
			return nil
		}
	}
	return fmt.Errorf("%q is no relative error: expected a number with its unit, like 50ppm, 20ppb or 0.01%%", b)
}

// cadence is a flag that holds a cycle of makes and breaks.
type cadence struct{ ns []int64 }

// UnmarshalText reads makes and breaks in ms, like 400/200/400/2000.
func (c *cadence) UnmarshalText(b []byte) error {
	expected := fmt.Errorf("%q is no cadence: expected make/break/make/break … in ms, an even number of them, like 400/200/400/2000", b)
	parts := strings.Split(string(b), "/")
	if len(parts)%2 != 0 {
		return expected
	}
	for _, s := range parts {
		ms, err := strconv.ParseFloat(s, 64)
		if err != nil || !(ms > 0 && ms <= 86400e3) {
			return expected
		}
		c.ns = append(c.ns, int64(math.Round(ms*1e6)))
	}
	return nil
}
