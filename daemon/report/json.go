package report

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"slices"
	"strconv"

	"makebreak/daemon/stretch"
	"makebreak/pulse"
)

// A Result is a measurement, as other programs read it, with what is known of the
// line or the log, if there is one.
type Result struct {
	*pulse.Measurement
	Line *Line           `json:"line,omitempty"`
	Log  *stretch.Report `json:"log,omitempty"`
}

// JSON writes d as EncodeJSON would. The trains, of which there may be millions,
// are written one by one and never held as text.
func (d Result) JSON(w io.Writer) error {
	if d.Dial == nil || d.Dial.Trains.Len() == 0 {
		return EncodeJSON(w, d)
	}
	m, dial := *d.Measurement, *d.Dial
	trains := dial.Trains
	dial.Trains = pulse.Trains{}
	m.Dial, d.Measurement = &dial, &m
	var text bytes.Buffer
	if err := EncodeJSON(&text, d); err != nil {
		return err
	}
	// Text in the document has no line breaks and no quotes but escaped ones.
	list := []byte("\n    \"trains\": [")
	before, after, _ := bytes.Cut(text.Bytes(), list)
	row := append(slices.Clone(before), list...)
	for t := range trains.All() {
		if _, err := w.Write(appendTrain(row, &t)); err != nil {
			return err
		}
		row = append(row[:0], ',')
	}
	if _, err := io.WriteString(w, "\n    "); err != nil {
		return err
	}
	_, err := w.Write(after)
	return err
}

// EncodeJSON writes v as one indented JSON object.
func EncodeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}

// appendTrain appends a train as the indented document holds it.
func appendTrain(b []byte, t *pulse.Train) []byte {
	b = append(b, "\n      {\n        \"digit\": "...)
	if t.Digit == nil {
		b = append(b, "null"...)
	} else {
		b = strconv.AppendQuote(b, *t.Digit)
	}
	b = append(b, ",\n        \"pulses\": "...)
	b = strconv.AppendInt(b, int64(t.Pulses), 10)
	b = append(b, ",\n        \"start_s\": "...)
	if s := math.Abs(t.StartS); s != 0 && s < 1e-6 { // as encoding/json writes it
		b = strconv.AppendFloat(b, t.StartS, 'e', -1, 64)
		if n := len(b); n >= 4 && b[n-4] == 'e' && b[n-2] == '0' {
			b[n-2] = b[n-1]
			b = b[:n-1]
		}
	} else {
		b = strconv.AppendFloat(b, t.StartS, 'f', -1, 64)
	}
	b = appendNum(b, ",\n        \"rate_pps\": ", t.RatePPS)
	b = appendNum(b, ",\n        \"break_percent\": ", t.BreakPercent)
	b = appendNum(b, ",\n        \"gap_before_ms\": ", t.GapBeforeMS)
	b = append(b, ",\n        \"partial\": "...)
	b = strconv.AppendBool(b, t.Partial)
	b = append(b, ",\n        \"stalled\": "...)
	b = strconv.AppendBool(b, t.Stalled)
	return append(b, "\n      }"...)
}

func appendNum(b []byte, key string, n pulse.Num) []byte {
	b = append(b, key...)
	if !n.OK {
		return append(b, "null"...)
	}
	return strconv.AppendFloat(b, n.V, 'g', -1, 64)
}
