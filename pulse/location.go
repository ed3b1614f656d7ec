package pulse

import (
	"fmt"
	"strconv"
	"strings"
)

// A Location is where a value lies in what a contact did: at a pulse, in the
// pause before a train, or in a cycle. A number is 0 where it is not known or has
// no meaning.
type Location struct {
	Train, Pulse int // without a Pulse: the pause before the train
	Cycle, Lobe  int
	LobeBy       string // LobesByLog or LobesByReference where String is to tell it, else empty
	Side         Side   // of a bounce
}

// A Side is one of a break's two transitions.
type Side string

const (
	Opening Side = "opening"
	Closing Side = "closing"
)

// String writes a location as the measurement document has it: "train 3, pulse
// 7", "before train 2", "cycle 120, lobe 4". It is empty for the zero value.
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

// UnmarshalText reads a location of a measurement document.
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
