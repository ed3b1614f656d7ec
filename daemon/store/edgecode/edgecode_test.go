package edgecode

import (
	"encoding/binary"
	"hash/crc32"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/pulse"
	"makebreak/pulse/synth"
)

type fataler interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
}

func synthEdges(t fataler, desc string, n int) []pulse.Edge {
	t.Helper()
	spec, err := synth.Parse(desc)
	if err != nil {
		t.Fatal(err)
	}
	s, err := synth.New(spec)
	if err != nil {
		t.Fatal(err)
	}
	edges := make([]pulse.Edge, n)
	for got := 0; got < n; {
		k := s.Next(edges[got:])
		if k == 0 {
			return edges[:got]
		}
		got += k
	}
	return edges
}

type coded struct {
	h    Header
	data []byte
}

func (e *Encoder) coded() coded {
	h := e.Header(7, 3)
	return coded{h, h.Seal(slices.Clone(e.Data()))}
}

func encode(edges []pulse.Edge) (all []coded) {
	e := new(Encoder)
	for _, x := range edges {
		if !e.Add(x) {
			all = append(all, e.coded())
			*e = Encoder{}
			e.Add(x)
		}
	}
	return append(all, e.coded())
}

func decodeAll(t fataler, blocks []coded) (edges []pulse.Edge) {
	t.Helper()
	d := new(Decoder)
	for i, b := range blocks {
		var err error
		if edges, err = d.Decode(edges, b.h, b.data); err != nil {
			t.Fatalf("block %d of %d: %v", i, len(blocks), err)
		}
		if len(b.data) > MaxBytes {
			t.Fatalf("block %d has %d bytes", i, len(b.data))
		}
	}
	return edges
}

// drawEdges draws edges of every sort: regular ones, all levels, gaps in the
// numbers, and the largest and smallest times.
func drawEdges(t *rapid.T) []pulse.Edge {
	at := pulse.Stamp(rapid.OneOf(rapid.Just(int64(math.MinInt64)), rapid.Int64(), rapid.Int64Range(0, 1e15)).Draw(t, "start"))
	interval := rapid.OneOf(
		rapid.Just(uint64(0)), rapid.Uint64Range(0, 300e3), rapid.Uint64Range(38e6, 39e6), rapid.Uint64Range(61e6, 62e6),
		rapid.Uint64Range(799e6, 801e6), rapid.Uint64(), rapid.Uint64Range(0, 1<<50))
	seq, level := rapid.OneOf(rapid.Just(uint32(0)), rapid.Uint32(), rapid.Just(uint32(math.MaxUint32-5))).Draw(t, "seq"), pulse.Low
	wild := rapid.IntRange(0, 20).Draw(t, "wild")
	n := rapid.IntRange(1, 3000).Draw(t, "n")
	fixed := rapid.SliceOfN(interval, 1, 6).Draw(t, "intervals")
	r := rapid.Uint64().Draw(t, "noise")
	edges := make([]pulse.Edge, 0, n)
	for i := range n {
		r = r*6364136223846793005 + 1442695040888963407
		d := fixed[i%len(fixed)] + r>>44
		if i > 0 {
			if uint64(at)+d < uint64(at) && int64(uint64(at)+d) < int64(at) || int64(uint64(at)+d) < int64(at) {
				d = 0
			}
			at += pulse.Stamp(d)
			if seq != 0 {
				seq++
			}
		}
		level ^= 1
		e := pulse.Edge{At: at, Seq: seq, Level: level}
		if int(r>>33)%100 < wild {
			e.Level = pulse.Level(r >> 20 % 3)
			e.Lost = uint32(r >> 8)
			if r>>50%2 == 0 {
				seq += e.Lost
				e.Seq = seq
			} else {
				e.Seq = uint32(r >> 12)
				seq = e.Seq
			}
			if e.Level < pulse.Unknown {
				level = e.Level
			}
		}
		edges = append(edges, e)
	}
	return edges
}

func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawEdges(t)
		if diff := cmp.Diff(want, decodeAll(t, encode(want))); diff != "" {
			t.Fatal(diff)
		}
	})
}

// A block can be taken at any time and goes on as if it had not been.
func TestPrefixes(t *testing.T) {
	edges := synthEdges(t, "dial repeat=endless jitter=0.4ms bounce=3:1.5ms lost=0.01 seed=4", 3000)
	e, d := new(Encoder), new(Decoder)
	from := 0
	for i, x := range edges {
		if !e.Add(x) {
			*e, from = Encoder{}, i
			e.Add(x)
		}
		b := e.coded()
		got, err := d.Decode(nil, b.h, b.data)
		if err != nil {
			t.Fatalf("after %d edges: %v", i+1, err)
		}
		if !slices.Equal(got, edges[from:i+1]) {
			t.Fatalf("after %d edges: %s", i+1, cmp.Diff(edges[from:i+1], got))
		}
	}
	if from == 0 {
		t.Fatal("all edges fitted into one block")
	}
}

func TestExtremes(t *testing.T) {
	for name, edges := range map[string][]pulse.Edge{
		"one":          {{At: math.MaxInt64, Level: 2, Seq: math.MaxUint32, Lost: math.MaxUint32}},
		"all of time":  {{At: math.MinInt64}, {At: math.MaxInt64, Level: 1}, {At: math.MaxInt64}},
		"numbers wrap": {{At: 1, Seq: math.MaxUint32 - 1}, {At: 2, Seq: math.MaxUint32, Level: 1}, {At: 3}, {At: 4, Seq: 1, Level: 1}},
		"no numbers":   {{At: 1}, {At: 2, Level: 1}, {At: 2}, {At: 2, Level: 1}},
	} {
		if diff := cmp.Diff(edges, decodeAll(t, encode(edges))); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
	// So regular that the count of edges ends the block.
	edges := make([]pulse.Edge, 3*MaxEdges)
	for i := range edges {
		edges[i] = pulse.Edge{At: pulse.Stamp(i) * 1e6, Level: pulse.Level(i & 1)}
	}
	blocks := encode(edges)
	if diff := cmp.Diff(edges, decodeAll(t, blocks)); diff != "" {
		t.Error(diff)
	}
	if len(blocks) != 3 {
		t.Errorf("%d blocks", len(blocks))
	}
}

// Every single flipped bit, and every cut, must be noticed.
func TestNoticesDamage(t *testing.T) {
	b := encode(synthEdges(t, "dial jitter=0.4ms bounce=2:1ms lost=0.02", 300))[0]
	d := new(Decoder)
	for i := range len(b.data) * 8 {
		data := slices.Clone(b.data)
		data[i/8] ^= 0x80 >> (i % 8)
		if got, err := d.Decode(nil, b.h, data); err == nil || len(got) > 0 {
			t.Fatalf("bit %d flipped: %d edges, %v", i, len(got), err)
		}
	}
	for i := range b.data {
		if _, err := d.Decode(nil, b.h, b.data[:i]); err == nil {
			t.Fatalf("cut to %d bytes: no error", i)
		}
	}
	for i, change := range []func(h *Header){
		func(h *Header) { h.Contact++ }, func(h *Header) { h.Session++ }, func(h *Header) { h.Edges-- },
		func(h *Header) { h.First++ }, func(h *Header) { h.Last-- }} {
		h := b.h
		change(&h)
		if _, err := d.Decode(nil, h, b.data); err == nil {
			t.Errorf("change %d of the header: no error", i)
		}
	}
}

// The checksum is CRC-32C as hash/crc32 makes it, over the header's integers
// in little-endian order and the bits.
func TestChecksum(t *testing.T) {
	h := Header{Contact: 1, Session: -2, First: math.MinInt64, Last: 1 << 40, Edges: 5}
	var all []byte
	for _, v := range []int64{1, -2, math.MinInt64, 1 << 40, 5} {
		all = binary.LittleEndian.AppendUint64(all, uint64(v))
	}
	all = append(all, "bits"...)
	if got, want := h.sum([]byte("bits")), crc32.Checksum(all, crc32.MakeTable(crc32.Castagnoli)); got != want {
		t.Errorf("%08x, want %08x", got, want)
	}
}

// checkGarbage decodes what no checksum vouches for.
func checkGarbage(t fataler, d *Decoder, h Header, data []byte) (ok bool) {
	t.Helper()
	got, err := d.edges(nil, h, data)
	if err != nil {
		if len(got) > 0 {
			t.Fatalf("%d edges with error %v", len(got), err)
		}
		return false
	}
	if len(got) != h.Edges || h.Edges > MaxEdges || cap(got) > 2*MaxEdges {
		t.Fatalf("%d edges, room for %d, of %d", len(got), cap(got), h.Edges)
	}
	for i := 1; i < len(got); i++ {
		if got[i].At < got[i-1].At {
			t.Fatalf("edge %d goes back in time", i)
		}
	}
	if again := decodeAll(t, encode(got)); !slices.Equal(got, again) {
		t.Fatal(cmp.Diff(got, again))
	}
	return true
}

func garbageSeeds(t fataler) (all []coded) {
	for _, desc := range []string{"dial jitter=0.4ms", "cadence bounce=3:1ms lost=0.1 jitter=1ms", "cam lobes=5 cycles=9 jitter=0.1ms"} {
		all = append(all, encode(synthEdges(t, desc, 200))[0])
	}
	return all
}

func TestGarbage(t *testing.T) {
	noise := rand.New(rand.NewPCG(3, 3))
	d := new(Decoder)
	taken := 0
	for _, b := range garbageSeeds(t) {
		good := b.data[:len(b.data)-crcBytes]
		for range 20000 {
			data := slices.Clone(good)
			bit := noise.IntN(len(data) * 8)
			data[bit/8] ^= 1 << (bit % 8)
			h := b.h
			// Ends wherever it ends, so that more of it is taken.
			h.Edges = 1 + noise.IntN(b.h.Edges)
			if _, err := d.edges(nil, h, data); err != nil {
				h.Last, data = d.prev, data[:min((d.pos+7)/8, len(data))]
			}
			if checkGarbage(t, d, h, data) {
				taken++
			}
		}
	}
	if taken < 1000 {
		t.Errorf("%d were taken", taken)
	}
}

func FuzzDecode(f *testing.F) {
	for _, b := range garbageSeeds(f) {
		f.Add(int64(b.h.First), int64(b.h.Last), b.h.Edges, b.data)
	}
	f.Fuzz(func(t *testing.T, first, last int64, n int, data []byte) {
		h := Header{First: pulse.Stamp(first), Last: pulse.Stamp(last), Edges: n}
		var d Decoder
		if _, err := d.Decode(nil, h, data); err == nil && len(data) > MaxBytes {
			t.Fatal("took more than a block")
		}
		if len(data) <= bitBytes {
			checkGarbage(t, &d, h, data)
		}
	})
}

func TestAllocations(t *testing.T) {
	edges := synthEdges(t, "dial jitter=0.4ms bounce=3:1ms repeat=3", 1000)
	e, d := new(Encoder), new(Decoder)
	out := make([]pulse.Edge, 0, len(edges))
	data := make([]byte, 0, MaxBytes)
	if n := testing.AllocsPerRun(20, func() {
		*e = Encoder{}
		for _, x := range edges {
			e.Add(x)
		}
		h := e.Header(0, 0)
		data = h.Seal(append(data[:0], e.Data()...))
		if _, err := d.Decode(out, h, data); err != nil {
			t.Error(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations for %d edges", n, len(edges))
	}
}

const busyDial = "dial repeat=endless jitter=0.4ms seed=1"

func BenchmarkEncode(b *testing.B) {
	edges := synthEdges(b, busyDial, 1400)
	e := new(Encoder)
	b.ReportAllocs()
	for b.Loop() {
		*e = Encoder{}
		for _, x := range edges {
			e.Add(x)
		}
	}
	b.ReportMetric(float64(b.N)*float64(e.n)/b.Elapsed().Seconds()/1e6, "Medges/s")
}

func BenchmarkDecode(b *testing.B) {
	x := encode(synthEdges(b, busyDial, 2000))[0]
	d := new(Decoder)
	out := make([]pulse.Edge, 0, MaxEdges)
	b.ReportAllocs()
	for b.Loop() {
		out, _ = d.Decode(out[:0], x.h, x.data)
	}
	b.ReportMetric(float64(b.N)*float64(len(out))/b.Elapsed().Seconds()/1e6, "Medges/s")
}
