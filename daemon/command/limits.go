package command

import (
	"context"
	"errors"
	"slices"
	"strings"

	"makebreak/configs"
	"makebreak/daemon/config"
	"makebreak/daemon/report"
	"makebreak/pulse"
)

type limitsCmd struct {
	What []string `arg:"" optional:"" name:"id|words" help:"Set of limits to show, a YAML file of your own, or words to search for; without any all are listed."`

	Kind    string `group:"Which to list:" enum:"any,dial,interrupter" default:"any" help:"dial or interrupter."`
	Country string `group:"Which to list:" placeholder:"AU" help:"Country, by its code or name."`
	Use     string `group:"Which to list:" enum:"any,sending,receiving,cadence" default:"any" help:"sending, receiving or cadence."`

	jsonFlag `group:"Output:"`
	Template string `group:"Output:" enum:"none,dial,interrupter" default:"none" placeholder:"KIND" help:"Write an example of limits of your own, for a dial or an interrupter, that explains every key."`
}

func (*limitsCmd) epilogue() string {
	return `Examples:
  makebreak limits
  makebreak limits uk-gpo-dial-accept
  makebreak limits ringing sweden
  makebreak limits --kind dial --country AU
  makebreak limits --template dial > bench.yaml
  makebreak measure configs/recordings/marrow-quay-dial.csv --limits bench.yaml

Limits of your own are a YAML file. --template dial and --template interrupter
write one that explains each key; change its figures, and keep where they come
from.
`
}

func (c *limitsCmd) run(_ context.Context, sh *shell) (int, error) {
	filtered := c.Kind != "any" || c.Country != "" || c.Use != "any"
	if c.Template != "none" {
		if len(c.What) > 0 || filtered || c.JSON {
			return 0, errors.New("--template writes an example: expected nothing beside it")
		}
		_, err := sh.stdout.WriteString(map[string]string{"dial": configs.OwnDial, "interrupter": configs.OwnInterrupter}[c.Template])
		return StatusOK, err
	}
	var unknown error
	if len(c.What) == 1 && !filtered {
		profile, err := config.Profile(c.What[0])
		switch {
		case err == nil:
			return StatusOK, sh.show(c.JSON, report.LimitsJSON([]*pulse.Profile{profile}), func() *report.Document { return report.OfLimits(profile) })
		case !errors.Is(err, config.ErrUnknown):
			return 0, err
		}
		unknown = err
	}
	profiles, err := config.Profiles()
	if err != nil {
		return 0, err
	}
	found := slices.DeleteFunc(slices.Clone(profiles), func(p *pulse.Profile) bool { return !c.wants(p) })
	switch {
	case len(found) == 0 && unknown != nil:
		return 0, unknown
	case len(found) == 0:
		return 0, errors.New(`no set of limits is of that kind, country, use and words; "makebreak limits" lists them all`)
	}
	return StatusOK, sh.show(c.JSON, report.LimitsJSON(found), func() *report.Document { return report.OfLimitsList(found) })
}

// wants tells whether p is to be listed.
func (c *limitsCmd) wants(p *pulse.Profile) bool {
	fold := strings.ToLower
	text := fold(strings.Join([]string{p.ID, p.Title, p.Country, report.CountryName(p.Country), p.Use, p.Kind.String()}, " "))
	for _, w := range c.What {
		if !strings.Contains(text, fold(w)) {
			return false
		}
	}
	return (c.Kind == "any" || c.Kind == p.Kind.String()) && (c.Use == "any" || c.Use == p.Use) &&
		(c.Country == "" || fold(c.Country) == fold(p.Country) || fold(c.Country) == fold(report.CountryName(p.Country)))
}
