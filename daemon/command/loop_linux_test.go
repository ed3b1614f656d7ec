package command

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"makebreak/daemon/calibration"
	"makebreak/daemon/config"
	"makebreak/hw"
	"makebreak/pulse"
)

// A bench stands for two lines with something between: what is sent comes back
// as react has it.
type bench struct {
	react  func(sent []pulse.Edge) []pulse.Edge
	late   func(play int) int // writes of that play that are late
	plays  int
	onPlay func(play int)
	err    error // of the next play
	begun  time.Time
	back   chan []pulse.Edge
	gone   chan struct{}
	idle   pulse.Level
}

func newBench(react func([]pulse.Edge) []pulse.Edge) *bench {
	return &bench{react: react, begun: time.Now(), back: make(chan []pulse.Edge, 1000), gone: make(chan struct{})}
}

func (b *bench) Play(ctx context.Context, edges iter.Seq[pulse.Edge], opt hw.PlayOptions) (hw.PlayReport, error) {
	b.plays++
	if b.onPlay != nil {
		b.onPlay(b.plays)
	}
	if b.err != nil {
		return hw.PlayReport{}, b.err
	}
	rep := hw.PlayReport{Start: pulse.Stamp(time.Since(b.begun)), BoundNS: 200_000, Scheduling: "as the test has it"}
	var sent []pulse.Edge
	last := pulse.Stamp(0)
	for e := range edges {
		if e.At < last || e.Level > pulse.High {
			panic("a schedule that no line can keep")
		}
		last = e.At
		if ctx.Err() != nil {
			return rep, ctx.Err()
		}
		due := rep.Start + e.At
		sent = append(sent, pulse.Edge{At: due, Level: e.Level})
		rep.Edges++
		if opt.OnWrite != nil {
			opt.OnWrite(e, due, due)
		}
	}
	time.Sleep(time.Duration(last))
	if b.late != nil {
		rep.Late = b.late(b.plays)
		rep.LateMaxNS = int64(rep.Late) * 300_000
	}
	b.back <- b.react(sent)
	return rep, nil
}

func (b *bench) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	var e []pulse.Edge
	select {
	case <-ctx.Done():
		select {
		case e = <-b.back: // what is there is given all the same
		default:
			return 0, ctx.Err()
		}
	case <-b.gone:
		return 0, errors.New("gone")
	case e = <-b.back:
	}
	n := copy(buf, e)
	if n < len(e) {
		rest := e[n:]
		for len(rest) > 0 { // in pieces, as a reader gets them
			k := min(len(rest), 60)
			b.back <- rest[:k]
			rest = rest[k:]
		}
	}
	return n, nil
}

func (b *bench) InitialLevel() pulse.Level { return b.idle }
func (b *bench) Start() pulse.Stamp        { return 0 }
func (b *bench) Close() error              { return nil }

func (b *bench) loop() *loop { return &loop{player: b, ear: listen(b)} }

// relay is a pulse-repeating relay: it lets go when the line has been open for
// release, and pulls up when it has been closed for operate; what is shorter it
// does not notice.
func relay(release, operate func() time.Duration) func([]pulse.Edge) []pulse.Edge {
	return func(sent []pulse.Edge) (out []pulse.Edge) {
		level := pulse.Low
		for i, e := range sent {
			after := operate()
			if e.Level == pulse.Low {
				after = release()
			}
			at := e.At + pulse.Stamp(after)
			if i+1 < len(sent) && sent[i+1].At <= at || e.Level == level {
				continue
			}
			level = e.Level
			out = append(out, pulse.Edge{At: at, Level: level})
		}
		return out
	}
}

func always(d time.Duration) func() time.Duration { return func() time.Duration { return d } }

func marginFlags() *marginCmd {
	c := &marginCmd{Digit: "5", Repeats: 3, Seed: 7, Answer: "pulses", AnswerClosed: "high", Bias: "as-is"}
	c.Out, c.In, c.OutClosed, c.Idle = "GPIO27", "GPIO17", "high", "low"
	c.Rates.UnmarshalText([]byte("8:12:2"))
	c.Breaks.UnmarshalText([]byte("40:70:5"))
	return c
}

// The margin that is found is the relay's: it lets go after 45 ms and pulls up
// after 35 ms, so a break of p % at r pps is followed when 10·p/r > 45 and
// 10·(100 − p)/r > 35.
func TestMarginFindsTheWindow(t *testing.T) {
	follows := func(c pulse.MarginCell) bool {
		return 10*c.BreakPercent/c.RatePPS > 45 && 10*(100-c.BreakPercent)/c.RatePPS > 35
	}
	for _, gaps := range []string{"", "300,600"} {
		synctest.Test(t, func(t *testing.T) {
			c := marginFlags()
			if gaps != "" {
				c.Gaps.UnmarshalText([]byte(gaps))
			}
			s, err := c.settings()
			if err != nil {
				t.Fatal(err)
			}
			b := newBench(relay(always(45*time.Millisecond), always(35*time.Millisecond)))
			l := b.loop()
			defer l.ear.close()
			test := &marginTest{run: newMarginRun(s), con: newConsole(&shell{env: os.Getenv})}
			if err := test.all(t.Context(), l); err != nil {
				t.Fatal(err)
			}
			right := 0
			for _, cell := range test.run.cells {
				want := 0
				if follows(cell) {
					want = c.Repeats
					right++
				}
				if cell.Tries != c.Repeats || cell.Right != want {
					t.Errorf("%+v: want %d right", cell, want)
				}
			}
			if right == 0 || right == len(test.run.cells) || b.plays != len(test.run.order) {
				t.Errorf("%d of %d cells are right: the test shows nothing; %d plays", right, len(test.run.cells), b.plays)
			}
		})
	}
}

// What a try writes: 2 pulses of 60 ms break and 40 ms make, twice, 300 ms apart.
func TestMarginEdges(t *testing.T) {
	c := marginFlags()
	c.Digit, c.Gaps = "2", values{300}
	for _, k := range []struct{ idle, outClosed, want string }{
		{"low", "high", "0:1 1000:0 1060:1 1100:0 1160:1 1460:0 1520:1 1560:0 1620:1 2620:0"},
		{"low", "low", "1000:1 1060:0 1100:1 1160:0 1460:1 1520:0 1560:1 1620:0 2620:0"},
	} {
		c.Idle, c.OutClosed = k.idle, k.outClosed
		s, err := c.settings()
		if err != nil {
			t.Fatal(err)
		}
		cell := pulse.MarginCell{RatePPS: 10, BreakPercent: 60, GapMS: pulse.Known(300)}
		var got []string
		for e := range s.edges(cell) {
			got = append(got, fmt.Sprintf("%g:%d", float64(e.At)/1e6, e.Level))
		}
		if strings.Join(got, " ") != k.want {
			t.Errorf("idle %s, closed %s: %s", k.idle, k.outClosed, strings.Join(got, " "))
		}
	}
	c.Gaps = nil
	s, err := c.settings()
	if err != nil {
		t.Fatal(err)
	}
	if end := s.end(pulse.MarginCell{RatePPS: 10, BreakPercent: 60}); end != 2160e6 {
		t.Errorf("one train ends at %d", end)
	}
}

// A lamp that lights once for each digit counted right.
func TestMarginOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := marginFlags()
		c.Answer, c.AnswerClosed = "once", "low"
		c.Rates, c.Breaks = values{10}, values{60}
		s, err := c.settings()
		if err != nil {
			t.Fatal(err)
		}
		lamps := 1
		b := newBench(func(sent []pulse.Edge) (out []pulse.Edge) {
			// Lit 100 ms after the last pulse; dark 50 ms after the release, which is no answer.
			at := sent[len(sent)-2].At + 100e6
			for range lamps {
				out = append(out, pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 50e6, Level: pulse.High})
				at += 100e6
			}
			return append(out, pulse.Edge{At: sent[len(sent)-1].At + 50e6, Level: pulse.Low}, pulse.Edge{At: sent[len(sent)-1].At + 60e6, Level: pulse.High})
		})
		b.idle = pulse.High
		l := b.loop()
		defer l.ear.close()
		test := &marginTest{run: newMarginRun(s), con: newConsole(&shell{env: os.Getenv})}
		for i, n := range []int{1, 0, 2} {
			lamps = n
			try, err := test.one(t.Context(), l)
			if err != nil || try.Right != (n == 1) || len(try.Counts) != n {
				t.Errorf("try %d with %d lamps: %+v, %v", i, n, try, err)
			}
			if err := test.run.take(try); err != nil {
				t.Error(err)
			}
		}
	})
}

// A try with a late pulse or a lost edge says nothing and is made again; too
// many of them end the test.
func TestMarginVoid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := marginFlags()
		c.Rates, c.Breaks = values{10}, values{60}
		s, _ := c.settings()
		good := relay(always(time.Millisecond), always(time.Millisecond))
		plays := 0
		b := newBench(func(sent []pulse.Edge) []pulse.Edge {
			e := good(sent)
			if plays++; plays == 3 {
				e[4].Lost = 2
			}
			return e
		})
		b.late = func(play int) int { return map[int]int{1: 1}[play] }
		l := b.loop()
		defer l.ear.close()
		test := &marginTest{run: newMarginRun(s), con: newConsole(&shell{env: os.Getenv})}
		if err := test.all(t.Context(), l); err != nil {
			t.Fatal(err)
		}
		if got := test.run.cells[0]; got.Tries != 3 || got.Right != 3 || test.run.allVoids != 2 || b.plays != 5 {
			t.Errorf("%+v, %d void, %d plays", got, test.run.allVoids, b.plays)
		}
		b.late, b.plays = func(int) int { return 1 }, 0
		test = &marginTest{run: newMarginRun(s), con: test.con}
		if err := test.all(t.Context(), l); err == nil || !strings.Contains(err.Error(), "5 tries in a row said nothing, the last because a pulse was sent 300 µs late") || b.plays != maxVoids {
			t.Errorf("always late: %v after %d plays", err, b.plays)
		}
	})
}

// A test that is stopped and continued any number of times, its file cut off
// in the middle of a line meanwhile, ends with what one run gives.
func TestMarginResumes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kept.jsonl")
	synctest.Test(t, func(t *testing.T) {
		c := marginFlags()
		s, err := c.settings()
		if err != nil {
			t.Fatal(err)
		}
		circuit := relay(always(45*time.Millisecond), always(35*time.Millisecond))
		con := newConsole(&shell{env: os.Getenv})
		whole := &marginTest{run: newMarginRun(s), con: con}
		b := newBench(circuit)
		l := b.loop()
		if err := whole.all(t.Context(), l); err != nil {
			t.Fatal(err)
		}
		l.ear.close()
		made := 0
		for stops := 0; ; stops++ {
			keep, run, err := openKeeper(path, &s, false)
			if err != nil {
				t.Fatal(err)
			}
			if run.next != made {
				t.Fatalf("%d tries are kept of %d", run.next, made)
			}
			ctx, cancel := context.WithCancel(t.Context())
			b := newBench(circuit)
			b.onPlay = func(play int) {
				if play == 10 {
					cancel()
				}
			}
			l := b.loop()
			err = (&marginTest{run: run, keep: keep, con: con}).all(ctx, l)
			l.ear.close()
			keep.close()
			cancel()
			made = run.next
			if err == nil {
				if d := cmp.Diff(whole.run.cells, run.cells); d != "" || stops < 5 {
					t.Errorf("after %d stops: %s", stops, d)
				}
				return
			}
			if !errors.Is(err, context.Canceled) {
				t.Fatal(err)
			}
			f, err := os.OpenFile(path, os.O_WRONLY|os.O_APPEND, 0)
			if err != nil {
				t.Fatal(err)
			}
			f.WriteString(`{"try":`)
			f.Close()
		}
	})
}

func TestMarginKeepRefuses(t *testing.T) {
	dir := t.TempDir()
	c := marginFlags()
	s, err := c.settings()
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "kept")
	keep, run, err := openKeeper(path, &s, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := keep.add(marginTry{Try: 0, Cell: run.order[0], Right: true, Counts: []int{5}, Whole: true}); err != nil {
		t.Fatal(err)
	}
	keep.close()
	b, _ := os.ReadFile(path)
	good := string(b)
	other := s
	other.Pulses = 6
	for name, k := range map[string]struct {
		text string
		want *marginSettings
		says string
	}{
		"another test":  {good, &other, "it is of another test: its pulses is 5, not 6"},
		"no settings":   {"{}\n", &s, "line 1: expected the settings"},
		"a bad grid":    {strings.Replace(good, `"repeats":3`, `"repeats":0`, 1), &s, "line 1: 0 repeats"},
		"a wrong order": {good + `{"try":3,"cell":0}` + "\n", &s, "line 3: try 3 of cell 0: expected the tries in their order"},
		"a wrong cell":  {good + fmt.Sprintf(`{"try":1,"cell":%d}`, run.order[2]) + "\n", &s, "expected the tries in their order"},
		"not ours":      {"time_ns,level\n1,0\n", &s, "line 1: expected the settings"},
		"an odd key":    {good + `{"try":1,"cel":0}` + "\n", &s, `line 3: json: unknown field "cel"`},
		"no file":       {"", nil, "no such file"},
		"cut at once":   {good[:40], nil, "expected the settings of a margin test in its first line"},
	} {
		path := filepath.Join(dir, name)
		if k.text != "" {
			if err := os.WriteFile(path, []byte(k.text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if _, _, err := openKeeper(path, k.want, false); err == nil || !strings.Contains(err.Error(), k.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, run, err := openKeeper(path, nil, false); err != nil || run.next != 1 {
		t.Errorf("shown: %v, %v", run, err)
	}
	if k, run, err := openKeeper(path, &other, true); err != nil || run.next != 0 {
		t.Errorf("begun anew: %v, %v", run, err)
	} else {
		k.close()
	}
}

// Two runs do not write one file; to show it is no matter.
func TestMarginKeepIsLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kept")
	s, err := marginFlags().settings()
	if err != nil {
		t.Fatal(err)
	}
	for _, first := range []bool{true, false} {
		keep, run, err := openKeeper(path, &s, false)
		if err != nil {
			t.Fatal(err)
		}
		if first {
			if err := keep.add(marginTry{Try: 0, Cell: run.order[0], Right: true, Counts: []int{5}, Whole: true}); err != nil {
				t.Fatal(err)
			}
		}
		for _, anew := range []bool{false, true} {
			if _, _, err := openKeeper(path, &s, anew); !errors.Is(err, errLocked) || !strings.Contains(err.Error(), "--keep "+path+": in use by another run") {
				t.Errorf("first %v, anew %v: %v", first, anew, err)
			}
		}
		if _, run, err := openKeeper(path, nil, false); err != nil || run.next != 1 {
			t.Errorf("shown: %v, %v", run, err)
		}
		keep.close()
	}
	if keep, run, err := openKeeper(path, &s, false); err != nil || run.next != 1 {
		t.Errorf("after both: %v, %v", run, err)
	} else {
		keep.close()
	}
}

func TestValues(t *testing.T) {
	for _, c := range []struct {
		text string
		want values
	}{
		{"8:12:0.5", values{8, 8.5, 9, 9.5, 10, 10.5, 11, 11.5, 12}},
		{"50:51:0.1", values{50, 50.1, 50.2, 50.3, 50.4, 50.5, 50.6, 50.7, 50.8, 50.9, 51}},
		{"10:10:1", values{10}}, {"9,10,11.5", values{9, 10, 11.5}}, {"7", values{7}},
		{"", nil}, {"10,9", nil}, {"9,9", nil}, {"9:8:1", nil}, {"8:12:0", nil}, {"8:12:-1", nil}, {"8:12:1e-9", nil},
		{"8:12", nil}, {"8:x:1", nil}, {"NaN", nil}, {"1:NaN:1", nil}, {"Inf", nil},
	} {
		var v values
		err := v.UnmarshalText([]byte(c.text))
		if (err == nil) != (c.want != nil) || err == nil && !cmp.Equal(v, c.want) {
			t.Errorf("%q: %v, %v", c.text, v, err)
		}
	}
}

// The plot shows what was found; MAKEBREAK_PLOTS=DIR keeps it to be looked at.
func TestMarginPlot(t *testing.T) {
	var run *marginRun
	c := marginFlags()
	rng := rand.New(rand.NewPCG(1, 2))
	about := func(ms, sd float64) func() time.Duration {
		return func() time.Duration { return time.Duration((ms + sd*rng.NormFloat64()) * 1e6) }
	}
	test := func(name string, change func(*marginCmd), stop int, limits string) {
		c = marginFlags()
		c.Repeats = 10
		change(c)
		s, err := c.settings()
		if err != nil {
			t.Fatal(err)
		}
		run = newMarginRun(s)
		circuit := relay(about(44, 0.6), about(29, 0.6))
		for !run.done() && run.next < stop {
			cell := run.cells[run.order[run.next]]
			var sent []pulse.Edge
			for e := range s.edges(cell) {
				sent = append(sent, e)
			}
			a := s.answer()
			heard := circuit(sent)
			for len(heard) > 0 && heard[len(heard)-1].At > s.end(cell) {
				heard = heard[:len(heard)-1]
			}
			counts, whole, err := a.Count(cell, heard, 0, s.end(cell), pulse.Low)
			if err != nil {
				t.Fatal(err)
			}
			if err := run.take(marginTry{Try: run.next, Cell: run.order[run.next], Right: a.Right(counts, whole, s.trains(), s.Pulses)}); err != nil {
				t.Fatal(err)
			}
		}
		var profile *pulse.Profile
		if limits != "" {
			if profile, err = config.Profile(limits); err != nil {
				t.Fatal(err)
			}
		}
		for _, suffix := range []string{".png", ".svg"} {
			var b bytes.Buffer
			if err := plotMargin(&b, suffix, run, profile); err != nil {
				t.Fatal(err)
			}
			if magic := map[string]string{".png": "\x89PNG", ".svg": "<?xml"}[suffix]; !bytes.HasPrefix(b.Bytes(), []byte(magic)) || b.Len() < 5000 {
				t.Errorf("%s%s: %d bytes, %q", name, suffix, b.Len(), b.Bytes()[:20])
			}
			if dir := os.Getenv("MAKEBREAK_PLOTS"); dir != "" {
				if err := os.WriteFile(filepath.Join(dir, name+suffix), b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
		}
		p := page{}
		writeMargin(&p, run, profile, "")
		t.Logf("\n%s", p.String())
		for line := range strings.Lines(p.String()) {
			if width(strings.TrimSuffix(line, "\n")) > pageWidth {
				t.Errorf("%s: too wide: %s", name, line)
			}
		}
	}
	set := func(v *values, s string) {
		if err := v.UnmarshalText([]byte(s)); err != nil {
			t.Fatal(err)
		}
	}
	test("wide", func(c *marginCmd) { set(&c.Rates, "7:13:0.5"); set(&c.Breaks, "45:80:2.5") }, math.MaxInt, "jp-exchange-10pps")
	test("small", func(c *marginCmd) { set(&c.Rates, "8,10,12"); set(&c.Breaks, "50,60,70") }, math.MaxInt, "")
	test("fine", func(c *marginCmd) { set(&c.Rates, "7:14:0.25"); set(&c.Breaks, "40:80:1"); c.Repeats = 2 }, 1500, "au-s002-dial")
	test("gaps", func(c *marginCmd) { set(&c.Rates, "8:12:1"); set(&c.Breaks, "45:75:5"); set(&c.Gaps, "200,600") }, math.MaxInt, "jp-exchange-10pps")
	test("one", func(c *marginCmd) { set(&c.Rates, "10"); set(&c.Breaks, "40:80:2") }, math.MaxInt, "uk-gpo-dial-accept")
}

// The outline of what limits allow runs along them.
func TestLimitOutline(t *testing.T) {
	v := func(x float64) *float64 { return &x }
	p := &pulse.Profile{Limits: []pulse.Limit{{Quantity: pulse.RatePPS, Min: v(9), Max: v(11)}, {Quantity: pulse.BreakPercent, Min: v(58), Max: v(70)}}}
	ring := limitOutline(p, pulse.Num{}, 40, 80, 7, 13)
	for _, at := range ring {
		onSide := math.Abs(at.X-58) < 1e-9 || math.Abs(at.X-70) < 1e-9
		if !onSide || at.Y < 9 || at.Y > 11 {
			t.Fatalf("a corner at %v", at)
		}
	}
	if ring[0] != ring[len(ring)-1] || ring[0].Y > 9.02 || ring[len(ring)/2].Y < 10.98 {
		t.Errorf("not around: %v … %v", ring[0], ring[len(ring)/2])
	}
	if ring := limitOutline(p, pulse.Num{}, 75, 80, 7, 13); ring != nil {
		t.Error("limits outside the plot are drawn")
	}
}

func calibrateFlags() *calibrateCmd {
	c := &calibrateCmd{Pulses: 400, Closed: "high", Bias: "as-is", CalibrationDays: 180, Coupler: "invented"}
	c.OutClosed, c.Idle = "high", "low"
	return c
}

// What a chain does to edges is found, in every polarity.
func TestCalibrateFinds(t *testing.T) {
	for _, k := range []struct{ outClosed, closed, idle string }{{"high", "high", "low"}, {"low", "high", "low"}, {"high", "low", "high"}, {"low", "low", "high"}} {
		synctest.Test(t, func(t *testing.T) {
			c := calibrateFlags()
			c.OutClosed, c.Closed, c.Idle = k.outClosed, k.closed, k.idle
			if err := c.check(); err != nil {
				t.Fatal(err)
			}
			rng := rand.New(rand.NewPCG(3, 4))
			b := newBench(func(sent []pulse.Edge) (out []pulse.Edge) {
				level := levelOf(c.Idle)
				for _, e := range sent {
					if e.Level == level {
						continue
					}
					level = e.Level
					closed := polarityOf(c.OutClosed).Closed(e.Level)
					delay := 75e3
					if closed {
						delay = 30e3
					}
					out = append(out, pulse.Edge{At: e.At + pulse.Stamp(delay+5e3*rng.NormFloat64()), Level: polarityOf(c.Closed).Level(closed)})
				}
				return out
			})
			l := b.loop()
			defer l.ear.close()
			r, _, err := c.play(t.Context(), l, 0)
			if err != nil {
				t.Fatal(err)
			}
			if why := c.refuse(r); why != "" || r.Lost != 0 || r.Extra != 0 {
				t.Fatalf("%+v: refused: %s, %+v", k, why, r)
			}
			if math.Abs(r.Asymmetry.V-45e3) > 3*r.AsymmetryU.V || r.AsymmetryU.V > 1000 || math.Abs(r.EdgeNoise.V-5e3) > 500 || len(r.Lengths) != calibrateLengths {
				t.Errorf("%+v: asymmetry %.0f ± %.0f ns, noise %.0f ns, %d lengths", k, r.Asymmetry.V, r.AsymmetryU.V, r.EdgeNoise.V, len(r.Lengths))
			}
			if r.Openings != c.Pulses {
				t.Errorf("%d openings of %d", r.Openings, c.Pulses)
			}
		})
	}
}

// A chain that does not follow is not saved.
func TestCalibrateRefuses(t *testing.T) {
	follow := func(sent []pulse.Edge) []pulse.Edge {
		return relay(always(time.Millisecond/10), always(time.Millisecond/10))(sent)
	}
	for name, k := range map[string]struct {
		react func([]pulse.Edge) []pulse.Edge
		says  string
	}{
		"nothing comes": {func([]pulse.Edge) []pulse.Edge { return nil }, "only 0 of 801 edges came back"},
		"wrong way round": {func(sent []pulse.Edge) []pulse.Edge {
			out := follow(sent)
			for i := range out {
				out[i].Level = 1 - out[i].Level
			}
			return out
		}, "look at the wiring, at --closed"},
		"too slow": {relay(always(time.Millisecond/10), always(50*time.Millisecond)), "edges"},
		"bounce": {func(sent []pulse.Edge) (out []pulse.Edge) {
			for i, e := range follow(sent) {
				out = append(out, e)
				if i%20 == 3 {
					out = append(out, pulse.Edge{At: e.At + 1e5, Level: 1 - e.Level}, pulse.Edge{At: e.At + 2e5, Level: e.Level})
				}
			}
			return out
		}, "too many, of 801: the chain does not follow"},
	} {
		synctest.Test(t, func(t *testing.T) {
			c := calibrateFlags()
			if err := c.check(); err != nil {
				t.Fatal(err)
			}
			l := newBench(k.react).loop()
			defer l.ear.close()
			r, _, err := c.play(t.Context(), l, 0)
			if err != nil {
				t.Fatal(err)
			}
			if why := c.refuse(r); !strings.Contains(why, k.says) {
				t.Errorf("%s: %q", name, why)
			}
		})
	}
}

func TestCalibratePage(t *testing.T) {
	k := &calibration.Calibration{
		At: time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), Coupler: "board 3, 10 kΩ",
		Line:   calibration.Line{Label: "pinctrl-rp1", Offset: 17, Name: "GPIO17", Closed: "high", Bias: "as is"},
		Sender: calibration.Line{Label: "pinctrl-rp1", Offset: 27, Name: "GPIO27", Closed: "high"},
		Result: &pulse.Loopback{Sent: 802, Openings: 401, Closings: 401, EdgeNoise: pulse.Known(5e3), Asymmetry: pulse.Known(45123), AsymmetryU: pulse.Known(240),
			Linearity: pulse.Known(100), LinearityU: pulse.Known(5), DriftNSPerS: pulse.Known(-1), DriftU: pulse.Known(2), DelayOpen: pulse.Known(75e3), DelayClose: pulse.Known(30e3),
			Lengths: []pulse.LoopbackLength{{BreakMS: 10, N: 40, ErrorNS: -45e3, SE: pulse.Known(1e3)}}},
	}
	p := page{}
	writeCalibrated(&p, k, "/state/x.json", "", hw.PlayReport{Scheduling: "as the test has it"})
	for _, want := range []string{"CALIBRATED\n", "asymmetry      +45.12  ± 0.48", "edge noise       5.00", "The error of a break depends on its length", "Saved as /state/x.json"} {
		if !strings.Contains(p.String(), want) {
			t.Errorf("no %q in\n%s", want, p.String())
		}
	}
	if strings.Contains(p.String(), "drifted") {
		t.Errorf("a drift that is none:\n%s", p.String())
	}
	for line := range strings.Lines(p.String()) {
		if width(strings.TrimSuffix(line, "\n")) > pageWidth {
			t.Errorf("too wide: %s", line)
		}
	}
}

// The document holds what a program needs.
func TestMarginDocument(t *testing.T) {
	c := marginFlags()
	s, err := c.settings()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := encodeJSON(&b, marginDocument(newMarginRun(s), nil)); err != nil {
		t.Fatal(err)
	}
	var d map[string]any
	if err := json.Unmarshal(b.Bytes(), &d); err != nil {
		t.Fatal(err)
	}
	cell := d["cells"].([]any)[0].(map[string]any)
	if cell["right_upper_95"] != 1.0 || cell["gap_ms"] != nil || cell["within_limits"] != nil || d["of"] != 63.0 {
		t.Errorf("%v of %v", cell, d["of"])
	}
}
