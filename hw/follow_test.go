package hw_test

import (
	"context"
	"errors"
	"io"
	"runtime"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// numbered is a source of edges at 0, 1, 2 … ns that ends with err.
type numbered struct {
	left, next int
	err        error
}

func (n *numbered) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if n.left == 0 {
		return 0, n.err
	}
	k := min(1+n.left%len(buf), n.left)
	for i := range k {
		buf[i] = pulse.Edge{At: pulse.Stamp(n.next)}
		n.next++
	}
	n.left -= k
	return k, nil
}

func (*numbered) Close() error { return nil }

var errBroken = errors.New("broken")

// Edges come whole and in order, and before the error that follows them.
func TestFollow(t *testing.T) {
	for _, c := range []struct {
		edges int
		err   error
		opt   hw.FollowOptions
	}{
		{0, io.EOF, hw.FollowOptions{}}, {1, io.EOF, hw.FollowOptions{}}, {200_000, io.EOF, hw.FollowOptions{}},
		{50_000, errBroken, hw.FollowOptions{}}, {50_000, io.EOF, hw.FollowOptions{Buffers: 1, Edges: 7}}, {50_000, io.EOF, hw.FollowOptions{Join: true}},
		{100, context.Canceled, hw.FollowOptions{}}, // not of a context of ours
	} {
		next := 0
		err := hw.Follow(t.Context(), &numbered{left: c.edges, err: c.err}, c.opt, func(edges []pulse.Edge) error {
			for _, e := range edges {
				if int(e.At) != next {
					t.Fatalf("edge %d came as number %d", e.At, next)
				}
				next++
			}
			return nil
		})
		if next != c.edges || err != c.err {
			t.Errorf("%d edges: got %d and %v, want %v", c.edges, next, err, c.err)
		}
	}
	n := 0
	err := hw.Follow(t.Context(), &numbered{left: 50_000, err: io.EOF}, hw.FollowOptions{Buffers: 2, Edges: 100}, func([]pulse.Edge) error { n++; return errBroken })
	if err != errBroken || n != 1 {
		t.Errorf("got %v after %d calls, want the error of add after the first", err, n)
	}
}

// Nothing is allocated for an edge: the whole costs as much for few as for many.
func TestFollowAllocations(t *testing.T) {
	cost := func(edges int) uint64 {
		src := &numbered{left: edges, err: io.EOF}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if err := hw.Follow(t.Context(), src, hw.FollowOptions{Buffers: 4, Edges: 64}, func([]pulse.Edge) error { return nil }); err != io.EOF {
			t.Fatal(err)
		}
		runtime.ReadMemStats(&after)
		return after.Mallocs - before.Mallocs
	}
	few := max(cost(1000), cost(1000))
	if many := cost(1_000_000); many > few+50 { // some are the runtime's own
		t.Errorf("%d allocations for a million edges, %d for a thousand", many, few)
	}
}

// What was read before the end of the context counts.
func TestFollowCancelled(t *testing.T) {
	for range 20 { // select chooses at random
		synctest.Test(t, func(t *testing.T) {
			ctx, cancel := context.WithCancel(t.Context())
			src := hwtest.Script(hwtest.Times(1, 2, 3), hwtest.Call(cancel), hwtest.Stall(nil))
			n := 0
			err := hw.Follow(ctx, src, hw.FollowOptions{Buffers: 4, Edges: 1}, func(edges []pulse.Edge) error {
				<-ctx.Done()
				time.Sleep(time.Second) // longer than a source that does not answer is waited for
				n += len(edges)
				return nil
			})
			if n != 3 || err != context.Canceled {
				t.Errorf("got %d edges and %v, want 3 and %v", n, err, context.Canceled)
			}
		})
	}
	// A context that was done before anything was read.
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := hw.Follow(ctx, &numbered{left: 1 << 30}, hw.FollowOptions{}, func([]pulse.Edge) error { return nil }); err != context.Canceled {
		t.Errorf("got %v, want %v", err, context.Canceled)
	}
}

// deaf is a source whose read after its script no context ends, as that of
// standard input.
type deaf struct {
	*hwtest.Source
	input chan struct{}
}

func (d *deaf) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	n, err := d.Source.ReadEdges(ctx, buf)
	if err == io.EOF {
		<-d.input
	}
	return n, err
}

// A source that waits for input is left behind at the end of the context; and
// waited for, where that is asked. Meanwhile it is told that it does not answer.
func TestFollowDeaf(t *testing.T) {
	for _, join := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			now := bubbleClock()
			ctx, cancel := context.WithTimeout(t.Context(), 950*time.Millisecond)
			defer cancel()
			src := &deaf{hwtest.Script(hwtest.Times(1, 2)), make(chan struct{})}
			free := time.AfterFunc(time.Minute, func() { close(src.input) })
			defer free.Stop()
			ticks := time.NewTicker(200 * time.Millisecond)
			defer ticks.Stop()
			n := 0
			var told []pulse.Stamp
			err := hw.Follow(ctx, src, hw.FollowOptions{Join: join, Now: now, Ticks: ticks.C, Tick: func(at pulse.Stamp, heard bool) error {
				if heard {
					t.Errorf("heard at %d", at)
				}
				told = append(told, at)
				return nil
			}}, func(edges []pulse.Edge) error { n += len(edges); return nil })
			if n != 2 || err != context.DeadlineExceeded {
				t.Errorf("got %d edges and %v", n, err)
			}
			// The first tick asks.
			if d := cmp.Diff([]pulse.Stamp{400e6, 600e6, 800e6}, told); d != "" {
				t.Error(d)
			}
			want := 1050 * time.Millisecond
			if join {
				want = time.Minute
			}
			if took := time.Duration(now()); took != want {
				t.Errorf("join %t: took %v, want %v", join, took, want)
			}
			if !join {
				close(src.input)
			}
		})
	}
}

// stubborn is a script of reads that heed no context, each after its time.
type stubborn struct {
	now   func() pulse.Stamp
	reads []func(ctx context.Context, buf []pulse.Edge) (int, error)
}

func (s *stubborn) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	r := s.reads[0]
	s.reads = s.reads[1:]
	return r(ctx, buf)
}

func (s *stubborn) Close() error { return nil }

// at makes a read that returns at a time what then gives.
func (s *stubborn) at(t pulse.Stamp, then func(ctx context.Context, buf []pulse.Edge) (int, error)) {
	s.reads = append(s.reads, func(ctx context.Context, buf []pulse.Edge) (int, error) {
		time.Sleep(time.Duration(t - s.now())) // of the bubble
		return then(ctx, buf)
	})
}

func oneEdge(_ context.Context, buf []pulse.Edge) (int, error) {
	buf[0] = pulse.Edge{At: 1, Level: pulse.High}
	return 1, nil
}

func asked(ctx context.Context, _ []pulse.Edge) (int, error) { return 0, ctx.Err() }

func broken(context.Context, []pulse.Edge) (int, error) { return 0, errBroken }

// A source that gives an older edge after the question and then falls silent is
// said to be so, one tick after the edge's.
func TestFollowSilentLater(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &stubborn{now: bubbleClock()}
		src.at(250e6, oneEdge)
		src.at(1100e6, broken)
		ticks := time.NewTicker(200 * time.Millisecond)
		defer ticks.Stop()
		var told []pulse.Stamp
		err := hw.Follow(t.Context(), src, hw.FollowOptions{Now: src.now, Ticks: ticks.C, Tick: func(at pulse.Stamp, heard bool) error {
			if heard {
				t.Errorf("heard at %d", at)
			}
			told = append(told, at)
			return nil
		}}, func([]pulse.Edge) error { return nil })
		// The first tick asks; the edge comes between it and the second.
		if d := cmp.Diff([]pulse.Stamp{600e6, 800e6, 1000e6}, told); d != "" || err != errBroken {
			t.Error(d, err)
		}
	})
}

// While a tick takes long, the reader can leave an answer and an error: it waits
// for nobody, and so it ends.
func TestFollowLeavesAnswerAndError(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := &stubborn{now: bubbleClock()}
		src.at(500e6, asked)
		src.at(600e6, broken)
		ticks := time.NewTicker(200 * time.Millisecond)
		defer ticks.Stop()
		enough := errors.New("enough")
		err := hw.Follow(t.Context(), src, hw.FollowOptions{Buffers: 1, Edges: 1, Join: true, Now: src.now, Ticks: ticks.C, Tick: func(pulse.Stamp, bool) error {
			time.Sleep(time.Second)
			return enough
		}}, func([]pulse.Edge) error { return nil })
		if err != enough {
			t.Error(err)
		}
	})
}

// Edges that lie ready are no silence, whichever is looked at first.
func TestFollowReadyIsNoSilence(t *testing.T) {
	for range 20 { // select chooses at random
		synctest.Test(t, func(t *testing.T) {
			src := &stubborn{now: bubbleClock()}
			src.at(500e6, oneEdge)
			src.at(950e6, broken)
			ticks := time.NewTicker(200 * time.Millisecond)
			defer ticks.Stop()
			var told []pulse.Stamp
			err := hw.Follow(t.Context(), src, hw.FollowOptions{Now: src.now, Ticks: ticks.C, Tick: func(at pulse.Stamp, _ bool) error {
				if told = append(told, at); len(told) == 1 {
					time.Sleep(250 * time.Millisecond) // a tick and the edge come meanwhile
				}
				return nil
			}}, func([]pulse.Edge) error { return nil })
			if len(told) == 0 || told[0] != 400e6 || len(told) > 1 && told[1] < 800e6 || err != errBroken {
				t.Errorf("told at %v, %v", told, err)
			}
		})
	}
}

// A slow add holds the reader up only when all buffers are full, and is no
// silence of the source.
func TestFollowSlowAdd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		src := hwtest.Script(hwtest.Times(10, 20, 30, 40, 50, 60, 70, 80))
		var got []pulse.Stamp
		var reads []int64
		ticks := time.NewTicker(250 * time.Millisecond)
		defer ticks.Stop()
		err := hw.Follow(t.Context(), src, hw.FollowOptions{Buffers: 3, Edges: 1, Now: bubbleClock(), Ticks: ticks.C, Tick: func(_ pulse.Stamp, heard bool) error {
			if !heard {
				t.Error("not heard")
			}
			return nil
		}}, func(edges []pulse.Edge) error {
			time.Sleep(time.Second)
			synctest.Wait()
			reads = append(reads, src.Reads.Load())
			for _, e := range edges {
				got = append(got, e.At)
			}
			return nil
		})
		if err != io.EOF {
			t.Error(err)
		}
		if d := cmp.Diff([]pulse.Stamp{10, 20, 30, 40, 50, 60, 70, 80}, got); d != "" {
			t.Error(d)
		}
		// The one at hand and two ahead; at the end also the read that finds it.
		if d := cmp.Diff([]int64{3, 4, 5, 6, 7, 8, 9, 9}, reads); d != "" {
			t.Error(d)
		}
	})
}

// Ticks come while the source waits, and tell the time of the question.
func TestFollowTicks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := bubbleClock()
		ticks := time.NewTicker(250 * time.Millisecond)
		defer ticks.Stop()
		var told []pulse.Stamp
		err := hw.Follow(t.Context(), hwtest.Script(hwtest.Stall(nil)), hw.FollowOptions{Now: now, Ticks: ticks.C, Tick: func(at pulse.Stamp, heard bool) error {
			if !heard || at != now() {
				t.Errorf("%d: at %d, heard %t", now(), at, heard)
			}
			if told = append(told, at); len(told) == 4 {
				return errBroken
			}
			return nil
		}}, func([]pulse.Edge) error { t.Error("an edge"); return nil })
		if err != errBroken || !slices.Equal(told, []pulse.Stamp{250e6, 500e6, 750e6, 1000e6}) {
			t.Errorf("%v, told %d", err, told)
		}
	})
}

// hidden is a line whose edges lie in the kernel until it is asked: a read that
// waits is never woken by them, as in a process that was stopped.
type hidden struct {
	*hwtest.Source
	now   func() pulse.Stamp
	takes time.Duration // to find that there is nothing more
	edges []pulse.Edge
}

func (h *hidden) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	<-ctx.Done()
	for n < len(buf) && len(h.edges) > 0 && h.edges[0].At <= h.now() {
		buf[n] = h.edges[0]
		h.edges = h.edges[1:]
		n++
	}
	if n == 0 {
		time.Sleep(h.takes) // of the bubble
		return 0, ctx.Err()
	}
	return n, nil
}

// However late the reader is, a tick tells of a time only when every edge up to
// it has been added, and the end of the context leaves none behind.
func TestFollowHearsAll(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		gaps := rapid.SliceOfN(rapid.Int64Range(1, 100e6), 1, 200).Draw(r, "gaps")
		size := rapid.IntRange(1, 50).Draw(r, "buffer")
		takes := time.Duration(rapid.SampledFrom([]int64{0, 40e6}).Draw(r, "takes"))
		every := time.Duration(rapid.Int64Range(10e6, 2e9).Draw(r, "every"))
		synctest.Test(t, func(t *testing.T) {
			now := bubbleClock()
			src := &hidden{Source: hwtest.Script(), now: now, takes: takes}
			at := pulse.Stamp(0)
			for _, g := range gaps {
				at += pulse.Stamp(g)
				src.edges = append(src.edges, pulse.Edge{At: at})
			}
			all := slices.Clone(src.edges)
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(at))
			defer cancel()
			ticks := time.NewTicker(every)
			defer ticks.Stop()
			var got []pulse.Edge
			last := pulse.Stamp(-1)
			err := hw.Follow(ctx, src, hw.FollowOptions{Buffers: 2, Edges: size, Now: now, Ticks: ticks.C, Tick: func(at pulse.Stamp, heard bool) error {
				if !heard {
					if takes == 0 {
						r.Errorf("not heard at %d", at)
					}
					return nil
				}
				if n := len(got); n < len(all) && all[n].At <= at {
					r.Errorf("told of %d before the edge at %d", at, all[n].At)
				}
				last = at
				return nil
			}}, func(edges []pulse.Edge) error { got = append(got, edges...); return nil })
			if err != context.DeadlineExceeded || last < at || last > at+pulse.Stamp(takes) {
				r.Errorf("%v, told of %d at last, want %d", err, last, at)
			}
			if d := cmp.Diff(all, got); d != "" {
				r.Error(d)
			}
		})
	})
}

// endless always has another edge.
type endless struct {
	*hwtest.Source
	now func() pulse.Stamp
}

func (e *endless) ReadEdges(_ context.Context, buf []pulse.Edge) (int, error) {
	for i := range buf {
		time.Sleep(time.Millisecond) // of the bubble
		buf[i] = pulse.Edge{At: e.now()}
	}
	return len(buf), nil
}

// A line that never rests answers with an edge that is younger than the
// question, and does not go on for ever at the end.
func TestFollowEndless(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := bubbleClock()
		ctx, cancel := context.WithTimeout(t.Context(), 1005500*time.Microsecond)
		defer cancel()
		ticks := time.NewTicker(100 * time.Millisecond)
		defer ticks.Stop()
		var last pulse.Edge
		told := 0
		err := hw.Follow(ctx, &endless{Source: hwtest.Script(), now: now}, hw.FollowOptions{Buffers: 2, Edges: 3, Now: now, Ticks: ticks.C, Tick: func(at pulse.Stamp, heard bool) error {
			if told++; !heard || last.At < at || last.At > at+6e6 {
				t.Errorf("told of %d, heard %t, after the edge at %d", at, heard, last.At)
			}
			return nil
		}}, func(edges []pulse.Edge) error { last = edges[len(edges)-1]; return nil })
		if err != context.DeadlineExceeded || told != 11 || last.At < 1005500e3 || last.At > 1020e6 {
			t.Errorf("%v, told %d times, the last edge at %d", err, told, last.At)
		}
	})
}

// The questions do not put the attempts at a lost line off, and what a loss
// leaves of it comes as edges.
func TestFollowReopening(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		now := bubbleClock()
		var attempts []time.Duration
		r, err := hw.Reopen(func() (hw.Live, error) {
			attempts = append(attempts, time.Duration(now()))
			switch len(attempts) {
			case 1:
				return hwtest.Script(hwtest.Times(1), hwtest.Fail(gone)), nil
			case 7:
				s := hwtest.Script(hwtest.Times(7e9))
				s.From, s.Level = now(), pulse.High
				return s, nil
			}
			return nil, gone
		}, hw.ReopenOptions{Now: now})
		if err != nil {
			t.Fatal(err)
		}
		ticks := time.NewTicker(70 * time.Millisecond)
		defer ticks.Stop()
		var got []pulse.Edge
		told := 0
		err = hw.Follow(t.Context(), r, hw.FollowOptions{Now: now, Ticks: ticks.C, Tick: func(_ pulse.Stamp, heard bool) error {
			if told++; !heard || told > 1000 {
				return errBroken
			}
			return nil
		}}, func(edges []pulse.Edge) error { got = append(got, edges...); return nil })
		// Pauses of 0.1, 0.2, 0.4, 0.8, 1.6, 3.2 s.
		if d := cmp.Diff([]time.Duration{0, 1e8, 3e8, 7e8, 15e8, 31e8, 63e8}, attempts); d != "" {
			t.Error(d)
		}
		want := []pulse.Edge{{At: 1, Seq: 1, Level: 1}, {At: 0, Level: pulse.Unknown}, {At: 6.3e9, Level: pulse.High}, {At: 7e9, Seq: 1, Level: 1}}
		if d := cmp.Diff(want, got); d != "" || err != io.EOF || told < 85 {
			t.Errorf("%v, %d ticks\n%s", err, told, d)
		}
	})
}

// BenchmarkFollow is what handing over costs.
func BenchmarkFollow(b *testing.B) {
	const edges = 1_000_000
	b.ReportAllocs()
	for b.Loop() {
		n := 0
		if err := hw.Follow(b.Context(), &numbered{left: edges, err: io.EOF}, hw.FollowOptions{}, func(e []pulse.Edge) error { n += len(e); return nil }); err != io.EOF || n != edges {
			b.Fatal(n, err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/edges, "ns/edge")
}
