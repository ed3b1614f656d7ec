package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"makebreak/daemon/report"
	"makebreak/daemon/stretch"
	"makebreak/daemon/watch"
	"makebreak/pulse"
)

// againstFlags ask what another contact does beside this one.
type againstFlags struct {
	Against        string `group:"Two contacts:" placeholder:"SOURCE" help:"Output of the repeater whose input is the first source, or a second contact of the same drive, on the same clock: tells lags, change of the breaks, overlap, lost and extra pulses. A file, run:CONTACT of the same log, or sim:DESCRIPTION."`
	AgainstContact string `group:"Two contacts:" placeholder:"NAME" help:"Contact of that file; without --against, another contact of the source itself."`
	choice         string // the flag that chooses a contact; empty for the first source
	AgainstClosed  string `group:"Two contacts:" enum:"auto,high,low" default:"auto" help:"Level of its line while it is closed; auto is as --closed says, or what a log says."`
}

// other is the command that measures the second contact.
func (c *measureCmd) other() *measureCmd {
	o := *c
	o.Source, o.Contact, o.choice = cmp.Or(c.Against, c.Source), c.AgainstContact, "--against-contact"
	if contact, ok := c.logged(); ok && c.Against == "" && c.AgainstContact != "" && contact != "" {
		o.Source, o.Contact = "run:"+c.AgainstContact, ""
	}
	if c.AgainstClosed != "auto" {
		o.Closed = c.AgainstClosed
	}
	return &o
}

// asked tells whether a second contact is asked for.
func (f *againstFlags) asked() bool { return f.Against != "" || f.AgainstContact != "" }

// checkAgainst refuses a second contact that cannot be measured with the first.
func (c *measureCmd) checkAgainst() error {
	if !c.asked() {
		if c.AgainstClosed != "auto" {
			return errors.New("--against-closed is for a second contact: expected --against too")
		}
		return nil
	}
	o := c.other()
	_, firstLogged := c.logged()
	_, secondLogged := o.logged()
	switch {
	case c.Limits == allLimits:
		return errors.New("--limits all compares one contact with many limits: expected it without --against")
	case strings.HasPrefix(c.Source, "gpio:") || strings.HasPrefix(o.Source, "gpio:"):
		return errors.New("--against: two lines cannot be measured at once: let makebreak watch read both, and measure them from its log: run:CONTACT --log FILE --against run:CONTACT")
	case firstLogged != secondLogged:
		return fmt.Errorf("--against %s: a log and what is not in it have no common time: expected run:CONTACT for both", o.Source)
	case c.Source == "-" && o.Source == "-":
		return errors.New("--against: standard input can be read only once: expected the name of a file")
	case o.Contact == c.Contact && c.sameSource(o):
		return fmt.Errorf("--against %s is the source itself: expected another one, or another contact of it with --against-contact", o.Source)
	}
	return nil
}

// sameSource tells whether two commands read the same file, log or simulation.
func (c *measureCmd) sameSource(o *measureCmd) bool {
	if c.Source == o.Source {
		return true
	}
	a, errA := os.Stat(c.Source)
	b, errB := os.Stat(o.Source)
	return errA == nil && errB == nil && os.SameFile(a, b)
}

// simulated tells whether the source is a simulated contact: two of them are from
// the same beginning to the same end.
func (c *measureCmd) simulated() bool { return strings.HasPrefix(c.Source, "sim:") }

// askAgainst measures the second contact, and has the first be paired with it. Where
// sum is not nil, it becomes that of the second contact's edges.
func (c *measureCmd) askAgainst(ctx context.Context, sh *shell, first source, cfg *pulse.Config, sum *report.Sum) error {
	configured := false
	if log, ok := first.(*stretch.Source); ok && !c.asked() {
		if name := watch.Against(log.Settings()); name != "" {
			c.Against, configured = "run:"+name, true
		}
	}
	if !c.asked() {
		return nil
	}
	o := c.other()
	wish, err := o.contactFlags.config(&o.chainFlags, o.Digits, o.Cycles)
	if err != nil {
		return err
	}
	src, err := o.open(ctx, sh, &wish)
	if err != nil && configured { // the contact itself can be measured all the same
		fmt.Fprintf(sh.stderr, "makebreak: without the contact that it is watched against: %v\n", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("--against: %w", err)
	}
	defer src.Close()
	a, isLogged := first.(*stretch.Source)
	if b, ok := src.(*stretch.Source); isLogged && ok && !a.SameClock(b) {
		return fmt.Errorf("--against %s: the two contacts were read in different runs of the log, without a common time: expected --since and --until in one of them", o.Source)
	}
	if isLogged && cfg.Kind != wish.Kind {
		return c.kindsDiffer(cfg.Kind.String(), wish.Kind.String())
	}
	wish = wish.Second()
	track := pulse.NewTrack(&wish)
	wish.Observer = track.Observer()
	one := isLogged || c.sameSource(o) || c.simulated() && o.simulated() // time
	var openings []pulse.DriveOpening
	if cfg.Drive != nil && one {
		wish.Observer = pulse.Tee(wish.Observer, pulse.Observer{Cycle: func(r *pulse.CycleRow) {
			openings = append(openings, pulse.DriveOpeningOf(r))
		}})
	}
	log, logged := src.(*stretch.Source)
	measured, tap := source(src), newSummed(src)
	if sum != nil && !logged {
		measured = tap
	}
	m, edges, err := measure(ctx, sh, measured, wish, func(pulse.Stamp, bool) {})
	switch {
	case interrupted(ctx, err):
		return errors.New("stopped by you after " + amount(src, edges) + " of the second contact: nothing was measured")
	case err != nil:
		return fmt.Errorf("--against: %w", err)
	}
	if logged {
		track.EndAt(log.End())
	}
	if m.Source = o.Source; o.Contact != "" {
		m.Source += ", contact " + o.Contact
	}
	if sum != nil {
		edges := tap.sum
		if logged {
			if edges, err = log.Checksum(ctx); err != nil {
				return fmt.Errorf("--against: %w", err)
			}
		}
		*sum = report.Sum{Of: m.Source, SHA256: edges.String(), Edges: edges.Edges()}
	}
	cfg.Against = &pulse.Against{Track: track, Setup: wish.Setup, Measured: m, Openings: openings, OneRecording: !isLogged && one}
	return nil
}

// checkKinds refuses two contacts that were told to be of different kinds.
func (c *measureCmd) checkKinds(m *pulse.Measurement) error {
	if m.Repeater == nil || m.Repeater.Output == nil {
		return nil
	}
	o := m.Repeater.Output
	switch {
	case o.Kind == m.Kind:
		return nil
	case o.MaybeInverted:
		return fmt.Errorf("--against: the source is of kind %s, and so would be the second contact with its line inverted: expected --against-closed %s, or --kind where one is told wrongly", m.Kind, map[string]string{"high": "low", "low": "high"}[o.Capture.Closed])
	}
	return c.kindsDiffer(m.Kind, o.Kind)
}

func (c *measureCmd) kindsDiffer(first, second string) error {
	return fmt.Errorf("--against: the source is of kind %s, and the second contact of kind %s: expected two of one kind, or --kind where one is told wrongly", first, second)
}
