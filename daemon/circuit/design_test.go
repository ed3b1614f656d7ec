package circuit

import (
	"testing"
)

func behind48() Request {
	v := Batteries()[1]
	return Request{Voltage: v.Voltage, Superposed: None, Peak: 120e9, Placement: Behind, LEDCurrent: 5e6, Series: E24, Coupler: Generic(), Input: RaspberryPi()}
}

func TestX(t *testing.T) {
	for _, b := range Batteries() {
		r := behind48()
		r.Voltage, r.Reverses = b.Voltage, b.Reverses
		r.Peak = 200e9
		c, err := Design(r)
		t.Logf("%s %+v %v", b.Name, c, err)
	}
}
