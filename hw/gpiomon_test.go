package hw

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"makebreak/pulse"
)

const (
	monitored1 = "event:  RISING EDGE offset: 17 timestamp: [     123.456789012]\n" +
		"event: FALLING EDGE offset: 17 timestamp: [     123.496789013]\n" +
		"event: FALLING EDGE offset: 17 timestamp: [ 4611686018.427387904]\n"
	monitored2 = "123.456789012\trising\tgpiochip0 17\n123.496789013\tfalling\tgpiochip0 17\n4611686018.427387904\tfalling\tgpiochip0 17\n"
	named2     = "8.000000001\trising\tgpiochip0 4 \"HOOK\"\n8.000000002\trising\t\"DIAL A\"\n8.040000000\tfalling\tgpiochip0 4 \"HOOK\"\n"
)

// The forms are those of the tools; TestGpiomonOne and TestGpiomonTwo of
// hw/kerneltest hold them against the tools themselves. The edges are worked out by hand.
func TestMonitor(t *testing.T) {
	three := []pulse.Edge{{At: 123_456_789_012, Level: 1}, {At: 123_496_789_013}, {At: 1 << 62}}
	for _, tt := range []struct {
		name, in, contact string
		want              []pulse.Edge
		contacts          []string
	}{
		{name: "libgpiod 1", in: monitored1, want: three, contacts: []string{"17"}},
		{name: "libgpiod 2", in: monitored2, want: three, contacts: []string{"gpiochip0 17"}},
		{name: "a named line", in: named2, contact: "HOOK", want: []pulse.Edge{{At: 8_000_000_001, Level: 1}, {At: 8_040_000_000}}, contacts: []string{"HOOK", "DIAL A"}},
		{name: "a name with a space", in: named2, contact: "DIAL A", want: []pulse.Edge{{At: 8_000_000_002, Level: 1}}, contacts: []string{"HOOK", "DIAL A"}},
		{name: "CRLF, a remark above and no line end", in: "# Marrow Quay, hook\r\n" + strings.ReplaceAll(strings.TrimSuffix(monitored1, "\n"), "\n", "\r\n"), want: three, contacts: []string{"17"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, in := range []io.Reader{strings.NewReader(tt.in), iotest.OneByteReader(strings.NewReader(tt.in))} {
				got, r, err := readAll(in, 2, RecordingOptions{Contact: tt.contact})
				if err != nil {
					t.Fatal(err)
				}
				if d := cmp.Diff(tt.want, got) + cmp.Diff(tt.contacts, r.Contacts()); d != "" {
					t.Error(d)
				}
				if n := r.ResolutionNS(); n != 1 { // nine decimals
					t.Errorf("resolution %v ns", n)
				}
				if s := r.Sequence(); s != "" {
					t.Errorf("sequence %q", s)
				}
			}
		})
	}
}

type badMonitor struct{ name, in, contact, want string }

func monitorBadInput() []badMonitor {
	return []badMonitor{
		{"several lines", named2, "", `edges:2: several contacts: expected a choice of one with --contact: "HOOK", "DIAL A"`},
		{"a line that is not there", named2, "CAM", `edges: no edges of contact "CAM": expected one of "HOOK", "DIAL A"`},
		{"two lines of one name", named2 + "9.1\trising\tgpiochip1 4 \"HOOK\"\n", "HOOK", `edges:4: a second line named "HOOK": expected lines with names of their own`},
		{"cut off 1", monitored1 + "event: FALLING EDGE off", "", `edges:4: "event: FALLING EDGE off" (the file seems to be cut off here): expected ` + monitorLine1},
		{"cut off 2", monitored2 + "9.1\tfal", "", `edges:4: "9.1\tfal" (the file seems to be cut off here): expected ` + monitorLine2},
		{"another line 1", monitored1 + "waiting\n", "", `edges:4: "waiting": expected ` + monitorLine1},
		{"another line 2", monitored2 + "waiting\n", "", `edges:4: "waiting": expected ` + monitorLine2},
		{"both forms", monitored1 + monitored2, "", `edges:4: "123.456789012\trising\tgpiochip0 17": expected ` + monitorLine1},
		{"no edge", "event: DOWN EDGE offset: 17 timestamp: [1.0]\n", "", `edges:1: "event: DOWN EDGE offset: 17 timestamp: ["…: expected ` + monitorLine1},
		{"another time 2", "2026-11-20T10:00:00.000000001Z\trising\t\"HOOK\"\n", "", `edges:1: time is "2026-11-20T10:00:00.000000001Z": expected decimal seconds, such as 123.456789012 (gpiomon without an option for its times)`},
		{"no time", "\trising\t\"HOOK\"\n", "", `edges:1: time is empty: expected decimal seconds, such as 123.456789012 (gpiomon without an option for its times)`},
		{"no line", "1.5\trising\t\n", "", `edges:1: contact is empty: expected a name of at most 256 bytes`},
		{"back", strings.Replace(monitored2, "123.496789013", "123.456789011", 1), "", `edges:2: time 123.456789011 after 123.456789012: expected a greater one in each row of "gpiochip0 17"`},
		{"equal times", "1.5\trising\tHOOK\n1.5\tfalling\tHOOK\n", "", `edges:2: time 1.5 in two rows: expected a greater one in each row of "HOOK"; the times come in steps of 100 ms, which is too coarse: export more decimals`},
		{"too late", "4611686018.427387905\trising\tHOOK\n", "", `edges:1: time is "4611686018.427387905": expected at most 4611686018.427387904`},
		{"an empty line", monitored2 + "\n" + monitored2, "", `edges:4: an empty line: expected them at the end only`},
		{"not UTF-8", "1.5\trising\t\xff\n", "", `edges:1: not UTF-8: expected text of CSV in UTF-8`},
	}
}

func TestMonitorBadInput(t *testing.T) {
	for _, tt := range monitorBadInput() {
		t.Run(tt.name, func(t *testing.T) {
			_, _, err := readAll(strings.NewReader(tt.in), 100, RecordingOptions{Name: "edges", Contact: tt.contact})
			if got := fmt.Sprint(err); !strings.Contains(got, tt.want) {
				t.Errorf("got  %s\nwant %s", got, tt.want)
			}
		})
	}
}

// TestMonitorAllocations: a row costs no allocation.
func TestMonitorAllocations(t *testing.T) {
	for name, row := range map[string]string{
		"libgpiod 1": "event: FALLING EDGE offset: 17 timestamp: [%8d.%09d]\n",
		"libgpiod 2": "%d.%09d\tfalling\t\"HOOK\"\n",
	} {
		var in bytes.Buffer
		for i := range 40000 {
			fmt.Fprintf(&in, row, i/1000, i%1000)
		}
		r, err := OpenRecording(&in, RecordingOptions{})
		if err != nil {
			t.Fatal(err)
		}
		buf := make([]pulse.Edge, 100)
		if n := testing.AllocsPerRun(300, func() {
			if _, err := r.ReadEdges(t.Context(), buf); err != nil {
				t.Fatal(err)
			}
		}); n != 0 {
			t.Errorf("%s: %v allocations in 100 rows", name, n)
		}
	}
}

// FuzzMonitor: reading in pieces gives the same, at most one edge a line, in order
// of time.
func FuzzMonitor(f *testing.F) {
	for _, in := range []string{monitored1, monitored2, named2} {
		f.Add([]byte(in), uint16(7))
	}
	for _, tt := range monitorBadInput() {
		f.Add([]byte(tt.in), uint16(3))
	}
	f.Fuzz(func(t *testing.T, in []byte, chunk uint16) {
		got, r, err := readAll(bytes.NewReader(in), 5, RecordingOptions{})
		if r == nil || isVCD(r) || r.dec.(*csvDecoder).monitor == notMonitor {
			return
		}
		again, _, errAgain := readAll(&chunks{b: in, size: 1 + int(chunk)}, 2, RecordingOptions{})
		if d := cmp.Diff(got, again) + cmp.Diff(fmt.Sprint(err), fmt.Sprint(errAgain)); d != "" && !strings.Contains(fmt.Sprint(err), "several contacts") {
			t.Fatal(d)
		}
		lines := 0
		for line := range strings.Lines(string(in)) {
			if strings.Contains(line, "ising") || strings.Contains(line, "alling") || strings.Contains(line, "EDGE") {
				lines++
			}
		}
		if len(got) > lines {
			t.Fatalf("%d edges of %d lines", len(got), lines)
		}
		for i, e := range got {
			if e.At < 0 || int64(e.At) > MaxRecordingNS || e.Level > pulse.High || e.Lost != 0 || i > 0 && e.At <= got[i-1].At {
				t.Fatal(got)
			}
		}
	})
}
