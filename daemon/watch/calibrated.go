package watch

import (
	"errors"
	"os"
	"time"

	"makebreak/daemon/calibration"
	"makebreak/daemon/config"
	"makebreak/hw"
	"makebreak/pulse"
)

// calibrationOf finds the calibration of a line of this computer in dir; nil
// when there is none.
func calibrationOf(dir string, s config.Source, p pulse.Polarity) (k *calibration.Calibration, fit calibration.Fitness, err error) {
	if dir == "" {
		if dir, err = calibration.Dir(os.Getenv); err != nil {
			return nil, fit, nil // no folder, no calibration
		}
	}
	inventory, err := hw.Lines()
	if err != nil {
		return nil, fit, err
	}
	info, err := inventory.Resolve(s.Line)
	if err != nil {
		return nil, fit, err
	}
	return calibration.For(dir, calibration.ReadBoard("/"),
		calibration.Line{Label: info.Label, Offset: info.Offset, Device: calibration.DeviceOf("/", info.Chip), Closed: p.String(), Bias: s.Bias.String()},
		time.Now(), calibration.DefaultMaxAge)
}

// calibrated completes a configuration with what it does not say of the
// measuring chain and the line's calibration does. which says in words which
// calibration that is, or why there is none.
func (w *watch) calibrated(c config.Contact) (_ config.Contact, which string) {
	if c.Source.Kind != config.SourceGPIO || c.OwnNoise && c.OwnAsymmetry {
		return c, ""
	}
	k, fit, err := w.Calibration(c.Source, c.Meter.Polarity)
	var line *hw.OpError
	switch {
	case errors.As(err, &line): // opening the line will fail alike, and say why
		return c, ""
	case err != nil:
		return c, "not used: " + err.Error()
	case k == nil:
		return c, ""
	case fit.Foreign:
		return c, "not used: the one " + k.String() + ": " + fit.Why
	}
	s := *c.Meter.Setup
	if !c.OwnNoise {
		k.ApplyNoise(&s)
	}
	if !c.OwnAsymmetry {
		k.ApplyAsymmetry(&s)
	}
	c.Meter.Setup = &s
	if which = k.String(); fit.Stale {
		which += "; but " + fit.Why
	}
	return c, which
}

// calibrate looks for the line's calibration, until the line was opened: it may
// be plugged in after the program starts.
func (c *contact) calibrate() {
	if c.wasUp {
		return
	}
	cfg, which := c.calibrated(c.cfg)
	if *cfg.Meter.Setup != *c.cfg.Meter.Setup {
		c.cfg = cfg
		c.store.Contact(configuration(&cfg))
	}
	if which != c.calibration {
		c.calibration = which
		c.log.Info("calibration of the line", "which", which)
	}
}
