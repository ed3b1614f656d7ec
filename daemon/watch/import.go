package watch

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// importRest is how long at least the level of a dial is taken to have lasted
	// before the first edge of a recording and after the last: longer than a flash, so
	// that its first and last pulses are what measure takes them for.
	importRest = 3 * pulse.Stamp(time.Second)
	// importLook is how often an import looks at what is due: the log then has
	// findings and summaries as if it had been watched.
	importLook = 10 * pulse.Stamp(time.Second)
	// importCommit and importTime are the most edges and the longest time of the
	// recording in one commit: some 1 MB, and a row a minute.
	importCommit = 300_000
	importTime   = 100 * pulse.Stamp(time.Hour)
	// kindEdges are enough to tell a dial from an interrupter.
	kindEdges = 4096
)

// ErrKind says that a recording does not tell whether it is of a dial or of an
// interrupter.
var ErrKind = errors.New("the recording does not tell whether it is of a dial or of an interrupter")

// ErrFuture says that a recording would end later than now.
var ErrFuture = errors.New("it would end at a time that has not come yet")

// ImportOptions say where a recording goes.
type ImportOptions struct {
	Log string // path; it may be new
	// Site names the site of a log that is new; of another it must be the same,
	// or empty.
	Site    string
	Version string // of the program
	// Contact is how the log is to have the contact, and how it is read. Where
	// the kind is auto, the first edges tell it.
	Contact config.Contact
	// Began is when the first edge was.
	Began time.Time
	// Progress is called again and again; it may be nil.
	Progress func()
}

// An Imported tells what was imported.
type Imported struct {
	Kind        pulse.Kind
	Edges       int64
	Began, Last time.Time // first and last edge
}

// Import reads a finished recording into a log as fast as it can, as if the
// contact had been watched then: with configuration, summaries, findings and
// lobe marks. The log has all of it or, with an error, nothing. Nobody else may
// write the log meanwhile: the error is a *store.HeldError where somebody does,
// and a *store.OverlapError where the log has that time already.
func Import(ctx context.Context, src hw.Source, opt ImportOptions) (done Imported, err error) {
	im := &importer{opt: opt}
	defer func() {
		if im.log != nil && err != nil {
			if e := im.log.Abandon(); e != nil {
				err = fmt.Errorf("%w; and what was imported could not be removed, it stays out of sight: %w", err, e)
			}
		}
	}()
	if err := hw.Follow(ctx, src, hw.FollowOptions{}, im.add); err != io.EOF {
		return done, err
	}
	if im.anchor.At(im.lastEdge).After(time.Now()) {
		return done, ErrFuture
	}
	if err := im.end(); err != nil {
		return done, err
	}
	return Imported{im.cfg.Meter.Kind, im.edges, opt.Began, im.anchor.At(im.lastEdge)}, nil
}

// An importer is the task of a contact, whose time is that of the recording.
type importer struct {
	opt ImportOptions
	log *store.Store
	*contact
	anchor hw.Anchor   // start of the session: 0 on its clock
	rest   pulse.Stamp // level before the first edge
	after  pulse.Stamp // level after the last edge
	shift  pulse.Stamp // from the recording's times to the session's
	now    pulse.Stamp
	edges  int64
	looked pulse.Stamp

	committed     int64 // edges
	committedTime pulse.Stamp
}

// begin opens the log, once the first edges are known.
func (im *importer) begin(edges []pulse.Edge) error {
	cfg := im.opt.Contact
	if cfg.Meter.Kind == pulse.KindAuto {
		if cfg.Meter.Limits != nil {
			cfg.Meter.Kind = cfg.Meter.Limits.Kind
		}
		if cfg.Meter.Kind == pulse.KindAuto {
			if cfg.Meter.Kind = kindOf(edges, cfg.Meter); cfg.Meter.Kind == pulse.KindAuto {
				return ErrKind
			}
		}
	}
	cfg.Meter.Forget = true
	im.rest = max(importRest, 2*pulse.Stamp(max(cfg.Meter.SettleNS, cfg.Meter.TrainGapNS)))
	if cfg.Meter.Kind == pulse.KindInterrupter { // what falls due while nothing moves would be missing
		im.rest = 2 * pulse.Stamp(cmp.Or(cfg.Meter.SettleNS, pulse.DefaultSettleNS))
	}
	im.after = im.rest
	im.shift = im.rest - edges[0].At
	im.anchor = hw.Anchor{Wall: im.opt.Began.Add(-time.Duration(im.rest))}
	host := Host{
		Now: func() pulse.Stamp { return im.now },
		// Nothing is known of the clock by which a recording was made.
		Clock: func() (hw.Anchor, hw.Discipline) {
			return hw.Anchor{Mono: im.now, Wall: im.anchor.At(im.now)}, hw.Discipline{}
		},
		Boot: "imported " + rand.Text(), // no other session is of that boot
	}
	var err error
	im.log, err = store.Open(context.Background(), im.opt.Log, store.Options{
		Site: im.opt.Site, Program: im.opt.Version, Imported: cfg.Name, Clock: host.Clock, Boot: host.Boot,
	})
	if err != nil {
		return err
	}
	if f := im.log.Stats().Fault; f != nil { // a watch would wait until it is over
		return f
	}
	all, err := im.log.Configurations(context.Background(), cfg.Name)
	if err != nil {
		return err
	}
	if n := len(all); n > 0 && all[n-1].Kind != cfg.Meter.Kind {
		return fmt.Errorf("contact %q is of kind %s in the log, and the recording of kind %s: expected --kind %[2]s, or another contact", cfg.Name, all[n-1].Kind, cfg.Meter.Kind)
	}
	w := &watch{Options: Options{Log: slog.New(slog.DiscardHandler), Host: host}, store: im.log}
	l := live.New(setting(&cfg), config.DefaultWindow, host.Now)
	im.contact = newContact(w, cfg, l, im.log.Contact(configuration(&cfg)), nil)
	im.contact.begin(0, pulse.Unknown)
	im.newMinute(0)
	before := pulse.Unknown
	if first := edges[0].Level; first <= pulse.High {
		before = 1 - first
	}
	im.raise(0, before)
	return nil
}

// kindOf tells the kind from the first edges, KindAuto where they do not.
func kindOf(edges []pulse.Edge, cfg pulse.Config) (kind pulse.Kind) {
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		return pulse.KindAuto
	}
	m.Add(edges[:min(len(edges), kindEdges)])
	if looks := m.Finish(0).KindLooks; looks != nil {
		_ = kind.UnmarshalText([]byte(*looks)) // a kind's own name
	}
	return kind
}

// add takes the next edges of the recording.
func (im *importer) add(edges []pulse.Edge) error {
	if im.contact == nil {
		if err := im.begin(edges); err != nil {
			return err
		}
	}
	for i := range edges {
		edges[i].At += im.shift
	}
	im.edges += int64(len(edges))
	for {
		n, due := 0, im.due()
		for n < len(edges) && edges[n].At < due {
			n++
		}
		if n > 0 {
			im.now = edges[n-1].At
			im.contact.add(edges[:n])
		}
		if edges = edges[n:]; len(edges) == 0 {
			break
		}
		if err := im.lookUntil(edges[0].At); err != nil {
			return err
		}
	}
	if im.opt.Progress != nil {
		im.opt.Progress()
	}
	return im.commit()
}

// due is when the next look is.
func (im *importer) due() pulse.Stamp { return min(im.minute.ends, im.looked+importLook) }

// lookUntil looks at what is due up to the next edge. After a long silence
// nothing more changes: the rest of it is passed over.
func (im *importer) lookUntil(next pulse.Stamp) error {
	for due := im.due(); due <= next; due = im.due() {
		if due-im.lastEdge > rest {
			due = next
		}
		im.now, im.looked = due, due
		im.advance(due)
		im.look(false)
		if err := im.commit(); err != nil {
			return err
		}
	}
	return nil
}

// commit writes what waits, when it is much.
func (im *importer) commit() error {
	if im.edges-im.committed < importCommit && im.now-im.committedTime < importTime {
		return nil
	}
	im.committed, im.committedTime = im.edges, im.now
	return im.log.Flush()
}

// end ends the session. The last level is taken to have lasted on.
func (im *importer) end() error {
	at := im.lastEdge + im.after
	if err := im.lookUntil(at); err != nil {
		return err
	}
	im.now = at
	im.advance(at)
	im.finish()
	im.look(true)
	im.closeMinute(at)
	im.log.Find(store.Finding{
		Contact: im.name, Kind: store.Imported, At: store.Moment{Mono: im.rest},
		Text:   fmt.Sprintf("a recording of %s from elsewhere: %s", figure.Plural(im.edges, "edge", "edges"), im.cfg.Source.Text),
		Detail: store.Detail(map[string]any{"edges": im.edges, "source": im.cfg.Source.Text}),
	})
	if err := im.log.Flush(); err != nil {
		return err
	}
	if s := im.log.Stats(); s.DroppedEdges > 0 || s.DroppedRows > 0 {
		return fmt.Errorf("%d edges and %d other entries could not be kept", s.DroppedEdges, s.DroppedRows)
	}
	return im.log.Close()
}
