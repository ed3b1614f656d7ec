package pulse

import (
	"encoding/json"
	"fmt"
	"strconv"
)

// A ClockState says how the time base is known.
type ClockState uint8

const (
	ClockGiven        ClockState = iota // somebody gave the figure
	ClockAssumed                        // a quartz of which nothing is known
	ClockUnsteered                      // a quartz that the system does not steer all the time
	ClockSynchronised                   // the system steers it by a reference
)

// A ClockFrom is where the uncertainty of the time base comes from.
type ClockFrom struct {
	State ClockState
	Given string // who or what gave it, in words, of ClockGiven
	// What the system says of its steering, of ClockSynchronised.
	CorrectionPPM    float64
	EstimatedErrorNS int64
}

// String tells it as a budget does; empty for the zero value.
func (c ClockFrom) String() string {
	switch c.State {
	case ClockAssumed:
		return assumedQuartz
	case ClockUnsteered:
		return "clock not synchronised: " + assumedQuartz
	case ClockSynchronised:
		return fmt.Sprintf("clock synchronised, correction %+.3f ppm, estimated error %s", c.CorrectionPPM, errorText(c.EstimatedErrorNS))
	}
	return c.Given
}

const assumedQuartz = "assumed quartz"

// errorText writes a time of 0 or more in the unit that suits it, exactly.
func errorText(ns int64) string {
	unit, scale := "s", 1e9
	switch {
	case ns == 0:
	case ns < 1e3:
		unit, scale = "ns", 1
	case ns < 1e6:
		unit, scale = "µs", 1e3
	case ns < 1e9:
		unit, scale = "ms", 1e6
	}
	return strconv.FormatFloat(float64(ns)/scale, 'f', -1, 64) + unit
}

// clockFromText reads what logs hold of a Setup that was given or assumed.
func clockFromText(text string) ClockFrom {
	if text == assumedQuartz {
		return ClockFrom{State: ClockAssumed}
	}
	return ClockFrom{Given: text}
}

// MarshalJSON writes the text alone where that tells all: so logs have always
// had it, and a configuration that did not change is still the same there.
func (c ClockFrom) MarshalJSON() ([]byte, error) {
	if text := c.String(); clockFromText(text) == c {
		return json.Marshal(text)
	}
	type fields ClockFrom
	return json.Marshal(fields(c))
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (c *ClockFrom) UnmarshalJSON(b []byte) error {
	var text string
	if json.Unmarshal(b, &text) == nil {
		*c = clockFromText(text)
		return nil
	}
	type fields ClockFrom
	return json.Unmarshal(b, (*fields)(c))
}
