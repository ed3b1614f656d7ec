package web

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"sync"
	"time"

	"makebreak/daemon/live"
	"makebreak/pulse"
)

const (
	// maxEventStreams leave connections for pages and scrapers; see maxConnections and
	// maxPerAddress.
	maxEventStreams           = 96
	maxEventStreamsPerAddress = 56
	// streamTick is how often what is new is sent: soon enough for a hand on a screw,
	// seldom enough for the smallest board.
	streamTick = 250 * time.Millisecond
	// figuresEvery so many ticks: a person reads no faster.
	figuresEvery = 2
	// streamBuffer holds a few seconds of messages for a slow link.
	streamBuffer = 16
	// streamWriteTimeout is how long one message may take; a client that is slower
	// connects anew.
	streamWriteTimeout = 5 * time.Second
	// streamTime ends a stream, so that nothing of it lasts for ever. A browser then
	// connects again by itself.
	streamTime = time.Hour
	// stripTime is how much a page shows of make and break as it comes.
	stripTime = 10 * time.Second
)

// streams hand what contacts do to the pages that are open. Contacts know nothing of
// them: a feed asks a contact for what is new, once for all its listeners, and only
// while there are any.
type streams struct {
	contacts func(name string) *live.Contact

	mu   sync.Mutex
	by   map[string]int // listeners by address
	all  int
	feed map[string]*feed
}

type feed struct {
	*streams
	name    string
	contact *live.Contact

	mu        sync.Mutex
	cursor    live.Cursor
	listeners map[*listener]bool
	end       chan struct{}
}

type listener struct {
	messages chan []byte
	dropped  int // under feed.mu
}

// A movement is what is new of a contact, for the script of the page. Times are in
// ms of the contact's clock.
type movement struct {
	Now     float64      `json:"now"`
	Before  string       `json:"before,omitempty"` // the state before the first mark
	Marks   [][2]any     `json:"marks,omitempty"`  // time, state
	Points  [][3]float64 `json:"points,omitempty"` // time, break ms, period ms
	Missed  bool         `json:"missed,omitempty"`
	Dropped int          `json:"dropped,omitempty"` // messages
	Face    *face        `json:"face,omitempty"`
}

func milliseconds(at pulse.Stamp) float64 { return math.Round(float64(at)/1e3) / 1e3 }

func newMovement(l *live.Latest) movement {
	m := movement{Now: milliseconds(l.Now), Before: l.Before.String(), Missed: l.Missed}
	for _, x := range l.Marks {
		m.Marks = append(m.Marks, [2]any{milliseconds(x.At), x.To.String()})
	}
	for _, p := range l.Points {
		m.Points = append(m.Points, [3]float64{milliseconds(p.At), milliseconds(pulse.Stamp(p.BreakNS)), milliseconds(pulse.Stamp(p.PeriodNS))})
	}
	return m
}

func (m *movement) event() []byte {
	b, err := json.Marshal(m)
	if err != nil {
		panic(err) // of plain numbers and text
	}
	return fmt.Appendf(nil, "data: %s\n\n", b)
}

// join adds a listener, or gives nil where there are too many.
func (s *streams) join(name, address string) (f *feed, l *listener, first []byte) {
	contact := s.contacts(name)
	s.mu.Lock()
	defer s.mu.Unlock()
	if contact == nil || s.all >= maxEventStreams || s.by[address] >= maxEventStreamsPerAddress {
		return nil, nil, nil
	}
	f = s.feed[name]
	if f == nil || f.contact != contact {
		f = &feed{streams: s, name: name, contact: contact, listeners: map[*listener]bool{}, end: make(chan struct{})}
		f.cursor = contact.Latest(live.Cursor{}).Next
		s.feed[name] = f
		go f.run()
	}
	s.all++
	s.by[address]++
	l = &listener{messages: make(chan []byte, streamBuffer)}
	f.mu.Lock()
	defer f.mu.Unlock()
	all := contact.Latest(live.Cursor{})
	f.tell(all.After(f.cursor)) // the others: so nobody has anything twice
	f.listeners[l] = true
	since := all.Now - pulse.Stamp(stripTime)
	for len(all.Marks) > 0 && all.Marks[0].At < since {
		all.Before, all.Marks = all.Marks[0].To, all.Marks[1:]
	}
	all.Missed = false
	m := newMovement(&all)
	m.Face = f.face()
	return f, l, m.event()
}

func (s *streams) leave(f *feed, l *listener, address string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.all--
	if s.by[address]--; s.by[address] == 0 {
		delete(s.by, address)
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if delete(f.listeners, l); len(f.listeners) == 0 {
		close(f.end)
		if s.feed[f.name] == f {
			delete(s.feed, f.name)
		}
	}
}

func (f *feed) run() {
	tick := time.NewTicker(streamTick)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case <-f.end:
			return
		case <-tick.C:
		}
		f.mu.Lock()
		latest := f.contact.Latest(f.cursor)
		if n%figuresEvery == 0 {
			f.tellWith(latest, f.face())
		} else {
			f.tell(latest)
		}
		f.mu.Unlock()
	}
}

func (f *feed) face() *face {
	figures := f.contact.Figures()
	return newFace(&figures, time.Now())
}

func (f *feed) tell(l live.Latest) { f.tellWith(l, nil) }

// tellWith sends what is new to all listeners. One whose buffer is full misses it,
// and is told so with the next that it gets.
func (f *feed) tellWith(latest live.Latest, face *face) {
	f.cursor = latest.Next
	m := newMovement(&latest)
	m.Face = face
	event := m.event()
	for l := range f.listeners {
		mine := event
		if l.dropped > 0 {
			late := m
			late.Dropped = l.dropped
			mine = late.event()
		}
		select {
		case l.messages <- mine:
			l.dropped = 0
		default:
			l.dropped++
		}
	}
}

// events streams what a contact does, as server-sent events.
func (p *handler) events(w http.ResponseWriter, r *http.Request) {
	name, address := r.PathValue("name"), addressOf(r.RemoteAddr)
	if p.streams.contacts(name) == nil {
		http.NotFound(w, r)
		return
	}
	f, l, first := p.streams.join(name, address)
	if f == nil {
		w.Header().Set("Retry-After", "30")
		http.Error(w, "too many pages that move are open; close some of them", http.StatusServiceUnavailable)
		return
	}
	defer p.streams.leave(f, l, address)
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no") // a proxy must not keep it back
	ctx, cancel := context.WithTimeout(r.Context(), streamTime)
	defer cancel()
	stop, _ := ctx.Value(stopping{}).(<-chan struct{}) // nil in a test: never
	for message := first; ; {
		// In place of the server's own, which is for pages. A writer without deadlines
		// is one of a test.
		_ = out.SetWriteDeadline(time.Now().Add(streamWriteTimeout))
		if _, err := w.Write(message); err != nil {
			return
		}
		if out.Flush() != nil {
			return
		}
		select {
		case <-ctx.Done():
			return
		case <-stop:
			return
		case message = <-l.messages:
		}
	}
}
