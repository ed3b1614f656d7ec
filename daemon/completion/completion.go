// Package completion tells how a command line may go on, and holds what makes
// bash, zsh and fish ask.
package completion

import (
	"embed"
	"fmt"
	"io"
	"strings"

	"github.com/alecthomas/kong"
)

// Shells are those that Script knows.
const Shells = "bash,zsh,fish"

//go:embed bash zsh fish
var scripts embed.FS

// Script is what a shell of Shells reads to complete the command makebreak.
func Script(shell string) (string, error) {
	b, err := scripts.ReadFile(shell)
	if err != nil {
		return "", fmt.Errorf("%q is no shell that is known: expected one of %s", shell, Shells)
	}
	return string(b), nil
}

// A Candidate is a word that a command line may go on with.
type Candidate struct {
	Word  string
	About string // for a person; may be empty
}

// Of tells what the last of the words after the program's name can become; it
// may be empty, the others are whole. values gives the words that a flag's value
// or an argument is known to take; it is asked where the grammar has no list.
// None at all means that nothing is known, or that a file is expected.
func Of(app *kong.Application, words []string, values func(*kong.Value) []Candidate) []Candidate {
	if len(words) == 0 {
		return nil
	}
	written, helping := words, words[0] == "help" && len(words) > 1
	if helping {
		written = words[1:]
	}
	last := written[len(written)-1]
	node, arguments, onlyArguments := app.Node, 0, false
	var flag *kong.Flag // whose value comes next
	used := map[*kong.Flag]bool{}
	for _, w := range written[:len(written)-1] {
		switch {
		case flag != nil:
			flag = nil
		case w == "--" && !onlyArguments:
			onlyArguments = true
		case isFlag(w) && !onlyArguments:
			name, _, valued := strings.Cut(w, "=")
			if f := flagOf(node, name); f != nil {
				used[f] = true
				if !valued && !f.IsBool() && !f.IsCounter() {
					flag = f
				}
			}
		default:
			child := childOf(node, w)
			if child == nil || arguments > 0 {
				arguments++
				break
			}
			node = child
		}
	}
	known := func(v *kong.Value) []Candidate {
		if v.Enum == "" {
			return values(v)
		}
		var all []Candidate
		for _, w := range v.EnumSlice() {
			all = append(all, Candidate{Word: w})
		}
		return all
	}
	name, _, valued := strings.Cut(last, "=")
	switch {
	case flag != nil:
		return beginning(last, known(flag.Value))
	case isFlag(last) && valued && !onlyArguments:
		f := flagOf(node, name)
		if f == nil {
			return nil
		}
		var all []Candidate
		for _, c := range known(f.Value) {
			all = append(all, Candidate{name + "=" + c.Word, c.About})
		}
		return beginning(last, all)
	case strings.HasPrefix(last, "-") && !onlyArguments && !helping:
		return beginning(last, flags(node, used))
	case arguments == 0 && len(node.Children) > 0:
		return beginning(last, children(node))
	case len(node.Positional) > 0 && !helping:
		return beginning(last, known(node.Positional[min(arguments, len(node.Positional)-1)]))
	}
	return nil
}

// isFlag tells a flag from an argument; "-" alone is standard input.
func isFlag(w string) bool { return strings.HasPrefix(w, "-") && w != "-" }

// flagOf finds a flag of a command, or of those that it belongs to; nil for none.
func flagOf(n *kong.Node, name string) *kong.Flag {
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			if name == "--"+f.Name || f.Short != 0 && name == "-"+string(f.Short) {
				return f
			}
		}
	}
	return nil
}

func childOf(n *kong.Node, name string) *kong.Node {
	for _, c := range n.Children {
		if c.Name == name {
			return c
		}
	}
	return nil
}

// flags are those that a command line can still take.
func flags(n *kong.Node, used map[*kong.Flag]bool) (all []Candidate) {
	for _, group := range n.AllFlags(true) {
		for _, f := range group {
			if !used[f] || f.IsCumulative() {
				all = append(all, Candidate{"--" + f.Name, brief(f.Help)})
			}
		}
	}
	return all
}

func children(n *kong.Node) (all []Candidate) {
	for _, c := range n.Children {
		if !c.Hidden {
			all = append(all, Candidate{c.Name, brief(c.Help)})
		}
	}
	return all
}

func beginning(with string, all []Candidate) (some []Candidate) {
	for _, c := range all {
		if strings.HasPrefix(c.Word, with) {
			some = append(some, c)
		}
	}
	return some
}

// brief is the first part of a help: the rest would not fit beside the word.
func brief(help string) string {
	for _, end := range []string{". ", "; ", ": ", " ("} {
		help, _, _ = strings.Cut(help, end)
	}
	return strings.TrimSuffix(help, ".")
}

// Write writes candidates as the script of a shell reads them, one a line. last
// is the word that is being written.
func Write(w io.Writer, shell, last string, all []Candidate) error {
	for _, c := range all {
		var line string
		switch shell {
		case "bash": // takes a colon and an equals sign for the start of a word
			line = c.Word[strings.LastIndexAny(last, ":=")+1:]
		case "zsh":
			line = strings.ReplaceAll(c.Word, ":", `\:`)
			if c.About != "" {
				line += ":" + c.About
			}
		case "fish":
			line = c.Word
			if c.About != "" {
				line += "\t" + c.About
			}
		}
		if _, err := fmt.Fprintln(w, line); err != nil {
			return err
		}
	}
	return nil
}
