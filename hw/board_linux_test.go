package hw

import (
	"encoding/binary"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// computer makes a folder with the files that a board is known by.
func computer(t *testing.T, model, cmdline string, revision uint32) string {
	t.Helper()
	root := t.TempDir()
	for name, b := range map[string][]byte{
		"proc/device-tree/model":                 []byte(model + "\x00"),
		"proc/device-tree/system/linux,revision": binary.BigEndian.AppendUint32(nil, revision),
		"proc/cmdline":                           []byte(cmdline + "\n"),
	} {
		p := filepath.Join(root, name)
		if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, b, 0o644)); err != nil {
			t.Fatal(err)
		}
	}
	return root
}

// inventoryOf is what a computer with these chips would show.
func inventoryOf(root string, chips ...[]LineInfo) *Inventory {
	v := &Inventory{}
	for _, lines := range chips {
		v.Chips = append(v.Chips, Chip{Name: lines[0].Chip, Label: lines[0].Label, Lines: len(lines)})
		v.Lines = append(v.Lines, lines...)
	}
	v.describe(root)
	return v
}

func chip(name, label string, lines int, names map[int]string) []LineInfo {
	out := make([]LineInfo, lines)
	for i := range out {
		out[i].LineRef = LineRef{name, label, i, names[i]}
	}
	return out
}

// Pin numbers and revision codes as Raspberry Pi documents them (raspberrypi.com,
// "GPIO and the 40-pin header", "Revision codes"), line names as in the kernel's
// device trees; both from memory.
func TestRaspberryPi(t *testing.T) {
	early := map[int]string{2: "SDA1", 3: "SCL1", 14: "TXD1", 15: "RXD1", 17: "GPIO17"}
	for name, c := range map[string]struct {
		root  string
		chips [][]LineInfo
		want  map[string]string // name -> line
		pins  int
	}{
		"1 B, first board": {
			computer(t, "Raspberry Pi Model B Rev 1", "", 0x1000003), // with the bit of a spent warranty
			[][]LineInfo{chip("gpiochip0", "pinctrl-bcm2835", 54, nil)},
			map[string]string{"GPIO0": "gpiochip0:0", "P1_3": "gpiochip0:0", "P1_5": "gpiochip0:1", "P1_13": "gpiochip0:21", "P1_11": "gpiochip0:17", "P1_29": "", "P1_6": ""}, 26,
		},
		"1 B, very first": {
			computer(t, "Raspberry Pi Model B Rev 1", "", 0x0002),
			[][]LineInfo{chip("gpiochip0", "pinctrl-bcm2835", 54, nil)},
			map[string]string{"P1_13": "gpiochip0:21"}, 26,
		},
		"1 B, second board": {
			computer(t, "Raspberry Pi Model B Rev 2", "", 0x000e),
			[][]LineInfo{chip("gpiochip0", "pinctrl-bcm2835", 54, nil)},
			map[string]string{"P1_3": "gpiochip0:2", "P1_13": "gpiochip0:27", "P5_3": "gpiochip0:28", "P1_29": ""}, 34,
		},
		"Zero": {
			computer(t, "Raspberry Pi Zero W Rev 1.1", "", 0x9000c1),
			[][]LineInfo{chip("gpiochip0", "pinctrl-bcm2835", 54, early)},
			map[string]string{"GPIO17": "gpiochip0:17", "P1_40": "gpiochip0:21", "SDA1": "gpiochip0:2"}, 40,
		},
		"4 B": {
			computer(t, "Raspberry Pi 4 Model B Rev 1.4", "", 0xc03114),
			[][]LineInfo{chip("gpiochip0", "pinctrl-bcm2711", 58, early), chip("gpiochip1", "raspberrypi-exp-gpio", 8, map[int]string{0: "BT_ON"})},
			map[string]string{"GPIO17": "gpiochip0:17", "P1_11": "gpiochip0:17", "GPIO5": "gpiochip0:5", "BT_ON": "gpiochip1:0", "pinctrl-bcm2711:P1_11": "gpiochip0:17"}, 40,
		},
		"5, header as chip 4": {
			computer(t, "Raspberry Pi 5 Model B Rev 1.0", "", 0xd04170),
			[][]LineInfo{chip("gpiochip0", "gpio-brcmstb@107d508500", 32, map[int]string{0: "-", 1: "2712_WAKE"}), chip("gpiochip4", "pinctrl-rp1", 54, map[int]string{17: "GPIO17"}), chip("gpiochip10", "gpio-brcmstb@107d517c00", 32, map[int]string{0: "-", 1: "2712_WAKE"})},
			map[string]string{"GPIO17": "gpiochip4:17", "P1_11": "gpiochip4:17", "P1_12": "gpiochip4:18", "2712_WAKE": "?", "-": "", "gpio-brcmstb@107d517c00:2712_WAKE": "gpiochip10:1"}, 40,
		},
		"5, header as chip 0": {
			computer(t, "Raspberry Pi 5 Model B Rev 1.0", "", 0xd04170),
			[][]LineInfo{chip("gpiochip0", "pinctrl-rp1", 54, map[int]string{17: "GPIO17"}), chip("gpiochip10", "gpio-brcmstb@107d508500", 32, nil)},
			map[string]string{"GPIO17": "gpiochip0:17", "P1_11": "gpiochip0:17", "gpiochip10:3": "gpiochip10:3", "gpiochip10:32": "", "gpiochip0:-1": ""}, 40,
		},
		"another board": {
			computer(t, "Marrow Quay One", "", 0),
			[][]LineInfo{chip("gpiochip0", "soc gpio", 32, map[int]string{4: "P1_11", 5: "front:red"})},
			map[string]string{"P1_11": "gpiochip0:4", "GPIO17": "", "soc gpio:7": "gpiochip0:7", "front:red": "gpiochip0:5", "soc gpio:front:red": ""}, 0,
		},
	} {
		v := inventoryOf(c.root, c.chips...)
		if len(v.Board.Pins) != c.pins {
			t.Errorf("%s: %d header pins, want %d", name, len(v.Board.Pins), c.pins)
		}
		for line, want := range c.want {
			got, err := v.Resolve(line)
			switch {
			case want == "" && !errors.Is(err, ErrNoLine), want == "?" && !errors.Is(err, ErrAmbiguous):
				t.Errorf("%s: %s: %+v, %v", name, line, got, err)
			case want != "" && want != "?" && (err != nil || got.address() != want):
				t.Errorf("%s: %s: %s, %v; want %s", name, line, got.address(), err, want)
			}
		}
	}
}

func TestUnfit(t *testing.T) {
	lines := chip("gpiochip0", "pinctrl-bcm2711", 58, nil)
	lines[22].Used, lines[22].Consumer = true, "ring relay"
	lines[23].Used = true
	more := chip("gpiochip1", "adapter", 2, nil)
	more[1].Used, more[1].Consumer = true, "reset"
	for console, c := range map[string]struct {
		cmdline string
		header  bool
	}{
		"none":         {"root=/dev/mmcblk0p2 console=tty1", false},
		"alias":        {"console=serial0,115200 console=tty1", true},
		"first UART":   {"console=tty1 console=ttyAMA0", true},
		"small UART":   {"console=ttyS0,115200 root=x", true},
		"another UART": {"console=ttyS01 console=xconsole=ttyS0", false},
		"debug socket": {"console=ttyAMA10,115200 console=tty1", false},
	} {
		v := inventoryOf(computer(t, "Raspberry Pi 4 Model B Rev 1.4", c.cmdline, 0xc03114), lines, more)
		want := map[string]string{
			"GPIO0": "reserved for the ID EEPROM of an add-on board", "GPIO1": "reserved for the ID EEPROM of an add-on board",
			"GPIO2": "I2C bus: fixed pull-up of 1.8 kΩ on the board", "GPIO3": "I2C bus: fixed pull-up of 1.8 kΩ on the board",
			"GPIO17": "", "GPIO22": `in use by "ring relay"`, "GPIO23": "in use by the kernel", "GPIO14": "", "GPIO15": "",
			"GPIO30": "not on the header: the board uses it itself", "adapter:0": "", "adapter:1": `in use by "reset"`,
		}
		if c.header {
			want["GPIO14"], want["GPIO15"] = "serial console", "serial console"
		}
		got := map[string]string{}
		for name := range want {
			l, err := v.Resolve(name)
			if err != nil {
				t.Error(err)
			}
			got[name] = l.Unfit
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("console %s: %s", console, d)
		}
	}
}

func TestHeader(t *testing.T) {
	pins := header(0xd04170)
	some := []Pin{pins[0], pins[1], pins[5], pins[10], pins[26], pins[39]}
	want := []Pin{{"P1_1", "3.3V", -1}, {"P1_2", "5V", -1}, {"P1_6", "GROUND", -1}, {"P1_11", "GPIO17", 17}, {"P1_27", "GPIO0", 0}, {"P1_40", "GPIO21", 21}}
	if d := cmp.Diff(want, some); d != "" {
		t.Error(d)
	}
	seen := map[int]bool{}
	for _, p := range pins {
		if p.Offset >= 0 {
			seen[p.Offset] = true
		}
	}
	for i := range 28 {
		if !seen[i] {
			t.Errorf("GPIO%d is on no pin", i)
		}
	}
	if len(seen) != 28 {
		t.Errorf("%d lines on the header", len(seen))
	}
}

func TestResolveMessages(t *testing.T) {
	v := inventoryOf(computer(t, "Raspberry Pi 4 Model B Rev 1.4", "", 0xc03114),
		chip("gpiochip0", "pinctrl-bcm2711", 58, nil), chip("gpiochip1", "north", 2, map[int]string{0: "DIAL", 1: "GPIO4"}), chip("gpiochip2", "north", 2, map[int]string{0: "DIAL"}))
	for name, want := range map[string]string{
		"P1_1":       `find line "P1_1": no such line: that pin is 3.3V`,
		"DIAL":       `find line "DIAL": name is not unique: say gpiochip1:0 (chip north) or gpiochip2:0 (chip north)`,
		"north:DIAL": `find line "north:DIAL": name is not unique: say gpiochip1:0 (chip north) or gpiochip2:0 (chip north)`,
		"GPIO4":      `find line "GPIO4": name is not unique: say gpiochip0:4 (chip pinctrl-bcm2711) or gpiochip1:1 (chip north)`,
		"gpio17":     `find line "gpio17": no such line: did you mean "GPIO17"?`,
		"p1_11":      `find line "p1_11": no such line: did you mean "P1_11"?`,
		"HOOK":       `find line "HOOK": no such line: "makebreak lines" shows what there is`,
	} {
		if _, err := v.Resolve(name); err == nil || err.Error() != want {
			t.Errorf("%s: %v\nwant %s", name, err, want)
		}
	}
	v.Chips = append(v.Chips, Chip{Name: "gpiochip3", Err: ErrPermission})
	if _, err := v.Resolve("HOOK"); !errors.Is(err, ErrPermission) {
		t.Errorf("a name that may be on a forbidden chip: %v", err)
	}
}

func TestNoChips(t *testing.T) {
	root := computer(t, "Marrow Quay One", "", 0)
	if _, err := inventory(root); !errors.Is(err, ErrNoChip) || err.Error() != "list lines: no such GPIO chip: there is no /dev/gpiochip*; the board needs a GPIO chip with a driver in its kernel" {
		t.Error(err)
	}
	dev := filepath.Join(root, "dev")
	if err := errors.Join(os.Mkdir(dev, 0o755), os.WriteFile(filepath.Join(dev, "gpiochip0"), nil, 0o644), os.Symlink("gpiochip0", filepath.Join(dev, "gpiochip4"))); err != nil {
		t.Fatal(err)
	}
	if _, err := inventory(root); !errors.Is(err, ErrNoChip) { // a file that answers like no chip
		t.Error(err)
	}
	b := readBoard(root, false)
	if d := cmp.Diff(Board{Model: "Marrow Quay One"}, b, cmpopts.IgnoreUnexported(Board{})); d != "" {
		t.Error(d)
	}
}
