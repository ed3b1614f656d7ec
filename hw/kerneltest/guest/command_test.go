//go:build guest

package guest

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// program is the real makebreak.
const program = "/bin/makebreak"

// A running is one run of the program.
type running struct {
	t              testing.TB
	cmd            *exec.Cmd
	stdout, stderr bytes.Buffer
	ended          chan struct{}
}

func start(t testing.TB, args ...string) *running {
	t.Helper()
	r := &running{t: t, cmd: exec.Command(program, args...), ended: make(chan struct{})}
	r.cmd.Dir = t.TempDir()
	r.cmd.Env = []string{"HOME=" + r.cmd.Dir, "TZ=UTC"}
	r.cmd.Stdout, r.cmd.Stderr = &r.stdout, &r.stderr
	if err := r.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		r.cmd.Wait()
		close(r.ended)
	}()
	t.Cleanup(func() {
		r.cmd.Process.Kill()
		<-r.ended
	})
	return r
}

// status waits for the end and checks the exit status; -1 is a death by signal.
func (r *running) status(want int) *running {
	r.t.Helper()
	select {
	case <-r.ended:
	case <-time.After(time.Hour):
		r.t.Fatal("it does not end")
	}
	if got := r.cmd.ProcessState.ExitCode(); got != want {
		r.t.Fatalf("%s: exit status %d, want %d\n%s%s", strings.Join(r.cmd.Args[1:], " "), got, want, r.stdout.String(), r.stderr.String())
	}
	return r
}

func (r *running) signal(s os.Signal) {
	if err := r.cmd.Process.Signal(s); err != nil {
		r.t.Error(err)
	}
}

// says checks that the page holds each text.
func (r *running) says(texts ...string) *running {
	r.t.Helper()
	for _, text := range texts {
		if !strings.Contains(r.stdout.String()+r.stderr.String(), text) {
			r.t.Errorf("%s: no %q in\n%s%s", strings.Join(r.cmd.Args[1:], " "), text, r.stdout.String(), r.stderr.String())
		}
	}
	return r
}

func (r *running) json(v any) {
	r.t.Helper()
	if err := json.Unmarshal(r.stdout.Bytes(), v); err != nil {
		r.t.Fatalf("%v\n%s%s", err, r.stdout.String(), r.stderr.String())
	}
}

// until waits for something that another process does.
func until(t testing.TB, what string, is func() bool) {
	t.Helper()
	for range 6000 {
		if is() {
			return
		}
		time.Sleep(10 * ms)
	}
	t.Fatalf("never: %s", what)
}

// used waits until the program has a line.
func (b *bank) used(t testing.TB, line int, want bool) {
	t.Helper()
	until(t, fmt.Sprintf("line %d used is %v", line, want), func() bool {
		v, err := hw.Lines()
		if err != nil {
			t.Fatal(err)
		}
		l, err := v.Resolve(fmt.Sprintf("%s:%d", b.chip, line))
		return err == nil && l.Used == want && (!want || l.Consumer == "makebreak")
	})
}

// dial moves a contact as a description says.
func (c *contact) dial(description string) {
	spec, err := synth.Parse(description)
	if err != nil {
		c.t.Fatal(err)
	}
	s, err := synth.New(spec)
	if err != nil {
		c.t.Fatal(err)
	}
	edges := make([]pulse.Edge, 4096)
	edges = edges[:s.Next(edges)]
	runtime.GC() // now, and not while it matters
	procs := runtime.GOMAXPROCS(0)
	runtime.GOMAXPROCS(procs + 1) // so that no goroutine keeps it from waking
	defer runtime.GOMAXPROCS(procs)
	late := make(chan pulse.Stamp)
	go func() { // before all others, so that it keeps its times
		realtime(c.t)
		begun, worst := hw.Monotonic(), pulse.Stamp(0)
		for _, e := range edges {
			// In the emulator short sleeps were seen to last for 950 ms: what is near
			// is waited for busily.
			if e.At+begun-hw.Monotonic() > pulse.Stamp(2*ms) {
				sleepUntil(begun + e.At)
			}
			for hw.Monotonic() < begun+e.At {
			}
			before, _ := c.set(e.Level)
			worst = max(worst, before-begun-e.At)
		}
		late <- worst
	}()
	if worst := <-late; worst > pulse.Stamp(ms) {
		c.t.Errorf("the test's own contact moved %v late", time.Duration(worst))
	}
}

type measured struct {
	Kind    string `json:"kind"`
	Capture struct {
		Edges     int     `json:"edges"`
		Lost      int     `json:"lost_edges"`
		DurationS float64 `json:"duration_s"`
		Unknown   int     `json:"unknown_intervals"`
		Start     bool    `json:"partial_start"`
		End       bool    `json:"partial_end"`
	} `json:"capture"`
	Dial *struct {
		Digits       string            `json:"digits"`
		Pulses       int               `json:"pulses"`
		RatePPS      pulse.OverallStat `json:"rate_pps"`
		BreakPercent pulse.OverallStat `json:"break_percent"`
		BreakMS      pulse.Stat        `json:"break_ms"`
		InterdigitMS pulse.Stat        `json:"interdigit_ms"`
	} `json:"dial"`
	Interrupter *struct {
		Cycles int `json:"cycles"`
	} `json:"interrupter"`
	Uncertainty map[pulse.Quantity]*pulse.BudgetResult `json:"uncertainty"`
	Line        *struct {
		Ended       string    `json:"ended"`
		Begun       time.Time `json:"begun_at"`
		Calibration *struct {
			Used bool   `json:"used"`
			Why  string `json:"why"`
		} `json:"calibration"`
	} `json:"line"`
}

func TestCommandLines(t *testing.T) {
	b := newBank(t, "exchange", "HOOK", "=", "LAMP=relay driver", "")
	start(t, "lines").status(0).says(b.chip+": exchange, 4 lines", "HOOK", `in use by "relay driver"`, "fit", "Caution:")
	var d struct {
		Format string `json:"format"`
		Lines  []hw.LineInfo
	}
	r := start(t, "lines", "--json").status(0)
	// The document's bias is in words.
	var raw struct {
		Lines []map[string]any `json:"lines"`
	}
	r.json(&raw)
	seen := 0
	for _, l := range raw.Lines {
		if l["label"] != "exchange" {
			continue
		}
		seen++
		if l["name"] == "LAMP" && (l["used"] != true || l["consumer"] != "relay driver") || l["bias"] != "as is" {
			t.Errorf("%v", l)
		}
	}
	if seen != 4 {
		t.Errorf("%d lines of 4; %+v", seen, d)
	}
}

func TestCommandPreflight(t *testing.T) {
	b := newBank(t, "exchange", "DIAL", "LAMP=relay driver")
	c := b.contact(t, 0)
	type answer struct {
		MayStart bool `json:"may_start"`
		Checks   []struct{ Check, State, Found, Remedy string }
	}
	look := func(status int, args ...string) (a answer, states map[string]string) {
		t.Helper()
		start(t, append([]string{"preflight", "--json"}, args...)...).status(status).json(&a)
		states = map[string]string{}
		for _, k := range a.Checks {
			states[k.Check] = k.State
		}
		if a.MayStart != (status == 0) {
			t.Errorf("may start: %v", a.MayStart)
		}
		return a, states
	}
	expect := func(got map[string]string, want map[string]string) {
		t.Helper()
		for k, v := range want {
			if got[k] != v {
				t.Errorf("%s is %q, want %q", k, got[k], v)
			}
		}
	}
	c.set(pulse.High)
	a, states := look(0, "DIAL")
	expect(states, map[string]string{"kernel": "ok", "GPIO chips": "ok", "line": "ok", "contact": "ok", "clock source": "ok", "clock": "look", "processor speed": "ok", "supply and heat": "cannot tell", "free space": "ok"})
	for _, k := range a.Checks {
		t.Logf("%-16s %-11s %s -> %s", k.Check, k.State, k.Found, k.Remedy)
	}
	_, states = look(1, "DIAL", "--closed", "low")
	expect(states, map[string]string{"line": "ok", "contact": "no"})
	_, states = look(0, "DIAL", "--closed", "low", "--kind", "interrupter")
	expect(states, map[string]string{"contact": "cannot tell"})
	_, states = look(1, "DIAL", "--bias", "pull-down")
	expect(states, map[string]string{"contact": "no"})
	a, states = look(1, "LAMP")
	expect(states, map[string]string{"line": "no", "contact": "cannot tell"})
	_, states = look(1, "HOOK")
	expect(states, map[string]string{"line": "no"})
	start(t, "preflight", "LAMP").status(1).says("MEASURING MAY NOT START", `line is in use by "relay driver"`, "-> stop that use")
	r := start(t, "preflight", "DIAL", "--at", "/tmp")
	moving := time.Now()
	for time.Since(moving) < 10*time.Second {
		select {
		case <-r.ended:
		default:
			c.toggle()
			time.Sleep(30 * ms)
			continue
		}
		break
	}
	r.status(0).says("it moves, so its rest does not show")
}

// Digits of real kernel edges, decoded from end to end; the recording says the
// same as what was measured live.
func TestCommandMeasure(t *testing.T) {
	b := newBank(t, "exchange", "DIAL")
	c := b.contact(t, 0)
	c.set(pulse.High)
	for _, name := range []string{"dial.csv", "dial.vcd"} {
		file := filepath.Join(t.TempDir(), name)
		r := start(t, "measure", "gpio:exchange:DIAL", "--digits", "5", "--record", file, "--json", "--limits", "uk-gpo-dial-accept")
		b.used(t, 0, true)
		c.dial("dial digits=03791 rate=10 break=66 gap=800ms lead=500ms bounce-close=2:0.8ms seed=4")
		r.status(0)
		var live, kept measured
		r.json(&live)
		d := live.Dial
		if d == nil || d.Digits != "03791" || d.Pulses != 30 || live.Capture.Lost != 0 || live.Capture.Start || live.Capture.End || live.Line.Ended != "after 5 digits (--digits)" {
			t.Fatalf("%s%s", r.stdout.String(), r.stderr.String())
		}
		if math.Abs(d.RatePPS.Overall.V-10) > 1e-3 || math.Abs(d.BreakPercent.Overall.V-66) > 0.05 || math.Abs(d.InterdigitMS.Mean.V-800) > 0.05 {
			t.Errorf("%+v", d)
		}
		if y := live.Line.Begun.Year(); y != 2026 {
			t.Errorf("begun in %d", y)
		}
		if live.Line.Calibration != nil {
			t.Error("a calibration out of nowhere")
		}
		r = start(t, "measure", file, "--json").status(0)
		r.json(&kept)
		if k := kept.Dial; k == nil || k.Digits != d.Digits || k.RatePPS != d.RatePPS || k.BreakMS != d.BreakMS || kept.Capture.Edges != live.Capture.Edges {
			t.Errorf("recorded: %+v\nlive: %+v", kept.Dial, d)
		}
		if r := start(t, "measure", "gpio:DIAL", "--record", file).status(2); !strings.Contains(r.stderr.String(), "the file exists") {
			t.Error(r.stderr.String())
		}
		t.Logf("%s: overall %.6f pps, %.4f %% break, uncertainty %.2g", name, d.RatePPS.Overall.V, d.BreakPercent.Overall.V, live.Uncertainty[pulse.RatePPS].Expanded.V)
	}
	r := start(t, "measure", "gpio:DIAL", "--cycles", "50", "--json")
	b.used(t, 0, true)
	c.dial("cam ipm=600 cycles=80 lead=200ms")
	r.status(0)
	var m measured
	r.json(&m)
	if m.Interrupter == nil || m.Interrupter.Cycles < 50 || m.Interrupter.Cycles > 60 {
		t.Errorf("%s", r.stdout.String())
	}
	r = start(t, "measure", "gpio:DIAL", "--for", "2500ms", "--json").status(3) // nothing moved
	m = measured{}
	r.json(&m)
	if m.Capture.DurationS != 2.5 {
		t.Errorf("%v s", m.Capture.DurationS)
	}
}

// Ctrl-C ends a measurement as a complete one.
func TestCommandMeasureInterrupted(t *testing.T) {
	b := newBank(t, "exchange", "DIAL")
	c := b.contact(t, 0)
	c.set(pulse.High)
	for _, s := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGHUP} {
		r := start(t, "measure", "gpio:DIAL", "--kind", "dial", "--json", "--limits", "uk-gpo-dial-accept")
		b.used(t, 0, true)
		c.dial("dial digits=42 rate=10 break=66 lead=500ms")
		time.Sleep(300 * ms)
		r.signal(s)
		var m measured
		r.status(0).json(&m)
		if m.Dial.Digits != "42" || m.Line.Ended != "by you" || m.Capture.End {
			t.Errorf("%v: %s", s, r.stdout.String())
		}
	}
}

// While the program is stopped the kernel keeps the edges. They are read before
// anything is judged, so that each train is whole.
func TestCommandMeasureStopped(t *testing.T) {
	b := newBank(t, "exchange", "DIAL")
	c := b.contact(t, 0)
	c.set(pulse.High)
	r := start(t, "measure", "gpio:DIAL", "--digits", "5", "--json")
	b.used(t, 0, true)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for range 5 {
			time.Sleep(530 * ms)
			r.signal(syscall.SIGSTOP)
			time.Sleep(670 * ms) // longer than the pause that ends a train
			r.signal(syscall.SIGCONT)
		}
	}()
	c.dial("dial digits=07985 rate=10 break=66 gap=700ms lead=500ms")
	<-ended
	var m measured
	r.status(0).json(&m)
	if m.Dial.Digits != "07985" || m.Dial.Pulses != 39 || m.Capture.Lost != 0 {
		t.Errorf("%s", r.stdout.String())
	}
}

// A program that is killed leaves the recording of all but the last second.
func TestCommandRecordKilled(t *testing.T) {
	b := newBank(t, "exchange", "DIAL")
	c := b.contact(t, 0)
	c.set(pulse.High)
	for _, name := range []string{"dial.csv", "dial.vcd"} {
		file := filepath.Join(t.TempDir(), name)
		r := start(t, "measure", "gpio:DIAL", "--record", file)
		b.used(t, 0, true)
		driven := c.train(401, 60*ms, 40*ms) // 20 s
		killed := hw.Monotonic()
		r.signal(os.Kill)
		r.status(-1)
		text, err := os.ReadFile(file)
		if err != nil || !bytes.HasSuffix(text, []byte("\n")) {
			t.Fatalf("%v, ends in %q", err, text[max(len(text)-20, 0):])
		}
		src, err := hw.OpenRecordingFile(file, nil, hw.RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		var edges []pulse.Edge
		buf := make([]pulse.Edge, 64)
		for {
			n, err := src.ReadEdges(t.Context(), buf)
			if err != nil {
				if err.Error() != "EOF" {
					t.Error(err)
				}
				break
			}
			edges = append(edges, buf[:n]...)
		}
		if len(edges) == 0 {
			t.Fatal("nothing is left")
		}
		for i, e := range edges {
			if e.At < driven[i].before || e.At > driven[i].after || e.Level != driven[i].level || e.Lost != 0 {
				t.Fatalf("edge %d: %+v, driven %+v", i, e, driven[i])
			}
		}
		missing := killed - edges[len(edges)-1].At
		if missing > pulse.Stamp(1300*ms) { // a second, the tick that looks for it, and one make
			t.Errorf("%s: the last %v are missing", name, time.Duration(missing))
		}
		t.Logf("%s: %d of %d edges, the last %v before the kill", name, len(edges), len(driven), time.Duration(missing))
		start(t, "measure", file).status(0)
		c.set(pulse.High)
	}
}

// A chip that is unplugged while it is measured leaves a gap that both the
// result and the recording tell.
func TestCommandMeasureUnplugged(t *testing.T) {
	b := newBank(t, "exchange", "DIAL")
	b.contact(t, 0).set(pulse.High)
	for _, name := range []string{"dial.csv", "dial.vcd"} {
		file := filepath.Join(t.TempDir(), name)
		r := start(t, "measure", "gpio:exchange:DIAL", "--bias", "pull-up", "--kind", "dial", "--record", file, "--json")
		b.used(t, 0, true)
		b.contact(t, 0).dial("dial digits=35 lead=500ms")
		time.Sleep(500 * ms)
		b.unplug(t)
		time.Sleep(3 * time.Second)
		b.plug(t)
		b.used(t, 0, true)
		time.Sleep(500 * ms)
		b.contact(t, 0).dial("dial digits=27 lead=500ms")
		time.Sleep(500 * ms)
		r.signal(os.Interrupt)
		var live, kept measured
		r.status(0).json(&live)
		r.says("GPIO chip is gone", "the line is back")
		if live.Dial.Digits != "3527" || live.Capture.Unknown != 1 {
			t.Errorf("%s", r.stdout.String())
		}
		r = start(t, "measure", file, "--kind", "dial", "--json").status(0)
		r.json(&kept)
		if kept.Dial.Digits != "3527" || kept.Capture.Unknown != 1 {
			t.Errorf("%s: %s", name, r.stdout.String())
		}
	}
}

// writes notes what is written to a line, by whichever process.
func (b *bank) writes(t testing.TB, line int) func() []traced {
	t.Helper()
	var mu sync.Mutex
	var all []traced
	stop := b.follow(t, line, func(w traced) pulse.Stamp {
		if w.at != 0 {
			mu.Lock()
			all = append(all, w)
			mu.Unlock()
		}
		return 0
	})
	return func() []traced {
		time.Sleep(50 * ms)
		stop()
		mu.Lock()
		defer mu.Unlock()
		return all
	}
}

func TestCommandSend(t *testing.T) {
	b := newBank(t, "exchange", "SEND")
	written := b.writes(t, 0)
	dry := filepath.Join(t.TempDir(), "dry.csv")
	args := []string{"send", "SEND", "dial", "digits=205", "rate=12", "break=63", "lead=300ms"}
	start(t, append(args, "--dry-run", dry)...).status(0).says("Nothing was sent.")
	start(t, append(args, "--late", "100us")...).status(0).says("SENT ON TIME", "driving SEND", "SCHED_FIFO")
	got := written()
	src, err := hw.OpenRecordingFile(dry, nil, hw.RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	want := make([]pulse.Edge, 200)
	n, err := src.ReadEdges(t.Context(), want)
	if err != nil {
		t.Fatal(err)
	}
	// What was written is the idle level and the rest before the signal, what the
	// dry run promised, then the idle level again.
	want = want[:n]
	for len(got) > n && got[0].level == pulse.Low { // the request
		got = got[1:]
	}
	if len(got) > n && got[0].level == pulse.High {
		got = got[1:]
	}
	if len(got) < n || n != 2*17 {
		t.Fatalf("%d edges in the dry run, %d writes: %+v", n, len(got), got)
	}
	var late spread
	for i, w := range got[:n] {
		d := float64((w.at - got[0].at) - (want[i].At - want[0].At))
		late = append(late, d)
		if w.level != want[i].Level || math.Abs(d) > 50e3 {
			t.Errorf("write %d: to %d, %.0f ns off", i, w.level, d)
		}
	}
	for _, w := range got[n:] {
		if w.level != pulse.Low {
			t.Errorf("after the end: %+v", w)
		}
	}
	t.Logf("writes against the dry run: %v", late)

	// A bound that no computer keeps: late pulses are not called good.
	start(t, append(args, "--late", "1ns")...).status(1).says("SENT LATE: NOT WHAT WAS ASKED")
	b2 := newBank(t, "busy", "LAMP=relay driver")
	_ = b2
	if r := start(t, "send", "LAMP", "dial").status(2); !strings.Contains(r.stderr.String(), "line is in use") {
		t.Error(r.stderr.String())
	}
}

// However sending ends, the last that is written is the idle level; but for a
// kill, after which the kernel gives the line up.
func TestCommandSendEndsIdle(t *testing.T) {
	b := newBank(t, "exchange", "SEND")
	for _, k := range []struct {
		signal os.Signal
		idle   string
		level  pulse.Level
		status int
	}{{os.Interrupt, "low", pulse.Low, 3}, {syscall.SIGTERM, "high", pulse.High, 3}, {syscall.SIGHUP, "low", pulse.Low, 3}, {os.Kill, "low", pulse.High, -1}} {
		written := b.writes(t, 0)
		// A contact that is closed when low: its breaks are high.
		closed := map[string]string{"low": "low", "high": "high"}[k.idle]
		r := start(t, "send", "SEND", "cam", "ipm=6", "cycles=endless", "break=90", "--for", "1h", "--idle", k.idle, "--closed", closed)
		b.used(t, 0, true)
		time.Sleep(3 * time.Second) // 1 s of lead, then a break of 9 s
		open := pulse.High - levelOf(k.idle)
		if got := b.level(t, 0); got != string('0'+rune(open)) {
			t.Fatalf("%v: in the break the line is %s", k.signal, got)
		}
		r.signal(k.signal)
		r.status(k.status)
		b.used(t, 0, false)
		all := written()
		if last := all[len(all)-1]; last.level != k.level {
			t.Errorf("%v: the last write is to %d, want %d: %+v", k.signal, last.level, k.level, all)
		}
		if k.status == 3 {
			r.says("STOPPED BY YOU")
		}
	}
}

func levelOf(s string) pulse.Level {
	if s == "high" {
		return pulse.High
	}
	return pulse.Low
}

// An asymmetry that is put into the chain on purpose comes out of the
// calibration, within what that says of itself, and the line's measurements
// are right from then on.
func TestCommandCalibrate(t *testing.T) {
	b := newBank(t, "exchange", "SEND", "MEASURE")
	dir := t.TempDir()
	type result struct {
		Saved   string          `json:"saved"`
		Result  *pulse.Loopback `json:"result"`
		Sending struct {
			LateMaxNS int64 `json:"late_max_ns"`
			LateP99NS int64 `json:"late_p99_ns"`
		} `json:"sending"`
	}
	calibrate := func(on, off time.Duration, pulses string) result {
		t.Helper()
		stop := b.couple(t, 0, 1, on, off)
		defer stop()
		r := start(t, "calibrate", "--out", "SEND", "--in", "MEASURE", "--coupler", "the test's own", "--pulses", pulses, "--calibration-dir", dir, "--json").status(0)
		var got result
		r.json(&got)
		if got.Saved == "" || got.Result.Lost != 0 || got.Result.Extra != 0 {
			t.Fatalf("%s", r.stdout.String())
		}
		t.Logf("on %v, off %v: asymmetry %+.3f ± %.3f µs (k = 2), noise %.3f µs, linearity %+.2f ± %.2f ppm, drift %+.2f ± %.2f ns/s",
			on, off, got.Result.Asymmetry.V/1e3, 2*got.Result.AsymmetryU.V/1e3, got.Result.EdgeNoise.V/1e3,
			got.Result.Linearity.V, 2*got.Result.LinearityU.V, got.Result.DriftNSPerS.V, 2*got.Result.DriftU.V)
		t.Logf("writes late by at most %v, 99 %% within %v", time.Duration(got.Sending.LateMaxNS), time.Duration(got.Sending.LateP99NS))
		return got
	}
	// What the coupler of the test, the writes and the kernel differ by for the
	// two senses is in every result: a coupler of equal delays tells how much.
	own := calibrate(200*time.Microsecond, 200*time.Microsecond, "400")
	got := calibrate(150*time.Microsecond, 300*time.Microsecond, "1000")
	// Twice the standard uncertainty is missed once in twenty by its meaning,
	// three times in four hundred.
	put := got.Result.Asymmetry.V - own.Result.Asymmetry.V
	u := math.Hypot(got.Result.AsymmetryU.V, own.Result.AsymmetryU.V)
	t.Logf("asymmetry %.0f ± %.0f ns (k = 2), put there 150000", put, 2*u)
	if math.Abs(put-150e3) > 3*u {
		t.Errorf("asymmetry %.0f ns, put there 150000: off by more than three times its uncertainty, %.0f ns", put, u)
	}
	if got.Result.AsymmetryU.V > 5e3 {
		t.Errorf("the asymmetry is known within %.0f ns only", got.Result.AsymmetryU.V)
	}

	// From now on, breaks of 60 ms behind that coupler are measured as such.
	stop := b.couple(t, 0, 1, 150*time.Microsecond, 300*time.Microsecond)
	defer stop()
	measure := func(flags ...string) (m measured) {
		t.Helper()
		r := start(t, append([]string{"measure", "gpio:MEASURE", "--digits", "2", "--json", "--calibration-dir", dir}, flags...)...)
		b.used(t, 1, true)
		start(t, "send", "SEND", "dial", "digits=90", "rate=10", "break=60ms", "lead=500ms").status(0)
		r.status(0).json(&m)
		return m
	}
	m := measure()
	if m.Line.Calibration == nil || !m.Line.Calibration.Used || m.Line.Calibration.Why != "" {
		t.Fatalf("%+v", m.Line)
	}
	expanded := m.Uncertainty[pulse.BreakMS].Expanded.V
	if d := m.Dial.BreakMS.Mean.V - 60; math.Abs(d) > expanded || expanded > 0.05 {
		t.Errorf("break %.4f ± %.4f ms, sent 60", m.Dial.BreakMS.Mean.V, expanded)
	} else {
		t.Logf("break %.5f ± %.5f ms, sent 60", m.Dial.BreakMS.Mean.V, expanded)
	}
	named := false
	for _, c := range m.Uncertainty[pulse.BreakMS].Budget {
		named = named || c.Cause == (pulse.Cause{Effect: pulse.EdgeNoise, From: "loopback calibration of 2026-01-01"}) && c.Kind == "A"
	}
	if !named {
		t.Errorf("budget %+v", m.Uncertainty[pulse.BreakMS].Budget)
	}
	without := measure("--no-calibration")
	if d := without.Dial.BreakMS.Mean.V - 60; without.Line.Calibration != nil || math.Abs(d+0.150) > 0.005 {
		t.Errorf("without: break %.4f ms, want 0.150 less than 60", without.Dial.BreakMS.Mean.V)
	}
	foreign := measure("--bias", "pull-up")
	if k := foreign.Line.Calibration; k == nil || k.Used || !strings.Contains(k.Why, "another pull resistor") {
		t.Errorf("foreign: %+v", k)
	}
	text, err := os.ReadFile(got.Saved)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.Replace(text, []byte(`"at": "2026-`), []byte(`"at": "2025-`), 1)
	if err := os.WriteFile(got.Saved, text, 0o644); err != nil {
		t.Fatal(err)
	}
	stale := measure()
	if k := stale.Line.Calibration; k == nil || !k.Used || !strings.Contains(k.Why, "365 days old") {
		t.Errorf("stale: %+v", k)
	}
	start(t, "calibrate", "--show", "--calibration-dir", dir).status(0).says("the test's own", "STALE")

	// Without the coupler nothing comes back, and nothing is saved.
	stop()
	stop = func() {}
	start(t, "calibrate", "--out", "SEND", "--in", "MEASURE", "--coupler", "none", "--pulses", "100", "--calibration-dir", dir+"/none").
		status(1).says("NOT CALIBRATED", "look at the wiring")
	if _, err := os.Stat(dir + "/none"); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("saved: %v", err)
	}
}

// relay makes a measuring line answer a driven one as a pulse-repeating relay
// does: it lets go when the line has been low for release and pulls up when it
// has been high for operate; what is shorter it does not notice.
func (b *bank) relay(t testing.TB, from, to int, release, operate time.Duration) (stop func()) {
	t.Helper()
	out := b.contact(t, to)
	var due pulse.Stamp
	level := pulse.Low
	return b.follow(t, from, func(w traced) pulse.Stamp {
		switch {
		case w.at != 0 && due > 0 && w.at >= due: // it moved before this write came
			out.set(level)
			due = 0
		case w.at == 0 && due > 0 && hw.Monotonic() >= due:
			out.set(level)
			due = 0
		}
		if w.at != 0 {
			level, due = w.level, 0
			if level != out.level {
				due = w.at + pulse.Stamp([2]time.Duration{release, operate}[level])
			}
		}
		return due
	})
}

// The edges of a receiver's window are where they were put: the relay lets go
// after 45 ms and pulls up after 35 ms. A test that is stopped goes on where
// it was.
func TestCommandMargin(t *testing.T) {
	b := newBank(t, "exchange", "SEND", "ANSWER")
	stop := b.relay(t, 0, 1, 45*ms, 35*ms)
	defer stop()
	written := func() pulse.Level { return levelOf(map[string]string{"0": "low", "1": "high"}[b.level(t, 0)]) }
	dir := t.TempDir()
	args := []string{"margin", "--out", "SEND", "--in", "ANSWER", "--rates", "8:12:2", "--breaks", "40:70:10", "--repeats", "2", "--digit", "3",
		"--lead", "500ms", "--within", "500ms", "--pause", "300ms", "--keep", dir + "/kept", "--json"}
	type answer struct {
		Tries, Of int
		Cells     []pulse.MarginCell
		Windows   []pulse.MarginWindow
	}
	r := start(t, args...)
	until(t, "five tries are kept", func() bool {
		text, _ := os.ReadFile(dir + "/kept")
		return bytes.Count(text, []byte("\n")) > 5
	})
	r.signal(os.Interrupt)
	var part, whole answer
	r.status(3).json(&part)
	if part.Tries < 5 || part.Tries >= part.Of {
		t.Errorf("stopped after %d of %d", part.Tries, part.Of)
	}
	b.used(t, 0, false)
	if written() != pulse.Low {
		t.Error("stopped, and the line is high")
	}
	r = start(t, append(args, "--plot", dir+"/plot.png", "--table", dir+"/cells.csv", "--limits", "jp-exchange-10pps")...)
	r.status(1).json(&whole) // 70 % at 10 pps is within those limits, and its makes are too short for the relay
	right := 0
	for _, c := range whole.Cells {
		want := 0
		if 10*c.BreakPercent/c.RatePPS > 45 && 10*(100-c.BreakPercent)/c.RatePPS > 35 {
			want = 2
			right++
		}
		if c.Tries != 2 || c.Right != want {
			t.Errorf("%+v: want %d right", c, want)
		}
	}
	if whole.Tries != 24 || right < 4 || right > 8 {
		t.Errorf("%d tries, %d cells right: the test shows nothing", whole.Tries, right)
	}
	for _, w := range whole.Windows {
		if w.Along == pulse.BreakPercent && w.At == 10 { // 45 to 65 %
			if w.LowWrong.V != 40 || w.LowRight.V != 50 || w.HighRight.V != 60 || w.HighWrong.V != 70 {
				t.Errorf("window at 10 pps: %+v", w)
			}
			t.Logf("at 10 pps the edges lie between %v and %v, %v and %v %%", w.LowWrong.V, w.LowRight.V, w.HighRight.V, w.HighWrong.V)
		}
	}
	if text, err := os.ReadFile(dir + "/plot.png"); err != nil || !bytes.HasPrefix(text, []byte("\x89PNG")) {
		t.Errorf("plot: %v", err)
	}
	if text, err := os.ReadFile(dir + "/cells.csv"); err != nil || bytes.Count(text, []byte("\n")) != 13 {
		t.Errorf("table: %v, %s", err, text)
	}
	start(t, args...).status(0) // all tries are kept: nothing is driven
}
