package command

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/hw"
	"makebreak/pulse"
)

type exportCmd struct {
	Source string `arg:"" placeholder:"run:CONTACT" help:"Contact of the log, as run:CONTACT."`
	stretchFlags

	Format string `group:"Output:" enum:"auto,csv,vcd" default:"auto" help:"csv or vcd; auto goes by the ending of FILE, else it is csv."`
	outFlags
}

func (*exportCmd) epilogue() string {
	return `Examples:
  makebreak export run:generator-a --log marrow-quay.db --since -1h > hour.csv
  makebreak export run:cam-60 --log marrow-quay.db --soak "after oiling" \
    --format vcd --out soak.vcd

Times count from the start of the stretch, which a comment tells. Edges that
were lost, and the time in which the source was not read, are kept as such;
makebreak measure reads the file and leaves them out.
`
}

func (c *exportCmd) run(ctx context.Context, sh *shell) (_ int, err error) {
	contact, ok := strings.CutPrefix(c.Source, "run:")
	if !ok {
		return 0, errors.New("export writes a contact of a log: expected run:CONTACT")
	}
	ending := strings.ToLower(strings.TrimPrefix(filepath.Ext(c.Out), "."))
	other := map[string]string{"csv": "vcd", "vcd": "csv"}[c.Format]
	switch {
	case other != "" && ending == other:
		return 0, fmt.Errorf("--format %s: expected another ending of --out %s, or no --format", c.Format, c.Out)
	case c.Format == "auto" && ending == "vcd":
		c.Format = "vcd"
	}
	src, err := openStretch(ctx, &c.stretchFlags, contact)
	if err != nil {
		return 0, err
	}
	defer src.Close()
	w, file, err := c.create(sh)
	if err != nil {
		return 0, err
	}
	defer file.Discard()
	settings := src.Settings()
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
	edges, err := src.Export(ctx, func(batch []pulse.Edge) error {
		out.Add(batch)
		return out.Err()
	})
	switch {
	case interrupted(ctx, err):
		return 0, errors.New("stopped by you before the end of the stretch")
	case err != nil:
		return 0, err
	case edges == 0:
		return 0, errors.New("there is no edge in that stretch of the log: nothing was written")
	}
	out.Flush()
	if file != nil {
		if err := file.Keep(out.Err()); err != nil {
			return 0, err
		}
		fmt.Fprintf(sh.stderr, "%s written to %s\n", figure.Plural(edges, "edge", "edges"), report.Printable(c.Out))
		return StatusOK, nil
	}
	return StatusOK, out.Err()
}
