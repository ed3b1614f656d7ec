package stretch

import (
	"context"
	"fmt"
	"time"

	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/pulse"
)

// A NoLobesError says that a contact was not watched as one with lobes.
type NoLobesError struct {
	Contact string
	Kind    pulse.Kind
}

func (e *NoLobesError) Error() string {
	if e.Kind != pulse.KindInterrupter {
		return fmt.Sprintf("contact %q is watched as a %s: expected an interrupter with lobes", e.Contact, e.Kind)
	}
	return fmt.Sprintf("contact %q has no lobes in its configuration: expected lobes: N there", e.Contact)
}

// LobeAt finds the lobe of a contact that opened nearest to a time. The error
// may be a *NoLobesError, watch.ErrNoOpening or watch.ErrLobeUnknown.
func LobeAt(ctx context.Context, log *store.Log, contact string, wall time.Time) (m store.LobeMark, err error) {
	run, err := runAt(ctx, log, wall)
	if err != nil {
		return m, err
	}
	tl, err := log.TimelineOf(ctx, run, contact)
	if err != nil {
		return m, err
	}
	at := tl.Until(wall)
	settings, _, err := settingsAt(ctx, log, contact, tl.At(at), tl.At(at))
	if err != nil {
		return m, err
	}
	cfg, err := watch.Reading(settings)
	if err != nil {
		return m, err
	}
	if cfg.Kind != pulse.KindInterrupter || cfg.Lobes == 0 {
		return m, &NoLobesError{contact, cfg.Kind}
	}
	lobes, err := watch.LobesOf(ctx, log, contact, tl.ID, cfg.Lobes)
	if err != nil {
		return m, err
	}
	return lobes.Near(ctx, tl, at, cfg)
}
