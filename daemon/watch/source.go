package watch

import (
	"context"
	"fmt"
	"time"

	"makebreak/daemon/config"
	"makebreak/hw"
	"makebreak/pulse"
)

const (
	// batch is how long a simulated contact holds its edges back, so that one
	// read gives a whole bounce, as it does from a kernel's buffer.
	batch = 5 * time.Millisecond
	// lead is how long a recording is at rest before its first edge.
	lead = pulse.Stamp(time.Second)
)

// open opens a source of this computer. The stamps of every source are of the
// clock that now reads, and its edges come at the time of their stamps.
func open(s config.Source, now func() pulse.Stamp) (hw.Live, error) {
	switch s.Kind {
	case config.SourceGPIO:
		ref, err := hw.Resolve(s.Line)
		if err != nil {
			return nil, err
		}
		return hw.OpenInput(ref, hw.InputOptions{Bias: s.Bias})
	case config.SourceSim:
		start := now()
		src, err := hw.NewSimulated(s.Sim, hw.SimulatedOptions{Speed: 1, Batch: batch, Start: start})
		if err != nil {
			return nil, err
		}
		return &simulated{src, start}, nil
	}
	rec, err := hw.OpenRecordingFile(s.Recording, nil, hw.RecordingOptions{Contact: s.RecordingContact})
	if err != nil {
		return nil, err
	}
	return play(rec, now)
}

// simulated is a simulated contact whose start is known.
type simulated struct {
	*hw.Simulated
	start pulse.Stamp
}

func (s *simulated) InitialLevel() pulse.Level { return s.Spec().Rest() }
func (s *simulated) Start() pulse.Stamp        { return s.start }

// A player gives the edges of a recording at the speed at which they were
// recorded, stamped as if they happened now.
type player struct {
	hw.Source
	now          func() pulse.Stamp
	start, shift pulse.Stamp
	level        pulse.Level
	buf          [64]pulse.Edge
	ahead        []pulse.Edge // of buf, read but not given
	err          error        // that follows ahead
}

// play begins with the recording at rest: in the opposite of its first level.
func play(rec hw.Source, now func() pulse.Stamp) (*player, error) {
	p := &player{Source: rec, now: now, start: now(), level: pulse.Unknown}
	p.fill()
	if len(p.ahead) == 0 {
		rec.Close()
		return nil, fmt.Errorf("play back: %w", p.err)
	}
	first := p.ahead[0]
	p.shift = p.start + lead - first.At
	if first.Level <= pulse.High {
		p.level = pulse.High - first.Level
	}
	return p, nil
}

func (p *player) InitialLevel() pulse.Level { return p.level }
func (p *player) Start() pulse.Stamp        { return p.start }

// fill reads on, also at the end of a context: a recording never waits for long.
func (p *player) fill() {
	n, err := p.Source.ReadEdges(context.Background(), p.buf[:])
	p.ahead, p.err = p.buf[:n], err
}

// ReadEdges implements hw.Source.
func (p *player) ReadEdges(ctx context.Context, buf []pulse.Edge) (n int, err error) {
	if len(p.ahead) == 0 {
		if p.err == nil {
			p.fill()
		}
		if p.err != nil {
			return 0, p.err
		}
	}
	rest := func() time.Duration { return time.Duration(p.ahead[0].At + p.shift - p.now()) }
	if d := rest(); d > 0 {
		t := time.NewTimer(d)
		defer t.Stop()
		select {
		case <-t.C:
		case <-ctx.Done():
			if rest() > 0 { // else it has come meanwhile
				return 0, ctx.Err()
			}
		}
	}
	for now := p.now(); n < len(buf) && len(p.ahead) > 0 && (n == 0 || p.ahead[0].At+p.shift <= now); n++ {
		buf[n] = p.ahead[0]
		buf[n].At += p.shift
		p.ahead = p.ahead[1:]
	}
	return n, nil
}
