package watch

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/prometheus/common/expfmt"
	"github.com/prometheus/common/model"

	"makebreak/daemon/calibration"
	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
	"makebreak/pulse/synth"
)

// A host is a computer whose clocks a test sets. Its monotonic clock is the
// bubble's.
type host struct {
	zero time.Time
	boot string // its id
	// stood is for how long the process was stopped: nothing in it happened.
	stood atomic.Int64

	mu   sync.Mutex
	wall time.Time                          // at zero
	open map[string]func() (hw.Live, error) // by line
	// found is the calibration of a line.
	found map[string]func() (*calibration.Calibration, calibration.Fitness, error)
}

// booted is what the monotonic clock shows when a test begins.
const booted = pulse.Stamp(time.Hour)

func newHost() *host {
	return &host{zero: time.Now(), boot: "boot-1", wall: time.Date(2024, 3, 30, 12, 0, 0, 0, time.UTC), open: map[string]func() (hw.Live, error){},
		found: map[string]func() (*calibration.Calibration, calibration.Fitness, error){}}
}

func (h *host) now() pulse.Stamp {
	return booted + pulse.Stamp(time.Since(h.zero)) + pulse.Stamp(h.stood.Load())
}

func (h *host) clock() (hw.Anchor, hw.Discipline) {
	h.mu.Lock()
	wall := h.wall
	h.mu.Unlock()
	now := h.now()
	return hw.Anchor{Mono: now, Wall: wall.Add(time.Duration(now - booted))}, hw.Discipline{Synchronised: true, EstimatedErrorNS: 1e6}
}

// step sets the wall clock.
func (h *host) step(d time.Duration) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.wall = h.wall.Add(d)
}

func (h *host) Open(s config.Source) (hw.Live, error) {
	h.mu.Lock()
	f := h.open[s.Line]
	h.mu.Unlock()
	if f != nil {
		return f()
	}
	return open(s, h.now)
}

func (h *host) calibration(s config.Source, _ pulse.Polarity) (*calibration.Calibration, calibration.Fitness, error) {
	if f := h.found[s.Line]; f != nil {
		return f()
	}
	return nil, calibration.Fitness{}, nil
}

// pipes is a listener that needs no network, so that time can stand still.
type pipes struct {
	conns chan net.Conn
	done  chan struct{}
	once  sync.Once
}

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

func (p *pipes) Close() error   { p.once.Do(func() { close(p.done) }); return nil }
func (p *pipes) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

func (p *pipes) dial(context.Context, string, string) (net.Conn, error) {
	here, there := net.Pipe()
	select {
	case p.conns <- there:
		return here, nil
	case <-p.done:
		return nil, net.ErrClosed
	}
}

// A rig is a site that a test watches, within a bubble.
type rig struct {
	*testing.T
	*host
	dir, file string
	pipes     *pipes
	reload    chan os.Signal
	opt       Options

	mu     sync.Mutex
	log    bytes.Buffer
	onLine func(string) // called with each message before it is logged
	states []string     // told to the service manager

	stop   context.CancelFunc
	ended  chan error
	looked chan struct{} // closed when the onlooker has gone
	once   sync.Once
}

// newRig makes a site of these contacts, each the lines of one in YAML.
func newRig(t *testing.T, contacts ...string) *rig {
	r := &rig{T: t, host: newHost(), dir: t.TempDir(), reload: make(chan os.Signal)}
	r.file = filepath.Join(r.dir, "watch.yaml")
	r.write(contacts...)
	return r
}

const head = "site: Marrow Quay exchange\nstore: {path: log.db}\n"

func (r *rig) write(contacts ...string) { r.writeText(head + "contacts:\n" + yaml(contacts...)) }

// yaml makes a list of contacts.
func yaml(contacts ...string) string {
	var b strings.Builder
	for _, c := range contacts {
		b.WriteString("  - {" + strings.Join(strings.Split(strings.TrimSpace(c), "\n"), ", ") + "}\n")
	}
	return b.String()
}

func (r *rig) writeText(text string) {
	r.Helper()
	if err := os.WriteFile(r.file, []byte(text), 0o644); err != nil {
		r.Fatal(err)
	}
	// File systems have the real time, which stands still here.
	now := time.Now()
	if err := os.Chtimes(r.file, now, now); err != nil {
		r.Fatal(err)
	}
}

func sim(name, description string, more ...string) string {
	return "name: " + name + "\nsource: \"sim:" + description + "\"\n" + strings.Join(more, "\n")
}

// start watches until the test ends or calls finish. Meanwhile an onlooker
// scrapes and loads the page.
func (r *rig) start() {
	r.Helper()
	cfg, err := config.LoadWatch(r.file)
	if err != nil {
		r.Fatal(err)
	}
	r.pipes = &pipes{conns: make(chan net.Conn), done: make(chan struct{})}
	r.opt.Listener = r.pipes
	r.opt.Log = slog.New(&handler{slog.NewTextHandler(r, nil), r})
	r.opt.Version, r.opt.GoVersion = "1.2.3", "go1.26"
	r.opt.File, r.opt.Load, r.opt.Reload = r.file, func() (*config.Watch, error) { return config.LoadWatch(r.file) }, r.reload
	r.opt.Notify = func(s string) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.states = append(r.states, s)
	}
	r.opt.Host = Host{Now: r.host.now, Clock: r.host.clock, Boot: r.boot, Open: r.host.Open, Calibration: r.host.calibration}
	ready := make(chan struct{})
	r.opt.Ready = func() { close(ready) }
	var ctx context.Context
	ctx, r.stop = context.WithCancel(context.Background())
	r.ended, r.looked, r.once = make(chan error, 1), make(chan struct{}), sync.Once{}
	go func() { r.ended <- Run(ctx, cfg, r.opt) }()
	select {
	case <-ready:
	case err := <-r.ended:
		close(r.looked)
		r.Fatalf("ended before it was ready: %v", err)
	}
	go r.look(ctx)
	r.Cleanup(func() { r.finish() })
}

// handler calls onLine, without a lock.
type handler struct {
	slog.Handler
	r *rig
}

func (h *handler) Handle(ctx context.Context, x slog.Record) error {
	if h.r.onLine != nil {
		h.r.onLine(x.Message)
	}
	return h.Handler.Handle(ctx, x)
}

func (h *handler) WithAttrs(a []slog.Attr) slog.Handler { return &handler{h.Handler.WithAttrs(a), h.r} }

// Write takes the lines of the log.
func (r *rig) Write(b []byte) (int, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.log.Write(b)
}

// lines gives what was logged with a text in it.
func (r *rig) lines(text string) (found []string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for l := range strings.Lines(r.log.String()) {
		if strings.Contains(l, text) {
			found = append(found, l)
		}
	}
	return found
}

// told gives what the service manager was told.
func (r *rig) told() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return slices.Clone(r.states)
}

// finish stops watching, within the time that a stop may take.
func (r *rig) finish() {
	r.Helper()
	r.once.Do(func() {
		began := time.Now()
		r.stop()
		if err := <-r.ended; err != nil {
			r.Error(err)
		}
		if took := time.Since(began); took >= 2*time.Second {
			r.Errorf("stopping took %v", took)
		}
		<-r.looked
	})
}

// pass lets time go by.
func (r *rig) pass(d time.Duration) {
	time.Sleep(d)
	synctest.Wait()
}

// look is the onlooker: it sees that each page is whole and that no counter of
// a contact goes back.
func (r *rig) look(ctx context.Context) {
	defer close(r.looked)
	last := map[string]float64{}
	for n := 0; ; n++ {
		pause := 1700 * time.Millisecond
		if n > 20 {
			pause *= 50 // in long tests
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		}
		if body, err := r.load("/"); ctx.Err() == nil && (err != nil || !strings.Contains(body, "</html>")) {
			r.Errorf("page: %v, %d bytes", err, len(body))
		}
		all, err := r.metrics()
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			r.Error(err)
		}
		for k, v := range all {
			if (strings.Contains(k, "_total") || strings.Contains(k, "_count")) && v < last[k] {
				r.Errorf("%s went from %v back to %v", k, last[k], v)
			}
			last[k] = v // kept when it is absent for a while
		}
	}
}

func (r *rig) load(path string) (string, error) {
	t := &http.Transport{DialContext: r.pipes.dial, DisableKeepAlives: true}
	defer t.CloseIdleConnections()
	c := &http.Client{Transport: t}
	resp, err := c.Get("http://localhost" + path)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err == nil && resp.StatusCode != http.StatusOK {
		err = fmt.Errorf("%s: %s: %s", path, resp.Status, body)
	}
	return string(body), err
}

func (r *rig) page() string {
	r.Helper()
	s, err := r.load("/")
	if err != nil {
		r.Fatal(err)
	}
	return s
}

// metrics scrapes, and gives values by name and labels: "edges_total{dial}".
func (r *rig) metrics() (map[string]float64, error) {
	page, err := r.load("/metrics")
	if err != nil {
		return nil, err
	}
	parser := expfmt.NewTextParser(model.LegacyValidation)
	families, err := parser.TextToMetricFamilies(strings.NewReader(page))
	if err != nil {
		return nil, err
	}
	all := map[string]float64{}
	for name, f := range families {
		for _, m := range f.Metric {
			var labels []string
			for _, l := range m.Label {
				labels = append(labels, *l.Value)
			}
			key := strings.TrimPrefix(name, "makebreak_") + "{" + strings.Join(labels, ",") + "}"
			switch {
			case m.Counter != nil:
				all[key] = m.Counter.GetValue()
			case m.Gauge != nil:
				all[key] = m.Gauge.GetValue()
			case m.Histogram != nil:
				all[strings.Replace(key, "{", "_count{", 1)] = float64(m.Histogram.GetSampleCount())
			}
		}
	}
	return all, nil
}

// is checks values of the metrics.
func (r *rig) is(want map[string]float64) {
	r.Helper()
	all, err := r.metrics()
	if err != nil {
		r.Fatal(err)
	}
	r.is1(all, want)
}

func (r *rig) is1(all, want map[string]float64) {
	r.Helper()
	for k, v := range want {
		if got, ok := all[k]; !ok || got != v {
			r.Errorf("%s is %v (there: %v), want %v", k, got, ok, v)
		}
	}
}

// book opens the log for reading.
func (r *rig) book() *store.Log {
	r.Helper()
	l, err := store.OpenRead(r.Context(), filepath.Join(r.dir, "log.db"))
	if err != nil {
		r.Fatal(err)
	}
	r.Cleanup(func() { l.Close() })
	return l
}

// findings gives those of a contact as "kind: text", of the log itself for "".
func (r *rig) findings(contact string) (all []string) {
	r.Helper()
	for f, err := range r.book().Findings(r.Context(), store.Span{}, contact) {
		if err != nil {
			r.Fatal(err)
		}
		if f.Contact == contact {
			all = append(all, string(f.Kind)+": "+f.Text)
		}
	}
	return all
}

// sum adds up the summaries of a contact, their spreads but for the extremes.
func (r *rig) sum(contact string) (sum store.Summary) {
	r.Helper()
	for m, err := range r.book().Summaries(r.Context(), store.Span{}, contact) {
		if err != nil {
			r.Fatal(err)
		}
		sum.LengthNS += m.LengthNS
		sum.Edges += m.Edges
		sum.Pulses += m.Pulses
		sum.Break.N += m.Break.N
		sum.Break.SumNS += m.Break.SumNS
	}
	return sum
}

// logged gives all edges of a contact in the log, as they were stamped in the
// first session.
func (r *rig) logged(contact string) []pulse.Edge {
	r.Helper()
	l := r.book()
	p, err := l.Replay(r.Context(), store.Span{}, contact)
	if err != nil {
		r.Fatal(err)
	}
	var all []pulse.Edge
	buf := make([]pulse.Edge, 512)
	for {
		n, err := p.ReadEdges(r.Context(), buf)
		all = append(all, buf[:n]...)
		if err == io.EOF {
			break
		}
		if err != nil {
			r.Fatal(err)
		}
	}
	for i := range all {
		all[i].At += booted
	}
	return all
}

// signal gives the edges of a description up to a time, from a start on.
func signal(t testing.TB, description string, start, until pulse.Stamp) (all []pulse.Edge) {
	t.Helper()
	spec, err := synth.Parse(description)
	if err != nil {
		t.Fatal(err)
	}
	s, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]pulse.Edge, 64)
	for {
		n := s.Next(buf)
		for _, e := range buf[:n] {
			if e.At += start; e.At > until {
				return all
			}
			all = append(all, e)
		}
		if n == 0 {
			return all
		}
	}
}

// sameEdges tells the first difference of two rows of edges, sequence numbers
// aside: the log does not keep them.
func sameEdges(got, want []pulse.Edge) error {
	for i := range max(len(got), len(want)) {
		switch {
		case i >= len(got):
			return fmt.Errorf("%d edges, want %d: %+v is missing", len(got), len(want), want[i])
		case i >= len(want):
			return fmt.Errorf("%d edges, want %d: %+v is too much", len(got), len(want), got[i])
		}
		g, w := got[i], want[i]
		g.Seq, w.Seq = 0, 0
		if g != w {
			return fmt.Errorf("edge %d of %d (want %d) is %+v, want %+v", i, len(got), len(want), g, w)
		}
	}
	return nil
}

// known leaves out the edges that only tell what is known of the level: at the
// start of each reading Unknown and the level found, at its end Unknown.
func known(all []pulse.Edge) (edges []pulse.Edge, readings int) {
	for i := 0; i < len(all); i++ {
		if all[i].Level == pulse.Unknown {
			if i+1 < len(all) && all[i+1].Level != pulse.Unknown {
				i++
				readings++
			}
			continue
		}
		edges = append(edges, all[i])
	}
	return edges, readings
}

// bubble runs a test in a bubble of its own time.
func bubble(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, f)
}

func itoa(n int) string { return strconv.Itoa(n) }
