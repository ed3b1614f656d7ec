package hw

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math/big"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"makebreak/pulse"
	"pgregory.net/rapid"
)

func TestCSV(t *testing.T) {
	for _, tt := range []struct {
		name, in, contact string
		want              []pulse.Edge
		resolutionNS      float64
		contacts          []string
	}{
		{name: "time_ns", in: "time_ns,level\n0,1\n1,0\n12345678,1\n123456789012345678,0\n",
			want: []pulse.Edge{{At: 0, Level: 1}, {At: 1}, {At: 12345678, Level: 1}, {At: 123456789012345678}}, resolutionNS: 1},
		{name: "one edge, no line end", in: "time_ns,level\n7,1",
			want: []pulse.Edge{{At: 7, Level: 1}}, resolutionNS: 1},
		{name: "two edges of one level", in: "time_ns,level\n7,1\n8,1\n",
			want: []pulse.Edge{{At: 7, Level: 1}, {At: 8, Level: 1}}, resolutionNS: 1},
		{name: "CRLF and byte order mark", in: "\xef\xbb\xbftime_ns,level\r\n7,1\r\n8,0\r\n9,1\r\n10,0\r\n11,1\r\n12,0\r\n13,1\r\n",
			want: []pulse.Edge{{At: 7, Level: 1}, {At: 8}, {At: 9, Level: 1}, {At: 10}, {At: 11, Level: 1}, {At: 12}, {At: 13, Level: 1}}, resolutionNS: 1},
		{name: "comments, empty lines at the end", in: "# Marrow Quay, dial 3\ntime_ns,level\n# café\n7,1\n#\n8,0\n\n\r\n# end\n",
			want: []pulse.Edge{{At: 7, Level: 1}, {At: 8}}, resolutionNS: 1},
		{name: "the largest time", in: "time_ns,level\n4611686018427387903,1\n04611686018427387904,0\n",
			want: []pulse.Edge{{At: 1<<62 - 1, Level: 1}, {At: 1 << 62}}, resolutionNS: 1},
		{name: "leading zeros", in: "time_ns,level\n0000000000000000000000000007,1\n", want: []pulse.Edge{{At: 7, Level: 1}}, resolutionNS: 1},
		{name: "time_s", in: "level,time_s\n1,0\n0,0.5\n1,2.000000001\n0,3.0000000014999\n1,3.0000000015\n0,4611686018.427387904\n",
			want: []pulse.Edge{{Level: 1}, {At: 5e8}, {At: 2e9 + 1, Level: 1}, {At: 3e9 + 1}, {At: 3e9 + 2, Level: 1}, {At: 1 << 62}}, resolutionNS: 1e-4},
		{name: "milliseconds", in: "time_s,level\n0.25,1\n1,0\n1.001,1\n",
			want: []pulse.Edge{{At: 25e7, Level: 1}, {At: 1e9}, {At: 1001e6, Level: 1}}, resolutionNS: 1e6},
		{name: "seq", in: "seq,time_ns,level\n4294967294,1,1\n4294967295,2,0\n0,3,1\n4,4,0\n2147483651,5,1\n",
			want: []pulse.Edge{{At: 1, Seq: 1<<32 - 2, Level: 1}, {At: 2, Seq: 1<<32 - 1}, {At: 3, Level: 1},
				{At: 4, Seq: 4, Lost: 3}, {At: 5, Seq: 1<<31 + 3, Lost: 1<<31 - 2, Level: 1}}, resolutionNS: 1},
		{name: "one named contact, quoted", in: "\"contact\",time_ns,\"level\"\n\"dial, \"\"A\"\"\",\"1\",1\n\"dial, \"\"A\"\"\",2,\"0\"\n",
			want: []pulse.Edge{{At: 1, Level: 1}, {At: 2}}, resolutionNS: 1, contacts: []string{`dial, "A"`}},
		{name: "a chosen contact", in: "time_ns,level,seq,contact\n5,1,7,cam\n3,0,1,dial\n6,0,8,cam\n4,1,3,dial\n", contact: "dial",
			want: []pulse.Edge{{At: 3, Seq: 1}, {At: 4, Seq: 3, Lost: 1, Level: 1}}, resolutionNS: 1, contacts: []string{"cam", "dial"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, in := range []io.Reader{strings.NewReader(tt.in), iotest.OneByteReader(strings.NewReader(tt.in))} {
				for _, some := range []int{1, 100} {
					got, r, err := readAll(in, some, RecordingOptions{Contact: tt.contact})
					if err != nil {
						t.Fatal(err)
					}
					if diff := cmp.Diff(tt.want, got); diff != "" {
						t.Error(diff)
					}
					if isVCD(r) || r.ResolutionNS() != tt.resolutionNS || r.BytesRead() != int64(len(tt.in)) {
						t.Errorf("VCD %t, resolution %v, %d bytes read", isVCD(r), r.ResolutionNS(), r.BytesRead())
					}
					if diff := cmp.Diff(tt.contacts, r.Contacts()); diff != "" {
						t.Error(diff)
					}
					in = strings.NewReader(tt.in)
				}
			}
		})
	}
}

func TestCSVBadInput(t *testing.T) { testBadInput(t, "edges.csv", csvBadInput()) }

func csvBadInput() []badInput {
	const (
		header = ": expected a header line of time_ns or time_s, level, and if wanted contact and seq, separated by commas"
		ns     = ": expected whole nanoseconds, 0 or more"
		secs   = ": expected decimal seconds, 0 or more, such as 12.0345"
		cut    = " (the file seems to be cut off here)"

		separators = ": expected commas between the columns and a point in decimals: save the file so"
		convert    = ": expected time_s, in seconds, or time_ns, in whole nanoseconds: convert the times"
	)
	coarse := func(step string) string {
		return ": expected a greater one in each row; the times come in steps of " + step + ", which is too coarse: export more decimals"
	}
	digits := strings.Repeat("9", 5000)
	return []badInput{
		{name: "header only", in: "time_ns,level\n", want: "edges.csv: no edges"},
		{name: "comments only", in: "# a\n# b", want: "edges.csv: comments only" + header},
		{name: "no header", in: "5,1\n6,0\n", want: `edges.csv:1: the first line is data: expected a header before it, time_s,level or time_ns,level`},
		{name: "no header, seconds", in: "0.5, 1\n0.6, 0\n", want: `edges.csv:1: the first line is data: expected a header before it, time_s,level or time_ns,level`},
		{name: "semicolons", in: "time_ns;level\n5;1\n", want: "edges.csv:1: semicolons between the columns" + separators},
		{name: "semicolons and decimal commas", in: "0,5;1\n0,6;0\n", want: "edges.csv:1: semicolons between the columns" + separators},
		{name: "tabs", in: "time_s\tlevel\n5\t1\n", want: "edges.csv:1: tabs between the columns" + separators},
		{name: "capital letters", in: "Time_s,level\n5,1\n", want: `edges.csv:1: column "Time_s" is not known: expected time_s, in small letters and without blanks`},
		{name: "blank after the comma", in: "time_s, level\n5, 1\n", want: `edges.csv:1: column " level" is not known: expected level, in small letters and without blanks`},
		{name: "milliseconds", in: "time_ms,level\n5,1\n", want: `edges.csv:1: column "time_ms" is not known` + convert},
		{name: "microseconds", in: "Time (µs),level\n5,1\n", want: `edges.csv:1: column "Time (µs)" is not known` + convert},
		{name: "unit in brackets", in: "Time [s],Channel 0\n5,1\n", want: `edges.csv:1: column "Time [s]" is not known: expected time_s, in seconds`},
		{name: "nanoseconds in brackets", in: "Time [ns],Channel 0\n5,1\n", want: `edges.csv:1: column "Time [ns]" is not known: expected time_ns, in whole nanoseconds`},
		{name: "no unit", in: "time,level\n5,1\n", want: `edges.csv:1: column "time" is not known: expected time_s, in seconds, or time_ns, in whole nanoseconds`},
		{name: "decimal commas", in: "time_s,level\n0,5,1\n", want: "edges.csv:2: 3 columns (a decimal comma? write a point): expected 2 (time_s,level)"},
		{name: "quoted decimal commas", in: "time_s,level\n\"0,5\",1\n", want: `edges.csv:2: time_s is "0,5", with a decimal comma: expected a decimal point`},
		{name: "empty line first", in: "\ntime_ns,level\n5,1\n", want: "edges.csv:1: an empty line" + header},
		{name: "missing level", in: "time_ns\n5\n", want: "edges.csv:1: no column level" + header},
		{name: "missing time", in: "# x\nlevel\n1\n", want: "edges.csv:2: no column time_ns or time_s" + header},
		{name: "header cut off", in: "time_ns,lev", want: `edges.csv:1: column "lev" is not known` + cut + header},
		{name: "doubled column", in: "time_ns,level,time_ns\n", want: "edges.csv:1: column time_ns comes twice: expected each column once"},
		{name: "both times", in: "time_ns,level,time_s\n", want: "edges.csv:1: both time_ns and time_s: expected one of them"},
		{name: "too many columns", in: "time_ns,level,seq,contact,time_s,volts\n", want: "edges.csv:1: 6 columns" + header},
		{name: "unknown column", in: "time_ns,level,volts\n", want: `edges.csv:1: column "volts" is not known` + header},
		{name: "text in a time", in: "time_ns,level\n5,1\nten,0\n", edges: 1, want: `edges.csv:3: time_ns is "ten"` + ns},
		{name: "decimals in time_ns", in: "time_ns,level\n5.0,1\n", want: `edges.csv:2: time_ns is "5.0"` + ns},
		{name: "a space", in: "time_ns,level\n5, 1\n", want: `edges.csv:2: level is " 1": expected 0 or 1`},
		{name: "NaN", in: "time_s,level\nNaN,1\n", want: `edges.csv:2: time_s is "NaN"` + secs},
		{name: "Inf", in: "time_s,level\n+Inf,1\n", want: `edges.csv:2: time_s is "+Inf"` + secs},
		{name: "1e400", in: "time_s,level\n1e400,1\n", want: `edges.csv:2: time_s is "1e400"` + secs},
		{name: "1e400 ns", in: "time_ns,level\n1e400,1\n", want: `edges.csv:2: time_ns is "1e400"` + ns},
		{name: "hexadecimal", in: "time_s,level\n0x10,1\n", want: `edges.csv:2: time_s is "0x10"` + secs},
		{name: "a point and no digits", in: "time_s,level\n5.,1\n", want: `edges.csv:2: time_s is "5."` + secs},
		{name: "two points", in: "time_s,level\n5.1.2,1\n", want: `edges.csv:2: time_s is "5.1.2"` + secs},
		{name: "negative", in: "time_ns,level\n-5,1\n", want: `edges.csv:2: time_ns is "-5"` + ns},
		{name: "negative seconds", in: "time_s,level\n-0.5,1\n", want: `edges.csv:2: time_s is "-0.5"` + secs},
		{name: "backwards", in: "time_ns,level\n200,1\n100,0\n300,1\n", edges: 1, want: "edges.csv:3: time_ns 100 after 200: expected a greater one in each row"},
		{name: "equal", in: "time_ns,level\n200,1\n200,0\n300,1\n", edges: 1, want: "edges.csv:3: time_ns 200 in two rows: expected a greater one in each row"},
		{name: "backwards in seconds", in: "time_s,level\n1.50,1\n0.75,0\n", edges: 1, want: "edges.csv:3: time_s 0.75 after 1.50: expected a greater one in each row"},
		{name: "whole seconds", in: "time_s,level\n1,1\n0,0\n", edges: 1, want: "edges.csv:3: time_s 0 after 1: expected a greater one in each row"},
		{name: "steps of 1 ms", in: "time_s,level\n1.000,1\n1.001,0\n1.001,1\n", edges: 2, want: "edges.csv:4: time_s 1.001 in two rows" + coarse("1 ms")},
		{name: "steps of 10 µs", in: "time_s,level,contact\n1.00001,1,cam\n1.00001,0,cam\n", edges: 1, want: "edges.csv:3: time_s 1.00001 in two rows: expected a greater one in each row of \"cam\"; the times come in steps of 0.01 ms, which is too coarse: export more decimals"},
		{name: "steps of 1 s", in: "time_s,level\n1,1\n1,0\n", edges: 1, want: "edges.csv:3: time_s 1 in two rows" + coarse("1 s")},
		{name: "steps of 100 ms", in: "time_s,level\n1.1,1\n1.1,0\n", edges: 1, want: "edges.csv:3: time_s 1.1 in two rows" + coarse("100 ms")},
		{name: "equal to the ns", in: "time_s,level\n2.0000000001,1\n2.0000000002,0\n", edges: 1,
			want: "edges.csv:3: time_s 2.0000000002 in two rows: expected a greater one in each row"},
		{name: "backwards in one contact", in: "time_ns,contact,level\n9,cam,1\n5,dial,1\n8,cam,0\n", contact: "dial", edges: 1,
			want: `edges.csv:4: time_ns 8 after 9: expected a greater one in each row of "cam"`},
		{name: "above 2^62", in: "time_ns,level\n4611686018427387905,1\n", want: `edges.csv:2: time_ns is "4611686018427387905": expected at most 4611686018427387904`},
		{name: "the largest int64", in: "time_ns,level\n9223372036854775807,1\n", want: `edges.csv:2: time_ns is "9223372036854775807": expected at most 4611686018427387904`},
		{name: "above uint64", in: "time_ns,level\n18446744073709551617,1\n", want: `edges.csv:2: time_ns is "18446744073709551617": expected at most 4611686018427387904`},
		{name: "the smallest int64", in: "time_ns,level\n-9223372036854775808,1\n", want: `edges.csv:2: time_ns is "-9223372036854775808"` + ns},
		{name: "too many seconds", in: "time_s,level\n4611686018.4273879045,1\n", want: `edges.csv:2: time_s is "4611686018.4273879045": expected at most 4611686018.427387904`},
		{name: "thousands of digits", in: "time_ns,level\n" + digits + ",1\n", want: `edges.csv:2: time_ns is "` + digits[:40] + `"…: expected at most 4611686018427387904`},
		{name: "level 2", in: "time_ns,level\n1,0\n5,2\n", edges: 1, want: `edges.csv:3: level is "2": expected 0 or 1`},
		{name: "level 10", in: "time_ns,level\n5,10\n6,0\n7,0\n8,0\n9,0\n10,0\n11,0\n12,0\n", want: `edges.csv:2: level is "10": expected 0 or 1`},
		{name: "too few columns", in: "time_ns,level\n5\n6,0\n", want: "edges.csv:2: 1 column: expected 2 (time_ns,level)"},
		{name: "more columns", in: "time_ns,level\n5,1,7,8,9,10\n", want: "edges.csv:2: 6 columns: expected 2 (time_ns,level)"},
		{name: "empty field", in: "time_ns,level\n,1\n", want: "edges.csv:2: time_ns is empty" + ns},
		{name: "cut in the time", in: "time_ns,level\n5,1\n6", edges: 1, want: "edges.csv:3: 1 column" + cut + ": expected 2 (time_ns,level)"},
		{name: "cut after the comma", in: "time_ns,level\n5,1\n6,", edges: 1, want: "edges.csv:3: level is empty" + cut + ": expected 0 or 1"},
		{name: "cut in the last number", in: "level,time_ns\n1,500\n0,6", edges: 1, want: "edges.csv:3: time_ns 6 after 500" + cut + ": expected a greater one in each row"},
		{name: "cut in quotes", in: "contact,time_ns,level\n\"di", want: "edges.csv:2: a quoted field does not end" + cut + `: expected a " at the end of the field`},
		{name: "cut in a contact", in: "time_ns,level,contact\n5,1,dial\n6,1,di", edges: 1, want: "edges.csv:3: several contacts" + cut + `: expected a choice of one with --contact: "dial", "di"`},
		{name: "empty line inside", in: "time_ns,level\n5,1\n\n# c\n6,0\n", edges: 1, want: "edges.csv:3: an empty line: expected them at the end only"},
		{name: "quote inside", in: "contact,time_ns,level\ndi\"al,5,1\n", want: `edges.csv:2: a quote inside "di\"al": expected quotes around the whole field, a quote in it doubled`},
		{name: "text after a quote", in: "contact,time_ns,level\n\"di\"al,5,1\n", want: `edges.csv:2: "al,5,1" after a quoted field: expected a comma`},
		{name: "NUL byte", in: "time_ns,level\n5,1\n6,\x000\n", edges: 1, want: "edges.csv:3: a NUL byte: expected text of CSV in UTF-8"},
		{name: "NUL byte in a comment", in: "time_ns,level\n# \x00\n6,0\n", want: "edges.csv:2: a NUL byte: expected text of CSV in UTF-8"},
		{name: "Latin-1", in: "contact,time_ns,level\ncaf\xe9,5,1\n", want: "edges.csv:2: not UTF-8: expected text of CSV in UTF-8"},
		{name: "a lone CR", in: "time_ns,level\n5,1\r6,0\r\n", want: `edges.csv:2: 3 columns: expected 2 (time_ns,level)`},
		{name: "seq backwards", in: "time_ns,level,seq\n5,1,9\n6,0,8\n", edges: 1, want: "edges.csv:3: seq 8 after 9: expected a greater one in each row"},
		{name: "seq equal", in: "time_ns,level,seq\n5,1,9\n6,0,9\n", edges: 1, want: "edges.csv:3: seq 9 after 9: expected a greater one in each row"},
		{name: "seq too large", in: "time_ns,level,seq\n5,1,4294967296\n", want: `edges.csv:2: seq is "4294967296": expected a whole number up to 4294967295`},
		{name: "seq of text", in: "time_ns,level,seq\n5,1,-1\n", want: `edges.csv:2: seq is "-1": expected a whole number up to 4294967295`},
		{name: "empty contact", in: "time_ns,level,contact\n5,1,\n", want: "edges.csv:2: contact is empty: expected a name of at most 256 bytes"},
		{name: "long contact", in: "time_ns,level,contact\n5,1," + digits + "\n", want: `edges.csv:2: contact is "` + digits[:40] + `"…: expected a name of at most 256 bytes`},
		{name: "a contact that is not there", in: "time_ns,level,contact\n5,1,dial\n6,1,cam\n", contact: "ring", want: `edges.csv: no edges of contact "ring": expected one of "dial", "cam"`},
		{name: "a contact and no column", in: "time_ns,level\n5,1\n", contact: "ring", want: `edges.csv:1: no column contact to find "ring" in: expected one, or no contact to be chosen`},
	}
}

func TestCSVResolutionAtFirst(t *testing.T) {
	for header, want := range map[string]float64{"time_s,level": 0, "time_ns,level": 1} {
		r, err := OpenRecording(strings.NewReader(header+"\n5,1\n"), RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if got := r.ResolutionNS(); got != want {
			t.Errorf("%s: %v ns, want %v", header, got, want)
		}
	}
}

// Rows read directly give what rows split into fields give, right or wrong.
func TestCSVDirect(t *testing.T) {
	tail := "\n#" + strings.Repeat(" ", directRow) + "\n" // makes every row above whole and long enough
	rapid.Check(t, func(t *rapid.T) {
		at := uint64(0)
		row := rapid.Custom(func(t *rapid.T) string {
			at += rapid.OneOf(rapid.Uint64Range(0, 2), rapid.Uint64Range(0, 1e10), rapid.Uint64Range(0, 1e18)).Draw(t, "step")
			time := rapid.SampledFrom([]string{"%d", "%d", "%d", "%d", "0%d", "%d:", "/%d", "%d\xb0", "-%d", "", "%d0"}).Draw(t, "time")
			return strings.Replace(time, "%d", strconv.FormatUint(at, 10), 1) +
				rapid.SampledFrom([]string{",", ",", ",", ";", ",,"}).Draw(t, "comma") +
				rapid.SampledFrom([]string{"0", "1", "0", "1", "2", "", "/", "01"}).Draw(t, "level") +
				rapid.SampledFrom([]string{"\n", "\n", "\n", "\r\n", "\r", "\n\n"}).Draw(t, "end")
		})
		if diff := compareSlow("time_ns,level\n" + strings.Join(rapid.SliceOfN(row, 1, 20).Draw(t, "rows"), "") + tail); diff != "" {
			t.Fatal(diff)
		}
	})
	for _, tt := range csvBadInput() {
		if diff := compareSlow(tt.in + tail); diff != "" {
			t.Error(tt.name, diff)
		}
	}
	for _, end := range []string{"\n", "\r\n"} {
		r, err := OpenRecording(strings.NewReader("time_ns,level"+end+"5,1"+end+"12345678,0"+end+"123456789012345678,1"+end+tail), RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		if n := r.dec.(*csvDecoder).readDirect(make([]pulse.Edge, 9)); n != 3 {
			t.Errorf("%d rows read directly, want 3", n)
		}
	}
}

func TestCSVNoEdges(t *testing.T) {
	for _, contact := range []string{"", "ring"} {
		_, _, err := readAll(strings.NewReader("time_ns,level,contact\n"), 1, RecordingOptions{Contact: contact})
		if !errors.Is(err, ErrNoEdges) {
			t.Error(err)
		}
	}
}

// An endless line ends reading soon.
func TestCSVLongLine(t *testing.T) {
	for _, start := range []string{"", "#", "time_ns,level\n", "time_ns,level\n5,1\n#", "time_ns,level\n5,1\n\"", "time_ns,level\n5,1\n\r"} {
		in := &counter{r: io.MultiReader(strings.NewReader(start), endless{})}
		_, _, err := readAll(in, 10, RecordingOptions{Name: "edges.csv"})
		want := fmt.Sprintf("edges.csv:%d: the line is too long: expected at most 65536 bytes", 1+strings.Count(start, "\n"))
		if err == nil || err.Error() != want {
			t.Errorf("%v, want %s", err, want)
		}
		if in.n > 2*windowBytes {
			t.Errorf("%d bytes read", in.n)
		}
	}
	in := "time_ns,level\n" + strings.Repeat("0", maxLine-3) + "5,1\n"
	got, _, err := readAll(strings.NewReader(in), 10, RecordingOptions{})
	if diff := cmp.Diff([]pulse.Edge{{At: 5, Level: 1}}, got); err != nil || diff != "" {
		t.Error(err, diff)
	}
}

type endless struct{}

func (endless) Read(b []byte) (int, error) {
	for i := range b {
		b[i] = '7'
	}
	return len(b), nil
}

type counter struct {
	r io.Reader
	n int
}

func (c *counter) Read(b []byte) (int, error) {
	n, err := c.r.Read(b)
	c.n += n
	return n, err
}

// The choice lists those that are at hand; it does not wait for more.
func TestCSVSeveralContacts(t *testing.T) {
	const in = "time_ns,level,contact\n5,1,dial\n6,0,dial\n6,1,cam\n# c\n7,1,ring\n8,0,cam\n"
	for _, tt := range []struct {
		in   io.Reader
		list string
	}{
		{strings.NewReader(in), `"dial", "cam", "ring"`},
		{iotest.OneByteReader(strings.NewReader(in)), `"dial", "cam"`},
	} {
		edges, _, err := readAll(tt.in, 9, RecordingOptions{Name: "edges.csv"})
		if want := "edges.csv:4: several contacts: expected a choice of one with --contact: " + tt.list; err == nil || err.Error() != want || len(edges) != 2 {
			t.Errorf("%d edges, %v, want %s", len(edges), err, want)
		}
	}
}

func TestCSVManyContacts(t *testing.T) {
	var b strings.Builder
	b.WriteString("contact,time_ns,level\n")
	for i := range 1001 {
		fmt.Fprintf(&b, "c%d,5,1\n", i)
	}
	_, _, err := readAll(strings.NewReader(b.String()), 1, RecordingOptions{Name: "edges.csv", Contact: "c9"})
	if want := "edges.csv:1002: too many contacts: expected 1000 at most"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
	_, r, err := readAll(strings.NewReader(b.String()), 1, RecordingOptions{Name: "edges.csv"})
	if want := `edges.csv:3: several contacts: expected a choice of one with --contact: "c0", "c1", "c2", "c3", "c4", "c5", "c6", "c7", "c8", "c9", "c10", "c11" and 988 more`; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
	if n := len(r.Contacts()); n != 1000 {
		t.Errorf("%d contacts", n)
	}
}

func TestCSVAllocations(t *testing.T) {
	for _, header := range []string{"time_ns,level", "level,time_ns", "time_s,level", "time_ns,level,seq", "contact,time_ns,level"} {
		r, err := OpenRecording(bytes.NewReader(csvRows(header, 40_000)), RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		buf := make([]pulse.Edge, 100)
		read := func() {
			if n, err := r.ReadEdges(context.Background(), buf); n == 0 || err != nil {
				t.Fatal(n, err)
			}
		}
		read() // meets the contact
		if n := testing.AllocsPerRun(300, read); n != 0 {
			t.Errorf("%s: %v allocations per 100 rows", header, n)
		}
	}
}

func TestCSVRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := drawEdges(t)
		seq := rapid.Bool().Draw(t, "with seq")
		want[0].Lost = 0 // what was lost before the first edge cannot be known
		if want[0].Seq == 0 {
			t.Skip("0 stands for none")
		}
		// What is lost fits the levels beside it, and one loss repeats a level,
		// else the numbers would not be read as this contact's.
		for i := range want[1:] {
			before, e := want[i], &want[i+1]
			if i == 0 {
				e.Lost, e.Level = 1, before.Level
			}
			if e.Lost > 0 && (e.Lost&1 == 1) != (e.Level == before.Level) {
				e.Lost--
			}
			e.Seq = before.Seq + 1 + e.Lost
		}
		if !seq {
			for i := range want {
				want[i].Seq, want[i].Lost = 0, 0
			}
		}
		var file bytes.Buffer
		w := NewCSVWriter(&file, CSVOptions{Seq: seq, Comments: []string{"Marrow Quay\nlinefinder \x00\xff\r\n", ""}})
		split := rapid.IntRange(0, len(want)).Draw(t, "split")
		for _, part := range [][]pulse.Edge{want[:split], want[split:]} {
			if err := w.Write(part); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Flush(); err != nil {
			t.Fatal(err)
		}
		got, _, err := readAll(&file, 7, RecordingOptions{})
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Fatal(err, diff)
		}
	})
}

func TestCSVWriter(t *testing.T) {
	var file bytes.Buffer
	w := NewCSVWriter(&file, CSVOptions{Seq: true, Comments: []string{"Marrow Quay\ninvented"}})
	err := errors.Join(w.Write([]pulse.Edge{{At: 3, Level: 1}, {At: 9, Lost: 2}}), w.Flush())
	if diff := cmp.Diff("# Marrow Quay\n# invented\ntime_ns,level,seq\n3,1,1\n9,0,4\n", file.String()); err != nil || diff != "" {
		t.Error(err, diff)
	}

	for _, tt := range []struct {
		edges []pulse.Edge
		want  string
	}{
		{[]pulse.Edge{{At: 5}, {At: 5, Level: 1}}, "write recording: an edge at 5 ns after 5 ns: expected increasing times from 0 to 4611686018427387904"},
		{[]pulse.Edge{{At: -1}}, "write recording: an edge at -1 ns after 0 ns: expected increasing times from 0 to 4611686018427387904"},
		{[]pulse.Edge{{At: 5}, {At: 1<<62 + 1}}, "write recording: an edge at 4611686018427387905 ns after 5 ns: expected increasing times from 0 to 4611686018427387904"},
		{[]pulse.Edge{{At: 5}, {At: 6, Level: pulse.Unknown}}, "write recording: edge at 6 ns: an unknown level: expected 0 or 1"},
		{[]pulse.Edge{{At: 5}, {At: 6, Lost: 1}}, "write recording: edge at 6 ns: edges lost before it: expected the seq column to be asked for"},
	} {
		var file bytes.Buffer
		w := NewCSVWriter(&file, CSVOptions{})
		for range 2 {
			if err := w.Write(tt.edges); err == nil || err.Error() != tt.want {
				t.Errorf("%v, want %s", err, tt.want)
			}
		}
		if err := w.Flush(); err == nil || err.Error() != tt.want {
			t.Errorf("%v, want %s", err, tt.want)
		}
		want := "time_ns,level\n"
		if len(tt.edges) > 1 {
			want += "5,0\n"
		}
		if diff := cmp.Diff(want, file.String()); diff != "" {
			t.Error(diff)
		}
	}
	if err := NewCSVWriter(io.Discard, CSVOptions{Seq: true}).Write([]pulse.Edge{{}, {At: 1, Lost: 1<<31 - 1}}); err == nil {
		t.Error("a loss that would read as a step back was written")
	}
	if err := NewCSVWriter(io.Discard, CSVOptions{Comments: []string{strings.Repeat("x", maxLine)}}).Flush(); err == nil {
		t.Error("a comment too long to read was written")
	}
}

// Each write below ends with a line, and its failure is reported at once and
// for good.
func TestCSVWriterWrites(t *testing.T) {
	full := errors.New("disk full")
	out := &lines{t: t, err: full, after: 3}
	w := NewCSVWriter(out, CSVOptions{})
	edges := make([]pulse.Edge, 1000)
	var at pulse.Stamp
	for n := 0; ; n++ {
		for i := range edges {
			at++
			edges[i] = pulse.Edge{At: at, Level: pulse.Level(i & 1)}
		}
		if err := w.Write(edges); errors.Is(err, full) {
			break
		} else if err != nil || n > 100 {
			t.Fatal(n, err)
		}
	}
	if err := w.Flush(); !errors.Is(err, full) || out.writes != 4 {
		t.Error(err, out.writes)
	}
}

type lines struct {
	t             *testing.T
	writes, after int
	err           error
}

func (l *lines) Write(b []byte) (int, error) {
	if l.writes++; l.writes > l.after {
		return 0, l.err
	}
	if !bytes.HasSuffix(b, []byte("\n")) || len(b) > 2*lineBuffer {
		l.t.Errorf("%d bytes written, the last %q", len(b), b[len(b)-1])
	}
	return len(b), nil
}

// FuzzCSV checks that any input gives the same however it is cut into reads
// and whether or not rows are read directly; that times increase; and that
// what is accepted is what encoding/csv and math/big read in it.
func FuzzCSV(f *testing.F) {
	for _, header := range []string{"time_ns,level", "level,time_ns", "time_s,level", "time_ns,level,seq", "contact,time_ns,level"} {
		f.Add(csvRows(header, 6), uint16(9))
	}
	f.Add([]byte("seq,contact,time_ns,level\n4294967294,dial,1,1\n4294967295,dial,2,0\n2,dial,3,0\n9,dial,4,0\n7,dial,5,1\n"), uint16(3))
	f.Add([]byte("\xef\xbb\xbf# c\r\n\"time_ns\",level\r\n123456789012345678,1\r\n1234567890123456789,1\r\n\r\n"), uint16(1))
	f.Add([]byte("time_ns,level\n1,1\n99999999,0\n100000000,1\n9999999999999999,0\n10000000000000000,1\n0,0\n"), uint16(30))
	for _, tt := range csvBadInput() {
		f.Add([]byte(tt.in), uint16(7))
	}
	f.Fuzz(func(t *testing.T, in []byte, chunk uint16) {
		got, r, err := readAll(bytes.NewReader(in), 5, RecordingOptions{})
		if r != nil && isVCD(r) {
			return
		}
		again, _, errAgain := readAll(&chunks{b: in, size: 1 + int(chunk)}, 2, RecordingOptions{})
		if diff := cmp.Diff(got, again) + cmp.Diff(fmt.Sprint(err), fmt.Sprint(errAgain)); diff != "" && !strings.Contains(fmt.Sprint(err), "several contacts") {
			t.Fatal(diff)
		}
		if diff := compareSlow(string(in)); diff != "" {
			t.Fatal(diff)
		}
		for i, e := range got {
			if e.At < 0 || int64(e.At) > MaxRecordingNS || e.Level > pulse.High || i > 0 && e.At <= got[i-1].At {
				t.Fatal(got)
			}
		}
		if err == nil && !bytes.Contains(in, []byte("\r")) { // encoding/csv drops some lone CRs
			compareCSV(t, in, got)
		}
	})
}

// compareSlow tells what differs when no rows are read directly.
func compareSlow(in string) string {
	got, _, err := readAll(strings.NewReader(in), 100, RecordingOptions{})
	r, errSlow := OpenRecording(strings.NewReader(in), RecordingOptions{})
	var slow []pulse.Edge
	if errSlow == nil {
		if d, ok := r.dec.(*csvDecoder); ok {
			d.direct = false
		}
		slow, _, errSlow = readRest(r, 3)
	}
	return cmp.Diff(slow, got) + cmp.Diff(fmt.Sprint(errSlow), fmt.Sprint(err))
}

func compareCSV(t *testing.T, in []byte, got []pulse.Edge) {
	c := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(in, []byte("\xef\xbb\xbf"))))
	c.Comment = '#'
	rows, err := c.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if len(rows)-1 != len(got) {
		t.Fatalf("%d edges of %d rows", len(got), len(rows)-1)
	}
	for i, row := range rows[1:] {
		for j, column := range rows[0] {
			switch column {
			case "level":
				if row[j] != strconv.Itoa(int(got[i].Level)) {
					t.Fatal(row, got[i])
				}
			case "seq":
				if n, err := strconv.ParseUint(row[j], 10, 32); err != nil || uint32(n) != got[i].Seq {
					t.Fatal(row, got[i], err)
				}
			case "time_ns", "time_s":
				x, ok := new(big.Rat).SetString(row[j])
				if !ok {
					t.Fatal(row)
				}
				if column == "time_s" {
					x.Mul(x, big.NewRat(1e9, 1))
				}
				x.Sub(x, new(big.Rat).SetInt64(int64(got[i].At))) // at least -1/2, below 1/2
				if x.Cmp(big.NewRat(-1, 2)) < 0 || x.Cmp(big.NewRat(1, 2)) >= 0 {
					t.Fatal(row, got[i])
				}
			}
		}
	}
}

// chunks reads a few bytes at a time.
type chunks struct {
	b    []byte
	size int
}

func (c *chunks) Read(p []byte) (int, error) {
	if len(c.b) == 0 {
		return 0, io.EOF
	}
	n := copy(p, c.b[:min(c.size, len(c.b))])
	c.b = c.b[n:]
	return n, nil
}

// csvRows makes a file with times as a kernel's clock gives them some minutes
// after start.
func csvRows(header string, rows int64) []byte {
	b := []byte(header + "\n")
	for i := range rows {
		at := 1_000_000_000_000 + i*33_000_017
		switch header {
		case "time_ns,level":
			b = fmt.Appendf(b, "%d,%d\n", at, i&1)
		case "level,time_ns":
			b = fmt.Appendf(b, "%d,%d\n", i&1, at)
		case "time_s,level":
			b = fmt.Appendf(b, "%d.%09d,%d\n", at/1e9, at%1e9, i&1)
		case "time_ns,level,seq":
			b = fmt.Appendf(b, "%d,%d,%d\n", at, i&1, i)
		case "contact,time_ns,level":
			b = fmt.Appendf(b, "dial,%d,%d\n", at, i&1)
		}
	}
	return b
}

func BenchmarkCSV(b *testing.B) {
	const rows = 500_000
	for _, header := range []string{"time_ns,level", "level,time_ns", "time_s,level", "time_ns,level,seq", "contact,time_ns,level"} {
		b.Run(header, func(b *testing.B) { benchmarkRead(b, csvRows(header, rows), rows) })
	}
}

func benchmarkRead(b *testing.B, file []byte, rows int) {
	buf := make([]pulse.Edge, 4096)
	b.SetBytes(int64(len(file)))
	b.ReportAllocs()
	for b.Loop() {
		r, err := OpenRecording(bytes.NewReader(file), RecordingOptions{})
		if err != nil {
			b.Fatal(err)
		}
		total := 0
		for {
			n, err := r.ReadEdges(context.Background(), buf)
			if err == io.EOF {
				break
			}
			if err != nil {
				b.Fatal(err)
			}
			total += n
		}
		if total != rows {
			b.Fatalf("%d edges of %d", total, rows)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*rows), "ns/edge")
}
