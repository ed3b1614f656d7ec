package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"slices"
	"sync"
	"time"

	toolkit "github.com/prometheus/exporter-toolkit/web"
	"golang.org/x/net/netutil"

	"makebreak/daemon/config"
)

// What one client may cost. A page is at most some 100 kB and is made at once: a
// client that is slower than this is not worth waiting for.
const (
	maxConnections    = 64 // enough for a few people and scrapers: a browser opens up to six
	freeConnections   = 16 // kept free of idle clients
	maxStreams        = 8  // requests at once on one HTTP/2 connection
	maxHeaderBytes    = 8 << 10
	readHeaderTimeout = 5 * time.Second // the TLS handshake included
	readTimeout       = 10 * time.Second
	writeTimeout      = 30 * time.Second
	idleTimeout       = 60 * time.Second // longer than the usual time between scrapes, 15 s
	// stopTimeout is how long a stop waits for requests under way.
	stopTimeout = 500 * time.Millisecond
)

// Serve answers on ln until ctx is done, then waits half a second for requests
// under way and returns nil. webConfig is the name of a web configuration file
// with TLS and passwords, which is read for each connection; empty for none.
//
// Whatever a client does, it holds one of 64 connections for a bounded time, and
// up to 8 KiB of headers; further clients wait in the kernel. When fewer than 16
// connections are free, the ones that were idle longest are closed, so that they
// keep nobody waiting. Serve closes ln.
func Serve(ctx context.Context, ln net.Listener, h http.Handler, webConfig string, log *slog.Logger) error {
	idle := idlers{open: map[net.Conn]bool{}}
	s := &http.Server{
		Handler: h, ConnState: idle.state, ReadHeaderTimeout: readHeaderTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: maxHeaderBytes,
		HTTP2:          &http.HTTP2Config{MaxConcurrentStreams: maxStreams},
		// Mistakes of clients must not fill the log.
		ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelDebug),
	}
	if webConfig != "" {
		if _, err := config.CheckWebConfig(webConfig); err != nil {
			ln.Close()
			return fmt.Errorf("serve %s: web configuration: %w", ln.Addr(), err)
		}
	}
	stopped := make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		defer close(stopped)
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
		defer cancel()
		if s.Shutdown(ctx) != nil {
			s.Close()
		}
	})
	ln = netutil.LimitListener(ln, maxConnections)
	defer ln.Close()
	err := toolkit.Serve(ln, s, &toolkit.FlagConfig{WebConfigFile: &webConfig}, slog.New(&quiet{Handler: log.Handler()}))
	if !stop() {
		<-stopped
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("serve %s: %w", ln.Addr(), err)
}

// idlers closes idle connections when few are free.
type idlers struct {
	mu   sync.Mutex
	open map[net.Conn]bool
	idle []net.Conn // the one that has been idle longest first
}

func (x *idlers) state(c net.Conn, s http.ConnState) {
	x.mu.Lock()
	defer x.mu.Unlock()
	if i := slices.Index(x.idle, c); i >= 0 {
		x.idle = slices.Delete(x.idle, i, i+1)
	}
	switch s {
	case http.StateNew:
		x.open[c] = true
	case http.StateIdle:
		x.idle = append(x.idle, c)
	case http.StateClosed, http.StateHijacked:
		delete(x.open, c)
	}
	for len(x.open) > maxConnections-freeConnections && len(x.idle) > 0 {
		longest := x.idle[0]
		x.idle = slices.Delete(x.idle, 0, 1)
		delete(x.open, longest)
		go longest.Close() // with TLS this may wait for the client
	}
}

// quiet logs errors of the web configuration at most once a minute, and without
// their text, which may have parts of a file with secrets in it.
type quiet struct {
	slog.Handler
	mu   sync.Mutex
	last time.Time
}

func (q *quiet) Enabled(_ context.Context, l slog.Level) bool { return l >= slog.LevelWarn }

func (q *quiet) Handle(ctx context.Context, r slog.Record) error {
	q.mu.Lock()
	defer q.mu.Unlock()
	if !q.last.IsZero() && r.Time.Sub(q.last) < time.Minute {
		return nil
	}
	q.last = r.Time
	return q.Handler.Handle(ctx, slog.NewRecord(r.Time, r.Level, "the web configuration cannot be used; check the file", r.PC))
}
