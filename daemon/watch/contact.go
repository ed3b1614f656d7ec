package watch

import (
	"context"
	"encoding/json"
	"errors"
	"io"
	"log/slog"
	"sync/atomic"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// tick is how long a contact without edges is waited for at a time: the end
	// of a train shows soon enough for a person, and it costs little.
	tick = 250 * time.Millisecond
	// late is how long after its stamp an edge may still be on its way.
	late = pulse.Stamp(hw.Late)
	// readBuffers of readEdges, as many as the kernel gives at once, are read
	// ahead: as many again as the kernel keeps while something else is looked at.
	readBuffers = 16
	readEdges   = 64
	// judgeEvery is how often limits are looked at.
	judgeEvery = pulse.Stamp(time.Second)

	// A source that cannot be read is tried again after a pause that doubles:
	// soon enough for a loose plug, seldom enough to idle.
	firstRetry = 500 * time.Millisecond
	lastRetry  = 10 * time.Second
	// steady is how long a source must have been read for the next pause to be
	// the first one again.
	steady = pulse.Stamp(time.Minute)

	// rest is how long after its last edge a dial's recording is known to go on
	// in its last level: for good, so longer than any train gap.
	rest = pulse.Stamp(2 * time.Hour)
)

// An edgeLog keeps edges; *store.Contact is one.
type edgeLog interface{ Append([]pulse.Edge) }

// A logbook keeps what was found; *store.Store is one.
type logbook interface {
	Find(store.Finding)
	Summarise(store.Summary)
}

// A place is what contacts have in common.
type place struct {
	Host
	book logbook
	// lobes keeps marks of lobes, nil for none.
	lobes *store.Store
	// describe logs a contact's configuration.
	describe func(config.Contact)
	log      *slog.Logger
}

// A contact is the task of one contact.
type contact struct {
	*place
	name string
	live *live.Contact
	log  *slog.Logger

	next atomic.Pointer[config.Contact] // to be taken over
	beat atomic.Int64                   // stamp of its latest progress
	// camLobes and ones are for the pages: what notes say of the lobes.
	camLobes atomic.Int64
	ones     atomic.Pointer[ones]
	tried    chan struct{} // closed once its source was opened or could not be

	// What follows is the task's own.
	edges  edgeLog
	cfg    config.Contact
	meter  *pulse.Meter
	counts pulse.Counts // of meter, as last told
	stamp  pulse.Stamp  // up to which the meter knows
	level  pulse.Level  // at stamp
	heard  pulse.Stamp  // up to which all of the source has been read
	minute minute
	lobes  lobeKeeper

	wasUp, up bool
	since     pulse.Stamp // it is up
	lastEdge  pulse.Stamp // or since when it is up
	why       string      // it is down
	// calibration is that of the line, in words.
	calibration string
	calms       [live.SourceUp]calm
	toldDown    bool
	stuck       bool
	toldStuck   bool
	judged      judge
}

// newContact makes the task; after is the one that it takes the place of, or nil.
func newContact(p *place, cfg config.Contact, l *live.Contact, edges edgeLog, after *contact) *contact {
	c := &contact{place: p, name: cfg.Name, live: l, log: p.log.With("contact", cfg.Name), edges: edges, cfg: cfg, tried: make(chan struct{})}
	c.minute.Contact, c.minute.up = c.name, none
	c.lobes = lobeKeeper{log: p.lobes, contact: c.name}
	if after != nil {
		c.calms, c.toldDown, c.stamp, c.lobes = after.calms, after.toldDown, after.stamp, after.lobes
	}
	c.beat.Store(int64(p.Now()))
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
			c.raise(src)
			c.settled()
			err = c.read(ctx, src)
			if ctx.Err() != nil {
				c.lower(c.heard)
			}
			src.Close() // it was only read: nothing is lost by a failure
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
			return nil // it would only be played again
		}
		c.wait(ctx, pause)
		pause = min(2*pause, lastRetry)
	}
}

func (c *contact) progress() { c.beat.Store(int64(c.Now())) }

func (c *contact) settled() {
	select {
	case <-c.tried:
	default:
		close(c.tried)
	}
}

// finish ends the Meter, so that what it holds back of the pulses that it has
// counted is told too.
func (c *contact) finish() {
	before := c.meter.Counts()
	c.meter.Finish(c.stamp)
	n := c.meter.Counts()
	n.UnknownIntervals = before.UnknownIntervals // it goes on
	c.live.Counts(n)
	c.tally()
	c.lobes.stop(c.meter)
}

// begin makes a Meter for the configuration, from a time on at which the level
// is known, or Unknown.
func (c *contact) begin(at pulse.Stamp, l pulse.Level) {
	cfg := c.cfg.Meter
	cfg.Live, cfg.Start, cfg.StartLevel = true, at, l
	cfg.Observer = pulse.Observer{Event: c.minute.event, Pulse: c.minute.pulse, Cycle: c.cycle}
	c.lobes.begin(&cfg)
	c.camLobes.Store(int64(c.lobes.lobes))
	cfg = c.live.Begin(cfg)
	cfg.Observer = pulse.Tee(pulse.Observer{Cycle: c.numberLobe}, cfg.Observer)
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

// numberLobe gives a row's lobe the number that is shown, before it is told.
func (c *contact) numberLobe(r *pulse.CycleRow) {
	c.lobes.cycle(r, c.meter)
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
	c.live.LobesBy(by)
	return lobe
}

func (c *contact) cycle(r *pulse.CycleRow) {
	c.minute.cycle(r)
	c.calms[live.Extra].add(uint64(r.Extra))
}

// raise begins to read an opened source.
func (c *contact) raise(src hw.Live) {
	at, l := max(src.Start(), c.stamp), src.InitialLevel()
	if !c.wasUp {
		// The log knows nothing of what was before.
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

// lower ends reading: from a time on the level is not known.
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
		c.calms[live.SourceDown].add(1)
	}
	c.why = why
}

// end says that the source has come to its end.
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

// add takes edges of the source in.
func (c *contact) add(edges []pulse.Edge) {
	c.live.Edges(edges)
	c.feed(edges)
	c.lastEdge = edges[len(edges)-1].At
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
	c.live.Counts(c.meter.Counts())
	c.stamp = to
}

// take puts a changed configuration in force. Its source is the same, and goes
// on being read.
func (c *contact) take() {
	next := c.next.Swap(nil)
	if next == nil {
		return
	}
	old := c.cfg
	c.cfg, _ = c.calibrated(*next)
	c.describe(c.cfg)
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

// tally takes over what the Meter has counted since.
func (c *contact) tally() {
	n := c.meter.Counts()
	more := n.Sub(c.counts)
	c.calms[live.Missing].add(more.Missing)
	c.calms[live.LostEdges].add(more.LostEdges)
	c.counts = n
}

func (c *contact) newMinute(now pulse.Stamp) {
	a, _ := c.Clock()
	c.minute.begin(now, a.At(now), c.live.Totals())
}

// closeMinute logs the minute, unless nothing came in it.
func (c *contact) closeMinute(now pulse.Stamp) {
	m := &c.minute
	if m.up != none {
		m.LengthNS += int64(now - m.up)
	}
	m.count(c.live.Totals())
	if m.Summary != (store.Summary{Contact: m.Contact, At: m.At, LengthNS: m.LengthNS}) {
		c.book.Summarise(m.Summary)
	}
}

// settings is what the log keeps of a configuration beside source, kind and
// polarity. What is 0 is as the limits or the defaults have it.
type settings struct {
	Title  string `json:"title,omitempty"`
	Limits string `json:"limits,omitempty"`
	// Profile is those limits as they were then.
	Profile      *pulse.Profile `json:"profile,omitempty"`
	SettleNS     int64          `json:"settle_ns,omitempty"`
	Timing       pulse.Timing   `json:"timing"`
	PulseMinNS   int64          `json:"pulse_min_ns,omitempty"`
	PulseMaxNS   int64          `json:"pulse_max_ns,omitempty"`
	TrainGapNS   int64          `json:"train_gap_ns,omitempty"`
	FlashMaxNS   int64          `json:"flash_max_ns,omitempty"`
	Coding       string         `json:"coding,omitempty"`
	Rate         float64        `json:"rate,omitempty"` // pps or IPM
	PeriodNS     int64          `json:"period_ns,omitempty"`
	Lobes        int            `json:"lobes,omitempty"`
	CadenceNS    []int64        `json:"cadence_ns,omitempty"`
	StuckAfterNS int64          `json:"stuck_after_ns,omitempty"`
	Chain        *pulse.Setup   `json:"chain"`
	YAML         string         `json:"yaml"` // the contact as the file has it
}

// configuration is a contact's configuration as the log keeps it.
func configuration(c *config.Contact) store.Configuration {
	m := &c.Meter
	s := settings{
		Title: c.Title, SettleNS: m.SettleNS, Timing: m.Timing, PulseMinNS: m.PulseMinNS, PulseMaxNS: m.PulseMaxNS,
		TrainGapNS: m.TrainGapNS, FlashMaxNS: m.FlashMaxNS, Rate: c.Rate, PeriodNS: m.PeriodNS, Lobes: m.Lobes, CadenceNS: m.CadenceNS,
		StuckAfterNS: int64(c.StuckAfter), Chain: m.Setup, YAML: c.Text,
	}
	if m.Limits != nil {
		s.Limits, s.Profile = m.Limits.ID, m.Limits
	}
	if m.CodingSet {
		s.Coding = m.Coding.String()
	}
	b, err := json.Marshal(s)
	if err != nil {
		panic(err) // of plain numbers and text
	}
	return store.Configuration{Contact: c.Name, Source: c.Source.Text, Kind: m.Kind, Polarity: m.Polarity, Settings: b}
}
