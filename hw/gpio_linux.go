package hw

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"strconv"
	"sync"
	"time"

	"github.com/warthog618/go-gpiocdev/uapi"
	"golang.org/x/sys/unix"

	"makebreak/pulse"
)

const (
	eventSize = 48 // sizeof(struct gpio_v2_line_event), the same on every architecture
	readBatch = 64 // events of one read(2)
	// maxBuffer is the most that the kernel keeps for a request of one line
	// (GPIO_V2_LINES_MAX · 16); it keeps 16 unless asked for more.
	maxBuffer = 1024
)

var biasFlags = [...]uapi.LineFlagV2{0, uapi.LineFlagV2BiasPullUp, uapi.LineFlagV2BiasPullDown, uapi.LineFlagV2BiasDisabled}

// An Input is a line of the kernel's GPIO character device, uAPI v2 (Linux
// 5.10). Its edges carry the kernel's CLOCK_MONOTONIC stamp and sequence
// number, and Lost where the kernel's buffer of 1024 events overflowed. There
// is no debouncing. One goroutine may read it; Close may be called from another.
type Input struct {
	ref   LineRef
	f     *os.File
	dec   *eventDecoder
	begin beginning

	mu     sync.Mutex
	done   <-chan struct{} // of the context whose end sets the read deadline
	unhook func() bool
}

var _ Live = (*Input)(nil)

// OpenInput requests a line for both edges. Errors are *OpError.
func OpenInput(ref LineRef, opt InputOptions) (*Input, error) {
	fd, err := request(ref, uapi.LineRequest{
		Config:          uapi.LineConfig{Flags: uapi.LineFlagV2Input | uapi.LineFlagV2EdgeBoth | biasFlags[opt.Bias]},
		EventBufferSize: maxBuffer,
	})
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil { // so that the runtime's poller takes it
		unix.Close(fd)
		return nil, &OpError{"open line", ref.String(), err}
	}
	f := os.NewFile(uintptr(fd), ref.String())
	begin, err := readBeginning(fd)
	if err != nil {
		f.Close()
		return nil, &OpError{"read line", ref.String(), gone(err)}
	}
	return newInput(ref, f, begin), nil
}

func newInput(ref LineRef, f *os.File, begin beginning) *Input {
	return &Input{ref: ref, f: f, dec: newEventDecoder(toTheLast{f}), begin: begin}
}

// toTheLast reads a file that does not block. The runtime's poller fails at a
// deadline without a look at the file; toTheLast looks, and fails only when
// nothing is ready.
type toTheLast struct{ *os.File }

func (f toTheLast) Read(p []byte) (n int, err error) {
	if n, err = f.File.Read(p); !errors.Is(err, os.ErrDeadlineExceeded) {
		return n, err
	}
	c, e := f.SyscallConn()
	if e != nil {
		return 0, e
	}
	var ready error
	if e := c.Control(func(fd uintptr) {
		for ready = unix.EINTR; ready == unix.EINTR; {
			n, ready = unix.Read(int(fd), p)
		}
	}); e != nil {
		return 0, e
	}
	switch {
	case ready == unix.EAGAIN:
		return 0, err
	case ready != nil:
		return 0, ready
	case n == 0:
		return 0, io.EOF
	}
	return n, nil
}

// InitialLevel is the level at Start.
func (l *Input) InitialLevel() pulse.Level { return l.begin.level }

// Start is when watching began; no edge is older.
func (l *Input) Start() pulse.Stamp { return l.begin.from }

// ReadEdges implements Source. When the chip disappears it returns an OpError
// with ErrUnplugged (a waiting read is woken since Linux 6.6, from memory:
// with older kernels only the next read fails).
func (l *Input) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if len(buf) == 0 {
		return 0, nil
	}
	for {
		l.hook(ctx)
		n, err := l.dec.read(buf)
		switch {
		case err == nil:
			if n = l.begin.trim(buf[:n]); n > 0 {
				return n, nil
			}
		case errors.Is(err, os.ErrDeadlineExceeded): // ctx has ended, and nothing is ready
			if err := ctx.Err(); err != nil {
				return 0, err
			}
		default:
			return 0, &OpError{"read line", l.ref.String(), gone(err)}
		}
	}
}

// hook makes the end of ctx end a waiting read. It does so once per context, not
// per call, so that reading allocates nothing.
func (l *Input) hook(ctx context.Context) {
	done := ctx.Done()
	l.mu.Lock()
	defer l.mu.Unlock()
	if done == l.done {
		return
	}
	if l.unhook != nil {
		l.unhook()
		l.unhook = nil
		l.f.SetReadDeadline(time.Time{})
	}
	l.done = done
	if done != nil {
		l.unhook = context.AfterFunc(ctx, func() {
			l.mu.Lock()
			defer l.mu.Unlock()
			if l.done == done {
				l.f.SetReadDeadline(time.Unix(1, 0))
			}
		})
	}
}

// Close gives the line back.
func (l *Input) Close() error {
	l.mu.Lock()
	if l.unhook != nil {
		l.unhook()
		l.unhook = nil
	}
	l.mu.Unlock()
	return l.f.Close()
}

// gone makes ErrUnplugged of the errors by which the kernel reports that a chip
// was removed.
func gone(err error) error {
	if errors.Is(err, unix.ENODEV) || errors.Is(err, unix.EIO) || errors.Is(err, io.EOF) {
		return &advised{ErrUnplugged, ": ", "plug it in again"}
	}
	return err
}

// A beginning is the level of a line when watching began. The line is
// requested first, so that from then on the kernel queues every edge, and then
// the level is read between two readings of the clock. An edge before the
// first reading is older than the start. An edge after it counts, unless it is
// the first one, falls between the two readings and leads to the level that was
// read: then that level includes it already. So the level and the edges agree
// whenever the edges came, to within the few µs between the readings.
type beginning struct {
	from, to pulse.Stamp
	level    pulse.Level
	over     bool
}

func readBeginning(fd int) (beginning, error) {
	best := beginning{level: pulse.Unknown}
	for range 8 { // the readings are a few µs apart, unless they were interrupted
		v := uapi.LineValues{Mask: 1}
		from := Monotonic()
		err := uapi.GetLineValuesV2(uintptr(fd), &v)
		to := Monotonic()
		if err != nil {
			return best, err
		}
		if best.level == pulse.Unknown || to-from < best.to-best.from {
			best = beginning{from: from, to: to, level: pulse.Level(v.Get(0))}
		}
		if to-from < 20_000 {
			break
		}
	}
	return best, nil
}

// trim removes the edges from before the beginning and gives how many stay.
func (b *beginning) trim(e []pulse.Edge) int {
	if b.over {
		return len(e)
	}
	old := 0
	for old < len(e) && e[old].At < b.from {
		old++
	}
	if old < len(e) {
		b.over = true
		if e[old].At <= b.to && e[old].Level == b.level {
			old++
		}
	}
	return copy(e, e[old:])
}

// An eventDecoder turns the kernel's event structs into edges.
type eventDecoder struct {
	r      io.Reader
	err    error
	seq    uint32
	lo, hi int
	buf    [readBatch * eventSize]byte
}

func newEventDecoder(r io.Reader) *eventDecoder { return &eventDecoder{r: r} }

// read waits for at least one event. Errors are those of the reader,
// io.ErrUnexpectedEOF inside a struct, and one of its own for a wrong event.
func (d *eventDecoder) read(out []pulse.Edge) (int, error) {
	for d.hi-d.lo < eventSize {
		if d.err != nil {
			err := d.err
			if err == io.EOF && d.hi > d.lo {
				return 0, io.ErrUnexpectedEOF
			}
			if err != io.EOF {
				d.err = nil // a deadline passes
			}
			return 0, err
		}
		d.hi = copy(d.buf[:], d.buf[d.lo:d.hi])
		d.lo = 0
		var n int
		n, d.err = d.r.Read(d.buf[d.hi:])
		d.hi += n
	}
	n := 0
	for ; n < len(out) && d.hi-d.lo >= eventSize; n++ {
		// timestamp, id, offset, seqno, line_seqno: include/uapi/linux/gpio.h
		b := d.buf[d.lo : d.lo+eventSize]
		id := binary.NativeEndian.Uint32(b[8:])
		seq := binary.NativeEndian.Uint32(b[20:])
		if id-1 > 1 {
			if n > 0 {
				return n, nil // the next call reports it
			}
			return 0, fmt.Errorf("event %d is neither a rising nor a falling edge: kind %d", seq, id)
		}
		out[n] = pulse.Edge{
			At:    pulse.Stamp(binary.NativeEndian.Uint64(b)),
			Seq:   seq,
			Lost:  seq - d.seq - 1, // numbers start at 1 and wrap at 2^32
			Level: pulse.Level(2 - id),
		}
		d.seq = seq
		d.lo += eventSize
	}
	return n, nil
}

// request opens the chip, makes sure that it is the intended one, and requests
// the line.
func request(ref LineRef, req uapi.LineRequest) (fd int, err error) {
	defer func() {
		if err != nil {
			err = &OpError{"open line", ref.String(), err}
		}
	}()
	dev := "/dev/" + ref.Chip
	chip, err := os.Open(dev)
	if err != nil {
		return -1, chipError(dev, err)
	}
	defer chip.Close()
	ci, err := uapi.GetChipInfo(chip.Fd())
	if err != nil {
		return -1, chipError(dev, err)
	}
	if label := uapi.BytesToString(ci.Label[:]); ref.Label != "" && label != ref.Label {
		return -1, &advised{fmt.Errorf("%w: %s is now %q and was %q", ErrNoChip, ref.Chip, label, ref.Label), "; ", "chips were renumbered, find the line again"}
	}
	if ref.Offset < 0 || ref.Offset >= int(ci.Lines) {
		return -1, fmt.Errorf("%w: %s has lines 0 to %d", ErrNoLine, ref.Chip, int(ci.Lines)-1)
	}
	info, err := uapi.GetLineInfoV2(chip.Fd(), ref.Offset)
	if err != nil {
		return -1, lineError(dev, err, info, true)
	}
	copy(req.Consumer[:], "makebreak") // shown to others as the line's user
	req.Lines, req.Offsets[0] = 1, uint32(ref.Offset)
	if err := uapi.GetLine(chip.Fd(), &req); err != nil {
		if now, e := uapi.GetLineInfoV2(chip.Fd(), ref.Offset); e == nil {
			info = now
		}
		return -1, lineError(dev, err, info, false)
	}
	return int(req.Fd), nil
}

// chipError explains why a chip's device node did not answer.
func chipError(dev string, err error) error {
	switch {
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return permission(dev)
	case errors.Is(err, unix.ENOENT):
		return &advised{fmt.Errorf("%w: there is no %s", ErrNoChip, dev), "; ", `"makebreak lines" shows what there is`}
	case errors.Is(err, unix.ENOTTY), errors.Is(err, unix.EISDIR):
		return fmt.Errorf("%w: %s is something else", ErrNoChip, dev)
	case errors.Is(err, unix.ENODEV), errors.Is(err, unix.ENXIO):
		return gone(unix.ENODEV)
	}
	return err
}

// permission says who may open the device node and how to become one of them.
func permission(dev string) error {
	var st unix.Stat_t
	if err := unix.Stat(dev, &st); err != nil {
		return fmt.Errorf("%w on %s", ErrPermission, dev)
	}
	group := strconv.FormatUint(uint64(st.Gid), 10)
	if g, err := user.LookupGroupId(group); err == nil {
		group = g.Name
	}
	if st.Gid == 0 || st.Mode&0o060 != 0o060 {
		return &advised{fmt.Errorf("%w: only root may use %s", ErrPermission, dev), "; ", `run as root or "sudo chown $USER ` + dev + `"`}
	}
	return &advised{fmt.Errorf("%w: %s is for group %s", ErrPermission, dev, group), "; ", `run "sudo usermod -aG ` + group + ` $USER" and log in again`}
}

// lineError explains why a line of an open chip was refused. first is true for
// the first uAPI v2 call, which a kernel that lacks it does not know.
func lineError(dev string, err error, info uapi.LineInfoV2, first bool) error {
	switch {
	case errors.Is(err, unix.EBUSY):
		by := uapi.BytesToString(info.Consumer[:])
		if by == "" {
			by = "the kernel"
		} else {
			by = strconv.Quote(by)
		}
		return &advised{fmt.Errorf("%w by %s", ErrBusy, by), ": ", "stop that use of it or take another line"}
	case first && (errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTTY)):
		return fmt.Errorf("%w: edges with time and number need Linux 5.10, this is %s", ErrOldKernel, release())
	case errors.Is(err, unix.ENODEV):
		return gone(err)
	case errors.Is(err, unix.ENXIO):
		return &advised{fmt.Errorf("%w, so it gives no edges", ErrNoInterrupt), ": ", "take a line of another chip"}
	case errors.Is(err, unix.EACCES), errors.Is(err, unix.EPERM):
		return permission(dev)
	}
	return err
}

func release() string {
	var u unix.Utsname
	if err := unix.Uname(&u); err != nil {
		return "an older one"
	}
	return unix.ByteSliceToString(u.Release[:])
}
