// Package watch runs a site until it is told to stop: it reads the contacts,
// writes the log and serves the pages. Broken lines, failing disks, steps of the
// clock and changes of the configuration do not end it.
package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"makebreak/daemon/calibration"
	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/daemon/metrics"
	"makebreak/daemon/store"
	"makebreak/daemon/trend"
	"makebreak/daemon/web"
	"makebreak/hw"
	"makebreak/pulse"
)

// Options for Run.
type Options struct {
	// Listener accepts the connections of the pages. Run closes it.
	Listener           net.Listener
	Log                *slog.Logger
	Version, GoVersion string

	// File is the name of the configuration file. Load reads it again when the
	// file has changed and when Reload receives a signal; nil: the configuration
	// never changes.
	File   string
	Load   func() (*config.Watch, error)
	Reload <-chan os.Signal

	// SoakStatements gives the statements of conformity of a finished soak test whose
	// result is kept, by contact; nil: they are not shown.
	SoakStatements func(*store.Soak) (map[string]pulse.Statement, error)

	// Ready is called once, after the first attempt to open every source; it may
	// be nil.
	Ready func()
	// Notify sends a state to the service manager, as sd_notify(3) defines it; it
	// may be nil.
	Notify func(state string)
	// Watchdog is the longest time that the service manager waits for a sign of
	// life; 0: forever.
	Watchdog time.Duration

	// Archive makes what the pages ask of the log; nil: they ask nothing of it.
	Archive func(log *store.Log) web.Archive

	Host
}

// A Host is the computer whose sources and clocks are used. Zero fields mean
// this computer.
type Host struct {
	Now   func() pulse.Stamp // the clock of all stamps
	Clock func() (hw.Anchor, hw.Discipline)
	Boot  string
	Open  func(config.Source) (hw.Live, error)
	// Calibration gives the loopback calibration of a source's line, nil when
	// there is none.
	Calibration func(config.Source, pulse.Polarity) (*calibration.Calibration, calibration.Fitness, error)
}

func (h *Host) fill(calibrations string) {
	if h.Now == nil {
		h.Now = hw.Monotonic
	}
	if h.Clock == nil {
		h.Clock = hw.ReadClock
	}
	if h.Open == nil {
		now := h.Now
		h.Open = func(s config.Source) (hw.Live, error) { return open(s, now) }
	}
	if h.Calibration == nil {
		h.Calibration = func(s config.Source, p pulse.Polarity) (*calibration.Calibration, calibration.Fitness, error) {
			return calibrationOf(calibrations, s, p)
		}
	}
}

// A task is a long job. It ends without an error when ctx is done.
type task interface {
	Run(ctx context.Context) error
	String() string
}

// watch is a site that is being watched.
type watch struct {
	Options
	first    *config.Watch // as of the start; some keys take effect only then
	isReady  chan struct{}
	store    *store.Store
	metrics  *metrics.Metrics // nil: an import, which nobody asks for them
	clock    *clock
	watchdog *watchdog
	group    *errgroup.Group
	ctx      context.Context // of the group, for contacts that come later
	// lives has all contacts there ever were, by name: the counts of a contact
	// that is taken out of the configuration and put back go on.
	lives map[string]*live.Contact
	pairs map[string]pairOf // by the name of their input

	mu       sync.Mutex
	contacts []*running
	reloads  metrics.Configuration
	mistake  string   // why the latest configuration was refused
	gone     bool     // the configuration file is
	later    []string // changed keys that take effect at the next start
}

// running is a contact's task, and what is needed to end it.
type running struct {
	*contact
	want    config.Contact // as last configured
	steered atomic.Bool    // its time base is that of the kernel's clock
	end     context.CancelFunc
	done    chan struct{}
}

// Run watches until ctx is done, then writes what is left and returns nil. The
// error says why it could not begin or go on, or what is not in the log.
func Run(ctx context.Context, cfg *config.Watch, opt Options) error {
	defer opt.Listener.Close()
	opt.fill(cfg.Calibrations)
	w := &watch{Options: opt, first: cfg, lives: map[string]*live.Contact{}, isReady: make(chan struct{})}
	var err error
	w.store, err = store.Open(ctx, cfg.Store.Path, store.Options{
		Site: cfg.Site, Program: opt.Version, KeepEdges: cfg.Store.KeepRaw, MaxBytes: cfg.Store.MaxBytes,
		SetAside: true, // a damaged log must not stop the watching for months
		OnFault:  w.logFault, OnRemoval: w.logRemoval, Clock: opt.Clock, Boot: opt.Boot,
	})
	if err != nil {
		return err
	}
	w.Log.Info("started", "version", w.Version, "site", cfg.Site, "contacts", len(cfg.Contacts), "log", cfg.Store.Path)
	err = w.run(ctx)
	if e := w.store.Close(); e != nil {
		err = errors.Join(err, fmt.Errorf("stop: %w", e))
	}
	w.Log.Info("stopped")
	return err
}

func (w *watch) run(ctx context.Context) error {
	w.group, w.ctx = errgroup.WithContext(ctx)
	w.clock = newClock(w)
	w.watchdog = &watchdog{watch: w, began: time.Now()}
	notes := newAnnotations(w)
	w.metrics = metrics.New(metrics.Options{
		Build: metrics.Build{Version: w.Version, GoVersion: w.GoVersion}, Runtime: true,
		Log: w.logState, Clock: w.clock.state, Configuration: w.configuration, Annotations: notes.state,
	})
	w.start(w.store)
	w.apply(w.first)
	w.start(w.clock)
	w.start(w.watchdog)
	w.start(&lobeNotes{w})
	w.start(notes)
	w.start(&trends{watch: w, known: map[*trend.Contact]bool{}, numbered: map[*trend.Contact]int{}, met: map[*trend.Contact]int{}, shift: map[*trend.Contact]pulse.Stamp{}})
	w.start(&server{w})
	if w.Load != nil {
		w.start(&reloader{watch: w})
	}
	w.group.Go(func() error {
		w.becomeReady()
		<-w.ctx.Done()
		w.notify("STOPPING=1")
		return nil
	})
	return w.group.Wait()
}

func (w *watch) start(t task) {
	w.group.Go(func() error {
		if err := t.Run(w.ctx); err != nil {
			return fmt.Errorf("%s: %w", t, err)
		}
		return nil
	})
}

// becomeReady waits for the first attempt to open every source.
func (w *watch) becomeReady() {
	for _, c := range w.all() {
		select {
		case <-c.tried:
		case <-c.done:
		case <-w.ctx.Done():
			return
		}
	}
	close(w.isReady)
	w.notify("READY=1\nSTATUS=" + w.status())
	if w.Ready != nil {
		w.Ready()
	}
}

func (w *watch) notify(state string) {
	if w.Notify != nil {
		w.Notify(state)
	}
}

// all gives the contacts in the order of the configuration.
func (w *watch) all() []*running {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.contacts
}

// apply makes the contacts those of the configuration. Contacts whose source
// stays the same go on being read. Only one goroutine may call it at a time.
func (w *watch) apply(cfg *config.Watch) (added, ended, changed int) {
	for _, now := range cfg.Renamed {
		w.Log.Info(now)
	}
	before := map[string]*running{}
	for _, c := range w.all() {
		before[c.name] = c
	}
	var list, begin []*running
	for _, want := range cfg.Contacts {
		old := before[want.Name]
		if old != nil && old.stays(want) {
			delete(before, want.Name)
			if old.want.Text != want.Text || !old.want.SameReading(want) {
				changed++
				old.next.Store(&want)
			}
			old.configure(want)
			list = append(list, old)
			continue
		}
		c := &running{done: make(chan struct{})}
		c.configure(want)
		list, begin = append(list, c), append(begin, c)
	}
	// A line may change from one contact to another, so contacts that end do so
	// before others begin.
	for _, old := range before {
		old.end()
	}
	for _, old := range before {
		<-old.done
	}
	for _, c := range begin {
		cfg, _ := w.calibrated(c.want)
		edges := w.store.Contact(configuration(&cfg))
		l := w.lives[c.want.Name]
		if l == nil {
			l = live.New(setting(&c.want), w.first.Window, w.Now)
			w.lives[c.want.Name] = l
		} else {
			l.Describe(setting(&c.want))
			l.Down("") // until its source is open
		}
		var after *contact
		if old := before[c.want.Name]; old != nil {
			delete(before, c.want.Name)
			changed++
			after = old.contact
		} else {
			added++
		}
		c.contact = newContact(w, cfg, l, edges, after)
	}
	w.pairUp(list)
	lives := make([]*live.Contact, len(list))
	for i, c := range list {
		lives[i] = c.live
	}
	w.metrics.Set(lives)
	w.mu.Lock()
	w.contacts = list
	w.mu.Unlock()
	for _, c := range begin {
		ctx, end := context.WithCancel(w.ctx)
		c.end = end
		w.group.Go(func() error {
			defer close(c.done)
			defer end()
			return c.Run(ctx)
		})
	}
	return added, len(before), changed
}

// configure takes the configuration that the contact is to have.
func (c *running) configure(want config.Contact) {
	c.want = want
	c.steered.Store(want.Meter.Setup.ClockFrom.State == pulse.ClockAssumed)
	if c.contact != nil && c.ended() {
		c.live.Describe(setting(&want))
	}
}

// stays is true when the task can go on under another configuration.
func (c *running) stays(want config.Contact) bool {
	old, next := c.want, want
	old.Meter, old.Rate, old.Against = next.Meter, next.Rate, next.Against
	if !old.SameReading(next) { // the source is another one
		return false
	}
	return !c.ended() || c.want.SameReading(want)
}

func (c *running) ended() bool {
	select {
	case <-c.done:
		return true
	default:
		return false
	}
}

func (w *watch) figures() []live.Figures {
	all := w.all()
	f := make([]live.Figures, len(all))
	for i, c := range all {
		f[i] = c.live.Figures()
	}
	return f
}

// liveOf gives a contact that is configured, nil for another name.
func (w *watch) liveOf(name string) *live.Contact {
	for _, c := range w.all() {
		if c.name == name {
			return c.live
		}
	}
	return nil
}

// status says in a line how many contacts are watched, and which are not read.
func (w *watch) status() string {
	all := w.figures()
	var down []string
	for i := range all {
		if !all[i].Up && !all[i].Ended {
			down = append(down, all[i].Name)
		}
	}
	s := "watching " + figure.Plural(len(all), "contact", "contacts")
	if len(down) > 0 {
		s += "; not read: " + strings.Join(down[:min(len(down), 5)], ", ")
		if len(down) > 5 {
			s += fmt.Sprintf(" and %d more", len(down)-5)
		}
	}
	return s
}

// logFault is called when the log cannot be written, and when it can be again.
func (w *watch) logFault(f *store.Fault) {
	if f == nil {
		w.Log.Info("the log is in order again")
		return
	}
	w.Log.Error("measuring goes on, but " + f.Error())
}

// logRemoval is called when old edges are removed, once a day of each contact.
func (w *watch) logRemoval(f store.Finding) {
	w.Log.Info(f.Text, "contact", f.Contact, "finding", string(f.Kind))
}

func (w *watch) logState() metrics.Log {
	s := w.store.Stats()
	l := metrics.Log{
		Bytes: s.Bytes, MaxBytes: w.first.Store.MaxBytes, Lag: s.Lag,
		PendingEdges: s.PendingEdges, DroppedEdges: s.DroppedEdges, RemovedEdges: s.RemovedEdges, WriteErrors: s.WriteErrors,
	}
	if w.watchdog.writerHangs(&s) > 0 {
		l.Fault = metrics.SlowDisk
	}
	if s.Fault != nil {
		l.Fault = strings.NewReplacer(" ", "_", "-", "_").Replace(string(s.Fault.Kind))
	}
	return l
}

func (w *watch) configuration() metrics.Configuration {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.reloads
}

// notices are what a person should know beside the contacts, a sentence each.
func (w *watch) notices() (all []string) {
	s := w.store.Stats()
	if s.Fault != nil {
		all = append(all, "Measuring goes on, but "+s.Fault.Error()+".")
	}
	if d := w.watchdog.writerHangs(&s); d > 0 {
		all = append(all, "Measuring goes on, but "+slow(d)+".")
	}
	if s.Renewed {
		all = append(all, "The log file was removed or replaced while it was written: a new log was begun, and what was logged before is not in it.")
	}
	if s.SetAside != "" {
		all = append(all, "The log was damaged: what came before this start or fault is kept as "+s.SetAside+", and a new log was begun.")
	}
	if s.Fills != "" {
		all = append(all, "The log is at its largest size, and "+s.Fills+": old edges are removed.")
	}
	if s.LostBefore != "" {
		all = append(all, "Before this start "+s.LostBefore+".")
	}
	if s.DroppedEdges > 0 {
		all = append(all, figure.Count(s.DroppedEdges)+" edges since the start are not in the log.")
	}
	if t := w.watchdog.stalled(&s); t != "" {
		all = append(all, "No progress: "+t+".")
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.gone {
		all = append(all, "The configuration file is gone; what was read of it stays in force.")
	}
	if w.mistake != "" {
		all = append(all, "The configuration file has mistakes, and what it said before is in force: "+w.mistake+".")
	}
	if len(w.later) > 0 {
		all = append(all, "Changed in the configuration, but in force only after the next start: "+strings.Join(w.later, ", ")+".")
	}
	return all
}

// server is the task of the pages.
type server struct{ *watch }

func (s *server) String() string { return "pages" }

func (s *server) Run(ctx context.Context) error {
	var archive web.Archive
	if s.Archive != nil {
		archive = s.Archive(s.store.Log)
	}
	h := web.New(web.Options{
		Site: s.first.Site, Version: s.Version, Contacts: s.figures, Contact: s.liveOf, Archive: archive, Passwords: s.first.Protection.Passwords, Notices: s.notices, Changes: s.changes, Pprof: s.first.Pprof, Log: s.Log,
		LocalOnly: s.first.LocalOnly(),
		Ready: func() error {
			select {
			case <-s.isReady:
				return nil
			default:
				return errors.New("sources are being opened")
			}
		},
		Metrics: s.metrics.Handler(),
	})
	return web.Serve(ctx, s.Listener, h, s.first.WebConfig, s.Log)
}
