package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/report"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

type compareCmd struct {
	First  string `arg:"" name:"before" help:"What was measured before: a file of edges, run:CONTACT for a stretch of a log, or sim:DESCRIPTION."`
	Second string `arg:"" name:"after" optional:"" help:"What was measured after; not with --around."`

	logFileFlag `group:"A stretch of a log:"`
	Around      when `group:"A stretch of a log:" placeholder:"NOTE|TIME" help:"Compare what came before this moment with what came after: words of a note, such as oiled, or a time, such as 2026-11-20T10:00 or -2h."`
	Before      span `group:"A stretch of a log:" name:"before" placeholder:"2h" help:"How long before --around."`
	After       span `group:"A stretch of a log:" name:"after" placeholder:"2h" help:"How long after --around."`
	Since       when `group:"A stretch of a log:" placeholder:"TIME" help:"Start of each run:CONTACT, without --around: a time, or words of a note."`
	Until       when `group:"A stretch of a log:" placeholder:"TIME" help:"End of each run:CONTACT, in the same forms."`

	contactFlags
	Contact string `group:"Reading the contact:" placeholder:"NAME" help:"Contact of files with several."`

	chainFlags
	SameChain bool `group:"Uncertainty of the measuring chain:" help:"Both were measured by the same coupler and clock, whose errors cancel in a difference; two stretches of one contact of a log always count so."`

	jsonFlag `group:"Output:"`
	HTML     string `group:"Output:" name:"html" placeholder:"FILE" help:"Write the page as an HTML file too, for a browser or to print."`
	recordFlags
}

// defaultAround is long enough for a cam to have turned some thousand times, and
// short beside what a room's warmth does in a day.
const defaultAround = 2 * time.Hour

func (*compareCmd) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange, from where the source lies:
  makebreak compare configs/recordings/marrow-quay-dial-slow.csv \
    configs/recordings/marrow-quay-dial.csv
  makebreak compare sim:dial,rate=9.4,repeat=20 sim:dial,rate=9.7,repeat=20
  makebreak compare run:cam-60 --log marrow-quay.db --around oiled --before 1h
  makebreak compare run:cam-60 run:cam-30 --log marrow-quay.db --since -2h

For each quantity and each lobe there is the difference with its uncertainty,
and one of three sentences: changed, not shown to have changed, cannot be told.
Notes beside the moment (as found, as left) name the stretches; other notes do
not shorten them. Lobes are paired by number in a log, else by their errors.

Exit status: 0 nothing shown to have changed; 1 something changed; 2 the command
or its input is wrong; 3 cannot be told.

` + caution
}

// A comparedSource is one of the two that are compared, measured.
type comparedSource struct {
	report.Compared
	gathered *report.Gathered
	sum      report.Sum // where a record is asked for
}

func (c *compareCmd) run(ctx context.Context, sh *shell) (int, error) {
	if err := c.check(); err != nil {
		return 0, err
	}
	out, err := createFile("--html", c.HTML, c.Force)
	if err != nil {
		return 0, err
	}
	defer out.Discard()
	var record *recordFile
	if c.Out != "" {
		if record, err = c.begin(); err != nil {
			return 0, err
		}
		defer record.Discard()
	}
	requests, halves, err := c.requests(ctx, sh)
	if err != nil {
		return 0, err
	}
	var both [2]*comparedSource
	for i, source := range []string{c.First, cmp.Or(c.Second, c.First)} {
		if both[i], err = c.measure(ctx, sh, source, requests[i]); err != nil {
			if interrupted(ctx, err) {
				return 0, errors.New("stopped by you: nothing was written, for a part would look like the whole")
			}
			if halves != nil {
				if errors.Is(err, stretch.ErrEmpty) {
					err = fmt.Errorf("the contact was not read then: expected a longer --%s", [...]string{"before", "after"}[i])
				}
				err = fmt.Errorf("the stretch %s %s: %w", [...]string{"before", "after"}[i], report.Wall(halves.At.In(sh.zone)), err)
			}
			return 0, err
		}
	}
	result, err := report.Compare(&both[0].Compared, &both[1].Compared, c.SameChain, halves)
	switch {
	case err != nil && both[0].M.Kind != both[1].M.Kind:
		return 0, fmt.Errorf("%w; --kind reads both as one", err)
	case err != nil:
		return 0, err
	}
	doc := report.OfComparison(result, sh.zone)
	if err := keepPage(out, doc, "compare"); err != nil {
		return 0, err
	}
	if record != nil {
		p := c.particulars(both[0].sum, both[1].sum)
		p.Written = p.Written.In(sh.zone)
		for _, x := range both {
			if x.Log != nil {
				p.Site = cmp.Or(p.Site, x.Log.Site())
			}
		}
		doc := report.OfRecordOfComparison(result, both[0].M, both[1].M, both[0].gathered, both[1].gathered, p, sh.zone)
		if err := record.keep(doc, "Test record: "+both[0].M.Source+" and "+both[1].M.Source); err != nil {
			return 0, err
		}
	}
	return result.Status(), sh.show(c.JSON, result, func() *report.Document { return doc })
}

// check refuses what does not go together.
func (c *compareCmd) check() error {
	_, logged := strings.CutPrefix(c.First, "run:")
	_, alsoLogged := strings.CutPrefix(c.Second, "run:")
	switch {
	case c.Limits == allLimits:
		return errors.New("--limits all: expected one set of limits, by which both are read, or none")
	case c.Around.Set && c.Second != "":
		return fmt.Errorf("--around compares two stretches of one contact: expected no second source, %s", c.Second)
	case c.Around.Set && !logged:
		return errors.New("--around is for a log: expected run:CONTACT")
	case c.Around.Set && (c.Since.Set || c.Until.Set):
		return errors.New("--around with --since or --until: expected --before and --after, how long each stretch is")
	case !c.Around.Set && c.Second == "" && logged:
		return errors.New("expected --around NOTE|TIME, the moment between the two stretches, or a second source")
	case !c.Around.Set && c.Second == "":
		return errors.New("expected a second source, what was measured after")
	case c.First == "-" || c.Second == "-":
		return errors.New("-: compare reads two files, stretches of a log or simulated contacts, not standard input")
	case !c.Around.Set && (c.Before.set || c.After.set):
		return errors.New("--before and --after are how long the stretches beside --around NOTE|TIME are: expected it with them")
	case (c.Before.set && c.Before.ns <= 0) || (c.After.set && c.After.ns <= 0):
		return errors.New("--before and --after: expected more than 0")
	}
	for _, s := range []string{c.First, c.Second} {
		if strings.HasPrefix(s, "gpio:") {
			return fmt.Errorf("%s: compare reads what was recorded: record it with makebreak measure %[1]s --record FILE, or watch it", s)
		}
	}
	if !logged && !alsoLogged {
		return (&stretchFlags{logFileFlag: c.logFileFlag, Since: c.Since, Until: c.Until}).none()
	}
	return distinct(namedFile{"a source", c.First}, namedFile{"--log", c.Log}, namedFile{"--html", c.HTML}, namedFile{"--out", c.Out})
}

// requests are the stretches of a log that are asked for; halves is nil without
// --around.
func (c *compareCmd) requests(ctx context.Context, sh *shell) (both [2]*stretch.Request, halves *stretch.Halves, err error) {
	flags := stretchFlags{logFileFlag: c.logFileFlag, Since: c.Since, Until: c.Until}
	both = [2]*stretch.Request{flags.request(sh.zone), flags.request(sh.zone)}
	if !c.Around.Set {
		return both, nil, nil
	}
	log, err := c.openLog(ctx)
	if err != nil {
		return both, nil, err
	}
	defer log.Close()
	contact := strings.TrimPrefix(c.First, "run:")
	if err := stretch.KnownContact(ctx, log, contact); err != nil {
		return both, nil, err
	}
	length := func(s span) time.Duration {
		if !s.set {
			return defaultAround
		}
		return time.Duration(s.ns)
	}
	halves, err = stretch.Around(ctx, log, contact, c.Around.In(sh.zone), length(c.Before), length(c.After), sh.zone)
	var outside *stretch.OutsideError
	switch {
	case errors.As(err, &outside):
		return both, nil, fmt.Errorf("--around %s: nothing lies on one side of it: %w", c.Around.Text, err)
	case err != nil:
		return both, nil, fmt.Errorf("--around: %w", err)
	}
	return [2]*stretch.Request{&halves.Before, &halves.After}, halves, nil
}

// measure measures one of the two.
func (c *compareCmd) measure(ctx context.Context, sh *shell, name string, request *stretch.Request) (*comparedSource, error) {
	one := measureCmd{Source: name, contactFlags: c.contactFlags, Contact: c.Contact, chainFlags: c.chainFlags}
	one.logFileFlag, one.Since, one.Until = c.logFileFlag, c.Since, c.Until
	cfg, err := c.contactFlags.config(&c.chainFlags, 0, 0)
	if err != nil {
		return nil, err
	}
	x := &comparedSource{}
	var src source
	if contact, ok := one.logged(); ok {
		one.Contact = "" // of the file beside it
		log, err := c.openLog(ctx)
		if err != nil {
			return nil, err
		}
		s, err := stretch.Open(ctx, log, request, contact)
		if err != nil {
			if !c.Around.Set {
				err = one.wrong(err)
			}
			return nil, errors.Join(err, log.Close())
		}
		if cfg, err = s.Configure(ctx, one.wishes(cfg)); err != nil {
			return nil, errors.Join(err, s.Close())
		}
		x.Log, src = s, s
	} else if src, err = one.open(ctx, sh, &cfg); err != nil {
		return nil, err
	}
	defer src.Close()
	x.Series = pulse.NewComparand(&cfg)
	x.gathered = report.NewGathered()
	cfg.Observer = pulse.Tee(cfg.Observer, x.Series.Observer(), x.gathered.Observer())
	if _, err := pulse.NewMeter(cfg); err != nil { // before anything is read
		return nil, err
	}
	tap := newSummed(src)
	if x.Log == nil {
		src = tap
	}
	m, edges, err := measure(ctx, sh, src, cfg, func(pulse.Stamp, bool) {})
	switch {
	case err != nil:
		return nil, err
	case edges == 0:
		return nil, errors.New("there is no edge in that stretch of the log")
	}
	m.Source = name
	x.M, x.Setup, x.Config = m, *cfg.Setup, cfg
	sum := tap.sum
	if x.Log != nil {
		if x.Report, err = x.Log.Report(ctx, m); err != nil {
			return nil, err
		}
		if c.Out != "" {
			if sum, err = x.Log.Checksum(ctx); err != nil {
				return nil, err
			}
		}
	}
	x.sum = report.Sum{Of: name, SHA256: sum.String(), Edges: sum.Edges()}
	return x, nil
}
