// Package manual makes manual pages, one a command, of the same text as the
// help.
package manual

import (
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/alecthomas/kong"
)

// A Page is a manual page of section 1.
type Page struct {
	Name string // makebreak, makebreak-soak-start
	Text string // roff, with the macros of man(7), in ASCII
}

// Pages gives a page for the program, and one for each of its commands that is
// not hidden. epilogue is what the help of a command ends with. date (of the
// source, 2026-11-28) and version stand at the foot of each.
func Pages(app *kong.Application, epilogue func(*kong.Node) string, date, version string) []Page {
	m := &maker{app: app, epilogue: epilogue, date: date, version: version}
	m.root()
	for _, n := range leaves(app.Node) {
		m.command(n)
	}
	return m.pages
}

// leaves are the commands that do something: soak start, but not soak.
func leaves(n *kong.Node) (all []*kong.Node) {
	for _, c := range n.Children {
		switch {
		case c.Hidden:
		case len(c.Children) > 0:
			all = append(all, leaves(c)...)
		default:
			all = append(all, c)
		}
	}
	return all
}

type maker struct {
	app           *kong.Application
	epilogue      func(*kong.Node) string
	date, version string
	pages         []Page

	strings.Builder      // the page at work
	fresh           bool // a section has just begun: a paragraph needs no macro
}

// pageName is the name of a command's page: that of the command, with hyphens.
func pageName(n *kong.Node) string { return strings.ReplaceAll(n.FullPath(), " ", "-") }

func (m *maker) root() {
	parts := split(m.epilogue(m.app.Node))
	first, rest, _ := strings.Cut(m.app.Help, ": ")
	m.begin(m.app.Name, first)
	m.synopsis(m.app.Name + " <command> [flags]")
	m.section("DESCRIPTION")
	m.text(first + ": " + rest)
	m.blocks(parts.text)
	m.section("COMMANDS")
	var titles []string
	of := map[string][]*kong.Node{}
	for _, n := range leaves(m.app.Node) {
		title := titleOf(n.ClosestGroup())
		if of[title] == nil {
			titles = append(titles, title)
		}
		of[title] = append(of[title], n)
	}
	for _, title := range titles {
		if title != "" {
			m.macro("SS", title)
		}
		for _, n := range of[title] {
			m.WriteString(".TP\n.BR " + escape(pageName(n)) + " (1)\n")
			m.text(n.Help)
		}
	}
	m.options(m.app.Node)
	m.end(parts, nil)
}

func (m *maker) command(n *kong.Node) {
	parts := split(m.epilogue(n))
	m.begin(pageName(n), n.Help)
	m.synopsis(n.FullPath() + strings.TrimPrefix(n.Summary(), n.Path()))
	m.section("DESCRIPTION")
	m.text(n.Help)
	m.blocks(parts.text)
	if len(n.Positional) > 0 {
		m.section("ARGUMENTS")
		for _, p := range n.Positional {
			m.WriteString(".TP\n.I " + escape(p.Summary()) + "\n")
			m.text(p.Help)
		}
	}
	m.options(n)
	m.end(parts, n)
}

// titleOf is the heading of a group; empty for none.
func titleOf(g *kong.Group) string {
	if g == nil {
		return ""
	}
	return strings.TrimSuffix(g.Title, ":")
}

func (m *maker) begin(name, about string) {
	m.Reset()
	about = strings.TrimSuffix(strings.TrimSpace(about), ".")
	r, size := utf8.DecodeRuneInString(about)
	fmt.Fprintf(m, ".TH %s 1 %s \"makebreak %s\" \"makebreak\"\n", escape(strings.ToUpper(name)), m.date, escape(m.version))
	m.pages = append(m.pages, Page{Name: name})
	m.section("NAME")
	// On one line, whatever its length: programs that list pages read it so.
	m.WriteString(escape(name) + ` \- ` + escape(strings.ToLower(string(r))+about[size:]) + "\n")
}

func (m *maker) synopsis(usage string) {
	m.section("SYNOPSIS")
	m.line(usage)
}

// options writes the flags of a command by their groups, as the help has them.
func (m *maker) options(n *kong.Node) {
	m.section("OPTIONS")
	var titles []string
	of := map[string][]*kong.Flag{}
	for _, level := range n.AllFlags(true) {
		for _, f := range level {
			title := titleOf(f.Group)
			if of[title] == nil && title != "" {
				titles = append(titles, title)
			}
			of[title] = append(of[title], f)
		}
	}
	for _, title := range append([]string{""}, titles...) {
		if title != "" {
			m.macro("SS", title)
		}
		for _, f := range of[title] {
			m.WriteString(".TP\n.B " + escape(f.String()) + "\n")
			m.text(f.Help)
		}
	}
}

func (m *maker) end(parts parts, n *kong.Node) {
	for _, s := range []struct {
		title  string
		blocks []string
	}{{"KEYS", parts.keys}, {"EXIT STATUS", parts.status}, {"EXAMPLES", parts.examples}, {"CAUTION", parts.caution}} {
		if len(s.blocks) > 0 {
			m.section(s.title)
			m.blocks(s.blocks)
		}
	}
	if n != nil {
		m.section("SEE ALSO")
		m.WriteString(".BR " + escape(m.app.Name) + " (1)")
		if n.Parent != m.app.Node {
			for _, c := range n.Parent.Children {
				if c != n && !c.Hidden {
					m.WriteString(" ,\n.BR " + escape(pageName(c)) + " (1)")
				}
			}
		}
		m.WriteByte('\n')
	}
	m.pages[len(m.pages)-1].Text = strings.ReplaceAll(m.String(), ") ,\n", "),\n")
}

// parts are the blocks of an epilogue, by the sections they go to.
type parts struct{ text, keys, status, examples, caution []string }

func split(epilogue string) (p parts) {
	for block := range strings.SplitSeq(strings.TrimSpace(epilogue), "\n\n") {
		switch {
		case strings.HasPrefix(block, "Keys of "):
			p.keys = append(p.keys, block)
		case strings.HasPrefix(block, "Exit status"):
			p.status = append(p.status, strings.TrimPrefix(block, "Exit status: "))
		case strings.HasPrefix(block, "Examples"):
			p.examples = append(p.examples, strings.TrimPrefix(block, "Examples:\n"))
		case strings.HasPrefix(block, "Caution: "):
			text := strings.TrimPrefix(block, "Caution: ")
			p.caution = append(p.caution, strings.ToUpper(text[:1])+text[1:])
		case block != "":
			p.text = append(p.text, block)
		}
	}
	return p
}

// blocks writes paragraphs. What is indented in them stays as it is.
func (m *maker) blocks(all []string) {
	for i, block := range all {
		if i > 0 || !m.fresh {
			m.WriteString(".PP\n")
		}
		var words []string
		flush := func() {
			if len(words) > 0 {
				m.text(strings.Join(words, " "))
				words = nil
			}
		}
		lines := strings.Split(strings.Trim(block, "\n"), "\n")
		for i := 0; i < len(lines); i++ {
			if !strings.HasPrefix(lines[i], " ") {
				words = append(words, lines[i])
				continue
			}
			if len(words) > 0 {
				flush()
				m.WriteString(".PP\n")
			}
			m.WriteString(".EX\n")
			for ; i < len(lines) && strings.HasPrefix(lines[i], " "); i++ {
				m.line(lines[i])
			}
			i--
			m.WriteString(".EE\n")
		}
		flush()
	}
}

func (m *maker) section(title string) {
	m.macro("SH", title)
	m.fresh = true
}

func (m *maker) macro(name, argument string) {
	fmt.Fprintf(m, ".%s \"%s\"\n", name, escape(argument))
}

// text writes words as lines of a file that a person can read too; what reads it
// fills the lines anew.
func (m *maker) text(s string) {
	line := ""
	for w := range strings.FieldsSeq(s) {
		if line != "" && len(line)+1+len(w) > 78 {
			m.line(line)
			line = ""
		}
		line = strings.TrimPrefix(line+" "+w, " ")
	}
	m.line(line)
}

// line writes a line of text, which is no macro whatever it begins with.
func (m *maker) line(s string) {
	if s == "" {
		return
	}
	s = escape(s)
	if strings.HasPrefix(s, ".") {
		s = `\&` + s
	}
	m.WriteString(s + "\n")
	m.fresh = false
}

// escaper keeps characters what they are: roff would set typographic ones for
// some, which a shell does not understand when they are copied.
var escaper = strings.NewReplacer(`\`, `\e`, "-", `\-`, "'", `\(aq`, "`", `\(ga`, "^", `\(ha`, "~", `\(ti`, `"`, `\(dq`)

// escape gives text as roff has it, in ASCII.
func escape(s string) string {
	var b strings.Builder
	for _, r := range escaper.Replace(s) {
		if r < utf8.RuneSelf {
			b.WriteRune(r)
		} else {
			fmt.Fprintf(&b, `\[u%04X]`, r)
		}
	}
	return b.String()
}
