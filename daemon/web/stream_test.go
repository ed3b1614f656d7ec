package web

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"makebreak/daemon/live"
)

// serveBench serves a bench over pipes, in a bubble's time.
func serveBench(t *testing.T, test func(t *testing.T, b *bench, m *memory, h *handler)) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, "dial", 0)
		m := newMemory()
		ctx, cancel := context.WithCancel(t.Context())
		result := make(chan error, 1)
		var h *handler
		outer := newHandler(movingOptions(b), &h)
		go func() { result <- Serve(ctx, m, outer, "", quietLog) }()
		var end sync.Once
		stop := func() {
			end.Do(func() {
				cancel()
				if err := <-result; err != nil {
					t.Error(err)
				}
			})
		}
		defer stop()
		test(t, b, m, h)
	})
}

// An eventReader reads a stream.
type eventReader struct {
	t    *testing.T
	conn net.Conn
	in   *bufio.Reader
}

func listen(t *testing.T, m *memory, ip string) (*eventReader, int) {
	t.Helper()
	c := m.dialFrom(ip)
	go io.WriteString(c, "GET /contacts/dial/events HTTP/1.1\r\nHost: x\r\n\r\n")
	in := bufio.NewReader(c)
	r, err := http.ReadResponse(in, nil)
	if err != nil {
		t.Fatal(err)
	}
	return &eventReader{t, c, bufio.NewReader(r.Body)}, r.StatusCode
}

// next is the next message; ok is false at the end.
func (e *eventReader) next() (m movement, ok bool) {
	e.t.Helper()
	line, err := e.in.ReadString('\n')
	if err != nil {
		return m, false
	}
	text, found := strings.CutPrefix(strings.TrimSpace(line), "data: ")
	if err := json.Unmarshal([]byte(text), &m); !found || err != nil {
		e.t.Fatalf("%q: %v", line, err)
	}
	e.in.ReadString('\n')
	return m, true
}

// Every change of the contact comes once and in order, from ten seconds before the
// stream on, and with it the figures in words.
func TestStreamTellsAll(t *testing.T) {
	serveBench(t, func(t *testing.T, b *bench, m *memory, _ *handler) {
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() { b.run(ctx) })
		time.Sleep(30 * time.Second)
		e, _ := listen(t, m, "192.0.2.1")
		other, _ := listen(t, m, "192.0.2.2")
		var times []float64
		faces, points := 0, 0
		for len(times) < 500 {
			x, ok := e.next()
			if _, others := other.next(); !ok || !others {
				t.Fatal("the stream ended")
			}
			if x.Dropped > 0 || x.Missed {
				t.Errorf("left out: %+v", x)
			}
			for _, mark := range x.Marks {
				times = append(times, mark[0].(float64))
			}
			points += len(x.Points)
			if x.Face != nil {
				faces++
				if f := x.Face.Figures[0]; f.Value != "10.00" || f.Class != "pass" || !strings.HasSuffix(f.Distance, "1.00 pps") {
					t.Errorf("%+v", f)
				}
			}
		}
		if gap := times[0] - 20_000; gap < 0 || gap > 300 {
			t.Errorf("it begins at %v ms", times[0])
		}
		for i := 2; i < len(times); i++ {
			if d := times[i] - times[i-2]; d < 99.9 || d > 100.1 {
				t.Fatalf("changes %d and %d are %v ms apart", i-2, i, d)
			}
		}
		if faces < 20 || points < 200 {
			t.Errorf("%d times the figures, %d points", faces, points)
		}
		e.conn.Close()
		other.conn.Close()
		cancel()
		running.Wait()
	})
}

// A client that does not read holds up neither the contact nor other clients, and
// loses its stream.
func TestStalledStream(t *testing.T) {
	serveBench(t, func(t *testing.T, b *bench, m *memory, h *handler) {
		ctx, cancel := context.WithCancel(t.Context())
		worst := make(chan time.Duration, 1)
		go func() { worst <- b.run(ctx) }()
		stalled, _ := listen(t, m, "192.0.2.1")
		good, _ := listen(t, m, "192.0.2.2")
		stalled.next()
		start := time.Now()
		for time.Since(start) < 20*time.Second {
			if x, ok := good.next(); !ok || x.Dropped > 0 {
				t.Fatalf("the good client: %v, %+v", ok, x)
			}
		}
		h.streams.mu.Lock()
		if h.streams.all != 1 {
			t.Errorf("%d streams are left", h.streams.all)
		}
		h.streams.mu.Unlock()
		cancel()
		if late := <-worst; late > 0 {
			t.Errorf("the contact waited for %v", late)
		}
		good.conn.Close()
		stalled.conn.Close()
	})
}

// A client that is slow for a while is told what it missed.
func TestSlowStream(t *testing.T) {
	b := newBench(t, "dial", 0)
	s := &streams{contacts: func(string) *live.Contact { return b.Contact }, by: map[string]int{}, feed: map[string]*feed{}}
	f, l, _ := s.join("dial", "192.0.2.1")
	f.mu.Lock()
	for len(l.messages) > 0 {
		<-l.messages
	}
	for range streamBuffer + 5 {
		f.tell(f.contact.Latest(f.cursor))
	}
	for range streamBuffer {
		<-l.messages
	}
	f.tell(f.contact.Latest(f.cursor))
	text := string(<-l.messages)
	f.mu.Unlock()
	if !strings.Contains(text, `"dropped":5`) {
		t.Error(text)
	}
	s.leave(f, l, "192.0.2.1")
	if len(s.feed) != 0 || s.all != 0 || len(s.by) != 0 {
		t.Errorf("left: %+v", s)
	}
}

// Streams have a cap for each address and in all, and pages are served beside them.
func TestStreamCap(t *testing.T) {
	serveBench(t, func(t *testing.T, b *bench, m *memory, h *handler) {
		var open []*eventReader
		for range maxEventStreamsPerAddress {
			e, status := listen(t, m, "192.0.2.1")
			if status != 200 {
				t.Fatalf("stream %d: %d", len(open), status)
			}
			open = append(open, e)
		}
		e, status := listen(t, m, "192.0.2.1")
		if status != http.StatusServiceUnavailable {
			t.Errorf("one more is answered %d", status)
		}
		e.conn.Close()
		good(t, m)
		for len(open) < maxEventStreams {
			e, status := listen(t, m, "192.0.2.2")
			if status != 200 {
				t.Fatalf("stream %d: %d", len(open), status)
			}
			open = append(open, e)
		}
		if e, status = listen(t, m, "192.0.2.3"); status != http.StatusServiceUnavailable {
			t.Errorf("one more than all is answered %d", status)
		}
		e.conn.Close()
		good(t, m)
		for _, e := range open {
			e.conn.Close()
		}
		time.Sleep(10 * time.Second)
		e, status = listen(t, m, "192.0.2.1")
		if status != 200 {
			t.Errorf("after all have gone: %d", status)
		}
		e.conn.Close()
		time.Sleep(10 * time.Second)
		h.streams.mu.Lock()
		defer h.streams.mu.Unlock()
		if h.streams.all != 0 || len(h.streams.feed) != 0 {
			t.Errorf("%d streams and %d feeds are left", h.streams.all, len(h.streams.feed))
		}
	})
}

// A stream does not hold up a stop.
func TestStreamAtStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, m := newBench(t, "dial", 0), newMemory()
		ctx, cancel := context.WithCancel(t.Context())
		result := make(chan error, 1)
		go func() { result <- Serve(ctx, m, New(movingOptions(b)), "", quietLog) }()
		e, _ := listen(t, m, "192.0.2.1")
		go io.Copy(io.Discard, e.in)
		time.Sleep(time.Minute)
		start := time.Now()
		cancel()
		if err := <-result; err != nil || time.Since(start) >= stopTimeout {
			t.Errorf("stopped after %v: %v", time.Since(start), err)
		}
		e.conn.Close()
	})
}

// A stream does not last for ever, and outlives the times that are for pages.
func TestStreamTime(t *testing.T) {
	serveBench(t, func(t *testing.T, b *bench, m *memory, _ *handler) {
		start := time.Now()
		e, _ := listen(t, m, "192.0.2.1")
		for {
			if _, ok := e.next(); !ok {
				break
			}
		}
		if took := time.Since(start); took < streamTime || took > streamTime+time.Second {
			t.Errorf("it lasted %v", took)
		}
		e.conn.Close()
	})
}

// A stream is of a contact that there is, and is named as what it is.
func TestStreamOfNobody(t *testing.T) {
	h := New(movingOptions(newBench(t, "dial", 0)))
	if r := request(h, "GET", "/contacts/nobody/events", nil); r.StatusCode != 404 {
		t.Errorf("no contact: %d", r.StatusCode)
	}
	w := httptest.NewRecorder()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	h.ServeHTTP(w, httptest.NewRequest("GET", "/contacts/dial/events", nil).WithContext(ctx))
	if ct := w.Header().Get("Content-Type"); ct != "text/event-stream" || w.Code != 200 {
		t.Errorf("%d %s", w.Code, ct)
	}
}
