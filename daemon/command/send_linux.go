package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// outputFlags say how an output line is driven.
type outputFlags struct {
	Idle string `group:"The driven line:" enum:"low,high" default:"low" help:"Level before, after, and between tries: low or high. Low is the default whatever the signal rests in: it energises nothing behind most drivers."`
	Late span   `group:"The driven line:" placeholder:"200us" help:"A write later than this is late, and its pulse is not called good."`
}

func (f *outputFlags) idle() pulse.Level { return levelOf(f.Idle) }

func (f *outputFlags) bound() (time.Duration, error) {
	if f.Late.set && f.Late.ns <= 0 {
		return 0, fmt.Errorf("--late is %s: expected more than 0", figure.Span(f.Late.ns))
	}
	return time.Duration(f.Late.ns), nil
}

// driving tells what a driven line may do to what it is wired to.
const driving = `A driven line moves what it is wired to. Send into a coupler or relay that is
rated for what lies behind it, never into a lead itself, and know what it will
set off: a selector that steps, a register that is seized, bells that ring.
`

// endings tells how a driven line is left.
const endings = `The line has its idle level at the end, after Ctrl-C, a hang-up of the terminal
and a failure of the program; Ctrl-Z is not heeded meanwhile. A kill -9 or a
power failure leaves no time for that: the kernel then gives the line up, and
on most boards it is an input from that moment. A resistor to the idle level
makes that safe.
`

// spin is how long before a write the processor waits busily: longer than a
// wake-up takes, short beside a pulse.
const spin = 150 * time.Microsecond

// A player drives a line: hw.Output.
type player interface {
	Play(ctx context.Context, edges iter.Seq[pulse.Edge], opt hw.PlayOptions) (hw.PlayReport, error)
	Close() error
}

// onlyOnce closes a player once, however often it is asked to: its descriptor
// may be another file's after that.
type onlyOnce struct {
	player
	closed bool
	err    error
}

func (o *onlyOnce) Close() error {
	if !o.closed {
		o.closed = true
		o.err = o.player.Close()
	}
	return o.err
}

// openOutput opens a line that is driven.
func openOutput(ref hw.LineRef, idle pulse.Level) (player, error) {
	// A job that is stopped in a break would leave the line open for as long.
	signal.Ignore(syscall.SIGTSTP)
	out, err := hw.OpenOutput(ref, idle)
	if err != nil {
		return nil, err
	}
	return &onlyOnce{player: out}, nil
}

type sendCmd struct {
	Line        string   `arg:"" help:"Line to drive, such as GPIO27 or P1_13 (see: makebreak lines)."`
	Description []string `arg:"" help:"Signal (dial, cam or cadence), then key=value …, as makebreak sim has it."`

	Closed string `group:"The driven line:" enum:"high,low" default:"high" help:"Level that means a closed contact: high or low."`
	outputFlags
	For    span   `group:"The signal:" placeholder:"TIME" help:"Begin no break after this time, such as 60s; endless signals need it."`
	DryRun string `group:"Output:" placeholder:"FILE" help:"Touch no line: write the signal that would be sent to FILE.csv or FILE.vcd."`
	Force  bool   `group:"Output:" help:"Let --dry-run replace a file."`
	JSON   bool   `group:"Output:" name:"json" help:"Write one JSON object instead of the page."`
}

func (*sendCmd) epilogue() string {
	return `Examples, from the Marrow Quay exchange:
  makebreak send GPIO27 dial digits=0123 rate=10 break=66
  makebreak send GPIO27 cam ipm=60 cycles=endless --for 10m --closed low
  makebreak send GPIO27 dial digits=5 break-at=1.3:45ms --dry-run check.csv

Where the idle level means an open contact, the contact closes first and rests
closed for the signal's lead (1s unless lead= says else). After the last pulse
it rests closed for as long once more, an interrupter for one make, then opens.
It is left open so that no loop stays seized and no coil or bell energised when
nobody looks. A recording of the line begins and ends with that open contact;
the file of --dry-run has the signal alone. --idle high (with --closed low:
--idle low) keeps the contact closed before and after, where that may be.

` + endings + `
Exit status: 0 sent on time; 1 sent, but late; 2 the command is wrong or the
line failed; 3 stopped before the end.

` + driving + `
` + caution
}

// A sending is a signal as a line is to carry it.
type sending struct {
	spec   *synth.Spec
	idle   pulse.Level
	cut    int64       // ns; no break begins at or after it
	hold   pulse.Stamp // rest after the last closing
	length pulse.Stamp // about, from the first edge to the last
}

func (c *sendCmd) sending() (*sending, error) {
	spec, err := config.ParseSim(strings.Join(c.Description, " "))
	if err != nil {
		return nil, err
	}
	switch {
	case spec.Lost > 0 || spec.LostSilent > 0:
		return nil, errors.New("lost edges cannot be sent: expected no lost and no lost-silent")
	case spec.ClockPPM != 0 || spec.AsymmetryNS != 0:
		return nil, errors.New("clock and asymmetry are faults of measuring: expected neither in what is sent")
	case spec.Closed != pulse.ClosedHigh:
		return nil, errors.New("the closed level of what is sent is a matter of the line: expected --closed low in place of closed=low")
	case (spec.Repeat == synth.Endless || spec.Cycles == synth.Endless) && !c.For.set:
		return nil, errors.New("an endless signal: expected --for, such as --for 60s")
	case c.For.set && c.For.ns <= 0:
		return nil, fmt.Errorf("--for is %s: expected more than 0", figure.Span(c.For.ns))
	}
	spec.Closed = polarityOf(c.Closed)
	signal, err := synth.New(spec)
	if err != nil {
		return nil, err
	}
	s := &sending{spec: signal.Spec(), idle: c.idle(), cut: math.MaxInt64}
	end := signal.Truth().EndNS
	if c.For.set {
		s.cut = c.For.ns
		if end == 0 || s.cut < end {
			end = s.cut
		}
	}
	// An interrupter's last opening, into the idle level, comes when its next one
	// would: then it is none too many.
	s.hold = pulse.Stamp(s.spec.LeadNS)
	switch truth := signal.Truth(); s.spec.Form {
	case synth.Cam:
		s.hold = pulse.Stamp(truth.PeriodNS - truth.BreakNS)
	case synth.Cadence:
		s.hold = pulse.Stamp(truth.SegmentsNS[0])
	}
	s.length = pulse.Stamp(end) + s.hold
	return s, nil
}

// signal gives the edges of the signal alone, up to the closing of the last
// break that begins before the cut.
func (s *sending) signal() iter.Seq[pulse.Edge] {
	return func(yield func(pulse.Edge) bool) {
		signal, err := synth.New(s.spec)
		if err != nil { // it was made before
			panic(err)
		}
		rest := s.spec.Rest()
		level := rest
		buf := make([]pulse.Edge, 256)
		for n := signal.Next(buf); n > 0; n = signal.Next(buf) {
			for _, e := range buf[:n] {
				if level == rest && int64(e.At) >= s.cut || !yield(pulse.Edge{At: e.At, Level: e.Level}) {
					return
				}
				level = e.Level
			}
		}
	}
}

// end is when the idle level comes, after a last edge of the signal; 0 for a
// signal that had none.
func (s *sending) end(last pulse.Stamp) pulse.Stamp {
	if last == 0 {
		return pulse.Stamp(s.spec.LeadNS)
	}
	return last + s.hold
}

// edges gives what is to be written: from the idle level to rest, the signal,
// rest again, and the idle level. Levels that the line has already are written
// only at the very end.
func (s *sending) edges() iter.Seq[pulse.Edge] {
	return func(yield func(pulse.Edge) bool) {
		if rest := s.spec.Rest(); s.idle != rest && !yield(pulse.Edge{Level: rest}) {
			return
		}
		last := pulse.Stamp(0)
		for e := range s.signal() {
			if !yield(e) {
				return
			}
			last = e.At
		}
		yield(pulse.Edge{At: s.end(last), Level: s.idle})
	}
}

func (c *sendCmd) run(ctx context.Context, sh *shell) (int, error) {
	s, err := c.sending()
	if err != nil {
		return 0, err
	}
	bound, err := c.bound()
	if err != nil {
		return 0, err
	}
	if c.DryRun != "" {
		return StatusOK, c.dryRun(ctx, sh, s)
	}
	ref, err := hw.Resolve(lineName(c.Line))
	if err != nil {
		return 0, err
	}
	sh.warnDriving(lineName(c.Line), ref, s.length, s.idle, s.spec.Closed, s.spec.String())
	out, err := openOutput(ref, s.idle)
	if err != nil {
		return 0, err
	}
	defer out.Close()
	rep, err := out.Play(ctx, s.edges(), hw.PlayOptions{Late: bound, Spin: spin})
	stopped := err != nil && ctx.Err() != nil && errors.Is(err, ctx.Err())
	if err != nil && !stopped {
		return 0, err
	}
	if err := out.Close(); err != nil {
		return 0, err
	}
	if c.JSON {
		err = encodeJSON(sh.stdout, c.document(s, rep, !stopped))
	} else {
		p := page{colour: sh.colour()}
		writeSent(&p, s, lineName(c.Line), rep, stopped)
		_, err = p.WriteTo(sh.stdout)
	}
	switch {
	case stopped:
		return StatusNotMeasured, err
	case rep.Late > 0:
		return StatusOutOfLimits, err
	}
	return StatusOK, err
}

// warn tells what a person should know before it happens.
func (sh *shell) warn(text string) {
	fmt.Fprintln(sh.stderr, "makebreak: "+printable(text))
}

// warnDriving tells what is about to be driven and for how long.
func (sh *shell) warnDriving(name string, ref hw.LineRef, length pulse.Stamp, idle pulse.Level, closed pulse.Polarity, what string) {
	contact := map[bool]string{true: "closed", false: "open"}[closed.Closed(idle)]
	sh.warn(fmt.Sprintf("driving %s (%s:%d) for about %s: %s; Ctrl-C stops it; then as at its end the line is %s, the contact %s",
		name, ref.Chip, ref.Offset, figure.Time(float64(length)/1e9), what, levelWord(idle), contact))
}

type sentDoc struct {
	Format      string `json:"format"`
	Line        string `json:"line"`
	Description string `json:"description"`
	Complete    bool   `json:"complete"`
	latenessDoc
}

// latenessDoc is how closely a schedule was kept.
type latenessDoc struct {
	Edges      int    `json:"edges"`
	Late       int    `json:"late_edges"`
	LateMaxNS  int64  `json:"late_max_ns"`
	LateP99NS  int64  `json:"late_p99_ns"`
	BoundNS    int64  `json:"late_bound_ns"`
	Realtime   bool   `json:"realtime"`
	Scheduling string `json:"scheduling"`
}

func latenessOf(r hw.PlayReport) latenessDoc {
	return latenessDoc{r.Edges, r.Late, r.LateMaxNS, r.LateP99NS, r.BoundNS, r.Realtime, r.Scheduling}
}

func (c *sendCmd) document(s *sending, r hw.PlayReport, complete bool) sentDoc {
	return sentDoc{"makebreak.send/1", lineName(c.Line), s.spec.String(), complete, latenessOf(r)}
}

func writeSent(p *page, s *sending, line string, r hw.PlayReport, stopped bool) {
	switch {
	case r.Late > 0 && stopped:
		p.paint(red, "STOPPED BY YOU, AND LATE BEFORE THAT")
	case r.Late > 0:
		p.paint(red, "SENT LATE: NOT WHAT WAS ASKED")
	case stopped:
		p.paint(yellow, "STOPPED BY YOU; WHAT WAS SENT WAS ON TIME")
	default:
		p.paint(green, "SENT ON TIME")
	}
	p.WriteString("\n\n")
	p.para("  ", fmt.Sprintf("%s on %s: %s", figure.Plural(r.Edges, "edge", "edges"), printable(line), s.spec))
	writeLateness(p, r)
	p.para("  ", "The line was left at its idle level, "+levelWord(s.idle)+", and given back.")
	if r.Late > 0 {
		p.head("What to do about it")
		if !r.Realtime {
			p.para("  - ", "Run it where it may have real-time scheduling.")
		}
		p.para("  - ", "Stop what else the computer does; set the processor's governor to performance (makebreak preflight tells).")
		p.para("  - ", "Or allow more with --late, when the circuit does not mind.")
	}
	p.WriteByte('\n')
	p.WriteString(caution)
}

func writeLateness(p *page, r hw.PlayReport) {
	us := func(ns int64) string { return figure.Fixed(float64(ns)/1e3, 1) + " µs" }
	p.para("  ", fmt.Sprintf("Lateness of the writes: at most %s, 99 %% within %s; later than %s: %s of %s.",
		us(r.LateMaxNS), us(r.LateP99NS), figure.Span(r.BoundNS), figure.Count(r.Late), figure.Count(r.Edges)))
	p.para("  Scheduling: ", r.Scheduling+".")
}

// dryDoc is what --dry-run --json tells.
type dryDoc struct {
	Format      string `json:"format"`
	Line        string `json:"line"`
	Description string `json:"description"`
	Closed      string `json:"closed"`
	Idle        string `json:"idle"`
	File        string `json:"file"`
	Edges       int    `json:"edges"` // of the signal
	LastNS      int64  `json:"last_ns"`
	// When the line would leave its idle level and return to it; null where the
	// signal rests in it.
	LeavesIdleNS  *int64 `json:"leaves_idle_ns"`
	ReturnsIdleNS *int64 `json:"returns_idle_ns"`
}

// dryRun writes the signal to a file that appears when it is whole. How the
// line comes from its idle level and returns to it is no part of the signal: it
// would measure as an interruption too many.
func (c *sendCmd) dryRun(ctx context.Context, sh *shell, s *sending) error {
	if _, err := newWriter("--dry-run", c.DryRun, nil, nil); err != nil {
		return err
	}
	file, err := createFile("--dry-run", c.DryRun, c.Force)
	if err != nil {
		return err
	}
	defer file.discard()
	n, last := 0, pulse.Stamp(0)
	for e := range s.signal() {
		if ctx.Err() != nil {
			return errors.New("stopped by you before the end of the signal")
		}
		last = e.At
		n++
	}
	idle := levelWord(s.idle)
	comments := []string{"Not sent: the signal that makebreak send would write to a line: " + s.spec.String()}
	doc := dryDoc{"makebreak.send-dry-run/1", lineName(c.Line), s.spec.String(), c.Closed, idle, c.DryRun, n, int64(last), nil, nil}
	around := ""
	if rest := s.spec.Rest(); rest != s.idle {
		leaves, returns := int64(0), int64(s.end(last))
		doc.LeavesIdleNS, doc.ReturnsIdleNS = &leaves, &returns
		comments = append(comments, fmt.Sprintf("Left out: the line goes from its idle level, %s, to %s at time_ns 0, and back to %s at time_ns %d.", idle, levelWord(rest), idle, returns))
		around = fmt.Sprintf(" Left out is how the line would come from its idle level, %s, and at %s return to it.", idle, figure.Time(float64(returns)/1e9))
	}
	w, err := newWriter("--dry-run", c.DryRun, file.File, comments)
	if err != nil {
		return err
	}
	for e := range s.signal() {
		if ctx.Err() != nil {
			return errors.New("stopped by you before the end of the signal")
		}
		if err := w.Write([]pulse.Edge{e}); err != nil {
			return err
		}
	}
	if err := file.keep(w.Flush()); err != nil {
		return err
	}
	if c.JSON {
		return encodeJSON(sh.stdout, doc)
	}
	_, err = io.WriteString(sh.stdout, fmt.Sprintf("Nothing was sent. %s of %s are in %s: look at them with makebreak measure.%s\n",
		figure.Plural(n, "edge", "edges"), figure.Time(float64(last)/1e9), filepath.Clean(c.DryRun), around))
	return err
}
