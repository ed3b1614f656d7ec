package report

import (
	"bytes"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/carlos7ags/folio/font"

	"makebreak/hw/hwtest"
	"makebreak/pulse"
)

// hostileName is what somebody may call a contact or a site.
const hostileName = `<script>alert(1)</script> | *cam* [x](y) "5" & ~~` + "\x1b[2J"

// aRecord is that of a cam of five lobes, of which one is late, or of a dial, with
// hostile words wherever somebody gives some.
func aRecord(t testing.TB, kind string) (*Document, *pulse.Measurement) {
	t.Helper()
	description, profile := "dial,digits=12345,rate=9.4,bounce-close=3:0.6ms,jitter=0.2ms,seed=1,repeat=4", "au-s002-dial"
	if kind == "cam" {
		description, profile = "cam,ipm=60,lobes=5,lobe-errors=0,0,4ms,0,0,jitter=0.2ms,cycles=100,seed=1", ""
	}
	edges := hwtest.Sim(t, description)
	g := NewGathered()
	cfg := pulse.Config{Limits: limits(t, profile), Observer: g.Observer()}
	if kind == "cam" {
		cfg.Kind, cfg.Lobes = pulse.KindInterrupter, 5
	}
	m := measureEdges(t, edges, cfg)
	m.Source = "run:" + hostileName
	p := &Particulars{
		By: hostileName, Equipment: hostileName, Remark: "1. first", Written: time.Date(2026, 11, 20, 10, 0, 0, 0, time.UTC), Program: "makebreak test",
		Sums: []Sum{{Of: hostileName, SHA256: strings.Repeat("0123456789abcdef", 4), Edges: len(edges)}},
	}
	return OfRecord(m, &About{Limits: cfg.Limits}, g, p), m
}

// Words about the mark of the checksums hide none of them; other checksums beside it do.
func TestSumsAmongWords(t *testing.T) {
	hex := strings.Repeat("0123456789abcdef", 4)
	other := strings.Repeat("f", sumDigits)
	line := SumLine([]Sum{{SHA256: hex}, {SHA256: other}})
	for record, want := range map[string][]string{
		"a remark on " + SumMark + " of old\n" + line: {hex, other},
		line + "\n" + SumMark + " of old, " + line:    {hex, other},
		SumMark + " sha256:" + other + "\n" + line:    nil,
		"a remark on " + SumMark + " of old":          nil,
	} {
		if got := SumsIn([]byte(record)); !slices.Equal(got, want) {
			t.Errorf("%q: %q", record, got)
		}
	}
}

// Of a long recording of a cam the drawings show every lobe, whatever the number of
// lobes, and the plane has the extremes and the latest.
func TestThinnedDrawingsShowEveryLobe(t *testing.T) {
	for _, lobes := range []int{2, 5} {
		g := NewGathered()
		n := mostGathered + lobes
		for i := range n {
			r := gatheredRow{breakNS: 500e6, makeNS: 500e6, periodNS: 1e9, at: pulse.Location{Cycle: i + 1, Lobe: i%lobes + 1}}
			r.breakNS += int64(i%lobes) * 10e6 // each lobe's own percent break
			if i == n/2 {
				r.breakNS = 700e6
			}
			g.add(r)
		}
		seen := map[int]int{}
		for _, r := range g.values {
			seen[r.at.Lobe]++
		}
		for lobe := 1; lobe <= lobes; lobe++ {
			if share := float64(seen[lobe]) / float64(len(g.values)); share < 0.9/float64(lobes) || share > 1.1/float64(lobes) {
				t.Errorf("%d lobes: lobe %d is %.2f of what is drawn", lobes, lobe, share)
			}
		}
		points, of := g.points(pulse.RateIPM)
		drawn := map[float64]int{}
		for _, p := range points {
			drawn[p.X]++
		}
		if of != n || len(drawn) != lobes+1 || drawn[70] != 1 {
			t.Errorf("%d lobes: the plane shows percent breaks %v of %d", lobes, drawn, of)
		}
		if latest, ok := g.latest.point(pulse.RateIPM); !ok || latest.X != 50+float64((n-1)%lobes) {
			t.Errorf("%d lobes: latest %v", lobes, latest)
		}
	}
}

// A record says who, what, how and by which rule, and leaves blank what nobody gave.
func TestRecord(t *testing.T) {
	doc, m := aRecord(t, "dial")
	said := wordsOf(doc)
	for _, want := range []string{
		"Test record", "Site " + blank, "Tested by <script>", "Statement: " + string(m.Conformity.Statement) + ".", "ILAC-G8:09/2019", "guard band w = U",
		"How it was measured", "The contact is closed when the line is", "assumed, not calibrated", "Uncertainty budget", "opto-coupler asymmetry", "expanded, k = 2",
		"SHA-256 0123456789abcdef", "makebreak test", "Never connect a GPIO line", "Checked by " + blank,
	} {
		if !strings.Contains(said, want) {
			t.Errorf("no %q in the record", want)
		}
	}
	for _, not := range []string{"Ask for a verdict", "--limits all"} {
		if strings.Contains(said, not) {
			t.Errorf("the record asks: %q", not)
		}
	}
	// The figures of the measurement document, with the digits that their
	// uncertainty bears.
	for _, it := range m.Conformity.Items {
		if it.Observed.OK && !strings.Contains(said, observed(it)) {
			t.Errorf("%s %s: no %s in the record", it.Quantity, it.Bound, observed(it))
		}
	}
	if n := len(doc.Charts()); n < 5 {
		t.Errorf("%d drawings", n)
	}
	if !slices.ContainsFunc(doc.Blocks, func(b Block) bool {
		c, ok := b.(Chart)
		return ok && strings.HasPrefix(c.Title, "The worst against") && strings.Contains(c.Title, "train")
	}) {
		t.Error("the worst pulse is not drawn")
	}
	cam, _ := aRecord(t, "cam")
	if said := wordsOf(cam); !strings.Contains(said, "Lobe 3: 4.0") {
		t.Error("the late lobe is not drawn")
	}
}

// Each format holds every word of the record, as text, and its checksum.
func TestRecordFormats(t *testing.T) {
	for _, kind := range []string{"dial", "cam"} {
		doc, _ := aRecord(t, kind)
		var page, md bytes.Buffer
		if err := doc.HTML(&page, "Test record: "+hostileName); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(page.String(), "<script") {
			t.Error("the HTML is not escaped")
		}
		got := readHTML(t, page.String())
		for _, b := range doc.Blocks {
			if want := wordsOf(&Document{Blocks: []Block{b}}); !strings.Contains(got, want) {
				t.Errorf("the HTML lacks %q", want)
			}
		}
		if err := doc.Markdown(&md, func(n int) string { return "a b-" + string(rune('0'+n)) + ".svg" }); err != nil {
			t.Fatal(err)
		}
		text := md.String()
		if n := strings.Count(text, "](./a%20b-"); n != len(doc.Charts()) {
			t.Errorf("%d pictures of %d", n, len(doc.Charts()))
		}
		for _, not := range []string{"<script", "\x1b", "[x]", "*cam", "\n1. first"} {
			if strings.Contains(strings.ReplaceAll(text, "\\"+not[:1], "escaped"), not) {
				t.Errorf("the Markdown is not escaped: %q", not)
			}
		}
		for line := range strings.Lines(text) { // each row has as many cells as its table
			if unescaped := regexp.MustCompile(`\\.`).ReplaceAllString(line, ""); strings.HasPrefix(line, "| Source") && strings.Count(unescaped, "|") != 3 {
				t.Errorf("a row of other cells: %s", line)
			}
		}
		if bytes := pdfOf(t, doc); kind == "dial" {
			for format, data := range map[string][]byte{"HTML": page.Bytes(), "Markdown": md.Bytes(), "PDF": bytes} {
				if got := SumsIn(data); !slices.Equal(got, []string{doc.record.Sums[0].SHA256}) {
					t.Errorf("checksums in %s: %q", format, got)
				}
			}
		}
	}
}

func pdfOf(t *testing.T, doc *Document) []byte {
	var b, again bytes.Buffer
	if err := doc.PDF(&b, "Test record: Marrow Quay"); err != nil {
		t.Fatal(err)
	}
	if err := doc.PDF(&again, "Test record: Marrow Quay"); err != nil || !bytes.Equal(b.Bytes(), again.Bytes()) {
		t.Errorf("the PDF differs the second time: %v", err)
	}
	return b.Bytes()
}

// pdfTool runs one of poppler's programs, which CI has.
func pdfTool(t *testing.T, name string, args ...string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal(err)
		}
		t.Skipf("%v; MAKEBREAK_TESTS=require makes this a failure", err)
	}
	cmd := exec.Command(path, args...)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil || stderr.Len() > 0 {
		t.Fatalf("%s %v: %v\n%s", name, args, err, stderr.String())
	}
	return string(out)
}

// The PDF is whole and tagged in the eyes of poppler: it holds every word of the record,
// in order, the structure has headings, tables and figures with their words, and all
// fonts are embedded.
func TestRecordPDF(t *testing.T) {
	for _, kind := range []string{"dial", "cam"} {
		doc, _ := aRecord(t, kind)
		file := filepath.Join(t.TempDir(), "record.pdf")
		if err := os.WriteFile(file, pdfOf(t, doc), 0o666); err != nil {
			t.Fatal(err)
		}
		info := pdfTool(t, "pdfinfo", file)
		for _, want := range []string{`(?m)^Tagged: +yes`, `(?m)^Pages: +[3-9]`, `(?m)^Title: +Test record: Marrow Quay`, `A4`, `sha256:0123456789abcdef`} {
			if !regexp.MustCompile(want).MatchString(info) {
				t.Errorf("no %s in\n%s", want, info)
			}
		}
		structure := pdfTool(t, "pdfinfo", "-struct-text", file)
		for _, want := range []string{"H1", "H2", "Table", "TH", "TD", "Figure", "Caption"} {
			if !strings.Contains(structure, want) {
				t.Errorf("no %s in the structure", want)
			}
		}
		text := strings.Join(strings.Fields(pdfTool(t, "pdftotext", "-raw", file, "-")), "")
		for _, b := range doc.Blocks {
			for _, word := range strings.Fields(wordsOf(&Document{Blocks: []Block{b}})) {
				if word = strings.ReplaceAll(word, "\uFFFD", "?"); !strings.Contains(text, word) {
					t.Errorf("%s: the PDF lacks %q", kind, word)
				}
			}
		}
		fonts := pdfTool(t, "pdffonts", file)
		for i, line := range strings.Split(strings.TrimSpace(fonts), "\n") {
			if i > 1 && !regexp.MustCompile(`yes +(yes|no) +yes +\d+ +0$`).MatchString(strings.TrimRight(line, " ")) {
				t.Errorf("a font that is not embedded, or has no Unicode: %s", line)
			}
		}
	}
}

// A long table goes on over pages with its head; nothing is lost of a word that is
// longer than a line.
func TestLongPDF(t *testing.T) {
	doc := &Document{Blocks: []Block{Title{"Long"}, Heading{"Rows"}}}
	table := Table{Columns: columns("lr", "name", "figure")}
	for i := range 300 {
		table.Rows = append(table.Rows, cells("row", strings.Repeat("9", 1+i%7)))
	}
	long := strings.Repeat("abcdefghij", 60)
	doc.add(table, Paragraph{Text: long})
	for range 100 {
		doc.item("one of a list")
	}
	file := filepath.Join(t.TempDir(), "long.pdf")
	if err := os.WriteFile(file, pdfOf(t, doc), 0o666); err != nil {
		t.Fatal(err)
	}
	text := pdfTool(t, "pdftotext", "-raw", file, "-")
	if n := strings.Count(text, "\nrow "); n != 300 {
		t.Errorf("%d rows of 300", n)
	}
	if n := strings.Count(text, "name figure"); n < 5 {
		t.Errorf("the head stands %d times", n)
	}
	if n := strings.Count(text, "one of a list"); n != 100 {
		t.Errorf("%d of 100 items", n)
	}
	if !strings.Contains(strings.Join(strings.Fields(text), ""), long) {
		t.Error("a long word is cut")
	}
}

// What cannot be written is an error.
func TestRecordFails(t *testing.T) {
	doc, _ := aRecord(t, "dial")
	w := writerThat{io.ErrClosedPipe}
	for name, err := range map[string]error{"HTML": doc.HTML(w, ""), "PDF": doc.PDF(w, ""), "Markdown": doc.Markdown(w, func(int) string { return "" })} {
		if err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// A checksum is read only where it is whole.
func TestSumsIn(t *testing.T) {
	a, b := strings.Repeat("a", 64), strings.Repeat("0", 64)
	for text, want := range map[string][]string{
		"x " + SumLine([]Sum{{SHA256: a}, {SHA256: b}}) + " -->": {a, b},
		SumMark + " sha256:" + a[1:]:                             nil,
		SumMark + " sha256:" + strings.ToUpper(a):                nil,
		"sha256:" + a: nil,
		"":            nil,
	} {
		if got := SumsIn([]byte(text)); !slices.Equal(got, want) {
			t.Errorf("%q: %q", text, got)
		}
	}
}

// A word that is wider than the page breaks; the names beside it stay whole.
func TestTableOfLongWord(t *testing.T) {
	f, err := faces()
	if err != nil {
		t.Fatal(err)
	}
	p := &pdfPage{regular: font.NewEmbeddedFont(f[0]), bold: font.NewEmbeddedFont(f[1])}
	table := pdfTable{page: p, Table: Table{Headless: true, Columns: []Column{{}, {Folds: true}}, Rows: [][]Cell{cells("Equipment", strings.Repeat("x", 400)), cells("Site", "a b")}}}
	w := table.widths(400)
	if least := p.bold.MeasureString("Equipment", pdfSmall+0.5); w[0] < least || sum(w) > 400.1 || w[1] < 200 {
		t.Errorf("widths %v, the name is %v wide", w, least)
	}
}
