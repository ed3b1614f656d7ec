package command

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

type soakCmd struct {
	Start  soakStartCmd  `cmd:"" help:"Begin a soak test now."`
	Status soakStatusCmd `cmd:"" help:"Show the result of a soak test, so far or in the end."`
	Finish soakFinishCmd `cmd:"" help:"End a soak test now; its result is kept in the log."`
}

const soakEpilogue = `
A soak test is a stretch of the log that makebreak watch writes. It goes on
through restarts and power cuts until it is finished. For a chart or the
pulses one by one: makebreak measure run:CONTACT --soak TITLE.

Exit status of status and finish: 0 within limits, or no limits; 1 out of
limits or too near to tell; 2 the command or its input is wrong; 3 not
measured.
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
	if c.Limits != "" {
		if _, err := config.Profile(c.Limits); err != nil {
			return 0, err
		}
		if strings.ContainsAny(c.Limits, "/.") { // a file, that may be read again from another folder
			var err error
			if c.Limits, err = filepath.Abs(c.Limits); err != nil {
				return 0, err
			}
		}
	}
	log, err := openLog(ctx, c.Log)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	if c.Contact != "" {
		if err := knownContact(ctx, log, c.Contact); err != nil {
			return 0, err
		}
	}
	soaks, err := log.Soaks(ctx)
	if err != nil {
		return 0, err
	}
	for _, s := range soaks {
		switch {
		case s.Title == title:
			return 0, fmt.Errorf("soak test %q was begun %s: expected another title", title, wallText(s.Begin.Wall))
		case s.End == nil && (s.Contact == c.Contact || s.Contact == "" || c.Contact == ""):
			return 0, fmt.Errorf("soak test %q of %s already goes on, since %s: finish it first", s.Title, soakOf(s), wallText(s.Begin.Wall))
		}
	}
	s := store.Soak{Title: title, Contact: c.Contact, Profile: c.Limits, Note: c.Note}
	if _, err := log.BeginSoak(ctx, s); err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "Soak test %q of %s has begun.\n", printable(title), soakOf(s))
	return StatusOK, nil
}

func soakOf(s store.Soak) string {
	return cmp.Or(s.Contact, "all contacts")
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
	log, err := openLog(ctx, c.Log)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	soaks, err := log.Soaks(ctx)
	if err != nil {
		return 0, err
	}
	s, err := findSoak(soaks, c.Title)
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
	soaks, err := log.Soaks(ctx)
	if err != nil {
		return 0, err
	}
	s, err := findSoak(soaks, c.Title)
	switch {
	case err != nil:
		return 0, err
	case s.End != nil && c.Title == "":
		return 0, errors.New("no soak test goes on in the log")
	case s.End != nil:
		return 0, fmt.Errorf("soak test %q was finished %s already: makebreak soak status shows it", s.Title, wallText(s.End.Wall))
	}
	if s.Profile != "" { // before it ends, for then it is measured
		if _, err := config.Profile(s.Profile); err != nil {
			return 0, fmt.Errorf("limits of soak test %q, which goes on: %w", s.Title, err)
		}
	}
	end, err := log.EndSoak(ctx, s.ID)
	if err != nil {
		return 0, err
	}
	s.End = &end
	if err := awaitCommit(ctx, log, end); err != nil {
		return 0, err
	}
	return c.show(ctx, sh, log, s)
}

// findSoak finds a soak test by its title; without one, the one that goes on,
// else the latest.
func findSoak(soaks []store.Soak, title string) (found store.Soak, err error) {
	going := 0
	var titles []string
	for _, s := range soaks {
		titles = append(titles, fmt.Sprintf("%q", s.Title))
		switch {
		case title != "" && s.Title == title:
			return s, nil
		case title != "":
		case s.End == nil:
			going++
			found = s
		case going == 0:
			found = s
		}
	}
	switch {
	case len(soaks) == 0:
		return found, errors.New("no soak test is in the log: makebreak soak start begins one")
	case title != "":
		return found, fmt.Errorf("soak test %q is not in the log: expected one of %s", title, strings.Join(titles, ", "))
	case going > 1:
		return found, fmt.Errorf("%d soak tests go on: expected the title of one", going)
	}
	return found, nil
}

// awaitCommit waits until a log that is being written has all up to a moment:
// it may commit up to ten seconds late where nothing moves.
func awaitCommit(ctx context.Context, log *store.Log, m store.Moment) error {
	const patience, look = 12 * time.Second, 100 * time.Millisecond
	for end := time.Now().Add(patience); ; {
		tl, err := log.Timeline(ctx, 0)
		if err != nil {
			return err
		}
		s := tl.Sessions[len(tl.Sessions)-1]
		if s.Ended || s.ID != m.Session || s.Alive.Mono >= m.Mono || m.Mono-s.Alive.Mono > pulse.Stamp(patience) || time.Now().After(end) {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(look):
		}
	}
}

// soakSpan is the stretch of a soak test.
func soakSpan(ctx context.Context, log *store.Log, s store.Soak) (store.Span, error) {
	runs, err := log.Runs(ctx)
	if err != nil {
		return store.Span{}, err
	}
	for _, r := range runs {
		tl, err := log.Timeline(ctx, r.ID)
		if err != nil {
			return store.Span{}, err
		}
		for _, x := range tl.Sessions {
			if x.ID != s.Begin.Session {
				continue
			}
			span := store.Span{Run: r.ID, From: s.Begin.Run, To: tl.End() + 1}
			if s.End != nil {
				span.To = s.End.Run
			}
			if span.To = max(span.To, span.From+1); s.End != nil && s.End.Session > tl.Sessions[len(tl.Sessions)-1].ID {
				span.To = tl.End() + 1 // the site was renamed within it: another run
			}
			return span, nil
		}
	}
	return store.Span{}, fmt.Errorf("read log %q: the start of soak test %q is not in it", log.Path(), s.Title)
}

// A soakDocument is a soak test and its result, as the log keeps the result.
type soakDocument struct {
	Format string     `json:"format"`
	Title  string     `json:"title"`
	Of     *string    `json:"contact"` // null: all
	Limits *string    `json:"limits"`  // as asked; null: those that the contacts are watched by
	Note   string     `json:"note"`
	Begin  time.Time  `json:"begin"`
	End    *time.Time `json:"end"` // null while it goes on
	// LengthS is not changed by steps of the wall clock; null while it goes on.
	LengthS *float64 `json:"length_s"`
	// Results are by contact.
	Results []soakResult `json:"results"`
}

type soakResult struct {
	Log         *logReport         `json:"log"`
	Profile     *profileName       `json:"profile"`
	Measurement *pulse.Measurement `json:"measurement"` // without the trains
}

// A profileName is what a page tells of limits.
type profileName struct {
	ID      string `json:"id"`
	Title   string `json:"title"`
	Country string `json:"country"`
}

// show shows the result of a soak test, and keeps that of a finished one.
func (c *whichSoak) show(ctx context.Context, sh *shell, log *store.Log, s store.Soak) (int, error) {
	var d soakDocument
	if s.End != nil && s.Result != nil {
		if err := json.Unmarshal(s.Result, &d); err != nil {
			return 0, fmt.Errorf("result of soak test %q in the log: %w", s.Title, err)
		}
	} else {
		var err error
		if d, err = measureSoak(ctx, sh, log, s); err != nil {
			return 0, err
		}
		if s.End != nil {
			b, err := json.Marshal(d)
			if err != nil {
				return 0, err
			}
			if err := log.SetSoakResult(ctx, s.ID, b); err != nil {
				return 0, err
			}
		}
	}
	status := StatusOK
	if len(d.Results) == 0 {
		status = StatusNotMeasured
	}
	for _, r := range d.Results { // fail outweighs what was not measured
		if one := statusOf(r.Measurement, false); status == StatusOK || one == StatusOutOfLimits {
			status = one
		}
	}
	if c.JSON {
		return status, encodeJSON(sh.stdout, d)
	}
	p := page{colour: sh.colour()}
	writeSoak(&p, &d)
	_, err := p.WriteTo(sh.stdout)
	return status, err
}

func measureSoak(ctx context.Context, sh *shell, log *store.Log, s store.Soak) (soakDocument, error) {
	d := soakDocument{Format: "makebreak.soak/1", Title: s.Title, Note: s.Note, Begin: s.Begin.Wall.UTC(), Results: []soakResult{}}
	if s.Profile != "" {
		d.Limits = &s.Profile
	}
	if s.End != nil {
		end := s.End.Wall.UTC()
		d.End, d.LengthS = &end, given(float64(s.End.Run-s.Begin.Run)/1e9)
	}
	span, err := soakSpan(ctx, log, s)
	if err != nil {
		return d, err
	}
	contacts := []string{s.Contact}
	if s.Contact != "" {
		d.Of = &s.Contact
	} else if contacts, err = log.Contacts(ctx); err != nil {
		return d, err
	}
	for _, name := range contacts {
		r, err := soakContact(ctx, sh, log, span, s, name)
		if err != nil {
			return d, fmt.Errorf("soak test %q: %w", s.Title, err)
		}
		if r.Measurement.Capture.Edges > 0 || s.Contact != "" { // the others were not watched then
			d.Results = append(d.Results, r)
		}
	}
	return d, nil
}

func soakContact(ctx context.Context, sh *shell, log *store.Log, span store.Span, s store.Soak, name string) (r soakResult, err error) {
	src, err := replayed(ctx, log, span, true, name)
	if err != nil {
		return r, err
	}
	defer src.Close()
	flags := measureCmd{Kind: "auto", Closed: "auto", Timing: "auto", Coding: "auto"}
	var cfg pulse.Config
	if s.Profile != "" {
		p, err := config.Profile(s.Profile)
		if err != nil {
			return r, err
		}
		if s.Contact != "" || p.Kind == src.settings.Kind { // of all, it holds those that it is for
			flags.Limits, cfg.Limits = s.Profile, p
		}
	}
	if err := src.configure(&flags, &cfg); err != nil {
		return r, err
	}
	meter, _, err := feed(ctx, sh, src, &cfg, func([]pulse.Edge) {})
	if err != io.EOF {
		return r, err
	}
	if meter == nil {
		if meter, err = pulse.NewMeter(cfg); err != nil {
			return r, err
		}
	}
	m := meter.Finish(src.end())
	m.Source = "run:" + name
	if m.Dial != nil {
		m.Dial.Trains = pulse.Trains{} // the log would hold them twice
	}
	if cfg.Limits != nil {
		r.Profile = &profileName{cfg.Limits.ID, cfg.Limits.Title, cfg.Limits.Country}
	}
	r.Measurement = m
	r.Log, err = src.report(ctx, m)
	return r, err
}

// writeSoak writes the page of a soak test.
func writeSoak(p *page, d *soakDocument) {
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
	if d.Note != "" {
		p.para("Note: ", printable(d.Note))
	}
	if len(d.Results) == 0 {
		p.para("\n", "No contact had an edge.")
	}
	for _, r := range d.Results {
		m := r.Measurement
		v := view{about: about{log: r.Log}}
		if r.Profile != nil {
			v.profile = &pulse.Profile{ID: r.Profile.ID, Title: r.Profile.Title, Country: r.Profile.Country}
		}
		if d.Of == nil {
			p.head(r.Log.Contact)
		} else {
			p.WriteByte('\n')
		}
		writeVerdict(p, m, digest(m), &v)
		p.head("Counts")
		switch {
		case m.Dial != nil:
			p.para("  ", figure.Plural(m.Dial.Pulses, "pulse", "pulses")+"; "+otherBreaks(m.Dial))
		case m.Interrupter != nil:
			p.para("  ", cyclesText(m))
		}
		p.para("  ", settlingText(m))
		p.head("Stretch of the log")
		p.para("  ", "Times count from its start, "+wallText(r.Log.Since)+".")
		writeLog(p, m, r.Log)
	}
}
