package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"makebreak/daemon/store/edgecode"
	"makebreak/pulse"
)

const blockColumns = "b.id, b.contact, b.session, b.first_ns, b.last_ns, b.edges, b.data"

type storedBlock struct {
	id int64
	edgecode.Header
	data []byte
}

func (b *storedBlock) fields() []any {
	return []any{&b.id, &b.Contact, &b.Session, &b.First, &b.Last, &b.Edges, &b.data}
}

func scanBlock(row scanner) (b storedBlock, err error) {
	err = row(b.fields()...)
	return b, err
}

// A Gap is a stretch of a replay in which the level is not known.
type Gap struct {
	From, To pulse.Stamp // run time
	Kind     GapKind
	Damage   string    // what is damaged, of GapDamaged
	Loss     Loss      // what could not be written, of GapNotWritten
	By       RemovedBy // why edges were removed, of GapRemoved; empty where the log does not tell
}

// A GapKind is why the level is not known.
type GapKind uint8

const (
	GapNotRunning GapKind = iota // the daemon was not running
	GapRemoved                   // retention has removed the edges, if there were any
	GapDamaged
	GapNotWritten // the log could not be written, and then the daemon was not running
)

// Why says in words why the level is not known.
func (g Gap) Why() string {
	switch g.Kind {
	case GapRemoved:
		return "older edges, if there were any, have been removed" + g.By.why()
	case GapDamaged:
		return g.Damage
	case GapNotWritten:
		return g.Loss.String()
	}
	return "not running"
}

// A Replay reads the edges of one contact in a span, stamped with run time. It
// is an hw.Source. Where the level is not known, between two sessions or
// because of damage, it gives an edge to the level Unknown at the start of that
// gap, so that no interval spans it; Gaps says why. It is for one goroutine.
type Replay struct {
	log      *Log
	timeline *Timeline
	contact  int64
	span     Span
	from     pulse.Stamp // of the first edge to give
	level    pulse.Level // at from
	dec      edgecode.Decoder
	edges    []pulse.Edge // decoded, not given yet
	buf      []pulse.Edge
	queue    []storedBlock
	id       int64       // of the latest block
	session  int         // index of the session read last, -1 before the first
	last     pulse.Stamp // run time up to which the level is known
	gaps     []Gap
	broken   string // damage since last
	done     bool
}

// replayBlocks is how many blocks are read at once.
const replayBlocks = 64

// Replay begins to read a contact's edges. A contact that is not in the log is
// an error; a span without edges is not.
func (l *Log) Replay(ctx context.Context, span Span, contact string) (*Replay, error) {
	tl, err := l.TimelineOf(ctx, span.Run, contact)
	if err != nil {
		return nil, err
	}
	ids, err := list(ctx, l, scanInt, "SELECT id FROM contacts WHERE name = ?", contact)
	if err != nil {
		return nil, err
	}
	if len(ids) == 0 {
		return nil, fmt.Errorf("read log %q: contact %q is not in it", l.path, contact)
	}
	r := &Replay{log: l, timeline: tl, contact: ids[0], span: span, from: span.From, level: pulse.Unknown, session: -1, last: tl.Sessions[0].Start.Run}
	if r.span.To == 0 {
		r.span.To = tl.End() + 1 // an edge may be at the end itself
	}
	if span.From == 0 {
		r.from = -endless // edges may be a little older than the session
	}
	from := tl.At(r.from)
	// The block before the span has the level at its start, and may reach into it.
	ids, err = list(ctx, l, scanInt, `SELECT id FROM edge_blocks WHERE contact = ? AND session >= ? AND (session, first_ns) < (?, ?)
ORDER BY session DESC, first_ns DESC, id DESC LIMIT 1`, r.contact, tl.Sessions[0].ID, from.Session, int64(from.Mono))
	if err != nil {
		return nil, err
	}
	if len(ids) == 0 {
		ids, err = list(ctx, l, scanInt, "SELECT id FROM edge_blocks WHERE contact = ? AND session >= ? ORDER BY session, first_ns, id LIMIT 1", r.contact, tl.Sessions[0].ID)
		if err != nil {
			return nil, err
		}
		if len(ids) == 0 {
			r.done = true
			return r, nil
		}
		if err := r.removed(ctx, ids[0]); err != nil {
			return nil, err
		}
	}
	r.id = ids[0] - 1
	return r, r.skip(ctx)
}

// stopTakes is how long a stop may take from the end of reading to the last
// commit, with pages that are being served.
const stopTakes = pulse.Stamp(5 * time.Second)

// Stopped gives the run time at which a contact was no longer read because the
// program was stopped in good order, in the latest session of a timeline. It is
// not ok while that runs, and where the source was not read before the stop.
func (l *Log) Stopped(ctx context.Context, tl *Timeline, contact string) (at pulse.Stamp, ok bool, err error) {
	s := &tl.Sessions[len(tl.Sessions)-1]
	if !s.Ended {
		return 0, false, nil
	}
	blocks, err := list(ctx, l, scanBlock, "SELECT "+blockColumns+` FROM contacts c JOIN edge_blocks b ON b.id =
  (SELECT max(id) FROM edge_blocks WHERE id > c.id << 32 AND id < (c.id + 1) << 32) WHERE c.name = ?`, contact)
	if err != nil || len(blocks) == 0 || blocks[0].Session != s.ID {
		return 0, false, err
	}
	var d edgecode.Decoder
	edges, err := d.Decode(nil, blocks[0].Header, blocks[0].data)
	if err != nil || len(edges) == 0 {
		return 0, false, nil // reading it tells of the damage
	}
	last := edges[len(edges)-1]
	return last.At - s.Start.Mono + s.Start.Run, last.Level > pulse.High && s.Alive.Mono-last.At <= stopTakes, nil
}

// removed records a gap when blocks before the first one were removed.
func (r *Replay) removed(ctx context.Context, first int64) error {
	at, err := list(ctx, r.log, scanInt, `SELECT b.first_ns + s.offset_ns FROM edge_blocks b JOIN sessions s ON s.id = b.session
WHERE b.id = ?1 AND ?1 & 0xffffffff > 1 AND NOT EXISTS (SELECT 1 FROM edge_blocks WHERE id = ?1 - 1)`, first)
	if err != nil || len(at) == 0 || at[0] <= int64(r.span.From) {
		return err
	}
	g := Gap{From: r.span.From, To: pulse.Stamp(at[0]), Kind: GapRemoved}
	by, err := list(ctx, r.log, scanText, `SELECT coalesce(json_extract(detail, '$.by'), '') FROM findings
WHERE contact = ? AND kind = ? ORDER BY id DESC LIMIT 1`, r.contact, string(Removed))
	if len(by) == 1 {
		g.By = RemovedBy(by[0])
	}
	r.gaps = append(r.gaps, g)
	return err
}

// Timeline is the run's timeline when the replay began.
func (r *Replay) Timeline() *Timeline { return r.timeline }

// Span is what is read; its To is never 0.
func (r *Replay) Span() Span { return r.span }

// StartLevel is the level at the start of the span, Unknown when that is not in
// the log.
func (r *Replay) StartLevel() pulse.Level { return r.level }

// Gaps are the gaps met so far.
func (r *Replay) Gaps() []Gap { return r.gaps }

// Close ends the replay.
func (r *Replay) Close() error {
	r.done, r.edges, r.queue = true, nil, nil
	return nil
}

// ReadEdges implements hw.Source.
func (r *Replay) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	if len(buf) == 0 {
		return 0, ctx.Err()
	}
	for len(r.edges) == 0 {
		if r.done {
			return 0, io.EOF
		}
		if err := r.next(ctx); err != nil {
			return 0, err
		}
	}
	n = copy(buf, r.edges)
	r.edges = r.edges[n:]
	return n, nil
}

// skip reads up to the start of the span.
func (r *Replay) skip(ctx context.Context) error {
	for {
		for len(r.edges) > 0 && r.edges[0].At < r.from {
			r.level = r.edges[0].Level
			r.edges = r.edges[1:]
		}
		if len(r.edges) > 0 || r.done {
			return nil
		}
		if err := r.next(ctx); err != nil {
			return err
		}
	}
}

// next reads the next block into edges, if it has any to give.
func (r *Replay) next(ctx context.Context) error {
	r.edges = nil
	if len(r.queue) == 0 {
		if err := r.fill(ctx); err != nil {
			return err
		}
		if len(r.queue) == 0 {
			r.finish()
			return nil
		}
	}
	b := &r.queue[0]
	r.queue = r.queue[1:]
	if b.id != r.id+1 && r.broken == "" {
		r.broken = "blocks of edges are missing"
	}
	r.id = b.id
	sessions := r.timeline.Sessions
	i := max(r.session, 0)
	for i < len(sessions) && sessions[i].ID != b.Session {
		i++
	}
	if i == len(sessions) && b.Session > sessions[i-1].ID {
		r.finish() // of a session that began after the replay
		return nil
	}
	if i == len(sessions) {
		r.broken = "a block of edges has the number of another session"
		return nil
	}
	// The first element is room for an edge to Unknown.
	edges, err := r.dec.Decode(append(r.buf[:0], pulse.Edge{}), b.Header, b.data)
	if err != nil {
		r.broken = "a block of edges is damaged: " + err.Error()
		return nil
	}
	r.buf = edges
	offset := sessions[i].Start.Run - sessions[i].Start.Mono
	for j := range edges[1:] {
		edges[j+1].At += offset
	}
	at := edges[1].At
	switch {
	case r.broken != "":
		r.unknown(&edges[0], at)
	case i == r.session && at < r.last:
		r.broken = "a block of edges is out of order"
		return nil
	case r.session >= 0 && i != r.session:
		r.last = max(r.last, sessions[r.session].Alive.Run)
		if err := r.between(ctx, &edges[0], at, b.Session); err != nil {
			return err
		}
	default:
		edges = edges[1:]
	}
	r.broken, r.session, r.last = "", i, r.buf[len(r.buf)-1].At
	r.give(edges)
	return nil
}

// between makes an edge to Unknown at the start of the gap before a session.
func (r *Replay) between(ctx context.Context, e *pulse.Edge, to pulse.Stamp, session int64) error {
	n := len(r.gaps)
	r.unknown(e, to)
	if len(r.gaps) == n {
		return nil
	}
	losses, err := list(ctx, r.log, func(row scanner) (l Loss, err error) {
		err = row(&l.Edges, &l.Since, &l.Fault)
		return l, err
	}, `SELECT json_extract(detail, '$.lost_edges'), json_extract(detail, '$.lost_since'), json_extract(detail, '$.fault') FROM findings
WHERE session = ? AND kind = ? AND json_extract(detail, '$.lost_edges') IS NOT NULL`, session, string(Restart))
	if len(losses) > 0 {
		r.gaps[n].Kind, r.gaps[n].Loss = GapNotWritten, losses[0]
	}
	return err
}

// unknown makes an edge to Unknown at the start of a gap that lasts until to.
func (r *Replay) unknown(e *pulse.Edge, to pulse.Stamp) {
	*e = pulse.Edge{At: min(r.last, to), Level: pulse.Unknown}
	if to > r.from && e.At < r.span.To {
		g := Gap{From: e.At, To: to, Damage: r.broken}
		if r.broken != "" {
			g.Kind = GapDamaged
		}
		r.gaps = append(r.gaps, g)
	}
}

// give sets the edges to give next, and ends the replay at the end of the span.
func (r *Replay) give(edges []pulse.Edge) {
	n := len(edges)
	for n > 0 && edges[n-1].At >= r.span.To {
		n--
		r.done = true
	}
	r.edges = edges[:n]
}

// finish ends the replay after the last block.
func (r *Replay) finish() {
	r.done = true
	ends := r.broken != ""
	if !ends && r.session >= 0 {
		r.last = max(r.last, r.timeline.Sessions[r.session].Alive.Run)
		ends = r.last < max(r.span.To-1, r.span.From)
	}
	if ends {
		var e pulse.Edge
		r.unknown(&e, r.span.To)
		r.give(append(r.buf[:0], e))
	}
}

// fill reads more blocks into the queue, and skips pages that are damaged.
func (r *Replay) fill(ctx context.Context) error {
	end := (r.contact + 1) << 32
	for from := r.id + 1; ; from++ {
		blocks, err := list(ctx, r.log, scanBlock, "SELECT "+blockColumns+" FROM edge_blocks b WHERE b.id >= ? AND b.id < ? ORDER BY b.id LIMIT ?", from, end, replayBlocks)
		if r.queue = blocks; len(blocks) > 0 || err == nil {
			return nil
		}
		var d *DamageError
		if !errors.As(err, &d) {
			return err
		}
		if r.broken == "" {
			r.broken = "a page of the log is damaged: " + d.Err.Error()
			// The index says which block is the last.
			last, err := list(ctx, r.log, scanInt, "SELECT max(id) FROM edge_blocks INDEXED BY edge_block_times WHERE contact = ?", r.contact)
			if err != nil {
				return err
			}
			end = last[0] + 1
		}
		if from >= end {
			return nil
		}
	}
}

func scanInt(row scanner) (v int64, err error) {
	err = row(&v)
	return v, err
}
