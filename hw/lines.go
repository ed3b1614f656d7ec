package hw

import (
	"cmp"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A Bias is the pull resistor inside the chip.
type Bias uint8

const (
	BiasAsIs Bias = iota // whatever is set already
	BiasPullUp
	BiasPullDown
	BiasDisabled
)

var biasNames = [...]string{"as is", "pull-up", "pull-down", "disabled"}

func (b Bias) String() string { return biasNames[b] }

// MarshalText is String.
func (b Bias) MarshalText() ([]byte, error) { return []byte(b.String()), nil }

// UnmarshalText reads what String gives, and as-is, the way flags and files
// have it.
func (b *Bias) UnmarshalText(text []byte) error {
	i := slices.Index(biasNames[:], string(text))
	if string(text) == "as-is" {
		i = int(BiasAsIs)
	}
	if i < 0 {
		return errors.New("expected as-is, pull-up, pull-down, disabled")
	}
	*b = Bias(i)
	return nil
}

// InputOptions say how a contact's line is to be requested.
type InputOptions struct {
	Bias Bias
}

// A LineRef is where a line was found. The numbers of chips may change at the next
// boot; Label and Name do not.
type LineRef struct {
	Chip   string `json:"chip"`  // "gpiochip0"
	Label  string `json:"label"` // of the chip; when set, OpenInput and OpenOutput check it
	Offset int    `json:"offset"`
	Name   string `json:"name"` // the kernel's, often empty
}

// String gives the name, else "gpiochip0:17".
func (r LineRef) String() string {
	if named(r.Name) {
		return r.Name
	}
	return r.address()
}

func (r LineRef) address() string { return r.Chip + ":" + strconv.Itoa(r.Offset) }

// A LineInfo is what is known of a line from the kernel and the board.
type LineInfo struct {
	LineRef
	GPIO      string `json:"gpio"`   // "GPIO17" on a Raspberry Pi's header chip, else empty
	Header    string `json:"header"` // "P1_11", empty when it is on no known header
	Output    bool   `json:"output"`
	Used      bool   `json:"used"`
	Consumer  string `json:"consumer"`
	ActiveLow bool   `json:"active_low"`
	Bias      Bias   `json:"bias"`
	Unfit     string `json:"unfit"` // why it should carry no contact; empty when it may
}

// A Chip is one GPIO chip.
type Chip struct {
	Name  string `json:"name"`  // "gpiochip0"
	Label string `json:"label"` // empty when Err is set
	Lines int    `json:"lines"`
	Err   error  `json:"-"` // why it could not be read
}

// An Inventory is every line there is at one moment.
type Inventory struct {
	Board Board      `json:"board"`
	Chips []Chip     `json:"chips"`
	Lines []LineInfo `json:"lines"`
}

// A Board is the computer and its pin headers.
type Board struct {
	Model string `json:"model"` // of the device tree; empty when there is none
	Pins  []Pin  `json:"pins"`  // of P1 in order, then of P5; empty when the board is not known

	console bool // a serial console is on the header
}

// A Pin is one pin of a header.
type Pin struct {
	Name   string `json:"name"`   // "P1_11"
	Signal string `json:"signal"` // "GPIO17", "3.3V", "5V", "GROUND"
	Offset int    `json:"offset"` // line on the header's chip, -1 for power and ground
}

// Resolve finds a line of this computer by name, as Inventory.Resolve does.
func Resolve(name string) (LineRef, error) {
	v, err := Lines()
	if err != nil {
		var op *OpError
		if errors.As(err, &op) {
			err = op.Err
		}
		return LineRef{}, &OpError{"find line", name, err}
	}
	l, err := v.Resolve(name)
	return l.LineRef, err
}

// named reports whether s is a name, and not what kernels give to a line without
// one.
func named(s string) bool { return s != "" && s != "-" && s != "_" && s != "NC" }

// Resolve finds the one line that a name means: a line name of the kernel
// ("HOOK"), a Raspberry Pi's "GPIO17" or header pin "P1_11", a chip's name or
// label with a line name or an offset ("pinctrl-rp1:GPIO17", "gpiochip0:17").
// The error is an OpError with ErrNoLine, ErrAmbiguous with the choices, or
// the reason why a chip could not be read.
func (v *Inventory) Resolve(name string) (LineInfo, error) {
	fail := func(err error) (LineInfo, error) { return LineInfo{}, &OpError{"find line", name, err} }
	for _, p := range v.Board.Pins {
		if p.Name == name && p.Offset < 0 {
			return fail(fmt.Errorf("%w: that pin is %s", ErrNoLine, p.Signal))
		}
	}
	chip, line := "", ""
	if i := strings.LastIndexByte(name, ':'); i >= 0 {
		chip, line = strings.TrimPrefix(name[:i], "/dev/"), name[i+1:]
	}
	offset, err := strconv.Atoi(line)
	if err != nil {
		offset = -1
	}
	var found []LineInfo
	near := ""
	for _, l := range v.Lines {
		hit := (chip == l.Chip || chip == l.Label) && chip != "" && offset == l.Offset
		for _, s := range []string{l.Name, l.GPIO, l.Header} {
			if !named(s) {
				continue
			}
			hit = hit || s == name || s == line && (chip == l.Chip || chip == l.Label)
			if strings.EqualFold(s, name) {
				near = s
			}
		}
		if hit {
			found = append(found, l)
		}
	}
	if len(found) == 1 {
		return found[0], nil
	}
	if len(found) == 0 {
		for _, c := range v.Chips {
			if c.Err != nil { // it may be on a chip that could not be read
				return fail(c.Err)
			}
		}
		if near != "" {
			return fail(fmt.Errorf("%w: did you mean %q?", ErrNoLine, near))
		}
		return fail(fmt.Errorf(`%w: "makebreak lines" shows what there is`, ErrNoLine))
	}
	var choices []string
	for _, l := range found {
		choices = append(choices, fmt.Sprintf("%s (chip %s)", l.address(), l.Label))
	}
	return fail(fmt.Errorf("%w: say %s", ErrAmbiguous, strings.Join(choices, " or ")))
}

// lineLike is a word that can hardly mean anything but a line: its chip and
// offset, GPIO number or header pin.
var lineLike = regexp.MustCompile(`^(?i:(?:/dev/)?(gpiochip\d+)(?:[:/. ]?(\d+))?|(?:gpio|bcm)[-_:. ]?(\d+)|(p\d+)[-_:. ](\d+))$`)

// LikelyName gives the name of the line that a word looks like, such as GPIO17
// for bcm17; empty for a word that looks like none.
func LikelyName(s string) string {
	m := lineLike.FindStringSubmatch(s)
	switch {
	case m == nil:
		return ""
	case m[1] != "":
		return strings.ToLower(m[1]) + ":" + cmp.Or(m[2], "OFFSET")
	case m[3] != "":
		return "GPIO" + m[3]
	}
	return strings.ToUpper(m[4]) + "_" + m[5]
}
