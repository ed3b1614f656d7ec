package report

import (
	"errors"
	"testing"

	"makebreak/hw"
	"makebreak/hw/hwtest"
)

func TestLines(t *testing.T) {
	v := hwtest.Inventory(
		hw.LineInfo{LineRef: hw.LineRef{Name: "ID_SDA"}, GPIO: "GPIO0", Header: "P1_27", Unfit: "reserved for the ID EEPROM of an add-on board"},
		hw.LineInfo{LineRef: hw.LineRef{Name: "HOOK"}, GPIO: "GPIO1", Header: "P1_3", Bias: hw.BiasPullUp},
		hw.LineInfo{LineRef: hw.LineRef{Name: "x\x1b[2J"}, Used: true, Output: true, ActiveLow: true, Consumer: "relay driver", Unfit: `in use by "relay driver"`},
	)
	v.Board.Pins = []hw.Pin{{Name: "P1_1", Signal: "3.3V", Offset: -1}, {Name: "P1_2", Signal: "5V", Offset: -1}, {Name: "P1_3", Signal: "GPIO1", Offset: 1}, {Name: "P1_4", Signal: "GROUND", Offset: -1},
		{Name: "P1_27", Signal: "GPIO0", Offset: 0}, {Name: "P1_28", Signal: "5V", Offset: -1}}
	v.Chips = append(v.Chips, hw.Chip{Name: "gpiochip1", Err: errors.New("no permission")})
	got := text(t, OfLines(v))
	want := `Board: Marrow Quay computer

Header P1: + is fit for a contact, - is not, the list tells why
                      3.3V  [ 1][ 2]  5V        
                +    GPIO1  [ 3][ 4]  GROUND    
                -    GPIO0  [27][28]  5V        

gpiochip0: pinctrl-rp1, 3 lines
     name          pin    is          pull     for a contact
  0  GPIO0 ID_SDA  P1_27  input       as is    reserved for the ID EEPROM of an
                                               add-on board
  1  GPIO1 HOOK    P1_3   input       pull-up  fit
  2  x` + "\uFFFD" + `[2J         -      output inv  as is    in use by "relay driver"

gpiochip1: no label, 0 lines
  Could not be read: no permission

` + CautionText + "\n"
	if got != want {
		t.Error(got)
	}
	d := LinesJSON(v)
	if d.Chips[1].Error == nil || *d.Chips[1].Error != "no permission" || d.Chips[0].Error != nil || len(d.Lines) != 3 {
		t.Errorf("%+v", d)
	}
}
