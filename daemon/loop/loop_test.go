package loop

import (
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

func (b *bench) loop() *Loop { return &Loop{b, listen(b)} }

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

// settings are those of a small test.
func settings() MarginSettings {
	return MarginSettings{
		Format: MarginFileFormat,
		Grid:   pulse.MarginGrid{RatesPPS: []float64{8, 10, 12}, BreakPercents: []float64{40, 45, 50, 55, 60, 65, 70}, GapsMS: []float64{}, Repeats: 3},
		Pulses: 5, Answer: "pulses", Seed: 7, Out: "GPIO27", In: "GPIO17", Bias: "as-is",
		LeadNS: 1e9, WithinNS: 1e9, PauseNS: 1e9, SettleNS: pulse.DefaultSettleNS,
	}
}

// The margin that is found is the relay's: it lets go after 45 ms and pulls up
// after 35 ms, so a break of p % at r pps is followed when 10·p/r > 45 and
// 10·(100 − p)/r > 35.
func TestMarginFindsTheWindow(t *testing.T) {
	follows := func(c pulse.MarginCell) bool {
		return 10*c.BreakPercent/c.RatePPS > 45 && 10*(100-c.BreakPercent)/c.RatePPS > 35
	}
	for _, gaps := range [][]float64{{}, {300, 600}} {
		synctest.Test(t, func(t *testing.T) {
			s := settings()
			s.Grid.GapsMS = gaps
			b := newBench(relay(always(45*time.Millisecond), always(35*time.Millisecond)))
			l := b.loop()
			defer l.Close()
			test := &MarginTest{Run: NewMarginRun(s)}
			if err := test.All(t.Context(), l); err != nil {
				t.Fatal(err)
			}
			right := 0
			for _, cell := range test.Run.Cells {
				want := 0
				if follows(cell) {
					want = s.Grid.Repeats
					right++
				}
				if cell.Tries != s.Grid.Repeats || cell.Right != want {
					t.Errorf("%+v: want %d right", cell, want)
				}
			}
			if right == 0 || right == len(test.Run.Cells) || b.plays != len(test.Run.order) {
				t.Errorf("%d of %d cells are right: the test shows nothing; %d plays", right, len(test.Run.Cells), b.plays)
			}
		})
	}
}

// What a try writes: 2 pulses of 60 ms break and 40 ms make, twice, 300 ms apart.
func TestMarginEdges(t *testing.T) {
	s := settings()
	s.Pulses, s.Grid.GapsMS = 2, []float64{300}
	for _, k := range []struct {
		idle      pulse.Level
		outClosed pulse.Polarity
		want      string
	}{
		{pulse.Low, pulse.ClosedHigh, "0:1 1000:0 1060:1 1100:0 1160:1 1460:0 1520:1 1560:0 1620:1 2620:0"},
		{pulse.Low, pulse.ClosedLow, "1000:1 1060:0 1100:1 1160:0 1460:1 1520:0 1560:1 1620:0 2620:0"},
	} {
		s.Idle, s.OutClosed = k.idle, k.outClosed
		cell := pulse.MarginCell{RatePPS: 10, BreakPercent: 60, GapMS: pulse.Known(300)}
		var got []string
		for e := range s.edges(cell) {
			got = append(got, fmt.Sprintf("%g:%d", float64(e.At)/1e6, e.Level))
		}
		if strings.Join(got, " ") != k.want {
			t.Errorf("idle %s, closed %s: %s", k.idle, k.outClosed, strings.Join(got, " "))
		}
	}
	s.Grid.GapsMS = nil
	if end := s.end(pulse.MarginCell{RatePPS: 10, BreakPercent: 60}); end != 2160e6 {
		t.Errorf("one train ends at %d", end)
	}
}

// A lamp that lights once for each digit counted right.
func TestMarginOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := settings()
		s.Answer, s.AnswerClosed = "once", pulse.ClosedLow
		s.Grid.RatesPPS, s.Grid.BreakPercents = []float64{10}, []float64{60}
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
		defer l.Close()
		test := &MarginTest{Run: NewMarginRun(s)}
		for i, n := range []int{1, 0, 2} {
			lamps = n
			try, err := test.one(t.Context(), l)
			if err != nil || try.Right != (n == 1) || len(try.Counts) != n {
				t.Errorf("try %d with %d lamps: %+v, %v", i, n, try, err)
			}
			if err := test.Run.add(try); err != nil {
				t.Error(err)
			}
		}
	})
}

// A try with a late pulse or a lost edge says nothing and is made again; too
// many of them end the test.
func TestMarginVoid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := settings()
		s.Grid.RatesPPS, s.Grid.BreakPercents = []float64{10}, []float64{60}
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
		defer l.Close()
		test := &MarginTest{Run: NewMarginRun(s)}
		if err := test.All(t.Context(), l); err != nil {
			t.Fatal(err)
		}
		if got := test.Run.Cells[0]; got.Tries != 3 || got.Right != 3 || test.Run.Void != 2 || b.plays != 5 {
			t.Errorf("%+v, %d void, %d plays", got, test.Run.Void, b.plays)
		}
		b.late, b.plays = func(int) int { return 1 }, 0
		test = &MarginTest{Run: NewMarginRun(s)}
		if err := test.All(t.Context(), l); err == nil || !strings.Contains(err.Error(), "5 tries in a row said nothing, the last because a pulse was sent 300 µs late") || b.plays != maxVoids {
			t.Errorf("always late: %v after %d plays", err, b.plays)
		}
	})
}

// A test that is stopped and continued any number of times, its file cut off
// in the middle of a line meanwhile, ends with what one run gives.
func TestMarginResumes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kept.jsonl")
	synctest.Test(t, func(t *testing.T) {
		s := settings()
		circuit := relay(always(45*time.Millisecond), always(35*time.Millisecond))
		whole := &MarginTest{Run: NewMarginRun(s)}
		b := newBench(circuit)
		l := b.loop()
		if err := whole.All(t.Context(), l); err != nil {
			t.Fatal(err)
		}
		l.Close()
		made := 0
		for stops := 0; ; stops++ {
			keep, run, err := OpenMarginFile(path, &s, false)
			if err != nil {
				t.Fatal(err)
			}
			if run.Made != made {
				t.Fatalf("%d tries are kept of %d", run.Made, made)
			}
			ctx, cancel := context.WithCancel(t.Context())
			b := newBench(circuit)
			b.onPlay = func(play int) {
				if play == 10 {
					cancel()
				}
			}
			l := b.loop()
			err = (&MarginTest{Run: run, Keep: keep}).All(ctx, l)
			l.Close()
			keep.Close()
			cancel()
			made = run.Made
			if err == nil {
				if d := cmp.Diff(whole.Run.Cells, run.Cells); d != "" || stops < 5 {
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
	s := settings()
	path := filepath.Join(dir, "kept")
	keep, run, err := OpenMarginFile(path, &s, false)
	if err != nil {
		t.Fatal(err)
	}
	if err := keep.add(MarginTry{Try: 0, Cell: run.order[0], Right: true, Counts: []int{5}, Whole: true}); err != nil {
		t.Fatal(err)
	}
	keep.Close()
	b, _ := os.ReadFile(path)
	good := string(b)
	other := s
	other.Pulses = 6
	for name, k := range map[string]struct {
		text string
		want *MarginSettings
		says string
	}{
		"another test":  {good, &other, "it is of another test: its pulses is 5, not 6"},
		"no settings":   {"{}\n", &s, "line 1: expected the settings"},
		"a bad grid":    {strings.Replace(good, `"repeats":3`, `"repeats":0`, 1), &s, "line 1: 0 repeats"},
		"a wrong order": {good + `{"try":3,"cell":0}` + "\n", &s, "line 3: try 3 of cell 0: expected the tries in their order"},
		"a wrong cell":  {good + fmt.Sprintf(`{"try":1,"cell":%d}`, run.order[2]) + "\n", &s, "expected the tries in their order"},
		"not ours":      {"time_ns,level\n1,0\n", &s, "line 1: expected the settings"},
		"an odd key":    {good + `{"try":1,"cel":0}` + "\n", &s, `line 3: json: unknown field "cel"`},
		"an odd level":  {strings.Replace(good, `"idle":"low"`, `"idle":"up"`, 1), &s, "line 1: the settings of a margin test: expected low, high"},
		"no file":       {"", nil, "no such file"},
		"cut at once":   {good[:40], nil, "expected the settings of a margin test in its first line"},
	} {
		path := filepath.Join(dir, name)
		if k.text != "" {
			if err := os.WriteFile(path, []byte(k.text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		var err error
		if k.want == nil {
			_, err = ReadMarginFile(path)
		} else {
			_, _, err = OpenMarginFile(path, k.want, false)
		}
		if err == nil || !strings.Contains(err.Error(), k.says) || errors.Is(err, ErrOtherTest) != (name == "another test") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if run, err := ReadMarginFile(path); err != nil || run.Made != 1 {
		t.Errorf("shown: %v, %v", run, err)
	}
	if k, run, err := OpenMarginFile(path, &other, true); err != nil || run.Made != 0 {
		t.Errorf("begun anew: %v, %v", run, err)
	} else {
		k.Close()
	}
}

// Two runs do not write one file; to show it is no matter.
func TestMarginKeepIsLocked(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kept")
	s := settings()
	for _, first := range []bool{true, false} {
		keep, run, err := OpenMarginFile(path, &s, false)
		if err != nil {
			t.Fatal(err)
		}
		if first {
			if err := keep.add(MarginTry{Try: 0, Cell: run.order[0], Right: true, Counts: []int{5}, Whole: true}); err != nil {
				t.Fatal(err)
			}
		}
		for _, anew := range []bool{false, true} {
			if _, _, err := OpenMarginFile(path, &s, anew); !errors.Is(err, ErrLocked) || !strings.Contains(err.Error(), path+": in use by another run") {
				t.Errorf("first %v, anew %v: %v", first, anew, err)
			}
		}
		if run, err := ReadMarginFile(path); err != nil || run.Made != 1 {
			t.Errorf("shown: %v, %v", run, err)
		}
		keep.Close()
	}
	if keep, run, err := OpenMarginFile(path, &s, false); err != nil || run.Made != 1 {
		t.Errorf("after both: %v, %v", run, err)
	} else {
		keep.Close()
	}
}

func calibrationPulses() *CalibrationPulses {
	return &CalibrationPulses{Count: 400, BreakMinNS: 10e6, BreakMaxNS: 100e6}
}

// What a chain does to edges is found, in every polarity.
func TestCalibrateFinds(t *testing.T) {
	for _, k := range []struct {
		outClosed, inClosed pulse.Polarity
		idle                pulse.Level
	}{
		{pulse.ClosedHigh, pulse.ClosedHigh, pulse.Low}, {pulse.ClosedLow, pulse.ClosedHigh, pulse.Low},
		{pulse.ClosedHigh, pulse.ClosedLow, pulse.High}, {pulse.ClosedLow, pulse.ClosedLow, pulse.High},
	} {
		synctest.Test(t, func(t *testing.T) {
			c := calibrationPulses()
			c.OutClosed, c.InClosed, c.Idle = k.outClosed, k.inClosed, k.idle
			rng := rand.New(rand.NewPCG(3, 4))
			b := newBench(func(sent []pulse.Edge) (out []pulse.Edge) {
				level := c.Idle
				for _, e := range sent {
					if e.Level == level {
						continue
					}
					level = e.Level
					closed := c.OutClosed.Closed(e.Level)
					delay := 75e3
					if closed {
						delay = 30e3
					}
					out = append(out, pulse.Edge{At: e.At + pulse.Stamp(delay+5e3*rng.NormFloat64()), Level: c.InClosed.Level(closed)})
				}
				return out
			})
			l := b.loop()
			defer l.Close()
			r, _, err := c.Run(t.Context(), l, 0)
			if err != nil {
				t.Fatal(err)
			}
			if !Answered(r) || !Follows(r) || r.Lost != 0 || r.Extra != 0 {
				t.Fatalf("%+v: refused: %+v", k, r)
			}
			if math.Abs(r.Asymmetry.V-45e3) > 3*r.AsymmetryU.V || r.AsymmetryU.V > 1000 || math.Abs(r.EdgeNoise.V-5e3) > 500 || len(r.Lengths) != CalibrationLengths {
				t.Errorf("%+v: asymmetry %.0f ± %.0f ns, noise %.0f ns, %d lengths", k, r.Asymmetry.V, r.AsymmetryU.V, r.EdgeNoise.V, len(r.Lengths))
			}
			if r.Openings != c.Count {
				t.Errorf("%d openings of %d", r.Openings, c.Count)
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
		react    func([]pulse.Edge) []pulse.Edge
		answered bool
	}{
		"nothing comes": {func([]pulse.Edge) []pulse.Edge { return nil }, false},
		"wrong way round": {func(sent []pulse.Edge) []pulse.Edge {
			out := follow(sent)
			for i := range out {
				out[i].Level = 1 - out[i].Level
			}
			return out
		}, false},
		"too slow": {relay(always(time.Millisecond/10), always(50*time.Millisecond)), false},
		"bounce": {func(sent []pulse.Edge) (out []pulse.Edge) {
			for i, e := range follow(sent) {
				out = append(out, e)
				if i%20 == 3 {
					out = append(out, pulse.Edge{At: e.At + 1e5, Level: 1 - e.Level}, pulse.Edge{At: e.At + 2e5, Level: e.Level})
				}
			}
			return out
		}, true},
	} {
		synctest.Test(t, func(t *testing.T) {
			c := calibrationPulses()
			l := newBench(k.react).loop()
			defer l.Close()
			r, _, err := c.Run(t.Context(), l, 0)
			if err != nil {
				t.Fatal(err)
			}
			if Answered(r) != k.answered || Answered(r) && Follows(r) || r.Sent != 801 {
				t.Errorf("%s: %+v", name, r)
			}
		})
	}
}

// The document holds what a program needs.
func TestMarginDocument(t *testing.T) {
	s := settings()
	b, err := json.Marshal(NewMarginRun(s).Document(nil))
	if err != nil {
		t.Fatal(err)
	}
	var d map[string]any
	if err := json.Unmarshal(b, &d); err != nil {
		t.Fatal(err)
	}
	cell := d["cells"].([]any)[0].(map[string]any)
	if cell["right_upper_95"] != 1.0 || cell["gap_ms"] != nil || cell["within_limits"] != nil || d["of"] != 63.0 {
		t.Errorf("%v of %v", cell, d["of"])
	}
}

// A line that does not answer, nor gives anything, is an error and no endless
// wait.
func TestTakeFromDeafLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		hangs := make(chan struct{})
		l := listen(deafLine{hangs})
		if _, _, err := l.take(0); err == nil {
			t.Error("no error")
		}
		close(hangs)
		l.close()
	})
}

// A deafLine hangs in its driver.
type deafLine struct{ hangs chan struct{} }

func (d deafLine) ReadEdges(context.Context, []pulse.Edge) (int, error) {
	<-d.hangs
	return 0, errors.New("gone")
}

func (deafLine) InitialLevel() pulse.Level { return pulse.Low }
func (deafLine) Start() pulse.Stamp        { return 0 }
func (deafLine) Close() error              { return nil }
