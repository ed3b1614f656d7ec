package watch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

type src = hw.Live

// silent is a line on which nothing happens.
func silent(from pulse.Stamp) *hwtest.Source { return scripted(from, pulse.High, hwtest.Stall(nil)) }

func scripted(from pulse.Stamp, l pulse.Level, steps ...hwtest.Step) *hwtest.Source {
	s := hwtest.Script(steps...)
	s.From, s.Level = from, l
	return s
}

// held1 tells when a line is given back.
type held1 struct {
	*hwtest.Source
	free func()
}

func (h *held1) Close() error { h.free(); return h.Source.Close() }

// after waits within a script.
func after(d time.Duration) hwtest.Step { return hwtest.After(d) }

const line = "name: line\nsource: 'gpio:L'\nkind: dial\nstuck_after: 5min"

// good is a contact that must not notice what happens to another.
const good = "dial,digits=1234567890,rate=10,break=66,repeat=endless,jitter=0.1ms,bounce-close=3:1ms,seed=1"

func goodContact() string {
	return sim("good", good, "limits: uk-gpo-dial-accept", "stuck_after: 1min")
}

// isExact checks that a simulated contact was logged edge by edge, and decoded.
func (r *rig) isExact(name, description string, until pulse.Stamp) {
	r.Helper()
	got, readings := known(r.logged(name))
	if err := sameEdges(got, signal(r, description, booted, until-pulse.Stamp(batch))); err != nil || readings != 1 {
		r.Errorf("%s: %d readings, %v", name, readings, err)
	}
	if f := r.findings(name); len(f) > 0 {
		r.Errorf("%s: findings %q", name, f)
	}
}

// A line that cannot be used is tried again, ever more rarely, and told of once.
func TestSourceThatCannotBeRead(t *testing.T) {
	for _, why := range []error{
		fmt.Errorf(`open line "L": %w by "other": stop that use of it or take another line`, hw.ErrBusy),
		fmt.Errorf(`open line "L": %w: /dev/gpiochip0 is for group gpio; run "sudo usermod -aG gpio $USER" and log in again`, hw.ErrPermission),
		fmt.Errorf(`find line "L": %w: there is no /dev/gpiochip*`, hw.ErrNoChip),
	} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, line, goodContact())
			var tries []pulse.Stamp
			r.open["L"] = func() (src, error) {
				tries = append(tries, r.now()-booted)
				if len(tries) < 12 {
					return nil, why
				}
				return silent(r.now()), nil
			}
			r.start()
			r.pass(time.Minute)
			r.is(map[string]float64{"up{line}": 0, "up{good}": 1})
			if !strings.Contains(r.page(), "is being read: ") && !strings.Contains(r.page(), "not being read") {
				t.Error("the page does not tell")
			}
			r.pass(29 * time.Second)
			r.is(map[string]float64{"up{line}": 1})
			want := []float64{0, 0.5, 1.5, 3.5, 7.5, 15.5, 25.5, 35.5, 45.5, 55.5, 65.5, 75.5}
			for i, w := range want {
				if i >= len(tries) || tries[i] != pulse.Stamp(w*1e9) {
					t.Fatalf("tried at %v, want %v s", tries, want)
				}
			}
			if n := r.lines("not read"); len(n) != 1 {
				t.Errorf("told %d times: %s", len(n), n)
			}
			r.finish()
			f := r.findings("line")
			if len(f) != 2 || f[0] != "source down: not read: "+why.Error() || !strings.HasPrefix(f[1], "source up:") {
				t.Errorf("findings %q", f)
			}
			r.isExact("good", good, booted+pulse.Stamp(89*time.Second))
		})
	}
}

// A line that is unplugged and comes back: the gap is unknown, no train spans
// it, and the one that is flapping does not flood the log.
func TestUnplugged(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, goodContact())
		opened := 0
		r.open["L"] = func() (src, error) {
			opened++
			s := r.now()
			ms := func(n ...int) (at []pulse.Stamp) {
				for _, x := range n {
					at = append(at, s+pulse.Stamp(x)*1e6)
				}
				return at
			}
			// Three pulses, then gone in the middle of a train.
			edges := scripted(s, pulse.High, after(time.Second), hwtest.Edges(train(ms(100, 160, 200, 260, 300, 360)...)...), hwtest.Fail(fmt.Errorf("read line: %w", hw.ErrUnplugged)))
			if opened == 2 {
				edges = scripted(s, pulse.Low, hwtest.Stall(nil))
			}
			return edges, nil
		}
		r.start()
		r.pass(10 * time.Second)
		r.is(map[string]float64{"up{line}": 1, "edges_total{line}": 6, "pulses_total{line}": 3, "unknown_intervals_total{line}": 1, "trains_total{line}": 1})
		r.finish()
		all := r.logged("line")
		if got, readings := known(all); len(got) != 6 || readings != 2 {
			t.Errorf("%d readings: %+v", readings, all)
		}
		f := r.findings("line")
		if len(f) != 2 || !strings.Contains(f[0], "GPIO chip is gone") {
			t.Errorf("findings %q", f)
		}
		r.isExact("good", good, booted+pulse.Stamp(10*time.Second))
	})
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		n := 0
		r.open["L"] = func() (src, error) {
			n++
			return scripted(r.now(), pulse.High, after(50*time.Millisecond), hwtest.Fail(hw.ErrUnplugged)), nil
		}
		r.start()
		r.pass(time.Hour)
		before, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		r.finish()
		if f := r.findings("line"); len(f) > 14 || len(f) < 6 || n < 300 {
			t.Errorf("%d findings of %d losses", len(f), n)
		}
		if l := r.lines("contact=line"); len(l) > 40 {
			t.Errorf("%d lines of %d losses", len(l), n)
		}
		// The level that is found each time is no edge.
		r.is1(before, map[string]float64{"edges_total{line}": 0})
		for m, err := range r.book().Summaries(t.Context(), store.Span{}, "line") {
			if err != nil || m.Edges != 0 {
				t.Errorf("%v: summary %+v", err, m)
			}
		}
	})
}

// After a minute of reading the next failure is tried again as soon as the
// first; before, the pauses go on growing.
func TestRetryAfterSteadyReading(t *testing.T) {
	for lasts, want := range map[time.Duration]time.Duration{steadyFor: firstRetry, steadyFor - time.Second: 8 * firstRetry} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, line)
			var tries []pulse.Stamp
			r.open["L"] = func() (src, error) {
				tries = append(tries, r.now())
				if len(tries) == 4 {
					return scripted(r.now(), pulse.High, after(lasts), hwtest.Fail(hw.ErrUnplugged)), nil
				}
				return nil, hw.ErrNoChip
			}
			r.start()
			r.pass(2 * time.Minute)
			if len(tries) < 5 || time.Duration(tries[4]-tries[3])-lasts != want {
				t.Errorf("read for %v, tried at %v", lasts, tries)
			}
		})
	}
}

const steadyFor = time.Duration(steady)

// What lies unread in the kernel when watching stops is read, and the level is
// known up to the stop. The pulse that is then not over is in the minute too.
func TestStopReadsWhatIsThere(t *testing.T) {
	bubble(t, func(t *testing.T) {
		const runs = 10100 * time.Millisecond
		r := newRig(t, line)
		stop := booted + pulse.Stamp(runs)
		edges := train(stop-90e6, stop-30e6, stop-1e6)
		var stopping atomic.Bool
		r.open["L"] = func() (src, error) {
			held := func(ctx context.Context, _ []pulse.Edge) (int, bool, error) {
				if <-ctx.Done(); stopping.Load() {
					return 0, true, nil
				}
				return 0, false, ctx.Err()
			}
			return scripted(r.now(), pulse.High, held, hwtest.Edges(edges...), hwtest.Stall(nil)), nil
		}
		r.start()
		r.pass(runs)
		stopping.Store(true)
		r.finish()
		all := r.logged("line")
		got, _ := known(all)
		if err := sameEdges(got, edges); err != nil {
			t.Error(err)
		}
		if last := all[len(all)-1]; last.Level != pulse.Unknown || last.At != stop {
			t.Errorf("the level is known up to %v, want %v", last.At, stop)
		}
		sum := r.sum("line")
		if sum.Edges != 3 || sum.Pulses != 1 || sum.Break.N != 1 || sum.Break.SumNS != 60e6 || sum.LengthNS != int64(runs) {
			t.Errorf("summary %+v", sum)
		}
	})
	// Where edges come without end it stops all the same, and the level is known
	// up to the last one.
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		r.open["L"] = func() (src, error) { return &storm{silent(r.now()), r.now, 10e3, r.now() + 10e3, 0}, nil }
		r.start()
		r.pass(300 * time.Millisecond)
		r.finish()
		all := r.logged("line")
		if n := len(all); n < 100 || all[n-1].Level != pulse.Unknown || all[n-1].At != all[n-2].At {
			t.Errorf("%d edges, at the end %+v", n, all[max(n-2, 0):])
		}
	})
}

// A pulse that is over in a minute without an edge is in the summary of it.
func TestMinuteWithoutEdges(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		r.open["L"] = func() (src, error) {
			return scripted(r.now(), pulse.High, after(59960*time.Millisecond), hwtest.Edges(train(r.now()+59.9e9, r.now()+59.96e9)...), hwtest.Stall(nil)), nil
		}
		r.start()
		r.pass(4 * time.Minute)
		r.finish()
		if sum := r.sum("line"); sum.Edges != 2 || sum.Pulses != 1 || sum.Break.N != 1 {
			t.Errorf("%+v", sum)
		}
		n := 0
		for range r.book().Summaries(t.Context(), store.Span{}, "line") {
			n++
		}
		if n != 2 {
			t.Errorf("%d minutes are in the log, want 2", n)
		}
	})
}

// train makes edges at these times, to Low first.
func train(at ...pulse.Stamp) (edges []pulse.Edge) {
	for i, t := range at {
		edges = append(edges, pulse.Edge{At: t, Level: pulse.Level(i % 2)})
	}
	return edges
}

// A recording is played once, at its own pace; its end is no fault.
func TestSourceThatEnds(t *testing.T) {
	recording, err := filepath.Abs("../../configs/recordings/marrow-quay-dial.csv")
	if err != nil {
		t.Fatal(err)
	}
	const short = "dial,digits=12,rate=10"
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: played\nsource: "+recording+"\nlimits: au-s002-dial\nstuck_after: 5s", sim("short", short, "kind: dial"), goodContact())
		r.start()
		r.pass(5 * time.Second)
		r.is(map[string]float64{"up{played}": 1, "up{short}": 0, "pulses_total{short}": 3, "trains_total{short}": 2})
		r.pass(time.Minute)
		// Digits 1 to 9 and 0, twice.
		r.is(map[string]float64{"up{played}": 0, "pulses_total{played}": 110, "trains_total{played}": 20})
		if strings.Contains(r.page(), "The contact is not being read") {
			t.Error("the page shows a recording's end as a fault")
		}
		r.finish()
		if f := append(r.findings("played"), r.findings("short")...); len(f) > 0 {
			t.Errorf("findings %q", f)
		}
		got, _ := known(r.logged("played"))
		rec, err := hw.OpenRecordingFile(recording, nil, hw.RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		defer rec.Close()
		var want []pulse.Edge
		for buf := make([]pulse.Edge, 64); err == nil; {
			var n int
			n, err = rec.ReadEdges(t.Context(), buf)
			want = append(want, buf[:n]...)
		}
		shift := booted + lead - want[0].At
		for i := range want {
			want[i].At += shift
		}
		if err := sameEdges(got, want); err != nil {
			t.Error(err)
		}
		r.isExact("good", good, booted+pulse.Stamp(65*time.Second))
	})
}

// A recording that is broken in the middle is not played over and over.
func TestBrokenRecording(t *testing.T) {
	recording, err := filepath.Abs("../../configs/recordings/marrow-quay-dial.csv")
	if err != nil {
		t.Fatal(err)
	}
	bubble(t, func(t *testing.T) {
		r := newRig(t, line)
		opened := 0
		broken := &hw.RecordingError{File: "x.csv", Line: 17, Msg: `level is "2"`, Expected: "0 or 1"}
		r.host.open[""] = func() (src, error) {
			opened++
			return scripted(r.now(), pulse.High, hwtest.Edges(train(r.now()+1e6)...), hwtest.Fail(broken)), nil
		}
		r.write("name: line\nsource: " + recording + "\nkind: dial")
		r.start()
		r.pass(5 * time.Minute)
		r.finish()
		if f := r.findings("line"); opened != 1 || len(f) != 1 || !strings.Contains(f[0], "x.csv:17") {
			t.Errorf("opened %d times; findings %q", opened, f)
		}
	})
}

// The wall clock is set by an hour each way and to 1970: each step is found
// once, and no figure changes.
func TestClockSteps(t *testing.T) {
	steps := []time.Duration{time.Hour, -time.Hour, -time.Since(time.Time{}) % time.Hour}
	bubble(t, func(t *testing.T) {
		r := newRig(t, goodContact(), sim("cam", "cam,ipm=60,cycles=endless,seed=3", "limits: us-fcc-busy", "stuck_after: 5s"))
		r.start()
		r.pass(20 * time.Second)
		a, _ := r.clock()
		steps[2] = -time.Duration(a.Wall.UnixNano()) // to 1970
		for _, d := range steps {
			r.step(d)
			r.pass(20 * time.Second)
		}
		r.is(map[string]float64{"clock_steps_total{}": 3, "last_rate_hertz{cam}": 1, "missing_total{cam}": 0, "phase_slips_total{cam}": 0, "contact_stuck{cam}": 0})
		if n := r.lines("the wall clock was set"); len(n) != 3 || !strings.Contains(n[0], "forward by 1h0m0s") || !strings.Contains(n[1], "back by 1h0m0s") {
			t.Errorf("told: %s", n)
		}
		r.finish()
		f := r.findings("")
		if len(f) != 3 {
			t.Errorf("findings %q", f)
		}
		for _, x := range f {
			if !strings.HasPrefix(x, "clock step:") {
				t.Errorf("finding %q", x)
			}
		}
		r.isExact("good", good, booted+pulse.Stamp(80*time.Second))
		r.isExact("cam", "cam,ipm=60,cycles=endless,seed=3", booted+pulse.Stamp(80*time.Second))
	})
}

// The local time goes from one to three in the night, and from three to two.
func TestDaylightSaving(t *testing.T) {
	local := time.Local
	defer func() { time.Local = local }()
	zone, err := time.LoadLocation("Europe/London")
	if err != nil {
		t.Fatal(err)
	}
	time.Local = zone
	for _, before := range []time.Time{time.Date(2024, 3, 31, 0, 59, 30, 0, time.UTC), time.Date(2024, 10, 27, 0, 59, 30, 0, time.UTC)} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, goodContact())
			r.wall = before
			r.start()
			r.pass(time.Minute)
			r.is(map[string]float64{"clock_steps_total{}": 0})
			r.finish()
			if f := r.findings(""); len(f) > 0 {
				t.Errorf("findings %q", f)
			}
			var minutes []string
			for m, err := range r.book().Summaries(t.Context(), store.Span{}, "good") {
				if err != nil {
					t.Fatal(err)
				}
				minutes = append(minutes, m.At.Wall.Format("15:04:05"))
			}
			if len(minutes) != 2 || minutes[0] != "00:59:30" || minutes[1] != "01:00:00" {
				t.Errorf("minutes %q", minutes)
			}
			r.isExact("good", good, booted+pulse.Stamp(time.Minute))
		})
	}
}

// Sequence numbers of 32 bits wrap after some months of a busy contact.
func TestSequenceNumbersWrap(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("cam", "cam,ipm=1200,cycles=endless,seed=1", "kind: interrupter"))
		r.host.open[""] = func() (src, error) {
			spec := mustLoad(r).Contacts[0].Source.Sim
			s, err := hw.NewSimulated(spec, hw.SimulatedOptions{Speed: 1, Start: r.now(), FirstSeq: 1<<32 - 100})
			return &simulated{s, r.now()}, err
		}
		r.start()
		r.pass(20 * time.Second)
		r.is(map[string]float64{"lost_edges_total{cam}": 0, "missing_total{cam}": 0, "unknown_intervals_total{cam}": 0})
		all, err := r.metrics()
		if err != nil || all["edges_total{cam}"] < 500 {
			t.Errorf("%v: %v edges", err, all["edges_total{cam}"])
		}
	})
}

func mustLoad(r *rig) *config.Watch {
	cfg, err := config.LoadWatch(r.file)
	if err != nil {
		r.Fatal(err)
	}
	return cfg
}

// storm gives edges at a rate without end, as the kernel's buffer does.
type storm struct {
	*hwtest.Source
	now   func() pulse.Stamp
	every pulse.Stamp
	next  pulse.Stamp
	n     int
}

func (s *storm) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	if rest := s.next - s.now(); rest > 0 {
		select {
		case <-ctx.Done():
			if s.next > s.now() {
				return 0, ctx.Err()
			}
		case <-time.After(max(time.Duration(rest), 640*time.Microsecond)):
		}
	}
	for now := s.now(); n < len(buf) && n < 64 && s.next <= now; n++ {
		buf[n] = pulse.Edge{At: s.next, Level: pulse.Level(s.n & 1)}
		s.n++
		s.next += s.every
	}
	return n, nil
}

// A hundred thousand edges a second on one line leave the others exact, and
// are all kept.
func TestStorm(t *testing.T) {
	seconds := 10
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		seconds = 2
	}
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, goodContact(), sim("cam", "cam,ipm=120,cycles=endless,seed=3", "kind: interrupter"))
		var s *storm
		r.open["L"] = func() (src, error) {
			s = &storm{silent(r.now()), r.now, 10e3, r.now() + 10e3, 0}
			return s, nil
		}
		r.start()
		r.pass(time.Duration(seconds) * time.Second)
		r.finish()
		got, _ := known(r.logged("line"))
		if len(got) != s.n || len(got) < seconds*99_000 {
			t.Errorf("%d edges logged, %d given", len(got), s.n)
		}
		until := booted + pulse.Stamp(seconds)*1e9
		r.isExact("good", good, until)
		r.isExact("cam", "cam,ipm=120,cycles=endless,seed=3", until)
	})
}

// A contact that is stuck is found so, open or closed, and found well again.
func TestStuck(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("watches for many minutes: MAKEBREAK_ENDURANCE=1 runs it")
	}
	for _, x := range []struct {
		closed string
		level  pulse.Level
		want   string
	}{
		{"high", pulse.High, "stuck closed: closed, without an edge for longer than 5m0s"},
		{"high", pulse.Low, "stuck open: open, without an edge for longer than 5m0s"},
		{"low", pulse.Low, "stuck closed: closed, without an edge for longer than 5m0s"},
		{"low", pulse.High, "stuck open: open, without an edge for longer than 5m0s"},
	} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, line+"\nclosed: "+x.closed, goodContact())
			r.open["L"] = func() (src, error) {
				at := r.now()
				one := pulse.Edge{At: at + pulse.Stamp(10*time.Minute), Level: pulse.High - x.level}
				return scripted(at, x.level, after(10*time.Minute), hwtest.Edges(one), hwtest.Stall(nil)), nil
			}
			r.start()
			r.pass(4 * time.Minute)
			r.is(map[string]float64{"contact_stuck{line}": 0})
			r.pass(2 * time.Minute)
			r.is(map[string]float64{"contact_stuck{line}": 1, "contact_stuck{good}": 0})
			r.pass(5 * time.Minute)
			r.is(map[string]float64{"contact_stuck{line}": 0})
			if len(r.lines("moves again")) != 1 {
				t.Error("it is not told that it moves again")
			}
			r.finish()
			if f := r.findings("line"); len(f) != 1 || f[0] != x.want {
				t.Errorf("findings %q, want %q", f, x.want)
			}
		})
	}
}

// After the process was stopped for a while, what its lines did meanwhile is
// read before anything is judged: a contact that went on is not stuck, and no
// train is ended by the silence that was none; one that has no edge is stuck.
func TestStoppedProcess(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, line, "name: still\nsource: 'gpio:S'\nkind: dial\nstuck_after: 5min")
		const dials = "dial,digits=55,gap=60s,repeat=60"
		r.open["L"] = func() (src, error) {
			return &hwtest.Unwoken{Source: silent(r.now()), Now: r.now, Edges: signal(t, dials, r.now(), r.now()+pulse.Stamp(40*time.Minute))}, nil
		}
		r.open["S"] = func() (src, error) { return silent(r.now()), nil }
		r.start()
		r.pass(time.Minute)
		for range 3 { // the pause may begin anywhere between two looks
			r.stood.Add(int64(10 * time.Minute))
			r.is(map[string]float64{"contact_stuck{line}": 0}) // asked before anything was read
			r.pass(73 * time.Millisecond)
		}
		r.pass(time.Second)
		r.is(map[string]float64{"contact_stuck{line}": 0, "findings_total{line,stuck}": 0, "contact_stuck{still}": 1, "findings_total{still,stuck}": 1})
		upTo := r.now()
		r.finish()
		got, _ := known(r.logged("line"))
		if err := sameEdges(got, signal(t, dials, booted, upTo)); err != nil {
			t.Error(err)
		}
		if f := r.findings("line"); len(f) > 0 {
			t.Errorf("findings %q", f)
		}
	})
}

// While the computer sleeps its monotonic clock stands still, and the wall clock
// goes on: no contact is stuck for that, and one that is, is by time awake.
func TestSleepIsNoSilence(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: line\nsource: 'gpio:L'\nkind: dial\nstuck_after: 5min")
		r.open["L"] = func() (src, error) { return silent(r.now()), nil }
		r.start()
		r.pass(time.Minute)
		r.step(8 * time.Hour)
		r.pass(3 * time.Minute)
		r.is(map[string]float64{"contact_stuck{line}": 0, "findings_total{line,stuck}": 0})
		r.pass(2 * time.Minute)
		r.is(map[string]float64{"contact_stuck{line}": 1, "findings_total{line,stuck}": 1})
		r.finish()
	})
}

// What is due of a recording that is played is given also when the context is
// done.
func TestPlayerGivesWhatIsDue(t *testing.T) {
	bubble(t, func(t *testing.T) {
		h := newHost()
		p, err := play(hwtest.Script(hwtest.Times(0, 20e6, 60e9)), h.now)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		buf := make([]pulse.Edge, 4)
		if n, err := p.ReadEdges(ctx, buf); n != 0 || err != context.Canceled {
			t.Errorf("%d edges, %v", n, err)
		}
		h.stood.Store(int64(2 * time.Second)) // of which the lead is one
		if n, err := p.ReadEdges(ctx, buf); n != 2 || err != nil || buf[0].At != booted+lead || buf[1].At != booted+lead+20e6 {
			t.Errorf("%d edges, %v", n, err)
		}
		if n, err := p.ReadEdges(ctx, buf); n != 0 || err != context.Canceled {
			t.Errorf("%d edges more, %v", n, err)
		}
	})
}

// An interrupter that stands still is told even where nothing says how long it
// may, and its last rate is not told as that of now. A dial may rest.
func TestStandsStill(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: cam\nsource: 'gpio:L'\nlimits: us-fcc-busy", "name: rests\nsource: 'gpio:D'\nkind: dial")
		runs := func(d string) (src, error) {
			edges := signal(t, d, r.now(), r.now()+100e9)
			var steps []hwtest.Step
			for now := r.now(); len(edges) > 0; edges = edges[1:] {
				steps = append(steps, after(time.Duration(edges[0].At-now)), hwtest.Edges(edges[0]))
				now = edges[0].At
			}
			return scripted(r.now(), pulse.High, append(steps, hwtest.Stall(nil))...), nil
		}
		r.open["L"] = func() (src, error) { return runs("cam,ipm=60,cycles=100") }
		r.open["D"] = func() (src, error) { return runs("dial,digits=123") }
		r.start()
		r.pass(101 * time.Second)
		r.is(map[string]float64{"contact_stuck{cam}": 0})
		if p := r.page(); strings.Contains(p, "Last rate") || strings.Contains(p, "no signal") {
			t.Errorf("told as standing still before it is: %s", p)
		}
		r.pass(18 * time.Minute)
		r.is(map[string]float64{"contact_stuck{cam}": 1, "findings_total{cam,stuck}": 1})
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		if _, there := all["contact_stuck{rests}"]; there {
			t.Error("it is told whether a dial is stuck that may rest for ever")
		}
		for _, s := range []string{"1 no signal", "Standing still: no edge for 18 minutes", "last 60.00\u00a0IPM</p>\n<p class=\"quiet\">18 minutes ago", "<p class=\"figure\">10.00\u00a0pps</p>"} {
			if !strings.Contains(r.page(), s) {
				t.Errorf("the page has not %q", s)
			}
		}
		r.finish()
		stuck := slices.DeleteFunc(r.findings("cam"), func(f string) bool { return !strings.HasPrefix(f, "stuck") })
		if len(stuck) != 1 || stuck[0] != "stuck open: open, without an edge for longer than 5s" {
			t.Errorf("findings %q", stuck)
		}
		if f := r.findings("rests"); len(f) > 0 {
			t.Errorf("findings %q", f)
		}
	})
}

// Lost edges, missing and extra interruptions are found at once, and then
// added up: an hour of them is some lines, and no one is forgotten.
func TestFindingsDoNotFlood(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, sim("cam", "cam,ipm=120,cycles=endless,missing=0.1,extra=0.1,jitter=0.5ms,seed=1", "kind: interrupter", "rate: 120ipm"),
			sim("lossy", "cam,ipm=120,cycles=endless,lost=0.05,seed=2", "kind: interrupter"))
		r.start()
		r.pass(20 * time.Second)
		for _, c := range []string{"cam", "lossy"} {
			if len(r.lines("contact="+c+" finding")) == 0 {
				t.Errorf("nothing is told of %s at once", c)
			}
		}
		r.pass(40 * time.Minute)
		all, err := r.metrics()
		if err != nil {
			t.Fatal(err)
		}
		r.finish()
		for contact, kinds := range map[string]map[string]string{"cam": {"missing": "missing", "extra": "extra"}, "lossy": {"lost edges": "lost_edges"}} {
			for kind, total := range kinds {
				n, sum := 0, 0
				for _, f := range r.findings(contact) {
					if strings.HasPrefix(f, kind+": ") {
						var x int
						fmt.Sscanf(strings.ReplaceAll(f[len(kind)+2:], ",", ""), "%d", &x)
						n, sum = n+1, sum+x
					}
				}
				counted := int(all[total+"_total{"+contact+"}"])
				if n > 8 || n < 5 || sum > counted || sum < counted/3 {
					t.Errorf("%s: %d findings of %d %s in all, %d counted", contact, n, sum, kind, counted)
				}
			}
		}
	})
}

// A value that crosses a limit is found, once, and again only after it was
// back; one that hovers about the limit is not found each time.
func TestLimitCrossed(t *testing.T) {
	bubble(t, func(t *testing.T) {
		// The break grows by 10 s a day, from 500 ms: 550 ms after some 7 minutes.
		r := newRig(t, sim("wears", "cam,ipm=60,break=50,wear=10s,cycles=endless,jitter=2ms,seed=1", "limits: us-fcc-busy"),
			sim("hovers", "cam,break=550ms,make=450ms,cycles=endless,jitter=1ms,seed=2", "limits: us-fcc-busy"))
		r.start()
		r.pass(5 * time.Minute)
		if f := r.lines("contact=wears finding"); len(f) > 0 {
			t.Errorf("found before it was so: %s", f)
		}
		r.pass(25 * time.Minute)
		r.finish()
		f := r.findings("wears")
		if len(f) < 1 || len(f) > 2 || !strings.HasPrefix(f[0], "limit: break 55") || !strings.Contains(f[0], "above the limit of 550 ms") {
			t.Errorf("findings %q", f)
		}
		f = r.findings("hovers")
		if len(f) < 1 || len(f) > 2 {
			t.Errorf("findings %q", f)
		}
		found := 0
		for x, err := range r.book().Findings(t.Context(), store.Span{}, "wears") {
			if err != nil || !strings.Contains(string(x.Detail), `"quantity":"break_ms"`) {
				t.Errorf("%v: %s", err, x.Detail)
			}
			if at := time.Duration(x.At.Mono - booted); at < 6*time.Minute || at > 9*time.Minute {
				t.Errorf("found at %v", at)
			}
			found++
		}
		if found == 0 {
			t.Error("no finding")
		}
	})
}

// When a window has no value out of a limit any more, that is a finding too, and
// the page tells since when a limit is exceeded. The cam is invented.
func TestLimitKept(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: cam\nsource: 'gpio:L'\nlimits: us-fcc-busy")
		r.open["L"] = func() (src, error) {
			start := r.now()
			edges := slices.Concat(signal(t, "cam,ipm=60,break=50,cycles=60", start, start+60e9),
				signal(t, "cam,ipm=60,break=60,cycles=60", start+60e9, start+120e9), signal(t, "cam,ipm=60,break=50,cycles=2000", start+120e9, start+2000e9))
			var steps []hwtest.Step
			for now := start; len(edges) > 0; edges = edges[1:] {
				steps = append(steps, after(time.Duration(edges[0].At-now)), hwtest.Edges(edges[0]))
				now = edges[0].At
			}
			return scripted(start, pulse.High, append(steps, hwtest.Stall(nil))...), nil
		}
		r.start()
		r.pass(5 * time.Minute)
		if p := r.page(); !strings.Contains(p, "; beyond it since ") || !strings.Contains(p, ", 3 minutes ago") {
			t.Errorf("the page does not tell since when: %s", p)
		}
		r.pass(9 * time.Minute)
		r.finish()
		f := slices.DeleteFunc(r.findings("cam"), func(s string) bool { return !strings.HasPrefix(s, "limit") }) // edges are missing where the parts meet
		if len(f) != 2 || !strings.HasPrefix(f[0], "limit: break 600.00 ms is above the limit of 550 ms") || f[1] != "limit kept: break has kept the limit of 550 ms for 10m0s" {
			t.Errorf("findings %q", f)
		}
	})
}

// A dial that is read with the wrong polarity is a finding, once, and a notice on
// the page; with the right one it is neither.
func TestSwappedPolarity(t *testing.T) {
	bubble(t, func(t *testing.T) {
		const dial = "dial,digits=50505,repeat=endless"
		r := newRig(t, sim("right", dial, "kind: dial"), sim("swapped", dial, "kind: dial", "closed: low"))
		r.start()
		r.pass(5 * time.Minute)
		const says = "seems to rest open"
		if p := r.page(); strings.Count(p, says) != 1 || !strings.Contains(p, "with closed: high it would read as a dial") {
			t.Errorf("the page: %s", p)
		}
		r.finish()
		if f := r.findings("swapped"); len(f) != 1 || f[0] != "rests open: the contact seems to rest open; with closed: high it would read as a dial: is the polarity the other way round?" {
			t.Errorf("findings %q", f)
		}
		if f := r.findings("right"); len(f) > 0 {
			t.Errorf("findings %q", f)
		}
	})
}

// The log of another watch is not touched.
func TestTwoWatchesOnOneLog(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, goodContact())
		r.start()
		r.pass(3 * time.Second)
		opt := r.opt
		opt.Listener = &pipes{done: make(chan struct{})}
		err := Run(t.Context(), mustLoad(r), opt)
		var held *store.HeldError
		if !errors.As(err, &held) || !strings.Contains(err.Error(), "already writes this log: stop it first") {
			t.Errorf("%v", err)
		}
		r.pass(3 * time.Second)
		r.finish()
		r.isExact("good", good, booted+pulse.Stamp(6*time.Second))
	})
}

// The next start resumes the run, and the gap is known to be one.
func TestRestart(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, goodContact())
		r.start()
		r.pass(10 * time.Second)
		r.finish()
		time.Sleep(time.Minute)
		r.start()
		r.pass(10 * time.Second)
		r.finish()
		if f := r.findings(""); len(f) != 1 || !strings.HasPrefix(f[0], "restart: started after it was stopped; nothing was recorded for 1m0s") {
			t.Errorf("findings %q", f)
		}
		if _, n := known(r.logged("good")); n != 2 {
			t.Errorf("%d readings", n)
		}
	})
}

// A hundred contacts are read, shown and logged.
func TestHundredContacts(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var all []string
		for i := range 100 {
			all = append(all, sim("c"+itoa(i), strings.Replace(good, "seed=1", "seed="+itoa(i+1), 1), "kind: dial"))
		}
		r := newRig(t, all...)
		r.start()
		r.pass(10 * time.Second)
		page := r.page()
		want := map[string]float64{}
		for i := range 100 {
			want["up{c"+itoa(i)+"}"] = 1
			if !strings.Contains(page, `id="c`+itoa(i)+`"`) {
				t.Errorf("c%d is not on the page", i)
			}
		}
		r.is(want)
		r.finish()
		for _, i := range []int{0, 50, 99} {
			r.isExact("c"+itoa(i), strings.Replace(good, "seed=1", "seed="+itoa(i+1), 1), booted+pulse.Stamp(10*time.Second))
		}
	})
}
