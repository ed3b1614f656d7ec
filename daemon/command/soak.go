package command

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
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
	limits, err := limitsOf(c.Limits)
	if err != nil {
		return 0, err
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
	if err := limits.suit(ctx, log, c.Contact); err != nil {
		return 0, err
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
	idle, err := idleSince(ctx, log)
	if err != nil {
		return 0, err
	}
	s := store.Soak{Title: title, Contact: c.Contact, Profile: limits.text(), Note: c.Note}
	if _, err := log.BeginSoak(ctx, s); err != nil {
		return 0, err
	}
	fmt.Fprintf(sh.stdout, "Soak test %q of %s has begun.\n", printable(title), soakOf(s))
	if idle != "" {
		fmt.Fprintf(sh.stdout, "But %s: makebreak watch must run for it to measure.\n", idle)
	}
	return StatusOK, nil
}

// idleSince says since when nobody writes the log, if nobody does: what is
// being watched is written every ten seconds at least.
func idleSince(ctx context.Context, log *store.Log) (string, error) {
	tl, err := log.Timeline(ctx, 0)
	if err != nil {
		return "", err
	}
	s := tl.Sessions[len(tl.Sessions)-1]
	if !s.Ended && time.Since(s.Alive.Wall) < 20*time.Second {
		return "", nil
	}
	return "nothing is being watched now, the log was last written " + wallText(s.Alive.Wall), nil
}

// soakLimits are the limits of a soak test as the log keeps them: whole, for a
// file of them may change or vanish. The zero value is none.
type soakLimits struct {
	Asked   string         `json:"asked"`
	Profile *pulse.Profile `json:"profile"`
}

func limitsOf(asked string) (l soakLimits, err error) {
	if asked == "" {
		return l, nil
	}
	l.Asked = asked
	l.Profile, err = config.Profile(asked)
	return l, err
}

func (l soakLimits) text() string {
	if l.Profile == nil {
		return ""
	}
	b, err := json.Marshal(l)
	if err != nil {
		panic(err) // of plain numbers and text
	}
	return string(b)
}

// keptLimits reads what text wrote, or the id of limits.
func keptLimits(s store.Soak) (l soakLimits, err error) {
	if !strings.HasPrefix(s.Profile, "{") {
		return limitsOf(s.Profile)
	}
	if err := json.Unmarshal([]byte(s.Profile), &l); err != nil {
		return l, fmt.Errorf("limits of soak test %q in the log: %w", s.Title, err)
	}
	return l, nil
}

// suit tells limits that are for no contact of the test.
func (l soakLimits) suit(ctx context.Context, log *store.Log, contact string) error {
	if l.Profile == nil {
		return nil
	}
	names := []string{contact}
	if contact == "" {
		var err error
		if names, err = log.Contacts(ctx); err != nil {
			return err
		}
	}
	for _, name := range names {
		all, err := log.Configurations(ctx, name)
		if err != nil {
			return err
		}
		if len(all) == 0 || all[len(all)-1].Kind == l.Profile.Kind {
			return nil
		}
	}
	if contact == "" {
		return fmt.Errorf("limits %s are for a contact of kind %s, and none in the log is", l.Asked, l.Profile.Kind)
	}
	return fmt.Errorf("limits %s are for a contact of kind %s, and %s is watched as another kind", l.Asked, l.Profile.Kind, contact)
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
	s, err := findSoak(soaks, c.Title)
	if err != nil {
		return 0, err
	}
	return c.show(ctx, sh, log, s)
}

func (c *soakFinishCmd) run(ctx context.Context, sh *shell) (int, error) {
	log, soaks, err := openSoaks(ctx, c.Log)
	if err != nil {
		return 0, err
	}
	defer log.Close()
	s, err := findSoak(soaks, c.Title)
	switch {
	case err != nil:
		return 0, err
	case s.End != nil && c.Title == "":
		return 0, errors.New("no soak test goes on in the log")
	case s.End != nil:
		return 0, fmt.Errorf("soak test %q was finished %s already: makebreak soak status shows it", s.Title, wallText(s.End.Wall))
	}
	if _, err := keptLimits(s); err != nil { // before it ends, for then it is measured
		return 0, err
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
	var titles, goOn []string
	for _, s := range soaks {
		titles = append(titles, fmt.Sprintf("%q", s.Title))
		switch {
		case title != "" && s.Title == title:
			return s, nil
		case title != "":
		case s.End == nil:
			going++
			goOn = append(goOn, titles[len(titles)-1])
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
		return found, fmt.Errorf("%d soak tests go on: expected the title of one: %s", going, strings.Join(goOn, ", "))
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

// soakSpan is the stretch of a soak test, with the clock of its run. It is cut
// where the site was renamed, for another run begins there.
func soakSpan(ctx context.Context, log *store.Log, s store.Soak) (_ store.Span, _ *store.Timeline, cut bool, _ error) {
	runs, err := log.Runs(ctx)
	if err != nil {
		return store.Span{}, nil, false, err
	}
	for i, r := range runs {
		tl, err := log.Timeline(ctx, r.ID)
		if err != nil {
			return store.Span{}, nil, false, err
		}
		for _, x := range tl.Sessions {
			if x.ID != s.Begin.Session {
				continue
			}
			span := store.Span{Run: r.ID, From: s.Begin.Run, To: tl.End() + 1}
			switch last := tl.Sessions[len(tl.Sessions)-1].ID; {
			case s.End == nil:
				cut = i+1 < len(runs)
			case s.End.Session > last:
				cut = true
			default:
				span.To = s.End.Run
			}
			span.To = max(span.To, span.From+1)
			return span, tl, cut, nil
		}
	}
	return store.Span{}, nil, false, fmt.Errorf("read log %q: the start of soak test %q is not in it", log.Path(), s.Title)
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
	// CutShort says why the time is not the whole of it; null when it is.
	CutShort *string `json:"cut_short"`
	// Idle says that nobody is watching now; null when somebody is.
	Idle *string `json:"idle"`
	// NotRead are contacts whose source was not read at all.
	NotRead []string `json:"not_read"`
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
	for i := range d.Results {
		d.Results[i].judge()
	}
	status := d.status()
	if c.JSON {
		return status, encodeJSON(sh.stdout, d)
	}
	p := page{colour: sh.colour()}
	writeSoak(&p, &d)
	_, err := p.WriteTo(sh.stdout)
	return status, err
}

// status is that of the worst contact, by its statement. What was not measured
// for the whole time does not pass.
func (d *soakDocument) status() int {
	status := StatusOK
	if len(d.Results) == 0 || d.CutShort != nil {
		status = StatusNotMeasured
	}
	for _, r := range d.Results { // fail outweighs what was not measured
		one := statusOf(r.Measurement, false)
		if one == StatusOK && r.Log.Removed != nil {
			one = StatusNotMeasured
		}
		if status == StatusOK || one == StatusOutOfLimits {
			status = one
		}
	}
	return status
}

// judge makes the statement hold of the whole time: also of the edges that were
// removed, and in a result that was kept before a statement named its causes.
func (r *soakResult) judge() {
	c := r.Measurement.Conformity
	if c == nil {
		return
	}
	if c.Because == nil {
		c.Because = []string{}
		c.AtBest(pulse.Fail, r.Measurement.Faults().Because()...)
	}
	if x := r.Log.Removed; x != nil {
		c.AtBest(pulse.NotMeasured, "edges were removed to make room")
		if x.wrong() {
			c.AtBest(pulse.Fail, "the summaries of the removed edges tell of faults")
		}
	}
}

func measureSoak(ctx context.Context, sh *shell, log *store.Log, s store.Soak) (soakDocument, error) {
	d := soakDocument{Format: "makebreak.soak/1", Title: s.Title, Note: s.Note, Begin: s.Begin.Wall.UTC(), Results: []soakResult{}, NotRead: []string{}}
	limits, err := keptLimits(s)
	if err != nil {
		return d, err
	}
	if limits.Profile != nil {
		d.Limits = &limits.Asked
	}
	span, tl, cut, err := soakSpan(ctx, log, s)
	if err != nil {
		return d, err
	}
	d.Begin = tl.At(span.From).Wall.UTC() // a clock that was set later is right there
	if cut {
		why := "the site was renamed, and what came then is another run of the log"
		d.CutShort = &why
	}
	if s.End != nil || cut {
		end := tl.At(min(span.To, tl.End())).Wall.UTC()
		d.End, d.LengthS = &end, given(float64(min(span.To, tl.End())-span.From)/1e9)
	} else if idle, err := idleSince(ctx, log); err != nil {
		return d, err
	} else if idle != "" {
		d.Idle = &idle
	}
	contacts := []string{s.Contact}
	if s.Contact != "" {
		d.Of = &s.Contact
	} else if contacts, err = log.Contacts(ctx); err != nil {
		return d, err
	}
	for _, name := range contacts {
		r, err := soakContact(ctx, sh, log, span, limits, s.Contact != "", name)
		if err != nil {
			return d, fmt.Errorf("soak test %q: %w", s.Title, err)
		}
		if r.Measurement.Capture.Edges > 0 || r.Log.UpS > 0 || r.Log.Removed != nil || s.Contact != "" {
			d.Results = append(d.Results, r)
		} else {
			d.NotRead = append(d.NotRead, name)
		}
	}
	return d, nil
}

func soakContact(ctx context.Context, sh *shell, log *store.Log, span store.Span, limits soakLimits, alone bool, name string) (r soakResult, err error) {
	src, err := replayed(ctx, log, span, true, name)
	if err != nil {
		return r, err
	}
	defer src.Close()
	flags := measureCmd{Kind: "auto", Closed: "auto", Timing: "auto", Coding: "auto"}
	var cfg pulse.Config
	if p := limits.Profile; p != nil && (alone || p.Kind == src.settings.Kind) { // of all, it holds those that it is for
		flags.Limits, cfg.Limits = limits.Asked, p
	}
	if err := src.configure(ctx, &flags, &cfg); err != nil {
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
	if r.Log, err = src.report(ctx, m); err == nil {
		r.judge()
	}
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
		v := view{about: about{log: r.Log}}
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
			if x.wrong() {
				mark, sgr = "OUT OF LIMITS WHERE EDGES WERE REMOVED: ", red
			}
			p.paint(sgr, mark)
			p.flow(len(mark), 0, x.text()+" What follows is of the time after.")
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
		writeLog(p, m, r.Log)
	}
	p.WriteByte('\n')
	p.WriteString(caution)
}
