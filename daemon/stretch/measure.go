package stretch

import (
	"cmp"
	"context"
	"errors"
	"io"
	"iter"
	"runtime"
	"sync"
	"sync/atomic"

	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
)

// Together runs tasks, which must not touch each other's data, on as many cores as
// there are. It returns when all have ended.
func Together(tasks []func()) {
	var next atomic.Int64
	var working sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(tasks)) {
		working.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(tasks)); i = next.Add(1) - 1 {
				tasks[i]()
			}
		})
	}
	working.Wait()
}

// A Progress shows how much of src is measured: update is called again and
// again, done at the end. A nil Progress shows nothing.
type Progress func(src *Source) (update, done func())

// Measure measures the stretch from end to end, as Configure says. When ctx is
// done earlier, the error is that of ctx, and the stretch ends with the last edge
// that was measured: m is of that part, nil where no edge was. edges counts those
// that were measured.
func (s *Source) Measure(ctx context.Context, cfg pulse.Config, show Progress) (m *pulse.Measurement, edges int, err error) {
	meter, err := pulse.NewMeter(cfg)
	if err != nil {
		return nil, 0, err
	}
	meter.Together(Together)
	update, done := func() {}, func() {}
	if show != nil {
		update, done = show(s)
	}
	err = hw.Follow(ctx, s, hw.FollowOptions{Join: true}, func(batch []pulse.Edge) error {
		meter.Add(batch)
		edges += len(batch)
		s.saw(batch)
		update()
		return nil
	})
	done()
	switch {
	case err == io.EOF:
		return meter.Finish(s.to), edges, nil
	case ctx.Err() == nil || !errors.Is(err, ctx.Err()) || edges == 0:
		return nil, edges, err
	}
	s.cut()
	return meter.Finish(s.to), edges, err
}

// fileEdges are read at once for a file.
const fileEdges = 8192

// Export gives the edges as a file holds them, in order: times count from Begin,
// no two are at one time, and the stretch begins once a level has lasted. n
// counts the edges with a known level.
func (s *Source) Export(ctx context.Context, write func([]pulse.Edge) error) (n int, err error) {
	cfg, err := watch.Reading(s.settings)
	if err != nil {
		return 0, err
	}
	last := pulse.Stamp(-1)
	begins := beginning{settle: pulse.Stamp(cmp.Or(cfg.SettleNS, pulse.DefaultSettleNS)), last: s.from, known: s.start <= pulse.High}
	for buf := make([]pulse.Edge, fileEdges); ; {
		k, err := s.ReadEdges(ctx, buf)
		switch {
		case err == io.EOF:
			return n, nil
		case ctx.Err() != nil:
			return n, ctx.Err()
		case err != nil:
			return n, err
		}
		edges := begins.settled(buf[:k])
		for i := range edges { // two edges at one time would be none in a file
			edges[i].At = max(edges[i].At-s.from, last+1)
			if last = edges[i].At; edges[i].Level <= pulse.High {
				n++
			}
		}
		s.seen = s.from + max(last, 0)
		if err := write(edges); err != nil {
			return n, err
		}
	}
}

// unknownWhy tells why the level is not known from a time on at which an edge to
// Unknown was read.
func (s *Source) unknownWhy(at pulse.Stamp) string {
	gaps := s.replay.Gaps()
	for i := len(gaps) - 1; i >= 0; i-- {
		if g := &gaps[i]; g.From <= at && at < g.To {
			return g.Why()
		}
	}
	return notRead
}

// summaries gives those that the log keeps of the stretch as it was asked for, also of
// a time whose edges were removed.
func (s *Source) summaries(ctx context.Context) iter.Seq2[store.Summary, error] {
	return s.log.Summaries(ctx, store.Span{Run: s.Run(), From: s.replay.Span().From, To: s.to + 1}, s.contact)
}

// A beginning leaves out the edges of a stretch before a level has lasted: a
// file is taken to begin long after any edge before it, and cannot tell that it
// begins in the middle of a bounce.
type beginning struct {
	settle pulse.Stamp
	last   pulse.Stamp // edge, or when the level was found
	known  bool        // the level is
	over   bool
}

// settled gives what is left of the edges.
func (b *beginning) settled(edges []pulse.Edge) []pulse.Edge {
	if b.over {
		return edges
	}
	for i, e := range edges {
		if b.known && e.Level <= pulse.High && e.Lost == 0 && e.At-b.last >= b.settle {
			b.over = true
			return edges[i:]
		}
		b.last, b.known = e.At, e.Level <= pulse.High
	}
	return nil
}

// Checksum is that of the edges as Export gives them. The stretch is read once more
// for it, so that it may come before, after or without Measure.
func (s *Source) Checksum(ctx context.Context) (sum *hw.Checksum, err error) {
	sum = hw.NewChecksum()
	again, err := replayed(ctx, s.log, store.Span{Run: s.Run(), From: s.from, To: s.replay.Span().To}, true, s.contact)
	if err != nil {
		return sum, err
	}
	defer func() { err = errors.Join(err, again.Close()) }()
	again.from = s.from
	w := hw.NewEdgeWriter(sum)
	if _, err = again.Export(ctx, func(edges []pulse.Edge) error {
		w.Add(edges)
		return w.Err()
	}); err != nil {
		return sum, err
	}
	return sum, nil
}
