// Package demo makes the past month of an invented exchange, so that what takes
// weeks to show can be seen at once.
package demo

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

const (
	// Days is how long ago the history begins. A trend looks back 31 days.
	Days = 30
	// running is for how long the exchange runs each day: enough for ten windows of
	// a trend, little enough to be imported while the page loads.
	running = 10 * pulse.Stamp(time.Minute)
	day     = pulse.Stamp(24 * time.Hour)
	// work is for how long the exchange stands on the day that the idler is oiled, after
	// which it runs once more.
	work = 20 * pulse.Stamp(time.Minute)
	// margin is between the last of the history and now, so that the start of the
	// watch is not before it.
	margin = 10 * time.Second
)

// A past is how a contact moved each time that the exchange ran.
type past struct {
	contact string
	// signal gives the description of what it did then, as sim: has it.
	signal func(run) string
}

// A run is a time in which the exchange ran.
type run struct {
	day   int // 0 to Days-1
	oiled bool
	at    pulse.Stamp // its start, from the start of the first
}

// runs are one a day, and one more on the day that the idler was oiled.
func runs() (all []run) {
	for d := range Days {
		at := pulse.Stamp(d) * day
		all = append(all, run{d, d > oiledAfter, at})
		if d == oiledAfter {
			all = append(all, run{d, true, at + running + work})
		}
	}
	return all
}

// Import writes what the contacts did on each day into the log that the
// configuration names, and that is new: ten minutes of each contact a day, the
// last ones just before now.
func Import(ctx context.Context, cfg *config.Watch, version string, now time.Time) error {
	for _, p := range quay() {
		contact, err := contactOf(cfg, p.contact)
		if err != nil {
			return err
		}
		contact.Source = config.Source{Kind: config.SourceRecording, Text: "invented history"}
		_, err = watch.Import(ctx, &history{signal: p.signal, runs: runs()}, watch.ImportOptions{
			Log: cfg.Store.Path, Site: cfg.Site, Version: version, Contact: contact,
			Began: now.Add(-margin - time.Duration(running) - time.Duration(day)*(Days-1)),
		})
		if err != nil {
			return fmt.Errorf("history of %s: %w", p.contact, err)
		}
	}
	return annotate(ctx, cfg.Store.Path, now)
}

// annotate adds what the people of the exchange noted.
func annotate(ctx context.Context, path string, now time.Time) error {
	log, err := store.OpenRead(ctx, path)
	if err != nil {
		return err
	}
	defer log.Close()
	lastBefore := now.Add(-margin - time.Duration(day)*(Days-1-oiledAfter))
	for _, n := range []store.Note{
		{Contact: timingCam, State: store.AsFound, Text: "idler dry, its seat shows wear", At: store.Moment{Wall: lastBefore.Add(time.Duration(work / 4))}},
		{Contact: timingCam, State: store.AsLeft, Text: "oiled the idler", At: store.Moment{Wall: lastBefore.Add(time.Duration(work / 2))}},
	} {
		if _, err := log.AddNote(ctx, n); err != nil {
			return err
		}
	}
	return nil
}

// BeginSoak begins a soak test on the log, which is being watched.
func BeginSoak(ctx context.Context, path string) error {
	log, err := store.OpenRead(ctx, path)
	if err != nil {
		return err
	}
	defer log.Close()
	_, err = log.BeginSoak(ctx, store.Soak{Title: "generator A, a long weekend", Contact: generatorA, Note: "before it tests anything else"})
	return err
}

func contactOf(cfg *config.Watch, name string) (config.Contact, error) {
	for _, c := range cfg.Contacts {
		if c.Name == name {
			return c, nil
		}
	}
	return config.Contact{}, fmt.Errorf("history of %s: the configuration has no such contact", name)
}

// history is the source of a contact that moves now and then. Between the runs its
// state is unknown: the exchange was switched off, and with it the watch.
type history struct {
	signal func(run) string
	runs   []run // those to come, and the one now
	now    *hw.Simulated
	seq    uint32
}

// ReadEdges implements hw.Source.
func (h *history) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if len(h.runs) == 0 {
		return 0, io.EOF
	}
	began := h.runs[0].at
	if h.now == nil {
		spec, err := synth.Parse(h.signal(h.runs[0]))
		if err != nil {
			return 0, err
		}
		if h.now, err = hw.NewSimulated(spec, hw.SimulatedOptions{Until: running}); err != nil {
			return 0, err
		}
	}
	n, err := h.now.ReadEdges(ctx, buf)
	switch {
	case err == nil:
		for i := range buf[:n] {
			h.seq++
			buf[i].At += began
			buf[i].Seq = h.seq
		}
		return n, nil
	case !errors.Is(err, io.EOF):
		return 0, err
	}
	h.now = nil
	if h.runs = h.runs[1:]; len(h.runs) == 0 {
		return 0, io.EOF
	}
	// The source was not read from here to the next run.
	h.seq++
	buf[0] = pulse.Edge{At: began + running, Seq: h.seq, Level: pulse.Unknown}
	return 1, nil
}

// Close implements hw.Source.
func (h *history) Close() error { return nil }
