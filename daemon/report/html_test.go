package report

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"

	"makebreak/daemon/plot"
)

// wordsOf gives every word that a document says, in order.
func wordsOf(doc *Document) string {
	var s []string
	row := func(cells []Cell) {
		for _, c := range cells {
			s = append(s, c.text())
		}
	}
	for _, b := range doc.Blocks {
		switch b := b.(type) {
		case Title:
			s = append(s, b.Text)
		case Heading:
			s = append(s, b.Text)
		case Statement:
			s = append(s, b.Words)
		case Paragraph:
			s = append(s, b.Lead, b.Mark, b.Text)
		case Table:
			for _, c := range b.Columns {
				if !b.Headless {
					s = append(s, c.Title, c.Unit)
				}
			}
			for _, r := range b.Rows {
				if row(r); r == nil {
					s = append(s, "…")
				}
			}
		case Chart:
			if said, ok := b.caption(); ok {
				s = append(s, said)
			} else {
				s = append(s, b.Title, "In words", wordsOf(&Document{Blocks: b.Words}))
			}
		case Wiring:
			s = append(s, b.Title, "In words", wordsOf(&Document{Blocks: b.Words}))
		case Drawing:
			for _, line := range b.Lines {
				row(line)
			}
		case Caution:
			s = append(s, CautionText)
		}
	}
	return strings.Join(strings.Fields(Printable(strings.Join(s, " "))), " ")
}

// readHTML parses a page and gives the words of its body. It fails where an
// element is open at the end, or was closed by another.
func readHTML(t interface{ Errorf(string, ...any) }, page string) string {
	var words, open []string
	z := html.NewTokenizer(strings.NewReader(page))
	for {
		switch z.Next() {
		case html.ErrorToken:
			if len(open) > 0 {
				t.Errorf("open at the end: %v", open)
			}
			return strings.Join(strings.Fields(strings.Join(words, " ")), " ")
		case html.StartTagToken:
			name, _ := z.TagName()
			if s := string(name); s != "meta" {
				open = append(open, s)
			}
		case html.EndTagToken:
			name, _ := z.TagName()
			if n := len(open) - 1; n < 0 || open[n] != string(name) {
				t.Errorf("</%s> ends %v", name, open)
				return ""
			}
			open = open[:len(open)-1]
		case html.TextToken:
			if len(open) > 1 && open[1] == "body" && !slices.Contains(open, "svg") {
				words = append(words, string(z.Text()))
			}
		}
	}
}

// Whatever is said, wherever, is text: no element and no control character comes of
// it.
func TestHTMLEscapes(t *testing.T) {
	const hostile = "<img src=x onerror=alert(1)>&\"'\x1b[2J"
	doc := &Document{Blocks: []Block{
		Title{hostile}, Heading{hostile}, Statement{hostile, Bad},
		Paragraph{Lead: hostile, Mark: hostile, Tone: Doubtful, Text: hostile}, Paragraph{Bullet: true, Text: hostile},
		Table{Columns: []Column{{Title: hostile, Unit: hostile}, {}}, Rows: [][]Cell{{{Text: hostile, Unit: hostile}, {Text: hostile, Tone: Good}}}},
		Drawing{[][]Cell{{{Text: hostile}, {Text: hostile, Tone: Doubtful}}}},
		Chart{Title: hostile, Drawing: &plot.Strip{Title: hostile, To: 1}, Words: []Block{Paragraph{Text: hostile}}},
	}}
	var b strings.Builder
	if err := doc.HTML(&b, hostile); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	if strings.Contains(page, "<img") || strings.ContainsRune(page, '\x1b') {
		t.Errorf("not escaped:\n%s", page)
	}
	if diff := cmp.Diff(wordsOf(doc), readHTML(t, page)); diff != "" {
		t.Error(diff)
	}
	for _, want := range []string{`<span class="doubtful">&lt;img`, `<span class="good">&lt;img`} {
		if n := strings.Count(page, want); n == 0 {
			t.Errorf("no %s in\n%s", want, page)
		}
	}
	if n := strings.Count(page, `<span class="doubtful">`); n != 2 { // the mark and the drawing
		t.Errorf("%d doubtful spans", n)
	}
}

// writerThat fails with an error.
type writerThat struct{ error }

func (w writerThat) Write([]byte) (int, error) { return 0, w.error }

// Each block becomes the element that means the same, and nothing that is said
// is taken for markup.
func TestHTML(t *testing.T) {
	doc := &Document{Blocks: []Block{
		Title{"run:<b>cam</b>"}, Statement{"OUT OF LIMITS", Bad}, Paragraph{Lead: "Source", Text: `"A & B"`},
		Paragraph{Bullet: true, Text: "one"}, Paragraph{Bullet: true, Text: "two"}, Space{},
		Table{Columns: []Column{{Title: "limit"}, {Title: "worst", Unit: "ms", Right: true}}, Rows: [][]Cell{{{Text: "break"}, {Number: true, Decimals: 1}}, nil}},
		Chart{"Window", &plot.Strip{Title: "Strip", To: 1}, []Block{Paragraph{Lead: "Counts", Text: "8 to 12 pps"}}},
		Chart{"Another", &plot.Strip{Title: "Strip", To: 1}, []Block{Paragraph{Text: "what it shows"}}},
	}}
	var b strings.Builder
	if err := doc.HTML(&b, "<Marrow Quay>"); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	if diff := cmp.Diff(wordsOf(doc), readHTML(t, page)); diff != "" {
		t.Error(diff)
	}
	for _, want := range []string{
		"<title>&lt;Marrow Quay&gt;</title>", "<h1>run:&lt;b&gt;cam&lt;/b&gt;</h1>", `<p class="verdict bad">OUT OF LIMITS</p>`,
		"<p><b>Source</b> &#34;A &amp; B&#34;</p>", "<ul>\n<li>one</li>\n<li>two</li>\n</ul>",
		`<th scope="col">limit</th><th scope="col" class="right">worst ms</th>`, `<td>break</td><td class="right">-</td>`, `<td colspan="2">…</td>`,
		"</svg>\n<figcaption>Window</figcaption>\n</figure>\n<details>\n<summary>In words</summary>\n<p><b>Counts</b> 8 to 12 pps</p>\n</details>",
		"</svg>\n<figcaption>what it shows</figcaption>\n</figure>\n</main>",
	} {
		if !strings.Contains(page, want) {
			t.Errorf("no %s in\n%s", want, page)
		}
	}
	page = strings.ReplaceAll(page, `xmlns="http://www.w3.org/2000/svg"`, "") // a name, which nobody fetches
	for _, not := range []string{"http:", "https:", "src=", "url("} {
		if strings.Contains(page, not) {
			t.Errorf("the page fetches something: %s", not)
		}
	}
	fails := errors.New("no room")
	if err := doc.HTML(writerThat{fails}, ""); !errors.Is(err, fails) {
		t.Errorf("a page that cannot be written: %v", err)
	}
}
