package hw

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"strconv"
	"strings"
	"sync/atomic"

	"makebreak/pulse"
)

// ErrNoEdges is found (errors.Is) in the error of a recording that holds no
// edge of the contact.
var ErrNoEdges = errors.New("no edges")

// A RecordingError says what is wrong with a recording, where, and what was
// expected. It prints like
//
//	edges.csv:17: level is "2": expected 0 or 1
type RecordingError struct {
	File     string // as given by the user
	Line     int    // from 1; 0 when it is about the whole file
	Msg      string
	Expected string // may be empty
	Err      error  // ErrNoEdges or the operating system's error, else nil
}

func (e *RecordingError) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Line > 0 {
		fmt.Fprintf(&b, ":%d", e.Line)
	}
	b.WriteString(": " + e.Msg)
	if e.Expected != "" {
		b.WriteString(": expected " + e.Expected)
	}
	return b.String()
}

func (e *RecordingError) Unwrap() error { return e.Err }

// RecordingOptions say how to read a recording. The zero value reads one that
// holds one contact.
type RecordingOptions struct {
	// Name stands for the file in messages.
	Name string
	// Contact chooses one contact of several: a value of the CSV column
	// contact; a line's name or number in what gpiomon printed; for VCD a variable, with as much of its scopes as it takes to
	// identify it ("dial", "top.dial"). Empty: the recording must hold one only.
	Contact string
	// Choice is the flag that chooses a contact, for messages; empty: --contact.
	Choice string
}

// A Recording is a Source of recorded edges, by its content CSV, VCD or what the
// kernel tools' gpiomon prints. It reads as a stream, in memory that does not grow with the file.
// Its times are at least 0, at most MaxRecordingNS and strictly increasing.
// One goroutine may read it; BytesRead may be called from any.
type Recording struct {
	w        *window
	dec      decoder
	size     int64
	closer   io.Closer
	hasEdges bool
	err      error
}

// MaxRecordingNS is the largest time a recording may hold, 2^62 ns or about
// 146 years, so that the difference of any two times fits an int64.
const MaxRecordingNS int64 = 1 << 62

const (
	// Large enough that system calls are rare, small enough for the second-level
	// cache of a small computer; at least twice maxLine.
	windowBytes = 256 << 10
	// A row has some 20 bytes; a longer line than this is no recording.
	maxLine = 64 << 10
	// More contacts than any cable holds; a bound for memory.
	maxContacts = 1000
	// A bound for memory.
	maxName = 256
	// As many names as fit a message.
	maxListed = 12
)

// A decoder turns the bytes of a window into edges.
type decoder interface {
	// read is ReadEdges, but may return edges with an error.
	read(ctx context.Context, buf []pulse.Edge) (int, error)
	noEdges() *RecordingError
	resolutionNS() float64
	contacts() []string
}

// OpenRecordingFile opens the recording at path, or stdin if path is "-".
// Close closes the file, never stdin. Errors are *RecordingError.
func OpenRecordingFile(path string, stdin io.Reader, opt RecordingOptions) (*Recording, error) {
	if path == "-" {
		if opt.Name == "" {
			opt.Name = "standard input"
		}
		return OpenRecording(stdin, opt)
	}
	if opt.Name == "" {
		opt.Name = path
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fileError(opt.Name, err)
	}
	info, err := f.Stat()
	if err == nil && info.IsDir() {
		err = errDirectory
	}
	if err != nil {
		f.Close()
		return nil, fileError(opt.Name, err)
	}
	r, err := OpenRecording(f, opt)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.closer = f
	if info.Mode().IsRegular() {
		r.size = info.Size()
	}
	return r, nil
}

var errDirectory = errors.New("is a directory")

func fileError(name string, err error) *RecordingError {
	e := &RecordingError{File: name, Err: err, Expected: "a CSV or VCD file"}
	var path *fs.PathError
	switch {
	case errors.Is(err, errDirectory):
		e.Msg = "a directory"
	case errors.Is(err, fs.ErrNotExist):
		e.Msg = "no such file"
	case errors.Is(err, fs.ErrPermission):
		e.Msg = "no permission to read it"
	case errors.As(err, &path):
		e.Msg = path.Err.Error()
	default:
		e.Msg = err.Error()
	}
	return e
}

// OpenRecording finds out the format of r, reads its header and checks the choice
// of a contact as far as the header goes. A file is VCD when its first character
// that is not white space is a $. Errors are *RecordingError. It waits for r; a
// Read that blocks is not interrupted.
func OpenRecording(r io.Reader, opt RecordingOptions) (*Recording, error) {
	if opt.Name == "" {
		opt.Name = "recording"
	}
	w := &window{file: opt.Name, choice: cmp.Or(opt.Choice, "--contact"), r: r, buf: make([]byte, windowBytes), line: 1}
	rec := &Recording{w: w}
	vcd, err := w.sniff()
	if err != nil {
		return nil, err
	}
	if vcd {
		rec.dec, err = newVCDDecoder(w, opt.Contact)
	} else {
		rec.dec, err = newCSVDecoder(w, opt.Contact)
	}
	if err != nil {
		return nil, err
	}
	return rec, nil
}

// ReadEdges gives the next edges, as Source says; buf must not be empty. A
// recording without an edge gives an error that is ErrNoEdges instead of
// io.EOF. Errors in the recording are *RecordingError, and final.
func (r *Recording) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	if r.err != nil {
		return 0, r.err
	}
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	n, err := r.dec.read(ctx, buf)
	r.hasEdges = r.hasEdges || n > 0
	if err == io.EOF && !r.hasEdges {
		err = r.dec.noEdges()
	}
	if err != nil && err != ctx.Err() {
		r.err = err
	}
	if n > 0 {
		err = nil
	}
	return n, err
}

// Close closes the file if OpenRecordingFile opened one.
func (r *Recording) Close() error {
	if r.closer == nil {
		return nil
	}
	return r.closer.Close()
}

// ResolutionNS is the step of the recorded times in ns: 1 for time_ns; for
// time_s that of the most decimals read until now, 0 before the first row; the
// timescale of a VCD file. Edges carry whole ns however fine the step is.
func (r *Recording) ResolutionNS() float64 { return r.dec.resolutionNS() }

// Contacts are the names in the recording, of a CSV file those read until
// now, of a VCD file the variables that may be chosen: 1,000 at most.
func (r *Recording) Contacts() []string { return r.dec.contacts() }

// BytesRead counts the bytes taken from the reader until now.
func (r *Recording) BytesRead() int64 { return r.w.count.Load() }

// Size is the size in bytes, 0 if not known.
func (r *Recording) Size() int64 { return r.size }

// A window is the part of a file that is in memory.
type window struct {
	file     string
	choice   string // flag that chooses a contact
	r        io.Reader
	buf      []byte
	pos, end int // buf[pos:end] is still to be decoded
	line     int // of buf[pos] for VCD, of the last line taken for CSV
	err      error
	count    atomic.Int64
}

func (w *window) rest() []byte { return w.buf[w.pos:w.end] }

// last reports whether nothing follows what is in memory.
func (w *window) last() bool { return w.err == io.EOF }

// fill reads more into a window that is not full. At the end it returns
// io.EOF, or the error that ended reading.
func (w *window) fill(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if w.err == io.EOF {
		return io.EOF
	}
	if w.err != nil {
		e := fileError(w.file, w.err)
		return &RecordingError{File: e.File, Msg: "reading failed: " + e.Msg, Err: w.err}
	}
	if w.pos > 0 {
		w.end = copy(w.buf, w.rest())
		w.pos = 0
	}
	for range 100 {
		n, err := w.r.Read(w.buf[w.end:])
		w.end += n
		w.count.Add(int64(n))
		w.err = err
		if n > 0 || err != nil {
			return nil
		}
	}
	w.err = io.ErrNoProgress
	return nil
}

func (w *window) fail(line int, expected, format string, args ...any) *RecordingError {
	return &RecordingError{File: w.file, Line: line, Msg: fmt.Sprintf(format, args...), Expected: expected}
}

// otherFormats are kinds of files that are given by mistake, by their first
// bytes.
var otherFormats = []struct{ magic, name string }{
	{"\x1f\x8b", "gzip data: unpack it first"},
	{"PK\x03\x04", "a zip archive: unpack it first"},
	{"BZh", "bzip2 data: unpack it first"},
	{"\xfd7zXZ\x00", "xz data: unpack it first"},
	{"\x28\xb5\x2f\xfd", "zstd data: unpack it first"},
	{"\x89PNG", "a PNG image"},
	{"\xff\xd8\xff", "a JPEG image"},
	{"%PDF", "a PDF document"},
	{"\xff\xfe", "UTF-16 text: save it as UTF-8"},
	{"\xfe\xff", "UTF-16 text: save it as UTF-8"},
}

// sniff skips a byte order mark and reports whether the file is VCD.
func (w *window) sniff() (vcd bool, err error) {
	more := func(n int) error {
		for len(w.rest()) < n && !w.last() {
			if err := w.fill(context.Background()); err != nil {
				return err
			}
		}
		return nil
	}
	if err := more(8); err != nil { // the longest magic, and four UTF-16 characters
		return false, err
	}
	const expected = "text of CSV or VCD in UTF-8"
	for _, f := range otherFormats {
		if bytes.HasPrefix(w.rest(), []byte(f.magic)) {
			return false, w.fail(0, expected, "%s", f.name)
		}
	}
	if b := w.rest(); len(b) >= 4 && (b[0] == 0) != (b[1] == 0) && (b[0] == 0) == (b[2] == 0) && (b[1] == 0) == (b[3] == 0) {
		return false, w.fail(0, expected, "UTF-16 text: save it as UTF-8")
	}
	if bytes.HasPrefix(w.rest(), []byte("\xef\xbb\xbf")) {
		w.pos += 3
	}
	for n := 1; n <= maxLine; n++ {
		if err := more(n); err != nil {
			return false, err
		}
		if b := w.rest(); len(b) < n {
			return false, w.fail(0, "a header and edges", "the file is empty")
		} else if !isSpace(b[n-1]) {
			return b[n-1] == '$', nil
		}
	}
	return false, nil
}

func isSpace(c byte) bool { return c == ' ' || c >= '\t' && c <= '\r' }

// quote shows input in a message, cut to a readable length.
func quote[T []byte | string](b T) string {
	const most = 40
	if len(b) > most {
		return strconv.Quote(string(b[:most])) + "…"
	}
	return strconv.Quote(string(b))
}

// list shows the names that one may choose from, and how many of total are left
// out.
func list(names []string, total int) string {
	shown := names[:min(len(names), maxListed)]
	var b strings.Builder
	for i, name := range shown {
		if i > 0 {
			b.WriteString(", ")
		}
		b.WriteString(quote(name))
	}
	if more := total - len(shown); more > 0 {
		fmt.Fprintf(&b, " and %d more", more)
	}
	return b.String()
}

// decimalNS gives the decimal number whole.frac times 10^exp, rounded to the
// nearest ns (half up), and false if it is more than MaxRecordingNS. Both
// parts hold digits only.
func decimalNS(whole, frac []byte, exp int) (ns int64, ok bool) {
	digit := func(i int) uint64 { // of whole, frac and zeros without end
		switch {
		case i < len(whole):
			return uint64(whole[i] - '0')
		case i < len(whole)+len(frac):
			return uint64(frac[i-len(whole)] - '0')
		}
		return 0
	}
	v, kept := uint64(0), len(whole)+exp
	for i := range kept {
		if v > uint64(MaxRecordingNS)/10 {
			return 0, false
		}
		v = v*10 + digit(i)
	}
	if kept >= 0 && digit(kept) >= 5 {
		v++
	}
	return int64(v), v <= uint64(MaxRecordingNS)
}

// allDigits reports whether b is one or more decimal digits.
func allDigits(b []byte) bool {
	for _, c := range b {
		if c < '0' || c > '9' {
			return false
		}
	}
	return len(b) > 0
}
