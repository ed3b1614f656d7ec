// Package edgecode packs edges without loss, as a log keeps them: some 3 bytes
// for each edge of a contact in good order, more for others.
//
// An Encoder fills a block. To be kept are its Header and its sealed bits, of
// which a Decoder makes the same edges again. Nothing allocates per edge.
//
// A block holds consecutive edges of one contact in one session. The interval to
// the next edge is predicted from earlier intervals of its kind, and the
// difference is written as a Rice code. Level, sequence number and loss are
// written only where they are not as expected.
//
// Intervals that follow the same level fall into a few clusters, such as bounce,
// make and interdigit gap. The level and the previous cluster predict the next
// cluster; naming another one costs some bits. A long interval counts from the
// first edge of the burst before it, so that the bounce there does not blur it.
// Its prediction also follows the phase where that is better: edges that jitter
// about a steady rotation then cost what the jitter costs, not √2 times that.
//
// Bits are written from the most significant one. The last four bytes are a
// CRC-32C of the Header's contact, session, first stamp, last stamp and count,
// each as 64 bits with the lowest byte first, and of the bits.
package edgecode

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math/bits"

	"makebreak/pulse"
)

const (
	// MaxBytes lets a block with its row fill one page of 4096 bytes: SQLite
	// keeps up to 4061 bytes of a row in its own page, and the other columns
	// take up to 33.
	MaxBytes = 4028
	bitBytes = MaxBytes - crcBytes
	crcBytes = 4
	// MaxEdges bounds the memory of a reader; no real contact is so
	// regular that a block would hold more.
	MaxEdges = 8192

	levels      = 3
	clusterBits = 2
	clusters    = 1 << clusterBits
	// maxClusterNS keeps the arithmetic on clusters far from overflow.
	maxClusterNS = 1 << 48
	// burstNS is longer than the bounce of relay and dial contacts (common practice).
	burstNS = 4e6

	// The values below gave the smallest blocks of simulated dials, cams and
	// cadences; twice or half of each makes them less than 1 % larger.
	meanBits     = 6  // fraction bits of a mean
	meanWindow   = 6  // the latest value has at least the weight 2^-6 in a cluster's mean …
	spreadWindow = 5  // … and 2^-5 in its spread
	costWindow   = 5  // and 2^-5 in the choice for or against the phase
	phaseShift   = 2  // each difference corrects the phase by 2^-2 of itself
	runLimit     = 20 // a quotient that would be larger is not written
	rateOne      = 1 << 8
	rateWindow   = 4
	missesToMove = 2 // misses in a row after which another cluster is expected

	lengthBits  = 7
	isException = 65  // written in place of a length of 0 to 64 bits
	maxEdgeBits = 192 // an exception with all its fields and a raw interval are shorter
)

// A cluster is what is known of intervals of one kind.
type cluster struct {
	mean   int64  // ns, shifted by meanBits
	spread uint64 // mean of the zigzag differences, shifted by meanBits
	used   uint32 // tick of the latest use
	n      uint8  // values seen, up to 1<<meanWindow
	far    bool   // intervals count from the burst's first edge
}

// rice is the number of low bits that are written unchanged. For a normal
// distribution the code is then 0.08 to 0.18 bit above the entropy.
func (c *cluster) rice() uint { return uint(max(bits.Len64(c.spread>>meanBits), 1) - 1) }

// A context predicts the cluster that follows a level and a cluster.
type context struct {
	expected, misses uint8
	rate             uint16 // of misses, in 1/rateOne
	seen             bool
}

// A model is what both encoder and decoder know after each edge.
type model struct {
	prev, ref pulse.Stamp // latest edge; first edge of the latest burst
	phase     int64       // how late ref was, ns
	plain     int64       // mean size of the differences without the phase …
	phased    int64       // … and with it
	seq, tick uint32
	level     uint8
	last      uint8 // cluster
	counting  bool  // the source numbers its edges
	cluster   [levels][clusters]cluster
	contexts  [levels][clusters]context
}

// missRun is the number of ones that says that the expected cluster is wrong. It
// is smaller where that happens often; quotients from that number on then take
// one more bit.
func (c *context) missRun() uint {
	switch {
	case c.rate > rateOne/2:
		return 0
	case c.rate > rateOne/4:
		return 1
	case c.rate > rateOne/16:
		return 2
	}
	return 6
}

func (m *model) begin(e pulse.Edge) {
	m.prev, m.ref = e.At, e.At
	m.level, m.seq, m.counting = uint8(e.Level), e.Seq, e.Seq != 0
}

func (m *model) expectedLevel() uint8 {
	if m.level == uint8(pulse.Low) {
		return uint8(pulse.High)
	}
	return uint8(pulse.Low)
}

func (m *model) expectedSeq(lost uint32) uint32 {
	if m.counting {
		return m.seq + 1 + lost
	}
	return 0
}

// guess gives the stamp from which a cluster's intervals count, and the predicted
// interval.
func (m *model) guess(c *cluster) (base pulse.Stamp, guess int64) {
	guess = (c.mean + 1<<(meanBits-1)) >> meanBits
	if !c.far {
		return m.prev, guess
	}
	if m.phased < m.plain {
		guess -= m.phase - m.phase>>phaseShift
	}
	return m.ref, guess
}

// learn updates the model with the next edge's stamp, which was coded with a
// cluster or, if raw, starts a new one in its place.
func (m *model) learn(at pulse.Stamp, id uint8, raw bool) {
	d := uint64(at) - uint64(m.prev)
	here := &m.contexts[m.level][m.last]
	switch {
	case !here.seen:
		*here = context{expected: id, seen: true}
	case here.expected == id && !raw:
		here.misses = 0
		here.rate -= here.rate >> rateWindow
	default:
		here.rate += (rateOne - here.rate) >> rateWindow
		if here.misses++; here.misses >= missesToMove {
			here.expected, here.misses = id, 0
		}
	}
	c := &m.cluster[m.level][id]
	m.tick++
	late := int64(0)
	if raw {
		*c = cluster{far: d >= burstNS, n: 1}
		v := d
		if c.far {
			v = uint64(at) - uint64(m.ref)
		}
		v = min(v, maxClusterNS)
		c.mean, c.spread = int64(v<<meanBits), v // a first spread of 1/64
	} else {
		base, guess := m.guess(c)
		v := int64(at - base)
		r := v - guess
		w := min(uint(bits.Len8(c.n)), meanWindow)
		c.mean += r << meanBits >> w
		c.spread += uint64((int64(zigzag(r)<<meanBits) - int64(c.spread)) >> min(w, spreadWindow))
		if c.n < 1<<meanWindow {
			c.n++
		}
		if c.far {
			plain := v - (c.mean+1<<(meanBits-1))>>meanBits
			late = plain + m.phase - m.phase>>phaseShift
			m.plain += (abs(plain) - m.plain) >> costWindow
			m.phased += (abs(late) - m.phased) >> costWindow
		}
	}
	c.used = m.tick
	if d >= burstNS {
		m.ref, m.phase = at, late
	}
	m.prev, m.last = at, id
}

// oldest is the cluster that was not used for longest: a new one replaces it.
func (m *model) oldest() (id uint8) {
	list := &m.cluster[m.level]
	for i := range list {
		if list[i].used < list[id].used {
			id = uint8(i)
		}
	}
	return id
}

func zigzag(r int64) uint64   { return uint64(r<<1) ^ uint64(r>>63) }
func unzigzag(u uint64) int64 { return int64(u>>1) ^ -int64(u&1) }

func abs(v int64) int64 {
	if v < 0 {
		return -v
	}
	return v
}

// An Encoder makes one block. Its zero value is an empty block.
type Encoder struct {
	model
	first pulse.Stamp
	n     int
	pos   int // bits
	buf   [bitBytes + 32]byte
}

// Add appends an edge, whose stamp must not be before the last one. It returns
// false and changes nothing when the block is full: at MaxEdges, or where the
// edge does not fit into MaxBytes.
func (e *Encoder) Add(x pulse.Edge) bool {
	if e.n == MaxEdges {
		return false
	}
	if e.n == 0 {
		e.first = x.At
		e.bits(uint64(x.Level), 2)
		e.field(x.Seq)
		e.field(x.Lost)
		e.begin(x)
		e.n = 1
		return true
	}
	if e.pos+maxEdgeBits > bitBytes*8 {
		before, pos := e.model, e.pos
		e.put(x)
		if e.pos > bitBytes*8 {
			clear(e.buf[pos/8+1:])
			e.buf[pos/8] &^= 0xff >> (pos % 8)
			e.model, e.pos = before, pos
			return false
		}
	} else {
		e.put(x)
	}
	e.n++
	return true
}

func (e *Encoder) put(x pulse.Edge) {
	if uint8(x.Level) != e.expectedLevel() || x.Lost != 0 || x.Seq != e.expectedSeq(0) {
		e.miss()
		e.bits(uint64(e.contexts[e.level][e.last].expected), clusterBits)
		e.bits(isException, lengthBits)
		e.bits(uint64(x.Level), 2)
		e.field(x.Lost)
		if x.Seq == e.expectedSeq(x.Lost) {
			e.bits(0, 1)
		} else {
			e.bits(1, 1)
			e.bits(uint64(x.Seq), 32)
			e.counting = x.Seq != 0
		}
	}
	id, raw := e.interval(x.At)
	e.learn(x.At, id, raw)
	e.level, e.seq = uint8(x.Level), x.Seq
}

// interval writes a stamp and returns the cluster that it was written with.
func (e *Encoder) interval(at pulse.Stamp) (id uint8, raw bool) {
	here := &e.contexts[e.level][e.last]
	miss := uint64(here.missRun())
	if u, k, ok := e.difference(here.expected, at); ok && u>>k < runLimit {
		run := u >> k
		if run >= miss {
			run++
		}
		e.rice(run, u, k)
		return here.expected, false
	}
	e.miss()
	d := uint64(at) - uint64(e.prev)
	length := uint(bits.Len64(d))
	cost := uint64(lengthBits + length)
	best := -1
	for i := range uint8(clusters) {
		if u, k, ok := e.difference(i, at); ok && i != here.expected && u>>k < runLimit && u>>k+uint64(k) < cost {
			best, cost = int(i), u>>k+uint64(k)
		}
	}
	if best >= 0 {
		e.bits(uint64(best), clusterBits)
		u, k, _ := e.difference(uint8(best), at)
		e.rice(u>>k, u, k)
		return uint8(best), false
	}
	e.bits(uint64(here.expected), clusterBits)
	e.bits(uint64(length), lengthBits)
	e.bits(d>>32, max(length, 32)-32)
	e.bits(d&(1<<32-1), min(length, 32))
	return e.oldest(), true
}

// difference is what would have to be written with a cluster, and how many low
// bits of it unchanged. It is not ok with an empty cluster.
func (e *Encoder) difference(id uint8, at pulse.Stamp) (u uint64, k uint, ok bool) {
	c := &e.cluster[e.level][id]
	base, guess := e.guess(c)
	v := uint64(at) - uint64(base)
	return zigzag(int64(v) - guess), c.rice(), c.n > 0 && v < maxClusterNS
}

func (e *Encoder) miss() { e.rice(uint64(e.contexts[e.level][e.last].missRun()), 0, 0) }

// rice writes run ones, a zero, and the k low bits of u.
func (e *Encoder) rice(run, u uint64, k uint) {
	e.bits(1<<(run+1)-2, uint(run)+1)
	e.bits(u&(1<<k-1), k)
}

func (e *Encoder) field(v uint32) {
	if v == 0 {
		e.bits(0, 1)
		return
	}
	e.bits(1, 1)
	e.bits(uint64(v), 32)
}

// bits writes the n ≤ 56 low bits of v, whose other bits must be 0.
func (e *Encoder) bits(v uint64, n uint) {
	p := e.buf[e.pos/8:]
	w := binary.BigEndian.Uint64(p) | v<<(64-n-uint(e.pos%8))
	binary.BigEndian.PutUint64(p, w)
	e.pos += int(n)
}

// Len is the number of edges.
func (e *Encoder) Len() int { return e.n }

// Header describes the block, which is of that contact and session. The stamps of
// an empty block are 0.
func (e *Encoder) Header(contact, session int64) Header {
	return Header{contact, session, e.first, e.prev, e.n}
}

// Data gives the bits so far, valid until the next Add. Later edges change no
// byte of them but the last.
func (e *Encoder) Data() []byte { return e.buf[:(e.pos+7)/8] }

// A Header describes a block. It is kept beside the block, which cannot be read
// without it.
type Header struct {
	Contact, Session int64       // numbers that the log gives
	First, Last      pulse.Stamp // of the first and the last edge
	Edges            int         // 1 to MaxEdges
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

func (h *Header) sum(data []byte) uint32 {
	sum := ^uint32(0)
	for _, v := range [...]int64{h.Contact, h.Session, int64(h.First), int64(h.Last), int64(h.Edges)} {
		for range 8 {
			sum = castagnoli[byte(sum)^byte(v)] ^ sum>>8
			v >>= 8
		}
	}
	return crc32.Update(^sum, castagnoli, data)
}

// Seal appends the checksum of header and bits to a block's bits.
func (h *Header) Seal(data []byte) []byte {
	return binary.BigEndian.AppendUint32(data, h.sum(data))
}

var (
	errChecksum = errors.New("checksum does not fit")
	errBits     = errors.New("checksum fits but the bits do not")
)

// A Decoder reads blocks, one after the other. Its zero value is ready.
type Decoder struct {
	model
	pos int
	end int
	buf [bitBytes + 32]byte
}

// Decode appends the edges of a sealed block to dst: with any input at most
// MaxEdges, in order of time. An error says that the block or its header is not
// as it was sealed; then it appends none.
func (d *Decoder) Decode(dst []pulse.Edge, h Header, data []byte) ([]pulse.Edge, error) {
	if len(data) <= crcBytes || len(data) > MaxBytes {
		return dst, fmt.Errorf("%d bytes: expected %d to %d", len(data), crcBytes+1, MaxBytes)
	}
	data, sum := data[:len(data)-crcBytes], data[len(data)-crcBytes:]
	if binary.BigEndian.Uint32(sum) != h.sum(data) {
		return dst, errChecksum
	}
	return d.edges(dst, h, data)
}

func (d *Decoder) edges(dst []pulse.Edge, h Header, data []byte) ([]pulse.Edge, error) {
	if h.Edges < 1 || h.Edges > MaxEdges {
		return dst, fmt.Errorf("%d edges: expected 1 to %d", h.Edges, MaxEdges)
	}
	d.model = model{}
	clear(d.buf[copy(d.buf[:], data):])
	d.pos, d.end = 0, len(data)*8
	start := len(dst)
	x := pulse.Edge{At: h.First, Level: pulse.Level(d.bits(2)), Seq: d.field(), Lost: d.field()}
	if x.Level > pulse.Unknown {
		return dst, errBits
	}
	d.begin(x)
	dst = append(dst, x)
	for range h.Edges - 1 {
		if !d.edge(&x) {
			return dst[:start], errBits
		}
		dst = append(dst, x)
	}
	if x.At != h.Last || d.pos > d.end || d.end-d.pos >= 8 {
		return dst[:start], errBits
	}
	return dst, nil
}

// edge reads the next edge; false says that the bits are not an edge.
func (d *Decoder) edge(x *pulse.Edge) bool {
	x.Level = pulse.Level(d.expectedLevel())
	x.Lost = 0
	x.Seq = d.expectedSeq(0)
	var at pulse.Stamp
	var id uint8
	raw, exception := false, false
	for {
		if d.pos > d.end {
			return false
		}
		here := &d.contexts[d.level][d.last]
		id = here.expected
		run, miss := d.run(), here.missRun()
		hit := run != miss
		if run > miss {
			run--
		}
		if !hit {
			id = uint8(d.bits(clusterBits))
			hit = id != here.expected
			if hit {
				run = d.run()
			}
		}
		if hit {
			c := &d.cluster[d.level][id]
			if run >= runLimit || c.n == 0 {
				return false
			}
			k := c.rice()
			base, guess := d.guess(c)
			at = base + pulse.Stamp(guess+unzigzag(uint64(run)<<k|d.bits(k)))
			break
		}
		length := uint(d.bits(lengthBits))
		if length <= 64 {
			delta := d.bits(max(length, 32)-32)<<32 | d.bits(min(length, 32))
			at = d.prev + pulse.Stamp(delta)
			id, raw = d.oldest(), true
			break
		}
		if length != isException || exception {
			return false
		}
		exception = true
		x.Level = pulse.Level(d.bits(2))
		x.Lost = d.field()
		x.Seq = d.expectedSeq(x.Lost)
		if d.bits(1) == 1 {
			x.Seq = uint32(d.bits(32))
			d.counting = x.Seq != 0
		}
		if x.Level > pulse.Unknown {
			return false
		}
	}
	if at < d.prev {
		return false
	}
	x.At = at
	d.learn(at, id, raw)
	d.level, d.seq = uint8(x.Level), x.Seq
	return true
}

// run counts ones and reads the zero after them.
func (d *Decoder) run() uint {
	w := binary.BigEndian.Uint64(d.buf[d.pos/8:]) << (d.pos % 8)
	n := bits.LeadingZeros64(^w)
	d.pos += n + 1
	return uint(n)
}

// bits reads n ≤ 56 bits.
func (d *Decoder) bits(n uint) uint64 {
	w := binary.BigEndian.Uint64(d.buf[d.pos/8:]) << (d.pos % 8)
	d.pos += int(n)
	return w >> (64 - n)
}

func (d *Decoder) field() uint32 {
	if d.bits(1) == 0 {
		return 0
	}
	return uint32(d.bits(32))
}
