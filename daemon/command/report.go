package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/plot"
	"makebreak/daemon/report"
	"makebreak/daemon/stretch"
	"makebreak/daemon/wholefile"
	"makebreak/hw"
	"makebreak/pulse"
)

type reportCmd struct {
	Source string `arg:"" help:"File of edges (CSV, VCD, or what gpiomon printed), - for standard input, run:CONTACT for a stretch of a log, soak:TITLE for a soak test of a log, or sim:DESCRIPTION."`

	contactFlags
	Contact string `group:"Reading the contact:" placeholder:"NAME" help:"Contact of a file with several."`
	For     span   `group:"Reading the contact:" placeholder:"TIME" help:"End of a sim: contact, such as 60s."`

	stretchFlags
	chainFlags
	driftFlags
	stabilityFlags
	gearsFlags
	againstFlags

	recordFlags
	Check string `group:"Output:" placeholder:"FILE" help:"Tell whether the checksum in a report fits the source; writes nothing."`
}

// recordFlags say where a test record goes, and what it says that nobody measured.
type recordFlags struct {
	Out       string `group:"Output:" placeholder:"FILE" help:"Write the test record to FILE, as its ending says: .html (one file, for a browser or to print), .pdf, or .md (Markdown; its drawings become files beside it)."`
	By        string `group:"Output:" placeholder:"NAME" help:"Who tested; without, a line to fill in by hand."`
	Site      string `group:"Output:" placeholder:"TEXT" help:"Where the equipment stands; without, what the log says, or a line to fill in."`
	Equipment string `group:"Output:" placeholder:"TEXT" help:"What was tested, such as its name and number; without, a line to fill in."`
	Remark    string `group:"Output:" placeholder:"TEXT" help:"Remark that the record shows."`
	Force     bool   `group:"Output:" help:"Let output files replace others."`
}

func (*reportCmd) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange, from where the source lies:
  makebreak report configs/recordings/marrow-quay-dial.csv --out dial.pdf
  makebreak report configs/recordings/marrow-quay-dial.csv --check dial.pdf
  makebreak report configs/recordings/marrow-quay-dial-slow.csv --limits \
    au-s002-dial --out slow.pdf --by "A. Tester" --equipment "generator A"
  makebreak report run:cam-60 --log marrow-quay.db --since -1d --drift \
    --out cam.html
  makebreak report "soak:after oiling" --log marrow-quay.db --out soak.pdf
The record holds the checksum of the edges, the same for a recording and for
the stretch of a log that it was exported from: --check compares it.

Exit status: as for measure; with --check 0 fits, 1 does not, 2 the command or
its input is wrong.

` + caution
}

// check refuses what does not go together.
func (c *reportCmd) check() error {
	switch {
	case c.Check == "" && c.Out == "":
		return errors.New("expected --out FILE, a name that ends in " + recordEndings + ", or --check FILE, a report")
	case c.Check != "" && c.Out != "":
		return errors.New("--check reads a report and --out writes one: expected one of them")
	case strings.HasPrefix(c.Source, "gpio:"):
		return fmt.Errorf("%s: report reads what was recorded: record it with makebreak measure %[1]s --record FILE, or watch it", c.Source)
	case c.Limits == allLimits:
		return errors.New("--limits all: expected one set of limits, or none")
	case c.For.set && !strings.HasPrefix(c.Source, "sim:"):
		return errors.New("--for ends a sim: contact: expected one as the source")
	}
	logged := strings.HasPrefix(c.Source, "run:") || strings.HasPrefix(c.Source, "soak:")
	if !logged {
		if err := c.stretchFlags.none(); err != nil {
			return err
		}
	}
	return distinct(namedFile{"the source", c.Source}, namedFile{"--out", c.Out}, namedFile{"--check", c.Check}, namedFile{"--log", c.Log})
}

// recordEndings are those that --out takes, in words.
const recordEndings = ".html, .pdf or .md"

// begin begins the record's file; nil is not returned without an error.
func (f *recordFlags) begin() (*recordFile, error) {
	ending := strings.ToLower(filepath.Ext(f.Out))
	if !slices.Contains([]string{".html", ".htm", ".pdf", ".md"}, ending) {
		return nil, fmt.Errorf("--out %s: expected a name that ends in %s", f.Out, recordEndings)
	}
	file, err := createFile("--out", f.Out, f.Force)
	if err != nil {
		return nil, err
	}
	return &recordFile{File: file, path: f.Out, ending: ending, force: f.Force}, nil
}

// particulars are what flags give.
func (f *recordFlags) particulars(sums ...report.Sum) *report.Particulars {
	version, _, revision := build()
	return &report.Particulars{
		By: strings.TrimSpace(f.By), Site: strings.TrimSpace(f.Site), Equipment: strings.TrimSpace(f.Equipment), Remark: strings.TrimSpace(f.Remark),
		Written: time.Now(), Program: "makebreak " + version + revision, Sums: sums,
	}
}

// A recordFile is the file of a record, with those of its drawings.
type recordFile struct {
	*wholefile.File
	path, ending string
	force        bool
}

// keep writes the record. Its files appear together, or none does.
func (f *recordFile) keep(doc *report.Document, title string) (err error) {
	switch f.ending {
	case ".pdf":
		return f.Keep(doc.PDF(f, title))
	case ".md":
	default:
		return f.Keep(doc.HTML(f, title))
	}
	stem := strings.TrimSuffix(f.path, filepath.Ext(f.path))
	name := func(n int) string { return fmt.Sprintf("%s-%d.svg", stem, n) }
	var pictures []*wholefile.File
	kept := 0
	defer func() {
		for i, p := range pictures {
			switch {
			case i >= kept:
				p.Discard()
			case err != nil:
				os.Remove(name(i + 1))
			}
		}
	}()
	for i, d := range doc.Charts() {
		p, err := createFile("--out", name(i+1), f.force)
		if err != nil {
			return err
		}
		pictures = append(pictures, p)
		if err := plot.SVG(p, d, plot.Desktop); err != nil {
			return fmt.Errorf("write %s: %s", name(i+1), wholefile.Reason(err))
		}
	}
	err = doc.Markdown(f, func(n int) string { return filepath.Base(name(n)) })
	for ; kept < len(pictures) && err == nil; kept++ {
		err = pictures[kept].Keep(nil)
	}
	return f.Keep(err)
}

func (c *reportCmd) run(ctx context.Context, sh *shell) (int, error) {
	if err := c.check(); err != nil {
		return 0, err
	}
	if c.Check != "" {
		return c.checkSum(ctx, sh)
	}
	out, err := c.begin()
	if err != nil {
		return 0, err
	}
	defer out.Discard()
	if title, ok := strings.CutPrefix(c.Source, "soak:"); ok {
		return c.soak(ctx, sh, title, out)
	}
	one := c.measureCmd()
	cfg, err := one.config()
	if err != nil {
		return 0, err
	}
	gathered, survey := report.NewGathered(), pulse.NewSurvey(&cfg)
	r, err := measureRecorded(ctx, sh, one, cfg, gathered.Observer(), survey.Observer())
	if err != nil {
		return 0, err
	}
	r.about.Survey, r.about.Cadence, r.about.Zone = survey, c.Cadence.ns, sh.zone
	p := c.particulars(r.sums...)
	p.Written = p.Written.In(sh.zone)
	if err := out.keep(report.OfRecord(r.m, &r.about, gathered, p), "Test record: "+r.m.Source); err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "%s written to %s.\n", report.Verdict(r.m), report.Printable(c.Out))
	return int(stretch.StatusOf(r.m, false)), nil
}

// measureCmd is what measures the source.
func (c *reportCmd) measureCmd() *measureCmd {
	one := &measureCmd{
		Source: c.Source, contactFlags: c.contactFlags, Contact: c.Contact, stretchFlags: c.stretchFlags, chainFlags: c.chainFlags,
		driftFlags: c.driftFlags, stabilityFlags: c.stabilityFlags, gearsFlags: c.gearsFlags, againstFlags: c.againstFlags,
	}
	one.For = c.For
	return one
}

// recorded is a source that was measured, with the checksums of its edges.
type recorded struct {
	m     *pulse.Measurement
	about report.About
	sums  []report.Sum // the second, of the contact that it is measured against
}

// measureRecorded measures the whole of a source for a record.
func measureRecorded(ctx context.Context, sh *shell, c *measureCmd, cfg pulse.Config, observers ...pulse.Observer) (r recorded, err error) {
	if _, err := pulse.NewMeter(cfg); err != nil { // before anything is read
		return r, err
	}
	src, err := c.open(ctx, sh, &cfg)
	if err != nil {
		return r, err
	}
	defer src.Close()
	var second report.Sum
	if err := c.askAgainst(ctx, sh, src, &cfg, &second); err != nil {
		return r, err
	}
	for _, o := range observers {
		cfg.Observer = pulse.Tee(cfg.Observer, o)
	}
	tap := newSummed(src)
	measured := source(tap)
	log, logged := src.(*stretch.Source)
	if logged {
		measured = src
	}
	r.about.Limits = cfg.Limits
	edges := 0
	r.m, edges, err = measure(ctx, sh, measured, cfg, func(_ pulse.Stamp, sampled bool) { r.about.Samples = sampled })
	switch {
	case interrupted(ctx, err):
		return r, errors.New("stopped by you after " + amount(src, edges) + ": nothing was written, for a part would look like the whole")
	case err != nil:
		return r, err
	case edges == 0:
		return r, errors.New("there is no edge in that stretch of the log")
	}
	r.m.Source = c.Source
	if err := c.checkKinds(r.m); err != nil {
		return r, err
	}
	sum := tap.sum
	if logged {
		if r.about.Log, err = log.Report(ctx, r.m); err != nil {
			return r, err
		}
		if sum, err = log.Checksum(ctx); err != nil {
			return r, err
		}
	} else if rec, ok := src.(*hw.Recording); ok {
		if s := rec.Sequence(); s != "" {
			r.m.Capture.Sequence = &s
		}
	}
	r.sums = []report.Sum{{Of: c.Source, SHA256: sum.String(), Edges: sum.Edges()}}
	if cfg.Against != nil {
		r.sums = append(r.sums, second)
	}
	return r, nil
}

// summed is a source whose edges are summed as they are read.
type summed struct {
	source
	sum   *hw.Checksum
	edges *hw.EdgeWriter
}

func newSummed(src source) *summed {
	sum := hw.NewChecksum()
	return &summed{src, sum, hw.NewEdgeWriter(sum)}
}

func (s *summed) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	n, err := s.source.ReadEdges(ctx, buf)
	s.edges.Add(buf[:n])
	return n, err
}

// soak writes the record of a soak test.
func (c *reportCmd) soak(ctx context.Context, sh *shell, title string, out *recordFile) (int, error) {
	if c.Soak != "" || c.Since.Set || c.Until.Set {
		return 0, errors.New("soak:TITLE is a stretch by itself: expected it without --soak, --since and --until")
	}
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s, err := stretch.FindSoak(ctx, log, title)
	if err != nil {
		return 0, err
	}
	result, err := stretch.ResultOf(ctx, log, s, progressOf(sh))
	if err != nil {
		return 0, err
	}
	var sums []report.Sum
	for _, x := range result.Results {
		flags := c.stretchFlags
		flags.Soak = s.Title
		src, err := openStretch(ctx, sh, &flags, x.Log.Contact)
		if err != nil {
			return 0, err
		}
		sum, err := src.Checksum(ctx)
		if err = errors.Join(err, src.Close()); err != nil {
			return 0, err
		}
		sums = append(sums, report.Sum{Of: "run:" + x.Log.Contact + " --soak \"" + s.Title + "\"", SHA256: sum.String(), Edges: sum.Edges()})
	}
	p := c.particulars(sums...)
	if err := out.keep(report.OfRecordOfSoak(result, p, sh.zone), "Test record: soak test "+s.Title); err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "The soak test's record is written to %s.\n", report.Printable(c.Out))
	return int(result.Status()), nil
}

// checkSum tells whether the checksum of a report fits the source.
func (c *reportCmd) checkSum(ctx context.Context, sh *shell) (int, error) {
	data, err := readReport(c.Check)
	if err != nil {
		return 0, err
	}
	sums := report.SumsIn(data)
	if len(sums) == 0 {
		return 0, fmt.Errorf("--check %s: no checksum of edges is in it: expected a report that makebreak wrote", c.Check)
	}
	if title, ok := strings.CutPrefix(c.Source, "soak:"); ok {
		return 0, fmt.Errorf("soak:%s may be of several contacts: expected run:CONTACT --soak %[1]q, as the report names it", title)
	}
	one := c.measureCmd()
	cfg, err := one.config()
	if err != nil {
		return 0, err
	}
	src, err := one.open(ctx, sh, &cfg)
	if err != nil {
		return 0, err
	}
	defer src.Close()
	var sum *hw.Checksum
	if log, ok := src.(*stretch.Source); ok {
		sum, err = log.Checksum(ctx)
	} else {
		sum, err = hw.ChecksumOf(ctx, src)
	}
	switch {
	case interrupted(ctx, err):
		return 0, errors.New("stopped by you before the end of the source")
	case err != nil:
		return 0, err
	}
	of := figure.Plural(sum.Edges(), "edge", "edges")
	if at := slices.Index(sums, sum.String()); at >= 0 {
		which := ""
		if len(sums) > 1 {
			which = fmt.Sprintf(" (number %d of the %d in it)", at+1, len(sums))
		}
		fmt.Fprintf(sh.stdout, "FITS: the %s of %s are those of the report %s%s.\nOnly the edges were compared: its words and figures are not checked.\n", of, report.Printable(c.Source), report.Printable(c.Check), which)
		return StatusOK, nil
	}
	fmt.Fprintf(sh.stdout, "DOES NOT FIT: the %s of %s are not those of the report %s.\n", of, report.Printable(c.Source), report.Printable(c.Check))
	return StatusOutOfLimits, nil
}

// mostReport is beyond any report, and bounds what a wrong name costs.
const mostReport = 256 << 20

func readReport(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("--check %s: %s", path, wholefile.Reason(err))
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, mostReport))
	if err != nil {
		return nil, fmt.Errorf("--check %s: %s", path, wholefile.Reason(err))
	}
	return data, nil
}
