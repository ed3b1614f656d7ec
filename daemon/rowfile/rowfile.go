// Package rowfile writes the edges, pulses, cycles and summaries of a log's contacts as
// a Parquet file, for any query engine.
//
// A file has one kind of rows. All have the columns exchange, contact, session (a
// start of the program that logged), time_utc, time_ns and clock_offset_ns. time_ns is
// the monotonic time from the start of the stretch, the same for all contacts of the
// file, and goes on through restarts. time_utc is null where the clock had not been
// set by a time source in that session; what the clock showed is
// time_ns + clock_offset_ns, in ns since 1970-01-01 UTC. Numbers that were not measured are
// null. The rows are in order of contact, as they were begun, and of time.
//
// The file's key-value metadata says under "makebreak.format" which rows it has
// ("makebreak.edges/1"), under "makebreak.program" the program's version, and under
// "makebreak.contacts" a JSON array of Contact.
//
// The format is that of Apache Parquet (parquet.apache.org/docs/file-format). The same
// rows give the same bytes.
package rowfile

import (
	"encoding/json"
	"fmt"
	"io"
	"math"
	"time"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress/zstd"

	"makebreak/daemon/figure"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// Rows are what the rows of a file are of.
type Rows string

// The kinds of rows.
const (
	Edges     Rows = "edges"     // with the times in which the level was not known
	Pulses    Rows = "pulses"    // of dials
	Cycles    Rows = "cycles"    // of interrupters
	Summaries Rows = "summaries" // of minutes, hours and days
)

const (
	// groupRows are written as one row group: some 10 MB, which an engine reads by
	// one thread, and what is held in memory.
	groupRows = 1 << 20
	// batchRows are handed to the library at once: few enough to stay in a
	// processor's cache.
	batchRows = 1024
)

// A Contact is what the file's metadata says of one.
type Contact struct {
	Exchange string          `json:"exchange"`
	Contact  string          `json:"contact"`
	Source   string          `json:"source"`    // where its edges came from
	Kind     string          `json:"kind"`      // it was watched as
	Closed   string          `json:"closed"`    // level of the line while the contact is; set by the Writer
	BeganNS  int64           `json:"began_ns"`  // time_ns from which on it was read
	BeganUTC time.Time       `json:"began_utc"` // the same, by the clock as it was set
	EndedNS  int64           `json:"ended_ns"`
	Clock    Clock           `json:"clock"`
	Settings json.RawMessage `json:"settings"` // it was watched with, at its start
	// SettingsChanged counts later changes of the settings. Its rows are read by the
	// first ones.
	SettingsChanged int   `json:"settings_changed"`
	Rows            int64 `json:"rows"` // set by the Writer

	// Origin is the run time that time_ns counts from.
	Origin pulse.Stamp `json:"-"`
	// AsymmetryNS is by how much openings of pulses and cycles are corrected.
	AsymmetryNS int64 `json:"asymmetry_ns"`
	// Polarity is Closed.
	Polarity pulse.Polarity `json:"-"`
	// Wall gives the moments of run times.
	Wall *store.WallClock `json:"-"`
}

// A Clock is how good the time base was.
type Clock struct {
	Steered             bool     `json:"steered"` // by a time source, at the start and at the end
	RelativeUncertainty float64  `json:"relative_uncertainty"`
	CorrectionPPM       *float64 `json:"correction_ppm"` // null when it was not steered
	EstimatedErrorNS    *int64   `json:"estimated_error_ns"`
}

// A moment is where and when something was. A TimeUTC of 0 is null: no clock that a time
// source has set shows 1970.
type moment struct {
	Exchange string `parquet:"exchange,dict"`
	Contact  string `parquet:"contact,dict"`
	Session  int64  `parquet:"session,dict"`
	TimeUTC  int64  `parquet:"time_utc,optional,timestamp(nanosecond:utc),delta"`
	TimeNS   int64  `parquet:"time_ns,delta"`
	OffsetNS int64  `parquet:"clock_offset_ns,dict"`
}

// Events of edges.
const (
	eventEdge    = "edge"
	eventUnknown = "unknown" // from here on the level is not known
	eventFound   = "found"   // the level was found, and is no edge
)

type edgeRow struct {
	moment
	Event  string  `parquet:"event,dict"`
	Level  *bool   `parquet:"level,optional"`  // of the line, true is high
	Closed *bool   `parquet:"closed,optional"` // the contact is
	Lost   int64   `parquet:"lost_edges,dict"` // before it
	Reason *string `parquet:"reason,optional,dict"`
}

// In the rows of pulses and cycles a 0 is written as null, as the meter has it.
type pulseRow struct {
	moment
	Class   string  `parquet:"class,dict"`
	Train   int64   `parquet:"train,optional,delta"`
	Pulse   int64   `parquet:"pulse,optional,dict"`
	Break   float64 `parquet:"break_ms,optional"`
	Make    float64 `parquet:"make_ms,optional"`
	Period  float64 `parquet:"period_ms,optional"`
	Rate    float64 `parquet:"rate_pps,optional"`
	Percent float64 `parquet:"break_percent,optional"`
	Gap     float64 `parquet:"gap_before_ms,optional"`
	Bounce  float64 `parquet:"bounce_ms"`
	Partial bool    `parquet:"partial"`
}

type cycleRow struct {
	moment
	Cycle    int64     `parquet:"cycle,optional,delta"`
	Lobe     int64     `parquet:"lobe,optional,dict"`
	Period   float64   `parquet:"period_ms,optional"`
	Break    float64   `parquet:"break_ms,optional"`
	Make     float64   `parquet:"make_ms,optional"`
	Rate     float64   `parquet:"rate_ipm,optional"`
	Percent  float64   `parquet:"break_percent,optional"`
	Bounce   float64   `parquet:"bounce_ms"`
	Missing  int64     `parquet:"missing,dict"`
	Extra    int64     `parquet:"extra,dict"`
	Segments []float64 `parquet:"segments_ms,optional,list"`
}

// The sums add up over rows: a mean period is the sum of period_sum_ns over that of
// periods.
type summaryRow struct {
	moment
	Up             float64  `parquet:"source_up_s"`
	Edges          int64    `parquet:"edges,delta"`
	Lost           int64    `parquet:"lost_edges,dict"`
	Pulses         int64    `parquet:"pulses,delta"` // or cycles
	Missing        int64    `parquet:"missing,dict"`
	Extra          int64    `parquet:"extra,dict"`
	Chatter        int64    `parquet:"chatter,dict"`
	Bounced        int64    `parquet:"bounced,delta"`
	OutOfLimit     int64    `parquet:"out_of_limit,dict"`
	Periods        int64    `parquet:"periods,delta"`
	PeriodSumNS    int64    `parquet:"period_sum_ns,delta"`
	PeriodBreaksNS int64    `parquet:"period_breaks_sum_ns,delta"` // of the breaks in those periods
	PeriodMean     *float64 `parquet:"period_mean_ms,optional"`
	PeriodSD       *float64 `parquet:"period_sd_ms,optional"`
	PeriodMin      *float64 `parquet:"period_min_ms,optional"`
	PeriodMax      *float64 `parquet:"period_max_ms,optional"`
	RatePPS        *float64 `parquet:"rate_pps,optional"` // of dials
	RateIPM        *float64 `parquet:"rate_ipm,optional"` // of interrupters
	Percent        *float64 `parquet:"break_percent,optional"`
	Breaks         int64    `parquet:"breaks,delta"`
	BreakSumNS     int64    `parquet:"break_sum_ns,delta"`
	BreakMean      *float64 `parquet:"break_mean_ms,optional"`
	BreakSD        *float64 `parquet:"break_sd_ms,optional"`
	BreakMin       *float64 `parquet:"break_min_ms,optional"`
	BreakMax       *float64 `parquet:"break_max_ms,optional"`
	BounceMax      *float64 `parquet:"bounce_max_ms,optional"`
	InterdigitMin  *float64 `parquet:"interdigit_min_ms,optional"`
}

// A Writer writes one file. It is for one goroutine. A failure ends it.
type Writer struct {
	out      closer
	contacts []Contact
	edges    table[edgeRow]
	pulses   table[pulseRow]
	cycles   table[cycleRow]
	sums     table[summaryRow]
	known    bool // the level is, after the edges given
	rows     int64
	err      error
}

// A closer is what every table's writer has.
type closer interface {
	Flush() error
	Close() error
	SetKeyValueMetadata(key, value string)
}

// New begins a file of rows, written by a program of a version. Little is written
// before the first row group is full.
func New(w io.Writer, rows Rows, version string) *Writer {
	f := &Writer{}
	switch rows {
	case Pulses:
		f.out = f.pulses.begin(w, version)
	case Cycles:
		f.out = f.cycles.begin(w, version)
	case Summaries:
		f.out = f.sums.begin(w, version)
	default:
		f.out = f.edges.begin(w, version)
	}
	f.out.SetKeyValueMetadata("makebreak.format", "makebreak."+string(rows)+"/1")
	f.out.SetKeyValueMetadata("makebreak.program", version)
	return f
}

// A table gathers rows of one type.
type table[T any] struct {
	w    *parquet.GenericWriter[T]
	rows []T
}

func (t *table[T]) begin(w io.Writer, version string) closer {
	t.rows = make([]T, 0, batchRows)
	t.w = parquet.NewGenericWriter[T](w, parquet.MaxRowsPerRowGroup(groupRows),
		parquet.Compression(&zstd.Codec{Level: zstd.SpeedDefault}), parquet.CreatedBy("makebreak", version, ""))
	return t.w
}

// flush hands on what was gathered.
func (t *table[T]) flush() (err error) {
	if len(t.rows) > 0 {
		_, err = t.w.Write(t.rows)
		t.rows = t.rows[:0]
	}
	return err
}

// add gathers a row at a run time of a contact.
func add[T any](f *Writer, t *table[T], at pulse.Stamp, row func(moment) T) {
	if f.err != nil {
		return
	}
	c := &f.contacts[len(f.contacts)-1]
	m := moment{Exchange: c.Exchange, Contact: c.Contact, TimeNS: int64(at - c.Origin)}
	wall, steered := c.Wall.At(at)
	m.Session, m.OffsetNS = wall.Session, wall.Wall.UnixNano()-m.TimeNS
	if steered {
		m.TimeUTC = wall.Wall.UnixNano()
	}
	t.rows = append(t.rows, row(m))
	f.rows++
	c.Rows++
	if len(t.rows) == cap(t.rows) {
		f.err = t.flush()
	}
}

// Begin begins the rows of a contact, after those of another.
func (f *Writer) Begin(c Contact) {
	c.Closed = c.Polarity.String()
	f.contacts = append(f.contacts, c)
	f.known = true // what comes first is an edge, unless it is to Unknown
}

// End ends the rows of a contact, which ended at a run time: those of the next begin
// a row group. One without rows is forgotten.
func (f *Writer) End(at pulse.Stamp) error {
	c := &f.contacts[len(f.contacts)-1]
	c.EndedNS = int64(at - c.Origin)
	if c.Rows == 0 {
		f.contacts = f.contacts[:len(f.contacts)-1]
		return f.err
	}
	f.flush()
	if f.err == nil {
		f.err = f.out.Flush()
	}
	return f.err
}

func (f *Writer) flush() {
	for _, flush := range []func() error{f.edges.flush, f.pulses.flush, f.cycles.flush, f.sums.flush} {
		if f.err == nil {
			f.err = flush()
		}
	}
}

// Rows counts the rows so far, and Contacts the contacts that have some.
func (f *Writer) Rows() (rows int64, contacts int) { return f.rows, len(f.contacts) }

// Err is what failed, if anything has.
func (f *Writer) Err() error { return f.err }

// Close writes the end of the file. It does not close the writer below.
func (f *Writer) Close() error {
	f.flush()
	if f.err != nil {
		return f.err
	}
	contacts, err := json.Marshal(f.contacts)
	if err != nil {
		return fmt.Errorf("write the contacts of the file: %w", err)
	}
	f.out.SetKeyValueMetadata("makebreak.contacts", string(contacts))
	f.err = f.out.Close()
	return f.err
}

var yes, no = true, false

// truth gives a pointer to v without allocating.
func truth(v bool) *bool {
	if v {
		return &yes
	}
	return &no
}

// Edge adds an edge at a run time. Where its level is Unknown, why says the reason;
// the next one with a level is then what was found, and what tells again that it is
// unknown has no row.
func (f *Writer) Edge(at pulse.Stamp, e *pulse.Edge, why string) {
	if e.Level > pulse.High && !f.known {
		return
	}
	closed := f.contacts[len(f.contacts)-1].Polarity
	add(f, &f.edges, at, func(m moment) edgeRow {
		r := edgeRow{moment: m, Event: eventEdge, Lost: int64(e.Lost)}
		switch {
		case e.Level > pulse.High:
			r.Event, r.Reason = eventUnknown, &why
		case !f.known:
			r.Event = eventFound
		}
		if f.known = e.Level <= pulse.High; f.known {
			r.Level, r.Closed = truth(e.Level == pulse.High), truth(closed.Closed(e.Level))
		}
		return r
	})
}

// Observer takes the pulses or cycles that a Meter finds. Their figures are those of
// the tables of measure: rates and percentages are rounded to a millionth.
func (f *Writer) Observer() pulse.Observer {
	return pulse.Observer{Pulse: f.pulse, Cycle: f.cycle}
}

func (f *Writer) pulse(p *pulse.PulseRow) {
	if f.pulses.w == nil {
		return
	}
	asymmetry := pulse.Stamp(f.contacts[len(f.contacts)-1].AsymmetryNS)
	add(f, &f.pulses, p.At+asymmetry, func(m moment) pulseRow {
		return pulseRow{
			moment: m, Class: p.Class.String(), Train: int64(p.Train), Pulse: int64(p.Pulse),
			Break: ms(p.BreakNS), Make: ms(p.MakeNS), Period: ms(p.PeriodNS), Gap: ms(p.GapNS), Bounce: ms(p.BounceNS),
			Rate: millionths(1e9, 1, p.PeriodNS), Percent: millionths(p.BreakNS, 100, p.PeriodNS), Partial: p.Partial,
		}
	})
}

func (f *Writer) cycle(c *pulse.CycleRow) {
	if f.cycles.w == nil {
		return
	}
	asymmetry := pulse.Stamp(f.contacts[len(f.contacts)-1].AsymmetryNS)
	add(f, &f.cycles, c.At+asymmetry, func(m moment) cycleRow {
		r := cycleRow{
			moment: m, Cycle: int64(c.Cycle),
			Break: ms(c.BreakNS), Make: ms(c.MakeNS), Period: ms(c.PeriodNS), Bounce: ms(c.BounceNS),
			Rate: millionths(60e9, 1, c.PeriodNS), Percent: millionths(c.BreakNS, 100, c.PeriodNS),
			Missing: int64(c.Missing), Extra: int64(c.Extra),
		}
		if c.Numbering != 0 { // else it counts from where the phase was lost, and is no lobe's number
			r.Lobe = int64(c.Lobe)
		}
		for _, ns := range c.SegmentsNS {
			r.Segments = append(r.Segments, ms(ns))
		}
		return r
	})
}

// Summary adds a summary of a contact of a kind.
func (f *Writer) Summary(s *store.Summary, kind pulse.Kind) {
	add(f, &f.sums, s.At.Run, func(m moment) summaryRow {
		r := summaryRow{
			moment: m, Up: float64(s.LengthNS) / 1e9, Edges: s.Edges, Lost: s.Lost, Pulses: s.Pulses,
			Missing: s.Missing, Extra: s.Extra, Chatter: s.Chatter, Bounced: s.Bounced, OutOfLimit: s.OutOfLimit,
			Periods: s.Period.N, PeriodSumNS: s.Period.SumNS, PeriodBreaksNS: s.PeriodBreaksNS,
			Breaks: s.Break.N, BreakSumNS: s.Break.SumNS,
			BounceMax: ofNum(s.BounceMaxNS), InterdigitMin: ofNum(s.InterdigitNS),
		}
		r.PeriodMean, r.PeriodSD, r.PeriodMin, r.PeriodMax = ofStats(&s.Period)
		r.BreakMean, r.BreakSD, r.BreakMin, r.BreakMax = ofStats(&s.Break)
		if n, sum := float64(s.Period.N), float64(s.Period.SumNS); sum > 0 {
			percent := 100 * float64(s.PeriodBreaksNS) / sum
			r.Percent = &percent
			switch pps, ipm := n/(sum/1e9), n/(sum/60e9); kind {
			case pulse.KindDial:
				r.RatePPS = &pps
			case pulse.KindInterrupter:
				r.RateIPM = &ipm
			}
		}
		return r
	})
}

// ofStats gives figures in ms; nil where there are too few times.
func ofStats(t *store.TimeStats) (mean, sd, least, most *float64) {
	if t.N == 0 {
		return nil, nil, nil, nil
	}
	a, b, c := float64(t.SumNS)/float64(t.N)/1e6, ms(t.MinNS), ms(t.MaxNS)
	if t.N > 1 {
		d := math.Sqrt(t.Squares/float64(t.N-1)) / 1e6
		sd = &d
	}
	return &a, sd, &b, &c
}

func ofNum(ns pulse.Num) *float64 {
	if !ns.OK {
		return nil
	}
	v := ns.V / 1e6
	return &v
}

// ms gives ns in ms: the number nearest to the decimal one.
func ms(ns int64) float64 { return float64(ns) / 1e6 }

// millionths is n·scale/d as the tables of measure have it, 0 where they have none.
func millionths(n int64, scale uint64, d int64) float64 {
	q, ok := figure.Millionths(n, scale, d)
	if !ok {
		return 0
	}
	return float64(q) / 1e6
}
