// Package archive answers what the pages ask of a log: trends, notes and findings,
// measurements of a stretch, comparisons and soak tests.
package archive

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	"makebreak/daemon/live"
	"makebreak/daemon/report"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/daemon/web"
	"makebreak/pulse"
)

const (
	// workTime is how long a page may work: what takes longer is for the commands.
	workTime = 20 * time.Second
	// waitTime is how long one waits for another that works.
	waitTime = 3 * time.Second
	// keepResult is how long the result of a soak test under way is shown again, at
	// least: it may be of millions of edges, and changes little.
	keepResult = 2 * time.Minute
	// listTime is how long a list of soak tests waits for verdicts that are not known
	// yet, for all of them: a person wonders no longer. A page of its own may take
	// workTime.
	listTime = 4 * time.Second
)

// An Archive answers from one log. It implements web.Archive.
type Archive struct {
	log  *store.Log
	zone *time.Location
	// working has one who measures edges: several would take the processor from what
	// is being watched.
	working chan struct{}
	soaked  chan map[int64]soaked // results of soak tests under way, by id; one holds it
}

type soaked struct {
	at    time.Time
	doc   *report.Document // nil where the time of a list was too short for it
	found *report.Document // its verdicts
}

// New makes the Archive of a log. Times are told by a zone.
func New(log *store.Log, zone *time.Location) *Archive {
	a := &Archive{log: log, zone: zone, working: make(chan struct{}, 1), soaked: make(chan map[int64]soaked, 1)}
	a.soaked <- map[int64]soaked{}
	return a
}

// work lets one at a time measure edges, for a bounded time.
func (a *Archive) work(ctx context.Context, what func(ctx context.Context) error) error {
	wait := time.NewTimer(waitTime)
	defer wait.Stop()
	select {
	case a.working <- struct{}{}:
	case <-wait.C:
		return &web.RequestError{Status: http.StatusServiceUnavailable, Text: "another result is being worked out; try again in a moment"}
	case <-ctx.Done():
		return ctx.Err()
	}
	defer func() { <-a.working }()
	bounded, cancel := context.WithTimeout(ctx, workTime)
	defer cancel()
	err := what(bounded)
	if err != nil && bounded.Err() != nil && ctx.Err() == nil {
		return &web.RequestError{Status: http.StatusServiceUnavailable, Text: "this is more than a page works out in 20 seconds: choose a shorter stretch, or ask the program on its command line"}
	}
	return err
}

// asked makes an error that a person can do something about one that is shown.
func asked(err error) error {
	var outside *stretch.OutsideError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, stretch.ErrEmpty), errors.As(err, &outside), errors.Is(err, errNoEdges):
		return &web.RequestError{Status: http.StatusNotFound, Text: err.Error()}
	}
	return err
}

var errNoEdges = errors.New("there is no edge in that stretch of the log")

// source opens a stretch. A Source closes the log that it reads, so it has one of
// its own.
func (a *Archive) source(ctx context.Context, contact string, s web.Stretch) (*stretch.Source, error) {
	log, err := store.OpenRead(ctx, a.log.Path())
	if err != nil {
		return nil, err
	}
	end := func(at time.Time) stretch.Time {
		return stretch.Time{Set: !at.IsZero(), Text: report.Wall(at.In(a.zone)), Wall: at.UTC()}.In(time.UTC)
	}
	src, err := stretch.Open(ctx, log, &stretch.Request{Since: end(s.From), Until: end(s.To), Zone: a.zone}, contact)
	if err != nil {
		return nil, errors.Join(err, log.Close())
	}
	return src, nil
}

// Measure implements web.Archive.
func (a *Archive) Measure(ctx context.Context, contact string, s web.Stretch) (doc web.Document, err error) {
	err = a.work(ctx, func(ctx context.Context) error {
		src, err := a.source(ctx, contact, s)
		if err != nil {
			return err
		}
		defer src.Close()
		cfg, err := src.Configure(ctx, &stretch.Wishes{})
		if err != nil {
			return err
		}
		m, edges, err := src.Measure(ctx, cfg, nil)
		switch {
		case err != nil:
			return err
		case edges == 0:
			return errNoEdges
		}
		m.Source = contact
		r, err := src.Report(ctx, m)
		if err != nil {
			return err
		}
		doc = report.OfMeasurement(m, &report.About{Limits: cfg.Limits, Log: r, Zone: a.zone})
		return nil
	})
	return doc, asked(err)
}

// compared measures one of two stretches.
func (a *Archive) compared(ctx context.Context, contact string, s web.Stretch) (*report.Compared, error) {
	src, err := a.source(ctx, contact, s)
	if err != nil {
		return nil, err
	}
	defer src.Close()
	x := &report.Compared{Log: src}
	if x.Config, err = src.Configure(ctx, &stretch.Wishes{}); err != nil {
		return nil, err
	}
	x.Series = pulse.NewComparand(&x.Config)
	x.Config.Observer = pulse.Tee(x.Config.Observer, x.Series.Observer())
	m, edges, err := src.Measure(ctx, x.Config, nil)
	switch {
	case err != nil:
		return nil, err
	case edges == 0:
		return nil, errNoEdges
	}
	m.Source = contact
	x.M, x.Setup = m, *x.Config.Setup
	x.Report, err = src.Report(ctx, m)
	return x, err
}

// Compare implements web.Archive.
func (a *Archive) Compare(ctx context.Context, contact string, before, after web.Stretch) (doc web.Document, err error) {
	err = a.work(ctx, func(ctx context.Context) error {
		b, err := a.compared(ctx, contact, before)
		if err != nil {
			return err
		}
		f, err := a.compared(ctx, contact, after)
		if err != nil {
			return err
		}
		r, err := report.Compare(b, f, false, nil)
		if err != nil {
			return &web.RequestError{Status: http.StatusNotFound, Text: err.Error()}
		}
		doc = report.OfComparison(r, a.zone)
		return nil
	})
	return doc, asked(err)
}

// Soaks implements web.Archive. The latest comes first.
func (a *Archive) Soaks(ctx context.Context) (all []web.SoakTest, err error) {
	soaks, err := a.log.Soaks(ctx)
	bounded, cancel := context.WithTimeout(ctx, listTime)
	defer cancel()
	for _, s := range slices.Backward(soaks) {
		x := web.SoakTest{Title: s.Title, Of: s.Contact, Note: s.Note, Begin: s.Begin.Wall.In(a.zone)}
		if x.Of == "" {
			x.Of = "all contacts"
		}
		if s.End != nil {
			end := s.End.Wall.In(a.zone)
			x.End = &end
		}
		limit := bounded
		if s.End != nil && s.Result != nil {
			limit = ctx
		}
		r, err := a.resultOf(limit, s)
		switch {
		case err == nil && r.found != nil:
			x.Found = r.found
		case ctx.Err() != nil:
			return nil, ctx.Err()
		case err != nil: // too much for a list, or another works: it is not begun again and again
			kept := <-a.soaked
			kept[s.ID] = soaked{at: time.Now()}
			a.soaked <- kept
		}
		all = append(all, x)
	}
	return all, err
}

// Soak implements web.Archive.
func (a *Archive) Soak(ctx context.Context, title string) (doc web.Document, err error) {
	soaks, err := a.log.Soaks(ctx)
	if err != nil {
		return nil, err
	}
	i := slices.IndexFunc(soaks, func(s store.Soak) bool { return s.Title == title })
	if i < 0 {
		return nil, &web.RequestError{Status: http.StatusNotFound, Text: "no soak test has that title"}
	}
	r, err := a.resultOf(ctx, soaks[i])
	if err == nil && r.doc == nil {
		r, err = a.workOut(ctx, soaks[i])
	}
	if err != nil {
		return nil, asked(err)
	}
	return r.doc, nil
}

// resultOf gives the result of a soak test, the one that was worked out a moment ago
// where there is one.
func (a *Archive) resultOf(ctx context.Context, s store.Soak) (soaked, error) {
	kept := <-a.soaked
	was, ok := kept[s.ID]
	a.soaked <- kept
	if ok && time.Since(was.at) < keepResult {
		return was, nil
	}
	return a.workOut(ctx, s)
}

// workOut works out the result of a soak test and keeps it for a while.
func (a *Archive) workOut(ctx context.Context, s store.Soak) (x soaked, err error) {
	work := a.work
	if s.End != nil && s.Result != nil { // it is only read
		work = func(ctx context.Context, what func(ctx context.Context) error) error { return what(ctx) }
	}
	err = work(ctx, func(ctx context.Context) error {
		r, err := stretch.ResultOf(ctx, a.log, s, nil)
		if err != nil {
			return err
		}
		x = soaked{time.Now(), report.OfSoak(r, a.zone), report.OfSoakVerdicts(r)}
		kept := <-a.soaked
		for id, x := range kept {
			if time.Since(x.at) >= keepResult {
				delete(kept, id)
			}
		}
		kept[s.ID] = x
		a.soaked <- kept
		return nil
	})
	return x, err
}

// mostEntries are as many as one reads through.
const mostEntries = 60

// span is a stretch in run time.
func (a *Archive) span(ctx context.Context, contact string, s web.Stretch) (span store.Span, tl *store.Timeline, err error) {
	if tl, err = a.log.TimelineOf(ctx, 0, contact); err != nil {
		return span, nil, err
	}
	span = store.Span{Run: tl.ID}
	if !s.From.IsZero() {
		span.From = max(tl.Since(s.From), 1)
	}
	if !s.To.IsZero() {
		span.To = max(tl.Until(s.To), 1)
	}
	return span, tl, nil
}

// Entries implements web.Archive.
func (a *Archive) Entries(ctx context.Context, contact string, s web.Stretch) (all []web.Entry, more bool, err error) {
	span, _, err := a.span(ctx, contact, s)
	if err != nil {
		return nil, false, err
	}
	entries, err := stretch.EntriesOf(ctx, a.log, span, contact, true)
	if err != nil {
		return nil, false, err
	}
	for _, e := range slices.Backward(entries.Notes) {
		if e.Contact == nil && e.Kind != string(store.AsFound) && e.Kind != string(store.AsLeft) && e.Kind != "note" && e.Kind != string(store.Restart) {
			continue // of the log
		}
		if len(all) == mostEntries {
			return all, true, nil
		}
		all = append(all, a.entry(&e))
	}
	return all, false, nil
}

// Notes implements web.Archive.
func (a *Archive) Notes(ctx context.Context, contact string, most int) (all []web.Entry, err error) {
	span, _, err := a.span(ctx, contact, web.Stretch{})
	if err != nil {
		return nil, err
	}
	entries, err := stretch.EntriesOf(ctx, a.log, span, contact, false)
	for _, e := range slices.Backward(entries.Notes) {
		if x := a.entry(&e); x.Note && len(all) < most {
			all = append(all, x)
		}
	}
	return all, err
}

func (a *Archive) entry(e *stretch.Entry) web.Entry {
	return web.Entry{At: e.At.In(a.zone), Kind: e.Kind, Text: e.Text, Note: e.Kind == "note" || e.Kind == string(store.AsFound) || e.Kind == string(store.AsLeft)}
}

// AddNote implements web.Archive.
func (a *Archive) AddNote(ctx context.Context, n web.Note) error {
	note := store.Note{Contact: n.Contact, Text: n.Text, At: store.Moment{Wall: n.At}}
	switch n.State {
	case web.AsFound:
		note.State = store.AsFound
	case web.AsLeft:
		note.State = store.AsLeft
	case web.LobeOne:
		at := n.At
		if at.IsZero() {
			at = time.Now()
		}
		m, err := stretch.LobeAt(ctx, a.log, n.Contact, at)
		if err != nil {
			return &web.RequestError{Status: http.StatusConflict, Text: "the note is not stored: " + strings.TrimSuffix(err.Error(), ".")}
		}
		note.At = store.Moment{Wall: at}
		_, err = a.log.NoteLobeOne(ctx, note, m)
		return err
	}
	if _, err := a.log.AddNote(ctx, note); err != nil {
		return fmt.Errorf("add a note: %w", err)
	}
	return nil
}

var _ web.Archive = (*Archive)(nil)

// limitsOf are those of a quantity by which a contact is watched.
func limitsOf(f *live.Figures, q pulse.Quantity) (low, high pulse.Num) {
	if f.Limits == nil {
		return low, high
	}
	for _, l := range f.Limits.Limits {
		if l.Quantity != q {
			continue
		}
		if l.Min != nil {
			low = pulse.Known(*l.Min)
		}
		if l.Max != nil {
			high = pulse.Known(*l.Max)
		}
	}
	return low, high
}
