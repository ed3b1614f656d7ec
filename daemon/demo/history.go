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
	// margin is between the last of the history and now, so that the start of the
	// watch is not before it.
	margin = 10 * time.Second
)

// A past is how a contact moved on each day of the history.
type past struct {
	contact string
	// day gives the description of the signal of a day, 0 to Days-1, as sim: has it.
	day func(day int) string
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
		_, err = watch.Import(ctx, &days{day: p.day}, watch.ImportOptions{
			Log: cfg.Store.Path, Site: cfg.Site, Version: version, Contact: contact,
			Began: now.Add(-margin - time.Duration(running) - time.Duration(day)*(Days-1)),
		})
		if err != nil {
			return fmt.Errorf("history of %s: %w", p.contact, err)
		}
	}
	return nil
}

// Annotate adds what the people of the exchange noted, and begins a soak test.
// The log is being watched.
func Annotate(ctx context.Context, path string, now time.Time) error {
	log, err := store.OpenRead(ctx, path)
	if err != nil {
		return err
	}
	defer log.Close()
	lastBefore := now.Add(-margin - time.Duration(day)*(Days-1-oiledAfter))
	for _, n := range []store.Note{
		{Contact: timingCam, State: store.AsFound, Text: "idler dry, its seat shows wear", At: store.Moment{Wall: lastBefore.Add(10 * time.Minute)}},
		{Contact: timingCam, State: store.AsLeft, Text: "oiled the idler", At: store.Moment{Wall: lastBefore.Add(40 * time.Minute)}},
	} {
		if _, err := log.AddNote(ctx, n); err != nil {
			return err
		}
	}
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

// days is the source of a contact that moves for a while each day. Between them
// its state is unknown: the exchange was switched off, and with it the watch.
type days struct {
	day    func(int) string
	n      int // the day now
	signal *hw.Simulated
	seq    uint32
}

// ReadEdges implements hw.Source.
func (d *days) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if d.n >= Days {
		return 0, io.EOF
	}
	if d.signal == nil {
		spec, err := synth.Parse(d.day(d.n))
		if err != nil {
			return 0, err
		}
		if d.signal, err = hw.NewSimulated(spec, hw.SimulatedOptions{Until: running}); err != nil {
			return 0, err
		}
	}
	n, err := d.signal.ReadEdges(ctx, buf)
	switch {
	case err == nil:
		for i := range buf[:n] {
			d.seq++
			buf[i].At += pulse.Stamp(d.n) * day
			buf[i].Seq = d.seq
		}
		return n, nil
	case !errors.Is(err, io.EOF):
		return 0, err
	}
	d.signal = nil
	if d.n++; d.n == Days {
		return 0, io.EOF
	}
	// The source was not read from here to the next day.
	d.seq++
	buf[0] = pulse.Edge{At: pulse.Stamp(d.n-1)*day + running, Seq: d.seq, Level: pulse.Unknown}
	return 1, nil
}

// Close implements hw.Source.
func (d *days) Close() error { return nil }
