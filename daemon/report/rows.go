package report

import (
	"bufio"
	"io"
	"strconv"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/pulse"
)

const (
	dialColumns        = "start_s,class,train,pulse,break_ms,make_ms,period_ms,rate_pps,break_percent,gap_before_ms,bounce_ms,partial\n"
	interrupterColumns = "start_s,cycle,lobe,period_ms,break_ms,make_ms,rate_ipm,break_percent,bounce_ms,missing,extra,segments\n"
)

// Rows writes each pulse or cycle as a CSV row, for a spreadsheet. A number that
// was not measured is an empty field. Times are exact to the nanosecond; rates and
// percentages are rounded to a millionth.
type Rows struct {
	w     *bufio.Writer
	first pulse.Stamp // of the recording: start_s counts from it
	// asymmetry is by how much openings are corrected: start_s is where the
	// recording has the edge.
	asymmetry pulse.Stamp
	begun     bool
	row       []byte
	// Wall gives the wall-clock time of a stamp, for a column of its own in UTC; nil
	// where it is not known.
	Wall func(pulse.Stamp) time.Time
}

// NewRows writes to w the rows of a measurement with cfg.
func NewRows(w io.Writer, cfg *pulse.Config) *Rows {
	r := &Rows{w: bufio.NewWriterSize(w, 64<<10)}
	if cfg.Setup != nil {
		r.asymmetry = pulse.Stamp(cfg.Setup.AsymmetryNS)
	}
	return r
}

// CountFrom sets the time that start_s counts from, before the first row.
func (t *Rows) CountFrom(first pulse.Stamp) { t.first = first }

// Observer takes the rows that a Meter makes.
func (t *Rows) Observer() pulse.Observer { return pulse.Observer{Pulse: t.pulse, Cycle: t.cycle} }

// Finish writes what is left, and at least the header of m's kind. It returns
// the first error of all that was written.
func (t *Rows) Finish(m *pulse.Measurement) error {
	if m.Dial != nil {
		t.begin(dialColumns)
	} else {
		t.begin(interrupterColumns)
	}
	return t.w.Flush()
}

// begin writes the header once.
func (t *Rows) begin(columns string) {
	if !t.begun {
		t.begun = true
		if t.Wall != nil {
			columns = strings.TrimSuffix(columns, "\n") + ",time_utc\n"
		}
		t.w.WriteString(columns)
	}
}

// pulse writes a dial's row. Write errors stay with w until it is flushed.
func (t *Rows) pulse(p *pulse.PulseRow) {
	t.begin(dialColumns)
	b := appendDecimal(t.row[:0], int64(p.At+t.asymmetry-t.first), 9)
	b = append(append(b, ','), p.Class.String()...)
	b = appendCount(b, p.Train)
	b = appendCount(b, p.Pulse)
	b = appendMS(b, p.BreakNS)
	b = appendMS(b, p.MakeNS)
	b = appendMS(b, p.PeriodNS)
	b = appendRatio(b, 1e9, 1, p.PeriodNS)
	b = appendRatio(b, p.BreakNS, 100, p.PeriodNS)
	b = appendMS(b, p.GapNS)
	b = appendDecimal(append(b, ','), p.BounceNS, 6)
	partial := byte('0')
	if p.Partial {
		partial = '1'
	}
	t.end(append(b, ',', partial), p.At)
}

// cycle writes an interrupter's row.
func (t *Rows) cycle(c *pulse.CycleRow) {
	t.begin(interrupterColumns)
	b := appendDecimal(t.row[:0], int64(c.At+t.asymmetry-t.first), 9)
	b = appendCount(b, c.Cycle)
	lobe := c.Lobe
	if c.Numbering == 0 { // counted from where the phase was lost, and no lobe's number
		lobe = 0
	}
	b = appendCount(b, lobe)
	b = appendMS(b, c.PeriodNS)
	b = appendMS(b, c.BreakNS)
	b = appendMS(b, c.MakeNS)
	b = appendRatio(b, 60e9, 1, c.PeriodNS)
	if c.BreakNS > 0 {
		b = appendRatio(b, c.BreakNS, 100, c.PeriodNS)
	} else {
		b = append(b, ',')
	}
	b = appendDecimal(append(b, ','), c.BounceNS, 6)
	b = strconv.AppendInt(append(b, ','), int64(c.Missing), 10)
	b = strconv.AppendInt(append(b, ','), int64(c.Extra), 10)
	b = append(b, ',')
	for i, s := range c.SegmentsNS {
		if i > 0 {
			b = append(b, ' ')
		}
		b = appendDecimal(b, s, 6)
	}
	t.end(b, c.At)
}

// end writes a row that began at a corrected opening.
func (t *Rows) end(b []byte, at pulse.Stamp) {
	if t.Wall != nil {
		b = t.Wall(at+t.asymmetry).UTC().AppendFormat(append(b, ','), "2006-01-02T15:04:05.000000Z07:00")
	}
	b = append(b, '\n')
	t.w.Write(b)
	t.row = b
}

// appendCount appends a field with a 1-based number, empty for 0.
func appendCount(b []byte, n int) []byte {
	b = append(b, ',')
	if n == 0 {
		return b
	}
	return strconv.AppendInt(b, int64(n), 10)
}

// appendMS appends a field with ns nanoseconds in ms, empty for 0.
func appendMS(b []byte, ns int64) []byte {
	b = append(b, ',')
	if ns == 0 {
		return b
	}
	return appendDecimal(b, ns, 6)
}

// appendRatio appends a field with n·scale/d, empty without d.
func appendRatio(b []byte, n int64, scale uint64, d int64) []byte {
	b = append(b, ',')
	if q, ok := figure.Millionths(n, scale, d); ok {
		b = appendDecimal(b, q, 6)
	}
	return b
}

// appendDecimal appends v·10^-places without zeros at its end.
func appendDecimal(b []byte, v int64, places int) []byte {
	u := uint64(v)
	if v < 0 {
		b = append(b, '-')
		u = -u
	}
	var digits [20]byte
	n := len(digits)
	for i := 0; i <= places || u > 0; i++ {
		n--
		digits[n] = byte('0' + u%10)
		u /= 10
	}
	whole := digits[n : len(digits)-places]
	part := digits[len(digits)-places:]
	b = append(b, whole...)
	end := len(part)
	for end > 0 && part[end-1] == '0' {
		end--
	}
	if end > 0 {
		b = append(append(b, '.'), part[:end]...)
	}
	return b
}
