package command

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
)

type importCmd struct {
	Recording string `arg:"" help:"File of edges (CSV, VCD, or what gpiomon printed), - for standard input, or sim:DESCRIPTION."`

	Log     string `group:"Into the log:" placeholder:"FILE" help:"Log that it enters; a new one is begun where there is none."`
	Contact string `group:"Into the log:" placeholder:"NAME" help:"Name of the contact in the log: small letters, digits and hyphens."`
	Began   when   `group:"Into the log:" placeholder:"TIME" help:"When its first edge was, such as 2026-11-20T10:00 (in the zone of --tz, or with its own: +02:00), or -2h, so long ago; without, a file's last edge was when the file was written, and a sim: contact's is now."`
	Site    string `group:"Into the log:" placeholder:"NAME" help:"Name of the site, for a new log; without, the log's file name."`
	Take    string `group:"Into the log:" placeholder:"NAME" help:"Contact to take of a recording with several."`
	For     span   `group:"Into the log:" placeholder:"TIME" help:"End a sim: contact after this time, such as 30d."`

	contactFlags
	chainFlags
}

func (*importCmd) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange:
  makebreak import cam.csv --log marrow-quay.db --contact cam-60 --lobes 5
  makebreak sim cam ipm=60 lobes=5 cycles=endless --for 30d | \
    makebreak import - --log marrow-quay.db --contact cam-60 --began 2026-10-01

The log then has what watching would have logged: every edge, how the contact is
read, summaries of each minute, findings. measure run:CONTACT, export and soak
work on it. Times of several contacts may lie beside each other; one contact's
may not. Import what is older than a watch before the watch begins.

A log has all of a recording or, after Ctrl-C or a mistake in it, nothing of it.
Nobody else may write the log meanwhile.
`
}

func (c *importCmd) run(ctx context.Context, sh *shell) (int, error) {
	cfg, err := c.config()
	if err != nil {
		return 0, err
	}
	if c.Began.Words != "" {
		return 0, fmt.Errorf("--began %q: expected a time such as 2026-11-20T10:00 or -2h, not words of a note", c.Began.Text)
	}
	began, err := c.began(ctx, sh)
	switch {
	case interrupted(ctx, err):
		return 0, errStoppedImport
	case err != nil:
		return 0, err
	case began.After(time.Now()) && c.Began.Set:
		return 0, fmt.Errorf("--began %s: it is not yet that time", c.Began.Text)
	case began.After(time.Now()):
		return 0, fmt.Errorf("%s was written at a time that has not come yet: expected --began TIME", c.name())
	}
	site := c.Site
	if _, err := os.Stat(c.Log); errors.Is(err, os.ErrNotExist) && site == "" {
		site = strings.TrimSuffix(filepath.Base(c.Log), filepath.Ext(c.Log))
	}
	src, err := c.open(sh)
	if err != nil {
		return 0, err
	}
	defer src.Close()
	bar := newProgress(sh, src)
	version, _, _ := build()
	begun := time.Now()
	done, err := watch.Import(ctx, src, watch.ImportOptions{
		Log: c.Log, Site: site, Version: version, Began: began, Progress: bar.update,
		Contact: config.Contact{Name: c.Contact, Meter: cfg, Rate: c.RateIPM, Source: config.Source{Kind: config.SourceRecording, Text: c.name()}},
	})
	took := time.Since(begun)
	bar.close()
	var overlap *store.OverlapError
	switch {
	case interrupted(ctx, err):
		return 0, errStoppedImport
	case errors.Is(err, watch.ErrFuture):
		return 0, fmt.Errorf("%s, begun %s: %w", c.name(), report.Wall(began.In(sh.zone)), err)
	case errors.Is(err, watch.ErrKind):
		return 0, fmt.Errorf("%s: %w: expected --kind", c.name(), err)
	case errors.As(err, &overlap):
		return 0, fmt.Errorf("--log %s: %w", c.Log, overlap)
	case err != nil:
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "%s of the %s %s, %s to %s, are in %s.\n", figure.Plural(done.Edges, "edge", "edges"), done.Kind, c.Contact,
		report.Wall(done.Began.In(sh.zone)), report.Wall(done.Last.In(sh.zone)), report.Printable(c.Log))
	if sh.stderrTerminal {
		fmt.Fprintf(sh.stderr, "%s edges a second\n", figure.Count(uint64(float64(done.Edges)/max(took.Seconds(), 1e-3))))
	}
	return StatusOK, nil
}

var errStoppedImport = errors.New("stopped by you: nothing of it is in the log")

// config checks the flags and gives how the contact is to be read.
func (c *importCmd) config() (cfg pulse.Config, err error) {
	switch {
	case c.Log == "":
		return cfg, errors.New("expected --log FILE, the log that it enters")
	case !config.IsContactName(c.Contact):
		return cfg, fmt.Errorf("--contact %q: expected a name for the log, of small letters, digits and hyphens", c.Contact)
	case c.Limits == allLimits:
		return cfg, errors.New("--limits all: expected one set of limits, or none")
	}
	if cfg, err = c.contactFlags.config(&c.chainFlags, 0, 0); err != nil {
		return cfg, err
	}
	_, err = pulse.NewMeter(cfg)
	return cfg, err
}

// name is what the log tells of where the edges come from.
func (c *importCmd) name() string {
	if c.Recording == "-" {
		return "standard input"
	}
	return c.Recording
}

func (c *importCmd) open(sh *shell) (source, error) {
	desc, isSimulated := strings.CutPrefix(c.Recording, "sim:")
	switch {
	case isSimulated && c.Take != "":
		return nil, errors.New("--take chooses in a file: a simulated contact is alone")
	case isSimulated:
		return openSimulated(desc, c.For)
	case c.For.set:
		return nil, errors.New("--for ends a sim: contact: a recording has an end")
	}
	return hw.OpenRecordingFile(c.Recording, sh.stdin, hw.RecordingOptions{Contact: c.Take, Choice: "--take"})
}

// began is when the first edge was: as asked, else so that the last one was when
// the file was written.
func (c *importCmd) began(ctx context.Context, sh *shell) (time.Time, error) {
	switch now := time.Now(); {
	case !c.Began.Wall.IsZero():
		return c.Began.In(sh.zone).Wall, nil
	case c.Began.Set:
		return now.Add(-c.Began.Back), nil
	case c.Recording == "-":
		return now, errors.New("expected --began TIME: standard input does not tell when its edges were")
	}
	src, err := c.open(sh)
	if err != nil {
		return time.Time{}, err
	}
	defer src.Close()
	end := time.Now()
	if info, err := os.Stat(c.Recording); err == nil {
		end = info.ModTime()
	}
	var first, last pulse.Stamp
	edges := 0
	err = hw.Follow(ctx, src, hw.FollowOptions{}, func(batch []pulse.Edge) error {
		if edges == 0 {
			first = batch[0].At
		}
		edges += len(batch)
		last = batch[len(batch)-1].At
		return nil
	})
	if err != io.EOF {
		return time.Time{}, err
	}
	return end.Add(-time.Duration(last - first)), nil
}
