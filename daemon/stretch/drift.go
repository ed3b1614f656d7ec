package stretch

import (
	"context"
	"time"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// A DriftRequest asks how the figures of a stretch change.
type DriftRequest struct {
	WindowNS int64 // 0 for the default
	// Reference is the stretch that target and spread come from; where it does not
	// ask for a start or an end, the first windows after the last note are.
	Reference Request
	// FromTo tells that the end of Reference counts too.
	FromTo bool
}

// Drift fills in how the drift of the stretch is looked for. Notes on the contact
// split it, for somebody worked on it then; so do notes on the site that say how it
// was left. A note that only says which lobe opened does not. Where old edges were
// removed, the windows before are those of the log's summaries. It comes after
// Configure.
func (s *Source) Drift(ctx context.Context, r *DriftRequest, cfg *pulse.Config) error {
	opt := &pulse.DriftOptions{WindowNS: r.WindowNS}
	span := store.Span{Run: s.replay.Timeline().ID, From: s.from, To: max(s.told, s.to+1)}
	removed := s.removedGap()
	if removed != nil {
		span.From = min(span.From, removed.From)
	}
	notes, err := s.log.Notes(ctx, span, s.contact)
	if err != nil {
		return err
	}
	for _, n := range notes {
		if n.Worked() {
			opt.Splits = append(opt.Splits, n.At.Run)
		}
	}
	if r.Reference.Since.Set || r.Reference.Until.Set {
		ref, err := r.Reference.Span(ctx, s.log, s.contact)
		if err != nil {
			return err
		}
		opt.ReferenceFrom = max(ref.From, 1) // 0 asks for nothing
		if r.FromTo {
			opt.ReferenceTo = ref.To
		}
	}
	if removed != nil {
		if opt.Earlier, err = s.summarised(ctx, store.Span{Run: span.Run, From: removed.From, To: removed.To}, opt, cfg); err != nil {
			return err
		}
	}
	cfg.Drift = opt
	return nil
}

// leastPeriods is how many periods a window of summaries holds, as pulse.Windows
// has it.
const leastPeriods = 10

// summarised gives the windows that summaries of a span tell. A summary of an hour
// or a day in which there was a split is left out.
func (s *Source) summarised(ctx context.Context, span store.Span, opt *pulse.DriftOptions, cfg *pulse.Config) (all []pulse.Window, err error) {
	length := pulse.Stamp(opt.WindowNS)
	if length == 0 {
		length = pulse.Stamp(pulse.DefaultWindowNS)
	}
	kind := cfg.Kind
	if kind == pulse.KindAuto && cfg.Limits != nil {
		kind = cfg.Limits.Kind
	}
	splits := opt.Splits
	for sum, err := range s.log.Summaries(ctx, span, s.contact) {
		if err != nil {
			return nil, err
		}
		w, ok := sum.Window(kind, cfg.BreaksInCycle())
		cut := false // a split is before it
		for len(splits) > 0 && splits[0] < w.To {
			if splits[0] > w.From {
				ok = false
			}
			cut, splits = true, splits[1:]
		}
		if !ok {
			continue
		}
		// A window is not short for want of time or of periods, where its neighbour is
		// near.
		if n := len(all); n > 0 && !cut {
			last := &all[n-1]
			short := last.KnownNS < int64(length) || last.Rate.N < leastPeriods
			if short && w.To-last.From <= max(length, pulse.Stamp(time.Hour)) {
				last.Merge(&w)
				continue
			}
		}
		all = append(all, w)
	}
	return all, nil
}
