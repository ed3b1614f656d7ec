package hw

import (
	"archive/zip"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"image"
	"image/png"
	"io"
	"io/fs"
	"math/big"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"makebreak/pulse"
	"pgregory.net/rapid"
)

// readAll reads to the end through a buffer of some edges. A whole read ends
// with a nil error.
func readAll(in io.Reader, some int, opt RecordingOptions) ([]pulse.Edge, *Recording, error) {
	r, err := OpenRecording(in, opt)
	if err != nil {
		return nil, nil, err
	}
	return readRest(r, some)
}

func isVCD(r *Recording) bool { _, is := r.dec.(*vcdDecoder); return is }

func readRest(r *Recording, some int) ([]pulse.Edge, *Recording, error) {
	var edges []pulse.Edge
	buf := make([]pulse.Edge, some)
	for {
		n, err := r.ReadEdges(context.Background(), buf)
		edges = append(edges, buf[:n]...)
		if err == io.EOF {
			return edges, r, nil
		}
		if err != nil {
			if n > 0 {
				return edges, r, errors.New("edges together with an error")
			}
			return edges, r, err
		}
		if n == 0 {
			return edges, r, errors.New("no edge and no error")
		}
	}
}

// A badInput is a file and the message it must give.
type badInput struct {
	name, in, contact, want string
	edges                   int // given before the error
}

func testBadInput(t *testing.T, file string, tests []badInput) {
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for _, size := range []int{1 + len(tt.in)>>12, 1 << 30} {
				edges, r, err := readAll(&chunks{b: []byte(tt.in), size: size}, 3, RecordingOptions{Name: file, Contact: tt.contact})
				var recording *RecordingError
				if !errors.As(err, &recording) {
					t.Fatalf("error %v is no RecordingError", err)
				}
				if diff := cmp.Diff(tt.want, err.Error()); diff != "" {
					t.Error(diff)
				}
				if len(edges) != tt.edges {
					t.Errorf("%d edges before the error, want %d", len(edges), tt.edges)
				}
				if r != nil {
					if n, again := r.ReadEdges(context.Background(), make([]pulse.Edge, 1)); n != 0 || again != err {
						t.Errorf("after the error: %d edges, %v", n, again)
					}
				}
			}
		})
	}
}

func gzipped(t *testing.T, s string) string {
	var b bytes.Buffer
	w := gzip.NewWriter(&b)
	io.WriteString(w, s)
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestOtherFormats(t *testing.T) {
	const csv = "time_ns,level\n1,0\n"
	var picture, archive bytes.Buffer
	if err := png.Encode(&picture, image.NewGray(image.Rect(0, 0, 2, 2))); err != nil {
		t.Fatal(err)
	}
	z := zip.NewWriter(&archive)
	if _, err := z.Create("edges.csv"); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	wide := func(first, second string) string {
		var b strings.Builder
		for _, c := range []byte(csv) {
			b.WriteString(first + string(c) + second)
		}
		return b.String()
	}
	const text = ": expected text of CSV or VCD in UTF-8"
	testBadInput(t, "edges.csv", []badInput{
		{name: "empty", in: "", want: "edges.csv: the file is empty: expected a header and edges"},
		{name: "byte order mark only", in: "\xef\xbb\xbf", want: "edges.csv: the file is empty: expected a header and edges"},
		{name: "white space only", in: "\n \r\n", want: "edges.csv: the file is empty: expected a header and edges"},
		{name: "gzip", in: gzipped(t, csv), want: "edges.csv: gzip data: unpack it first" + text},
		{name: "PNG", in: picture.String(), want: "edges.csv: a PNG image" + text},
		{name: "zip", in: archive.String(), want: "edges.csv: a zip archive: unpack it first" + text},
		{name: "bzip2", in: "BZh91AY&SY", want: "edges.csv: bzip2 data: unpack it first" + text},
		{name: "xz", in: "\xfd7zXZ\x00\x00", want: "edges.csv: xz data: unpack it first" + text},
		{name: "zstd", in: "\x28\xb5\x2f\xfd\x04\x00", want: "edges.csv: zstd data: unpack it first" + text},
		{name: "JPEG", in: "\xff\xd8\xff\xe0", want: "edges.csv: a JPEG image" + text},
		{name: "PDF", in: "%PDF-1.7\n", want: "edges.csv: a PDF document" + text},
		{name: "UTF-16 LE, mark", in: "\xff\xfe" + wide("", "\x00"), want: "edges.csv: UTF-16 text: save it as UTF-8" + text},
		{name: "UTF-16 BE, mark", in: "\xfe\xff" + wide("\x00", ""), want: "edges.csv: UTF-16 text: save it as UTF-8" + text},
		{name: "UTF-16 LE", in: wide("", "\x00"), want: "edges.csv: UTF-16 text: save it as UTF-8" + text},
		{name: "UTF-16 BE", in: wide("\x00", ""), want: "edges.csv: UTF-16 text: save it as UTF-8" + text},
		{name: "NUL bytes", in: "\x00\x00\x00\x00", want: "edges.csv:1: a NUL byte: expected text of CSV in UTF-8"},
	})
}

func TestOpenRecordingFile(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "edges.csv")
	const text = "time_ns,level\n5,1\n9,0\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	r, err := OpenRecordingFile(path, nil, RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]pulse.Edge, 8)
	n, err := r.ReadEdges(t.Context(), buf)
	if diff := cmp.Diff([]pulse.Edge{{At: 5, Level: 1}, {At: 9}}, buf[:n]); err != nil || diff != "" {
		t.Error(err, diff)
	}
	if r.Size() != int64(len(text)) || r.BytesRead() != r.Size() || isVCD(r) {
		t.Errorf("size %d, read %d, VCD %t", r.Size(), r.BytesRead(), isVCD(r))
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}
	if err := r.closer.Close(); !errors.Is(err, fs.ErrClosed) {
		t.Errorf("the file was left open: %v", err)
	}

	r, err = OpenRecordingFile("-", strings.NewReader(text), RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if n, err := r.ReadEdges(t.Context(), buf); n != 2 || err != nil {
		t.Error(n, err)
	}
	if err := r.Close(); err != nil {
		t.Error(err)
	}

	for _, tt := range []struct {
		path, want string
		is         error
	}{
		{dir, dir + ": a directory: expected a CSV or VCD file", nil},
		{path + "x", path + "x: no such file: expected a CSV or VCD file", fs.ErrNotExist},
		{path + "/x", path + "/x: not a directory: expected a CSV or VCD file", syscall.ENOTDIR},
		{"-", "standard input: the file is empty: expected a header and edges", nil},
	} {
		_, err := OpenRecordingFile(tt.path, strings.NewReader(""), RecordingOptions{})
		if err == nil || err.Error() != tt.want {
			t.Errorf("%v, want %s", err, tt.want)
		}
		if tt.is != nil && !errors.Is(err, tt.is) {
			t.Errorf("%v is not %v", err, tt.is)
		}
	}
}

// Root may read any file, so the error is made here; the next test meets a
// real one where it can.
func TestNoPermission(t *testing.T) {
	err := fileError("edges.csv", &fs.PathError{Op: "open", Path: "edges.csv", Err: syscall.EACCES})
	if want := "edges.csv: no permission to read it: expected a CSV or VCD file"; err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestNoPermissionOfAFile(t *testing.T) {
	if os.Geteuid() == 0 || runtime.GOOS == "windows" {
		t.Skip("this user may read any file")
	}
	path := filepath.Join(t.TempDir(), "edges.csv")
	if err := os.WriteFile(path, nil, 0); err != nil {
		t.Fatal(err)
	}
	_, err := OpenRecordingFile(path, nil, RecordingOptions{Name: "edges.csv"})
	if want := "edges.csv: no permission to read it: expected a CSV or VCD file"; err == nil || err.Error() != want {
		t.Errorf("%v, want %s", err, want)
	}
}

func TestReadingFails(t *testing.T) {
	broken := errors.New("disk on fire")
	for _, text := range []string{"", "time_ns,level\n5,1\n9", "$timescale 1 ns $end $var wire 1 ! c $end $enddefinitions $end #5 1! #7"} {
		edges, _, err := readAll(io.MultiReader(strings.NewReader(text), iotest.ErrReader(broken)), 9, RecordingOptions{Name: "edges.csv"})
		if want := "edges.csv: reading failed: disk on fire"; err == nil || err.Error() != want || !errors.Is(err, broken) {
			t.Errorf("%v, want %s", err, want)
		}
		if strings.HasPrefix(text, "time") && len(edges) != 1 {
			t.Errorf("%d edges before the error, want 1", len(edges))
		}
	}
	_, _, err := readAll(stuck{}, 1, RecordingOptions{})
	if !errors.Is(err, io.ErrNoProgress) {
		t.Error(err)
	}
}

type stuck struct{}

func (stuck) Read([]byte) (int, error) { return 0, nil }

// A context done while reading ends that call only.
func TestContextDoneInReading(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	in := strings.NewReader("time_ns,level\n5,1\n")
	r, err := OpenRecording(io.MultiReader(io.LimitReader(in, 14), canceling{cancel}, in), RecordingOptions{})
	if err != nil {
		t.Fatal(err)
	}
	buf := make([]pulse.Edge, 1)
	if n, err := r.ReadEdges(ctx, buf); n != 0 || err != context.Canceled {
		t.Error(n, err)
	}
	if n, err := r.ReadEdges(t.Context(), buf); n != 1 || err != nil || buf[0].At != 5 {
		t.Error(n, err, buf)
	}
}

type canceling struct{ cancel context.CancelFunc }

func (c canceling) Read(b []byte) (int, error) {
	c.cancel()
	return copy(b, "#\n"), io.EOF
}

// Edges come as soon as they are whole, and a done context ends reading but
// loses nothing.
func TestEdgesAtHand(t *testing.T) {
	for _, tt := range []struct {
		format, first, second string
	}{
		{"csv", "time_ns,level\n5,1\n9,0\n12", ",1\n"},
		{"vcd", "$timescale 1 ns $end $var wire 1 ! c $end $enddefinitions $end #5 1! #9 0! #12 1", "! "},
	} {
		t.Run(tt.format, func(t *testing.T) {
			in, out := io.Pipe()
			more := make(chan bool)
			go func() {
				io.WriteString(out, tt.first)
				<-more
				io.WriteString(out, tt.second)
				out.Close()
			}()
			r, err := OpenRecording(in, RecordingOptions{})
			if err != nil {
				t.Fatal(err)
			}
			if isVCD(r) != (tt.format == "vcd") {
				t.Error("taken for another format")
			}
			buf := make([]pulse.Edge, 9)
			n, err := r.ReadEdges(t.Context(), buf)
			if diff := cmp.Diff([]pulse.Edge{{At: 5, Level: 1}, {At: 9}}, buf[:n]); err != nil || diff != "" {
				t.Error(err, diff)
			}
			done, cancel := context.WithCancel(t.Context())
			cancel()
			if n, err := r.ReadEdges(done, buf); n != 0 || err != context.Canceled {
				t.Error(n, err)
			}
			close(more)
			n, err = r.ReadEdges(t.Context(), buf)
			if diff := cmp.Diff([]pulse.Edge{{At: 12, Level: 1}}, buf[:n]); err != nil || diff != "" {
				t.Error(err, diff)
			}
			for range 2 {
				if n, err := r.ReadEdges(t.Context(), buf); n != 0 || err != io.EOF {
					t.Error(n, err)
				}
			}
		})
	}
}

// Check against the exact arithmetic of math/big.
func TestDecimalNS(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := rapid.OneOf(rapid.StringMatching(`[0-9]{1,6}`), rapid.StringMatching(`0{0,3}[0-9]{1,25}`), rapid.StringMatching(`[1-4][0-9]{18,19}`),
			rapid.StringMatching(`46116860184273[0-9]{4,6}`)).Draw(t, "whole")
		frac := rapid.StringMatching(`[0-9]{0,14}`).Draw(t, "frac")
		exp := rapid.OneOf(rapid.Just(0), rapid.IntRange(-6, 11)).Draw(t, "exp")
		ten := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(exp, -exp))), nil)
		x, ok := new(big.Rat).SetString(whole + "." + frac + "0")
		if !ok {
			t.Fatal("no number")
		}
		if exp >= 0 {
			x.Mul(x, new(big.Rat).SetInt(ten))
		} else {
			x.Quo(x, new(big.Rat).SetInt(ten))
		}
		x.Add(x, big.NewRat(1, 2))
		floor := new(big.Int).Quo(x.Num(), x.Denom())
		got, ok := decimalNS([]byte(whole), []byte(frac), exp)
		if want := floor.Cmp(big.NewInt(MaxRecordingNS)) <= 0; ok != want || ok && floor.Int64() != got {
			t.Fatalf("%d %t, want %v %t", got, ok, floor, want)
		}
	})
}

// A contact's edges as a recorder gives them. Lost and levels are free.
func drawEdges(t *rapid.T) []pulse.Edge {
	at, seq := int64(-1), rapid.Uint32().Draw(t, "seq")
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) pulse.Edge {
		at += rapid.OneOf(rapid.Int64Range(1, 3), rapid.Int64Range(1, 1e18/50)).Draw(t, "gap")
		lost := rapid.OneOf(rapid.Just(uint32(0)), rapid.Uint32Range(0, 1<<31-2)).Draw(t, "lost")
		seq += 1 + lost
		return pulse.Edge{At: pulse.Stamp(at), Seq: seq, Lost: lost, Level: pulse.Level(rapid.IntRange(0, 1).Draw(t, "level"))}
	}), 1, 50).Draw(t, "edges")
}
