package watch

import (
	"context"
	"sync"
	"time"

	"makebreak/daemon/metrics"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// annotations is the task that reads notes and soak tests for the metrics: other
// processes add them to the log.
type annotations struct {
	*watch
	sums   map[soakOf]*soakSum
	states map[int64]map[string]pulse.Statement // of finished tests, by id

	mu   sync.Mutex
	last *metrics.Annotations // nil until the log was read; not changed once it is here
}

func newAnnotations(w *watch) *annotations {
	return &annotations{watch: w, sums: map[soakOf]*soakSum{}, states: map[int64]map[string]pulse.Statement{}}
}

// A soakOf is one contact of a soak test.
type soakOf struct {
	id      int64
	contact string
}

// A soakSum sums up the summaries of a soak test that were read. Each is read once:
// the log merges old ones, which may then begin before the test.
type soakSum struct {
	next pulse.Stamp // in run time: what begins later was not read yet
	metrics.SoakProgress
}

func (a *annotations) String() string { return "notes and soak tests" }

func (a *annotations) Run(ctx context.Context) error {
	t := time.NewTicker(onesEvery)
	defer t.Stop()
	for {
		if x, err := a.read(ctx); err == nil { // else the log is not open, and says so itself
			a.mu.Lock()
			a.last = x
			a.mu.Unlock()
		}
		select {
		case <-ctx.Done():
			return nil
		case <-t.C:
		}
	}
}

// state is what was read last.
func (a *annotations) state() *metrics.Annotations {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.last
}

func (a *annotations) read(ctx context.Context) (*metrics.Annotations, error) {
	all := a.all()
	if len(all) == 0 {
		return &metrics.Annotations{}, nil
	}
	tl, err := a.store.Timeline(ctx, 0) // a soak test may begin in the import of any contact
	if err != nil {
		return nil, err
	}
	notes, err := a.store.Notes(ctx, store.Span{Run: tl.ID}, "")
	if err != nil {
		return nil, err
	}
	soaks, err := a.store.Soaks(ctx)
	if err != nil {
		return nil, err
	}
	x := &metrics.Annotations{Notes: metrics.Notes{}, Soaks: map[string]metrics.Soak{}}
	for i := range notes {
		n := x.Notes[notes[i].Contact]
		switch notes[i].State {
		case store.AsFound:
			n.AsFound++
		case store.AsLeft:
			n.AsLeft++
		default:
			n.Plain++
		}
		x.Notes[notes[i].Contact] = n
	}
	if before := a.state(); before != nil {
		for contact, was := range before.Notes { // in a log that was begun anew there are none
			n := x.Notes[contact]
			x.Notes[contact] = metrics.NoteCount{Plain: max(n.Plain, was.Plain), AsFound: max(n.AsFound, was.AsFound), AsLeft: max(n.AsLeft, was.AsLeft)}
		}
	}
	here := map[int64]bool{}
	for i := range tl.Sessions {
		here[tl.Sessions[i].ID] = true
	}
	going := map[*contact]bool{}
	start := tl.Sessions[len(tl.Sessions)-1].Start
	now := a.Now() - start.Mono + start.Run
	for i := range soaks {
		s := &soaks[i]
		if s.End != nil {
			for contact, statement := range a.finished(s) {
				soak := x.Soaks[contact]
				soak.Statement = statement
				x.Soaks[contact] = soak
			}
			continue
		}
		if !here[s.Begin.Session] { // the site was renamed since: it is cut short
			continue
		}
		for _, c := range all {
			if s.Contact != "" && s.Contact != c.name {
				continue
			}
			p, err := a.progress(ctx, s, c.name, tl.ID)
			if err != nil {
				return nil, err
			}
			going[c.contact] = true
			p.Elapsed = time.Duration(max(now-s.Begin.Run, 0))
			soak := x.Soaks[c.name]
			soak.Going = &p
			x.Soaks[c.name] = soak
		}
	}
	for _, c := range all {
		c.soaked.Store(going[c.contact])
	}
	return x, nil
}

// finished gives the statements of a finished test by contact. A result that is not
// kept yet is asked for again.
func (a *annotations) finished(s *store.Soak) map[string]pulse.Statement {
	if m, ok := a.states[s.ID]; ok || s.Result == nil || a.SoakStatements == nil {
		return m
	}
	m, err := a.SoakStatements(s)
	if err != nil { // what another program wrote is not understood next time either
		a.Log.Warn("a soak test is left out of the metrics", "error", err)
	}
	a.states[s.ID] = m
	return m
}

// progress sums up what the log has of a contact since a soak test began.
func (a *annotations) progress(ctx context.Context, s *store.Soak, contact string, run int64) (p metrics.SoakProgress, err error) {
	key := soakOf{s.ID, contact}
	sum := a.sums[key]
	if sum == nil {
		sum = &soakSum{next: s.Begin.Run}
		a.sums[key] = sum
	}
	for m, err := range a.store.Summaries(ctx, store.Span{Run: run, From: max(sum.next, 1)}, contact) {
		if err != nil {
			return p, err
		}
		sum.next = m.At.Run + 1
		sum.Read += time.Duration(m.LengthNS)
		sum.Measured += m.Pulses
		sum.OutOfLimit += m.OutOfLimit
		sum.Missing += m.Missing
		sum.Extra += m.Extra
		sum.LostEdges += m.Lost
	}
	return sum.SoakProgress, nil
}
