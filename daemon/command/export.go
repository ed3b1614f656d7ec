package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/daemon/rowfile"
	"makebreak/daemon/stretch"
	"makebreak/hw"
	"makebreak/pulse"
)

type exportCmd struct {
	Sources     []string `arg:"" name:"source" optional:"" placeholder:"run:CONTACT" help:"Contact of the log, as run:CONTACT; several for parquet."`
	AllContacts bool     `group:"A stretch of a log:" help:"Every contact of the log that has such rows, for parquet."`
	stretchFlags

	Rows   string `group:"Output:" enum:"edges,pulses,cycles,summaries" default:"edges" help:"edges; pulses of dials or cycles of interrupters, as they were watched; or summaries, the log's own of each minute, and of hours and days where it is old, also of a time whose edges it no longer has (parquet only)."`
	Format string `group:"Output:" enum:"auto,csv,vcd,parquet" default:"auto" help:"csv, vcd (edges only) or parquet; auto goes by the ending of FILE, else it is csv."`
	outFlags
}

func (*exportCmd) epilogue() string {
	return `Examples:
  makebreak export run:generator-a --log marrow-quay.db --since -1h > hour.csv
  makebreak export run:cam-60 --log marrow-quay.db --soak "after oiling" \
    --format vcd --out soak.vcd
  makebreak export --all-contacts --log marrow-quay.db --rows cycles \
    --out marrow-quay-2026.parquet

Times count from the start of the stretch, which a comment tells. Edges that
were lost, and the time in which the source was not read, are kept as such;
makebreak measure reads the file and leaves them out. Pulses and cycles as CSV
are the table of makebreak measure --table.

A Parquet file is for query engines: files of many years and exchanges can be
asked as one table. Its columns:
  exchange, contact
  session          number of the start of makebreak watch that logged it
  time_utc         null where no time source had set the computer's clock
  time_ns          monotonic, from the earliest start of the stretch
  clock_offset_ns  time_ns and this are what the clock showed, set or not, in
                   ns since 1970
and of edges
  event            edge; unknown: from here the level is not known (reason says
                   why); found: the level when reading went on, and no edge
  level, closed    the line is high, the contact is closed; null when unknown
  lost_edges       before this one
The others have the columns of --table, times in ms, and summaries counts, sums
in ns that may be added up, means, standard deviations and extremes. What was
not measured is null. The file's metadata has the settings of each contact and
the state of the clock.
`
}

// fileFormats are the endings of files that choose a format.
var fileFormats = []string{"csv", "vcd", "parquet"}

// contacts are those that the words ask for, sorted where all are.
func (c *exportCmd) contacts(ctx context.Context) (names []string, err error) {
	if c.AllContacts {
		if len(c.Sources) > 0 {
			return nil, errors.New("--all-contacts: expected it without run:CONTACT")
		}
		log, err := c.openLog(ctx)
		if err != nil {
			return nil, err
		}
		names, err = log.Contacts(ctx)
		return names, errors.Join(err, log.Close())
	}
	for _, s := range c.Sources {
		name, ok := strings.CutPrefix(s, "run:")
		if !ok {
			return nil, errors.New("export writes a contact of a log: expected run:CONTACT")
		}
		if slices.Contains(names, name) {
			return nil, fmt.Errorf("%s is given twice: expected it once", s)
		}
		names = append(names, name)
	}
	if len(names) == 0 {
		return nil, errors.New("expected run:CONTACT, or --all-contacts")
	}
	return names, nil
}

// choose settles the format, by the ending of the file where none is asked for.
func (c *exportCmd) choose() error {
	ending := strings.ToLower(strings.TrimPrefix(filepath.Ext(c.Out), "."))
	switch known := slices.Contains(fileFormats, ending); {
	case c.Format == "auto" && known:
		c.Format = ending
	case c.Format == "auto":
		c.Format = "csv"
	case known && ending != c.Format:
		return fmt.Errorf("--format %s: expected another ending of --out %s, or no --format", c.Format, c.Out)
	}
	rows := rowfile.Rows(c.Rows)
	switch {
	case c.Format == "parquet":
	case c.AllContacts || len(c.Sources) > 1:
		return fmt.Errorf("a %s file has one contact: expected one run:CONTACT, or --out FILE.parquet", c.Format)
	case rows == rowfile.Summaries, rows != rowfile.Edges && c.Format == "vcd":
		return fmt.Errorf("--rows %s: a %s file has none: expected --out FILE.parquet", c.Rows, c.Format)
	}
	return nil
}

func (c *exportCmd) run(ctx context.Context, sh *shell) (int, error) {
	if err := c.choose(); err != nil {
		return 0, err
	}
	names, err := c.contacts(ctx)
	if err != nil {
		return 0, err
	}
	if c.Format == "parquet" && c.Out == "" && sh.stdoutTerminal {
		return 0, errors.New("a parquet file is nothing for a terminal: expected --out FILE.parquet")
	}
	var sources []*stretch.Source
	defer func() {
		for _, s := range sources {
			s.Close()
		}
	}()
	for _, name := range names {
		src, err := openStretch(ctx, sh, &c.stretchFlags, name)
		if err != nil {
			return 0, err
		}
		sources = append(sources, src)
		if src.Run() != sources[0].Run() {
			return 0, fmt.Errorf("the stretches of %s and %s are of different exchanges of the log: expected times in place of words of notes", names[0], name)
		}
	}
	w, file, err := c.create(sh)
	if err != nil {
		return 0, err
	}
	defer file.Discard()
	var written string // what was
	switch {
	case c.Format == "parquet":
		version, _, _ := build()
		f := rowfile.New(w, rowfile.Rows(c.Rows), version)
		written, err = c.parquet(ctx, sh, f, sources)
		if f.Err() != nil && file != nil {
			return 0, file.Keep(f.Err())
		}
	case rowfile.Rows(c.Rows) == rowfile.Edges:
		written, err = c.recording(ctx, sh, w, sources[0])
	default:
		written, err = c.table(ctx, sh, w, sources[0])
	}
	switch {
	case interrupted(ctx, err):
		return 0, errors.New("stopped by you before the end of the stretch")
	case err != nil:
		return 0, err
	case written == "":
		return 0, fmt.Errorf("there is no %s in that stretch of the log: nothing was written", oneRow[c.Rows])
	case file == nil:
		return StatusOK, nil
	}
	if err := file.Keep(nil); err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stderr, "%s written to %s\n", written, report.Printable(c.Out))
	return StatusOK, nil
}

// oneRow names a row of each kind.
var oneRow = map[string]string{"edges": "edge", "pulses": "pulse", "cycles": "cycle", "summaries": "summary"}

// exporting shows how much is exported.
func exporting(sh *shell) stretch.Progress {
	return func(src *stretch.Source) (update, done func()) {
		bar := newProgress(sh, src)
		bar.doing = "exporting " + report.Printable(src.Contact())
		return bar.update, bar.close
	}
}

// otherKind says that a contact has no such rows.
func (c *exportCmd) otherKind(contact string) error {
	return fmt.Errorf("run:%s: it is of another kind and has no %s: expected --rows %s", contact, c.Rows, map[string]string{"pulses": "cycles", "cycles": "pulses"}[c.Rows])
}

// parquet writes the rows of all contacts. What was written is empty where there are
// none.
func (c *exportCmd) parquet(ctx context.Context, sh *shell, f *rowfile.Writer, sources []*stretch.Source) (written string, err error) {
	rows := rowfile.Rows(c.Rows)
	origin := stretch.RowsOrigin(rows, sources)
	for _, s := range sources {
		err := s.Rows(ctx, rows, f, origin, exporting(sh))
		switch {
		case errors.Is(err, stretch.ErrOtherKind) && !c.AllContacts:
			return "", c.otherKind(s.Contact())
		case err != nil && !errors.Is(err, stretch.ErrOtherKind):
			return "", err
		}
	}
	n, contacts := f.Rows()
	if n == 0 {
		return "", nil
	}
	return figure.Plural(n, oneRow[c.Rows], c.Rows) + " of " + figure.Plural(contacts, "contact", "contacts"), f.Close()
}

// recording writes the edges of a contact as CSV or VCD.
func (c *exportCmd) recording(ctx context.Context, sh *shell, w io.Writer, src *stretch.Source) (written string, err error) {
	contact, settings := src.Contact(), src.Settings()
	comments := []string{
		"Contact " + contact + " (" + report.Printable(settings.Source) + ") of " + report.Printable(src.Site()) + "; it is closed when the line is " + settings.Polarity.String() + ".",
		"Where watching paused, or edges are not in the log, two rows mark that time and seq leaves out some between: the level is not known there.",
		"Watched from time_ns 0, which was " + src.Wall(src.Begin()).Format("2006-01-02T15:04:05.000000000Z") + ".",
	}
	var out *hw.EdgeWriter
	if c.Format == "vcd" {
		out = hw.NewEdgeWriter(hw.NewVCDWriter(w, contact))
	} else {
		out = hw.NewEdgeWriter(hw.NewCSVWriter(w, hw.CSVOptions{Comments: comments, Seq: true}))
	}
	update, done := exporting(sh)(src)
	edges, err := src.Export(ctx, func(batch []pulse.Edge) error {
		out.Add(batch)
		update()
		return out.Err()
	})
	done()
	if err != nil || edges == 0 {
		return "", err
	}
	out.Flush()
	return figure.Plural(edges, "edge", "edges"), out.Err()
}

// table writes the pulses or cycles of a contact as the table of measure.
func (c *exportCmd) table(ctx context.Context, sh *shell, w io.Writer, src *stretch.Source) (written string, err error) {
	cfg, err := src.Configure(ctx, &stretch.Wishes{})
	if err != nil {
		return "", err
	}
	rows := report.NewRows(w, &cfg)
	rows.Wall = src.Wall
	rows.CountFrom(src.Begin())
	n := 0
	cfg.Observer = pulse.Tee(rows.Observer(), pulse.Observer{Pulse: func(*pulse.PulseRow) { n++ }, Cycle: func(*pulse.CycleRow) { n++ }})
	m, _, err := src.Measure(ctx, cfg, exporting(sh))
	switch {
	case err != nil || n == 0:
		return "", err
	case (m.Dial != nil) != (rowfile.Rows(c.Rows) == rowfile.Pulses):
		return "", c.otherKind(src.Contact())
	}
	return figure.Plural(n, oneRow[c.Rows], c.Rows), rows.Finish(m)
}
