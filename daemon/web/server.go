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

// What a client may cost. A page is some 100 kB at the most and is made at
// once: who is slower than this is not worth waiting for.
const (
	maxConnections    = 64 // a few people and scrapers, and a browser opens up to six
	freeConnections   = 16 // so many are free, or taken by clients that are being served
	maxStreams        = 8  // requests at once on one HTTP/2 connection
	maxHeaderBytes    = 8 << 10
	readHeaderTimeout = 5 * time.Second // the TLS handshake included
	readTimeout       = 10 * time.Second
	writeTimeout      = 30 * time.Second
	idleTimeout       = 60 * time.Second // longer than the usual time between scrapes, 15 s
	// stopTimeout is what a request under way is given at the end.
	stopTimeout = 500 * time.Millisecond
)

// Serve answers on ln until ctx is done, then gives requests under way half a
// second and returns nil. webConfig is the name of a web configuration file
// with TLS and passwords, read anew for each connection; empty: none.
//
// Whatever a client does, it holds one of 64 connections for a bounded time,
// and up to 8 KiB of headers; further clients wait in the kernel. Of idle
// connections those that have been so for longest are closed when fewer than 16
// are free, so that they keep nobody waiting. Serve closes ln.
func Serve(ctx context.Context, ln net.Listener, h http.Handler, webConfig string, log *slog.Logger) error {
	idle := idlers{open: map[net.Conn]bool{}}
	s := &http.Server{
		Handler: h, ConnState: idle.state, ReadHeaderTimeout: readHeaderTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
		MaxHeaderBytes: maxHeaderBytes,
		HTTP2:          &http.HTTP2Config{MaxConcurrentStreams: maxStreams},
		// What clients do wrong is theirs: it must not fill the log.
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

// idlers closes idle connections when few are left.
type idlers struct {
	mu   sync.Mutex
	open map[net.Conn]bool
	idle []net.Conn // in the order in which they became so
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
		go longest.Close() // by TLS it may wait
	}
}

// quiet passes on errors of the web configuration, once a minute and without
// their text, which may hold pieces of a file with secrets.
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
