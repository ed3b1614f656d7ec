package hw

import (
	"encoding/binary"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"periph.io/x/conn/v3/gpio"
	"periph.io/x/conn/v3/pin"
	"periph.io/x/host/v3/rpi"
)

// headerChips are the labels of the chip behind the header: Raspberry Pi 1 to
// 3, 4, and 5. Chip numbers moved between kernels, labels did not.
var headerChips = []string{"pinctrl-bcm2835", "pinctrl-bcm2711", "pinctrl-rp1"}

// readBoard describes the board whose files are below root. pi says that it has
// the header chip of a Raspberry Pi.
func readBoard(root string, pi bool) Board {
	model, _ := os.ReadFile(filepath.Join(root, "proc/device-tree/model"))
	b := Board{Model: strings.TrimRight(string(model), "\x00\n")}
	if !pi {
		return b
	}
	revision, _ := os.ReadFile(filepath.Join(root, "proc/device-tree/system/linux,revision"))
	code := uint32(0)
	if len(revision) == 4 {
		code = binary.BigEndian.Uint32(revision)
	}
	b.Pins = header(code)
	cmdline, _ := os.ReadFile(filepath.Join(root, "proc/cmdline"))
	b.console = headerConsole.Match(cmdline)
	return b
}

// headerConsole is a console on the UART of pins 8 and 10; ttyAMA10 of a
// Pi 5 is on a connector of its own.
var headerConsole = regexp.MustCompile(`(^|\s)console=(serial0|ttyAMA0|ttyS0)\b`)

// header gives the pins for a Raspberry Pi revision code: 40 unless it is one
// of the first two models A and B.
func header(code uint32) []Pin {
	pins := table("P1",
		rpi.P1_1, rpi.P1_2, rpi.P1_3, rpi.P1_4, rpi.P1_5, rpi.P1_6, rpi.P1_7, rpi.P1_8, rpi.P1_9, rpi.P1_10,
		rpi.P1_11, rpi.P1_12, rpi.P1_13, rpi.P1_14, rpi.P1_15, rpi.P1_16, rpi.P1_17, rpi.P1_18, rpi.P1_19, rpi.P1_20,
		rpi.P1_21, rpi.P1_22, rpi.P1_23, rpi.P1_24, rpi.P1_25, rpi.P1_26, rpi.P1_27, rpi.P1_28, rpi.P1_29, rpi.P1_30,
		rpi.P1_31, rpi.P1_32, rpi.P1_33, rpi.P1_34, rpi.P1_35, rpi.P1_36, rpi.P1_37, rpi.P1_38, rpi.P1_39, rpi.P1_40)
	first, second := false, false
	// Revision codes as Raspberry Pi documents them: old style up to 0x15, new
	// style with bit 23 set and the model in bits 4 to 11.
	switch c := code &^ (1 << 24); {
	case c&(1<<23) != 0:
		second = c>>4&0xff < 2
	case c == 2 || c == 3:
		first = true
	case c >= 4 && c <= 0xf:
		second = true
	}
	switch {
	case first: // three lines were others (elinux.org, RPi Low-level peripherals, by periph)
		pins = pins[:26]
		for at, n := range map[int]int{3: 0, 5: 1, 13: 21} {
			pins[at-1].Signal, pins[at-1].Offset = fmt.Sprintf("GPIO%d", n), n
		}
	case second:
		pins = append(pins[:26], table("P5", rpi.P5_1, rpi.P5_2, rpi.P5_3, rpi.P5_4, rpi.P5_5, rpi.P5_6, rpi.P5_7, rpi.P5_8)...)
	}
	return pins
}

func table(header string, pins ...pin.Pin) []Pin {
	out := make([]Pin, len(pins))
	for i, p := range pins {
		out[i] = Pin{Name: fmt.Sprintf("%s_%d", header, i+1), Signal: p.Name(), Offset: -1}
		if _, ok := p.(gpio.PinIO); ok {
			out[i].Offset = p.Number()
		}
	}
	return out
}

// pinOf gives the header pin of a line of the header's chip.
func (b *Board) pinOf(offset int) (Pin, bool) {
	if i := slices.IndexFunc(b.Pins, func(p Pin) bool { return p.Offset == offset }); i >= 0 {
		return b.Pins[i], true
	}
	return Pin{}, false
}

// unfit says why a line should not carry a contact; empty when it may.
func (b *Board) unfit(l *LineInfo) string {
	switch {
	case l.Used && l.Consumer == "":
		return "in use by the kernel"
	case l.Used:
		return fmt.Sprintf("in use by %q", l.Consumer)
	case !slices.Contains(headerChips, l.Label):
		return ""
	case l.Header == "":
		return "not on the header: the board uses it itself"
	}
	switch l.Header {
	case "P1_3", "P1_5":
		return "I2C bus: fixed pull-up of 1.8 kΩ on the board" // Raspberry Pi documentation, from memory
	case "P1_27", "P1_28":
		return "reserved for the ID EEPROM of an add-on board"
	case "P1_8", "P1_10":
		if b.console {
			return "serial console"
		}
	}
	return ""
}
