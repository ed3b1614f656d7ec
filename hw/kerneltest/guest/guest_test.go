//go:build guest

// Package guest holds the tests that run inside the emulated machine, on
// simulated lines of a real kernel.
package guest

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"makebreak/hw"
	"makebreak/pulse"
)

const simulator = "/sys/kernel/config/gpio-sim"

func TestMain(m *testing.M) {
	if _, err := os.Stat(simulator); err != nil {
		fmt.Println("these tests run in the machine of hw/kerneltest only:", err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

// ms is a guest-time unit of the tests.
const ms = time.Millisecond

// A bank is one simulated chip.
type bank struct {
	config string // configfs folder
	label  string
	lines  []string
	chip   string // gpiochipN, while plugged
	sys    string // folder of sim_gpioN, while plugged
}

func attribute(t testing.TB, path, value string) {
	t.Helper()
	f, err := os.OpenFile(path, os.O_WRONLY, 0) // it exists: neither create nor truncate
	if err == nil {
		_, err = f.WriteString(value)
		f.Close()
	}
	if err != nil {
		t.Fatalf("set %s to %q: %v", path, value, err)
	}
}

func read(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(string(b))
}

// newBank makes a chip whose lines have the names given. A name "NAME=USER"
// is a line that the kernel holds for USER.
func newBank(t testing.TB, label string, lines ...string) *bank {
	t.Helper()
	configs, _ := filepath.Glob(simulator + "/*")
	b := &bank{config: fmt.Sprintf("%s/bank%d", simulator, len(configs)), label: label, lines: lines}
	made := []string{}
	mkdir := func(p string) string {
		if err := os.Mkdir(p, 0o755); err != nil {
			t.Fatal(err)
		}
		made = append(made, p)
		return p
	}
	t.Cleanup(func() {
		b.unplug(t)
		slices.Reverse(made)
		for _, p := range made {
			if err := os.Remove(p); err != nil {
				t.Error(err)
			}
		}
	})
	mkdir(b.config)
	group := mkdir(b.config + "/bank0")
	attribute(t, group+"/num_lines", strconv.Itoa(len(lines)))
	attribute(t, group+"/label", label)
	for i, l := range lines {
		name, by, held := strings.Cut(l, "=")
		if name == "" {
			continue
		}
		d := mkdir(fmt.Sprintf("%s/line%d", group, i))
		attribute(t, d+"/name", name)
		if held {
			hog := mkdir(d + "/hog")
			attribute(t, hog+"/name", by)
			attribute(t, hog+"/direction", "input")
		}
	}
	b.plug(t)
	return b
}

func (b *bank) plug(t testing.TB) {
	t.Helper()
	attribute(t, b.config+"/live", "1")
	b.chip = read(t, b.config+"/bank0/chip_name")
	b.sys = "/sys/devices/platform/" + read(t, b.config+"/dev_name") + "/" + b.chip
}

func (b *bank) unplug(t testing.TB) {
	t.Helper()
	if read(t, b.config+"/live") == "1" { // a second time is refused
		attribute(t, b.config+"/live", "0")
	}
}

func (b *bank) ref(line int) hw.LineRef {
	name, _, _ := strings.Cut(b.lines[line], "=")
	return hw.LineRef{Chip: b.chip, Label: b.label, Offset: line, Name: name}
}

// level reads what a driven line shows.
func (b *bank) level(t testing.TB, line int) string {
	t.Helper()
	return read(t, fmt.Sprintf("%s/sim_gpio%d/value", b.sys, line))
}

// A contact pulls a simulated line up and down.
type contact struct {
	t     testing.TB
	f     *os.File
	level pulse.Level
}

func (b *bank) contact(t testing.TB, line int) *contact {
	t.Helper()
	f, err := os.OpenFile(fmt.Sprintf("%s/sim_gpio%d/pull", b.sys, line), os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { f.Close() })
	return &contact{t: t, f: f}
}

var pulls = [2][]byte{[]byte("pull-down"), []byte("pull-up")}

// set gives the times just before and after.
func (c *contact) set(l pulse.Level) (before, after pulse.Stamp) {
	before = hw.Monotonic()
	_, err := c.f.WriteAt(pulls[l], 0)
	after = hw.Monotonic()
	if err != nil {
		c.t.Error(err)
	}
	c.level = l
	return before, after
}

func (c *contact) toggle() (before, after pulse.Stamp) { return c.set(1 - c.level) }

// couple wires a driven line to a measuring one through a coupler that follows
// to High after the time on, and to Low after off; both must be longer than
// the 0.1 ms that it takes to act.
func (b *bank) couple(t testing.TB, from, to int, on, off time.Duration) (stop func()) {
	t.Helper()
	out := b.contact(t, to)
	return b.follow(t, from, func(w traced) (wake pulse.Stamp) {
		if w.at == 0 {
			out.set(out.level)
			return 0
		}
		sleepUntil(w.at + pulse.Stamp([2]time.Duration{off, on}[w.level]))
		out.set(w.level)
		return 0
	})
}

// follow calls act for each write to a line: once before it returns, and from
// a goroutine before all others, with the zero traced; with each write; and
// with the zero traced again at the time that act gave last, to a millisecond,
// when no write came before; 0 is never. The kernel's trace tells it of each
// write, so it works for a line that another process drives. It must be called
// before the driven line is opened.
func (b *bank) follow(t testing.TB, from int, act func(traced) (wake pulse.Stamp)) (stop func()) {
	t.Helper()
	const tracing = "/sys/kernel/tracing/"
	attribute(t, tracing+"trace_clock", "mono")
	attribute(t, tracing+"events/gpio/gpio_value/enable", "1")
	trace, err := unix.Open(tracing+"trace_pipe", unix.O_RDONLY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	quit, err := unix.Eventfd(0, unix.EFD_CLOEXEC)
	if err != nil {
		t.Fatal(err)
	}
	// What number does the trace know the line by? Reading it tells.
	open(t, b.ref(from), hw.InputOptions{}).Close()
	text := make([]byte, 4096)
	n, err := unix.Read(trace, text)
	first, _, ok := nextWrite(text[:max(n, 0)])
	if !ok {
		t.Fatalf("no trace of the line: %q, %v", text[:max(n, 0)], err)
	}
	runtime.GC() // now, and not while it matters
	procs := runtime.GOMAXPROCS(0)
	runtime.GOMAXPROCS(procs + 1) // so that no goroutine keeps it from waking
	ready, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(ended)
		realtime(t)
		wake := act(traced{})
		close(ready)
		poll := []unix.PollFd{{Fd: int32(trace), Events: unix.POLLIN}, {Fd: int32(quit), Events: unix.POLLIN}}
		for {
			timeout := -1
			if wake > 0 {
				timeout = int(max(wake-hw.Monotonic()+pulse.Stamp(ms)-1, 0) / pulse.Stamp(ms))
			}
			k, err := unix.Poll(poll, timeout)
			if err != nil && err != unix.EINTR {
				t.Error(err)
				return
			}
			if poll[1].Revents != 0 {
				return
			}
			if k == 0 {
				wake = act(traced{})
				continue
			}
			n, _ := unix.Read(trace, text)
			for rest := text[:max(n, 0)]; ; {
				var w traced
				var ok bool
				if w, rest, ok = nextWrite(rest); !ok {
					break
				}
				if w.line == first.line && w.set {
					wake = act(w)
				}
			}
		}
	}()
	<-ready
	return func() {
		defer runtime.GOMAXPROCS(procs)
		unix.Write(quit, []byte{1, 0, 0, 0, 0, 0, 0, 0})
		<-ended
		unix.Close(trace)
		unix.Close(quit)
		attribute(t, tracing+"events/gpio/gpio_value/enable", "0")
	}
}

// A traced access to a line.
type traced struct {
	at    pulse.Stamp
	line  int // the kernel's own number
	set   bool
	level pulse.Level
}

// nextWrite reads the next line such as
//
//	name-91      [000] .....     0.399605: gpio_value: 520 set 1
//
// without allocating: collecting garbage would delay the coupler.
func nextWrite(text []byte) (w traced, rest []byte, ok bool) {
	before, after, ok := bytes.Cut(text, []byte(": gpio_value: "))
	line, rest, _ := bytes.Cut(after, []byte("\n"))
	if !ok {
		return w, nil, false
	}
	number := func(b []byte) (n int64) {
		for _, c := range b {
			if c >= '0' && c <= '9' {
				n = 10*n + int64(c-'0')
			}
		}
		return n
	}
	w.at = pulse.Stamp(number(before[bytes.LastIndexByte(before, ' ')+1:]) * 1000) // "0.399605" in µs
	space := bytes.IndexByte(line, ' ')
	w.line = int(number(line[:space]))
	w.set = bytes.Contains(line, []byte(" set "))
	w.level = pulse.Level(line[len(line)-1] - '0')
	return w, rest, true
}

// realtime puts the goroutine before all others to its end; the thread dies
// with it.
func realtime(t testing.TB) {
	runtime.LockOSThread()
	if err := unix.SchedSetAttr(0, &unix.SchedAttr{Size: unix.SizeofSchedAttr, Policy: unix.SCHED_FIFO, Priority: 45}, 0); err != nil {
		t.Error(err)
	}
}

func sleepUntil(at pulse.Stamp) {
	ts := unix.NsecToTimespec(int64(at))
	for unix.ClockNanosleep(unix.CLOCK_MONOTONIC, unix.TIMER_ABSTIME, &ts, nil) == unix.EINTR {
	}
}

// A write is one toggle of a contact.
type write struct {
	before, after pulse.Stamp
	level         pulse.Level
}

// train toggles n times on an absolute schedule, holding each level in turn
// for the times given.
func (c *contact) train(n int, holds ...time.Duration) []write {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	out := make([]write, 0, n)
	runtime.GC() // now, and not while it matters
	next := hw.Monotonic() + pulse.Stamp(20*ms)
	for i := range n {
		sleepUntil(next)
		b, a := c.toggle()
		out = append(out, write{b, a, c.level})
		next += pulse.Stamp(holds[i%len(holds)])
	}
	return out
}

// collect reads a source on a goroutine of its own until it has n edges.
func collect(t testing.TB, src hw.Source, n int) func() []pulse.Edge {
	t.Helper()
	type got struct {
		edges []pulse.Edge
		err   error
	}
	done := make(chan got, 1)
	go func() {
		var g got
		buf := make([]pulse.Edge, 64)
		for len(g.edges) < n && g.err == nil {
			var k int
			k, g.err = src.ReadEdges(t.Context(), buf)
			g.edges = append(g.edges, buf[:k]...)
		}
		done <- g
	}()
	return func() []pulse.Edge {
		t.Helper()
		select {
		case g := <-done:
			if g.err != nil {
				t.Fatalf("after %d of %d edges: %v", len(g.edges), n, g.err)
			}
			return g.edges
		case <-time.After(5 * time.Second):
			t.Fatalf("fewer than %d edges came", n)
			return nil
		}
	}
}

func open(t testing.TB, ref hw.LineRef, opt hw.InputOptions) *hw.Input {
	t.Helper()
	l, err := hw.OpenInput(ref, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l
}

// A spread summarises differences in ns.
type spread []float64

func (s spread) mean() float64 {
	sum := 0.0
	for _, x := range s {
		sum += x
	}
	return sum / float64(len(s))
}

func (s spread) String() string {
	var q, worst float64
	mean := s.mean()
	for _, x := range s {
		worst = math.Max(worst, math.Abs(x))
		q += (x - mean) * (x - mean)
	}
	return fmt.Sprintf("n %d, mean %+.2f µs, sd %.2f µs, worst %.2f µs", len(s), mean/1e3, math.Sqrt(q/float64(max(len(s)-1, 1)))/1e3, worst/1e3)
}
