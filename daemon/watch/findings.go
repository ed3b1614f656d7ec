package watch

import (
	"encoding/json"
	"fmt"
	"time"

	"makebreak/daemon/figure"
	"makebreak/daemon/live"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// find logs a finding of the contact.
func (c *contact) find(kind live.Finding, at pulse.Stamp, text string, detail any) {
	k := [...]store.FindingKind{
		live.LimitCrossed: store.LimitCrossed, live.Missing: store.Missing, live.Extra: store.Extra, live.Stuck: store.StuckOpen,
		live.LostEdges: store.LostEdges, live.SourceDown: store.SourceDown, live.SourceUp: store.SourceUp,
	}[kind]
	if kind == live.Stuck && c.level <= pulse.High && c.cfg.Meter.Polarity.Closed(c.level) {
		k = store.StuckClosed
	}
	var d json.RawMessage
	if detail != nil {
		d = store.Detail(detail)
	}
	c.live.Finding(kind)
	c.book.Find(store.Finding{Contact: c.name, Kind: k, At: store.Moment{Mono: at}, Text: text, Detail: d})
	if kind == live.SourceUp {
		return // said already
	}
	c.log.Warn(text, "finding", string(k))
}

// look sees what there is to tell. stopping says that it looks for the last time.
func (c *contact) look(stopping bool) {
	now := c.Now()
	c.tally()
	c.lookForStuck()
	if due := now - c.judged.last; due >= judgeEvery || due < 0 || stopping {
		c.judged.last = now
		c.lookAtLimits(now)
	}
	for kind := range c.calms {
		if n := c.calms[kind].due(now); n > 0 {
			c.tell(live.Finding(kind), n, now)
		}
	}
	if now >= c.minute.ends && !stopping {
		c.closeMinute(now)
		c.newMinute(now)
	}
}

// tell tells of what has happened n times.
func (c *contact) tell(kind live.Finding, n uint64, now pulse.Stamp) {
	times := map[string]uint64{"count": n}
	again := ""
	if n > 1 {
		again = fmt.Sprintf(" (%d times)", n)
	}
	switch kind {
	case live.Missing:
		c.find(kind, c.stamp, number(n, "interruption is missing", "interruptions are missing"), times)
	case live.Extra:
		c.find(kind, c.stamp, number(n, "extra interruption", "extra interruptions"), times)
	case live.LostEdges:
		c.find(kind, c.stamp, number(n, "edge was lost on the way", "edges were lost on the way"), times)
	case live.Stuck:
		state := "open"
		if c.level <= pulse.High && c.cfg.Meter.Polarity.Closed(c.level) {
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

func number(n uint64, one, many string) string { return figure.Plural(int(min(n, 1e9)), one, many) }

// lookForStuck judges no time that the Meter does not know of: while the process
// was stopped, edges may have come that are not read yet.
func (c *contact) lookForStuck() {
	most := c.live.StuckAfter()
	stuck := c.up && most > 0 && time.Duration(c.stamp-c.lastEdge) >= most
	if stuck && !c.stuck {
		c.calms[live.Stuck].add(1)
	}
	if !stuck && c.toldStuck {
		c.toldStuck = false
		if c.up {
			c.log.Info("moves again")
		}
	}
	c.stuck = stuck
}

// A judge remembers how each bound of a contact's limits stood.
type judge struct {
	bounds []standing
	last   pulse.Stamp // when they were looked at
}

// A standing is how a bound stands. It is worse when a worse statement comes
// than any since the window was last without a value beyond the bound: so a
// value that hovers about a limit is told once, not each time it crosses.
type standing struct {
	quantity, bound string
	limit           float64
	worse           int // 0 within, 1 beyond, 2 beyond for certain
	told            int
	calm            calm
}

// begin takes the bounds that are in force; those that stay keep their standing.
func (j *judge) begin(items []live.Item) {
	old := j.bounds
	j.bounds = make([]standing, len(items))
	for i := range items {
		j.bounds[i] = standing{quantity: items[i].Quantity, bound: items[i].Bound, limit: items[i].Limit}
		for _, o := range old {
			if o.quantity == items[i].Quantity && o.bound == items[i].Bound && o.limit == items[i].Limit {
				j.bounds[i] = o
			}
		}
	}
}

func (c *contact) lookAtLimits(now pulse.Stamp) {
	if len(c.judged.bounds) == 0 {
		return
	}
	items := c.live.Figures().Items
	for i := range c.judged.bounds {
		s, it := &c.judged.bounds[i], &items[i]
		beyond := 0
		switch {
		case it.OutOfLimit == 0:
		case it.Statement == pulse.Fail:
			beyond = 2
		default:
			beyond = 1
		}
		if beyond > s.worse {
			s.worse = beyond
			s.calm.add(1)
		}
		noun, unit := figure.Quantity(it.Quantity)
		if beyond == 0 && s.worse > 0 && it.Of > 0 {
			s.worse = 0
			if s.told > 0 {
				s.told = 0
				c.log.Info(noun + " is within its limit again")
			}
		}
		if s.calm.due(now) == 0 {
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
			text += ", too near to be sure"
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
