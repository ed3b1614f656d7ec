package stretch

import (
	"cmp"
	"context"
	"fmt"

	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
)

// Wishes are what somebody asks of how a stretch is read, in place of what the
// log says of it.
type Wishes struct {
	// Reading has what is asked. What is 0 or nil in it is left to the log, and so
	// are the polarity, the timing and the Setup but for what is said below.
	Reading  pulse.Config
	Polarity bool // that of Reading is asked
	Timing   bool // that of Reading is asked
	// KindNamed says that the kind was asked for as such, not only implied by
	// something else that is asked.
	KindNamed bool
	// NoNominal leaves out the limits, lobes and nominal figures that the contact
	// is watched by: it is to be compared with others.
	NoNominal bool
	Chain     Chain
}

// A Chain is what is given of the measuring chain in place of what is known of
// it; nil is not given.
type Chain struct {
	EdgeNoiseNS  *float64 // standard uncertainty of one edge's time
	AsymmetryNS  *float64
	AsymmetryUNS *float64 // standard uncertainty of the asymmetry
	ClockRel     *float64 // relative standard uncertainty of the time base
}

// Over gives a Setup with what is given in place of what base says.
func (c Chain) Over(base pulse.Setup) pulse.Setup {
	s, assumed := base, pulse.DefaultSetup()
	if c.EdgeNoiseNS != nil {
		s.EdgeNoiseNS, s.EdgeNoiseFrom, s.EdgeNoiseA = *c.EdgeNoiseNS, "given", false
	}
	if c.AsymmetryNS != nil || c.AsymmetryUNS != nil { // half of a calibration would be none
		s.AsymmetryNS, s.AsymmetryUNS, s.AsymmetryFrom, s.AsymmetryA = 0, assumed.AsymmetryUNS, assumed.AsymmetryFrom, false
	}
	if c.AsymmetryNS != nil {
		s.AsymmetryNS = *c.AsymmetryNS
	}
	if c.AsymmetryUNS != nil {
		s.AsymmetryUNS, s.AsymmetryFrom = *c.AsymmetryUNS, "given"
	}
	if c.ClockRel != nil {
		s.ClockRel, s.ClockFrom = *c.ClockRel, pulse.ClockFrom{Given: "given"}
	}
	return s
}

// Configure gives how the stretch is read: as w asks, else as the contact was
// set up at its start, with the numbers of its lobes from the log. It comes
// before the edges are read.
func (s *Source) Configure(ctx context.Context, w *Wishes) (cfg pulse.Config, err error) {
	cfg = w.Reading
	base, err := watch.Reading(s.settings)
	if err != nil {
		return cfg, err
	}
	s.kindAsked = w.KindNamed
	kind := cfg.Kind
	if kind == pulse.KindAuto && cfg.Limits != nil {
		kind = cfg.Limits.Kind
	}
	if kind == pulse.KindAuto {
		kind, cfg.Kind = base.Kind, base.Kind
	}
	if !w.Polarity {
		cfg.Polarity = base.Polarity
	}
	if !w.Timing {
		cfg.Timing = base.Timing
	}
	cfg.SettleNS = cmp.Or(cfg.SettleNS, base.SettleNS)
	if kind == base.Kind {
		cfg.PulseMinNS, cfg.PulseMaxNS = cmp.Or(cfg.PulseMinNS, base.PulseMinNS), cmp.Or(cfg.PulseMaxNS, base.PulseMaxNS)
		cfg.TrainGapNS, cfg.FlashMaxNS = cmp.Or(cfg.TrainGapNS, base.TrainGapNS), cmp.Or(cfg.FlashMaxNS, base.FlashMaxNS)
		if !cfg.CodingSet {
			cfg.Coding, cfg.CodingSet = base.Coding, base.CodingSet
		}
		if !w.NoNominal {
			cfg.Limits = cmp.Or(cfg.Limits, base.Limits)
			if cfg.PeriodNS == 0 && cfg.CadenceNS == nil {
				cfg.PeriodNS, cfg.CadenceNS = base.PeriodNS, base.CadenceNS
			}
			if cfg.Drive == nil && w.Reading.CadenceNS == nil && (cfg.Lobes == 0 || base.Drive != nil && cfg.Lobes == base.Drive.Lobes) {
				cfg.Drive = base.Drive // other lobes would be another cam
			}
			cfg.Lobes = cmp.Or(cfg.Lobes, base.Lobes)
		}
	}
	setup := w.Chain.Over(*base.Setup)
	if setup.ClockFrom.State == pulse.ClockAssumed {
		setup.ClockRel, setup.ClockFrom = s.Steering()
	}
	setup.ResolutionNS = s.ResolutionNS()
	cfg.Setup = &setup
	cfg.Live, cfg.Start, cfg.StartLevel = true, s.from, s.start
	if kind != pulse.KindInterrupter || cfg.Lobes == 0 {
		return cfg, nil
	}
	lobes, err := watch.LobesOf(ctx, s.log, s.contact, s.replay.Timeline().ID, cfg.Lobes)
	if err != nil {
		return cfg, err
	}
	s.numbering = lobes.Numbering(s.from, s.to)
	return cfg, lobes.Number(ctx, s.from, s.to, &cfg)
}

// Steering is how good the clock was in the stretch, by its first and last
// known state.
func (s *Source) Steering() (rel float64, from pulse.ClockFrom) {
	tl := s.replay.Timeline()
	var first, last hw.Discipline
	for i := range tl.Sessions {
		x := &tl.Sessions[i]
		for _, c := range x.Clocks {
			at := c.Anchor.Mono - x.Start.Mono + x.Start.Run
			if at <= s.from {
				first = c.State
			}
			if at <= s.to {
				last = c.State
			}
		}
	}
	return hw.ClockUncertainty(first, last)
}

// settingsAt gives how a contact was set up at a moment, the first way that the
// log knows where that is earlier, and how often that changed up to end.
func settingsAt(ctx context.Context, log *store.Log, contact string, start, end store.Moment) (found store.Configuration, changes int, err error) {
	all, err := log.Configurations(ctx, contact)
	if err != nil {
		return found, 0, err
	}
	if len(all) == 0 {
		return found, 0, fmt.Errorf("read log %q: it does not say how contact %q is to be read", log.Path(), contact)
	}
	at := func(c store.Configuration, m store.Moment) bool { // c came before m
		return c.At.Session < m.Session || c.At.Session == m.Session && c.At.Mono <= m.Mono
	}
	found = all[0]
	for i, c := range all {
		switch {
		case i == 0:
		case at(c, start):
			found = c
		case at(c, end):
			changes++
		}
	}
	return found, changes, nil
}
