package command

import (
	"context"
	"errors"
	"fmt"

	"makebreak/configs"
	"makebreak/daemon/config"
	"makebreak/daemon/report"
	"makebreak/pulse"
)

// gearsFlags ask which shaft of the drive moves the contact.
type gearsFlags struct {
	Gears string `group:"Change over time:" placeholder:"FILE" help:"Drive train of an interrupter in a YAML file: tells which shaft or gear moves the openings (see: makebreak gears); with --against a second contact of the drive, both are fitted together."`
}

func (f *gearsFlags) askGears(cfg *pulse.Config) error {
	if f.Gears == "" {
		return nil
	}
	drive, err := config.Gears(f.Gears)
	if err != nil {
		return err
	}
	cadence := cfg.CadenceNS
	if cadence == nil && cfg.Limits != nil {
		cadence = cfg.Limits.CadenceNS
	}
	switch {
	case cfg.Kind == pulse.KindDial || cfg.Limits != nil && cfg.Limits.Kind == pulse.KindDial:
		return errors.New("--gears is for a contact of kind interrupter, not for a dial")
	case cfg.Lobes > 0 && cfg.Lobes != drive.Lobes:
		return fmt.Errorf("--lobes is %d, but the cam in %s has %d: expected the same, or one of the two", cfg.Lobes, f.Gears, drive.Lobes)
	case len(cadence) > 2 && drive.Lobes != 1:
		return fmt.Errorf("the cam in %s has %d lobes, but the cadence has %d segments: expected 1 lobe, for such a cam makes one cycle a turn", f.Gears, drive.Lobes, len(cadence))
	case len(cadence) <= 2:
		cfg.Lobes = drive.Lobes
	}
	cfg.Kind, cfg.Drive = pulse.KindInterrupter, drive
	return nil
}

type gearsCmd struct {
	File string `arg:"" optional:"" help:"YAML file that describes the drive train."`

	jsonFlag `group:"Output:"`
	Template bool `group:"Output:" help:"Write an example of a drive train that explains every key."`
}

func (*gearsCmd) epilogue() string {
	return `Examples:
  makebreak gears configs/own-gears.yaml
  makebreak gears --template > train.yaml
  makebreak measure sim:cam,ipm=552,lobes=6,gear=3.75:1.2ms,jitter=0.2ms,turns=300 --gears train.yaml

The page tells each shaft's turns, how often teeth meet, which faults the
openings of the cam can show, and which look alike. makebreak measure --gears
then tells which of them is there.
`
}

func (c *gearsCmd) run(_ context.Context, sh *shell) (int, error) {
	if c.Template {
		if c.File != "" || c.JSON {
			return 0, errors.New("--template writes an example: expected nothing beside it")
		}
		_, err := sh.stdout.WriteString(configs.OwnGears)
		return StatusOK, err
	}
	if c.File == "" {
		return 0, errors.New(`expected the YAML file of a drive train; "makebreak gears --template" writes an example`)
	}
	drive, err := config.Gears(c.File)
	if err != nil {
		return 0, err
	}
	facts := drive.Facts()
	return StatusOK, sh.show(c.JSON, facts, func() *report.Document { return report.OfGears(facts) })
}
