// Package calibration stores the results of loopback calibrations, one file per
// line.
package calibration

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"time"

	"makebreak/daemon/figure"
	"makebreak/hw"
	"makebreak/pulse"
)

// Format names the files that are written.
const Format = "makebreak.calibration/1"

// DefaultMaxAge is how old a calibration may be before it is called stale:
// half a year, since opto-couplers age over years and seasons change the
// room's temperature (our own choice; no published figure was found).
const DefaultMaxAge = 180 * 24 * time.Hour

// A Board identifies a computer; both are empty where it has neither.
type Board struct {
	Model  string `json:"model"`
	Serial string `json:"serial"`
}

// ReadBoard identifies this computer by the files below root.
func ReadBoard(root string) Board {
	text := func(name string) string {
		b, _ := os.ReadFile(filepath.Join(root, "proc/device-tree", name))
		return strings.TrimRight(string(b), "\x00\n")
	}
	return Board{Model: text("model"), Serial: text("serial-number")}
}

// A Line is one end of a loopback.
type Line struct {
	Label  string `json:"chip_label"`
	Offset int    `json:"offset"`
	// Device is the USB device that the chip is on, as DeviceOf gives it: two
	// adapters of one make have the same label. Empty for a chip of the board, and
	// in calibrations of older versions.
	Device string `json:"device,omitempty"`
	Name   string `json:"name"`   // as the user gave it
	Closed string `json:"closed"` // the level that means a closed contact: "high" or "low"
	Bias   string `json:"bias"`   // pull resistor; empty for a driven line
}

// DeviceOf identifies, by the files below root, the USB device that a chip such
// as gpiochip2 is on: by its serial number, or without one by the socket that it
// is plugged into. It is empty for a chip on no such device, and cannot tell apart
// two devices with the same serial number.
func DeviceOf(root, chip string) string {
	dir, err := filepath.EvalSymlinks(filepath.Join(root, "sys/bus/gpio/devices", chip))
	if err != nil {
		return ""
	}
	for up := filepath.Dir(dir); up != dir; dir, up = up, filepath.Dir(up) {
		text := func(name string) string {
			b, _ := os.ReadFile(filepath.Join(up, name))
			return strings.TrimSpace(string(b))
		}
		vendor := text("idVendor")
		if vendor == "" {
			continue
		}
		device := "usb " + vendor + ":" + text("idProduct")
		if serial := text("serial"); serial != "" {
			return device + " serial " + serial
		}
		return device + " socket " + filepath.Base(up)
	}
	return ""
}

// LineOf tells which line of this computer ref is, by the files below root. The
// name, the closed level and the bias are left to be filled in.
func LineOf(root string, ref hw.LineRef) Line {
	return Line{Label: ref.Label, Offset: ref.Offset, Device: DeviceOf(root, ref.Chip)}
}

// A Calibration is what was found of a chain of coupler and measuring line.
type Calibration struct {
	Format  string          `json:"format"`
	At      time.Time       `json:"at"`
	Board   Board           `json:"board"`
	Line    Line            `json:"line"`
	Sender  Line            `json:"sender"`
	Coupler string          `json:"coupler"` // the user's note on what lay between
	Result  *pulse.Loopback `json:"result"`
}

// Dir is where calibrations are kept unless told otherwise:
// $XDG_STATE_HOME/makebreak/calibration, by the XDG Base Directory
// Specification with ~/.local/state in place of an unset or relative
// $XDG_STATE_HOME.
func Dir(env func(string) string) (string, error) {
	state := env("XDG_STATE_HOME")
	if !filepath.IsAbs(state) {
		home := env("HOME")
		if home == "" {
			return "", errors.New("no place for calibrations: neither XDG_STATE_HOME nor HOME is set; expected --calibration-dir")
		}
		state = filepath.Join(home, ".local", "state")
	}
	return filepath.Join(state, "makebreak", "calibration"), nil
}

// path is the file of a line. What a file name may not hold becomes "_".
func path(dir string, l Line) string {
	safe := func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' {
			return r
		}
		return '_'
	}
	name := fmt.Sprintf("%s-%d", strings.Map(safe, l.Label), l.Offset)
	if l.Device != "" {
		name += "-" + strings.Map(safe, l.Device)
	}
	return filepath.Join(dir, name+".json")
}

// Save writes the calibration in place of the line's former one and gives the
// file's path. The file is whole whenever the program or the power ends.
func (c *Calibration) Save(dir string) (file string, err error) {
	c.Format = Format
	if err := c.check(); err != nil { // what Load would refuse must not replace what it takes
		return "", fmt.Errorf("save calibration: %w", err)
	}
	b, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		return "", err
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fmt.Errorf("save calibration: %w", err)
	}
	file = path(dir, c.Line)
	f, err := os.CreateTemp(dir, ".calibration-*")
	if err != nil {
		return "", fmt.Errorf("save calibration: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.Write(append(b, '\n'))
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), file)
	}
	if err != nil {
		return "", fmt.Errorf("save calibration: %w", err)
	}
	if d, err := os.Open(dir); err == nil {
		d.Sync() // the new name too; not every file system can
		d.Close()
	}
	return file, nil
}

// Load reads the calibration of a line by its label and offset: that of its
// device, else one that names no device, else one of another device, which
// Check then calls foreign. A line whose device is not known has the only one
// there is. The error is fs.ErrNotExist when there is none, and names the file
// when it cannot be used.
func Load(dir string, l Line) (*Calibration, error) {
	for _, l := range []Line{l, {Label: l.Label, Offset: l.Offset}} {
		if c, err := read(path(dir, l)); !errors.Is(err, fs.ErrNotExist) {
			return c, err
		}
	}
	anyDevice := filepath.Base(path(dir, Line{Label: l.Label, Offset: l.Offset, Device: "usb "}))
	all, err := withPrefix(dir, strings.TrimSuffix(anyDevice, ".json"))
	if err != nil {
		return nil, err
	}
	switch {
	case len(all) == 0:
		return nil, fmt.Errorf("calibration of %s:%d: %w", l.Label, l.Offset, fs.ErrNotExist)
	case len(all) > 1 && l.Device == "":
		return nil, fmt.Errorf("calibrations of %s:%d for %d devices are in %s, and which one this is cannot be told", l.Label, l.Offset, len(all), dir)
	}
	return all[0], nil
}

// For finds the calibration of a line that is to measure now, nil when there is
// none, and reports whether it may be used.
func For(dir string, board Board, line Line, now time.Time, maxAge time.Duration) (*Calibration, Fitness, error) {
	c, err := Load(dir, line)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, Fitness{}, nil
	}
	if err != nil {
		return nil, Fitness{}, err
	}
	return c, c.Check(board, line, now, maxAge), nil
}

// All reads every calibration in dir, in the order of the files' names; none
// for a folder that does not exist.
func All(dir string) ([]*Calibration, error) { return withPrefix(dir, "") }

// withPrefix is All for the files whose names begin with a prefix.
func withPrefix(dir, prefix string) ([]*Calibration, error) {
	files, err := os.ReadDir(dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("calibrations: %w", err)
	}
	var all []*Calibration
	for _, f := range files {
		if filepath.Ext(f.Name()) != ".json" || !strings.HasPrefix(f.Name(), prefix) {
			continue
		}
		c, err := read(filepath.Join(dir, f.Name()))
		if err != nil {
			return nil, err
		}
		all = append(all, c)
	}
	return all, nil
}

func read(file string) (*Calibration, error) {
	b, err := os.ReadFile(file)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err != nil {
		return nil, fmt.Errorf("calibration %w", err)
	}
	c := &Calibration{}
	d := json.NewDecoder(bytes.NewReader(b))
	d.DisallowUnknownFields()
	if err := d.Decode(c); err != nil {
		return nil, fmt.Errorf("calibration %s: %w", file, err)
	}
	if d.More() {
		return nil, fmt.Errorf("calibration %s: more than one object", file)
	}
	if err := c.check(); err != nil {
		return nil, fmt.Errorf("calibration %s: %w", file, err)
	}
	return c, nil
}

// tooMuchNS, a tenth of a second, is more than any useful coupler has.
const tooMuchNS = 1e8

func (c *Calibration) check() error {
	level := func(s string) bool { return s == "high" || s == "low" }
	known := func(n pulse.Num, lo float64) bool { return n.OK && n.V >= lo && math.Abs(n.V) < tooMuchNS }
	switch {
	case c.Format != Format:
		return fmt.Errorf("format is %q: expected %q", c.Format, Format)
	case c.At.IsZero():
		return errors.New("at: expected a date")
	case !level(c.Line.Closed) || !level(c.Sender.Closed):
		return errors.New("closed: expected high or low for line and sender")
	case c.Result == nil:
		return errors.New("result: expected an object")
	case !known(c.Result.EdgeNoise, 0) || !known(c.Result.AsymmetryU, 0) || !known(c.Result.Asymmetry, -tooMuchNS):
		return errors.New("result: expected edge_noise_ns, asymmetry_ns and asymmetry_u_ns of less than 0.1 s")
	}
	return nil
}

// A Fitness says whether a calibration may be used.
type Fitness struct {
	Foreign bool   // made for something else: it must not be used
	Stale   bool   // too old, or its age is not known: it may be used, and is to be named
	Why     string // in words; empty when it fits
}

// Check compares a calibration with the computer and the line that measure now.
func (c *Calibration) Check(board Board, line Line, now time.Time, maxAge time.Duration) Fitness {
	foreign := func(what, made, is string) Fitness {
		quoted := func(s string) string {
			if s == "" {
				return "none"
			}
			return s
		}
		return Fitness{Foreign: true, Why: fmt.Sprintf("it was made for another %s: %s, not %s", what, quoted(made), quoted(is))}
	}
	address := func(l Line) string { return fmt.Sprintf("%s:%d", l.Label, l.Offset) }
	age := now.Sub(c.At)
	switch {
	case c.Board.Serial != board.Serial:
		return foreign("board", c.Board.Serial, board.Serial)
	case c.Board.Model != board.Model:
		return foreign("board", c.Board.Model, board.Model)
	case address(c.Line) != address(line):
		return foreign("line", address(c.Line), address(line))
	case c.Line.Device != "" && line.Device != "" && c.Line.Device != line.Device:
		return foreign("adapter", c.Line.Device, line.Device)
	case c.Line.Closed != line.Closed:
		return foreign("polarity", "closed when "+c.Line.Closed, "when "+line.Closed)
	case c.Line.Bias != line.Bias:
		return foreign("pull resistor", c.Line.Bias, line.Bias)
	case age < 0:
		return Fitness{Stale: true, Why: "it is dated after now, so the computer's date is wrong or was"}
	case age > maxAge:
		return Fitness{Stale: true, Why: fmt.Sprintf("it is %d days old, more than %d", int(age.Hours()/24), int(maxAge.Hours()/24))}
	}
	return Fitness{}
}

// Apply puts what was found in place of what a setup assumes.
func (c *Calibration) Apply(s *pulse.Setup) {
	c.ApplyNoise(s)
	c.ApplyAsymmetry(s)
}

// ApplyNoise is the part of Apply about the edge-time noise.
func (c *Calibration) ApplyNoise(s *pulse.Setup) {
	s.EdgeNoiseNS, s.EdgeNoiseFrom, s.EdgeNoiseA = c.Result.EdgeNoise.V, c.from(), true
}

// ApplyAsymmetry is the part of Apply about the asymmetry.
func (c *Calibration) ApplyAsymmetry(s *pulse.Setup) {
	s.AsymmetryNS, s.AsymmetryUNS, s.AsymmetryFrom, s.AsymmetryA = c.Result.Asymmetry.V, c.Result.AsymmetryU.V, c.from(), true
}

func (c *Calibration) from() string {
	return "loopback calibration of " + c.At.UTC().Format(time.DateOnly)
}

// String names a calibration in a sentence.
func (c *Calibration) String() string {
	us := func(ns float64) string { return figure.NonZero(ns/1e3, 1) }
	return fmt.Sprintf("of %s through %q: asymmetry %s ± %s µs (k = 2), edge noise %s µs",
		c.At.UTC().Format(time.DateOnly), c.Coupler, us(c.Result.Asymmetry.V), us(2*c.Result.AsymmetryU.V), us(c.Result.EdgeNoise.V))
}
