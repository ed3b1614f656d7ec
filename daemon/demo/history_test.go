package demo

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"testing"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/hw"
	"makebreak/pulse"
)

// site is a configuration as the demo has it, of the contacts of the history.
func site(t *testing.T) *config.Watch {
	t.Helper()
	cfg := &config.Watch{Site: "Marrow Quay exchange (invented)", Store: config.Store{Path: filepath.Join(t.TempDir(), "quay.db")}}
	for _, p := range quay() {
		kind := pulse.KindInterrupter
		if p.contact == generatorA {
			kind = pulse.KindDial
		}
		cfg.Contacts = append(cfg.Contacts, config.Contact{Name: p.contact, Meter: pulse.Config{Kind: kind}})
	}
	return cfg
}

// The log has each contact on each of thirty days, the last just before now, and
// its state is unknown between them: nothing is missing and nothing is stuck.
func TestImport(t *testing.T) {
	cfg, now := site(t), time.Now()
	if err := Import(t.Context(), cfg, "", now); err != nil {
		t.Fatal(err)
	}
	log, err := store.OpenRead(t.Context(), cfg.Store.Path)
	if err != nil {
		t.Fatal(err)
	}
	defer log.Close()
	for _, p := range quay() {
		src, err := stretch.Open(t.Context(), log, &stretch.Request{}, p.contact)
		if err != nil {
			t.Fatal(err)
		}
		read, err := src.Configure(t.Context(), &stretch.Wishes{})
		if err != nil {
			t.Fatal(err)
		}
		m, _, err := src.Measure(t.Context(), read, nil)
		if err != nil {
			t.Fatal(err)
		}
		if m.Capture.Unknown != Days {
			t.Errorf("%s: %d unknown times, want %d", p.contact, m.Capture.Unknown, Days)
		}
		if x := m.Interrupter; x != nil && (x.Missing+x.Extra > 0 || x.Cycles < Days*100) {
			t.Errorf("%s: %d cycles, %d missing, %d extra", p.contact, x.Cycles, x.Missing, x.Extra)
		}
		for f, err := range log.Findings(t.Context(), store.Span{}, p.contact) {
			if err != nil || f.Kind == store.StuckOpen || f.Kind == store.StuckClosed || f.Kind == store.Missing {
				t.Errorf("%s: %+v, %v", p.contact, f, err)
			}
		}
	}
	tl, err := log.Timeline(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if end := tl.Sessions[len(tl.Sessions)-1].Alive.Wall; now.Sub(end) > time.Minute || end.After(now) {
		t.Errorf("it ends %v before now", now.Sub(end))
	}
}

func TestImportOfAnotherConfiguration(t *testing.T) {
	cfg := site(t)
	cfg.Contacts = cfg.Contacts[1:]
	if err := Import(t.Context(), cfg, "", time.Now()); err == nil {
		t.Error("a contact that is not watched was imported")
	}
}

func TestImportStopped(t *testing.T) {
	ctx, stop := context.WithCancel(t.Context())
	stop()
	if err := Import(ctx, site(t), "", time.Now()); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
}

// A description with a mistake is an error, not a short history.
func TestHistory(t *testing.T) {
	h := &history{runs: runs(), signal: func(r run) string {
		if r.day == 2 {
			return "cam,ipm=fast"
		}
		return "cam,ipm=60,cycles=2"
	}}
	var last pulse.Edge
	unknown := 0
	err := hw.Follow(t.Context(), h, hw.FollowOptions{}, func(edges []pulse.Edge) error {
		for _, e := range edges {
			if e.At <= last.At || e.Seq != last.Seq+1 {
				t.Errorf("%+v follows %+v", e, last)
			}
			if last = e; e.Level == pulse.Unknown {
				unknown++
			}
		}
		return nil
	})
	if err == nil || err == io.EOF || unknown != 2 {
		t.Errorf("%v, %d unknown times", err, unknown)
	}
}
