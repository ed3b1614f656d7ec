package command

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/stretch"
	"makebreak/pulse"
	"makebreak/pulse/duration"
)

// driftFlags ask how the figures change.
type driftFlags struct {
	Drift     bool   `group:"Change over time:" help:"Tell how the figures change over time: trend, step, and when a limit is reached."`
	Window    span   `group:"Change over time:" placeholder:"60s" help:"Length of the windows whose means --drift compares."`
	Reference string `group:"Change over time:" placeholder:"FROM..TO" help:"Stretch that the target and the spread of --drift come from: times from the first edge on such as 0s..2h, in a log times as --since takes them; without, the first 60 windows, or those after the last note. FROM alone: the first 60 windows from there on."`
}

// leastWindow bounds how many windows a long recording has.
const leastWindow = int64(time.Second)

// askDrift asks for the drift. A reference in a log is left to it.
func (f *driftFlags) askDrift(cfg *pulse.Config, logged bool) error {
	if !f.Drift {
		switch {
		case f.Window.set:
			return errors.New("--window is for --drift: expected it beside it")
		case f.Reference != "":
			return errors.New("--reference is for --drift: expected it beside it")
		}
		return nil
	}
	if f.Window.set && f.Window.ns < leastWindow {
		return fmt.Errorf("--window is %s: expected %s or more", figure.Span(f.Window.ns), figure.Span(leastWindow))
	}
	if from, to, _ := strings.Cut(f.Reference, ".."); f.Reference != "" && from == "" && to == "" {
		return fmt.Errorf("--reference %s: expected FROM..TO", f.Reference)
	}
	cfg.Drift = &pulse.DriftOptions{WindowNS: f.Window.ns, FromFirstEdge: true}
	if f.Reference == "" || logged {
		return nil
	}
	from, to, fromTo := strings.Cut(f.Reference, "..")
	for _, end := range []struct {
		text string
		at   *pulse.Stamp
	}{{from, &cfg.Drift.ReferenceFrom}, {to, &cfg.Drift.ReferenceTo}} {
		if end.text == "" {
			continue
		}
		ns, err := duration.Parse(end.text)
		if err != nil || ns < 0 {
			return fmt.Errorf("--reference %s: %q is no time since the first edge: expected FROM..TO, such as 0s..2h", f.Reference, end.text)
		}
		*end.at = pulse.Stamp(ns)
	}
	if fromTo && to != "" && cfg.Drift.ReferenceFrom >= cfg.Drift.ReferenceTo {
		return fmt.Errorf("--reference %s: its start is not before its end", f.Reference)
	}
	return nil
}

// driftRequest is what the flags ask of a stretch of a log, by the clock of a zone.
func (f *driftFlags) driftRequest(zone *time.Location) (r *stretch.DriftRequest, err error) {
	r = &stretch.DriftRequest{WindowNS: f.Window.ns, Reference: stretch.Request{Zone: zone}}
	from, to, _ := strings.Cut(f.Reference, "..")
	for _, end := range []struct {
		text string
		at   *stretch.Time
	}{{from, &r.Reference.Since}, {to, &r.Reference.Until}} {
		if end.text == "" {
			continue
		}
		t, err := stretch.ParseTime(end.text)
		if err != nil {
			return nil, fmt.Errorf("--reference %s: %w", f.Reference, err)
		}
		*end.at = t.In(zone)
	}
	r.FromTo = r.Reference.Until.Set
	return r, nil
}

// inLog asks a stretch of a log for the drift, if flags ask for it.
func (f *driftFlags) inLog(sh *shell, ask func(*stretch.DriftRequest) error) error {
	if !f.Drift {
		return nil
	}
	r, err := f.driftRequest(sh.zone)
	if err != nil {
		return err
	}
	if err := ask(r); err != nil {
		var outside *stretch.OutsideError
		switch {
		case f.Reference == "":
			return err
		case errors.Is(err, stretch.ErrEmpty):
			return fmt.Errorf("--reference %s: its start is not before its end", f.Reference)
		case errors.As(err, &outside):
			return fmt.Errorf("--reference %s: %w", f.Reference, err)
		}
		return err
	}
	return nil
}
