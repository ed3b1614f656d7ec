package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
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
	Title   string `arg:"" help:"Title that no other soak test of the log has."`
	Log     string `placeholder:"FILE" help:"Log that makebreak watch writes; it may go on writing."`
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
	log, err := openLog(ctx, c.Log)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s := store.Soak{Title: title, Contact: c.Contact, Note: c.Note}
	idle, err := stretch.BeginSoak(ctx, log, s, limits)
	if err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "Soak test %q of %s has begun.\n", printable(title), soakOf(s))
	if idle != nil {
		fmt.Fprintf(sh.stdout, "But %s: makebreak watch must run for it to measure.\n", idle)
	}
	return StatusOK, nil
}

type soakListCmd struct {
	Log  string `placeholder:"FILE" help:"Log that makebreak watch writes; it may go on writing."`
	JSON bool   `name:"json" help:"Write one JSON object instead of the page."`
}

func (c *soakListCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, soaks, err := openSoaks(ctx, c.Log)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	type item struct {
		Title string     `json:"title"`
		Of    *string    `json:"contact"` // null: all
		Begin time.Time  `json:"begin"`
		End   *time.Time `json:"end"` // null while it goes on
	}
	items := []item{}
	rows := [][]cell{cells("title", "contact", "begun", "ended")}
	for _, s := range soaks {
		x := item{Title: s.Title, Begin: s.Begin.Wall.UTC()}
		ended := "goes on"
		if s.Contact != "" {
			x.Of = &s.Contact
		}
		if s.End != nil {
			end := s.End.Wall.UTC()
			x.End, ended = &end, wallText(end)
		}
		items = append(items, x)
		rows = append(rows, cells(printable(s.Title), soakOf(s), wallText(x.Begin), ended))
	}
	if c.JSON {
		return StatusOK, encodeJSON(sh.stdout, struct {
			Format string `json:"format"`
			Soaks  []item `json:"soaks"`
		}{"makebreak.soaks/1", items})
	}
	if len(items) == 0 {
		fmt.Fprintln(sh.stdout, "No soak test is in the log.")
		return StatusOK, nil
	}
	p := page{colour: sh.colour()}
	p.grid("llll", rows)
	_, err = p.WriteTo(sh.stdout)
	return StatusOK, err
}

func soakOf(s store.Soak) string {
	return cmp.Or(s.Contact, "all contacts")
}

// openSoaks opens a log for its soak tests.
func openSoaks(ctx context.Context, path string) (*store.Log, []store.Soak, error) {
	log, err := openLog(ctx, path)
	if err != nil {
		return nil, nil, err
	}
	soaks, err := log.Soaks(ctx)
	if err != nil {
		return nil, nil, errors.Join(err, log.Close())
	}
	return log, soaks, nil
}

// whichSoak chooses a soak test to show.
type whichSoak struct {
	Title string `arg:"" optional:"" help:"Its title; without, the one that goes on, else the latest."`
	Log   string `placeholder:"FILE" help:"Log that makebreak watch writes; it may go on writing."`
	JSON  bool   `name:"json" help:"Write one JSON object instead of the page."`
}

type soakStatusCmd struct{ whichSoak }
type soakFinishCmd struct{ whichSoak }

func (*soakStatusCmd) epilogue() string { return strings.TrimPrefix(soakEpilogue, "\n") }
func (*soakFinishCmd) epilogue() string { return strings.TrimPrefix(soakEpilogue, "\n") }

func (c *soakStatusCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, soaks, err := openSoaks(ctx, c.Log)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s, err := stretch.FindSoak(soaks, c.Title)
	if err != nil {
		return 0, err
	}
	return c.show(ctx, sh, log, s)
}

func (c *soakFinishCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, err := openLog(ctx, c.Log)
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
	d, err := stretch.ResultOf(ctx, log, s, feeder(sh, nil))
	if err != nil {
		return 0, err
	}
	status := exitStatus(d.Status())
	if c.JSON {
		return status, encodeJSON(sh.stdout, d)
	}
	p := page{colour: sh.colour()}
	writeSoak(&p, d)
	_, err = p.WriteTo(sh.stdout)
	return status, err
}

// writeSoak writes the page of a soak test.
func writeSoak(p *page, d *stretch.Soak) {
	of := "all contacts"
	if d.Of != nil {
		of = *d.Of
	}
	p.para("", "Soak test \""+printable(d.Title)+"\" of "+of)
	if d.End != nil && d.LengthS != nil {
		p.para("", "From "+wallText(d.Begin)+" to "+wallText(*d.End)+", "+figure.Time(*d.LengthS)+".")
	} else {
		p.paint(yellow, "GOES ON ")
		p.flow(len("GOES ON "), 0, "since "+wallText(d.Begin)+"; what follows is so far.")
	}
	if d.CutShort != nil {
		p.paint(yellow, "CUT SHORT: ")
		p.flow(len("CUT SHORT: "), 0, *d.CutShort+".")
	}
	if d.Idle != nil {
		p.paint(yellow, "NOT WATCHED: ")
		p.flow(len("NOT WATCHED: "), 0, *d.Idle+".")
	}
	if len(d.NotRead) > 0 {
		p.para("", "Not read at all in this time: "+printable(strings.Join(d.NotRead, ", "))+".")
	}
	if d.Note != "" {
		p.para("Note: ", printable(d.Note))
	}
	if len(d.Results) == 0 {
		p.para("\n", "No contact was read.")
	}
	for _, r := range d.Results {
		m := r.Measurement
		v := view{about: about{log: newLogReport(r.Log)}}
		if r.Profile != nil {
			v.profile = &pulse.Profile{ID: r.Profile.ID, Title: r.Profile.Title, Country: r.Profile.Country}
		}
		if d.Of == nil {
			p.head(r.Log.Contact)
		} else {
			p.WriteByte('\n')
		}
		if x := r.Log.Removed; x != nil {
			mark, sgr := "NOT THE WHOLE TIME: ", yellow
			if x.Wrong() {
				mark, sgr = "OUT OF LIMITS WHERE EDGES WERE REMOVED: ", red
			}
			p.paint(sgr, mark)
			p.flow(len(mark), 0, removedText(x)+" What follows is of the time after.")
		}
		writeVerdict(p, m, digest(m), &v)
		p.head("Counts")
		switch {
		case m.Dial != nil:
			p.para("  ", figure.Plural(m.Dial.Pulses, "pulse", "pulses")+"; "+otherBreaks(m.Dial))
		case m.Interrupter != nil:
			p.para("  ", cyclesText(m))
			if len(m.Interrupter.Lobes) > 0 {
				p.para("  ", lobesBy(m.Interrupter))
			}
		}
		p.para("  ", settlingText(m))
		p.head("Stretch of the log")
		p.para("  ", "Times count from its start, "+wallText(r.Log.Since)+".")
		writeLog(p, m, v.log)
	}
	p.WriteByte('\n')
	p.WriteString(caution)
}
