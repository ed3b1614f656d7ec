package hw

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/iotest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"

	"makebreak/pulse"
)

// event encodes a struct gpio_v2_line_event by the kernel library's own type.
func event(at uint64, id uapi.LineEventID, seq uint32) []byte {
	var b bytes.Buffer
	e := uapi.LineEvent{Timestamp: at, ID: id, Offset: 3, Seqno: seq + 100, LineSeqno: seq}
	if err := binary.Write(&b, binary.NativeEndian, &e); err != nil {
		panic(err)
	}
	return b.Bytes()
}

func events(es ...[]byte) []byte { return bytes.Join(es, nil) }

const (
	rise = uapi.LineEventRisingEdge
	fall = uapi.LineEventFallingEdge
)

func decodeAll(d *eventDecoder, size int) (out []pulse.Edge, err error) {
	buf := make([]pulse.Edge, size)
	for {
		n, err := d.read(buf)
		out = append(out, buf[:n]...)
		if err != nil {
			return out, err
		}
	}
}

func TestEventDecoder(t *testing.T) {
	long := make([][]byte, 500)
	var longWant []pulse.Edge
	for i := range long {
		long[i] = event(uint64(i)<<33, []uapi.LineEventID{rise, fall}[i%2], uint32(i+1))
		longWant = append(longWant, pulse.Edge{At: pulse.Stamp(i) << 33, Seq: uint32(i + 1), Level: pulse.Level(1 - i%2)})
	}
	for name, c := range map[string]struct {
		in   []byte
		seq  uint32 // of an event before
		want []pulse.Edge
		err  error
	}{
		"empty":       {nil, 0, nil, io.EOF},
		"in sequence": {events(event(5, rise, 1), event(9, fall, 2)), 0, []pulse.Edge{{At: 5, Seq: 1, Level: 1}, {At: 9, Seq: 2}}, io.EOF},
		"gaps": {events(event(5, rise, 977), event(9, fall, 978), event(10, fall, 980)), 0,
			[]pulse.Edge{{At: 5, Seq: 977, Lost: 976, Level: 1}, {At: 9, Seq: 978}, {At: 10, Seq: 980, Lost: 1}}, io.EOF},
		"wrap": {events(event(5, rise, 1<<32-1), event(9, fall, 0), event(11, rise, 1)), 1<<32 - 2,
			[]pulse.Edge{{At: 5, Seq: 1<<32 - 1, Level: 1}, {At: 9, Seq: 0}, {At: 11, Seq: 1, Level: 1}}, io.EOF},
		"gap over the wrap": {event(5, rise, 2), 1<<32 - 2, []pulse.Edge{{At: 5, Seq: 2, Lost: 3, Level: 1}}, io.EOF},
		"cut":               {events(event(5, rise, 1), event(9, fall, 2)[:47]), 0, []pulse.Edge{{At: 5, Seq: 1, Level: 1}}, io.ErrUnexpectedEOF},
		"many":              {events(long...), 0, longWant, io.EOF},
	} {
		for how, reader := range map[string]func(io.Reader) io.Reader{
			"whole": func(r io.Reader) io.Reader { return r }, "halves": iotest.HalfReader, "bytes": iotest.OneByteReader, "data with its end": iotest.DataErrReader,
		} {
			for _, size := range []int{1, 3, 64, 1000} {
				d := newEventDecoder(reader(bytes.NewReader(c.in)))
				d.seq = c.seq
				got, err := decodeAll(d, size)
				if diff := cmp.Diff(c.want, got); diff != "" || err != c.err {
					t.Errorf("%s, in %s, %d at once: %v\n%s", name, how, size, err, diff)
				}
			}
		}
	}
	d := newEventDecoder(bytes.NewReader(events(event(5, rise, 1), event(9, 3, 2))))
	got, err := decodeAll(d, 64)
	if len(got) != 1 || err == nil || !strings.Contains(err.Error(), "event 2") {
		t.Errorf("unknown kind: %v, %v", got, err)
	}
}

func FuzzEventDecoder(f *testing.F) {
	f.Add(events(event(5, rise, 1), event(9, fall, 4)), 2)
	f.Add(event(5, 7, 1)[:20], 1)
	f.Fuzz(func(t *testing.T, b []byte, size int) {
		if size < 1 || size > 100 {
			return
		}
		one, err1 := decodeAll(newEventDecoder(bytes.NewReader(b)), size)
		other, err2 := decodeAll(newEventDecoder(iotest.HalfReader(bytes.NewReader(b))), 64)
		if diff := cmp.Diff(one, other); diff != "" || err1.Error() != err2.Error() {
			t.Fatalf("%v, %v\n%s", err1, err2, diff)
		}
		sum, last := uint32(0), uint32(0)
		for _, e := range one {
			sum += e.Lost + 1
			last = e.Seq
		}
		if sum != last || len(one) > len(b)/eventSize {
			t.Fatalf("%d edges; counted to %d, numbered to %d", len(one), sum, last)
		}
	})
}

// What was read as the level at the start, and when, against the edges that
// the kernel queued meanwhile: whatever their order, the level at Start and the
// edges that are given must alternate.
func TestBeginning(t *testing.T) {
	const from, to = 100, 110
	lo, hi := func(at pulse.Stamp) pulse.Edge { return pulse.Edge{At: at} }, func(at pulse.Stamp) pulse.Edge { return pulse.Edge{At: at, Level: 1} }
	for name, c := range map[string]struct {
		level    pulse.Level // that was read between from and to
		in, want []pulse.Edge
	}{
		"later":                         {0, []pulse.Edge{hi(200), lo(300)}, []pulse.Edge{hi(200), lo(300)}},
		"before":                        {1, []pulse.Edge{hi(99), lo(200)}, []pulse.Edge{lo(200)}},
		"several before":                {0, []pulse.Edge{hi(97), lo(98), hi(200)}, []pulse.Edge{hi(200)}},
		"inside, before the reading":    {1, []pulse.Edge{hi(101), lo(200)}, []pulse.Edge{lo(200)}},
		"inside, after the reading":     {0, []pulse.Edge{hi(109), lo(200)}, []pulse.Edge{hi(109), lo(200)}},
		"one before and one inside":     {0, []pulse.Edge{hi(99), lo(101), hi(200)}, []pulse.Edge{hi(200)}},
		"inside, around the reading":    {1, []pulse.Edge{hi(101), lo(109), hi(200)}, []pulse.Edge{lo(109), hi(200)}},
		"two inside before the reading": {0, []pulse.Edge{hi(101), lo(105), hi(200)}, []pulse.Edge{hi(101), lo(105), hi(200)}},
		"at the first reading":          {1, []pulse.Edge{hi(100), lo(200)}, []pulse.Edge{lo(200)}},
		"at the second reading":         {0, []pulse.Edge{hi(110), lo(200)}, []pulse.Edge{hi(110), lo(200)}},
		"loss after the start is kept":  {1, []pulse.Edge{hi(200), lo(300)}, []pulse.Edge{hi(200), lo(300)}},
	} {
		for _, size := range []int{1, 2, 8} {
			b := beginning{from: from, to: to, level: c.level}
			var got []pulse.Edge
			for in := c.in; len(in) > 0; {
				batch := append([]pulse.Edge(nil), in[:min(size, len(in))]...)
				in = in[len(batch):]
				got = append(got, batch[:b.trim(batch)]...)
			}
			if d := cmp.Diff(c.want, got); d != "" {
				t.Errorf("%s, %d at once: %s", name, size, d)
			}
		}
	}
}

// piped is an Input whose events come through a pipe.
func piped(t testing.TB) (*Input, *os.File) {
	t.Helper()
	r, w, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	l := newInput(LineRef{Chip: "gpiochip1", Offset: 3}, r, beginning{from: 1, to: 1})
	t.Cleanup(func() { l.Close(); w.Close() })
	return l, w
}

func TestInputContext(t *testing.T) {
	l, w := piped(t)
	buf := make([]pulse.Edge, 8)
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	for _, when := range []string{"while it waits", "before"} {
		if n, err := l.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
			t.Errorf("context ends %s: %d, %v", when, n, err)
		}
	}
	// What lies ready is given all the same, until nothing is left.
	if _, err := w.Write(event(5, rise, 1)); err != nil {
		t.Fatal(err)
	}
	if n, err := l.ReadEdges(ctx, buf); n != 1 || err != nil {
		t.Errorf("read of what is ready: %d, %v", n, err)
	}
	if n, err := l.ReadEdges(ctx, buf); n != 0 || err != context.DeadlineExceeded {
		t.Errorf("read of nothing more: %d, %v", n, err)
	}
	if _, err := w.Write(event(6, fall, 2)); err != nil {
		t.Fatal(err)
	}
	done, end := context.WithCancel(t.Context())
	end()
	if n, err := l.ReadEdges(done, buf); n != 1 || err != nil {
		t.Errorf("first read by a context that is done: %d, %v", n, err)
	}
	if _, err := w.Write(event(7, rise, 3)); err != nil {
		t.Fatal(err)
	}
	if n, err := l.ReadEdges(t.Context(), buf); n != 1 || err != nil {
		t.Errorf("read after it: %d, %v", n, err)
	}
	if n, err := l.ReadEdges(t.Context(), nil); n != 0 || err != nil {
		t.Errorf("read of nothing: %d, %v", n, err)
	}
	ended := make(chan error)
	go func() {
		_, err := l.ReadEdges(context.Background(), buf)
		ended <- err
	}()
	l.Close()
	if err := <-ended; !errors.Is(err, os.ErrClosed) {
		t.Errorf("closed: %v", err)
	}
}

func TestInputGone(t *testing.T) {
	l, w := piped(t)
	w.Close()
	_, err := l.ReadEdges(t.Context(), make([]pulse.Edge, 8))
	var op *OpError
	if !errors.Is(err, ErrUnplugged) || !errors.As(err, &op) || op.Op != "read line" || op.Line != "gpiochip1:3" {
		t.Errorf("%#v", err)
	}
	if got, want := err.Error(), `read line "gpiochip1:3": GPIO chip is gone: plug it in again`; got != want {
		t.Errorf("says %q, want %q", got, want)
	}
}

func TestReadAllocations(t *testing.T) {
	l, w := piped(t)
	buf := make([]pulse.Edge, 64)
	seq := uint32(0)
	batch := make([]byte, 0, 16*eventSize)
	ctx := t.Context()
	edges := testing.AllocsPerRun(200, func() {
		batch = batch[:0]
		for range 16 {
			seq++
			batch = append(batch, make([]byte, eventSize)...)
			b := batch[len(batch)-eventSize:]
			binary.NativeEndian.PutUint64(b, uint64(seq))
			binary.NativeEndian.PutUint32(b[8:], 1+seq%2)
			binary.NativeEndian.PutUint32(b[20:], seq)
		}
		if _, err := w.Write(batch); err != nil {
			t.Fatal(err)
		}
		for n := 0; n < 15; { // the first of all belongs to the past
			k, err := l.ReadEdges(ctx, buf)
			if err != nil {
				t.Fatal(err)
			}
			n += k
		}
	})
	if edges != 0 {
		t.Errorf("%v allocations for 16 edges", edges)
	}
}

func TestReasons(t *testing.T) {
	dir := t.TempDir()
	node := func(mode os.FileMode) string {
		p := filepath.Join(dir, "gpiochip0")
		os.Remove(p)
		if err := os.WriteFile(p, nil, mode); err != nil {
			t.Fatal(err)
		}
		return p
	}
	var held uapi.LineInfoV2
	copy(held.Consumer[:], "ring relay")
	for name, c := range map[string]struct {
		err  error
		want error
		says string
	}{
		"busy":               {lineError("d", unix.EBUSY, held, false), ErrBusy, `line is in use by "ring relay": stop that use of it or take another line`},
		"busy, kernel":       {lineError("d", unix.EBUSY, uapi.LineInfoV2{}, false), ErrBusy, "line is in use by the kernel: stop that use of it or take another line"},
		"old kernel":         {lineError("d", unix.EINVAL, uapi.LineInfoV2{}, true), ErrOldKernel, "kernel too old: edges with time and number need Linux 5.10, this is " + release()},
		"gone on request":    {lineError("d", unix.ENODEV, uapi.LineInfoV2{}, false), ErrUnplugged, "GPIO chip is gone: plug it in again"},
		"no interrupt":       {lineError("d", unix.ENXIO, uapi.LineInfoV2{}, false), ErrNoInterrupt, "line cannot interrupt, so it gives no edges: take a line of another chip"},
		"other":              {lineError("d", unix.EINVAL, uapi.LineInfoV2{}, false), unix.EINVAL, "invalid argument"},
		"no node":            {chipError("/dev/gpiochip7", unix.ENOENT), ErrNoChip, `no such GPIO chip: there is no /dev/gpiochip7; "makebreak lines" shows what there is`},
		"another device":     {chipError("/dev/null", unix.ENOTTY), ErrNoChip, "no such GPIO chip: /dev/null is something else"},
		"gone on open":       {chipError("d", unix.ENODEV), ErrUnplugged, "GPIO chip is gone: plug it in again"},
		"forbidden, no node": {chipError("/nowhere", unix.EACCES), ErrPermission, "no permission on /nowhere"},
		"forbidden to all":   {chipError(node(0o600), unix.EACCES), ErrPermission, "no permission: only root may use " + dir + `/gpiochip0; run as root or "sudo chown $USER ` + dir + `/gpiochip0"`},
		"hang-up":            {gone(unix.EIO), ErrUnplugged, "GPIO chip is gone: plug it in again"},
	} {
		if !errors.Is(c.err, c.want) || c.err.Error() != c.says {
			t.Errorf("%s: %q is %v, want %q", name, c.err, errors.Is(c.err, c.want), c.says)
		}
	}
	if _, err := OpenInput(LineRef{Chip: "null"}, InputOptions{}); !errors.Is(err, ErrNoChip) {
		t.Errorf("a device that is no chip: %v", err)
	}
	if _, err := OpenOutput(LineRef{Chip: "nothing"}, pulse.Low); !errors.Is(err, ErrNoChip) {
		t.Errorf("no device: %v", err)
	}
}

func BenchmarkEventsThroughPipe(b *testing.B) {
	l, w := piped(b)
	chunk := make([]byte, 0, 64*eventSize)
	for i := range 64 {
		chunk = append(chunk, event(uint64(i+2), uapi.LineEventID(1+i%2), uint32(i+1))...)
	}
	go func() {
		for {
			if _, err := w.Write(chunk); err != nil {
				return
			}
		}
	}()
	buf := make([]pulse.Edge, 64)
	ctx := b.Context()
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		k, err := l.ReadEdges(ctx, buf)
		if err != nil {
			b.Fatal(err)
		}
		n += k
	}
	b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "edges/s")
	b.ReportMetric(float64(n)/float64(b.N), "edges/op")
}

// What to do is told apart from what was found, and in one line with it.
func TestRemedy(t *testing.T) {
	for _, c := range []struct {
		err           error
		found, remedy string
	}{
		{&OpError{"open line", "HOOK", lineError("/dev/gpiochip0", unix.EBUSY, uapi.LineInfoV2{}, false)},
			"line is in use by the kernel", "stop that use of it or take another line"},
		{chipError("/dev/gpiochip9", unix.ENOENT), "no such GPIO chip: there is no /dev/gpiochip9", `"makebreak lines" shows what there is`},
		{&OpError{"read line", "HOOK", gone(unix.ENODEV)}, "GPIO chip is gone", "plug it in again"},
		{&OpError{"open line", "HOOK", ErrNoLine}, "no such line", ""},
		{unix.EMFILE, "too many open files", ""},
	} {
		if found, remedy := Remedy(c.err); found != c.found || remedy != c.remedy {
			t.Errorf("%v: %q, %q", c.err, found, remedy)
		}
		if text := c.err.Error(); !strings.Contains(text, c.found) || !strings.HasSuffix(text, c.remedy) {
			t.Errorf("not in one line: %s", text)
		}
	}
	if err := lineError("", unix.EBUSY, uapi.LineInfoV2{}, false); !errors.Is(err, ErrBusy) || err.Error() != "line is in use by the kernel: stop that use of it or take another line" {
		t.Errorf("%v", err)
	}
}
