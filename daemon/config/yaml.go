package config

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
)

const (
	maxFileSize = 1 << 20
	// maxMistakes bounds what one file can pour onto a terminal.
	maxMistakes = 100
	maxText     = 500 // letters
	maxNumber   = 1e9
)

const (
	wantText   = "text on one line, at most 500 letters, in quotes where it looks like a number"
	wantNumber = "a plain decimal number from 0 to 1000000000"
)

// A form is a sort of file.
type form struct {
	name string
	// tokens is the most words and signs that one may have: the YAML parser's
	// time grows with the square of nesting.
	tokens int
}

// readFile reads a whole file, up to a byte more than one may have.
func readFile(what form, path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what.name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileSize+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", what.name, err)
	}
	return data, nil
}

// parseYAML parses a file of one document that is a mapping.
func parseYAML(what form, file string, data []byte) (*ast.MappingNode, error) {
	if len(data) > maxFileSize {
		return nil, fmt.Errorf("%s: larger than 1 MiB: expected a %s", file, what.name)
	}
	text := strings.TrimPrefix(string(data), "\uFEFF")
	if i := badUTF8(text); i >= 0 {
		line := 1 + strings.Count(text[:i], "\n")
		column := 1 + utf8.RuneCountInString(text[strings.LastIndexByte(text[:i], '\n')+1:i])
		return nil, fmt.Errorf("%s:%d:%d: byte 0x%02x: expected UTF-8 text", file, line, column, text[i])
	}
	tokens := lexer.Tokenize(text)
	if len(tokens) > what.tokens {
		return nil, fmt.Errorf("%s:%d:1: more than %d words and signs: expected a %s",
			file, tokens[what.tokens].Position.Line, what.tokens, what.name)
	}
	f, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	if err != nil {
		line, column, message := 1, 1, "not readable"
		var ye yaml.Error
		if errors.As(err, &ye) { // its Error shows the source, on many lines
			message = ye.GetMessage()
			if t := ye.GetToken(); t != nil && t.Position != nil {
				line, column = t.Position.Line, t.Position.Column
			}
		}
		if strings.Contains(message, "'\t'") {
			return nil, fmt.Errorf("%s:%d:%d: a tab before the text: expected blanks, for YAML is not indented by tabs", file, line, column)
		}
		return nil, fmt.Errorf("%s:%d:%d: %s: expected YAML", file, line, column, oneLine(message))
	}
	var bodies []ast.Node
	for _, doc := range f.Docs {
		if doc.Body != nil {
			bodies = append(bodies, doc.Body)
		}
	}
	if len(bodies) == 0 {
		return nil, fmt.Errorf("%s:1:1: nothing in the file: expected a %s", file, what.name)
	}
	if len(bodies) > 1 {
		line, column := position(bodies[1])
		return nil, fmt.Errorf("%s:%d:%d: a second document: expected one", file, line, column)
	}
	m, ok := bodies[0].(*ast.MappingNode)
	if !ok {
		line, column := position(bodies[0])
		return nil, fmt.Errorf("%s:%d:%d: %s: expected the keys of a %s", file, line, column, describe(bodies[0]), what.name)
	}
	return m, nil
}

// badUTF8 gives the index of the first byte that is not UTF-8 text, or -1.
func badUTF8(s string) int {
	for i, r := range s {
		if r == 0 {
			return i
		}
		if r == utf8.RuneError {
			if _, n := utf8.DecodeRuneInString(s[i:]); n == 1 {
				return i
			}
		}
	}
	return -1
}

// A mistake is one thing wrong at a place of the file.
type mistake struct {
	line, column int
	text         string
}

// A decoder turns YAML nodes into values and gathers all mistakes.
type decoder struct{ mistakes []mistake }

// Mistakes are all that is wrong with a file, in its order. Error gives each
// its line, whole by itself.
type Mistakes []error

func (m Mistakes) Error() string { return errors.Join(m...).Error() }

// Unwrap gives the mistakes.
func (m Mistakes) Unwrap() []error { return m }

// err gives the mistakes, of which there is one at least.
func (d *decoder) err(file string) Mistakes {
	slices.SortStableFunc(d.mistakes, func(a, b mistake) int {
		return cmp.Or(a.line-b.line, a.column-b.column)
	})
	var errs Mistakes
	all := slices.Compact(d.mistakes)
	for i, m := range all {
		if i == maxMistakes {
			errs = append(errs, fmt.Errorf("%s: and %d more mistakes", file, len(all)-i))
			break
		}
		errs = append(errs, fmt.Errorf("%s:%d:%d: %s", file, m.line, m.column, m.text))
	}
	return errs
}

// A value is what a key holds.
type value struct {
	path string // e.g. limits[2].min
	node ast.Node
	want string // what was expected
}

// found are the keys of a mapping that were given.
type found map[string]answer

// An answer is a given value; not good where it was wrong and that is told.
type answer struct {
	value
	good bool
}

// good tells whether all the keys were given and right.
func (f found) good(keys ...string) bool {
	for _, k := range keys {
		if !f[k].good {
			return false
		}
	}
	return true
}

func (f found) has(key string) bool { _, ok := f[key]; return ok }

// A field is a key that a mapping may have.
type field struct {
	key  string
	must bool
	want string
	read func(v value) bool // tells its mistakes itself
}

// tell notes a mistake at v.
func (d *decoder) tell(v value, what, want string) {
	line, column := position(v.node)
	text := what + ": expected " + want
	if v.path != "" {
		text = "key " + v.path + ": " + text
	}
	d.mistakes = append(d.mistakes, mistake{line, column, text})
}

// wrong notes that v holds another thing than expected.
func (d *decoder) wrong(v value) bool {
	d.tell(v, describe(v.node), v.want)
	return false
}

// mapping reads the keys of v into f, and tells whether v is a mapping.
func (d *decoder) mapping(v value, f found, fields []field) bool {
	m, ok := v.node.(*ast.MappingNode)
	if !ok || len(m.Values) == 0 {
		return d.wrong(v)
	}
	lines := map[string]int{}
	for _, kv := range m.Values {
		key := kv.Key.GetToken().Value
		child := value{path: join(v.path, key), node: kv.Key}
		i := slices.IndexFunc(fields, func(f field) bool { return f.key == key })
		if _, plain := kv.Key.(*ast.StringNode); i < 0 || !plain {
			keys := make([]string, len(fields))
			for i := range fields {
				keys[i] = fields[i].key
			}
			if strings.Trim(key, "0123456789") == "" && key != "" { // min: 9,5, in braces
				d.tell(child, "no key, perhaps the rest of a number with a decimal comma", "a decimal point in the number before it")
				continue
			}
			what := "unknown"
			if n := near(key, keys); len(n) > 0 {
				what += ", near to " + strings.Join(n, " and ")
			}
			d.tell(child, what, "one of "+strings.Join(keys, ", "))
			continue
		}
		if line, ok := lines[key]; ok {
			d.tell(child, "given twice", "it once, as on line "+strconv.Itoa(line))
			continue
		}
		lines[key], _ = position(kv.Key)
		child.node, child.want = kv.Value, fields[i].want
		if _, ok := kv.Value.(*ast.NullNode); ok || kv.Value == nil {
			child.node = kv.Key // an empty value has no place of its own
			d.tell(child, "nothing", child.want)
			f[key] = answer{child, false}
			continue
		}
		f[key] = answer{child, fields[i].read(child)}
	}
	return true
}

// require notes the keys that v must have and has not.
func (d *decoder) require(v value, f found, fields []field) {
	for _, x := range fields {
		if x.must && !f.has(x.key) {
			d.tell(value{path: join(v.path, x.key), node: v.node}, "missing", x.want)
		}
	}
}

// text reads one line of text that ok takes.
func (d *decoder) text(dst *string, ok func(string) bool) func(value) bool {
	return func(v value) bool {
		s, isText := textOf(v.node)
		if !isText || !ok(s) {
			return d.wrong(v)
		}
		*dst = s
		return true
	}
}

// textOf gives the text of a scalar that is text.
func textOf(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return strings.TrimSpace(n.Value.Value), true
	}
	return "", false
}

// choice reads one of some options by its name.
func choice[T any](d *decoder, dst *T, options []T, name func(T) string) func(value) bool {
	return func(v value) bool {
		s, _ := textOf(v.node)
		i := slices.IndexFunc(options, func(o T) bool { return name(o) == s })
		if i < 0 {
			return d.wrong(v)
		}
		*dst = options[i]
		return true
	}
}

var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*|)(\.[0-9]*)?$`)

// numberOf gives a plain decimal in the range that profiles may have. Octal,
// hexadecimal and exponents, which YAML versions read differently, are none.
func numberOf(n ast.Node) (float64, bool) {
	switch n.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
	default:
		return 0, false
	}
	s := n.GetToken().Value
	if !decimal.MatchString(s) {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	if err != nil || !(x >= 0 && x <= maxNumber) {
		return 0, false
	}
	return math.Abs(x), true // not -0
}

// decimalComma is a number as much of the world writes it.
var decimalComma = regexp.MustCompile(`^[0-9]+,[0-9]+$`)

// wrongNumber is wrong for a number.
func (d *decoder) wrongNumber(v value) bool {
	if s := v.node.GetToken().Value; decimalComma.MatchString(s) {
		v.want = "a decimal point: " + strings.Replace(s, ",", ".", 1)
	}
	return d.wrong(v)
}

func (d *decoder) number(dst **float64) func(value) bool {
	return func(v value) bool {
		x, ok := numberOf(v.node)
		if !ok {
			return d.wrongNumber(v)
		}
		*dst = &x
		return true
	}
}

func (d *decoder) count(dst *int) func(value) bool {
	return func(v value) bool {
		x, ok := numberOf(v.node)
		if !ok || x < 1 || x != math.Trunc(x) {
			return d.wrong(v)
		}
		*dst = int(x)
		return true
	}
}

// list reads a list, its items with each; want is what each item is.
func (d *decoder) list(want string, each func(v value) bool) func(value) bool {
	return func(v value) bool {
		s, ok := v.node.(*ast.SequenceNode)
		if !ok {
			return d.wrong(v)
		}
		for i, n := range s.Values {
			item := value{v.path + "[" + strconv.Itoa(i) + "]", n, want}
			if n == nil {
				item.node = s
			}
			ok = each(item) && ok
		}
		return ok
	}
}

func (d *decoder) texts(dst *[]string) func(value) bool {
	return func(v value) bool {
		*dst = nil
		return d.list(wantText, func(v value) bool {
			var s string
			ok := d.text(&s, isText)(v)
			*dst = append(*dst, s)
			return ok
		})(v)
	}
}

func isText(s string) bool { return isPrintable(s, maxText) }

func isPrintable(s string, most int) bool {
	return s != "" && utf8.RuneCountInString(s) <= most &&
		strings.IndexFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) < 0
}

func validID(s string) bool {
	return s != "" && len(s) <= 64 && strings.Trim(s, "abcdefghijklmnopqrstuvwxyz0123456789-") == ""
}

func shown(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }

// join makes the path of a key inside path.
func join(path, key string) string {
	if key == "" || strings.Trim(key, "abcdefghijklmnopqrstuvwxyz_") != "" {
		key = quote(key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

// quote makes text safe and short to show.
func quote(s string) string {
	if r := []rune(s); len(r) > 40 {
		s = string(r[:40]) + "…"
	}
	return strconv.Quote(s)
}

// oneLine makes a message of the YAML parser safe to show.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s)
	if r := []rune(s); len(r) > 200 {
		return string(r[:200]) + "…"
	}
	return s
}

// describe says what a node holds.
func describe(n ast.Node) string {
	switch n := n.(type) {
	case *ast.StringNode, *ast.LiteralNode:
		s, _ := textOf(n)
		return quote(s)
	case *ast.IntegerNode, *ast.FloatNode, *ast.NanNode, *ast.InfinityNode:
		return "the number " + oneLine(n.GetToken().Value)
	case *ast.BoolNode:
		return n.GetToken().Value
	case *ast.SequenceNode:
		return "a list"
	case *ast.MappingNode:
		if len(n.Values) == 0 {
			return "an empty mapping"
		}
		return "a mapping"
	case *ast.AnchorNode, *ast.AliasNode:
		return "an anchor or alias"
	case *ast.TagNode:
		return "a tag"
	}
	return "nothing"
}

// position gives where a node begins. A block mapping begins at its first key,
// although its token is the colon.
func position(n ast.Node) (line, column int) {
	if m, ok := n.(*ast.MappingNode); ok && len(m.Values) > 0 && !m.IsFlowStyle {
		n = m.Values[0].Key
	}
	if t := n.GetToken(); t != nil && t.Position != nil {
		return t.Position.Line, t.Position.Column
	}
	return 1, 1
}

// near gives up to five words that a mistyped one may stand for, the nearest
// first.
func near(word string, words []string) []string {
	if len(word) > 64 {
		return nil
	}
	type candidate struct {
		word     string
		distance int
	}
	var c []candidate
	for _, w := range words {
		n, shared := distance(word, w), 0
		for part := range strings.SplitSeq(word, "-") {
			if slices.Contains(strings.Split(w, "-"), part) {
				shared++
			}
		}
		if n <= 1+len(word)/4 || shared > 1 || len(word) > 2 && strings.Contains(w, word) {
			c = append(c, candidate{w, n})
		}
	}
	slices.SortStableFunc(c, func(a, b candidate) int { return a.distance - b.distance })
	var out []string
	for _, x := range c[:min(len(c), 5)] {
		out = append(out, x.word)
	}
	return out
}

// distance is the number of letters to insert, delete, replace or swap with
// their neighbour to make b of a (optimal string alignment).
func distance(a, b string) int {
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			n := min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				n = min(n, rows[i-2][j-2]+1)
			}
			rows[i][j] = n
		}
	}
	return rows[len(a)][len(b)]
}
