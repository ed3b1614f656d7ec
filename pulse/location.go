package pulse

import (
	"fmt"
	"strconv"
	"strings"
)

// A Location is where something lies in what a contact did: at a pulse, in the
// pause before a train, in a cycle. What is 0 is not known, or does not count.
type Location struct {
	Train, Pulse int // without a Pulse: the pause before the train
	Cycle, Lobe  int
	LobeBy       string // what the lobe's number goes by, where that is to be told: LobesByLog, LobesByReference
	Side         Side   // of a bounce
}

// A Side is one of a break's two transitions.
type Side string

const (
	Opening Side = "opening"
	Closing Side = "closing"
)

// String writes a place as the measurement document has it: "train 3, pulse 7",
// "before train 2", "cycle 120, lobe 4"; empty for none.
func (p Location) String() string {
	var parts []string
	if p.Train > 0 {
		before := ""
		if p.Pulse == 0 {
			before = "before "
		}
		parts = append(parts, before+"train "+strconv.Itoa(p.Train))
	}
	if p.Pulse > 0 {
		parts = append(parts, "pulse "+strconv.Itoa(p.Pulse))
	}
	if p.Cycle > 0 {
		parts = append(parts, "cycle "+strconv.Itoa(p.Cycle))
	}
	if p.Lobe > 0 {
		by := map[string]string{LobesByLog: " as the log counts them", LobesByReference: " of the cam"}[p.LobeBy]
		parts = append(parts, "lobe "+strconv.Itoa(p.Lobe)+by)
	}
	if p.Side != "" {
		parts = append(parts, string(p.Side))
	}
	return strings.Join(parts, ", ")
}

// MarshalText is String.
func (p Location) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads a place of a measurement document.
func (p *Location) UnmarshalText(b []byte) error {
	*p = Location{}
	if len(b) == 0 {
		return nil
	}
	for part := range strings.SplitSeq(string(b), ", ") {
		if part == string(Opening) || part == string(Closing) {
			p.Side = Side(part)
			continue
		}
		word, number, _ := strings.Cut(strings.TrimPrefix(part, "before "), " ")
		to, ok := map[string]*int{"train": &p.Train, "pulse": &p.Pulse, "cycle": &p.Cycle, "lobe": &p.Lobe}[word]
		n, err := strconv.Atoi(number)
		if !ok || err != nil || n < 1 {
			return fmt.Errorf("%q is no place such as \"train 3, pulse 7\"", b)
		}
		*to = n
	}
	return nil
}

// An Effect is what makes a measured value uncertain.
type Effect uint8

const (
	EdgeNoise Effect = iota
	Asymmetry
	TimeBase
	Resolution
)

var effects = [...]string{"edge-time noise", "opto-coupler asymmetry", "time base", "time resolution"}

func (e Effect) String() string { return effects[e] }

// A Cause is an effect with where its figure comes from, in words; empty where
// that is not told.
type Cause struct {
	Effect Effect
	From   string
}

// String writes a cause as the budget of a measurement document names it.
func (c Cause) String() string {
	if c.From == "" {
		return c.Effect.String()
	}
	return c.Effect.String() + " (" + c.From + ")"
}

// MarshalText is String.
func (c Cause) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads the name of a budget's component.
func (c *Cause) UnmarshalText(b []byte) error {
	name, from, ok := strings.Cut(string(b), " (")
	for i, s := range effects {
		if s == name {
			*c = Cause{Effect(i), from}
			if ok {
				c.From = strings.TrimSuffix(from, ")")
			}
			return nil
		}
	}
	return fmt.Errorf("%q is no effect of the measuring chain", name)
}
