package config

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"reflect"
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
	"github.com/goccy/go-yaml/token"

	"makebreak/pulse"
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

// A fileKind is a kind of file.
type fileKind struct {
	name string
	// tokens is the most YAML tokens that a file may have: the parser's time
	// grows with the square of the nesting.
	tokens int
}

// readFile reads a file, at most one byte beyond the largest size.
func readFile(kind fileKind, path string) ([]byte, error) {
	// Opening a pipe would wait until somebody writes to it.
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: %w", kind.name, &os.PathError{Op: "open", Path: path, Err: errors.New("not a file")})
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", kind.name, err)
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxFileSize+1))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", kind.name, err)
	}
	return data, nil
}

// parseYAML parses a file of one document that is a mapping.
func parseYAML(kind fileKind, file string, data []byte) (*ast.MappingNode, error) {
	if len(data) > maxFileSize {
		return nil, fmt.Errorf("%s: larger than 1 MiB: expected a %s", file, kind.name)
	}
	text := strings.TrimPrefix(string(data), "\uFEFF")
	if i := badUTF8(text); i >= 0 {
		line := 1 + strings.Count(text[:i], "\n")
		column := 1 + utf8.RuneCountInString(text[strings.LastIndexByte(text[:i], '\n')+1:i])
		return nil, fmt.Errorf("%s:%d:%d: byte 0x%02x: expected UTF-8 text", file, line, column, text[i])
	}
	tokens := lexer.Tokenize(text)
	if len(tokens) > kind.tokens {
		return nil, fmt.Errorf("%s:%d:1: more than %d words and signs: expected a %s",
			file, tokens[kind.tokens].Position.Line, kind.tokens, kind.name)
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
		unended := strings.HasPrefix(message, "could not find end character")
		if open := openQuote(tokens, line, unended); open != nil {
			line, column, unended = open.Line, open.Column, true
		}
		if unended {
			return nil, fmt.Errorf("%s:%d:%d: a quote that its line does not close: expected one at the end of the text", file, line, column)
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
		return nil, fmt.Errorf("%s:1:1: nothing in the file: expected a %s", file, kind.name)
	}
	if len(bodies) > 1 {
		line, column := position(bodies[1])
		return nil, fmt.Errorf("%s:%d:%d: a second document: expected one", file, line, column)
	}
	m, ok := bodies[0].(*ast.MappingNode)
	if !ok {
		line, column := position(bodies[0])
		return nil, fmt.Errorf("%s:%d:%d: %s: expected the keys of a %s", file, line, column, describe(bodies[0]), kind.name)
	}
	return m, nil
}

// openQuote gives where the text begins whose missing quote the parser noticed
// only lines below: the next quote ended the text, and what followed that did not
// fit, on the same line or because the last quote had no other. It is nil when
// there is none.
func openQuote(tokens token.Tokens, noticed int, unended bool) *token.Position {
	for _, t := range tokens {
		lines := strings.Count(strings.TrimSpace(t.Origin), "\n")
		quoted := t.Type == token.DoubleQuoteType || t.Type == token.SingleQuoteType
		if p := t.Position; quoted && lines > 0 && p != nil && (unended || p.Line+lines == noticed) {
			return p
		}
	}
	return nil
}

// badUTF8 gives the index of the first byte that is not UTF-8 text, or -1.
func badUTF8(s string) int {
	for i, r := range s {
		if r == 0 || r == utf8.RuneError && !strings.HasPrefix(s[i:], "\uFFFD") {
			return i
		}
	}
	return -1
}

// A mistake is something wrong at one position of the file.
type mistake struct {
	line, column int
	text         string
}

// A decoder turns the YAML nodes of a file into values and gathers all mistakes.
type decoder struct {
	mistakes []mistake
	reported map[mistake]bool

	// Of a watch configuration, which names other files.
	dir      string
	profiles map[string]*pulse.Profile // those read already, nil where that failed
	renamed  []string                  // of them, those named by a former id, in a sentence each
	ids      []string                  // of the bundled profiles, once they are needed
	others   []error                   // mistakes in other files
	mayWrite func(path string) error   // see CheckWatch; nil where that is not asked for
}

// Mistakes are all mistakes of a file, in its order. Error writes each on a
// line of its own.
type Mistakes []error

func (m Mistakes) Error() string { return errors.Join(m...).Error() }

// Unwrap gives the mistakes.
func (m Mistakes) Unwrap() []error { return m }

// err gives the mistakes, of which there must be at least one.
func (d *decoder) err(file string) Mistakes {
	slices.SortStableFunc(d.mistakes, func(a, b mistake) int {
		return cmp.Or(a.line-b.line, a.column-b.column)
	})
	var errs Mistakes
	for i, m := range d.mistakes {
		if i == maxMistakes {
			errs = append(errs, fmt.Errorf("%s: and %d more mistakes", file, len(d.mistakes)-i))
			break
		}
		errs = append(errs, fmt.Errorf("%s:%d:%d: %s", file, m.line, m.column, m.text))
	}
	return errs
}

// A key is what the file has for one key of a raw struct.
type key struct {
	path    string   // e.g. limits[2].min
	node    ast.Node // nil where there is none
	missing bool     // there is none, but it is needed: node is what lacks it
	bad     bool     // it is wrong, and a mistake says so
}

func (k *key) given() bool { return k.node != nil && !k.missing }
func (k *key) good() bool  { return k.given() && !k.bad }

// UnmarshalYAML implements yaml.NodeUnmarshaler.
func (k *key) UnmarshalYAML(n ast.Node) error {
	s := n.(sealed)
	*k = key{path: s.path, node: s.Node}
	return nil
}

// sealed keeps the library from decoding a value itself: it would take 1956 as
// text and 010 as eight, skip an empty value and follow aliases.
type sealed struct {
	ast.Node
	path string
}

// Type implements ast.Node.
func (sealed) Type() ast.NodeType { return ast.UnknownNodeType }

// fields gives the keys of a raw struct, with their names and whether they are
// needed, from its tags.
func fields(raw any) (keys []*key, names []string, needed []bool) {
	v := reflect.ValueOf(raw).Elem()
	for i := range v.NumField() {
		tag := v.Type().Field(i).Tag
		_, need := tag.Lookup("need")
		keys, names, needed = append(keys, v.Field(i).Addr().Interface().(*key)), append(names, tag.Get("yaml")), append(needed, need)
	}
	return keys, names, needed
}

// keys decodes a mapping into raw, a pointer to a raw struct, over what that
// holds, and reports whether there is one. The library's strict decoder would
// stop at the first wrong key: here all of them are reported, and it gets the
// others.
func (d *decoder) keys(k *key, want string, raw any) bool {
	if k.node == nil {
		return false
	}
	m, ok := k.node.(*ast.MappingNode)
	if !ok || k.missing || len(m.Values) == 0 {
		d.rejectValue(k, want)
		return false
	}
	_, names, _ := fields(raw)
	lines := map[string]int{}
	right := ast.Mapping(m.Start, m.IsFlowStyle)
	for _, kv := range m.Values {
		name := kv.Key.GetToken().Value
		path := join(k.path, name)
		line, twice := lines[name]
		if _, plain := kv.Key.(*ast.StringNode); !plain || !slices.Contains(names, name) {
			d.unknown(kv.Key, path, name, names)
		} else if twice {
			d.report(kv.Key, path, "given twice", "it once, as on line "+strconv.Itoa(line))
		} else {
			lines[name], _ = position(kv.Key)
			value := kv.Value
			if _, empty := value.(*ast.NullNode); empty || value == nil {
				value = ast.Null(kv.Key.GetToken()) // it has no position of its own
			}
			right.Values = append(right.Values, ast.MappingValue(kv.Start, kv.Key, sealed{value, path}))
		}
	}
	if err := yaml.NodeToValue(right, raw, yaml.Strict()); err != nil {
		d.reject(k, oneLine(err.Error()), want)
		return false
	}
	return true
}

// complete is keys for a mapping that must have all keys which the tags of the
// raw struct call needed. One that it lacks is read as missing.
func (d *decoder) complete(k *key, want string, raw any) bool {
	if !d.keys(k, want, raw) {
		return false
	}
	keys, names, needed := fields(raw)
	for i, x := range keys {
		if needed[i] && x.node == nil {
			*x = key{path: join(k.path, names[i]), node: k.node, missing: true}
		}
	}
	return true
}

// unknown reports a key that is none of names.
func (d *decoder) unknown(n ast.Node, path, name string, names []string) {
	if strings.Trim(name, "0123456789") == "" && name != "" { // min: 9,5, in braces
		d.report(n, path, "no key, perhaps the rest of a number with a decimal comma", "a decimal point in the number before it")
		return
	}
	what := "unknown"
	if n := near(name, names); len(n) > 0 {
		what += ", near to " + strings.Join(n, " and ")
	}
	d.report(n, path, what, "one of "+strings.Join(names, ", "))
}

// report notes a mistake, the same one only once.
func (d *decoder) report(n ast.Node, path, what, want string) {
	m := mistake{text: what + ": expected " + want}
	if path != "" {
		m.text = "key " + path + ": " + m.text
	}
	m.line, m.column = position(n)
	if d.reported == nil {
		d.reported = map[mistake]bool{}
	}
	if !d.reported[m] {
		d.reported[m] = true
		d.mistakes = append(d.mistakes, m)
	}
}

// reject reports what is wrong with k.
func (d *decoder) reject(k *key, what, want string) {
	k.bad = true
	d.report(k.node, k.path, what, want)
}

// decimalComma is a number with a comma for the decimal point.
var decimalComma = regexp.MustCompile(`^[0-9]+,[0-9]+$`)

// rejectValue reports that k holds something else than what is expected.
func (d *decoder) rejectValue(k *key, want string) {
	what := "missing"
	if !k.missing {
		what = describe(k.node)
	}
	if s, _ := textOf(k.node); decimalComma.MatchString(s) && strings.Contains(want, "decimal number") {
		want = "a decimal point: " + strings.Replace(s, ",", ".", 1)
	}
	d.reject(k, what, want)
}

// forbid reports keys that do not belong here.
func (d *decoder) forbid(what, want string, keys ...*key) {
	for _, k := range keys {
		if k.given() {
			d.report(k.node, k.path, what, want)
		}
	}
}

// read reads a key that is given into dst, or reports that it is wrong.
func read[T any](d *decoder, k *key, dst *T, want string, parse func(ast.Node) (T, bool)) {
	if k.node == nil {
		return
	}
	if x, ok := parse(k.node); ok {
		*dst = x
	} else {
		d.rejectValue(k, want)
	}
}

// text reads one line of text that ok accepts.
func (d *decoder) text(k *key, dst *string, want string, ok func(string) bool) {
	read(d, k, dst, want, func(n ast.Node) (string, bool) {
		s, isText := textOf(n)
		return s, isText && ok(s)
	})
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

// choice reads one of some options by its text. It does not ask the library,
// which writes all that follows in the file for each text that it reads.
func choice[T any](d *decoder, k *key, dst *T, options ...T) {
	read(d, k, dst, either(options), func(n ast.Node) (x T, ok bool) {
		text, ok := textOf(n)
		i := slices.IndexFunc(options, func(o T) bool { return fmt.Sprint(o) == text })
		if !ok || i < 0 {
			return x, false
		}
		return options[i], true
	})
}

// either lists options: a, b or c.
func either[T any](options []T) string {
	s := make([]string, len(options))
	for i, o := range options {
		s[i] = fmt.Sprint(o)
	}
	last := len(s) - 1
	return strings.Join(s[:last], ", ") + " or " + s[last]
}

var decimal = regexp.MustCompile(`^[-+]?(0|[1-9][0-9]*|)(\.[0-9]*)?$`)

// numberOf gives a plain decimal number from 0 to maxNumber. Octal and
// hexadecimal numbers and exponents, which versions of YAML read differently,
// are not allowed.
func numberOf(n ast.Node) (float64, bool) {
	s := n.GetToken().Value
	if t := n.Type(); t != ast.IntegerType && t != ast.FloatType || !decimal.MatchString(s) {
		return 0, false
	}
	x, err := strconv.ParseFloat(s, 64)
	return math.Abs(x), err == nil && x >= 0 && x <= maxNumber // not -0
}

func (d *decoder) number(k *key, dst **float64) {
	read(d, k, dst, wantNumber, func(n ast.Node) (*float64, bool) {
		x, ok := numberOf(n)
		return &x, ok
	})
}

// signedNumber is number for what may be below 0.
func (d *decoder) signedNumber(k *key, dst **float64) {
	read(d, k, dst, "a plain decimal number from -1000000000 to 1000000000", func(n ast.Node) (*float64, bool) {
		s, t := n.GetToken().Value, n.Type()
		x, err := strconv.ParseFloat(s, 64)
		x += 0 // not -0
		return &x, err == nil && (t == ast.IntegerType || t == ast.FloatType) && decimal.MatchString(s) && math.Abs(x) <= maxNumber
	})
}

// count reads a whole number from 1 to most.
func (d *decoder) count(k *key, dst *int, want string, most float64) {
	read(d, k, dst, want, func(n ast.Node) (int, bool) {
		x, ok := numberOf(n)
		return int(x), ok && x >= 1 && x <= most && x == math.Trunc(x)
	})
}

// list reads the items of a list, each with item; one that is wrong makes the
// list wrong.
func (d *decoder) list(k *key, want string, item func(*key)) {
	if k.node == nil {
		return
	}
	s, ok := k.node.(*ast.SequenceNode)
	if !ok {
		d.rejectValue(k, want)
		return
	}
	for i, n := range s.Values {
		if n == nil {
			n = ast.Null(s.GetToken())
		}
		x := &key{path: k.path + "[" + strconv.Itoa(i) + "]", node: n}
		item(x)
		k.bad = k.bad || x.bad
	}
}

// items reads a list into dst, each value with item.
func items[T any](d *decoder, k *key, dst *[]T, want string, item func(*key, *T)) {
	d.list(k, want, func(x *key) {
		var v T
		item(x, &v)
		*dst = append(*dst, v)
	})
}

func (d *decoder) texts(k *key, dst *[]string) {
	items(d, k, dst, "a list of sentences", func(x *key, s *string) { d.text(x, s, wantText, isText) })
}

// segments reads the makes and breaks of a cadence, each with item.
func (d *decoder) segments(k *key, dst *[]int64, want string, item func(*key, *int64)) {
	items(d, k, dst, want+": make, break, make, break …", item)
	if n := len(*dst); k.good() && (n < 2 || n%2 != 0 || n > maxSegments) {
		d.reject(k, strconv.Itoa(n)+" segments", "an even number of them from 2 to 64: make, break, make, break …")
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

// join gives the path of a key inside path.
func join(path, key string) string {
	if key == "" || strings.Trim(key, "abcdefghijklmnopqrstuvwxyz_") != "" {
		key = quote(key)
	}
	if path == "" {
		return key
	}
	return path + "." + key
}

// quote makes text short and safe to show.
func quote(s string) string { return strconv.Quote(short(s, 40)) }

// oneLine makes a message of the YAML parser safe to show.
func oneLine(s string) string {
	return short(strings.Map(func(r rune) rune {
		if !unicode.IsPrint(r) {
			return ' '
		}
		return r
	}, s), 200)
}

// short cuts text after most letters.
func short(s string, most int) string {
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
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

// near gives up to five of words that a mistyped word may stand for, the nearest
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
// their neighbour to turn a into b (optimal string alignment).
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
