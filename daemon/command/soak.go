package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"makebreak/daemon/report"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
)

type soakCmd struct {
	Start  soakStartCmd  `cmd:"" help:"Begin a soak test now."`
	Status soakStatusCmd `cmd:"" help:"Show the result of a soak test, so far or in the end."`
	Finish soakFinishCmd `cmd:"" help:"End a soak test now; its result is kept in the log."`
	List   soakListCmd   `cmd:"" help:"List the soak tests of a log."`
}

const soakEpilogue = `
A soak test is a stretch of the log that makebreak watch writes. It goes on
through restarts and power cuts until it is finished. For a chart or the
pulses one by one: makebreak measure run:CONTACT --soak TITLE.

Its limits are kept as they were at its start. Where single edges have been
removed to make room, the summaries that are left count, but do not pass.

Exit status of status and finish: 0 pass, or no limits; 1 conditional pass,
conditional fail or fail; 2 the command or its input is wrong; 3 not measured,
or not the whole time.
`

type soakStartCmd struct {
	Title string `arg:"" help:"Title that no other soak test of the log has."`
	logFileFlag
	Contact string `placeholder:"NAME" help:"Contact to test; without, all of them."`
	Limits  string `placeholder:"ID|FILE" help:"Limits to hold it to; without, those that it is watched by."`
	Note    string `placeholder:"TEXT" help:"Remark that is shown with the result."`
}

func (*soakStartCmd) epilogue() string {
	return `Examples, from the invented Marrow Quay exchange:
  makebreak soak start "after oiling" --log marrow-quay.db --contact cam-60
  makebreak soak status --log marrow-quay.db
  makebreak soak finish "after oiling" --log marrow-quay.db
` + soakEpilogue
}

func (c *soakStartCmd) run(ctx context.Context, sh *shell) (int, error) {
	title := strings.TrimSpace(c.Title)
	if title == "" {
		return 0, errors.New("the title is empty: expected some words")
	}
	limits, err := stretch.SoakLimitsOf(c.Limits)
	if err != nil {
		return 0, err
	}
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s := store.Soak{Title: title, Contact: c.Contact, Note: c.Note}
	idle, err := stretch.BeginSoak(ctx, log, s, limits)
	if err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "Soak test %q of %s has begun.\n", report.Printable(title), soakOf(s))
	if idle != "" {
		fmt.Fprintf(sh.stdout, "But %s: makebreak watch must run for it to measure.\n", idle)
	}
	return StatusOK, nil
}

type soakListCmd struct {
	logFileFlag
	jsonFlag
}

func (c *soakListCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	list, err := stretch.SoaksOf(ctx, log)
	if err != nil {
		return 0, err
	}
	return StatusOK, sh.show(c.JSON, list, func() *report.Document { return report.OfSoaks(list) })
}

func soakOf(s store.Soak) string {
	return cmp.Or(s.Contact, "all contacts")
}

// whichSoak chooses a soak test to show.
type whichSoak struct {
	Title string `arg:"" optional:"" help:"Its title; without, the one that goes on, else the latest."`
	logFileFlag
	jsonFlag
}

type soakStatusCmd struct{ whichSoak }
type soakFinishCmd struct{ whichSoak }

func (*soakStatusCmd) epilogue() string { return strings.TrimPrefix(soakEpilogue, "\n") }
func (*soakFinishCmd) epilogue() string { return strings.TrimPrefix(soakEpilogue, "\n") }

func (c *soakStatusCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s, err := stretch.FindSoak(ctx, log, c.Title)
	if err != nil {
		return 0, err
	}
	return c.show(ctx, sh, log, s)
}

func (c *soakFinishCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, err := c.openLog(ctx)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s, err := stretch.EndSoak(ctx, log, c.Title)
	if err != nil {
		return 0, err
	}
	return c.show(ctx, sh, log, s)
}

// show shows the result of a soak test.
func (c *whichSoak) show(ctx context.Context, sh *shell, log *store.Log, s store.Soak) (int, error) {
	d, err := stretch.ResultOf(ctx, log, s, progressOf(sh))
	if err != nil {
		return 0, err
	}
	return int(d.Status()), sh.show(c.JSON, d, func() *report.Document { return report.OfSoak(d) })
}
