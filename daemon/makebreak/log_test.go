//go:build unix

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// A checker is a *testscript.TestScript, or what does the same for a test.
type checker interface{ Check(error) }

type testChecker struct{ *testing.T }

func (t testChecker) Check(err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// A logMaker writes a log as watch would, by a clock of its own.
type logMaker struct {
	ts   checker
	path string

	mu     sync.Mutex
	anchor hw.Anchor

	*store.Store
	stop    context.CancelFunc
	stopped chan error
}

func (l *logMaker) clock() (hw.Anchor, hw.Discipline) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.anchor, hw.Discipline{Synchronised: true, FrequencyPPM: -3.5, EstimatedErrorNS: 2e6}
}

// at brings the clock to a time since the log's first start.
func (l *logMaker) at(since, step time.Duration) pulse.Stamp {
	l.mu.Lock()
	defer l.mu.Unlock()
	to := logStart + pulse.Stamp(since)
	l.anchor.Wall = l.anchor.At(to).Add(step)
	l.anchor.Mono = to
	return to
}

const logStart = pulse.Stamp(time.Hour)

func (l *logMaker) start(opt store.Options) {
	opt.Clock, opt.Boot, opt.Program = l.clock, "boot-1", "test"
	s, err := store.Open(context.Background(), l.path, opt)
	// A program that another script starts shares the lock between fork and exec.
	var held *store.HeldError
	for begun := time.Now(); errors.As(err, &held) && time.Since(begun) < 5*time.Second; {
		s, err = store.Open(context.Background(), l.path, opt)
	}
	l.ts.Check(err)
	ctx, stop := context.WithCancel(context.Background())
	l.Store, l.stop, l.stopped = s, stop, make(chan error, 1)
	go func() { l.stopped <- s.Run(ctx) }()
}

func (l *logMaker) flush() { l.ts.Check(l.Flush()) }

func (l *logMaker) end() {
	l.stop()
	l.ts.Check(<-l.stopped)
	l.ts.Check(l.Close())
}

// A played contact gets the edges of a signal.
type played struct {
	*store.Contact
	signal *synth.Signal
	start  pulse.Stamp
	next   [1]pulse.Edge
}

// play begins to give a contact a signal.
func (l *logMaker) play(c *store.Contact, description string) *played {
	spec, err := synth.Parse(description)
	l.ts.Check(err)
	p := &played{Contact: c, start: l.anchor.Mono}
	p.signal, err = synth.New(spec)
	l.ts.Check(err)
	c.Append([]pulse.Edge{{At: p.start, Level: pulse.Unknown}, {At: p.start, Level: spec.Rest()}})
	p.signal.Next(p.next[:])
	return p
}

// until appends the edges before a time.
func (p *played) until(at pulse.Stamp) {
	for p.start+p.next[0].At < at {
		p.Append([]pulse.Edge{{At: p.start + p.next[0].At, Level: p.next[0].Level}})
		p.signal.Next(p.next[:])
	}
}

// makelog FILE: writes a log of the contacts cam-60 and dial, from 2026-11-20
// 10:00:00 UTC on. Until 10:10 they move; at 10:06 the clock is set forward by an
// hour. The next start is 12 s later, without the dial; for 20 s from minute
// 13 on the source of cam-60 is down. The soak test "after oiling" of cam-60 is from
// minute 2 to minute 14.
func makeLog(ts *testscript.TestScript, _ bool, args []string) {
	l := &logMaker{ts: ts, path: ts.MkAbs(args[0]), anchor: hw.Anchor{Mono: logStart, Wall: time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC), WithinNS: 100}}
	const cam, dial = "cam,ipm=60,jitter=1ms,cycles=endless,missing-at=200,seed=3", "dial,digits=1234567890,break-at=3.2:75ms,repeat=endless,closed=low"
	settings := func(limits string, more string) json.RawMessage {
		profile, err := config.Profile(limits)
		ts.Check(err)
		b, err := json.Marshal(profile)
		ts.Check(err)
		return json.RawMessage(`{"profile":` + string(b) + `,"timing":"first"` + more + `}`)
	}
	contacts := func() (c, d *store.Contact) {
		c = l.Contact(store.Configuration{Contact: "cam-60", Source: "sim:" + cam, Kind: pulse.KindInterrupter, Settings: settings("us-fcc-busy", "")})
		d = l.Contact(store.Configuration{Contact: "dial", Source: "gpio:GPIO17", Kind: pulse.KindDial, Polarity: pulse.ClosedLow, Settings: settings("us-tia-470-dial", `,"settle_ns":3000000`)})
		return c, d
	}
	site := store.Options{Site: "Marrow Quay exchange"}
	ctx := context.Background()
	l.start(site)
	c, d := contacts()
	p := l.play(c, cam)
	l.play(d, dial).until(logStart + pulse.Stamp(30*time.Second))
	pass := func(since, step time.Duration) {
		p.until(l.at(since, step))
		l.flush()
	}
	pass(2*time.Minute, 0)
	soak, err := l.BeginSoak(ctx, store.Soak{Title: "after oiling", Contact: "cam-60", Note: "new idler, oiled"})
	ts.Check(err)
	_, err = l.AddNote(ctx, store.Note{Contact: "cam-60", State: store.AsFound, Text: "dry idler"})
	ts.Check(err)
	pass(6*time.Minute, time.Hour)
	pass(10*time.Minute, 0)
	l.end()

	l.at(10*time.Minute+12*time.Second, 0)
	l.start(site)
	c, _ = contacts()
	p = l.play(c, cam)
	pass(13*time.Minute, 0)
	down := l.anchor.Mono
	c.Append([]pulse.Edge{{At: down, Level: pulse.Unknown}})
	l.Find(store.Finding{Contact: "cam-60", Kind: store.SourceDown, At: store.Moment{Mono: down}, Text: "not read: it was unplugged"})
	l.at(13*time.Minute+20*time.Second, 0)
	p = l.play(c, cam)
	pass(14*time.Minute, 0)
	_, err = l.EndSoak(ctx, soak)
	ts.Check(err)
	pass(15*time.Minute, 0)
	l.end()
}

// newlog FROM TO: copies a log, and makes the copy one of a newer format, with a
// table that this program does not know: SQLite keeps the user version as 4 bytes
// from 60 on (https://www.sqlite.org/fileformat.html, 1.3).
func newLog(ts *testscript.TestScript, _ bool, args []string) {
	b, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	b[60+2] = 1
	b = bytes.ReplaceAll(b, []byte("lobe_ones"), []byte("cam_lobes"))
	ts.Check(os.WriteFile(ts.MkAbs(args[1]), b, 0o644))
}

// Where edges were removed to make room, the summaries tell of that time; and a
// configuration that changed is that of the start of the stretch.
func TestMeasureWhatIsLeft(t *testing.T) {
	l := &logMaker{ts: testChecker{t}, path: filepath.Join(t.TempDir(), "log.db"), anchor: hw.Anchor{Mono: logStart, Wall: time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)}}
	l.start(store.Options{Site: "Marrow Quay exchange", KeepEdges: 10 * time.Minute})
	configure := func(settle int) *store.Contact {
		return l.Contact(store.Configuration{Contact: "cam", Source: "gpio:GPIO17", Kind: pulse.KindInterrupter, Settings: json.RawMessage(fmt.Sprintf(`{"settle_ns":%d}`, settle))})
	}
	c := configure(3e6)
	l.flush()
	p := l.play(c, "cam,ipm=600,cycles=endless")
	for minute := range 30 {
		p.until(l.at(time.Duration(minute+1)*time.Minute, 0))
		l.Summarise(store.Summary{Contact: "cam", At: store.Moment{Mono: logStart + pulse.Stamp(minute)*60e9}, LengthNS: 60e9, Edges: 1200, Pulses: 600, Missing: 2, OutOfLimit: 3})
		l.flush()
		if minute == 24 {
			configure(5e6)
			l.flush()
		}
	}
	l.end()
	var d struct {
		Settling struct {
			MS float64 `json:"settle_ms"`
		}
		Capture     struct{ Edges int }
		Interrupter struct {
			Due int `json:"cycles_due"`
		}
		Log struct {
			Since   time.Time
			Length  float64 `json:"length_s"`
			Up      float64 `json:"source_up_s"`
			Changes int     `json:"configuration_changes"`
			Removed *struct {
				Until   time.Time
				Pulses  int
				Missing int
				Out     int `json:"out_of_limit"`
			}
		}
	}
	measure := func(since string) {
		t.Helper()
		d.Log.Removed = nil
		out, err := exec.Command("makebreak", "measure", "run:cam", "--log", l.path, "--since", since, "--json").Output()
		if err == nil {
			err = json.Unmarshal(out, &d)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	measure("2026-11-20T10:02")
	g, removed := d.Log, d.Log.Removed
	if removed == nil || !removed.Until.Equal(g.Since) || g.Up != g.Length || g.Length < 600 || g.Length > 1200 || g.Changes != 1 || d.Settling.MS != 3 {
		t.Fatalf("%+v, removed %+v", d, removed)
	}
	// A minute counts where it began, so the first two do not.
	minutes := int(removed.Until.Sub(time.Date(2026, 11, 20, 10, 2, 0, 0, time.UTC)).Minutes()) + 1
	if removed.Pulses != 600*minutes || removed.Missing != 2*minutes || removed.Out != 3*minutes {
		t.Errorf("%+v of %d minutes", removed, minutes)
	}
	if want := int(20 * g.Length); d.Capture.Edges < want-2 || d.Capture.Edges > want+2 || d.Interrupter.Due < want/2-2 {
		t.Errorf("%+v, want %d edges", d, want)
	}
	measure("2026-11-20T10:28")
	if d.Log.Removed != nil || d.Log.Changes != 0 || d.Settling.MS != 5 || d.Log.Length != 120 || d.Capture.Edges != 2400 {
		t.Errorf("%+v", d)
	}
}

// BenchmarkMeasureLog measures a dial's edges in a log, as many as
// MAKEBREAK_LOG_EDGES says, else a million, and tells the time and the memory
// of the whole program:
//
//	MAKEBREAK_LOG_EDGES=50000000 go test -run '^$' -bench MeasureLog -benchtime 1x -timeout 30m ./daemon/makebreak
func BenchmarkMeasureLog(b *testing.B) {
	edges := 1_000_000
	if s := os.Getenv("MAKEBREAK_LOG_EDGES"); s != "" {
		var err error
		if edges, err = strconv.Atoi(s); err != nil {
			b.Fatal(err)
		}
	}
	dir := b.TempDir()
	log := filepath.Join(dir, "log.db")
	writeLog(b, log, edges)
	file := filepath.Join(dir, "makebreak") // without what tests need
	if out, err := exec.Command("go", "build", "-o", file, ".").CombinedOutput(); err != nil {
		b.Fatalf("%v: %s", err, out)
	}
	for b.Loop() {
		began := time.Now()
		cmd := exec.Command(file, "measure", "run:dial", "--log", log)
		var out bytes.Buffer
		cmd.Stdout = &out
		if err := cmd.Start(); err != nil {
			b.Fatal(err)
		}
		ended := make(chan error)
		go func() { ended <- cmd.Wait() }()
		most := 0
	running:
		for look := time.NewTicker(5 * time.Millisecond); ; {
			select {
			case <-ended:
				break running
			case <-look.C:
				status, _ := os.ReadFile(fmt.Sprintf("/proc/%d/status", cmd.Process.Pid)) // it may just have ended
				_, rest, _ := strings.Cut(string(status), "VmHWM:")
				kb := 0
				fmt.Sscan(rest, &kb)
				most = max(most, kb)
			}
		}
		if code := cmd.ProcessState.ExitCode(); code != 0 && code != 1 || !strings.Contains(out.String(), " edges in ") {
			b.Fatalf("status %d: %s", code, &out)
		}
		b.ReportMetric(time.Since(began).Seconds(), "s")
		b.ReportMetric(float64(time.Since(began).Nanoseconds())/float64(edges), "ns/edge")
		b.ReportMetric(float64(most)*1024/1e6, "MB")
	}
}

// writeLog writes a log of a dial with jitter and bounce.
func writeLog(b *testing.B, path string, edges int) {
	b.Helper()
	var mu sync.Mutex
	now := hw.Anchor{Mono: logStart, Wall: time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)}
	s, err := store.Open(b.Context(), path, store.Options{Site: "Marrow Quay exchange", Boot: "boot-1", BufferBytes: 64 << 20,
		Clock: func() (hw.Anchor, hw.Discipline) {
			mu.Lock()
			defer mu.Unlock()
			return now, hw.Discipline{Synchronised: true}
		}})
	if err != nil {
		b.Fatal(err)
	}
	ctx, stop := context.WithCancel(b.Context())
	stopped := make(chan error, 1)
	go func() { stopped <- s.Run(ctx) }()
	c := s.Contact(store.Configuration{Contact: "dial", Source: "gpio:GPIO17", Kind: pulse.KindDial, Settings: json.RawMessage(`{"timing":"first"}`)})
	spec, err := synth.Parse("dial,digits=1234567890,jitter=0.4ms,bounce=1:1ms,repeat=endless")
	if err != nil {
		b.Fatal(err)
	}
	signal, err := synth.New(spec)
	if err != nil {
		b.Fatal(err)
	}
	c.Append([]pulse.Edge{{At: logStart, Level: pulse.High}})
	for buf := make([]pulse.Edge, 100_000); edges > 0; {
		n := signal.Next(buf[:min(len(buf), edges)])
		for i := range buf[:n] {
			buf[i].At += logStart
		}
		c.Append(buf[:n])
		mu.Lock()
		now = hw.Anchor{Mono: buf[n-1].At, Wall: now.At(buf[n-1].At)}
		mu.Unlock()
		if err := s.Flush(); err != nil {
			b.Fatal(err)
		}
		edges -= n
	}
	stop()
	if err := errors.Join(<-stopped, s.Close()); err != nil {
		b.Fatal(err)
	}
	if n := s.Stats().DroppedEdges; n > 0 {
		b.Fatalf("%d edges dropped", n)
	}
}

// Nothing from a log reaches a terminal as it is: a log may come from anywhere.
func TestNothingRawFromALog(t *testing.T) {
	const evil = "a\x1b[31m\x1b]0;b\x07"
	l := &logMaker{ts: testChecker{t}, path: filepath.Join(t.TempDir(), "log.db"), anchor: hw.Anchor{Mono: logStart, Wall: time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)}}
	l.start(store.Options{Site: evil})
	c := l.Contact(store.Configuration{Contact: evil, Source: evil, Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{}`)})
	p := l.play(c, "cam,ipm=600,cycles=endless")
	p.until(l.at(time.Minute, 0))
	l.Find(store.Finding{Contact: evil, Kind: store.FindingKind(evil), At: store.Moment{Mono: logStart + 1e9}, Text: evil})
	l.Find(store.Finding{Contact: evil, Kind: store.SourceDown, At: store.Moment{Mono: logStart + 1e9}, Text: evil})
	l.flush()
	for _, note := range []store.Note{{Text: evil, Contact: evil, State: store.AsFound}, {Text: evil}} {
		_, err := l.AddNote(t.Context(), note)
		l.ts.Check(err)
	}
	_, err := l.BeginSoak(t.Context(), store.Soak{Title: evil, Contact: evil, Note: evil})
	l.ts.Check(err)
	p.until(l.at(2*time.Minute, 0))
	l.end()
	for _, args := range [][]string{
		{"measure", "run:" + evil}, {"measure", "run:x"}, {"measure", "run:" + evil, "--table", "-"}, {"measure", "run:" + evil, "--since", "1999-01-01"},
		{"soak", "list"}, {"soak", "status"}, {"soak", "status", "x"}, {"soak", "start", evil}, {"soak", "start", "y", "--contact", evil}, {"soak", "finish"},
		{"soak", "start", "z" + evil, "--contact", evil}, {"soak", "start", "z" + evil, "--contact", evil}, {"note", evil, "--contact", evil}, {"note", "x", "--contact", "x"},
		{"export", "run:" + evil, "--out", "-"},
	} {
		out, _ := exec.Command("makebreak", append(args, "--log", l.path)...).CombinedOutput()
		if len(out) == 0 || bytes.ContainsAny(out, "\x1b\x07") {
			t.Errorf("%q: %q", args, out)
		}
	}
}
