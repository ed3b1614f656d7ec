package stretch

import (
	"context"
	"errors"
	"math"

	"makebreak/daemon/rowfile"
	"makebreak/pulse"
)

// ErrOtherKind says that a contact is of a kind that has no such rows.
var ErrOtherKind = errors.New("the contact is of another kind")

// RowsOrigin is the run time that the rows of some stretches of one run count from:
// the earliest start of them.
func RowsOrigin(rows rowfile.Rows, sources []*Source) pulse.Stamp {
	at := pulse.Stamp(math.MaxInt64)
	for _, s := range sources {
		if at = min(at, s.Begin()); rows == rowfile.Summaries {
			at = min(at, s.Asked())
		}
	}
	return at
}

// Rows adds the rows of the stretch to a file: edges as Export gives them, pulses or
// cycles as the contact was watched, or the log's summaries. Times count from origin.
// The error may be ErrOtherKind, that of ctx, or one of the file, which is also its
// Err.
func (s *Source) Rows(ctx context.Context, rows rowfile.Rows, f *rowfile.Writer, origin pulse.Stamp, show Progress) error {
	cfg, err := s.Configure(ctx, &Wishes{})
	if err != nil {
		return err
	}
	if of := map[rowfile.Rows]pulse.Kind{rowfile.Pulses: pulse.KindDial, rowfile.Cycles: pulse.KindInterrupter}[rows]; of != pulse.KindAuto && cfg.Kind != pulse.KindAuto && cfg.Kind != of {
		return ErrOtherKind
	}
	begin := s.Begin()
	if rows == rowfile.Summaries {
		begin = s.Asked()
	}
	c := rowfile.Contact{
		Exchange: s.Site(), Contact: s.contact, Source: s.settings.Source, Kind: cfg.Kind.String(), Polarity: cfg.Polarity,
		BeganNS: int64(begin - origin), BeganUTC: s.Wall(begin), Settings: s.settings.Settings, SettingsChanged: s.changes,
		AsymmetryNS: int64(cfg.Setup.AsymmetryNS), Origin: origin, Wall: s.WallClock(),
	}
	rel, from := s.Steering()
	c.Clock = rowfile.Clock{RelativeUncertainty: rel, Steered: from.State == pulse.ClockSynchronised}
	if c.Clock.Steered {
		c.Clock.CorrectionPPM, c.Clock.EstimatedErrorNS = &from.CorrectionPPM, &from.EstimatedErrorNS
	}
	f.Begin(c)
	switch rows {
	case rowfile.Edges:
		update, done := func() {}, func() {}
		if show != nil {
			update, done = show(s)
		}
		_, err = s.Export(ctx, func(batch []pulse.Edge) error {
			for i := range batch {
				e, why := &batch[i], ""
				at := s.from + e.At
				if e.Level > pulse.High {
					why = s.unknownWhy(at)
				}
				f.Edge(at, e, why)
			}
			update()
			return f.Err()
		})
		done()
	case rowfile.Summaries:
		for m, e := range s.summaries(ctx) {
			if err = errors.Join(e, f.Err()); err != nil {
				break
			}
			f.Summary(&m, cfg.Kind)
		}
	default:
		var m *pulse.Measurement
		cfg.Observer = f.Observer()
		m, _, err = s.Measure(ctx, cfg, show)
		if err == nil && m != nil && (m.Dial != nil) != (rows == rowfile.Pulses) && m.Measured() {
			err = ErrOtherKind
		}
	}
	if e := f.End(s.to); err == nil {
		err = e
	}
	return err
}
