package watch

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"sync/atomic"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/daemon/trend"
	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// tick is how long each wait for edges lasts: the end of a train shows soon
	// enough for a person, and it costs little.
	tick = 250 * time.Millisecond
	// late is how long after its stamp an edge may still be on its way.
	late = pulse.Stamp(hw.Late)
	// readBuffers of readEdges, as many as the kernel gives at once, are read
	// ahead: as many again as the kernel keeps while something else is looked at.
	readBuffers = 16
	readEdges   = 64
	// judgeEvery is how often values are compared with the limits.
	judgeEvery = pulse.Stamp(time.Second)

	// A source that cannot be read is tried again after a pause that doubles:
	// at first soon, for a loose plug, then seldom, so that it costs nothing.
	firstRetry = 500 * time.Millisecond
	lastRetry  = 10 * time.Second
	// steady is how long a source must have been read before the next pause is
	// the first one again.
	steady = pulse.Stamp(time.Minute)

	// rest is how long the last level of a dial's recording is taken to last
	// after the last edge: longer than any train gap.
	rest = pulse.Stamp(2 * time.Hour)
)

// An edgeLog keeps edges; *store.Contact is one.
type edgeLog interface{ Append([]pulse.Edge) }

// A contact is the task of one contact.
type contact struct {
	*watch
	name string
	live *live.Contact
	log  *slog.Logger

	next   atomic.Pointer[config.Contact] // a changed configuration, not in force yet
	beat   atomic.Int64                   // stamp of its latest progress
	soaked atomic.Bool                    // a soak test of it goes on; annotations tell
	// camLobes and ones are for the pages: what notes say of the lobes.
	camLobes atomic.Int64
	ones     atomic.Pointer[ones]
	sides    atomic.Pointer[[]trend.PairSide] // of the pairs that it is in
	tried    chan struct{}                    // closed after the first attempt to open its source

	// Only the task itself uses what follows.
	edges  edgeLog
	cfg    config.Contact
	meter  *pulse.Meter
	counts pulse.Counts // of meter, at the last tally
	stamp  pulse.Stamp  // up to which the meter knows the level
	level  pulse.Level  // at stamp
	heard  pulse.Stamp  // up to which all of the source has been read
	minute minute
	lobes  lobeTracker
	follow pulse.Observer // of the trend
	row    pulse.CycleRow // as it is told
	// changes are what the pairs are told of, up to a time.
	changes  pulse.TransitionReader
	changeAt pulse.Stamp
	pairs    pulse.PairCounts // at the last tally

	wasUp, up bool
	since     pulse.Stamp // when it came up
	lastEdge  pulse.Stamp // or when it came up, if that is later
	why       string      // it is down
	// calibration says in words which calibration of the line is used.
	calibration string
	backoffs    [live.Findings]backoff // by finding
	toldDown    bool
	dark        bool // the last edge says that nothing is known from then on, as a recording may
	stuck       bool
	toldStuck   bool
	restsOpen   bool
	judged      judged
}

// newContact makes the task; after is the task that it replaces, or nil.
func newContact(w *watch, cfg config.Contact, l *live.Contact, edges edgeLog, after *contact) *contact {
	c := &contact{watch: w, pairs: l.PairCounts(), name: cfg.Name, live: l, log: w.Log.With("contact", cfg.Name), edges: edges, cfg: cfg, tried: make(chan struct{})}
	c.minute.Contact, c.minute.up = c.name, none
	l.Trend.Keep(c.keepLobes)
	c.lobes = lobeTracker{log: w.store, contact: c.name}
	if after != nil {
		c.backoffs, c.toldDown, c.stamp, c.lobes = after.backoffs, after.toldDown, after.stamp, after.lobes
	}
	c.beat.Store(int64(w.Now()))
	return c
}

func (c *contact) String() string { return "contact " + c.name }

// Run reads the contact until ctx is done or its source has come to its end.
func (c *contact) Run(ctx context.Context) error {
	now := max(c.Now(), c.stamp)
	c.begin(now, pulse.Unknown)
	c.newMinute(now)
	defer func() {
		c.finish()
		c.look(true)
		c.closeMinute(c.Now())
	}()
	for pause := firstRetry; ; {
		c.progress()
		c.calibrate()
		src, err := c.Open(c.cfg.Source)
		if err == nil {
			c.raise(src.Start(), src.InitialLevel())
			c.settled()
			err = c.read(ctx, src)
			if ctx.Err() != nil {
				c.lower(c.heard)
			}
			src.Close() // it was only read: a failure loses nothing
			if c.Now()-c.since >= steady {
				pause = firstRetry
			}
		}
		if ctx.Err() != nil {
			if c.up {
				c.lower(c.Now())
			}
			return nil
		}
		if err == io.EOF {
			c.end()
			return nil
		}
		c.fail(err)
		c.settled()
		var broken *hw.RecordingError
		if c.cfg.Source.Kind == config.SourceRecording && c.wasUp && errors.As(err, &broken) {
			return nil // a new attempt would play it again from its start
		}
		c.wait(ctx, pause)
		pause = min(2*pause, lastRetry)
	}
}

func (c *contact) progress() { c.beat.Store(int64(c.Now())) }

// settled says that the source was opened or could not be.
func (c *contact) settled() {
	select {
	case <-c.tried:
	default:
		close(c.tried)
	}
}

// finish ends the Meter, which then passes on the pulses that it has counted but
// held back.
func (c *contact) finish() {
	before := c.meter.Counts()
	c.meter.Finish(c.stamp)
	n := c.meter.Counts()
	n.UnknownIntervals = before.UnknownIntervals // the next Meter goes on where this one ends
	c.live.Counts(n)
	c.tally()
	c.live.Trend.End(c.stamp)
	c.lobes.stop(c.meter)
}

// begin makes a Meter for the configuration, which begins at a time with a
// level; that may be Unknown.
func (c *contact) begin(at pulse.Stamp, l pulse.Level) {
	cfg := c.cfg.Meter
	cfg.Live, cfg.Start, cfg.StartLevel = true, at, l
	cfg.Observer = pulse.Observer{Event: c.minute.event, Pulse: c.minute.pulse, Cycle: c.cycle}
	cfg.Observer = pulse.Tee(cfg.Observer, pulse.Observer{Event: c.change})
	c.changes, c.changeAt = pulse.NewTransitionReader(&cfg), at
	c.lobes.begin(&cfg)
	c.camLobes.Store(int64(c.lobes.lobes))
	cfg = c.live.Begin(cfg)
	c.follow = c.live.Trend.Begin(trend.Setting{Kind: cfg.Kind, Polarity: cfg.Polarity, Segments: len(cfg.CadenceNS), Lobes: cfg.Lobes, Limits: cfg.Limits, Drive: cfg.Drive})
	cfg.Observer = pulse.Tee(pulse.Observer{Event: c.follow.Event, Pulse: c.follow.Pulse, Cycle: c.numberLobe}, cfg.Observer)
	if c.metrics != nil {
		cfg.Observer = pulse.Tee(cfg.Observer, c.metrics.Observer(c.name, cfg.Kind))
	}
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		panic(err) // the configuration was checked with a Meter
	}
	if l > pulse.High {
		m.Add([]pulse.Edge{{At: at, Level: pulse.Unknown}})
	}
	c.meter, c.counts = m, m.Counts()
	c.stamp, c.level = at, l
	c.judged.begin(c.live.Figures().Items)
}

// numberLobe gives a row's lobe the number that is shown, before the row goes on
// to all others.
func (c *contact) numberLobe(r *pulse.CycleRow) {
	c.lobes.cycle(r, c.meter)
	c.row = *r
	if c.lobes.log != nil {
		c.row.Numbering = int(c.lobes.ids[r.Numbering])
	}
	c.follow.Cycle(&c.row)
	if c.lobes.lobes > 0 {
		r.Lobe = c.shownLobe(r)
	}
}

// shownLobe is the number that the pages show for a row's lobe.
func (c *contact) shownLobe(r *pulse.CycleRow) int {
	var o ones
	if p := c.ones.Load(); p != nil {
		o = *p
	}
	lobe, by := c.lobes.shown(r, o)
	if c.lobes.numbering != 0 {
		c.live.Trend.ShowLobe(o[c.lobes.numbering])
	}
	c.live.LobesBy(by)
	return lobe
}

func (c *contact) cycle(r *pulse.CycleRow) {
	c.minute.cycle(r)
	c.backoffs[live.Extra].add(uint64(r.Extra))
}

// raise begins to read an opened source, which had a level at a time.
func (c *contact) raise(at pulse.Stamp, l pulse.Level) {
	at = max(at, c.stamp)
	if !c.wasUp {
		// The log does not have the level before.
		c.edges.Append([]pulse.Edge{{At: at, Level: pulse.Unknown}, {At: at, Level: l}})
		c.begin(at, l)
	} else {
		c.feed([]pulse.Edge{{At: at, Level: l}})
	}
	c.live.Up(l)
	if !c.wasUp || c.toldDown {
		c.log.Info("reading", "source", c.cfg.Source.Text)
	}
	if c.toldDown {
		c.toldDown = false
		c.find(live.SourceUp, at, "the source is read again", nil)
	}
	c.wasUp, c.up, c.why = true, true, ""
	c.since, c.lastEdge = at, at
	c.minute.up = at
}

// lower ends reading: the level is not known from then on.
func (c *contact) lower(from pulse.Stamp) {
	from = max(from, c.stamp)
	c.feed([]pulse.Edge{{At: from, Level: pulse.Unknown}})
	c.up = false
	c.minute.LengthNS += int64(from - c.minute.up)
	c.minute.up = none
}

// fail says that the source cannot be read.
func (c *contact) fail(err error) {
	if c.up {
		c.lower(c.Now())
	}
	why := err.Error()
	if why == c.why {
		return
	}
	c.live.Down(why)
	if c.why != "" {
		c.log.Warn("still not read", "why", why)
	} else {
		c.backoffs[live.SourceDown].add(1)
	}
	c.why = why
}

// end takes the end of a source, such as a recording.
func (c *contact) end() {
	if c.cfg.Meter.Kind == pulse.KindDial {
		c.advance(c.stamp + rest)
		c.stamp = c.lastEdge
	}
	c.lower(c.Now())
	c.live.End()
	c.log.Info("the source has come to its end", "source", c.cfg.Source.Text)
}

// wait lets time pass before another attempt.
func (c *contact) wait(ctx context.Context, pause time.Duration) {
	for end := time.Now().Add(pause); ; {
		c.progress()
		c.take()
		c.look(false)
		left := time.Until(end)
		if left <= 0 {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(min(left, tick)):
		}
	}
}

// read reads src until its error, or ctx's.
func (c *contact) read(ctx context.Context, src hw.Live) error {
	t := time.NewTicker(tick)
	defer t.Stop()
	return hw.Follow(ctx, src, hw.FollowOptions{Buffers: readBuffers, Edges: readEdges, Now: c.Now, Ticks: t.C, Tick: func(at pulse.Stamp, heard bool) error {
		if heard { // the silence until then is sure
			c.heard = at
			c.progress()
		}
		if ctx.Err() != nil {
			return nil
		}
		if now := at - late; heard && now > c.stamp {
			c.advance(now)
		}
		c.take()
		c.look(false)
		return nil
	}}, func(edges []pulse.Edge) error {
		c.add(edges)
		c.progress()
		return nil
	})
}

// add takes edges from the source.
func (c *contact) add(edges []pulse.Edge) {
	c.live.Edges(edges)
	c.feed(edges)
	last := &edges[len(edges)-1]
	c.lastEdge, c.dark = last.At, last.Level > pulse.High
}

// feed gives edges to the log and the Meter.
func (c *contact) feed(edges []pulse.Edge) {
	last := edges[len(edges)-1]
	c.edges.Append(edges)
	c.meter.Add(edges)
	c.live.Counts(c.meter.Counts())
	c.stamp, c.level = max(c.stamp, last.At), last.Level
}

func (c *contact) advance(to pulse.Stamp) {
	c.meter.Advance(to)
	c.live.Heard(to)
	c.live.Counts(c.meter.Counts())
	c.stamp = to
}

// take puts a changed configuration in force. Its source is the same and stays
// open.
func (c *contact) take() {
	next := c.next.Swap(nil)
	if next == nil {
		return
	}
	old := c.cfg
	c.cfg, _ = c.calibrated(*next)
	c.store.Contact(configuration(&c.cfg))
	c.live.Describe(setting(&c.cfg))
	if !old.SameReading(c.cfg) {
		c.finish()
		now := c.Now()
		c.closeMinute(now)
		c.begin(c.stamp, c.level)
		c.newMinute(now)
		c.log.Info("read by the new configuration")
	}
}

func setting(c *config.Contact) live.Setting {
	return live.Setting{Name: c.Name, Title: c.Title, Source: c.Source.Text, Notes: c.Notes, Rate: c.Rate, StuckAfter: c.StuckAfter}
}

// tally takes what the Meter has counted since the last tally.
func (c *contact) tally() {
	n := c.meter.Counts()
	more := n.Sub(c.counts)
	c.backoffs[live.Missing].add(more.Missing)
	c.backoffs[live.LostEdges].add(more.LostEdges)
	pairs := c.live.PairCounts()
	c.backoffs[live.OutputLost].add(more64(pairs.Lost, c.pairs.Lost))
	c.backoffs[live.OutputExtra].add(more64(pairs.Extra, c.pairs.Extra))
	c.pairs = pairs
	c.counts = n
}

// more64 is by how much a count has grown. One of two pairs may miss what came while
// they changed.
func more64(now, before uint64) uint64 { return max(now, before) - before }

func (c *contact) newMinute(now pulse.Stamp) {
	a, _ := c.Clock()
	c.minute.begin(now, a.At(now), c.live.Totals())
}

// closeMinute logs the minute, unless nothing happened in it. A soak test counts the
// time in which the contact was read, also while it rests.
func (c *contact) closeMinute(now pulse.Stamp) {
	m := &c.minute
	if m.up != none {
		m.LengthNS += int64(now - m.up)
	}
	m.count(c.live.Totals())
	if m.Summary != (store.Summary{Contact: m.Contact, At: m.At, LengthNS: m.LengthNS}) || m.LengthNS > 0 && c.soaked.Load() {
		c.store.Summarise(m.Summary)
	}
}
