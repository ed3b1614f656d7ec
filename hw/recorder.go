package hw

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"makebreak/pulse"
)

// A RecordingWriter writes edges in a form that OpenRecording reads: a
// *CSVWriter or a *VCDWriter.
type RecordingWriter interface {
	Write([]pulse.Edge) error
	Flush() error
}

// NewRecordingWriter makes the writer that the suffix of a file's name asks
// for, .csv or .vcd. A CSV file begins with the comments and keeps sequence
// numbers.
func NewRecordingWriter(name string, w io.Writer, comments []string) (RecordingWriter, error) {
	switch strings.ToLower(filepath.Ext(name)) {
	case ".csv":
		return NewCSVWriter(w, CSVOptions{Comments: comments, Seq: true}), nil
	case ".vcd":
		return NewVCDWriter(w, "contact"), nil
	}
	return nil, fmt.Errorf("%s: expected a name that ends in .csv or .vcd", name)
}

// An EdgeWriter writes edges as CSV or VCD, times in which the level is not
// known included. A failure ends it.
type EdgeWriter struct {
	w      RecordingWriter
	csv    *CSVWriter  // w, if it is one
	levels bool        // w takes only known levels
	level  pulse.Level // last one written; Unknown before the first
	last   pulse.Stamp // of it
	lost   bool        // the line is, since lostAt
	lostAt pulse.Stamp
	err    error
}

// NewEdgeWriter writes with w.
func NewEdgeWriter(w RecordingWriter) *EdgeWriter {
	csv, _ := w.(*CSVWriter)
	_, checked := w.(*Checksum)
	return &EdgeWriter{w: w, csv: csv, levels: csv != nil || checked, level: pulse.Unknown}
}

// Add writes the next edges.
func (w *EdgeWriter) Add(edges []pulse.Edge) {
	if w.err != nil {
		return
	}
	if !w.levels { // VCD has a level for what is not known
		w.err = w.w.Write(edges)
		return
	}
	// CSV has not. Two rows around the time, with edges lost between, keep that
	// the level lasted up to the first and was found at the second: beside a loss
	// neither is taken for an edge. What was found before any edge is the level
	// at the start, and no row.
	for _, e := range edges {
		switch {
		case e.Level > pulse.High:
			if !w.lost {
				w.lost, w.lostAt = true, e.At
			}
			continue
		case w.lost && w.level > pulse.High:
			w.lost = false
			continue
		case w.lost:
			w.lost = false
			if w.csv != nil {
				w.csv.out.line(fmt.Sprintf("# The line was lost at time_ns %d and found at level %d at %d: the next two rows are no edges, they mark that time.", w.lostAt, e.Level, e.At))
			}
			w.row(pulse.Edge{At: max(w.lostAt, w.last+1), Level: w.level ^ 1})
			if e.At = max(e.At, w.last+1); e.Lost == 0 {
				e.Lost = 1
			}
			if (e.Lost&1 == 1) != (e.Level == w.level) {
				e.Lost++
			}
		}
		w.row(e)
	}
}

func (w *EdgeWriter) row(e pulse.Edge) {
	if w.err == nil {
		w.err = w.w.Write([]pulse.Edge{e})
	}
	w.level, w.last = e.Level, e.At
}

// Flush writes what is still held.
func (w *EdgeWriter) Flush() {
	if w.err == nil {
		w.err = w.w.Flush()
	}
}

// Err tells what failed, if anything has.
func (w *EdgeWriter) Err() error { return w.err }

const (
	// recordFlush is the most that a crash of the program costs.
	recordFlush = time.Second
	// recordSync is the most that a power failure costs; more often would wear
	// out a memory card.
	recordSync = 10 * time.Second
)

// A Recorder keeps edges in a file as they come. The file holds whole lines
// whenever the program ends. A failure ends recording, and Close tells it.
type Recorder struct {
	*EdgeWriter
	f       *os.File
	dirty   bool // something is not written
	flushed time.Time
	// unsynced: something written is not on the disk for sure.
	unsynced bool
	synced   time.Time
	closed   bool
}

// NewRecorder begins a recording in a file that was just created, in the form
// that its name asks for, as NewRecordingWriter does. The beginning is written
// at once, so that a disk that takes nothing shows now. The file belongs to
// the recorder, and is closed when there is an error.
func NewRecorder(f *os.File, comments []string) (*Recorder, error) {
	w, err := NewRecordingWriter(f.Name(), f, comments)
	if err == nil {
		err = w.Flush()
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	now := time.Now()
	return &Recorder{EdgeWriter: NewEdgeWriter(w), f: f, dirty: true, unsynced: true, flushed: now, synced: now}, nil
}

// Add takes the next edges.
func (r *Recorder) Add(edges []pulse.Edge) {
	r.dirty = r.dirty || r.err == nil
	r.EdgeWriter.Add(edges)
}

// Tick writes what has been held for long enough: call it several times a
// second.
func (r *Recorder) Tick() {
	now := time.Now()
	if r.err == nil && r.dirty && now.Sub(r.flushed) >= recordFlush {
		r.Flush()
		r.dirty, r.flushed, r.unsynced = false, now, true
	}
	if r.err == nil && r.unsynced && now.Sub(r.synced) >= recordSync {
		r.err = r.f.Sync()
		r.synced, r.unsynced = now, false
	}
}

// Close ends the file and tells what failed. It may be called twice.
func (r *Recorder) Close() error {
	if r.closed {
		return r.err
	}
	r.closed = true
	r.Flush()
	err := r.err
	if err == nil {
		err = r.f.Sync()
	}
	if err = errors.Join(err, r.f.Close()); err != nil {
		var p *fs.PathError
		if errors.As(err, &p) { // it names the file too
			err = p.Err
		}
		r.err = fmt.Errorf("write %s: %w", r.f.Name(), err)
	}
	return r.err
}
