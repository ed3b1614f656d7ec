package report

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"runtime"
	"strconv"
	"sync/atomic"

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
	if _, err := w.Write(append(before[:len(before):len(before)], list...)); err != nil {
		return err
	}
	if err := writeTrains(w, trains); err != nil {
		return err
	}
	if _, err := io.WriteString(w, "\n    "); err != nil {
		return err
	}
	_, err := w.Write(after)
	return err
}

// A trainBatch is a run of trains on its way to be text.
type trainBatch struct {
	trains []pulse.Train
	text   []byte
	done   chan struct{} // says that text holds trains
}

// trainsAtOnce are some 100 KB of text: few writes, and little to hold.
const trainsAtOnce = 512

// writeTrains writes the trains between the brackets of their list. Batches of
// them become text at the same time, and are written in order.
func writeTrains(w io.Writer, trains pulse.Trains) error {
	batches := runtime.GOMAXPROCS(0) + 2 // of which one is being gathered, one written
	free, order := make(chan *trainBatch, batches), make(chan *trainBatch, batches)
	for range batches {
		free <- &trainBatch{done: make(chan struct{}, 1)}
	}
	var broken atomic.Bool
	written := make(chan error)
	go func() {
		var err error
		for b := range order {
			<-b.done
			if err == nil {
				_, err = w.Write(b.text)
				broken.Store(err != nil)
			}
			b.trains, b.text = b.trains[:0], b.text[:0]
			free <- b
		}
		written <- err
	}()
	b, separator := <-free, ""
	pass := func() {
		go b.format(separator)
		separator = ","
		order <- b
	}
	for t := range trains.All() {
		if b.trains = append(b.trains, t); len(b.trains) == trainsAtOnce {
			pass()
			b = <-free
			if broken.Load() {
				break
			}
		}
	}
	if len(b.trains) > 0 {
		pass()
	}
	close(order)
	return <-written
}

// format makes the text of the trains, after a separator.
func (b *trainBatch) format(separator string) {
	for i := range b.trains {
		b.text = appendTrain(append(b.text, separator...), &b.trains[i])
		separator = ","
	}
	b.done <- struct{}{}
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
	b = append(b, ",\n        \"rate_pps\": "...)
	b = t.RatePPS.AppendJSON(b)
	b = append(b, ",\n        \"break_percent\": "...)
	b = t.BreakPercent.AppendJSON(b)
	b = append(b, ",\n        \"gap_before_ms\": "...)
	b = t.GapBeforeMS.AppendJSON(b)
	b = append(b, ",\n        \"partial\": "...)
	b = strconv.AppendBool(b, t.Partial)
	b = append(b, ",\n        \"stalled\": "...)
	b = strconv.AppendBool(b, t.Stalled)
	return append(b, "\n      }"...)
}
