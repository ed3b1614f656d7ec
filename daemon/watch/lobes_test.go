package watch

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"makebreak/daemon/store"
	"makebreak/hw"
	"makebreak/pulse"
)

// A turning cam goes on whether it is watched or not. Opening i comes at
// i seconds by the host's clock, later by what its lobe is and by a noise of
// up to 0.5 ms to either side; each break lasts 0.5 s. All is invented.
type turning struct {
	*host
	late    []time.Duration
	missing func(i int) bool
	dead    func(now pulse.Stamp) bool // its source cannot be read
	start   pulse.Stamp
	next    int // edge: opening, closing, opening …
}

var errUnplugged = errors.New("unplugged")

// opening is the time of opening i.
func (c *turning) opening(i int) pulse.Stamp {
	return booted + pulse.Stamp(i)*pulse.Stamp(time.Second) + pulse.Stamp(c.late[i%len(c.late)]) + pulse.Stamp(uint64(i)*2654435761%1_000_003) - 500_000
}

func (c *turning) edge(n int) pulse.Edge {
	at := c.opening(n / 2)
	if n%2 == 0 {
		return pulse.Edge{At: at, Level: pulse.Low}
	}
	return pulse.Edge{At: at + pulse.Stamp(500*time.Millisecond), Level: pulse.High}
}

func (c *turning) open() (hw.Live, error) {
	now := c.now()
	if c.dead(now) {
		return nil, errUnplugged
	}
	s := *c
	s.start, s.next = now, 0
	for s.edge(s.next).At <= now {
		s.next++
	}
	return &s, nil
}

func (c *turning) Close() error       { return nil }
func (c *turning) Start() pulse.Stamp { return c.start }
func (c *turning) InitialLevel() pulse.Level {
	if c.next == 0 {
		return pulse.High
	}
	if c.missing((c.next - 1) / 2) {
		return pulse.High
	}
	return c.edge(c.next - 1).Level
}

func (c *turning) ReadEdges(ctx context.Context, buf []pulse.Edge) (int, error) {
	for c.missing(c.next / 2) {
		c.next += 2 - c.next%2
	}
	e := c.edge(c.next)
	t := time.NewTimer(time.Duration(e.At - c.now()))
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	if c.dead(c.now()) {
		return 0, errUnplugged
	}
	buf[0] = e
	c.next++
	return 1, nil
}

// measureLog measures a stretch of the log as a command does, and gives the
// numbers of the lobes at each opening.
func measureLog(t *testing.T, log *store.Log, contact string, from, to pulse.Stamp) (*pulse.Interrupter, map[pulse.Stamp]int) {
	t.Helper()
	all, err := log.Configurations(t.Context(), contact)
	if err != nil {
		t.Fatal(err)
	}
	cfg, err := Reading(all[0])
	if err != nil {
		t.Fatal(err)
	}
	lobes, err := LobesOf(t.Context(), log, contact, 1, cfg.Lobes)
	if err != nil {
		t.Fatal(err)
	}
	if err := lobes.Number(t.Context(), from, to, &cfg); err != nil {
		t.Fatal(err)
	}
	told := map[pulse.Stamp]int{}
	cfg.Live, cfg.Start, cfg.StartLevel = true, from, pulse.Unknown
	cfg.Observer.Cycle = func(r *pulse.CycleRow) {
		if r.Numbering == 1 {
			told[r.At] = r.Lobe
		}
	}
	m, err := pulse.NewMeter(cfg)
	if err != nil {
		t.Fatal(err)
	}
	m.Add([]pulse.Edge{{At: from, Level: pulse.Unknown}})
	p, err := log.Replay(t.Context(), store.Span{Run: 1, From: from, To: to}, contact)
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	for buf := make([]pulse.Edge, 512); ; {
		n, err := p.ReadEdges(t.Context(), buf)
		if err != nil {
			break
		}
		m.Add(slices.DeleteFunc(slices.Clone(buf[:n]), func(e pulse.Edge) bool { return e.At <= from }))
	}
	return m.Finish(to).Interrupter, told
}

// One number is one lobe's through a log: over restarts, missing
// interruptions, an unknown time, a long pause, and a kill; from whatever start
// a stretch is asked for. A note gives the number to the cam.
func TestLobesKeepTheirNumbers(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("watches for simulated hours: MAKEBREAK_ENDURANCE=1 runs it")
	}
	ms := time.Millisecond
	at := func(d time.Duration) pulse.Stamp { return booted + pulse.Stamp(d) }
	for name, late := range map[string][]time.Duration{
		"a fault":       {0, 0, 8 * ms, 0, 0},
		"all different": {0, 3 * ms, 8 * ms, 0, -2 * ms},
	} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nlimits: us-fcc-busy\nrate: 60ipm\nlobes: 5")
			cam := &turning{host: r.host, late: late,
				missing: func(i int) bool { return i%601 == 77 || i == 5000 || i == 5001 },
				dead: func(now pulse.Stamp) bool {
					return now > at(40*time.Minute) && now < at(40*time.Minute+20*time.Second)
				}}
			r.open["CAM"] = cam.open
			r.pass(13500 * ms)
			r.start()
			r.pass(90 * time.Minute)
			r.finish()
			r.pass(7 * time.Second) // a restart
			r.start()
			r.pass(30 * time.Minute)
			r.finish()
			r.pass(10 * time.Minute) // longer than the speed carries the phase
			r.start()
			r.pass(30 * time.Minute)
			r.finish()
			log := r.book()
			tl, err := log.Timeline(t.Context(), 0)
			if err != nil {
				t.Fatal(err)
			}
			// The first opening after the start, number 14, was told as lobe 1: 14 % 5
			// is the cam's own lobe 4, counted from 0.
			one := 14 % 5
			check := func(by string, starts int) {
				t.Helper()
				for i := range starts {
					from := tl.End() * pulse.Stamp(i) / pulse.Stamp(starts+1)
					to := min(from+pulse.Stamp(25*time.Minute), tl.End())
					if i%3 == 0 {
						to = tl.End()
					}
					in, told := measureLog(t, log, "cam", from, to)
					if in.LobesNumberedBy == nil || *in.LobesNumberedBy != by || in.LobeStretches != 1 {
						t.Errorf("%s: from %v: by %v, %d numberings", name, time.Duration(from), *in.LobesNumberedBy, in.LobeStretches)
					}
					if len(told) < 200 {
						t.Errorf("%s: from %v: %d openings have a number", name, time.Duration(from), len(told))
					}
					for n := range 20000 {
						start := tl.Sessions[0].Start
						if lobe, ok := told[cam.opening(n)-start.Mono+start.Run]; ok && lobe != ((n-one)%5+5)%5+1 {
							t.Errorf("%s: from %v: opening %d is lobe %d, want %d", name, time.Duration(from), n, lobe, ((n-one)%5+5)%5+1)
							break
						}
					}
					if l := in.Lobes[((2-one)%5+5)%5]; l.OpeningErrorMS.V < 7.5 || l.OpeningErrorMS.V > 8.5 {
						t.Errorf("%s: from %v: lobe %d is %v ms late, want 8", name, time.Duration(from), l.Lobe, l.OpeningErrorMS.V)
					}
				}
			}
			check(pulse.LobesByLog, 30)

			// A program that is killed leaves an old mark: the count goes on from it
			// through the edges.
			marks, err := log.LobeMarks(t.Context(), store.Span{}, "cam")
			if err != nil {
				t.Fatal(err)
			}
			k := lobeTracker{log: &store.Store{Log: log}, contact: "cam", lobes: 5, known: signature(marks, 1, 5)}
			for _, m := range marks {
				got, ok := k.carried(t.Context(), tl, m, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Lobes: 5})
				n := int((got.At + tl.Sessions[0].Start.Mono - booted + pulse.Stamp(ms)*100) / 1e9)
				if !ok || n < 9615 || got.Lobe != ((n-one)%5+5)%5+1 {
					t.Errorf("%s: carried from %v: lobe %d opened at %d", name, time.Duration(m.At.Run), got.Lobe, n)
				}
			}

			// A note names the fault's lobe.
			cfg := pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Lobes: 5}
			lobes, err := LobesOf(t.Context(), log, "cam", 1, 5)
			if err != nil {
				t.Fatal(err)
			}
			start := tl.Sessions[0].Start
			m, err := lobes.Near(t.Context(), tl, cam.opening(3002)-start.Mono+start.Run+pulse.Stamp(300*ms), cfg)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := log.NoteLobeOne(t.Context(), store.Note{Contact: "cam", Text: "chalk mark"}, m); err != nil {
				t.Fatal(err)
			}
			one = 2
			check(pulse.LobesByReference, 7)
		})
	}
}

// In a log that has no marks, a note begins a numbering.
func TestLobeOneWithoutMarks(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nkind: interrupter\nrate: 60ipm\nlobes: 5")
		cam := &turning{host: r.host, late: make([]time.Duration, 5), missing: func(int) bool { return false }, dead: func(pulse.Stamp) bool { return false }}
		r.open["CAM"] = cam.open
		r.pass(13500 * time.Millisecond)
		r.start()
		r.pass(30 * time.Minute)
		r.finish()
		log := r.book()
		tl, err := log.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		cfg := pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Lobes: 5}
		none := &Lobes{log: log, contact: "cam", run: 1, lobes: 5}
		start := tl.Sessions[0].Start
		m, err := none.Near(t.Context(), tl, cam.opening(1003)-start.Mono+start.Run-1e8, cfg)
		if err != nil || m.Numbering != 0 || m.Lobe != 1 || m.At.Run != cam.opening(1003)-start.Mono+start.Run || m.Signature == nil {
			t.Fatal(m, err)
		}
		if _, err := none.Near(t.Context(), tl, tl.End()+pulse.Stamp(time.Hour), cfg); !errors.Is(err, ErrNoOpening) {
			t.Error(err)
		}
	})
}

// Where neither the phase nor the signature tells, in a new boot or after a long
// pause, numbers are found again if the lobes differ, and else begin anew: then
// each numbering has its own, and a stretch over both says so.
func TestLobesAfterABoot(t *testing.T) {
	if os.Getenv("MAKEBREAK_ENDURANCE") == "" {
		t.Skip("watches for simulated hours: MAKEBREAK_ENDURANCE=1 runs it")
	}
	for _, tt := range []struct {
		name      string
		late      time.Duration
		boot      string
		stretches int
	}{
		{"a fault, a long pause", 8 * time.Millisecond, "boot-1", 1},
		{"a fault, a new boot", 8 * time.Millisecond, "boot-2", 1},
		{"all alike, a long pause", 0, "boot-1", 2},
		{"all alike, a new boot", 0, "boot-2", 2},
	} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nlimits: us-fcc-busy\nrate: 60ipm\nlobes: 5")
			cam := &turning{host: r.host, late: []time.Duration{0, 0, tt.late, 0, 0}, missing: func(int) bool { return false }, dead: func(pulse.Stamp) bool { return false }}
			r.open["CAM"] = cam.open
			r.pass(500 * time.Millisecond)
			r.start()
			r.pass(30 * time.Minute)
			r.finish()
			r.pass(10*time.Minute + 3*time.Second)
			r.boot = tt.boot
			r.start()
			r.pass(40 * time.Minute)
			r.finish()
			log := r.book()
			tl, err := log.Timeline(t.Context(), 0)
			if err != nil {
				t.Fatal(err)
			}
			second := tl.Sessions[1].Start
			in, _ := measureLog(t, log, "cam", 0, tl.End())
			if by := *in.LobesNumberedBy; by != pulse.LobesByLog || in.LobeStretches != tt.stretches {
				t.Errorf("%s: all of it by %s in %d numberings", tt.name, by, in.LobeStretches)
			}
			// Opening 1 is lobe 1 at first; with numbers begun anew, the first one after
			// the second start is.
			one := 1
			if tt.stretches > 1 {
				one = int((second.Mono-booted)/1e9) + 1
			}
			for _, after := range []time.Duration{0, 5*time.Minute + 2*time.Second, 20 * time.Minute} {
				in, told := measureLog(t, log, "cam", second.Run+pulse.Stamp(after), tl.End())
				if in.LobeStretches != 1 || *in.LobesNumberedBy != pulse.LobesByLog || len(told) < 1000 {
					t.Errorf("%s, %v after the second start: %d numberings by %s, %d openings", tt.name, after, in.LobeStretches, *in.LobesNumberedBy, len(told))
				}
				for n := range 6000 {
					if lobe, ok := told[cam.opening(n)-second.Mono+second.Run]; ok && lobe != ((n-one)%5+5)%5+1 {
						t.Errorf("%s, %v after the second start: opening %d is lobe %d, want %d", tt.name, after, n, lobe, ((n-one)%5+5)%5+1)
						break
					}
				}
			}
		})
	}
}

// The clock of another boot does not tell how long a cam has turned since: the
// phase is carried over a short pause of the same boot alone.
func TestLobesAreNotCarriedOverABoot(t *testing.T) {
	for boot, numbering := range map[string]int64{"boot-1": 1, "boot-2": 2} {
		bubble(t, func(t *testing.T) {
			r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nlimits: us-fcc-busy\nrate: 60ipm\nlobes: 5")
			cam := &turning{host: r.host, late: make([]time.Duration, 5), missing: func(int) bool { return false }, dead: func(pulse.Stamp) bool { return false }}
			r.open["CAM"] = cam.open
			r.start()
			r.pass(5 * time.Minute)
			r.finish()
			r.pass(12 * time.Second)
			r.boot = boot
			r.start()
			r.pass(30 * time.Minute)
			r.finish()
			marks, err := r.book().LobeMarks(t.Context(), store.Span{}, "cam")
			if err != nil {
				t.Fatal(err)
			}
			if last := marks[len(marks)-1]; last.Numbering != numbering {
				t.Errorf("%s: numbering %d, want %d", boot, last.Numbering, numbering)
			}
		})
	}
}

// A stretch that no mark reaches is numbered by the signature in the log.
func TestLobesOfAStretchWithoutMarks(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nlimits: us-fcc-busy\nrate: 60ipm\nlobes: 5")
		cam := &turning{host: r.host, late: []time.Duration{0, 0, 8 * time.Millisecond, 0, 0}, missing: func(int) bool { return false }, dead: func(pulse.Stamp) bool { return false }}
		r.open["CAM"] = cam.open
		r.pass(500 * time.Millisecond)
		r.start()
		r.pass(10 * time.Minute)
		r.finish()
		r.pass(10*time.Minute + 2*time.Second)
		r.start()
		r.pass(10 * time.Minute)
		r.finish()
		log := r.book()
		tl, err := log.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		second := tl.Sessions[1].Start
		l, err := LobesOf(t.Context(), log, "cam", 1, 5)
		if err != nil {
			t.Fatal(err)
		}
		// As if the disk had lost the marks of the second session.
		l.marks = slices.DeleteFunc(l.marks, func(m store.LobeMark) bool { return m.At.Session == 2 })
		cfg := pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Lobes: 5}
		if err := l.Number(t.Context(), second.Run, tl.End(), &cfg); err != nil {
			t.Fatal(err)
		}
		if len(cfg.LobesKnown) != 5 {
			t.Fatalf("%+v", cfg)
		}
		cfg.LobeMarks = nil
		told := 0
		if _, err := rows(t.Context(), log, "cam", store.Span{Run: 1, From: second.Run}, cfg, func(row *pulse.CycleRow) {
			n := int((row.At - second.Run + second.Mono - booted + 1e8) / 1e9)
			if row.Numbering != 1 {
				return
			}
			if told++; row.Lobe != (n-1)%5+1 { // opening 1 was the first
				t.Errorf("opening %d is lobe %d", n, row.Lobe)
			}
		}); err != nil {
			t.Fatal(err)
		}
		if told < 500 {
			t.Errorf("%d openings have a number", told)
		}
	})
}

// The page tells what the number of a lobe goes by, and follows a note.
func TestPageFollowsTheNoteOfLobeOne(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nlimits: us-fcc-busy\nrate: 60ipm\nlobes: 5")
		cam := &turning{host: r.host, late: []time.Duration{0, 0, 150 * time.Millisecond, 0, 0}, missing: func(int) bool { return false }, dead: func(pulse.Stamp) bool { return false }}
		r.open["CAM"] = cam.open
		r.pass(500 * time.Millisecond)
		r.start()
		r.pass(3 * time.Minute)
		// Of the cam's lobes, counted from 0, the first to open is 1; so the late one,
		// whose cycle is the shortest, has number 2.
		want := func(text string) {
			t.Helper()
			if page := r.page(); !strings.Contains(page, text) {
				t.Errorf("the page lacks %q:\n%s", text, page)
			}
		}
		want("lobe 2 as the log counts them")
		log := r.book()
		tl, err := log.Timeline(t.Context(), 0)
		if err != nil {
			t.Fatal(err)
		}
		lobes, err := LobesOf(t.Context(), log, "cam", 1, 5)
		if err != nil {
			t.Fatal(err)
		}
		start := tl.Sessions[0].Start
		m, err := lobes.Near(t.Context(), tl, cam.opening(60)-start.Mono+start.Run, pulse.Config{Kind: pulse.KindInterrupter, PeriodNS: 1e9, Lobes: 5})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := log.NoteLobeOne(t.Context(), store.Note{Contact: "cam", Text: "chalk mark"}, m); err != nil {
			t.Fatal(err)
		}
		r.pass(15 * time.Minute)
		// Opening 60 was lobe 0.
		want("lobe 3 of the cam")
		r.finish()
		r.start()
		r.pass(20 * time.Minute)
		want("lobe 3 of the cam")
	})
}

// A log that is removed while it is written begins anew with all that reading it
// needs: session, contacts, configurations, and at once the numbers of the lobes.
// It is told once.
func TestLogRemovedWhileWatching(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, "name: cam\nsource: 'gpio:CAM'\nlimits: us-fcc-busy\nrate: 60ipm\nlobes: 3")
		ms := time.Millisecond
		cam := &turning{host: r.host, late: []time.Duration{0, 0, 8 * ms}, missing: func(int) bool { return false }, dead: func(pulse.Stamp) bool { return false }}
		r.open["CAM"] = cam.open
		r.pass(1300 * ms)
		r.start()
		r.pass(20 * time.Minute)
		files, err := filepath.Glob(filepath.Join(r.dir, "log.db*"))
		if err != nil || len(files) < 3 {
			t.Fatal(files, err)
		}
		for _, f := range files {
			if err := os.Remove(f); err != nil {
				t.Fatal(err)
			}
		}
		r.pass(10 * time.Minute)
		if n := r.lines("the log file was removed or replaced: a new log was begun"); len(n) != 1 {
			t.Error(n)
		}
		if n := r.lines("level=ERROR"); len(n) != 1 {
			t.Error(n)
		}
		if page := r.page(); !strings.Contains(page, "The log file was removed or replaced while it was written") {
			t.Error(page)
		}
		log := r.book()
		tl, err := log.Timeline(t.Context(), 0)
		if err != nil || len(tl.Sessions) != 1 || tl.Site != "Marrow Quay exchange" {
			t.Fatalf("%+v, %v", tl, err)
		}
		in, told := measureLog(t, log, "cam", tl.End()-pulse.Stamp(9*time.Minute), tl.End())
		if in.LobesNumberedBy == nil || *in.LobesNumberedBy != pulse.LobesByLog || len(told) < 500 || in.Missing+in.Extra != 0 {
			t.Errorf("%+v, %d openings have a number", in, len(told))
		}
		if f := r.findings(""); len(f) != 1 || !strings.HasPrefix(f[0], "damage: the log that was written here until ") {
			t.Error(f)
		}
		r.finish()
	})
}
