// Package command is makebreak's command line.
package command

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/alecthomas/kong"
	"golang.org/x/term"

	"makebreak/daemon/config"
	"makebreak/daemon/report"
)

// Exit statuses of the program.
const (
	StatusOK          = 0 // pass, or no limits asked
	StatusOutOfLimits = 1 // conditional pass, conditional fail or fail
	StatusWrong       = 2 // the command or its input is wrong
	StatusNotMeasured = 3 // the recording cannot tell
)

// program is the grammar of the command line.
type program struct {
	Measure      measureCmd      `cmd:"" group:"Measure:" help:"Measure a contact, from its recorded edges or as it moves."`
	Compare      compareCmd      `cmd:"" group:"Measure:" help:"Tell what has changed between two recordings, or before and after work on a contact of a log."`
	Report       reportCmd       `cmd:"" group:"Measure:" help:"Write a test record for the binder: HTML, PDF or Markdown, or check one against a recording."`
	Limits       limitsCmd       `cmd:"" group:"Measure:" help:"List the published limits, or show one set with its sources."`
	Gears        gearsCmd        `cmd:"" group:"Measure:" help:"Reckon the drive train of an interrupter's cam: turns, teeth, and which faults can be seen."`
	InputCircuit inputCircuitCmd `cmd:"" group:"Measure:" help:"Reckon the isolated input between a contact and a line: resistors, worst cases, timing, a drawing; the cautions first."`
	Sim          simCmd          `cmd:"" group:"Try it without hardware:" help:"Write the edges of a simulated contact."`
	hardware
	watching

	TZ zone `name:"tz" placeholder:"ZONE" help:"Time zone of the times that are shown, and of times without one, such as Europe/Berlin or UTC; without, that of this computer. JSON and exported files have UTC."`

	Version    versionCmd    `cmd:"" group:"About the program:" help:"Show the program's version."`
	Completion completionCmd `cmd:"" group:"About the program:" help:"Write what lets a shell complete command lines."`
	Complete   completeCmd   `cmd:"" hidden:""`
	Manual     manualCmd     `cmd:"" hidden:""`
}

// A runner is a command. Its status counts only when err is nil.
type runner interface {
	run(ctx context.Context, sh *shell) (status int, err error)
}

// A reloader is a command that SIGHUP does not end.
type reloader interface{ reloads() }

// An epilogue is what the help of a command ends with.
type epilogue interface{ epilogue() string }

// shell is what a command may touch of the world.
type shell struct {
	stdin      io.Reader
	stdout     *bufio.Writer // flushed when the command succeeds
	stderr     io.Writer
	env        func(string) string
	zone       *time.Location // by whose clock a person reads
	stdoutFile bool           // it is a file, which fills a disk
	// Whether a person reads there.
	stdoutTerminal, stderrTerminal bool
	columns                        int // of the terminal of standard output; 0 when it is none

	model *kong.Application // the grammar, once the command line was read
}

// jsonFlag asks for what other programs read.
type jsonFlag struct {
	JSON bool `name:"json" help:"Write one JSON object instead of the page."`
}

// colour says whether standard output takes colours (see no-color.org).
func (sh *shell) colour() bool {
	return sh.stdoutTerminal && sh.env("NO_COLOR") == "" && sh.env("TERM") != "dumb"
}

// show writes a result: what other programs read when asked, else its page.
func (sh *shell) show(asJSON bool, document any, page func() *report.Document) error {
	if asJSON {
		return report.EncodeJSON(sh.stdout, document)
	}
	return page().Text(sh.stdout, sh.colour(), sh.columns)
}

// Run runs one command line, without the program's name, and returns the
// program's exit status. An error is one line on stderr, but for the mistakes of
// a file, each of which is one. When ctx is done the command stops early.
func Run(ctx context.Context, args []string, stdin io.Reader, stdout, stderr io.Writer, env func(string) string) int {
	sh := &shell{
		stdin: stdin, stdout: bufio.NewWriterSize(stdout, 64<<10), stderr: stderr, env: env,
		stdoutFile: isFile(stdout), stdoutTerminal: isTerminal(stdout), stderrTerminal: isTerminal(stderr),
		columns: columnsOf(stdout),
	}
	status, err := dispatch(ctx, args, sh)
	if err == nil {
		if err = sh.stdout.Flush(); err != nil {
			err = fmt.Errorf("write the result: %w", err)
		}
	}
	if errors.Is(err, syscall.EPIPE) {
		err = errors.New("write the result: its reader went away (broken pipe)")
	}
	if err != nil {
		text := strings.TrimSpace(err.Error())
		if mistakes := (config.Mistakes)(nil); !errors.As(err, &mistakes) {
			text = strings.ReplaceAll(text, "\n", "; ")
		}
		for line := range strings.SplitSeq(text, "\n") {
			fmt.Fprintln(stderr, "makebreak: "+report.Printable(line))
		}
		return StatusWrong
	}
	return status
}

func dispatch(ctx context.Context, args []string, sh *shell) (int, error) {
	var p program
	helped := false
	parser, err := kong.New(&p,
		kong.Name("makebreak"),
		kong.Description("Measures the contacts of electromechanical telephone exchanges: dials, pulse generators, interrupters and ringing cadences. It reads the times at which a contact opened and closed, computes rate, percent break, pauses, bounce and more, and compares them with published limits, its own uncertainty included."),
		kong.Writers(sh.stdout, sh.stderr),
		kong.Exit(func(int) { helped = true }), // after the help was printed
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: report.PageWidth}),
		kong.Help(printHelp),
	)
	if err != nil {
		return 0, err
	}
	if len(args) > 1 && args[0] == "help" && !strings.HasPrefix(args[1], "-") {
		if err := isCommand(parser.Model.Node, args[1:]); err != nil {
			return 0, err
		}
	}
	k, err := parser.Parse(asFlags(sh, args))
	if helped {
		return StatusOK, nil
	}
	if err == nil {
		if flag := repeated(k); flag != "" {
			return 0, fmt.Errorf("--%s is given twice: expected it once (see %s --help)", flag, k.Selected().FullPath())
		}
	}
	if err != nil {
		name, flags, what := "makebreak", parser.Model.AllFlags(true), ""
		var pe *kong.ParseError
		if errors.As(err, &pe) && pe.Context.Selected() != nil {
			name = pe.Context.Selected().FullPath()
			flags = pe.Context.Selected().AllFlags(true)
			what = missing(err, pe.Context.Selected().Positional)
		}
		return 0, fmt.Errorf("%s%s (see %s --help)", plainer(err, args, slices.Concat(flags...)), what, name)
	}
	sh.zone, sh.model = p.TZ.or(sh.env("TZ")), parser.Model
	for _, now := range renamed(k) {
		fmt.Fprintln(sh.stderr, "makebreak: "+now)
	}
	cmd := k.Selected().Target.Addr().Interface().(runner)
	if _, ok := cmd.(reloader); !ok {
		var stop context.CancelFunc
		ctx, stop = signal.NotifyContext(ctx, syscall.SIGHUP) // its terminal was closed
		defer stop()
	}
	return cmd.run(ctx, sh)
}

// asFlags gives a command line as the grammar has it: "help measure" and "measure
// --help" are the same, and so are "--version" and "version". Without any word it
// writes the version, and asks for help.
func asFlags(sh *shell, args []string) []string {
	switch {
	case len(args) == 0:
		writeVersion(sh)
		sh.stdout.WriteByte('\n')
		return []string{"--help"}
	case args[0] == "help" && (len(args) == 1 || !strings.HasPrefix(args[1], "-")):
		return append(slices.Clone(args[1:]), "--help")
	case args[0] == "--version":
		return append([]string{"version"}, args[1:]...)
	}
	return args
}

// isCommand is an error where words after a command do not name one of its own, such
// as soak start.
func isCommand(n *kong.Node, words []string) error {
	for i, w := range words {
		at := slices.IndexFunc(n.Children, func(c *kong.Node) bool { return c.Name == w })
		if at < 0 && i == 0 {
			return nil // kong knows what is near to it
		}
		if at < 0 {
			return fmt.Errorf("help %s: there is no command %s (see makebreak --help)", strings.Join(words, " "), strings.Join(words[:i+1], " "))
		}
		n = n.Children[at]
	}
	return nil
}

// repeated gives the first flag that is there more than once and holds one
// value, of which but the last would count; empty for none.
func repeated(k *kong.Context) string {
	seen := map[*kong.Flag]bool{}
	for _, p := range k.Path {
		if f := p.Flag; f != nil && !f.IsCumulative() {
			if seen[f] {
				return f.Name
			}
			seen[f] = true
		}
	}
	return ""
}

// renamed says, in a sentence each, which limits are named by a former id: by a
// flag --limits, or to the command limits.
func renamed(k *kong.Context) (all []string) {
	for _, p := range k.Path {
		if p.Flag != nil && p.Flag.Name == "limits" {
			all = append(all, config.Renamed(p.Flag.Target.String()))
		}
	}
	if c, ok := k.Selected().Target.Addr().Interface().(*limitsCmd); ok && len(c.What) == 1 {
		all = append(all, config.Renamed(c.What[0]))
	}
	return slices.DeleteFunc(all, func(s string) bool { return s == "" })
}

// missing tells what the first argument is that a command line lacks; empty where the
// error is another one.
func missing(err error, all []*kong.Positional) string {
	for _, p := range all {
		if p.Help != "" && strings.HasPrefix(err.Error(), "expected \"<"+p.Name+">") {
			return ": " + strings.TrimSuffix(p.Help, ".")
		}
	}
	return ""
}

// negative is a value that kong takes for another flag.
var negative = regexp.MustCompile(`^(--[a-z-]+): expected .*value but got "(-\.?[0-9][^"]*)".*; perhaps`)

// plainer says what is wrong with a command line in a user's words.
func plainer(err error, args []string, flags []*kong.Flag) string {
	text := err.Error()
	for _, a := range args {
		name, _, _ := strings.Cut(strings.TrimPrefix(a, "-"), "=")
		if strings.HasPrefix(text, "unknown flag -") && len(name) > 1 && len(name) < len(a) &&
			slices.ContainsFunc(flags, func(f *kong.Flag) bool { return f.Name == name }) {
			return "-" + name + ": expected two dashes, --" + name
		}
	}
	text = strings.NewReplacer("expected value value", "expected a value", "expected string value", "expected a value").Replace(text)
	if m := negative.FindStringSubmatch(text); m != nil &&
		!slices.ContainsFunc(flags, func(f *kong.Flag) bool { return "--"+f.Name == m[1] && f.Tag.Has("signed") }) {
		return m[1] + ": \"" + m[2] + "\" is negative: expected it without a minus sign"
	}
	return strings.NewReplacer(` but got "EOL" (<EOL>)`, " after it", " (short flag); perhaps try ", "; perhaps ").Replace(text)
}

// printHelp prints kong's help, then the command's epilogue.
func printHelp(o kong.HelpOptions, k *kong.Context) error {
	if err := kong.DefaultHelpPrinter(o, k); err != nil {
		return err
	}
	var target reflect.Value = k.Model.Target
	if k.Selected() != nil {
		target = k.Selected().Target
	}
	if e, ok := target.Addr().Interface().(epilogue); ok {
		_, err := fmt.Fprint(k.Stdout, "\n", e.epilogue())
		return err
	}
	return nil
}

// zone is a flag that holds a time zone.
type zone struct{ *time.Location }

// UnmarshalText reads a name of the time zone database.
func (z *zone) UnmarshalText(b []byte) (err error) {
	if z.Location, err = time.LoadLocation(string(b)); err != nil || len(b) == 0 {
		return fmt.Errorf("%q is no time zone: expected a name such as Europe/Berlin, America/New_York, UTC or Local", b)
	}
	return nil
}

// or is the zone or, where none was given, that of the environment, else of the
// computer.
func (z zone) or(env string) *time.Location {
	if z.Location != nil {
		return z.Location
	}
	if l, err := time.LoadLocation(env); env != "" && err == nil {
		return l
	}
	return time.Local
}

// caution is shown where a user is about to touch exchange wiring.
const caution = report.CautionText + "\n"

func (*program) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange, from where the source lies:
  makebreak measure configs/recordings/marrow-quay-dial-slow.csv
  makebreak measure configs/recordings/marrow-quay-ringing.csv --limits all
  makebreak measure sim:dial,digits=0123,rate=9.4 --json
  makebreak limits au-s002-dial

makebreak help COMMAND tells of a command, as COMMAND --help does; makebreak
--version shows the version.

Exit status: 0 pass, or no limits asked; 1 conditional pass, conditional fail or
fail; 2 the command or its input is wrong; 3 not measured.

` + caution
}

// isFile tells whether f is a regular file.
func isFile(f any) bool {
	file, ok := f.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode().IsRegular()
}

// isTerminal tells whether f is a terminal.
func isTerminal(f any) bool {
	file, ok := f.(*os.File)
	return ok && term.IsTerminal(int(file.Fd()))
}

// columnsOf is the width of a terminal; 0 for what is none or does not tell.
func columnsOf(f any) int {
	file, ok := f.(*os.File)
	if !ok {
		return 0
	}
	columns, _, err := term.GetSize(int(file.Fd()))
	if err != nil {
		return 0
	}
	return columns
}
