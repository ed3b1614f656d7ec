package archive

import (
	"net/http"
	"strings"

	"periph.io/x/conn/v3/physic"

	"makebreak/daemon/circuit"
	"makebreak/daemon/report"
	"makebreak/daemon/web"
)

// ledCurrent lights the usual opto-couplers surely, and is little beside what a
// contact of an exchange carries (common practice).
const ledCurrent = 5 * physic.MilliAmpere

// Wiring implements web.Archive.
func (a *Archive) Wiring(r web.WiringRequest) (web.Document, error) {
	wrong := func(err error) (web.Document, error) {
		return nil, &web.RequestError{Status: http.StatusBadRequest, Text: strings.TrimSuffix(err.Error(), ".")}
	}
	c := circuit.Request{
		Reverses: r.Reverses, Superposed: circuit.Superposed(r.Superposed), Placement: circuit.Behind,
		LEDCurrent: ledCurrent, Series: circuit.E24, Coupler: circuit.Generic(), Input: circuit.RaspberryPi(),
	}
	voltage, reverses, err := circuit.ParseVoltage(r.Voltage)
	if err != nil {
		return wrong(err)
	}
	c.Voltage, c.Reverses = voltage, c.Reverses || reverses
	if r.Peak != "" {
		if c.Peak, err = circuit.ParsePeak(r.Peak); err != nil {
			return wrong(err)
		}
	}
	designed, err := circuit.Design(c)
	if err != nil {
		return wrong(err)
	}
	return report.OfInputCircuit(designed), nil
}

// Batteries implements web.Archive.
func (a *Archive) Batteries() (names []string) {
	for _, b := range circuit.Batteries() {
		names = append(names, b.Name)
	}
	return names
}
