package hw

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"makebreak/pulse"
	"pgregory.net/rapid"
)

const (
	lo = pulse.Low
	hi = pulse.High
	un = pulse.Unknown
)

// vcd is a dump of one contact with code ! beside an 8-bit bus with code ".
func vcd(timescale, changes string) string {
	return "$timescale " + timescale + " $end\n$scope module top $end\n$var wire 1 ! contact $end\n" +
		"$var reg 8 \" bus [7:0] $end\n$upscope $end\n$enddefinitions $end\n" + changes
}

func TestVCD(t *testing.T) {
	for _, tt := range []struct {
		name, in     string
		want         []pulse.Edge
		resolutionNS float64
	}{
		{name: "initial level in $dumpvars", in: vcd("1 ns", "#0\n$dumpvars\n0!\nb0 \"\n$end\n#5\n1!\n#9\n0!\n#20\n"),
			want: []pulse.Edge{{At: 5, Level: hi}, {At: 9}}, resolutionNS: 1},
		{name: "$dumpvars later than 0", in: vcd("1ns", "#500 $dumpvars 1! bx \" $end 0! #505 1!"),
			want: []pulse.Edge{{At: 505, Level: hi}}, resolutionNS: 1},
		{name: "first change at 0", in: vcd("10 us", "#0 1! #5 0!"), want: []pulse.Edge{{At: 50_000}}, resolutionNS: 1e4},
		{name: "$dumpvars before 0", in: vcd("1 ns", "$dumpvars 0! $end #0 1! #5 0!"),
			want: []pulse.Edge{{Level: hi}, {At: 5}}, resolutionNS: 1},
		{name: "no value before the first change", in: vcd("1 ms", "#0 b1 \" #5 1! #7 0!"),
			want: []pulse.Edge{{At: 5e6, Level: hi}, {At: 7e6}}, resolutionNS: 1e6},
		{name: "unknown at first", in: vcd("1 ns", "#0 $dumpvars x! $end #3 z! #5 1! #7 0!"),
			want: []pulse.Edge{{At: 7}}, resolutionNS: 1},
		{name: "first change is unknown", in: vcd("1 ns", "#3 X! #5 1! #7 0!"),
			want: []pulse.Edge{{At: 7}}, resolutionNS: 1},
		{name: "x and z", in: vcd("1 ns", "#0 1! #3 x! #4 Z! #5 1! #6 z! #7 0!"),
			want: []pulse.Edge{{At: 3, Level: un}, {At: 5, Level: hi}, {At: 6, Level: un}, {At: 7}}, resolutionNS: 1},
		{name: "a change to the level held", in: vcd("1 ns", "#0 1! #3 1! #4 0! #5 0! #6 1!"),
			want: []pulse.Edge{{At: 4}, {At: 6, Level: hi}}, resolutionNS: 1},
		{name: "the last of several at one time counts", in: vcd("1 ns", "#0 1! #3 0! 1! #4 1! #4 0! 1! 0! #5 0!"),
			want: []pulse.Edge{{At: 4}}, resolutionNS: 1},
		{name: "$dumpoff, $dumpon, $dumpall", in: vcd("1 ns", "#0 1! #3 $dumpoff x! bx \" $end #5 $dumpon 0! b1 \" $end #6 $dumpall 0! b1 \" $end #8 1!"),
			want: []pulse.Edge{{At: 3, Level: un}, {At: 5}, {At: 8, Level: hi}}, resolutionNS: 1},
		{name: "vectors, reals and strings beside it", in: vcd("1 ns", "#0 b1 ! #1 r1.5e3 \" sidle \" B0z1 \" R0 \" S \" #3 b0 !"),
			want: []pulse.Edge{{At: 3}}, resolutionNS: 1},
		{name: "comments and unknown sections", in: "\n\t$comment $var 0! #5 $end " +
			vcd("1\n ns", "$comment 1! $end #0 $dumpvars $comment 0! $end 1! $end $vcdclose #7 $end $comment $end #5 0!"),
			want: []pulse.Edge{{At: 5}}, resolutionNS: 1},
		{name: "byte order mark and CRLF", in: "\xef\xbb\xbf" + strings.ReplaceAll(vcd("1 ns", "#0\n1!\n#5\n0!\n"), "\n", "\r\n"),
			want: []pulse.Edge{{At: 5}}, resolutionNS: 1},
		{name: "ps are rounded", in: vcd("100 ps", "#0 1! #14 0! #15 1! #24 0! #25 0! #26 1! #36 0!"),
			want: []pulse.Edge{{At: 1}, {At: 3, Level: hi}, {At: 4}}, resolutionNS: .1},
		{name: "fs for longer than 64 bits hold", in: vcd("1 fs", "#0 1! #499999 0! #1500000 1! #1499999999999999999999999 0! #4611686018427387904499999 1!"),
			want: []pulse.Edge{{At: 2, Level: hi}, {At: 1_500_000_000_000_000_000}, {At: 1 << 62, Level: hi}}, resolutionNS: 1e-6},
		{name: "zeros before times", in: vcd("1 ns", "#0 1! #009 0! #10 1!"), want: []pulse.Edge{{At: 9}, {At: 10, Level: hi}}, resolutionNS: 1},
		{name: "100 s", in: vcd("100 s", "#0 1! #46116860 0!"), want: []pulse.Edge{{At: 4_611_686_000_000_000_000}}, resolutionNS: 1e11},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for _, in := range []io.Reader{strings.NewReader(tt.in), iotest.OneByteReader(strings.NewReader(tt.in))} {
				for _, some := range []int{1, 100} {
					got, r, err := readAll(in, some, RecordingOptions{})
					if err != nil {
						t.Fatal(err)
					}
					if diff := cmp.Diff(tt.want, got); diff != "" {
						t.Error(diff)
					}
					if !isVCD(r) || r.ResolutionNS() != tt.resolutionNS {
						t.Errorf("VCD %t, resolution %v", isVCD(r), r.ResolutionNS())
					}
					in = strings.NewReader(tt.in)
				}
			}
		})
	}
}

// testdata/dial.vcd and the account of the same contact beside it were both
// written by a Verilog simulator; see testdata/dial.v.
func TestVCDOfASimulator(t *testing.T) {
	account, err := os.ReadFile("testdata/dial.txt")
	if err != nil {
		t.Fatal(err)
	}
	var edges []pulse.Edge
	for line := range strings.Lines(string(account)) {
		number, level, _ := strings.Cut(strings.TrimSpace(line), " ")
		at, err := strconv.ParseInt(number, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		if level == "z" { // x before it is unknown already
			continue
		}
		if at == 1_950_004_668 { // before it $dumpoff and $dumpon, which the account does not see
			edges = append(edges, pulse.Edge{At: 193_000_467, Level: un}, pulse.Edge{At: 194_000_467, Level: hi})
		}
		edges = append(edges, pulse.Edge{At: pulse.Stamp((at + 5) / 10), Level: map[string]pulse.Level{"0": lo, "1": hi, "x": un}[level]})
	}
	inverted := make([]pulse.Edge, len(edges))
	for i, e := range edges {
		inverted[i] = pulse.Edge{At: e.At, Level: opposite(e.Level)}
	}
	file, err := os.ReadFile("testdata/dial.vcd")
	if err != nil {
		t.Fatal(err)
	}
	for contact, want := range map[string][]pulse.Edge{
		"marrow_quay.contact":          edges,
		"exchange.marrow_quay.contact": edges,
		"exchange.contact":             inverted,
	} {
		got, r, err := readAll(bytes.NewReader(file), 4, RecordingOptions{Contact: contact})
		if err != nil {
			t.Fatal(err)
		}
		if r.ResolutionNS() != .1 {
			t.Errorf("resolution %v", r.ResolutionNS())
		}
		if diff := cmp.Diff(want[1:], got); diff != "" {
			t.Error(contact, diff)
		}
		if diff := cmp.Diff([]string{"exchange.contact", "exchange.marrow_quay.contact", "exchange.marrow_quay.off_normal"}, r.Contacts()); diff != "" {
			t.Error(diff)
		}
	}
	const three = `"exchange.contact", "exchange.marrow_quay.contact", "exchange.marrow_quay.off_normal"`
	testBadInput(t, "dial.vcd", []badInput{
		{name: "no choice", in: string(file), want: "dial.vcd: several variables: expected a choice of one with --contact: " + three},
		{name: "not there", in: string(file), contact: "ring", want: `dial.vcd: no variable "ring": expected one of ` + three},
		{name: "end of a name", in: string(file), contact: "quay.contact", want: `dial.vcd: no variable "quay.contact": expected one of ` + three},
		{name: "ambiguous", in: string(file), contact: "contact", want: `dial.vcd: several variables "contact": expected one of "exchange.contact", "exchange.marrow_quay.contact"`},
		{name: "a bus", in: string(file), contact: "position[7:0]", want: `dial.vcd: variable "exchange.marrow_quay.position[7:0]" is of type "reg" and size "8": expected a wire or reg of size 1`},
		{name: "an event", in: string(file), contact: "wound", want: `dial.vcd: variable "exchange.marrow_quay.wound" is of type "event" and size "1": expected a wire or reg of size 1`},
	})
}

func TestVCDChoice(t *testing.T) {
	const start, end = "$timescale 1 ns $end ", " $enddefinitions $end #0 0! 0% 0& #5 1! #6 1% #7 1&"
	for _, tt := range []struct {
		name, in, contact, want string
		at                      pulse.Stamp
	}{
		{"two names of one variable", "$var wire 1 ! a $end $scope task t $end $var reg 1 ! b $end $var real 64 % c $end $upscope $end $var integer 32 & d $end", "", "a", 5},
		{"chosen by the second", "$var wire 1 ! a $end $scope task t $end $var reg 1 ! b $end $upscope $end $var wire 1 % c $end $var wire 1 & d $end", "b", "t.b", 5},
		{"a whole path before the end of one", "$var wire 1 ! a $end $scope task t $end $var reg 1 % a $end $upscope $end $var wire 1 & d $end", "a", "a", 5},
		{"one bit of a vector", "$var wire 1 ! a [0] $end $var wire 1 % a [1] $end $var wire 1 & d $end", "a[1]", "a[1]", 6},
	} {
		t.Run(tt.name, func(t *testing.T) {
			edges, r, err := readAll(strings.NewReader(start+tt.in+end), 9, RecordingOptions{Contact: tt.contact})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff([]pulse.Edge{{At: tt.at, Level: hi}}, edges); diff != "" || r.dec.(*vcdDecoder).variable.path != tt.want {
				t.Error(r.dec.(*vcdDecoder).variable.path, diff)
			}
		})
	}
	var many strings.Builder
	for i := range 1200 {
		fmt.Fprintf(&many, "$var wire 1 c%d v%d $end ", i, i)
	}
	const listed = `"v0", "v1", "v2", "v3", "v4", "v5", "v6", "v7", "v8", "v9", "v10", "v11" and 1188 more`
	testBadInput(t, "lines.vcd", []badInput{
		{name: "many", in: start + many.String() + end, want: "lines.vcd: several variables: expected a choice of one with --contact: " + listed},
		{name: "none of many", in: start + many.String() + end, contact: "w", want: `lines.vcd: no variable "w": expected one of ` + listed},
		{name: "none of one bit", in: start + "$var reg 8 ! a $end " + end, want: "lines.vcd: no variable of one bit: expected a wire or reg of size 1"},
	})
}

func TestVCDBadInput(t *testing.T) {
	testBadInput(t, "lines.vcd", vcdBadInput())
	if _, _, err := readAll(strings.NewReader(vcd("1 ns", "")), 1, RecordingOptions{}); !errors.Is(err, ErrNoEdges) {
		t.Error(err)
	}
}

func vcdBadInput() []badInput {
	const (
		ends  = "the file ends here: it seems to be cut off"
		scale = ": expected 1, 10 or 100, and s, ms, us, ns, ps or fs"
		value = ": expected a value like 1!, a time like #100 or a keyword like $comment"
		first = ": expected a keyword like $var, or $enddefinitions before the first value"
	)
	word := strings.Repeat("a", maxLine+1)
	return []badInput{
		{name: "no edges", in: vcd("1 ns", "#0 1!"), want: `lines.vcd: no edges of variable "top.contact"`},
		{name: "always unknown", in: vcd("1 ns", "#0 x! #5 z!"), want: `lines.vcd: no edges of variable "top.contact"`},
		{name: "one word", in: "$", want: "lines.vcd:1: " + ends + ": expected $end of the $ of line 1"},
		{name: "no timescale", in: "$var wire 1 ! a $end\n$enddefinitions $end\n#0 1!", want: "lines.vcd:2: no $timescale: expected it before $enddefinitions"},
		{name: "enormous timescale", in: vcd("1000000000000 s", ""), want: `lines.vcd:1: $timescale is "1000000000000 s"` + scale},
		{name: "timescale 2 ns", in: vcd("2 ns", ""), want: `lines.vcd:1: $timescale is "2 ns"` + scale},
		{name: "timescale of no unit", in: vcd("10", ""), want: `lines.vcd:1: $timescale is "10"` + scale},
		{name: "timescale in as", in: vcd("1 as", ""), want: `lines.vcd:1: $timescale is "1 as"` + scale},
		{name: "two timescales", in: "$timescale 1 ns $end\n" + vcd("1 ns", ""), want: "lines.vcd:2: a second $timescale: expected one"},
		{name: "no $enddefinitions", in: "$timescale 1 ns $end\n$var wire 1 ! a $end\n", want: "lines.vcd:3: " + ends + ": expected $enddefinitions"},
		{name: "values before $enddefinitions", in: "$timescale 1 ns $end\n$var wire 1 ! a $end\n#0 1!", want: `lines.vcd:3: "#0"` + first},
		{name: "$dumpvars before $enddefinitions", in: "$timescale 1 ns $end\n$dumpvars 1! $end", want: "lines.vcd:2: $dumpvars: expected $enddefinitions before it"},
		{name: "$end without section", in: "$end", want: "lines.vcd:1: $end without a section: expected a keyword like $var"},
		{name: "missing $end of $var", in: "$timescale 1 ns $end\n$var wire 1 ! a\n$upscope $end", want: `lines.vcd:3: "$upscope" inside the $var of line 2: expected its $end first`},
		{name: "missing $end of $comment", in: "$timescale 1 ns $end\n$comment a\n\n", want: "lines.vcd:4: " + ends + ": expected $end of the $comment of line 2"},
		{name: "cut in a section", in: "$timescale 1 ns $en", want: "lines.vcd:1: \"$en\" inside the $timescale of line 1: expected its $end first"},
		{name: "endless section", in: "$scope " + strings.Repeat("a ", 70), want: `lines.vcd:1: "a" inside the $scope of line 1: expected its $end first`},
		{name: "short $var", in: "$var wire 1 ! $end", want: `lines.vcd:1: $var with "wire 1 !": expected type, size, code and name`},
		{name: "long code", in: "$var wire 1 " + word[:65] + " a $end", want: "lines.vcd:1: too large a $var: expected a code of at most 64 bytes and a name of at most 256"},
		{name: "short $scope", in: "$scope module $end", want: `lines.vcd:1: $scope with "module": expected a type and a name`},
		{name: "deep $scope", in: strings.Repeat("$scope module a $end ", 65), want: "lines.vcd:1: too large a $scope: expected at most 64 scopes and names of at most 256 bytes"},
		{name: "$upscope too many", in: "$upscope $end", want: "lines.vcd:1: $upscope: expected a $scope before it"},
		{name: "long word", in: "$comment " + word, want: "lines.vcd:1: a word is too long: expected at most 65536 bytes"},
		{name: "long word later", in: vcd("1 ns", "#0 1! #1 0! #2 "+word), edges: 1, want: "lines.vcd:7: a word is too long: expected at most 65536 bytes"},
		{name: "unknown code", in: vcd("1 ns", "#0 1!\n#1 0!\n#2 1%\n"), edges: 1, want: `lines.vcd:9: code "%" is not known: expected one that a $var declares`},
		{name: "unknown code of a vector", in: vcd("1 ns", "#0 b1\n%"), want: `lines.vcd:8: code "%" is not known: expected one that a $var declares`},
		{name: "time backwards", in: vcd("1 ns", "#0 1!\n#20 0!\n#100 1!\n#99 0!\n"), edges: 1, want: "lines.vcd:10: time #99 after #100: expected times that do not go back"},
		{name: "time backwards within a ns", in: vcd("1 fs", "#0 1!\n#20\n#19"), want: "lines.vcd:9: time #19 after #20: expected times that do not go back"},
		{name: "negative time", in: vcd("1 ns", "#-5"), want: `lines.vcd:7: time "-5": expected # and a whole number`},
		{name: "no time", in: vcd("1 ns", "# 5"), want: `lines.vcd:7: time "": expected # and a whole number`},
		{name: "time too large", in: vcd("1 s", "#4611686019 1!"), want: `lines.vcd:7: time "4611686019" of 1e+09 ns each: expected at most 4611686018427387904 ns`},
		{name: "value without code", in: vcd("1 ns", "#0 1 !"), want: `lines.vcd:7: value "1": expected the code of a variable right after it`},
		{name: "extended values", in: vcd("1 ns", "#0 pH 0 0 !"), want: `lines.vcd:7: "pH"` + value},
		{name: "NUL byte", in: vcd("1 ns", "#0 \x00"), want: `lines.vcd:7: "\x00"` + value},
		{name: "two bits", in: vcd("1 ns", "#0 b10 !"), want: `lines.vcd:7: variable "top.contact" gets a value that is not of one bit: expected 0, 1, x or z`},
		{name: "a real", in: vcd("1 ns", "#0 r1 !"), want: `lines.vcd:7: variable "top.contact" gets a value that is not of one bit: expected 0, 1, x or z`},
		{name: "cut after a vector", in: vcd("1 ns", "#0 1! #1 0! #2 b1"), edges: 1, want: "lines.vcd:7: " + ends + ": expected the code of a variable"},
		{name: "cut in $dumpvars", in: vcd("1 ns", "#0\n$dumpvars\n1!"), want: "lines.vcd:9: " + ends + ": expected $end of the $dumpvars of line 8"},
		{name: "cut in $comment", in: vcd("1 ns", "#0\n$comment"), want: "lines.vcd:8: " + ends + ": expected $end of the $comment of line 8"},
		{name: "missing $end of $dumpvars", in: vcd("1 ns", "#0 $dumpvars 1!\n#5 0!"), want: `lines.vcd:8: "#5" inside the $dumpvars of line 7: expected its $end first`},
		{name: "$dumpoff in $dumpvars", in: vcd("1 ns", "#0 $dumpvars 1!\n$dumpoff"), want: `lines.vcd:8: $dumpoff inside the $dumpvars of line 7: expected its $end first`},
		{name: "stray $end", in: vcd("1 ns", "#0 $end"), want: "lines.vcd:7: $end without a section: expected a value, a time or a keyword"},
	}
}

// An endless word or file of definitions ends reading soon.
func TestVCDBounded(t *testing.T) {
	for _, start := range []string{"$", "$comment ", vcd("1 ns", "#0 1! #"), vcd("1 ns", "b")} {
		in := &counter{r: io.MultiReader(strings.NewReader(start), endless{})}
		if _, _, err := readAll(in, 10, RecordingOptions{}); err == nil || !strings.Contains(err.Error(), "a word is too long") {
			t.Error(err)
		}
		if in.n > 2*windowBytes {
			t.Errorf("%d bytes read", in.n)
		}
	}
	var b strings.Builder
	for i := range maxVariables + 1 {
		fmt.Fprintf(&b, "$var wire 1 %x a $end ", i)
	}
	_, _, err := readAll(strings.NewReader(b.String()), 10, RecordingOptions{Name: "lines.vcd"})
	if want := "lines.vcd:1: too many variables: expected at most 262144"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestVCDAllocations(t *testing.T) {
	r, err := OpenRecording(bytes.NewReader(vcdRows(40_000)), RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]pulse.Edge, 100)
	n := testing.AllocsPerRun(300, func() {
		if n, err := r.ReadEdges(context.Background(), buf); n == 0 || err != nil {
			t.Fatal(n, err)
		}
	})
	if n != 0 {
		t.Errorf("%v allocations per 100 edges", n)
	}
}

func TestVCDRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		edges := drawEdges(t)
		var want []pulse.Edge
		for i := range edges {
			e := &edges[i]
			e.At *= 2 // leaves room for x
			if i > 0 && rapid.Bool().Draw(t, "unknown") {
				e.Level = un
			}
			if i > 0 && want[len(want)-1].Level != un && (e.Lost > 0 || e.Level == want[len(want)-1].Level) {
				want = append(want, pulse.Edge{At: edges[i-1].At + 1, Level: un})
			}
			if i == 0 || e.Level != un || want[len(want)-1].Level != un {
				want = append(want, pulse.Edge{At: e.At, Level: e.Level})
			}
		}
		var file bytes.Buffer
		w := NewVCDWriter(&file, "dial")
		split := rapid.IntRange(0, len(edges)).Draw(t, "split")
		for _, part := range [][]pulse.Edge{edges[:split], edges[split:]} {
			if err := errors.Join(w.Write(part), w.Flush()); err != nil {
				t.Fatal(err)
			}
		}
		got, _, err := readAll(&file, 7, RecordingOptions{Contact: "top.dial"})
		if diff := cmp.Diff(want, got); err != nil || diff != "" {
			t.Fatal(err, diff)
		}
	})
}

func TestVCDWriter(t *testing.T) {
	var file bytes.Buffer
	w := NewVCDWriter(&file, "contact")
	err := errors.Join(w.Flush(), w.Write([]pulse.Edge{{At: 3, Level: hi}, {At: 9}, {At: 20, Lost: 1, Level: hi}}), w.Flush())
	const header = "$timescale 1 ns $end\n$scope module top $end\n$var wire 1 ! contact $end\n$upscope $end\n$enddefinitions $end\n"
	if diff := cmp.Diff(header+"$dumpvars\n0!\n$end\n#3\n1!\n#9\n0!\n#10\nx!\n#20\n1!\n", file.String()); err != nil || diff != "" {
		t.Error(err, diff)
	}
	for _, tt := range []struct {
		name  string
		edges []pulse.Edge
		want  string
	}{
		{"contact", []pulse.Edge{{At: 5}, {At: 5, Level: hi}}, "write recording: an edge at 5 ns after 5 ns: expected increasing times from 0 to 4611686018427387904"},
		{"contact", []pulse.Edge{{At: 5}, {At: 6}}, "write recording: edge at 6 ns: edges missing within 1 ns"},
		{"contact", []pulse.Edge{{At: 5, Level: 3}}, "write recording: edge at 5 ns: no level"},
		{"two words", []pulse.Edge{{At: 5}}, `write recording: VCD name "two words": expected printable ASCII without spaces, no $ in front, at most 256 bytes`},
		{"$end", []pulse.Edge{{At: 5}}, `write recording: VCD name "$end": expected printable ASCII without spaces, no $ in front, at most 256 bytes`},
	} {
		w := NewVCDWriter(io.Discard, tt.name)
		for range 2 {
			if err := w.Write(tt.edges); err == nil || err.Error() != tt.want {
				t.Errorf("%v, want %s", err, tt.want)
			}
		}
		if err := w.Flush(); err == nil || err.Error() != tt.want {
			t.Errorf("%v, want %s", err, tt.want)
		}
	}
}

// FuzzVCD checks that any input gives the same however it is cut into reads,
// that times increase, and that what is accepted can be written and read again.
func FuzzVCD(f *testing.F) {
	f.Add([]byte(vcd("100 ps", "#0 $dumpvars x! b1 \" $end #14 0! r1 \" #15 1! $dumpoff z! $end #999999999999999999999 1!")), uint16(3), "")
	f.Add([]byte("$comment a $end $timescale 1us $end $var wire 1 ! a $end $var wire 1 $ b [0] $end $enddefinitions $end $dumpvars 0! 1$ $end #5 1! #7 0!"), uint16(9), "b[0]")
	for _, tt := range vcdBadInput() {
		if len(tt.in) < 1000 {
			f.Add([]byte(tt.in), uint16(7), "")
		}
	}
	f.Fuzz(func(t *testing.T, in []byte, chunk uint16, contact string) {
		got, r, err := readAll(bytes.NewReader(in), 5, RecordingOptions{Contact: contact})
		if r != nil && !isVCD(r) {
			return
		}
		again, _, errAgain := readAll(&chunks{b: in, size: 1 + int(chunk)}, 2, RecordingOptions{Contact: contact})
		if diff := cmp.Diff(got, again) + cmp.Diff(fmt.Sprint(err), fmt.Sprint(errAgain)); diff != "" {
			t.Fatal(diff)
		}
		for i, e := range got {
			if e.At < 0 || int64(e.At) > MaxRecordingNS || i == 0 && e.Level == un || i > 0 && (e.At <= got[i-1].At || e.Level == got[i-1].Level) {
				t.Fatal(got)
			}
		}
		var file bytes.Buffer
		w := NewVCDWriter(&file, "contact")
		if err := errors.Join(w.Write(got), w.Flush()); err != nil {
			t.Fatal(err)
		}
		written, _, err := readAll(&file, 9, RecordingOptions{})
		if diff := cmp.Diff(got, written); err != nil && !errors.Is(err, ErrNoEdges) || diff != "" {
			t.Fatal(err, diff)
		}
	})
}

func vcdRows(rows int64) []byte {
	b := []byte(vcd("1 ns", "$dumpvars\n0!\nb0 \"\n$end\n"))
	for i := range rows {
		b = fmt.Appendf(b, "#%d\n%d!\n", 1_000_000_000_000+i*33_000_017, i&1^1)
	}
	return b
}

func BenchmarkVCD(b *testing.B) {
	const rows = 500_000
	benchmarkRead(b, vcdRows(rows), rows)
}
