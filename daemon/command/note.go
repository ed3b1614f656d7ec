package command

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/report"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/daemon/watch"
)

// onLog are the commands on the log that watch writes.
type onLog struct {
	Soak   soakCmd   `cmd:"" group:"Watch for days:" help:"Begin, look at or end a soak test: a stretch of the log with a result."`
	Note   noteCmd   `cmd:"" group:"Watch for days:" help:"Add a remark to the log, such as what was found or done."`
	Notes  notesCmd  `cmd:"" group:"Watch for days:" help:"List the remarks of a log, and what watching found."`
	Import importCmd `cmd:"" group:"Watch for days:" help:"Put a finished recording into a log, as if it had been watched."`
	Export exportCmd `cmd:"" group:"Watch for days:" help:"Write a stretch of contacts in the log as CSV, VCD or Parquet."`
}

type noteCmd struct {
	Text string `arg:"" help:"The remark."`
	logFileFlag
	Contact string `placeholder:"NAME" help:"Contact that it is about; without, the site."`
	AsFound bool   `help:"It tells how the contact was found."`
	AsLeft  bool   `help:"It tells how the contact was left."`
	LobeOne bool   `help:"The lobe of --contact that opened at --at is lobe 1 of its cam, in all that is asked from now on."`
	At      when   `placeholder:"TIME" help:"When it was, such as 2026-11-20T10:00 (in the zone of --tz, or with its own), or -10m, so long ago, or words of another note, for its time; without, now."`
}

func (*noteCmd) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange:
  makebreak note "oiled the idler" --log marrow-quay.db --contact cam-60
  makebreak note "61 % break" --log marrow-quay.db --contact dial --as-left
  makebreak note "chalk mark" --log marrow-quay.db --contact cam-60 \
    --lobe-one --at 2026-11-20T10:00:07.5
`
}

func (c *noteCmd) run(ctx context.Context, sh *shell) (_ int, err error) {
	n := store.Note{Contact: c.Contact, Text: strings.TrimSpace(c.Text)}
	switch {
	case c.AsFound && c.AsLeft:
		return 0, errors.New("--as-found and --as-left: expected one of them")
	case c.AsFound:
		n.State = store.AsFound
	case c.AsLeft:
		n.State = store.AsLeft
	}
	if n.Text == "" {
		return 0, errors.New("the remark is empty: expected some words")
	}
	if n.At.Wall = c.At.In(sh.zone).Wall; c.At.Set && n.At.Wall.IsZero() && c.At.Words == "" {
		n.At.Wall = time.Now().Add(-c.At.Back)
	}
	if n.At.Wall.After(time.Now()) {
		return 0, fmt.Errorf("--at %s: it is not yet that time", c.At.Text)
	}
	if c.LobeOne && (c.Contact == "" || !c.At.Set) {
		return 0, errors.New("--lobe-one names the lobe that opened at a time: expected --contact NAME and --at TIME with it")
	}
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	if n.Contact != "" {
		if err := stretch.KnownContact(ctx, log, n.Contact); err != nil {
			return 0, err
		}
	}
	if c.At.Words != "" { // the moment of another note
		at, err := c.At.Resolve(ctx, log, n.Contact, sh.zone)
		if err != nil {
			return 0, fmt.Errorf("--at: %w", err)
		}
		n.At.Wall = at.Wall
	}
	said := ""
	var id int64
	if c.LobeOne {
		id, said, err = c.noteLobeOne(ctx, sh, log, n)
	} else {
		id, err = log.AddNote(ctx, n)
	}
	if err != nil {
		return 0, err
	}
	at := ""
	if c.At.Set {
		at = " at " + report.Wall(n.At.Wall.In(sh.zone))
	}
	fmt.Fprintf(sh.stdout, "note %d%s: %s\n%s", id, at, report.Printable(stretch.NoteText(n)), said)
	return StatusOK, nil
}

// noteLobeOne adds a note that gives a lobe number 1, and says which one.
func (c *noteCmd) noteLobeOne(ctx context.Context, sh *shell, log *store.Log, n store.Note) (id int64, said string, err error) {
	m, err := stretch.LobeAt(ctx, log, c.Contact, n.At.Wall)
	var none *stretch.NoLobesError
	switch {
	case errors.As(err, &none):
		return 0, "", fmt.Errorf("--lobe-one: %w", err)
	case errors.Is(err, watch.ErrNoOpening):
		return 0, "", fmt.Errorf("--at %s: the log has no opening of contact %q near that time", c.At.Text, c.Contact)
	case errors.Is(err, watch.ErrLobeUnknown):
		return 0, "", fmt.Errorf("--at %s: the log does not tell which lobe of contact %q opened then, as its count was lost: expected another time", c.At.Text, c.Contact)
	case err != nil:
		return 0, "", err
	}
	opened := "The lobe that opened at " + m.At.Wall.In(sh.zone).Format("2006-01-02 15:04:05.000 MST")
	if id, err = log.NoteLobeOne(ctx, n, m); err != nil {
		return 0, "", err
	}
	return id, opened + " is lobe 1 in all that is asked from now on.\n", nil
}

type notesCmd struct {
	Contact string `placeholder:"NAME" help:"Only what is about this contact or the site."`
	stretchFlags
	Findings bool `group:"Output:" help:"List what watching found too."`
	JSON     bool `group:"Output:" name:"json" help:"Write one JSON object instead of the list."`
}

func (*notesCmd) epilogue() string {
	return `Examples:
  makebreak notes --log marrow-quay.db
  makebreak notes --log marrow-quay.db --contact cam-60 --findings --since -7d
`
}

func (c *notesCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	if c.Contact != "" {
		if err := stretch.KnownContact(ctx, log, c.Contact); err != nil {
			return 0, err
		}
	}
	span, err := c.request(sh.zone).Span(ctx, log, c.Contact)
	if err != nil {
		return 0, c.wrong(err)
	}
	if !c.Until.Set && c.Soak == "" {
		span.To = 0 // what was noted after the program's end, too
	}
	list, err := stretch.EntriesOf(ctx, log, span, c.Contact, c.Findings)
	if err != nil {
		return 0, err
	}
	return StatusOK, sh.show(c.JSON, list, func() *report.Document { return report.OfEntries(list, sh.zone) })
}
