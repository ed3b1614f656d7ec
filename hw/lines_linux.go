package hw

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/warthog618/go-gpiocdev/uapi"
)

// A LineRef is where a line was found. Chip numbers may move at the next boot;
// Label and Name do not.
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
	return r.place()
}

func (r LineRef) place() string { return r.Chip + ":" + strconv.Itoa(r.Offset) }

// A LineInfo is what the kernel and the board tell of a line.
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

// Lines takes the inventory of this computer. It fails with ErrNoChip when
// there is no chip at all, and with a chip's own error when none could be read.
func Lines() (*Inventory, error) { return inventory("/") }

// Resolve finds a line of this computer by a name as Inventory.Resolve does.
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

func inventory(root string) (*Inventory, error) {
	devs, _ := filepath.Glob(filepath.Join(root, "dev/gpiochip*"))
	slices.SortFunc(devs, func(a, b string) int { // gpiochip2 before gpiochip10
		return cmp.Or(len(a)-len(b), strings.Compare(a, b))
	})
	v := &Inventory{}
	for _, dev := range devs {
		if fi, err := os.Lstat(dev); err != nil || fi.Mode()&os.ModeSymlink != 0 {
			continue // Raspberry Pi OS keeps gpiochip4 of a Pi 5 as a second name
		}
		chip, lines := readChip(dev)
		v.Chips = append(v.Chips, chip)
		v.Lines = append(v.Lines, lines...)
	}
	if err := v.unreadable(); err != nil {
		return nil, &OpError{Op: "list lines", Err: err}
	}
	v.describe(root)
	return v, nil
}

func (v *Inventory) unreadable() error {
	if len(v.Chips) == 0 {
		return fmt.Errorf("%w: there is no /dev/gpiochip*; the board needs a GPIO chip with a driver in its kernel", ErrNoChip)
	}
	for _, c := range v.Chips {
		if c.Err == nil {
			return nil
		}
	}
	return v.Chips[0].Err
}

// describe adds what the board tells.
func (v *Inventory) describe(root string) {
	onHeader := func(label string) bool { return slices.Contains(headerChips, label) }
	v.Board = readBoard(root, slices.ContainsFunc(v.Chips, func(c Chip) bool { return onHeader(c.Label) }))
	for i := range v.Lines {
		l := &v.Lines[i]
		if onHeader(l.Label) {
			l.GPIO = "GPIO" + strconv.Itoa(l.Offset)
			p, _ := v.Board.pinOf(l.Offset)
			l.Header = p.Name
		}
		l.Unfit = v.Board.unfit(l)
	}
}

func readChip(dev string) (Chip, []LineInfo) {
	c := Chip{Name: filepath.Base(dev)}
	f, err := os.Open(dev)
	if err != nil {
		c.Err = chipError(dev, err)
		return c, nil
	}
	defer f.Close()
	ci, err := uapi.GetChipInfo(f.Fd())
	if err != nil {
		c.Err = chipError(dev, err)
		return c, nil
	}
	c.Label, c.Lines = uapi.BytesToString(ci.Label[:]), int(ci.Lines)
	lines := make([]LineInfo, c.Lines)
	for i := range lines {
		li, err := uapi.GetLineInfoV2(f.Fd(), i)
		if err != nil {
			c.Err = lineError(dev, err, li, true)
			return c, nil
		}
		bias := slices.IndexFunc(biasFlags[1:], func(f uapi.LineFlagV2) bool { return li.Flags&f != 0 }) + 1
		lines[i] = LineInfo{
			LineRef:  LineRef{Chip: c.Name, Label: c.Label, Offset: i, Name: uapi.BytesToString(li.Name[:])},
			Output:   li.Flags.IsOutput(),
			Used:     li.Flags.IsUsed(),
			Consumer: uapi.BytesToString(li.Consumer[:]), ActiveLow: li.Flags.IsActiveLow(),
			Bias: Bias(bias),
		}
	}
	return c, lines
}

// named tells a name from what kernels give to lines that have none.
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
		choices = append(choices, fmt.Sprintf("%s (chip %s)", l.place(), l.Label))
	}
	return fail(fmt.Errorf("%w: say %s", ErrAmbiguous, strings.Join(choices, " or ")))
}
