package command

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/alecthomas/kong"

	"makebreak/daemon/completion"
	"makebreak/daemon/config"
	"makebreak/daemon/manual"
	"makebreak/daemon/wholefile"
)

type completionCmd struct {
	Shell string `arg:"" enum:"bash,zsh,fish" help:"bash, zsh or fish."`
}

func (*completionCmd) epilogue() string {
	return `Examples:
  source <(makebreak completion bash)
  makebreak completion zsh > ~/.zfunc/_makebreak
  makebreak completion fish > ~/.config/fish/completions/makebreak.fish

The Debian package brings them along. For bash the line belongs into ~/.bashrc;
for zsh the folder into fpath, before compinit.
`
}

func (c *completionCmd) run(_ context.Context, sh *shell) (int, error) {
	script, err := completion.Script(c.Shell)
	if err == nil {
		_, err = sh.stdout.WriteString(script)
	}
	return StatusOK, err
}

// completeCmd is what the scripts ask.
type completeCmd struct {
	Shell string   `arg:"" enum:"bash,zsh,fish"`
	Words []string `arg:"" optional:"" passthrough:""`
}

func (c *completeCmd) run(_ context.Context, sh *shell) (int, error) {
	words := c.Words
	if len(words) > 0 && words[0] == "--" {
		words = words[1:]
	}
	if len(words) == 0 {
		return StatusOK, nil
	}
	last := words[len(words)-1]
	all := completion.Of(sh.model, words, func(v *kong.Value) []completion.Candidate { return knownValues(v, last) })
	return StatusOK, completion.Write(sh.stdout, c.Shell, last, all)
}

// knownValues gives the words that a flag or an argument can be and the grammar
// does not list.
func knownValues(v *kong.Value, last string) (all []completion.Candidate) {
	switch {
	case v.Name == "limits" || v.Name == "id|words":
		profiles, err := config.Profiles()
		if err != nil {
			return nil // the command itself tells
		}
		for _, p := range profiles {
			all = append(all, completion.Candidate{Word: p.ID, About: p.Title})
		}
		if strings.HasPrefix(v.Help, "Compare with") {
			all = append(all, completion.Candidate{Word: allLimits, About: "each of them in turn"})
		}
	case v.Name == "source" && strings.HasPrefix(last, "sim:"):
		for _, signal := range []string{"dial", "cam", "cadence"} {
			all = append(all, completion.Candidate{Word: "sim:" + signal})
		}
	}
	return all
}

// manualCmd makes the manual pages of a package.
type manualCmd struct {
	Dir  string `arg:""`
	Date string `required:""`
}

func (c *manualCmd) run(_ context.Context, sh *shell) (int, error) {
	version, _, _ := build()
	pages := manual.Pages(sh.model, func(n *kong.Node) string {
		if e, ok := n.Target.Addr().Interface().(epilogue); ok {
			return e.epilogue()
		}
		return ""
	}, c.Date, version)
	for _, p := range pages {
		name := filepath.Join(c.Dir, p.Name+".1")
		if err := os.WriteFile(name, []byte(p.Text), 0o644); err != nil {
			return 0, fmt.Errorf("write %s: %s", name, wholefile.Reason(err))
		}
	}
	return StatusOK, nil
}
