package command

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"strconv"

	"makebreak/pulse"
)

// A document is a measurement with what is known of the line or the log, if
// there is one.
type document struct {
	*pulse.Measurement
	Line *lineReport `json:"line,omitempty"`
	Log  *logReport  `json:"log,omitempty"`
}

// writeJSON writes d as one indented JSON object, as a json.Encoder would with
// an indent of two blanks. The trains, of which there may be millions, are
// written one by one and never held as text.
func writeJSON(w io.Writer, d document) error {
	m := d.Measurement
	var trains pulse.Trains
	if m.Dial != nil && m.Dial.Trains.Len() > 0 {
		trains = m.Dial.Trains
		dial, without := *m.Dial, *m
		dial.Trains = pulse.Trains{}
		without.Dial = &dial
		m = &without
	}
	var b bytes.Buffer
	if err := encodeJSON(&b, document{m, d.Line, d.Log}); err != nil {
		return err
	}
	if trains.Len() == 0 {
		_, err := b.WriteTo(w)
		return err
	}
	// A line break and quotes cannot stand inside a JSON string.
	const key = "\n    \"trains\": ["
	head, tail, ok := bytes.Cut(b.Bytes(), []byte(key+"]"))
	if !ok {
		return errors.New("write the result: no list of trains in it")
	}
	row := append(bytes.Clone(head), key...)
	for t := range trains.All() {
		row = appendTrain(row, &t)
		if _, err := w.Write(row); err != nil {
			return err
		}
		row = append(row[:0], ',')
	}
	if _, err := io.WriteString(w, "\n    ]"); err != nil {
		return err
	}
	_, err := w.Write(tail)
	return err
}

// encodeJSON writes v as one indented JSON object.
func encodeJSON(w io.Writer, v any) error {
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
