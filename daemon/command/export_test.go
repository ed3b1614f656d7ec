package command

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/apache/arrow-go/v18/arrow"
	"github.com/apache/arrow-go/v18/arrow/memory"
	"github.com/apache/arrow-go/v18/parquet/file"
	"github.com/apache/arrow-go/v18/parquet/pqarrow"
	gocmp "github.com/google/go-cmp/cmp"

	"makebreak/daemon/store"
	"makebreak/daemon/store/storetest"
	"makebreak/hw"
	"makebreak/pulse"
)

// The contacts of the tests' log: a cam, one that Parquet and CSV could trip over, and
// one that never moved.
const oddContact, deadContact = "Wähler \"3\", #7/ß\u200b", "dead"

// exportLog writes a log of two sessions: in the first no time source had set the
// clock, and the cam's line was not read for a while; the dial loses edges in the
// second.
func exportLog(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "log.db")
	wall := time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC)
	const begin = pulse.Stamp(time.Hour)
	session := func(from, to pulse.Stamp, steered bool) {
		now := from
		s, err := store.Open(t.Context(), path, store.Options{Boot: "boot-1", Site: "Marrow Quay, \"new\" exchange", Program: "test",
			Clock: func() (hw.Anchor, hw.Discipline) {
				return hw.Anchor{Mono: now, Wall: wall.Add(time.Duration(now - begin))}, hw.Discipline{Synchronised: steered, FrequencyPPM: -3.5, EstimatedErrorNS: 2e6}
			}})
		if err != nil {
			t.Fatal(err)
		}
		cam := s.Contact(store.Configuration{Contact: "cam-60", Source: "gpio:GPIO17", Kind: pulse.KindInterrupter, Settings: json.RawMessage(`{"timing":"first"}`)})
		dial := s.Contact(store.Configuration{Contact: oddContact, Source: "gpio:GPIO27", Kind: pulse.KindDial, Polarity: pulse.ClosedLow, Settings: json.RawMessage(`{"timing":"first"}`)})
		s.Contact(store.Configuration{Contact: deadContact, Source: "gpio:GPIO22", Kind: pulse.KindDial, Settings: json.RawMessage(`{}`)})
		edges := func(l pulse.Level) []pulse.Edge {
			return []pulse.Edge{{At: from, Level: pulse.Unknown}, {At: from + 1, Level: l}}
		}
		c, d := edges(pulse.High), edges(pulse.Low)
		for at, i := from+1e9, pulse.Stamp(0); at+1e9 < to; at, i = at+1e9+1000*(i%7), i+1 {
			c = append(c, pulse.Edge{At: at, Level: pulse.Low}, pulse.Edge{At: at + 3e5, Level: pulse.High}, pulse.Edge{At: at + 5e5 + i, Level: pulse.Low},
				pulse.Edge{At: at + 5e8 + i*i, Level: pulse.High})
			if i == 20 {
				c = append(c, pulse.Edge{At: at + 6e8, Level: pulse.Unknown}, pulse.Edge{At: at + 8e8, Level: pulse.High})
			}
			for n := range pulse.Stamp(3) { // a digit 3 a second, the contact closed low
				d = append(d, pulse.Edge{At: at + n*1e8, Level: pulse.High}, pulse.Edge{At: at + n*1e8 + 6e7 + i, Level: pulse.Low})
			}
			if steered && i == 10 {
				d[len(d)-2].Lost = 2
			}
		}
		cam.Append(c)
		dial.Append(d)
		s.Summarise(store.Summary{
			Contact: "cam-60", At: store.Moment{Mono: from}, LengthNS: 60e9, Edges: 240, Pulses: 59, Missing: 1,
			Period: store.TimeStats{N: 2, SumNS: 2_000_001_000, Squares: 8e12, MinNS: 998_000_500, MaxNS: 1_002_000_500}, Break: store.TimeStats{N: 1, SumNS: 5e8, MinNS: 5e8, MaxNS: 5e8},
			PeriodBreaksNS: 1e9, BounceMaxNS: pulse.Known(500_000),
		})
		s.Summarise(store.Summary{Contact: oddContact, At: store.Moment{Mono: from}, LengthNS: 60e9}) // it rested
		now = to
		storetest.Finish(t, s)
	}
	session(begin, begin+90e9, false)
	session(begin+100e9, begin+180e9, true)
	return path
}

// export runs the command, which must succeed, and gives the file.
func export(t *testing.T, log, name string, args ...string) string {
	t.Helper()
	out := filepath.Join(t.TempDir(), name)
	var stdout, stderr bytes.Buffer
	if status := Run(t.Context(), append([]string{"export", "--log", log, "--out", out}, args...), strings.NewReader(""), &stdout, &stderr, noEnv); status != StatusOK {
		t.Fatalf("%q: exit status %d: %s", args, status, &stderr)
	}
	return out
}

// A parquetFile is one as Apache Arrow's implementation reads it. Fields are text,
// empty for null.
type parquetFile struct {
	columns  []string // with their types
	rows     []map[string]string
	metadata map[string]string
}

func readParquet(t *testing.T, path string) (f parquetFile) {
	t.Helper()
	r, err := file.OpenParquetFile(path, false)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	f.metadata = map[string]string{}
	for _, kv := range r.MetaData().KeyValueMetadata() {
		f.metadata[kv.Key] = *kv.Value
	}
	reader, err := pqarrow.NewFileReader(r, pqarrow.ArrowReadProperties{}, memory.DefaultAllocator)
	if err != nil {
		t.Fatal(err)
	}
	table, err := reader.ReadTable(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	defer table.Release()
	f.rows = make([]map[string]string, table.NumRows())
	for i := range f.rows {
		f.rows[i] = map[string]string{}
	}
	for i := range int(table.NumCols()) {
		column := table.Column(i)
		null := ""
		if column.Field().Nullable {
			null = "?"
		}
		f.columns = append(f.columns, column.Name()+" "+column.DataType().String()+null)
		row := 0
		for _, chunk := range column.Data().Chunks() {
			for j := range chunk.Len() {
				if !chunk.IsNull(j) {
					f.rows[row][column.Name()] = chunk.ValueStr(j)
				}
				row++
			}
		}
	}
	return f
}

// of gives the rows of a contact.
func (f *parquetFile) of(contact string) (rows []map[string]string) {
	for _, r := range f.rows {
		if r["contact"] == contact {
			rows = append(rows, r)
		}
	}
	return rows
}

func number(t *testing.T, s string) int64 {
	t.Helper()
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func readCSV(t *testing.T, path string) [][]string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(b))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// clock checks the times of a row against the clock of the log: it began at 10:00:00,
// and time_ns began at most some ns later.
func clock(t *testing.T, r map[string]string, origin int64) {
	t.Helper()
	want := origin + number(t, r["time_ns"])
	if got := number(t, r["time_ns"]) + number(t, r["clock_offset_ns"]); got != want {
		t.Fatalf("%v: the clock showed %d, want %d", r, got, want)
	}
	steered := r["session"] == "2"
	if got := r["time_utc"]; steered != (got != "") {
		t.Fatalf("%v: a time by a clock that nobody had set, or none of one that was", r)
	}
	if steered {
		at, err := time.Parse(time.RFC3339Nano, r["time_utc"])
		if err != nil || at.UnixNano() != want {
			t.Fatalf("%v: got %d, %v, want %d", r, at.UnixNano(), err, want)
		}
	}
}

// What Apache Arrow reads of the edges is what the CSV export has, row by row, of each
// contact; times in which the level was not known are told, as they are there.
func TestExportParquetEdges(t *testing.T) {
	log := exportLog(t)
	path := export(t, log, "all.parquet", "--all-contacts")
	f := readParquet(t, path)
	want := []string{
		"exchange utf8", "contact utf8", "session int64", "time_utc timestamp[ns, tz=UTC]?", "time_ns int64", "clock_offset_ns int64",
		"event utf8", "level bool?", "closed bool?", "lost_edges int64", "reason utf8?",
	}
	if diff := gocmp.Diff(want, f.columns); diff != "" {
		t.Error(diff)
	}
	origin := int64(math.MinInt64) // of time_ns, on the wall
	for contact, closed := range map[string]string{"cam-60": "1", oddContact: "0"} {
		rows := readCSV(t, export(t, log, "one.csv", "run:"+contact))[1:]
		single := readParquet(t, export(t, log, "one.parquet", "run:"+contact))
		got := f.of(contact)
		if len(got) != len(rows) || len(single.rows) != len(rows) || len(rows) < 500 {
			t.Fatalf("%s: %d rows of all and %d of one, the CSV has %d", contact, len(got), len(single.rows), len(rows))
		}
		shift := number(t, got[0]["time_ns"]) - number(t, rows[0][0])
		var seq int64
		level := ""
		var gaps []string
		lost := int64(0)
		for i, r := range got {
			one := single.rows[i]
			if origin == math.MinInt64 {
				origin = number(t, r["clock_offset_ns"])
			}
			clock(t, r, origin)
			now := number(t, rows[i][2])
			if r["exchange"] != "Marrow Quay, \"new\" exchange" || number(t, r["time_ns"]) != number(t, rows[i][0])+shift || one["time_ns"] != rows[i][0] || one["event"] != r["event"] || one["time_utc"] != r["time_utc"] {
				t.Fatalf("%s: row %d is %v and %v, the CSV has %v", contact, i, r, one, rows[i])
			}
			if r["event"] == "unknown" {
				if gaps = append(gaps, r["reason"]); r["level"] != "" || r["closed"] != "" || rows[i][1] == level {
					t.Fatalf("%s: row %d is %v, the CSV has %v", contact, i, r, rows[i])
				}
				seq, level = now, ""
				continue
			}
			level = rows[i][1]
			bit := map[string]string{"true": "1", "false": "0"}
			if bit[r["level"]] != level || (bit[r["closed"]] == "1") != (level == closed) || r["reason"] != "" || (r["event"] == "found") != (i > 0 && got[i-1]["event"] == "unknown") {
				t.Fatalf("%s: row %d is %v, the CSV has %v", contact, i, r, rows[i])
			}
			if r["event"] == "edge" && i > 0 && now-seq != 1+number(t, r["lost_edges"]) {
				t.Fatalf("%s: row %d is %v, the CSV has %v after %d", contact, i, r, rows[i], seq)
			}
			lost += number(t, r["lost_edges"])
			seq = now
		}
		wantGaps := map[string][]string{"cam-60": {"the source was not read", "not running", "the source was not read"}, oddContact: {"not running"}}[contact]
		if diff := gocmp.Diff(wantGaps, gaps); diff != "" {
			t.Errorf("%s: %s", contact, diff)
		}
		if wantLost := map[string]int64{oddContact: 2}[contact]; lost != wantLost {
			t.Errorf("%s: %d edges lost, want %d", contact, lost, wantLost)
		}
	}
	if len(f.of(deadContact)) > 0 {
		t.Error("a contact that never moved has rows")
	}

	// The same input gives the same bytes.
	a, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(export(t, log, "again.parquet", "--all-contacts"))
	if err != nil || !bytes.Equal(a, b) {
		t.Errorf("two exports differ, %v", err)
	}

	if got := f.metadata["makebreak.format"]; got != "makebreak.edges/1" {
		t.Errorf("format %q", got)
	}
	if f.metadata["makebreak.program"] == "" {
		t.Error("no version of the program")
	}
	var contacts []struct {
		Exchange, Contact, Source, Kind, Closed string
		BeganUTC                                time.Time `json:"began_utc"`
		Clock                                   struct{ Steered bool }
		Settings                                map[string]any
		Rows                                    int
	}
	if err := json.Unmarshal([]byte(f.metadata["makebreak.contacts"]), &contacts); err != nil {
		t.Fatal(err)
	}
	if len(contacts) != 2 || contacts[0].Contact != oddContact || contacts[0].Closed != "low" || contacts[0].Kind != "dial" || contacts[1].Rows != len(f.of("cam-60")) ||
		contacts[0].Clock.Steered || contacts[1].Source != "gpio:GPIO17" || contacts[0].Settings["timing"] != "first" || contacts[0].BeganUTC.Second() > 1 {
		t.Errorf("%+v", contacts)
	}
}

// Pulses and cycles are those of the CSV table, number by number.
func TestExportParquetTables(t *testing.T) {
	log := exportLog(t)
	for _, c := range []struct {
		rows, contact string
		columns       []string
	}{
		{"pulses", oddContact, []string{"class utf8", "train int64?", "pulse int64?", "break_ms float64?", "make_ms float64?", "period_ms float64?", "rate_pps float64?", "break_percent float64?", "gap_before_ms float64?", "bounce_ms float64", "partial bool"}},
		{"cycles", "cam-60", []string{"cycle int64?", "lobe int64?", "period_ms float64?", "break_ms float64?", "make_ms float64?", "rate_ipm float64?", "break_percent float64?", "bounce_ms float64", "missing int64", "extra int64", "segments_ms list<element: float64>?"}},
	} {
		f := readParquet(t, export(t, log, "all.parquet", "--all-contacts", "--rows", c.rows))
		if diff := gocmp.Diff(c.columns, f.columns[6:]); diff != "" {
			t.Error(diff)
		}
		if got, want := f.metadata["makebreak.format"], "makebreak."+c.rows+"/1"; got != want {
			t.Errorf("format %q, want %q", got, want)
		}
		rows := readCSV(t, export(t, log, "table.csv", "run:"+c.contact, "--rows", c.rows))
		names := rows[0]
		if len(f.rows) != len(rows)-1 || len(f.rows) < 100 || len(f.of(c.contact)) != len(f.rows) {
			t.Fatalf("%s: %d rows, the CSV has %d", c.rows, len(f.rows), len(rows)-1)
		}
		var origin int64
		nulls := 0
		for i, r := range f.rows {
			if i == 0 {
				origin = number(t, r["clock_offset_ns"])
			}
			clock(t, r, origin)
			for j, name := range names {
				got, want := r[name], rows[i+1][j]
				switch name {
				case "start_s":
					s, err := strconv.ParseFloat(want, 64)
					if err != nil || int64(math.Round(s*1e9)) != number(t, r["time_ns"])-(number(t, f.rows[0]["time_ns"])-int64(math.Round(parse(t, rows[1][0])*1e9))) {
						t.Fatalf("row %d begins at %s ns, the CSV has %s s, %v", i, r["time_ns"], want, err)
					}
					continue
				case "time_utc":
					continue // clock has looked at it
				case "segments":
					got, want = r["segments_ms"], strings.ReplaceAll(want, " ", ",")
					got = strings.Trim(got, "[]")
				case "partial":
					want = map[string]string{"0": "false", "1": "true"}[want]
				case "class":
				default:
					if want == "" {
						nulls++
						break
					}
					if got == "" || parse(t, got) != parse(t, want) {
						t.Fatalf("row %d: %s is %q, the CSV has %q", i, name, got, want)
					}
					continue
				}
				if got != want {
					t.Fatalf("row %d: %s is %q, the CSV has %q", i, name, got, want)
				}
			}
		}
		if nulls == 0 {
			t.Errorf("%s: nothing was null", c.rows)
		}
	}
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// The figures of summaries are worked out by hand from what was given to the log.
func TestExportParquetSummaries(t *testing.T) {
	f := readParquet(t, export(t, exportLog(t), "sums.parquet", "--all-contacts", "--rows", "summaries"))
	if len(f.rows) != 4 || len(f.of("cam-60")) != 2 {
		t.Fatalf("%d rows", len(f.rows))
	}
	r := f.of("cam-60")[1]
	clock(t, r, number(t, f.rows[0]["clock_offset_ns"]))
	for name, want := range map[string]string{
		"session": "2", "time_ns": "100000000000", "time_utc": "2026-11-20T10:01:40Z", "source_up_s": "60", "edges": "240", "lost_edges": "0", "pulses": "59", "missing": "1",
		"periods": "2", "period_sum_ns": "2000001000", "period_breaks_sum_ns": "1000000000", "period_mean_ms": "1000.0005",
		"period_sd_ms":  "2.8284271247461903", // √(8·10¹² ns² / 1)
		"period_min_ms": "998.0005", "period_max_ms": "1002.0005", "rate_ipm": "59.99997000001500", "rate_pps": "",
		"break_percent": "49.9999750000125", "breaks": "1", "break_sd_ms": "", "break_max_ms": "500", "bounce_max_ms": "0.5", "interdigit_min_ms": "",
	} {
		got := r[name]
		a, errA := strconv.ParseFloat(got, 64)
		b, errB := strconv.ParseFloat(want, 64)
		if got != want && (errA != nil || errB != nil || math.Abs(a-b) > 1e-9*b) {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
	rested := f.of(oddContact)[1]
	for _, name := range []string{"period_mean_ms", "period_sd_ms", "period_min_ms", "rate_pps", "rate_ipm", "break_percent", "break_mean_ms", "bounce_max_ms"} {
		if rested[name] != "" {
			t.Errorf("%s of a contact that rested is %s", name, rested[name])
		}
	}
	for _, c := range f.columns {
		if strings.HasPrefix(c, "time_utc ") && c != "time_utc "+arrow.FixedWidthTypes.Timestamp_ns.String()+"?" {
			t.Error(c)
		}
	}
}
