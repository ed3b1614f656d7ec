package watch

import (
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/live"
	"makebreak/daemon/trend"
	"makebreak/pulse"
)

// pairUp makes the pairs of contacts that the configuration asks for, and tells
// them to their contacts. Those that stay the same go on.
func (w *watch) pairUp(list []*running) {
	byName := map[string]*running{}
	for _, c := range list {
		byName[c.want.Name] = c
	}
	sides := map[*running][]trend.PairSide{}
	pairs := map[string]pairOf{}
	for _, in := range list {
		out := byName[in.want.Against]
		if out == nil {
			w.lives[in.want.Name].Against(nil, nil)
			continue
		}
		p := w.pairs[in.want.Name]
		if want := pairKey(&in.want, &out.want); p.Pair == nil || p.key != want {
			p = pairOf{want, newPair(&in.want, w.lives[in.want.Name])}
		}
		pairs[in.want.Name] = p
		w.lives[in.want.Name].Against(p.Pair, out.want.Meter.Setup)
		sides[in] = append(sides[in], trend.PairSide{Pair: p.Pair})
		sides[out] = append(sides[out], trend.PairSide{Pair: p.Pair, IsOutput: true})
	}
	w.pairs = pairs
	for _, c := range list {
		s := sides[c]
		c.sides.Store(&s)
	}
}

// A pairOf is a pair with what it was made for.
type pairOf struct {
	key key
	*trend.Pair
}

type key struct {
	output  string
	in, out pairReading
}

// A pairReading is how one contact of a pair is read.
type pairReading struct {
	kind                         pulse.Kind
	polarity                     pulse.Polarity
	timing                       pulse.Timing
	settle, trainGap, shortestNS int64
}

func readingOf(c *config.Contact) pairReading {
	m := &c.Meter
	return pairReading{m.Kind, m.Polarity, m.Timing, m.SettleNS, m.TrainGapNS, m.PulseMinNS}
}

func pairKey(in, out *config.Contact) key {
	return key{in.Against, readingOf(in), readingOf(out)}
}

func newPair(in *config.Contact, l *live.Contact) *trend.Pair {
	m := &in.Meter
	return trend.NewPair(in.Name, in.Against, m.Kind, m.TrainGapNS, m.PulseMinNS, l.PairValue)
}

// change tells the pairs of a change of the contact.
func (c *contact) change(e *pulse.Event) {
	t, ok := c.changes.Read(e)
	if !ok {
		return
	}
	c.changeAt = max(c.changeAt, t.End)
	if sides := c.sides.Load(); sides != nil {
		for _, s := range *sides {
			s.Feed(t)
		}
	}
}

// pairsEvery is how often pairs are told of time that is not known.
const pairsEvery = pulse.Stamp(5 * time.Second)

// tellPairs tells the pairs up to when the contact is known: what waits for it must
// not wait for ever.
func (c *contact) tellPairs(now pulse.Stamp) {
	sides := c.sides.Load()
	if sides == nil || len(*sides) == 0 {
		return
	}
	if !c.up {
		if now-c.changeAt < pairsEvery {
			return
		}
		c.change(&pulse.Event{Kind: pulse.EventUnknown, At: c.changeAt, End: now})
		return
	}
	for _, s := range *sides {
		s.From(c.stamp)
		s.UpTo(c.stamp)
	}
}
