// Package watch runs a site: it reads its contacts, keeps its log and serves
// its pages, through bad lines, bad disks, stepped clocks and new
// configurations, until it is told to stop.
package watch

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"slices"
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
	"makebreak/daemon/web"
	"makebreak/hw"
	"makebreak/pulse"
)

// Options for Run.
type Options struct {
	// Listener is where the pages are served. Run closes it.
	Listener           net.Listener
	Log                *slog.Logger
	Version, GoVersion string

	// File is the name of the configuration and Load reads it anew, when the
	// file has changed or Reload gives something. A nil Load: it never changes.
	File   string
	Load   func() (*config.Watch, error)
	Reload <-chan os.Signal

	// Ready is called once, when every source was tried; nil: nothing.
	Ready func()
	// Notify tells the service manager, in the words of sd_notify(3); nil: nobody.
	Notify func(state string)
	// Watchdog is the longest time that the service manager waits for a sign
	// of life; 0: it does not wait.
	Watchdog time.Duration

	Host
}

// A Host is the computer that sources and clocks are of. Zero fields mean this
// one.
type Host struct {
	Now   func() pulse.Stamp // the clock of all stamps
	Clock func() (hw.Anchor, hw.Discipline)
	Boot  string
	Open  func(config.Source) (hw.Live, error)
	// Calibration finds what the loopback calibration of a source's line found,
	// nil when there is none.
	Calibration func(config.Source, pulse.Polarity) (*calibration.Calibration, calibration.Fitness, error)
}

func (h *Host) fill(calibrations string) {
	if h.Now == nil {
		h.Now = hw.Monotonic
	}
	if h.Clock == nil {
		h.Clock = func() (hw.Anchor, hw.Discipline) {
			d, _ := hw.ReadDiscipline() // an unknown state is an unsynchronised one
			return hw.ReadAnchor(), d
		}
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
	first   *config.Watch // what takes effect at a start only is as here
	isReady chan struct{}
	store   *store.Store
	metrics *metrics.Metrics
	clock   *clock
	keeper  *keeper
	place   place
	group   *errgroup.Group
	ctx     context.Context // of the group: contacts come and go
	// lives has all contacts there ever were, by name: what is counted of one
	// that is taken out and put back goes on.
	lives map[string]*live.Contact

	mu       sync.Mutex
	contacts []*running
	reloads  metrics.Configuration
	mistake  string   // why the latest configuration was refused
	gone     bool     // its file
	later    []string // keys that take effect at the next start
}

// running is a contact's task with what is needed to end it.
type running struct {
	*contact
	want    config.Contact // as last configured
	steered atomic.Bool    // its time base is as good as the kernel says
	end     context.CancelFunc
	done    chan struct{}
}

// Run watches until ctx is done, then writes what is left and returns nil. An
// error tells why it could not begin or go on, or what is not in the log.
func Run(ctx context.Context, cfg *config.Watch, opt Options) error {
	defer opt.Listener.Close()
	opt.fill(cfg.Calibrations)
	w := &watch{Options: opt, first: cfg, lives: map[string]*live.Contact{}, isReady: make(chan struct{})}
	var err error
	w.store, err = store.Open(ctx, cfg.Store.Path, store.Options{
		Site: cfg.Site, Program: opt.Version, KeepEdges: cfg.Store.KeepRaw, MaxBytes: cfg.Store.MaxBytes,
		SetAside: true, // months of new edges are worth more than a stop
		OnFault:  w.logFault, Clock: opt.Clock, Boot: opt.Boot,
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
	w.clock = &clock{watch: w}
	w.keeper = &keeper{watch: w, began: time.Now()}
	w.metrics = metrics.New(metrics.Options{
		Build: metrics.Build{Version: w.Version, GoVersion: w.GoVersion}, Runtime: true,
		Log: w.logState, Clock: w.clock.state, Configuration: w.configuration,
	})
	w.place = place{Host: w.Host, book: w.store, lobes: w.store, describe: func(c config.Contact) { w.store.Contact(configuration(&c)) }, log: w.Log}
	w.start(w.store)
	w.apply(w.first)
	w.start(w.clock)
	w.start(w.keeper)
	w.start(&lobeNotes{w})
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

// becomeReady waits until every source was tried.
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

// apply makes the contacts be those of the configuration. It is for one
// goroutine at a time. Contacts whose source stays go on being read.
func (w *watch) apply(cfg *config.Watch) (added, ended, changed int) {
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
	// A line may go from one contact to another: those that end, end first.
	for _, old := range before {
		old.end()
	}
	for _, old := range before {
		<-old.done
	}
	for _, c := range begin {
		cfg, _ := w.place.calibrated(c.want)
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
		c.contact = newContact(&w.place, cfg, l, edges, after)
	}
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

// configure notes what the contact is to be.
func (c *running) configure(want config.Contact) {
	c.want = want
	c.steered.Store(want.Meter.Setup.ClockFrom.State == pulse.ClockAssumed)
	if c.contact != nil && c.ended() {
		c.live.Describe(setting(&want))
	}
}

// stays tells whether the task can go on under another configuration.
func (c *running) stays(want config.Contact) bool {
	old, next := c.want, want
	old.Meter, old.Rate = next.Meter, next.Rate
	if !old.SameReading(next) { // another source, then
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

// status tells in a line how things are.
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

// logFault is told when the log cannot be written and when it can be again.
func (w *watch) logFault(err error) {
	if err == nil {
		w.Log.Info("the log is in order again")
		return
	}
	w.Log.Error("measuring goes on, but " + err.Error())
}

func (w *watch) logState() (metrics.Log, bool) {
	s := w.store.Stats()
	l := metrics.Log{
		Bytes: s.Bytes, MaxBytes: w.first.Store.MaxBytes, Lag: s.Lag,
		PendingEdges: s.PendingEdges, DroppedEdges: s.DroppedEdges, WriteErrors: s.WriteErrors,
	}
	if w.keeper.writerHangs(&s) > 0 {
		l.Fault = metrics.SlowDisk
	}
	if s.Fault != nil {
		l.Fault = strings.NewReplacer(" ", "_", "-", "_").Replace(string(s.Fault.Kind))
		if !slices.Contains(metrics.Faults, l.Fault) {
			l.Fault = "other"
		}
	}
	return l, true
}

func (w *watch) configuration() metrics.Configuration {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.reloads
}

// notices tells what a person should know of beside the contacts.
func (w *watch) notices() (all []string) {
	s := w.store.Stats()
	if s.Fault != nil {
		all = append(all, "Measuring goes on, but "+s.Fault.Error()+".")
	}
	if d := w.keeper.writerHangs(&s); d > 0 {
		all = append(all, "Measuring goes on, but "+slow(d)+".")
	}
	if s.SetAside != "" {
		all = append(all, "The log was damaged: what came before this start or fault is kept as "+s.SetAside+", and a new log was begun.")
	}
	if s.DroppedEdges > 0 {
		all = append(all, figure.Count(int(min(s.DroppedEdges, 1e9)))+" edges since the start are not in the log.")
	}
	if t := w.keeper.stalled(&s); t != "" {
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
	h := web.New(web.Options{
		Site: s.first.Site, Version: s.Version, Contacts: s.figures, Notices: s.notices, Pprof: s.first.Pprof, Log: s.Log,
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
