package command

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// recordFlush is the most that a crash of the program costs.
	recordFlush = time.Second
	// recordSync is the most that a power failure costs; more often would wear
	// out a memory card.
	recordSync = 10 * time.Second
)

// An edgeWriter writes edges as CSV or VCD, times in which the level is not
// known included. A failure ends it.
type edgeWriter struct {
	out    io.Writer
	w      recordingWriter
	csv    bool
	level  pulse.Level // last one written; Unknown before the first
	last   pulse.Stamp // of it
	blind  bool        // the line is lost, since lostAt
	lostAt pulse.Stamp
	err    error
}

func newEdgeWriter(out io.Writer, w recordingWriter) edgeWriter {
	_, csv := w.(*hw.CSVWriter)
	return edgeWriter{out: out, w: w, csv: csv, level: pulse.Unknown}
}

// A recorder keeps edges in a file as they come. The file holds whole lines
// whenever the program ends. A failure ends recording, and close tells it.
type recorder struct {
	edgeWriter
	f       *os.File
	dirty   bool // something is not written
	flushed time.Time
	// unsynced: something written is not on the disk for sure.
	unsynced bool
	synced   time.Time
	closed   bool
}

// newWriter makes the writer that a file's suffix asks for.
func newWriter(flag, path string, f *os.File, comments []string) (recordingWriter, error) {
	switch strings.ToLower(filepath.Ext(path)) {
	case ".csv":
		return hw.NewCSVWriter(f, hw.CSVOptions{Comments: comments, Seq: true}), nil
	case ".vcd":
		return hw.NewVCDWriter(f, "contact"), nil
	}
	return nil, fmt.Errorf("%s %s: expected a name that ends in .csv or .vcd", flag, path)
}

// checkRecording tells what newRecorder would find wrong with a name.
func checkRecording(path string, force bool) error {
	_, err := newWriter("--record", path, nil, nil)
	if err == nil {
		_, err = mayCreate("--record", path, force)
	}
	return err
}

func newRecorder(path string, force bool, comments []string) (*recorder, error) {
	if _, err := newWriter("--record", path, nil, nil); err != nil {
		return nil, err
	}
	path, err := mayCreate("--record", path, force)
	if err != nil {
		return nil, err
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, fmt.Errorf("--record %s: cannot write there: %s", path, reason(err))
	}
	w, err := newWriter("--record", path, f, comments)
	r := &recorder{edgeWriter: newEdgeWriter(f, w), f: f, dirty: true, unsynced: true, flushed: time.Now(), synced: time.Now()}
	r.err = err
	r.flush() // the header, so that a wrong place shows now
	if r.err != nil {
		f.Close()
		os.Remove(path)
		return nil, r.err
	}
	return r, nil
}

// add takes the next edges.
func (r *recorder) add(edges []pulse.Edge) {
	if r.err != nil {
		return
	}
	r.dirty = true
	r.edgeWriter.add(edges)
}

func (r *edgeWriter) add(edges []pulse.Edge) {
	if r.err != nil {
		return
	}
	if !r.csv { // VCD has a level for what is not known
		r.err = r.w.Write(edges)
		return
	}
	// CSV has not. Two rows around the time, with edges lost between, keep that
	// the level lasted up to the first and was found at the second: beside a loss
	// neither is taken for an edge. What was found before any edge is the level
	// at the start, and no row.
	for _, e := range edges {
		switch {
		case e.Level > pulse.High:
			if !r.blind {
				r.blind, r.lostAt = true, e.At
			}
			continue
		case r.blind && r.level > pulse.High:
			r.blind = false
			continue
		case r.blind:
			r.blind = false
			r.comment(fmt.Sprintf("The line was lost at time_ns %d and found at level %d at %d: the next two rows are no edges, they mark that time.", r.lostAt, e.Level, e.At))
			r.row(pulse.Edge{At: max(r.lostAt, r.last+1), Level: r.level ^ 1})
			if e.At = max(e.At, r.last+1); e.Lost == 0 {
				e.Lost = 1
			}
			if (e.Lost&1 == 1) != (e.Level == r.level) {
				e.Lost++
			}
		}
		r.row(e)
	}
}

func (r *edgeWriter) row(e pulse.Edge) {
	if r.err == nil {
		r.err = r.w.Write([]pulse.Edge{e})
	}
	r.level, r.last = e.Level, e.At
}

// comment writes a line between rows.
func (r *edgeWriter) comment(text string) {
	r.flush()
	if r.err == nil {
		_, r.err = io.WriteString(r.out, "# "+text+"\n")
	}
}

// tick writes what has been held for long enough.
func (r *recorder) tick() {
	now := time.Now()
	if r.err == nil && r.dirty && now.Sub(r.flushed) >= recordFlush {
		r.flush()
		r.dirty, r.flushed, r.unsynced = false, now, true
	}
	if r.err == nil && r.unsynced && now.Sub(r.synced) >= recordSync {
		r.err = r.f.Sync()
		r.synced, r.unsynced = now, false
	}
}

func (r *edgeWriter) flush() {
	if r.err == nil {
		r.err = r.w.Flush()
	}
}

// close ends the file and tells what failed. It may be called twice.
func (r *recorder) close() error {
	if !r.closed {
		r.closed = true
		r.flush()
		err := r.err
		if err == nil {
			err = r.f.Sync()
		}
		if err = errors.Join(err, r.f.Close()); err != nil {
			r.err = fmt.Errorf("write %s: %s", r.f.Name(), reason(err))
		}
	}
	return r.err
}
