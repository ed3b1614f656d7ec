package watch

import (
	"fmt"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

func (c *contact) closed() bool {
	return c.level <= pulse.High && c.cfg.Meter.Polarity.Closed(c.level)
}

// findingKinds are how the log names findings.
var findingKinds = [...]store.FindingKind{
	live.LimitCrossed: store.LimitCrossed, live.Missing: store.Missing, live.Extra: store.Extra, live.Stuck: store.StuckOpen,
	live.LostEdges: store.LostEdges, live.SourceDown: store.SourceDown, live.SourceUp: store.SourceUp,
	live.LimitKept: store.LimitKept, live.RestsOpen: store.RestsOpen,
	live.Drifts: store.Drifts, live.DriftOver: store.DriftOver, live.Stepped: store.Stepped, live.SwingGrown: store.SwingGrown,
	live.OutputLost: store.OutputLost, live.OutputExtra: store.OutputExtra,
}

// find records a finding of the contact.
func (c *contact) find(kind live.Finding, at pulse.Stamp, text string, detail any) {
	k := findingKinds[kind]
	if kind == live.Stuck && c.closed() {
		k = store.StuckClosed
	}
	f := store.Finding{Contact: c.name, Kind: k, At: store.Moment{Mono: at}, Text: text}
	if detail != nil {
		f.Detail = store.Detail(detail)
	}
	c.live.Finding(kind)
	c.store.Find(f)
	switch kind {
	case live.SourceUp: // that is logged where the source is opened
	case live.LimitKept, live.DriftOver:
		c.log.Info(text, "finding", string(k))
	default:
		c.log.Warn(text, "finding", string(k))
	}
}

// look reports what is due. stopping says that it is the last time.
func (c *contact) look(stopping bool) {
	now := c.Now()
	c.tally()
	c.live.Trend.Advance(c.stamp)
	c.tellPairs(now)
	c.lookForStuck()
	if due := now - c.judged.last; due >= judgeEvery || due < 0 || stopping {
		c.judged.last = now
		f := c.live.Figures()
		c.lookAtLimits(now, &f)
		c.lookAtPolarity(f.RestsOpen)
	}
	for kind := range c.backoffs {
		if n := c.backoffs[kind].due(now); n > 0 {
			c.report(live.Finding(kind), n, now)
		}
	}
	if now >= c.minute.ends && !stopping {
		c.closeMinute(now)
		c.newMinute(now)
	}
}

// report makes a finding of what has happened n times.
func (c *contact) report(kind live.Finding, n uint64, now pulse.Stamp) {
	times := map[string]uint64{"count": n}
	again := ""
	if n > 1 {
		again = fmt.Sprintf(" (%d times)", n)
	}
	switch kind {
	case live.Missing:
		c.find(kind, c.stamp, figure.Plural(n, "interruption is missing", "interruptions are missing"), times)
	case live.Extra:
		c.find(kind, c.stamp, figure.Plural(n, "extra interruption", "extra interruptions"), times)
	case live.LostEdges:
		c.find(kind, c.stamp, figure.Plural(n, "edge was lost on the way", "edges were lost on the way"), times)
	case live.OutputLost:
		c.find(kind, c.stamp, figure.Plural(n, "break", "breaks")+" of the contact did not come out at "+c.cfg.Against, times)
	case live.OutputExtra:
		c.find(kind, c.stamp, figure.Plural(n, "break", "breaks")+" of "+c.cfg.Against+" that the contact did not make", times)
	case live.RestsOpen:
		other := pulse.ClosedLow
		if c.cfg.Meter.Polarity == other {
			other = pulse.ClosedHigh
		}
		if !c.restsOpen {
			c.find(kind, now, "the contact seemed to rest open for some time"+again, times)
			return
		}
		c.find(kind, now, "the contact seems to rest open; with closed: "+other.String()+" it would read as a dial: is the polarity the other way round?"+again, times)
	case live.Stuck:
		state := "open"
		if c.closed() {
			state = "closed"
		}
		c.toldStuck = c.stuck
		text := "without an edge for longer than " + c.live.StuckAfter().String() + again
		if !c.stuck {
			c.find(kind, now, text, times)
			return
		}
		c.find(kind, c.lastEdge, state+", "+text, times)
	case live.SourceDown:
		c.toldDown = !c.up
		text := "not read: " + c.why
		if c.up {
			text = "was not read for some time"
		}
		c.find(kind, now, text+again, times)
	}
}

// lookForStuck judges no time that the Meter does not know of: while the process
// was stopped, edges may have come that are not read yet.
func (c *contact) lookForStuck() {
	most := c.live.StuckAfter()
	stuck := c.up && !c.dark && most > 0 && time.Duration(c.stamp-c.lastEdge) >= most
	if stuck && !c.stuck {
		c.backoffs[live.Stuck].add(1)
	}
	if !stuck && c.toldStuck {
		c.toldStuck = false
		if c.up {
			c.log.Info("moves again")
		}
	}
	c.stuck = stuck
}

// judged is what was found about each bound of a contact's limits.
type judged struct {
	bounds []judgedBound
	last   pulse.Stamp // when the bounds were last checked
}

// A judgedBound remembers the worst statement on a bound since the window was
// last without a value beyond it. Only a worse one is a new finding, so a value
// that hovers about a limit is reported once and not each time it crosses.
type judgedBound struct {
	quantity, bound string
	limit           float64
	worst           int // 0 within, 1 beyond, 2 beyond for certain
	told            int // the worst that was reported
	backoff         backoff
}

// begin takes the bounds that are in force. Those that stay keep their state.
func (j *judged) begin(items []live.Item) {
	old := j.bounds
	j.bounds = make([]judgedBound, len(items))
	for i, it := range items {
		j.bounds[i] = judgedBound{quantity: it.Quantity, bound: it.Bound, limit: it.Limit}
		for _, o := range old {
			if o.quantity == it.Quantity && o.bound == it.Bound && o.limit == it.Limit {
				j.bounds[i] = o
			}
		}
	}
}

// lookAtPolarity reports a dial that comes to seem to rest open, and logs that it
// does so no longer.
func (c *contact) lookAtPolarity(restsOpen bool) {
	if restsOpen && !c.restsOpen {
		c.backoffs[live.RestsOpen].add(1)
	}
	if !restsOpen && c.restsOpen {
		c.log.Info("no longer seems to rest open")
	}
	c.restsOpen = restsOpen
}

func (c *contact) lookAtLimits(now pulse.Stamp, f *live.Figures) {
	for i := range c.judged.bounds {
		s, it := &c.judged.bounds[i], &f.Items[i]
		beyond := 0
		switch {
		case it.OutOfLimit == 0:
		case it.Statement == pulse.Fail:
			beyond = 2
		default:
			beyond = 1
		}
		if beyond > s.worst {
			s.worst = beyond
			s.backoff.add(1)
		}
		noun, unit := figure.Quantity(it.Quantity)
		if beyond == 0 && s.worst > 0 && it.Of > 0 {
			s.worst = 0
			if s.told > 0 {
				s.told = 0
				c.find(live.LimitKept, now, noun+" has kept the limit of "+figure.Unit(figure.Trimmed(it.Limit, 4), unit)+" for "+f.Window.String(), map[string]any{
					"quantity": it.Quantity, "bound": it.Bound, "limit": it.Limit, "of": it.Of,
				})
			}
		}
		if s.backoff.due(now) == 0 {
			continue
		}
		limit := " the limit of " + figure.Unit(figure.Trimmed(it.Limit, 4), unit)
		if beyond == 0 {
			c.find(live.LimitCrossed, now, noun+" was beyond"+limit+" for some time", nil)
			continue
		}
		s.told = beyond
		side := map[string]string{"min": "below", "max": "above"}[it.Bound]
		decimals := figure.Decimals(it.ExpandedU.V)
		text := noun + " " + figure.Unit(figure.Apart(it.Observed.V, it.Limit, decimals), unit) + " is " + side + limit
		if beyond == 1 {
			text += ", by less than the uncertainty"
		}
		if where := it.At.String(); where != "" {
			text += "; " + where
		}
		c.find(live.LimitCrossed, now-pulse.Stamp(it.AgoS.V*1e9), text, map[string]any{
			"quantity": it.Quantity, "bound": it.Bound, "limit": it.Limit, "observed": it.Observed, "expanded_uncertainty": it.ExpandedU,
			"statement": it.Statement, "out_of_limit": it.OutOfLimit, "of": it.Of, "source": it.Source,
		})
	}
}
