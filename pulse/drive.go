package pulse

import (
	"errors"
	"fmt"
	"math/big"
)

// Bounds of a Drive. They are far beyond any exchange's and keep the arithmetic
// and what a typing error costs small.
const (
	MostShafts     = 32
	MostTeeth      = 10_000
	MostDriveLobes = 360
	MostMotorRPM   = 1_000_000
	// MostTurns is the most turns of a shaft in one turn of the cam, and of the cam
	// in one of a shaft.
	MostTurns = 100_000
)

// LobesName stands for the pattern of the cam's own lobes where shafts are named.
// No shaft may have it.
const LobesName = "lobes"

// A Drive is the drive train of an interrupter.
type Drive struct {
	MotorRPM float64 `json:"motor_rpm,omitempty"` // 0: unknown
	Shafts   []Shaft `json:"shafts"`              // from the motor outwards, the motor's first
	CamShaft string  `json:"cam_shaft"`
	Lobes    int     `json:"lobes"`
}

// A Shaft is one shaft of a Drive. DrivingTeeth are on the shaft From, OwnTeeth on
// this one; of the motor's shaft From is empty and both are 0.
type Shaft struct {
	Name         string `json:"name"`
	From         string `json:"from,omitempty"`
	DrivingTeeth int    `json:"driving_teeth,omitempty"`
	OwnTeeth     int    `json:"own_teeth,omitempty"`
}

// Check tells what is wrong with the train; nil for one whose turns can be
// reckoned.
func (d *Drive) Check() error {
	if n := len(d.Shafts); n == 0 || n > MostShafts {
		return fmt.Errorf("a drive train of %d shafts: expected 1 to %d", n, MostShafts)
	}
	if !(d.MotorRPM >= 0 && d.MotorRPM <= MostMotorRPM) {
		return fmt.Errorf("a motor of %v turns a minute: expected 0 (unknown) to %d", d.MotorRPM, MostMotorRPM)
	}
	if d.Lobes < 1 || d.Lobes > MostDriveLobes {
		return fmt.Errorf("a cam of %d lobes: expected 1 to %d", d.Lobes, MostDriveLobes)
	}
	for i, s := range d.Shafts {
		switch {
		case s.Name == "" || s.Name == LobesName:
			return fmt.Errorf("shaft %d is named %q: expected a name other than %q", i+1, s.Name, LobesName)
		case d.index(s.Name) != i:
			return fmt.Errorf("two shafts are named %q", s.Name)
		case i == 0 && (s.From != "" || s.DrivingTeeth != 0 || s.OwnTeeth != 0):
			return errors.New("the first shaft is the motor's, which no other drives")
		case i > 0 && (d.index(s.From) < 0 || d.index(s.From) >= i):
			return fmt.Errorf("shaft %q is driven from %q: expected a shaft before it", s.Name, s.From)
		case i > 0 && (min(s.DrivingTeeth, s.OwnTeeth) < 1 || max(s.DrivingTeeth, s.OwnTeeth) > MostTeeth):
			return fmt.Errorf("shaft %q has %d teeth driven by %d: expected 1 to %d", s.Name, s.OwnTeeth, s.DrivingTeeth, MostTeeth)
		}
	}
	if d.index(d.CamShaft) < 0 {
		return fmt.Errorf("the cam is on %q, which is no shaft", d.CamShaft)
	}
	for i, r := range d.Turns() {
		if x, _ := r.Float64(); !(x <= MostTurns && x >= 1.0/MostTurns) {
			return fmt.Errorf("shaft %q turns %.3g times in one turn of the cam: expected 1/%d to %d", d.Shafts[i].Name, x, MostTurns, MostTurns)
		}
	}
	return nil
}

func (d *Drive) index(name string) int {
	for i := range d.Shafts {
		if d.Shafts[i].Name == name {
			return i
		}
	}
	return -1
}

// Turns gives each shaft's turns in one turn of the cam, exactly: the product of
// the teeth that drive over the product of those that are driven, by which a train
// of gears is reckoned. The Drive must pass Check.
func (d *Drive) Turns() []*big.Rat {
	turns := make([]*big.Rat, len(d.Shafts)) // of the motor's one
	for i, s := range d.Shafts {
		if i == 0 {
			turns[i] = big.NewRat(1, 1)
			continue
		}
		turns[i] = new(big.Rat).Mul(turns[d.index(s.From)], big.NewRat(int64(s.DrivingTeeth), int64(s.OwnTeeth)))
	}
	cam := new(big.Rat).Set(turns[d.index(d.CamShaft)])
	for _, t := range turns {
		t.Quo(t, cam)
	}
	return turns
}

// ExpectedIPM is the interruptions per minute by the motor's speed, unknown as
// that.
func (d *Drive) ExpectedIPM() Num {
	if d.MotorRPM == 0 {
		return Num{}
	}
	motor, _ := d.Turns()[0].Float64()
	return Known(d.MotorRPM / motor * float64(d.Lobes))
}

// A Sight says how the openings of one cam see something that turns.
type Sight string

const (
	// SightFull: its swing has an order of its own among the openings.
	SightFull Sight = "seen"
	// SightHalf: it is seen at two opposite points of its turn alone. Openings tell
	// one part of its swing; closings tell the other.
	SightHalf Sight = "half"
	// SightLobes: it turns a whole number of times a turn of the cam, so its swing
	// is the same each turn, as an error of the lobes is.
	SightLobes Sight = "lobes"
	// SightNone: it turns a whole number of times from opening to opening, so that
	// each comes at the same point of its turn.
	SightNone Sight = "invisible"
)

// An order is how often something turns in a turn of the cam, and how it is seen
// there: order = Whole · lobes ± Apparent, which is 0 to lobes / 2.
type order struct {
	exact, apparent *big.Rat
	whole           int64
	positions       *big.Int // of its turn at which openings come
	sight           Sight
}

// seenAt tells how openings see what turns r times a turn of the cam.
func seenAt(r *big.Rat, lobes int) order {
	perOpening := new(big.Rat).Quo(r, big.NewRat(int64(lobes), 1))
	// The nearest whole number, a half downwards.
	twice := new(big.Rat).Mul(perOpening, big.NewRat(2, 1))
	num := new(big.Int).Add(twice.Num(), twice.Denom())
	num.Sub(num, big.NewInt(1))
	whole := new(big.Int).Div(num, new(big.Int).Mul(big.NewInt(2), twice.Denom()))
	a := new(big.Rat).Sub(r, new(big.Rat).Mul(new(big.Rat).SetInt(whole), big.NewRat(int64(lobes), 1)))
	o := order{exact: r, apparent: a.Abs(a), whole: whole.Int64(), positions: perOpening.Denom(), sight: SightFull}
	switch {
	case perOpening.IsInt():
		o.sight = SightNone
	case r.IsInt():
		o.sight = SightLobes
	case o.positions.Cmp(big.NewInt(2)) == 0:
		o.sight = SightHalf
	}
	return o
}

// A Helper says what tells two swings apart that the openings of one cam cannot.
type Helper string

const (
	// HelpClosings: closings as well as openings, at nearly any break, half of the
	// cycle among them.
	HelpClosings Helper = "closings"
	// HelpUnevenClosings: closings, unless the break is half of the cycle, or a
	// second contact at another angle.
	HelpUnevenClosings Helper = "closings of a break other than 50 %"
	// HelpOtherShaft: they turn alike. Only a contact or a mark on another shaft.
	HelpOtherShaft Helper = "another shaft"
)

// helper tells what parts two orders that openings see alike, and how many
// openings they are apart.
func helper(a, b *big.Rat, lobes int) (help Helper, apart int64) {
	help = HelpUnevenClosings
	for _, x := range []*big.Rat{new(big.Rat).Sub(a, b), new(big.Rat).Add(a, b)} {
		if x.Quo(x, big.NewRat(int64(lobes), 1)); !x.IsInt() {
			continue
		}
		switch {
		case x.Sign() == 0:
			return HelpOtherShaft, 0
		case x.Num().Bit(0) == 1:
			help = HelpClosings
		}
		if n := x.Num().Int64(); apart == 0 || abs(n) < apart {
			apart = abs(n)
		}
	}
	return help, apart
}

// DriveFormat names the document that DriveFacts marshal to.
const DriveFormat = "makebreak.gears/1"

// DriveFacts are what a drive train tells before anybody measures. What needs the
// motor's speed is unknown without it.
type DriveFacts struct {
	Format      string       `json:"format"`
	MotorRPM    Num          `json:"motor_rpm"`
	CamShaft    string       `json:"cam_shaft"`
	Lobes       int          `json:"lobes"`
	ExpectedIPM Num          `json:"expected_ipm"`
	Shafts      []ShaftFacts `json:"shafts"`
	Meshes      []MeshFacts  `json:"meshes"`
	Alike       []Alike      `json:"alike"` // pairs that openings alone do not tell apart
}

// TurnFacts are what is known of something that turns.
type TurnFacts struct {
	TurnsPerCamTurn Rounded `json:"turns_per_cam_turn"`
	TurnsExact      string  `json:"turns_exact"` // a fraction in lowest terms, such as 15/4
	PerMinute       Num     `json:"per_minute"`
	// ApparentTurns is the order that it seems to have among evenly spaced
	// openings: what turns r times and k · lobes ± r times looks alike.
	ApparentTurns      Rounded `json:"apparent_turns"`
	ApparentExact      string  `json:"apparent_exact"`
	Sight              Sight   `json:"openings_see"`
	Positions          string  `json:"positions"`           // of its turn at which openings come, a whole number
	RepeatsAfterTurns  string  `json:"repeats_after_turns"` // of the cam, a whole number
	NeedsTurns         Num     `json:"needs_turns"`         // of the cam, to measure its swing
	NeedsMinutes       Num     `json:"needs_minutes"`       // the same
	SameAsOpeningsOnly bool    `json:"seen_like_another"`   // it is in Alike
}

// ShaftFacts are what is known of one shaft.
type ShaftFacts struct {
	Name  string  `json:"name"`
	From  *string `json:"from"`
	Teeth []int   `json:"teeth"` // on the driving shaft, on this one; null of the motor's
	TurnFacts
}

// MeshFacts are what is known of the teeth of two shafts that meet. Their order is
// the number of teeth that pass in a turn of the cam.
type MeshFacts struct {
	Driving string `json:"driving"`
	Driven  string `json:"driven"`
	TurnFacts
}

// An Alike is a pair of things that the openings of one cam see alike.
type Alike struct {
	A    Turning `json:"a"`
	B    Turning `json:"b"`
	Help Helper  `json:"help"`
	// LobesApart is by how many times the lobes their orders differ, or add up to;
	// 0 where they are equal. Closings see them alike too where the break is so
	// many parts of the cycle that its product with this number is whole.
	LobesApart int64 `json:"lobes_apart"`
}

// A Turning names a shaft, or the teeth by which one drives another.
type Turning struct {
	Shaft  string `json:"shaft"`
	Driven string `json:"driven,omitempty"` // not empty: the teeth between both
}

// Facts reckons the train. The Drive must pass Check.
func (d *Drive) Facts() *DriveFacts {
	f := &DriveFacts{Format: DriveFormat, CamShaft: d.CamShaft, Lobes: d.Lobes, ExpectedIPM: d.ExpectedIPM(),
		Shafts: []ShaftFacts{}, Meshes: []MeshFacts{}, Alike: []Alike{}}
	if d.MotorRPM > 0 {
		f.MotorRPM = Known(d.MotorRPM)
	}
	turns := d.Turns()
	camRPM := Num{}
	if f.MotorRPM.OK {
		motor, _ := turns[0].Float64()
		camRPM = Known(d.MotorRPM / motor)
	}
	type named struct {
		Turning
		order
		facts *TurnFacts
	}
	var all []named
	for i, s := range d.Shafts {
		x := ShaftFacts{Name: s.Name, From: nil}
		if i > 0 {
			x.From, x.Teeth = &s.From, []int{s.DrivingTeeth, s.OwnTeeth}
		}
		f.Shafts = append(f.Shafts, x)
	}
	for i, s := range d.Shafts {
		o := seenAt(turns[i], d.Lobes)
		f.Shafts[i].TurnFacts = o.facts(d.Lobes, camRPM)
		all = append(all, named{Turning{Shaft: s.Name}, o, &f.Shafts[i].TurnFacts})
		if i > 0 {
			f.Meshes = append(f.Meshes, MeshFacts{Driving: s.From, Driven: s.Name})
		}
	}
	for i, s := range d.Shafts[1:] {
		o := seenAt(new(big.Rat).Mul(turns[i+1], big.NewRat(int64(s.OwnTeeth), 1)), d.Lobes)
		f.Meshes[i].TurnFacts = o.facts(d.Lobes, camRPM)
		all = append(all, named{Turning{s.From, s.Name}, o, &f.Meshes[i].TurnFacts})
	}
	for i, a := range all {
		for _, b := range all[i+1:] {
			own := func(o order) bool { return o.sight == SightFull || o.sight == SightHalf }
			if !own(a.order) || !own(b.order) || a.apparent.Cmp(b.apparent) != 0 {
				continue
			}
			help, apart := helper(a.exact, b.exact, d.Lobes)
			f.Alike = append(f.Alike, Alike{a.Turning, b.Turning, help, apart})
			a.facts.SameAsOpeningsOnly, b.facts.SameAsOpeningsOnly = true, true
		}
	}
	return f
}

func (o *order) facts(lobes int, camRPM Num) TurnFacts {
	r, _ := o.exact.Float64()
	apparent, _ := o.apparent.Float64()
	t := TurnFacts{
		TurnsPerCamTurn: Rounded(r), TurnsExact: o.exact.RatString(), ApparentTurns: Rounded(apparent), ApparentExact: o.apparent.RatString(),
		Sight: o.sight, Positions: o.positions.String(), RepeatsAfterTurns: o.exact.Denom().String(),
	}
	if camRPM.OK {
		t.PerMinute = Known(r * camRPM.V)
	}
	if o.sight == SightFull || o.sight == SightHalf {
		t.NeedsTurns = Known(leastTurns(apparent, lobes))
		if camRPM.OK {
			t.NeedsMinutes = Known(t.NeedsTurns.V / camRPM.V)
		}
	}
	return t
}

func abs(x int64) int64 { return max(x, -x) }
