package watch

import (
	"fmt"
	"log/slog"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"makebreak/daemon/config"
	"makebreak/daemon/live"
	"makebreak/daemon/metrics"
	"makebreak/daemon/store"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// A backoff reports the first at once, loses none, and reports the less often the
// longer it goes on.
func TestBackoff(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var k backoff
		var added, told uint64
		var tells []pulse.Stamp
		now := pulse.Stamp(0)
		for range rapid.IntRange(1, 300).Draw(t, "looks") {
			now += pulse.Stamp(rapid.Int64Range(1, int64(5*time.Minute)).Draw(t, "pause"))
			n := rapid.SampledFrom([]uint64{0, 0, 1, 7}).Draw(t, "n")
			k.add(n)
			added += n
			if x := k.due(now); x > 0 {
				told += x
				if len(tells) > 0 && now-tells[len(tells)-1] < firstPause {
					t.Fatalf("told at %v and again at %v", tells[len(tells)-1], now)
				}
				tells = append(tells, now)
			} else if n > 0 && len(tells) == 0 {
				t.Fatal("the first is not told at once")
			}
			if told+k.held != added {
				t.Fatalf("%d added, %d told, %d held", added, told, k.held)
			}
		}
	})
	// Without end: 1 min, 2, 4 … 32 and then an hour each.
	var k backoff
	n := 0
	for now := pulse.Stamp(0); now < pulse.Stamp(24*time.Hour); now += 1e9 {
		k.add(1)
		if k.due(now) > 0 {
			n++
		}
	}
	if n < 28 || n > 30 {
		t.Errorf("told %d times in a day", n)
	}
	// After a quiet pause the next is told at once again.
	if k.due(100 * pulse.Stamp(time.Hour)); k.held != 0 {
		t.Error("held after its pause")
	}
	k.due(200 * pulse.Stamp(time.Hour))
	k.add(1)
	if k.due(200*pulse.Stamp(time.Hour)+1) != 1 || k.pause != firstPause {
		t.Errorf("not told at once after a quiet pause: %+v", k)
	}
}

// Statistics of times are what their definition says, by two passes.
func TestTimeStats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Int64Range(1, 1e10), 1, 50).Draw(t, "x")
		var s store.TimeStats
		var sum, lo, hi int64 = 0, math.MaxInt64, 0
		for _, v := range x {
			s.Add(v)
			sum, lo, hi = sum+v, min(lo, v), max(hi, v)
		}
		mean, squares := float64(sum)/float64(len(x)), 0.
		for _, v := range x {
			squares += (float64(v) - mean) * (float64(v) - mean)
		}
		if s.N != int64(len(x)) || s.SumNS != sum || s.MinNS != lo || s.MaxNS != hi || math.Abs(s.Squares-squares) > 1e-9*squares+1e-3 {
			t.Fatalf("%+v, want sum %d, %d to %d, squares %v", s, sum, lo, hi, squares)
		}
	})
}

// The minutes of a contact hold what its pulses were, each once.
func TestSummaries(t *testing.T) {
	const d = "dial,digits=13579,rate=9,break=64,gap=700ms,repeat=30,jitter=0.3ms,bounce=2:1ms,seed=4"
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("dial", d, "limits: au-s002-dial"))
		r.start()
		r.pass(5 * time.Minute)
		r.finish()
		var got store.Summary
		var lengths []time.Duration
		var shortest, longest int64 = math.MaxInt64, 0
		gap, bounce := math.Inf(1), 0.
		for m, err := range r.book().Summaries(t.Context(), store.Span{}, "dial") {
			if err != nil {
				t.Fatal(err)
			}
			lengths = append(lengths, time.Duration(m.LengthNS))
			got.Pulses += m.Pulses
			got.OutOfLimit += m.OutOfLimit
			got.Bounced += m.Bounced
			got.Period.N += m.Period.N
			got.Period.SumNS += m.Period.SumNS
			got.Break.N += m.Break.N
			got.Break.SumNS += m.Break.SumNS
			got.PeriodBreaksNS += m.PeriodBreaksNS
			shortest, longest = min(shortest, m.Break.MinNS), max(longest, m.Break.MaxNS)
			gap, bounce = min(gap, m.InterdigitNS.V), max(bounce, m.BounceMaxNS.V)
		}
		// The same edges, measured as a recording.
		out := int64(0)
		m, err := pulse.NewMeter(pulse.Config{Kind: pulse.KindDial, Observer: pulse.Observer{Pulse: func(p *pulse.PulseRow) {
			beyond := func(ns int64, lo, hi float64) bool { return ns > 0 && (float64(ns) < lo*1e6 || float64(ns) > hi*1e6) }
			// AS/CA S002:2010 cl. 5.5.1.8.
			if beyond(p.BreakNS, 60, 70) || beyond(p.MakeNS, 30, 40) || beyond(p.GapNS, 750, 3000) || beyond(p.PeriodNS, 90, 110) {
				out++
			}
		}}})
		if err != nil {
			t.Fatal(err)
		}
		m.Add(signal(t, d, booted, math.MaxInt64))
		whole := m.Finish(0)
		want := whole.Dial
		about := func(what string, got, want float64) {
			t.Helper()
			if math.Abs(got-want) > 1e-9*want {
				t.Errorf("%s is %v, want %v", what, got, want)
			}
		}
		n := float64(want.BreakMS.N)
		about("pulses", float64(got.Pulses), float64(want.Pulses))
		about("breaks", float64(got.Break.N), n)
		about("their sum", float64(got.Break.SumNS), 1e6*n*want.BreakMS.Mean.V)
		about("shortest break", float64(shortest), 1e6*want.BreakMS.Min.V)
		about("longest break", float64(longest), 1e6*want.BreakMS.Max.V)
		about("periods", float64(got.Period.N), float64(want.RatePPS.N))
		about("rate", float64(got.Period.N)*1e9/float64(got.Period.SumNS), want.RatePPS.Overall.V)
		about("percent break", 100*float64(got.PeriodBreaksNS)/float64(got.Period.SumNS), want.BreakPercent.Overall.V)
		about("smallest gap", gap, 1e6*want.InterdigitMS.Min.V)
		about("bounced", float64(got.Bounced), float64(whole.Settling.Bounced))
		if bounce <= 0.5e6 || bounce > 1e6 {
			t.Errorf("longest bounce %v ns", bounce)
		}
		if got.OutOfLimit != out || out < got.Pulses/2 {
			t.Errorf("%d of %d pulses out of limit, want %d", got.OutOfLimit, got.Pulses, out)
		}
		if len(lengths) != 4 || lengths[0] != time.Minute || lengths[3] > 30*time.Second {
			t.Errorf("minutes of %v", lengths)
		}
	})
}

type noLog struct{}

func (noLog) Append([]pulse.Edge) {}

// lone makes the task of a simulated contact, not run, and its edges.
func lone(t testing.TB, r *host, kind pulse.Kind, d string) (*contact, []pulse.Edge) {
	t.Helper()
	profile, err := config.Profile("us-fcc-busy")
	if err != nil {
		t.Fatal(err)
	}
	cfg := config.Contact{Name: "lone", Meter: pulse.Config{Kind: kind, Forget: true}}
	if kind == pulse.KindInterrupter {
		cfg.Meter.Limits = profile
	}
	w := &watch{Options: Options{Host: Host{Now: r.now, Clock: r.clock}, Log: slog.New(slog.DiscardHandler)}, metrics: metrics.New(metrics.Options{})}
	c := newContact(w, cfg, live.New(setting(&cfg), time.Minute, r.now), noLog{}, nil)
	c.begin(booted, pulse.High)
	return c, signal(t, d, booted, math.MaxInt64)
}

// Nothing is allocated for an edge or a cycle.
func TestNoAllocations(t *testing.T) {
	c, edges := lone(t, newHost(), pulse.KindInterrupter, "cam,ipm=600,cycles=3000,jitter=0.5ms,bounce=2:1ms,seed=1")
	add := func(n int) {
		for range n {
			m := min(4, len(edges))
			c.add(edges[:m])
			edges = edges[m:]
		}
	}
	add(500) // learns
	if n := testing.AllocsPerRun(1000, func() { add(1) }); n != 0 || len(edges) == 0 {
		t.Errorf("%v allocations for 4 edges, %d left", n, len(edges))
	}
}

// A contact is not stuck for a time of which nothing has been read yet: the
// process may be stopped between reading and looking.
func TestStuckIsJudgedByWhatWasRead(t *testing.T) {
	h := newHost()
	c, _ := lone(t, h, pulse.KindDial, "dial")
	c.live.Describe(live.Setting{StuckAfter: 5 * time.Minute})
	c.up, c.lastEdge = true, booted
	h.stood.Store(int64(time.Hour))
	if c.lookForStuck(); c.stuck {
		t.Error("stuck for a time that was not read")
	}
	c.advance(booted + pulse.Stamp(5*time.Minute) - 1)
	if c.lookForStuck(); c.stuck {
		t.Error("stuck before its time")
	}
	c.advance(booted + pulse.Stamp(5*time.Minute))
	if c.lookForStuck(); !c.stuck {
		t.Error("not stuck after its time")
	}
}

// BenchmarkAdd takes edges in as they come from a line: a burst a time.
func BenchmarkAdd(b *testing.B) {
	c, edges := lone(b, newHost(), pulse.KindDial, "dial,digits=1234567890,rate=20,repeat=2000,bounce=3:1ms,seed=1")
	b.ReportAllocs()
	for n := 0; b.Loop(); n += 4 {
		if n+4 > len(edges) {
			for i := range edges {
				edges[i].At += edges[len(edges)-1].At - booted + 1e9
			}
			n = 0
		}
		c.add(edges[n : n+4])
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/4, "ns/edge")
}

// BenchmarkStorm takes in edges that come without end.
func BenchmarkStorm(b *testing.B) {
	h := newHost()
	c, _ := lone(b, h, pulse.KindDial, "dial")
	batch := make([]pulse.Edge, 64)
	at := booted
	b.ReportAllocs()
	for b.Loop() {
		for i := range batch {
			at += 10e3
			batch[i] = pulse.Edge{At: at, Level: pulse.Level(i & 1)}
		}
		c.add(batch)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/64, "ns/edge")
}

// A line that is opened in the middle of a bounce, at the start or again after
// it was lost, gives no finding: what its first edges are is not known.
func TestBeginsInABounce(t *testing.T) {
	for _, lead := range []time.Duration{100 * time.Microsecond, time.Millisecond, 3900 * time.Microsecond} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, line+"\nlimits: au-s002-dial")
			opened := 0
			r.open["L"] = func() (src, error) {
				opened++
				// The last edge of a bounce: its opening, which came before, may be
				// 65 ms before the closing, within the limits of 60 to 70.
				at := r.now() + pulse.Stamp(lead)
				edges := []pulse.Edge{
					{At: at, Level: pulse.Low}, {At: at + 59e6, Level: pulse.High},
					{At: at + 94e6, Level: pulse.Low}, {At: at + 159e6, Level: pulse.High},
				}
				return scripted(r.now(), pulse.High, after(200*time.Millisecond), hwtest.Edges(edges...), after(10*time.Second), hwtest.Fail(fmt.Errorf("pulled out"))), nil
			}
			r.start()
			r.pass(25 * time.Second)
			if opened < 2 {
				t.Errorf("opened %d times", opened)
			}
			for _, f := range r.findings("line") {
				if !strings.Contains(f, "source") {
					t.Errorf("%v: finding %q", lead, f)
				}
			}
		})
	}
}
