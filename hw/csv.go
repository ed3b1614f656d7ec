package hw

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math"
	"math/bits"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"makebreak/pulse"
)

// Recorded edges as CSV: one header line, then one edge a line. The columns, in
// any order, are time_ns (whole ns) or time_s (decimal seconds), level (0 or 1
// after the edge), and optionally contact (its name) and seq (the kernel's
// sequence number modulo 2^32, per contact or over all: see sequence.go). Fields
// may be quoted as in RFC 4180. The text is UTF-8 with or without a byte order
// mark; lines end with LF or CRLF, and the last line end may be missing. Lines
// that begin with # are comments; empty lines may stand at the end only. Two
// edges of one level are no error: edges are missing there.

type csvColumn uint8

const (
	columnTimeNS csvColumn = iota
	columnTimeS
	columnLevel
	columnContact
	columnSeq
	csvColumns // how many a header may name
	columnTime // seconds, in a line of gpiomon
)

func (c csvColumn) String() string {
	return [...]string{"time_ns", "time_s", "level", "contact", "seq", csvColumns: "", columnTime: "time"}[c]
}

func (c csvColumn) expected() string {
	return [...]string{
		"whole nanoseconds, 0 or more",
		"decimal seconds, 0 or more, such as 12.0345",
		"0 or 1",
		"a name of at most 256 bytes",
		"a whole number up to 4294967295",
		columnTime: "decimal seconds, such as 123.456789012 (gpiomon without an option for its times)",
	}[c]
}

const csvHeader = "a header line of time_ns or time_s, level, and if wanted contact and seq, separated by commas"

type csvDecoder struct {
	*window
	chosen  string
	columns []csvColumn
	time    csvColumn // columnTimeNS, columnTimeS or columnTime
	hasSeq  bool
	monitor monitorForm // the lines are gpiomon's
	// direct says that the columns are time_ns,level: rows can be read without
	// splitting fields.
	direct bool

	sequence sequence
	numbers  numbering
	judged   int64 // rows that were examined to find out the sequence

	decimals int         // most decimals of time_s so far, -1 before the first row
	sole     *csvContact // the only contact, where there is no contact column
	byName   map[string]*csvContact
	names    []string
	fields   [csvColumns][]byte
	unquoted []byte
	cut      bool // the current line has no line end
	blank    int  // number of the first empty line, 0 if none
}

// A csvContact holds what the next row of a contact is checked against.
type csvContact struct {
	name string
	at   int64 // -1 before the first row
	lastRow
}

func newCSVDecoder(w *window, contact string) (*csvDecoder, error) {
	d := &csvDecoder{window: w, chosen: contact, decimals: -1, byName: map[string]*csvContact{}}
	w.line = 0
	for {
		begin := w.pos
		line, ok, err := d.nextLine()
		if err != nil {
			return nil, err
		}
		if !ok {
			if err := d.fill(context.Background()); err == io.EOF {
				return nil, d.fail(0, csvHeader, "comments only")
			} else if err != nil {
				return nil, err
			}
			continue
		}
		if err := d.checkText(line); err != nil {
			return nil, err
		}
		if len(line) == 0 {
			return nil, d.fail(d.line, csvHeader, "an empty line")
		}
		if form := monitorFormOf(line); form != notMonitor {
			d.readMonitor(form)
			w.pos, w.line = begin, w.line-1 // the line is a row
			return d, nil
		}
		if line[0] != '#' {
			return d, d.readHeader(line)
		}
	}
}

func (d *csvDecoder) readHeader(line []byte) error {
	n, err := d.split(line)
	if err != nil {
		return err
	}
	var has [csvColumns]bool
	for _, field := range d.fields[:min(n, len(d.fields))] {
		c := csvColumn(0)
		for c < csvColumns && c.String() != string(field) {
			c++
		}
		if c == csvColumns {
			return d.unknownColumn(line, field, min(n, len(d.fields)))
		}
		if has[c] {
			return d.fail(d.line, "each column once", "column %s comes twice", c)
		}
		has[c] = true
		d.columns = append(d.columns, c)
	}
	if n > len(d.fields) {
		return d.fail(d.line, csvHeader, "%d columns", n)
	}
	if has[columnTimeNS] && has[columnTimeS] {
		return d.fail(d.line, "one of them", "both time_ns and time_s")
	}
	if !has[columnTimeNS] && !has[columnTimeS] {
		return d.fail(d.line, csvHeader, "no column time_ns or time_s%s", d.cutRemark())
	}
	if !has[columnLevel] {
		return d.fail(d.line, csvHeader, "no column level%s", d.cutRemark())
	}
	if has[columnTimeS] {
		d.time = columnTimeS
	}
	d.hasSeq = has[columnSeq]
	if !has[columnContact] {
		if d.chosen != "" {
			return d.fail(d.line, "one, or no contact to be chosen", "no column contact to find %s in", quote(d.chosen))
		}
		d.sole = &csvContact{at: -1}
		d.byName[""] = d.sole
	}
	d.direct = slices.Equal(d.columns, []csvColumn{columnTimeNS, columnLevel})
	return nil
}

// unknownColumn is the error of a header with a field that names no column, or of
// a line that is no header; d.fields holds its n fields.
func (d *csvDecoder) unknownColumn(line, field []byte, n int) error {
	for _, sep := range []struct{ char, name string }{{";", "semicolons"}, {"\t", "tabs"}} {
		if bytes.Contains(line, []byte(sep.char)) {
			return d.fail(d.line, "commas between the columns and a point in decimals: save the file so", "%s between the columns", sep.name)
		}
	}
	data := true
	for _, f := range d.fields[:n] {
		_, err := strconv.ParseFloat(string(bytes.TrimSpace(f)), 64)
		data = data && err == nil
	}
	if data {
		return d.fail(d.line, "a header before it, time_s,level or time_ns,level", "the first line is data")
	}
	return d.fail(d.line, columnFor(field), "column %s is not known%s", quote(field), d.cutRemark())
}

// columnFor guesses which column a wrong name is meant for.
func columnFor(field []byte) string {
	name := strings.ToLower(string(bytes.TrimSpace(field)))
	for c := range csvColumns {
		if c.String() == name {
			return c.String() + ", in small letters and without blanks"
		}
	}
	const (
		seconds = "time_s, in seconds"
		ns      = "time_ns, in whole nanoseconds"
	)
	unit, isTime := strings.CutPrefix(name, "time")
	switch unit = strings.Trim(unit, " _-()[]/"); {
	case !isTime:
		return csvHeader
	case unit == "s" || unit == "sec" || unit == "second" || unit == "seconds":
		return seconds
	case unit == "ns" || unit == "nanoseconds":
		return ns
	case unit == "ms" || unit == "us" || unit == "µs" || unit == "μs":
		return seconds + ", or " + ns + ": convert the times"
	}
	return seconds + ", or " + ns
}

func (d *csvDecoder) read(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	for n < len(buf) {
		if d.direct && d.blank == 0 {
			if n += d.readDirect(buf[n:]); n == len(buf) {
				break
			}
		}
		line, ok, err := d.nextLine()
		if err != nil {
			return n, err
		}
		if !ok {
			if n > 0 {
				break
			}
			if err := d.fill(ctx); err != nil {
				return 0, err
			}
			continue
		}
		wanted, err := d.readRow(line, &buf[n])
		if err != nil {
			return n, err
		}
		if wanted {
			n++
		}
	}
	return n, nil
}

// The longest row that readDirect takes: 18 digits, comma, level, CR, LF.
const directRow = 24

// readDirect reads rows of time_ns,level until out is full, the window has no
// more whole ones, or one comes that readRow must see. It takes eight digits
// at a time: a byte is a digit if it differs from '0' by at most 9.
func (d *csvDecoder) readDirect(out []pulse.Edge) (n int) {
	const zeros = 0x3030303030303030
	b, i, contact := d.rest(), 0, d.sole
	last := contact.at
	for n < len(out) && len(b)-i >= directRow {
		row := (*[directRow]byte)(b[i:])
		word := binary.LittleEndian.Uint64(row[:]) ^ zeros
		digits := leadingDigits(word)
		v := eightDigits(word << (64 - 8*digits))
		if digits == 8 {
			word = binary.LittleEndian.Uint64(row[8:]) ^ zeros
			k := leadingDigits(word)
			v = v*pow10[k] + eightDigits(word<<(64-8*k))
			digits += k
			if k == 8 {
				word = binary.LittleEndian.Uint64(row[16:]) ^ zeros
				k = leadingDigits(word)
				v = v*pow10[k] + eightDigits(word<<(64-8*k))
				if digits += k; digits > 18 {
					break
				}
			}
		}
		at, level := int64(v), row[digits+1]-'0'
		if digits == 0 || row[digits] != ',' || level > 1 || at <= last {
			break
		}
		end := digits + 2
		if row[end] == '\r' {
			end++
		}
		if row[end] != '\n' {
			break
		}
		i += end + 1
		last = at
		out[n] = pulse.Edge{At: pulse.Stamp(at), Level: pulse.Level(level)}
		n++
	}
	if n > 0 {
		contact.at = last
		d.pos += i
		d.line += n
	}
	return n
}

var pow10 = [9]uint64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8}

// leadingDigits counts the bytes of word, first in memory lowest, up to the
// first above 9.
func leadingDigits(word uint64) int {
	const low7 = 0x7f7f7f7f7f7f7f7f
	above := (word&low7 + 0x7676767676767676 | word) &^ low7
	return bits.TrailingZeros64(above) / 8
}

// eightDigits joins eight bytes of 0 to 9, the first digit lowest: pairs,
// then pairs of pairs, then all.
func eightDigits(word uint64) uint64 {
	const mask = 0x000000ff000000ff
	word = word*10 + word>>8
	return (word&mask*(100+1000000<<32) + word>>16&mask*(1+10000<<32)) >> 32
}

// nextLine takes the next line, without its end, or gives false if the window
// does not hold a whole one.
func (d *csvDecoder) nextLine() (line []byte, ok bool, err error) {
	b := d.rest()
	i := bytes.IndexByte(b[:min(len(b), maxLine+1)], '\n')
	switch {
	case i >= 0:
		d.pos += i + 1
		line, d.cut = b[:i], false
	case len(b) > maxLine:
		d.line++
		return nil, false, d.fail(d.line, "at most 65536 bytes", "the line is too long")
	case len(b) > 0 && d.last():
		d.pos = d.end
		line, d.cut = b, true
	default:
		return nil, false, nil
	}
	d.line++
	return bytes.TrimSuffix(line, []byte("\r")), true, nil
}

func (d *csvDecoder) checkText(line []byte) error {
	if bytes.IndexByte(line, 0) >= 0 {
		return d.fail(d.line, "text of CSV in UTF-8", "a NUL byte")
	}
	if !utf8.Valid(line) {
		return d.fail(d.line, "text of CSV in UTF-8", "not UTF-8")
	}
	return nil
}

func (d *csvDecoder) cutRemark() string {
	if d.cut {
		return " (the file seems to be cut off here)"
	}
	return ""
}

// split counts the fields of line and puts them, without quotes, into d.fields,
// as many as fit.
func (d *csvDecoder) split(line []byte) (n int, err error) {
	if d.monitor != notMonitor {
		return d.splitMonitor(line)
	}
	d.unquoted = d.unquoted[:0]
	for more := true; more; n++ {
		var field []byte
		if len(line) > 0 && line[0] == '"' {
			start := len(d.unquoted)
			for {
				part, after, closed := bytes.Cut(line[1:], []byte{'"'})
				if !closed {
					return 0, d.fail(d.line, `a " at the end of the field`, "a quoted field does not end%s", d.cutRemark())
				}
				d.unquoted = append(d.unquoted, part...)
				line = after
				if len(line) == 0 || line[0] != '"' {
					break
				}
				d.unquoted = append(d.unquoted, '"')
			}
			field = d.unquoted[start:]
			if more = len(line) > 0; more && line[0] != ',' {
				return 0, d.fail(d.line, "a comma", "%s after a quoted field", quote(line))
			} else if more {
				line = line[1:]
			}
		} else {
			i, quotes := 0, false
			for i < len(line) && line[i] != ',' {
				quotes = quotes || line[i] == '"'
				i++
			}
			if field = line[:i]; quotes {
				return 0, d.fail(d.line, `quotes around the whole field, a quote in it doubled`, "a quote inside %s", quote(field))
			}
			if more = i < len(line); more {
				line = line[i+1:]
			}
		}
		if n < len(d.fields) {
			d.fields[n] = field
		}
	}
	return n, nil
}

// readRow reads any line below the header, and reports whether it holds an edge
// of the wanted contact.
func (d *csvDecoder) readRow(line []byte, e *pulse.Edge) (wanted bool, err error) {
	if len(line) == 0 {
		if d.blank == 0 {
			d.blank = d.line
		}
		return false, nil
	}
	if line[0] == '#' {
		return false, d.checkText(line)
	}
	if d.blank > 0 {
		return false, d.fail(d.blank, "them at the end only", "an empty line")
	}
	contact, err := d.readFields(line, e)
	if err != nil {
		if text := d.checkText(line); text != nil {
			err = text
		}
		return false, err
	}
	if d.hasSeq {
		if err := d.number(contact, e); err != nil { // it reads ahead: line is no more
			return false, err
		}
	}
	contact.at = int64(e.At)
	return d.chosen == "" || d.chosen == contact.name, nil
}

// readFields reads a row but for what its sequence number means.
func (d *csvDecoder) readFields(line []byte, e *pulse.Edge) (contact *csvContact, err error) {
	n, err := d.split(line)
	if err != nil {
		return nil, err
	}
	if n != len(d.columns) {
		return nil, d.columnsError(n)
	}
	contact = d.sole
	at, time := int64(0), []byte(nil)
	*e = pulse.Edge{}
	for i, c := range d.columns {
		field, ok := d.fields[i], true
		if len(field) == 0 {
			return nil, d.fail(d.line, c.expected(), "%s is empty%s", c, d.cutRemark())
		}
		switch c {
		case columnTimeNS, columnTimeS, columnTime:
			whole, frac := field, field[:0]
			if point := bytes.IndexByte(field, '.'); point >= 0 && c != columnTimeNS {
				whole, frac = field[:point], field[point+1:]
				ok = allDigits(frac)
			}
			if ok = ok && allDigits(whole); ok {
				d.decimals = max(d.decimals, len(frac))
				if at, ok = decimalNS(whole, frac, d.exponent()); !ok {
					return nil, d.fail(d.line, "at most "+d.timeText(MaxRecordingNS, 9), "%s is %s", c, quote(field))
				}
				time = field
			} else if bytes.IndexByte(field, ',') >= 0 {
				return nil, d.fail(d.line, "a decimal point", "%s is %s, with a decimal comma", c, quote(field))
			}
		case columnLevel:
			e.Level, ok = levelOf(field)
		case columnContact:
			ok = len(field) <= maxName
			if contact = d.byName[string(field)]; ok && contact == nil {
				if err = d.checkText(field); err == nil {
					contact, err = d.addContact(string(field))
				}
				if err != nil {
					return nil, err
				}
			}
		case columnSeq:
			e.Seq, ok = seqOf(field)
		}
		if !ok {
			return nil, d.fail(d.line, c.expected(), "%s is %s", c, quote(field))
		}
	}
	if at <= contact.at {
		if at == contact.at {
			return nil, d.equalTimes(contact, time)
		}
		return nil, d.orderError(contact, d.time, string(time), d.timeText(contact.at, d.decimals))
	}
	e.At = pulse.Stamp(at)
	return contact, nil
}

// levelOf reads a level.
func levelOf(field []byte) (l pulse.Level, ok bool) {
	if len(field) != 1 || field[0]-'0' > byte(pulse.High) {
		return 0, false
	}
	return pulse.Level(field[0] - '0'), true
}

// seqOf reads a sequence number.
func seqOf(field []byte) (seq uint32, ok bool) {
	if !allDigits(field) {
		return 0, false
	}
	n, ok := decimalNS(field, nil, 0)
	return uint32(n), ok && n <= math.MaxUint32
}

func (d *csvDecoder) columnsError(n int) error {
	names := make([]string, len(d.columns))
	for i, c := range d.columns {
		names[i] = c.String()
	}
	plural, hint := "s", ""
	if n == 1 {
		plural = ""
	}
	switch {
	case n < len(names):
		hint = d.cutRemark()
	case d.time == columnTimeS && n == len(names)+1:
		hint = " (a decimal comma? write a point)"
	}
	return d.fail(d.line, fmt.Sprintf("%d (%s)", len(names), strings.Join(names, ",")), "%d column%s%s", n, plural, hint)
}

func (d *csvDecoder) orderError(contact *csvContact, c csvColumn, this, before string) *RecordingError {
	of := ""
	if contact.name != "" {
		of = " of " + quote(contact.name)
	}
	return d.fail(d.line, "a greater one in each row"+of, "%s %s after %s%s", c, this, before, d.cutRemark())
}

// equalTimes is the error of a row with the same time as the contact's last row.
func (d *csvDecoder) equalTimes(contact *csvContact, time []byte) error {
	e := d.orderError(contact, d.time, "", "")
	e.Msg = fmt.Sprintf("%s %s in two rows%s", d.time, time, d.cutRemark())
	if d.time != columnTimeNS && d.decimals < 9 {
		step := "1 s"
		if d.decimals > 0 {
			step = strconv.FormatFloat(math.Pow10(3-d.decimals), 'f', max(d.decimals-3, 0), 64) + " ms"
		}
		e.Expected += "; the times come in steps of " + step + ", which is too coarse: export more decimals"
	}
	return e
}

// addContact adds a contact that is new. It fails if there are too many, or
// several of which none was chosen.
func (d *csvDecoder) addContact(name string) (*csvContact, error) {
	c := &csvContact{name: d.nameOf(name), at: -1}
	d.byName[name] = c
	if d.monitor != notMonitor && slices.Contains(d.names, c.name) {
		return nil, d.fail(d.line, "lines with names of their own", "a second line named %s", quote(c.name))
	}
	d.names = append(d.names, c.name)
	if len(d.names) > maxContacts {
		return nil, d.fail(d.line, fmt.Sprintf("%d at most", maxContacts), "too many contacts")
	}
	if d.chosen != "" || len(d.names) == 1 {
		return c, nil
	}
	e := d.fail(d.line, "", "several contacts%s", d.cutRemark())
	d.addRest()
	e.Expected = "a choice of one with " + d.choice + ": " + list(d.names, len(d.names))
	return nil, e
}

// nameOf is the name of a contact that a row gives.
func (d *csvDecoder) nameOf(field string) string {
	if d.monitor == monitor2 {
		return monitorName(field)
	}
	return field
}

// addRest adds the contacts in the rest of the window.
func (d *csvDecoder) addRest() {
	column := slices.Index(d.columns, columnContact)
	for range d.ahead {
		name := string(d.fields[column])
		if len(name) > maxName || len(d.names) == maxContacts {
			return
		}
		if d.byName[name] == nil {
			d.byName[name] = &csvContact{}
			d.names = append(d.names, d.nameOf(name))
		}
	}
}

// ahead goes through the rows in the rest of the window, up to one that is wrong,
// and puts the fields of each into d.fields. The window stays where it is.
func (d *csvDecoder) ahead(yield func() bool) {
	for b := d.rest(); len(b) > 0; {
		line, after, whole := bytes.Cut(b, []byte{'\n'})
		if !whole && !d.last() {
			return
		}
		b = after
		line = bytes.TrimSuffix(line, []byte{'\r'})
		if len(line) == 0 || line[0] == '#' {
			continue
		}
		if n, err := d.split(line); err != nil || n != len(d.columns) || !yield() {
			return
		}
	}
}

// exponent is the power of ten from the unit of the time column to ns.
func (d *csvDecoder) exponent() int {
	if d.time == columnTimeNS {
		return 0
	}
	return 9
}

// timeText writes a time in the unit of the file; seconds have at most the given
// number of decimals.
func (d *csvDecoder) timeText(ns int64, decimals int) string {
	if d.time == columnTimeNS {
		return strconv.FormatInt(ns, 10)
	}
	s := fmt.Sprintf("%d.%09d", ns/1e9, ns%1e9)
	return strings.TrimSuffix(s[:len(s)-9+min(max(decimals, 0), 9)], ".")
}

func (d *csvDecoder) noEdges() *RecordingError {
	e := &RecordingError{File: d.file, Msg: ErrNoEdges.Error(), Err: ErrNoEdges}
	if d.chosen != "" {
		e.Msg += " of contact " + quote(d.chosen)
		if len(d.names) > 0 {
			e.Expected = "one of " + list(d.names, len(d.names))
		}
	}
	return e
}

func (d *csvDecoder) resolutionNS() float64 {
	switch {
	case d.time == columnTimeNS:
		return 1
	case d.decimals < 0:
		return 0
	}
	return math.Pow10(9 - d.decimals)
}

func (d *csvDecoder) contacts() []string { return d.names }

// CSVOptions say what a CSVWriter writes. The zero value writes time_ns,level.
type CSVOptions struct {
	// Comments come first, each as a line that begins with "# ".
	Comments []string
	// Seq adds the column seq, which keeps Lost: it begins with the first
	// edge's Seq, or 1 if that is 0, and then counts each edge and each lost one.
	Seq bool
}

// A CSVWriter writes edges as CSV that OpenRecording reads. It hands whole
// lines on, many at a time, so that a file cut off by a crash seldom ends
// inside one.
type CSVWriter struct {
	out lineWriter
	opt CSVOptions
	seq uint32
}

// NewCSVWriter begins a file with its comments and header. Nothing is written
// before the first full buffer or Flush.
func NewCSVWriter(w io.Writer, opt CSVOptions) *CSVWriter {
	c := &CSVWriter{out: lineWriter{w: w, last: -1}, opt: opt}
	for _, comment := range opt.Comments {
		for line := range strings.Lines(strings.ToValidUTF8(comment, "\uFFFD")) {
			line = strings.Map(func(r rune) rune {
				if r < ' ' && r != '\t' {
					return -1
				}
				return r
			}, line)
			if len(line) > maxLine-2 {
				c.out.err = fmt.Errorf("write recording: a comment line of %d bytes: expected at most %d", len(line), maxLine-2)
				return c
			}
			c.out.line("# ", line)
		}
	}
	header := "time_ns,level"
	if opt.Seq {
		header += ",seq"
	}
	c.out.line(header)
	return c
}

// Write adds edges. It fails, and from then on always, if the writer below
// fails or at an edge that the format cannot hold: a time below 0, above
// MaxRecordingNS or not after the one before, an Unknown level, edges Lost
// without Seq.
func (c *CSVWriter) Write(edges []pulse.Edge) error {
	for _, e := range edges {
		first := c.out.last < 0
		switch {
		case !c.out.advance(e.At):
		case e.Level > pulse.High:
			c.out.refuse(e, "an unknown level: expected 0 or 1")
		case first:
			if c.seq = e.Seq; c.seq == 0 {
				c.seq = 1
			}
		case e.Lost > 0 && !c.opt.Seq:
			c.out.refuse(e, "edges lost before it: expected the seq column to be asked for")
		case e.Lost >= math.MaxInt32:
			c.out.refuse(e, "too many edges lost before it")
		default:
			c.seq += 1 + e.Lost
		}
		if c.out.err != nil {
			return c.out.err
		}
		b := strconv.AppendInt(c.out.buf, int64(e.At), 10)
		b = append(b, ',', '0'+byte(e.Level))
		if c.opt.Seq {
			b = append(b, ',')
			b = strconv.AppendUint(b, uint64(c.seq), 10)
		}
		c.out.buf = append(b, '\n')
		c.out.flushFull()
	}
	return c.out.err
}

// Flush writes what is still held. It does not close the writer below.
func (c *CSVWriter) Flush() error { return c.out.flush() }

// A lineWriter gathers whole lines and checks the times of edges.
type lineWriter struct {
	w    io.Writer
	buf  []byte
	last pulse.Stamp // -1 before the first edge
	err  error
}

// lineBuffer is large enough for few system calls, and small for any computer.
const lineBuffer = 64 << 10

func (l *lineWriter) line(parts ...string) {
	for _, p := range parts {
		l.buf = append(l.buf, p...)
	}
	l.buf = append(l.buf, '\n')
}

// advance takes the time of the next edge, and reports whether it is valid.
func (l *lineWriter) advance(at pulse.Stamp) bool {
	if l.err == nil && (at <= l.last || int64(at) > MaxRecordingNS) {
		l.err = fmt.Errorf("write recording: an edge at %d ns after %d ns: expected increasing times from 0 to %d", at, max(l.last, 0), MaxRecordingNS)
	}
	l.last = at
	return l.err == nil
}

func (l *lineWriter) refuse(e pulse.Edge, why string) {
	l.err = fmt.Errorf("write recording: edge at %d ns: %s", e.At, why)
}

func (l *lineWriter) flushFull() {
	if len(l.buf) >= lineBuffer {
		l.flush()
	}
}

func (l *lineWriter) flush() error {
	if len(l.buf) > 0 {
		if _, err := l.w.Write(l.buf); err != nil && l.err == nil {
			l.err = fmt.Errorf("write recording: %w", err)
		}
		l.buf = l.buf[:0]
	}
	return l.err
}
