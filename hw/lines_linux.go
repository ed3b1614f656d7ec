package hw

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/warthog618/go-gpiocdev/uapi"
)

// Lines takes the inventory of this computer. It fails with ErrNoChip when
// there is no chip at all, and with a chip's own error when none could be read.
func Lines() (*Inventory, error) { return inventory("/") }

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
		return &advised{fmt.Errorf("%w: there is no /dev/gpiochip*", ErrNoChip), "; ", "the board needs a GPIO chip with a driver in its kernel"}
	}
	for _, c := range v.Chips {
		if c.Err == nil {
			return nil
		}
	}
	return v.Chips[0].Err
}

// describe adds what is known from the board.
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
