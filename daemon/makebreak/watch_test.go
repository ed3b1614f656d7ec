//go:build linux

package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"makebreak/daemon/store"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// program is a running makebreak.
type program struct {
	*exec.Cmd
	testing.TB
	out    *bufio.Reader
	stderr bytes.Buffer
	url    string
}

// launch starts makebreak and waits for the line with its address.
func launch(t testing.TB, dir string, env []string, args ...string) *program {
	t.Helper()
	return launchFile(t, "makebreak", dir, nil, env, args...)
}

// launchFile starts a file, with in as its standard input if that is not nil.
func launchFile(t testing.TB, file, dir string, in *os.File, env []string, args ...string) *program {
	t.Helper()
	p := &program{Cmd: exec.CommandContext(t.Context(), file, args...), TB: t}
	p.Dir, p.Env, p.Stderr = dir, append(os.Environ(), env...), &p.stderr
	if in != nil {
		p.Stdin = in
	}
	out, err := p.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.out = bufio.NewReader(out)
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	for p.url == "" {
		line, err := p.out.ReadString('\n')
		if err != nil {
			p.Wait()
			t.Fatalf("ended before it told its address: %s", &p.stderr)
		}
		p.url = regexp.MustCompile(`https?://[^ \n]+`).FindString(line)
	}
	t.Cleanup(func() { p.Process.Kill() })
	return p
}

// end sends a signal, and others behind it, and waits for the end in good order.
func (p *program) end(s os.Signal, more ...os.Signal) {
	p.Helper()
	began := time.Now()
	if err := p.Process.Signal(s); err != nil {
		p.Fatal(err)
	}
	for _, s := range more {
		time.Sleep(time.Millisecond)
		p.Process.Signal(s) // it may have ended
	}
	io.Copy(io.Discard, p.out)
	if err := p.Wait(); err != nil {
		p.Errorf("after %v: %v\n%s", s, err, &p.stderr)
	}
	p.Logf("stopped in %v", time.Since(began).Round(time.Millisecond))
}

func (p *program) address() string {
	_, address, _ := strings.Cut(p.url, "://")
	return strings.TrimSuffix(address, "/")
}

func (p *program) get(path string) string {
	p.Helper()
	resp, err := http.Get(p.url + path)
	if err != nil {
		p.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		p.Fatalf("%s: %v %s", path, err, resp.Status)
	}
	return string(b)
}

// site writes a configuration of these contacts, name to description.
func site(t testing.TB, contacts map[string]string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	text := "site: Marrow Quay exchange\nstore: {path: log.db}\nlisten: 127.0.0.1:0\ncontacts:\n"
	for name, d := range contacts {
		kind := "interrupter"
		if strings.HasPrefix(d, "dial") {
			kind = "dial"
		}
		text += fmt.Sprintf("  - {name: %s, source: %q, kind: %s}\n", name, "sim:"+d, kind)
	}
	writeFile(t, filepath.Join(dir, "watch.yaml"), text)
	return dir
}

func writeFile(t testing.TB, name, text string) {
	t.Helper()
	if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

const fastDial = "dial,digits=1234567890,rate=20,repeat=endless,bounce=3:1ms"

// The service manager is told what happens, in its own words.
func TestWatchUnderServiceManager(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	socket.SetReadDeadline(time.Now().Add(time.Minute))
	next := func(want string) string {
		t.Helper()
		buf := make([]byte, 1000)
		for {
			n, err := socket.Read(buf)
			if err != nil {
				t.Fatalf("waiting for %s: %v", want, err)
			}
			if got := string(buf[:n]); strings.HasPrefix(got, want) {
				return got
			} else if !strings.HasPrefix(got, "WATCHDOG=1") {
				t.Fatalf("told %q while waiting for %s", got, want)
			}
		}
	}
	p := launch(t, site(t, map[string]string{"dial": fastDial}), []string{"NOTIFY_SOCKET=" + name, "WATCHDOG_USEC=3000000"}, "watch", "watch.yaml", "--log", "json")
	next("READY=1\nSTATUS=watching 1 contact")
	next("WATCHDOG=1")
	next("WATCHDOG=1")
	if err := p.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	if s := next("RELOADING=1"); !strings.Contains(s, "\nMONOTONIC_USEC=") {
		t.Errorf("%q has not the time", s)
	}
	next("READY=1")
	next("WATCHDOG=1") // it goes on
	p.end(syscall.SIGTERM)
	next("STOPPING=1")
	if !strings.Contains(p.stderr.String(), `"msg":"configuration taken over"`) {
		t.Errorf("not logged as JSON: %s", &p.stderr)
	}
}

// seeded is a source of random numbers whose seed a failing test shows.
func seeded(t *testing.T) *rand.Rand {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	return rand.New(rand.NewPCG(seed, 0))
}

// A stop at any moment, writes included, loses nothing that was read, however
// often it is asked for.
func TestWatchStopsWhileWriting(t *testing.T) {
	rounds := 8
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		rounds = 2
	}
	contacts := map[string]string{}
	for i := range 20 {
		contacts["c"+strconv.Itoa(i)] = fmt.Sprintf("dial,digits=1234567890,rate=100,gap=1ms,repeat=endless,bounce=3:0.2ms,seed=%d", i)
	}
	dir := site(t, contacts)
	random := seeded(t)
	for range rounds {
		p := launch(t, dir, nil, "watch", "watch.yaml")
		time.Sleep(time.Duration(1100+random.IntN(1500)) * time.Millisecond) // a dial rests for a second first
		p.end(syscall.SIGTERM, syscall.SIGTERM, syscall.SIGQUIT, os.Interrupt, syscall.SIGTERM, syscall.SIGTERM)
	}
	l, err := store.OpenRead(t.Context(), filepath.Join(dir, "log.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	tl, err := l.Timeline(t.Context(), 0)
	if err != nil || len(tl.Sessions) != rounds {
		t.Fatalf("%v: %d sessions, want %d", err, len(tl.Sessions), rounds)
	}
	for _, s := range tl.Sessions {
		if !s.Ended {
			t.Errorf("session %d did not end in good order", s.ID)
		}
	}
	edges := 0
	for name, d := range contacts {
		edges += replayed(t, l, name, d, rounds)
	}
	if edges == 0 {
		t.Error("nothing was logged")
	}
}

// A second Ctrl-C at a terminal ends the program at once, a second SIGTERM never
// does: while a stop waits for a page.
func TestWatchStopInAHurry(t *testing.T) {
	for _, c := range []struct {
		name          string
		terminal      bool
		first, second syscall.Signal
		want          string // state of the process
	}{
		{"terminal", true, syscall.SIGINT, syscall.SIGINT, "signal: interrupt"},
		{"terminal, told to end", true, syscall.SIGTERM, syscall.SIGTERM, "exit status 0"},
		{"service", false, syscall.SIGINT, syscall.SIGINT, "exit status 0"},
		{"service, told to end", false, syscall.SIGTERM, syscall.SIGTERM, "exit status 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir := site(t, map[string]string{"dial": fastDial})
			text, err := os.ReadFile(filepath.Join(dir, "watch.yaml"))
			if err != nil {
				t.Fatal(err)
			}
			writeFile(t, filepath.Join(dir, "watch.yaml"), "pprof: true\n"+string(text))
			var in *os.File
			if c.terminal {
				in = terminal(t)
			}
			p := launchFile(t, "makebreak", dir, in, nil, "watch", "watch.yaml")
			page, err := net.Dial("tcp", p.address())
			if err != nil {
				t.Fatal(err)
			}
			defer page.Close()
			fmt.Fprint(page, "GET /debug/pprof/trace?seconds=60 HTTP/1.1\r\nHost: localhost\r\n\r\n")
			for !strings.Contains(p.get("debug/pprof/goroutine?debug=2"), "net/http/pprof.Trace") {
				time.Sleep(10 * time.Millisecond)
			}
			p.Process.Signal(c.first)
			time.Sleep(100 * time.Millisecond) // of the 500 that the page has
			p.Process.Signal(c.second)
			io.Copy(io.Discard, p.out)
			p.Wait()
			if got := p.ProcessState.String(); got != c.want {
				t.Errorf("%s, want %s", got, c.want)
			}
		})
	}
}

// terminal gives the near end of a new pseudo-terminal.
func terminal(t *testing.T) *os.File {
	t.Helper()
	far, err := os.OpenFile("/dev/ptmx", os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { far.Close() })
	number, err := unix.IoctlGetInt(int(far.Fd()), unix.TIOCGPTN)
	if err == nil {
		err = unix.IoctlSetPointerInt(int(far.Fd()), unix.TIOCSPTLCK, 0)
	}
	if err != nil {
		t.Fatal(err)
	}
	near, err := os.OpenFile("/dev/pts/"+strconv.Itoa(number), os.O_RDWR|syscall.O_NOCTTY, 0)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { near.Close() })
	return near
}

// replayed checks that each reading of a simulated contact is its signal from
// the first edge on, without a hole, up to the time from which on the level is
// unknown. It gives the number of edges.
func replayed(t *testing.T, l *store.Log, name, description string, readings int) (edges int) {
	t.Helper()
	r, err := l.Replay(t.Context(), store.Span{}, name)
	if err != nil {
		t.Fatal(err)
	}
	spec, err := synth.Parse(description)
	if err != nil {
		t.Fatal(err)
	}
	var signal *synth.Signal
	var start pulse.Stamp
	var one [1]pulse.Edge
	begun := 0
	before := pulse.Unknown
	next := func() pulse.Edge {
		signal.Next(one[:])
		return pulse.Edge{At: start + one[0].At, Level: one[0].Level}
	}
	for buf := make([]pulse.Edge, 512); ; {
		n, err := r.ReadEdges(t.Context(), buf)
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range buf[:n] {
			switch {
			case e.Level == pulse.Unknown:
				if begun == 0 {
					break
				}
				if left := next(); before != pulse.Unknown && e.At-left.At > held {
					t.Errorf("%s, reading %d: known up to %v, but the edge at %v is not there", name, begun, e.At, left.At)
				}
			case before == pulse.Unknown: // the level found at the start
				begun++
				start = e.At
				if signal, err = synth.New(spec); err != nil {
					t.Fatal(err)
				}
			default:
				if want := next(); e.At != want.At || e.Level != want.Level || e.Lost != 0 {
					t.Fatalf("%s, reading %d: edge %+v, want %+v", name, begun, e, want)
				}
				edges++
			}
			before = e.Level
		}
	}
	if begun != readings || before != pulse.Unknown {
		t.Errorf("%s: %d readings, want %d; at the end the level is %v", name, begun, readings, before)
	}
	return edges
}

// held is how long a simulated contact may hold an edge back: 5 ms, and as long
// as a busy computer took from its start to its first reading.
const held = pulse.Stamp(100 * time.Millisecond)

// A second watch on the same log or address is refused, and the first goes on.
func TestWatchTwice(t *testing.T) {
	dir := site(t, map[string]string{"dial": fastDial})
	p := launch(t, dir, nil, "watch", "watch.yaml")
	second := func(config, want string) {
		t.Helper()
		cmd := exec.Command("makebreak", "watch", config)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		var exit *exec.ExitError
		if !errors.As(err, &exit) || exit.ExitCode() != 2 || !strings.Contains(string(out), want) {
			t.Errorf("%v: %s, want %q", err, out, want)
		}
	}
	second("watch.yaml", "log.db\": process "+strconv.Itoa(p.Process.Pid)+" already writes this log: stop it first, or use another log file")
	address := p.address()
	text, err := os.ReadFile(filepath.Join(dir, "watch.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(dir, "other.yaml"), strings.NewReplacer("127.0.0.1:0", address, "log.db", "other.db").Replace(string(text)))
	second("other.yaml", "listen on "+address+": another program does so already")
	if !strings.Contains(p.get("metrics"), `makebreak_up{contact="dial"} 1`) {
		t.Error("the first does not go on")
	}
	p.end(os.Interrupt)
}

// Clients that send nothing, garbage or without end cost bounded time and
// memory, and measuring goes on.
func TestWatchWithBadClients(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("takes as long as the patience with clients: MAKEBREAK_ENDURANCE=1 runs it")
	}
	dir := site(t, map[string]string{"dial": fastDial})
	p := launch(t, dir, nil, "watch", "watch.yaml")
	address := p.address()
	before := resident(t, p.Process.Pid)
	random := seeded(t)
	ctx, stop := context.WithTimeout(t.Context(), 15*time.Second)
	defer stop()
	for i := range 200 {
		c, err := net.Dial("tcp", address)
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		garbage := make([]byte, 1000)
		for j := range garbage {
			garbage[j] = byte(random.IntN(256))
		}
		go func() {
			switch i % 4 {
			case 1: // half a request, then silence
				c.Write([]byte("GET /metrics HTTP/1.1\r\nHost: "))
			case 2: // headers without end
				c.Write([]byte("GET / HTTP/1.1\r\n"))
				for n := 0; ctx.Err() == nil; n++ {
					if _, err := fmt.Fprintf(c, "X-%d: %x\r\n", n, garbage); err != nil {
						return
					}
				}
			case 3:
				for ctx.Err() == nil {
					if _, err := c.Write(garbage); err != nil {
						return
					}
				}
			}
		}()
	}
	if !strings.Contains(p.get("metrics"), `makebreak_up{contact="dial"} 1`) {
		t.Error("no scrape")
	}
	<-ctx.Done()
	if after := resident(t, p.Process.Pid); after > before+32<<20 {
		t.Errorf("memory grew from %d to %d bytes", before, after)
	}
	p.get("")
	families, err := expfmtParse(p.get("metrics"))
	if err != nil {
		t.Fatal(err)
	}
	counted := samples(families)[`makebreak_edges_total{contact="dial"}`]
	p.end(syscall.SIGTERM)
	l, err := store.OpenRead(t.Context(), filepath.Join(dir, "log.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	// 15 s of 20 pps with bounce, and what came between the scrape and the stop.
	if n := float64(replayed(t, l, "dial", fastDial, 1)); counted < 500 || n < counted || n > counted+500 {
		t.Errorf("%v edges in the log, %v counted shortly before the stop", n, counted)
	}
}

// A scrape gets through beside 300 connections that never speak, from the same
// address.
func TestWatchBesideSilentClients(t *testing.T) {
	p := launch(t, site(t, map[string]string{"dial": fastDial}), nil, "watch", "watch.yaml")
	for range 300 {
		c, err := net.Dial("tcp", p.address())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
	}
	for range 3 {
		client := http.Client{Timeout: 2 * time.Second, Transport: &http.Transport{DisableKeepAlives: true}}
		resp, err := client.Get(p.url + "metrics")
		if err != nil {
			t.Fatal(err)
		}
		page, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		if err != nil || !strings.Contains(string(page), `makebreak_up{contact="dial"} 1`) {
			t.Errorf("%s, %v: %.100s", resp.Status, err, page)
		}
	}
	p.end(syscall.SIGTERM)
}

// After the program was stopped for longer than its contacts may be silent, no
// contact is stuck whose edges are all there.
func TestWatchThatWasStopped(t *testing.T) {
	dir := site(t, map[string]string{"dial": fastDial})
	text, err := os.ReadFile(filepath.Join(dir, "watch.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	writeFile(t, filepath.Join(dir, "watch.yaml"), strings.Replace(string(text), "kind: dial}", "kind: dial, stuck_after: 3s}", 1))
	p := launch(t, dir, nil, "watch", "watch.yaml")
	time.Sleep(1500 * time.Millisecond) // a dial rests for a second first
	for _, s := range []syscall.Signal{syscall.SIGSTOP, syscall.SIGCONT} {
		if err := p.Process.Signal(s); err != nil {
			t.Fatal(err)
		}
		if s == syscall.SIGSTOP {
			time.Sleep(5 * time.Second)
		}
	}
	for began := time.Now(); time.Since(began) < 500*time.Millisecond; {
		page := p.get("metrics")
		for _, want := range []string{`makebreak_contact_stuck{contact="dial"} 0`, `makebreak_findings_total{contact="dial",finding="stuck"} 0`} {
			if !strings.Contains(page, want+"\n") {
				t.Fatalf("%v after it goes on: no %s", time.Since(began), want)
			}
		}
	}
	p.end(syscall.SIGTERM)
	if strings.Contains(p.stderr.String(), "without an edge") {
		t.Error(&p.stderr)
	}
	l, err := store.OpenRead(t.Context(), filepath.Join(dir, "log.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	// The half second before the stop has at most 10 pulses of 14 edges.
	if n := replayed(t, l, "dial", fastDial, 1); n < 150 {
		t.Errorf("%d edges are in the log", n)
	}
}

// resident is the memory of a process, in bytes.
func resident(t testing.TB, pid int) int64 {
	t.Helper()
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Fatal(err)
	}
	for line := range strings.Lines(string(b)) {
		if rest, ok := strings.CutPrefix(line, "VmRSS:"); ok {
			kb, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return kb << 10
		}
	}
	t.Fatal("no VmRSS")
	return 0
}

// The demo shows its contacts, takes another port when its own is taken, and
// leaves nothing behind.
func TestDemo(t *testing.T) {
	tmp := t.TempDir()
	env := []string{"TMPDIR=" + tmp}
	a := launch(t, ".", env, "demo")
	b := launch(t, ".", env, "demo", "--for", "2s")
	if a.url == b.url {
		t.Errorf("both at %s", a.url)
	}
	page, metrics := a.get(""), a.get("metrics")
	for _, c := range []string{"generator-a", "generator-b", "cam-60", "cam-120", "ringing", "engaged", "timing-cam", "warning-cam"} {
		if !strings.Contains(page, `id="`+c+`"`) || !strings.Contains(metrics, `makebreak_up{contact="`+c+`"} 1`) {
			t.Errorf("%s is not shown", c)
		}
	}
	// The month before is known from the start: the idler is named, though the drive
	// stood for a day after it was oiled.
	for began := time.Now(); !strings.Contains(metrics, `makebreak_findings_total{contact="timing-cam",finding="swing_grown"} 1`); metrics = a.get("metrics") {
		if time.Since(began) > time.Minute {
			t.Fatal("the idler's swing was not reported")
		}
		time.Sleep(100 * time.Millisecond)
	}
	text, err := io.ReadAll(b.out)
	if err != nil || !strings.Contains(string(text), "Never connect a GPIO line straight to exchange wiring") || !strings.Contains(string(text), "What to look at") {
		t.Errorf("%v: %s", err, text)
	}
	if err := b.Wait(); err != nil {
		t.Error(err)
	}
	if left, err := filepath.Glob(tmp + "/makebreak-demo-*/marrow-quay.db"); err != nil || len(left) != 1 {
		t.Errorf("%v: logs while one demo runs: %q", err, left)
	}
	a.end(syscall.SIGHUP)
	left, err := os.ReadDir(tmp)
	if err != nil || len(left) > 0 {
		t.Errorf("%v: left behind: %v", err, left)
	}
}

// BenchmarkWatch runs a watch of sixteen contacts at 20 pps with bounce, and
// tells its share of one processor core and its memory:
//
//	go test -run '^$' -bench Watch -benchtime 1x ./daemon/makebreak
func BenchmarkWatch(b *testing.B) {
	contacts := map[string]string{}
	for i := range 16 {
		contacts["c"+strconv.Itoa(i)] = fmt.Sprintf("dial,digits=1234567890,rate=20,gap=30ms,repeat=endless,jitter=0.1ms,bounce=3:1ms,seed=%d", i)
	}
	file := filepath.Join(b.TempDir(), "makebreak") // without what tests need
	if out, err := exec.Command("go", "build", "-o", file, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	for b.Loop() {
		p := launchFile(b, file, site(b, contacts), nil, nil, "watch", "watch.yaml")
		time.Sleep(10 * time.Second) // it settles
		var shares, sizes []float64
		for range 6 {
			before, began := busy(b, p.Process.Pid), time.Now()
			time.Sleep(10 * time.Second)
			p.get("metrics")
			shares = append(shares, 100*(busy(b, p.Process.Pid)-before).Seconds()/time.Since(began).Seconds())
			sizes = append(sizes, float64(resident(b, p.Process.Pid))/1e6)
		}
		slices.Sort(shares)
		b.ReportMetric(shares[len(shares)/2], "%core")
		b.ReportMetric(slices.Max(sizes), "MB")
		p.end(syscall.SIGTERM)
	}
}

// busy is the processor time that a process has used.
func busy(t testing.TB, pid int) time.Duration {
	t.Helper()
	var all time.Duration
	tasks, err := filepath.Glob(fmt.Sprintf("/proc/%d/task/*/schedstat", pid))
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range tasks {
		b, err := os.ReadFile(name)
		if err != nil {
			continue // a thread that ended
		}
		ns, err := strconv.ParseInt(strings.Fields(string(b))[0], 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		all += time.Duration(ns)
	}
	return all
}

// A soak test goes on through a kill of watch, and begins and ends while watch
// runs.
func TestSoakThroughKill(t *testing.T) {
	dir := site(t, map[string]string{"dial": fastDial, "cam": "cam,ipm=600,cycles=endless,lead=40ms"})
	run := func(want int, args ...string) string {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), "makebreak", append(args, "--log", "log.db")...)
		cmd.Dir = dir
		out, err := cmd.CombinedOutput()
		if got := cmd.ProcessState.ExitCode(); got != want {
			t.Fatalf("%q: status %d, want %d, %v: %s", args, got, want, err, out)
		}
		return string(out)
	}
	watched := func() *program { return launch(t, dir, nil, "watch", "watch.yaml") }
	p := watched()
	await := func(edges int) { // nothing but the metrics tells
		for look := time.NewTicker(20 * time.Millisecond); ; <-look.C {
			for line := range strings.Lines(p.get("metrics")) {
				var n float64
				if _, err := fmt.Sscanf(line, `makebreak_edges_total{contact="cam"} %g`, &n); err == nil && int(n) >= edges {
					return
				}
			}
		}
	}
	await(1)
	run(0, "soak", "start", "through a kill")
	await(40)
	if out := run(0, "soak", "status"); !strings.Contains(out, "GOES ON") || !strings.Contains(out, "restarts: 0") {
		t.Error(out)
	}
	run(0, "note", "power cut", "--contact", "cam")
	if err := p.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	p.Wait()
	p = watched()
	await(80)
	run(2, "soak", "start", "another")
	run(0, "soak", "finish")
	p.end(syscall.SIGTERM)

	var d struct {
		Length  float64 `json:"length_s"`
		Results []struct {
			Log struct {
				Contact      string
				Length       float64 `json:"length_s"`
				Up           float64 `json:"source_up_s"`
				Gaps         int
				Longest      []struct{ Why string } `json:"longest_gaps"`
				Restarts     int
				Notes, Steps []any
			}
			Measurement struct {
				Capture     struct{ Edges int }
				Interrupter struct {
					Cycles, Missing, Extra int
					Period                 struct{ Min, Max float64 } `json:"period_ms"`
				}
				Dial struct{ Pulses int }
			}
		}
	}
	if err := json.Unmarshal([]byte(run(0, "soak", "status", "--json")), &d); err != nil || len(d.Results) != 2 {
		t.Fatalf("%v: %+v", err, d)
	}
	for i, name := range []string{"cam", "dial"} {
		l, m := d.Results[i].Log, d.Results[i].Measurement
		if l.Contact != name || l.Gaps != 1 || l.Longest[0].Why != "not running" || l.Restarts != 1 || l.Up <= 0 || l.Up >= l.Length || math.Abs(l.Length-d.Length) > 1e-6 {
			t.Errorf("%s: %+v of %v s", name, l, d.Length)
		}
		if in := m.Interrupter; name == "cam" && (in.Cycles < 20 || in.Missing != 0 || in.Extra != 0 || in.Period.Min != 100 || in.Period.Max != 100 || len(l.Notes) != 1) {
			t.Errorf("%s: %+v, notes %v", name, m, l.Notes)
		}
		if name == "dial" && m.Dial.Pulses < 5 {
			t.Errorf("%s: %+v", name, m)
		}
	}
}
