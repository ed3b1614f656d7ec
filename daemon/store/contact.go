package store

import (
	"math"
	"slices"
	"sync"
	"time"
	"unsafe"

	"makebreak/daemon/store/edgecode"
	"makebreak/hw"
	"makebreak/pulse"
)

// A Contact takes the edges of one contact of a Store.
type Contact struct {
	name      string
	configure row // logs its configuration, nil before it has one; Store.mu guards it

	// Only a commit uses these.
	id       int64  // row, 0 until registered
	blocks   int64  // number of its latest block
	snapshot []byte // the open block's data
	left     bool   // some of its blocks are left for the next commit

	mu      sync.Mutex // guards what follows
	open    *block
	full    []*block
	spare   *block // to be the next open one
	share   int    // how many full blocks may wait
	last    pulse.Stamp
	waiting int64  // edges that are not committed
	hole    uint32 // edges dropped since the last one that was kept
	dropped [2]drop
	since   time.Time // when the oldest edge that is not committed was appended
	sending time.Time // since, of what is being committed
}

// Reasons for dropping an edge.
const (
	bufferFull = iota
	outOfOrder
)

var dropReasons = [...]string{"the buffer was full", "their time went back"}

// A drop counts the edges that were dropped for one reason.
type drop struct {
	n, sending, reported uint64      // in all; when the commit under way began; in findings
	from, to             pulse.Stamp // of those not yet reported
}

// A block is an edge block that is being filled or waits to be written.
type block struct {
	enc     edgecode.Encoder
	number  int64 // 0 until first written
	written int   // edges committed
}

const blockMemory = int(unsafe.Sizeof(block{}))

// id is the block's row. A new block gets the next number.
func (b *block) id(c *Contact) int64 {
	if b.number == 0 {
		c.blocks++
		b.number = c.blocks
	}
	return c.id<<32 | b.number
}

// key is the row that others refer to; nil for no contact.
func (c *Contact) key() any {
	if c == nil {
		return nil
	}
	return c.id
}

// Append takes edges into the buffer. It never waits for the disk, and copies
// what it keeps. Stamps are of the monotonic clock of this boot. Levels other
// than Low and High mean Unknown: append one when the source goes down, and an
// edge with the level found when it comes up again. Edges that go back in time,
// or for which the buffer has no room, are dropped: they are counted, added to
// Lost of the next edge that is kept, and reported by a finding.
func (c *Contact) Append(edges []pulse.Edge) {
	if len(edges) == 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, e := range edges {
		c.put(e)
	}
	if c.since.IsZero() {
		c.since = time.Now()
	}
}

func (c *Contact) put(e pulse.Edge) {
	if e.At < c.last {
		c.drop(outOfOrder, e)
		return
	}
	kept := e
	kept.Level = min(e.Level, pulse.Unknown)
	kept.Lost = addSaturated(e.Lost, c.hole)
	if !c.open.enc.Add(kept) {
		if len(c.full) >= c.share {
			c.drop(bufferFull, e)
			return
		}
		c.full = append(c.full, c.open)
		c.open, c.spare = c.spare, nil
		if c.open == nil {
			c.open = new(block)
		}
		c.open.enc.Add(kept)
	}
	c.hole = 0
	c.last = e.At
	c.waiting++
}

func (c *Contact) drop(why int, e pulse.Edge) {
	d := &c.dropped[why]
	if d.n == d.reported {
		d.from = e.At
	}
	d.to = e.At
	d.n++
	c.hole = addSaturated(addSaturated(c.hole, 1), e.Lost)
}

func addSaturated(a, b uint32) uint32 {
	if a > math.MaxUint32-b {
		return math.MaxUint32
	}
	return a + b
}

// stats gives the edges that are not committed, those dropped since the start,
// and when the oldest of the first was appended, zero for none.
func (c *Contact) stats() (waiting int64, dropped uint64, since time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, d := range c.dropped {
		dropped += d.n
	}
	since = c.sending
	if since.IsZero() {
		since = c.since
	}
	return c.waiting, dropped, since
}

// unwritten is how many edges wait, or were dropped and not reported.
func (c *Contact) unwritten() int64 {
	c.mu.Lock()
	defer c.mu.Unlock()
	n := c.waiting
	for _, d := range c.dropped {
		n += int64(d.n - d.reported)
	}
	return n
}

// A pending is a block, or the first part of one, that is being committed.
type pending struct {
	contact *Contact
	block   *block
	header  edgecode.Header
	data    []byte
}

// collect appends to batch what the contact has to commit.
func (c *Contact) collect(batch []pending) []pending {
	c.mu.Lock()
	defer c.mu.Unlock()
	take := func(b *block, data []byte) {
		batch = append(batch, pending{c, b, b.enc.Header(c.id, 0), data})
	}
	for _, b := range c.full {
		take(b, b.enc.Data())
	}
	if c.open.enc.Len() > c.open.written {
		c.snapshot = append(c.snapshot[:0], c.open.enc.Data()...)
		take(c.open, c.snapshot)
	}
	for i := range c.dropped {
		c.dropped[i].sending = c.dropped[i].n
	}
	c.sending, c.since = c.since, time.Time{}
	return batch
}

func (p *pending) write(w *writer) error {
	h := &p.header
	h.Session = w.session
	w.data = append(w.data[:0], p.data...)
	w.data = h.Seal(w.data)
	_, err := w.block.Exec(p.block.id(p.contact), h.Contact, h.Session, int64(h.First), int64(h.Last), h.Edges, w.data)
	return err
}

// reportDrops writes a finding about the edges dropped since the last one. The
// fault is that which this commit ends, nil for none.
func (c *Contact) reportDrops(w *writer, now hw.Anchor, fault *Fault) error {
	for why := range c.dropped {
		c.mu.Lock()
		d := c.dropped[why]
		c.mu.Unlock()
		n := d.sending - d.reported
		if n == 0 {
			continue
		}
		reason := dropReasons[why]
		if why == bufferFull && fault != nil {
			reason += " while the log could not be written: " + string(fault.Kind)
		}
		f := finding(Dropped, d.from, map[string]any{"edges": n, "from_ns": d.from, "to_ns": d.to, "why": reason},
			"%d edges were dropped before they could be logged: %s", n, reason)
		if err := w.find(c, f, now); err != nil {
			return err
		}
	}
	return nil
}

// settle records that the block was committed. A full block is then free.
func (p *pending) settle() {
	c := p.contact
	c.mu.Lock()
	defer c.mu.Unlock()
	c.waiting -= int64(p.header.Edges - p.block.written)
	p.block.written = p.header.Edges
	if len(c.full) > 0 && c.full[0] == p.block && p.block.enc.Len() == p.block.written {
		c.full = slices.Delete(c.full, 0, 1)
		*p.block = block{}
		c.spare = p.block
	}
}

// settle ends a commit; done says that it succeeded.
func (c *Contact) settle(done bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if done {
		for i := range c.dropped {
			c.dropped[i].reported = c.dropped[i].sending
		}
	}
	if (!done || c.left) && !c.sending.IsZero() {
		c.since = c.sending
	}
	c.sending, c.left = time.Time{}, false
}

// forget makes the contact write all that it still holds into a new file.
func (c *Contact) forget() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.id, c.blocks = 0, 0
	for _, b := range append(c.full, c.open) {
		c.waiting += int64(b.written)
		b.number, b.written = 0, 0
	}
}
