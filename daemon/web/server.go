package web

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"

	toolkit "github.com/prometheus/exporter-toolkit/web"

	"makebreak/daemon/config"
)

// What one client may cost. A page is at most some 100 kB and is made at once: a
// client that is slower than this is not worth waiting for.
const (
	maxStreams        = 8 // requests at once on one HTTP/2 connection
	maxHeaderBytes    = 8 << 10
	readHeaderTimeout = 5 * time.Second // the TLS handshake included
	readTimeout       = 10 * time.Second
	writeTimeout      = 30 * time.Second
	idleTimeout       = 60 * time.Second // longer than the usual time between scrapes, 15 s
	// stopTimeout is how long a stop waits for requests under way.
	stopTimeout = 500 * time.Millisecond
)

// stopping is the key of the channel that is closed when a stop begins. Requests
// under way are waited for then, but for streams, which would never end.
type stopping struct{}

// Serve answers on ln until ctx is done, then waits half a second for requests
// under way and returns nil. webConfig is the name of a web configuration file
// with TLS and passwords, which is read for each connection; empty for none.
//
// Whatever a client does, it holds one of 128 connections, 64 from one address,
// for a bounded time, and up to 8 KiB of headers. Clients that say nothing or are
// idle lose their connections to new ones. Wrong passwords are slowed down by
// address. Serve closes ln.
func Serve(ctx context.Context, ln net.Listener, h http.Handler, webConfig string, log *slog.Logger) error {
	conns := &connections{Listener: ln}
	s := &http.Server{
		Handler: h, BaseContext: func(net.Listener) context.Context {
			return context.WithValue(context.WithoutCancel(ctx), stopping{}, ctx.Done())
		}, ConnState: conns.state, ReadHeaderTimeout: readHeaderTimeout, ReadTimeout: readTimeout, WriteTimeout: writeTimeout, IdleTimeout: idleTimeout,
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
	defer ln.Close()
	serving := net.Listener(conns)
	if webConfig != "" {
		s.Handler = letIn(h)
		serving = &onceServing{Listener: conns, begin: func() { s.Handler = newGuesses(s.Handler) }}
	}
	err := toolkit.Serve(serving, s, &toolkit.FlagConfig{WebConfigFile: &webConfig}, slog.New(&quiet{Handler: log.Handler()}))
	if !stop() {
		<-stopped
	}
	if errors.Is(err, http.ErrServerClosed) {
		return nil
	}
	return fmt.Errorf("serve %s: %w", ln.Addr(), err)
}

// onceServing calls begin when the first connection is awaited, and so before
// any request: the toolkit has then put its check of passwords before the
// server's handler, and gives no other way to put something before that.
type onceServing struct {
	net.Listener
	once  sync.Once
	begin func()
}

// Accept implements net.Listener.
func (o *onceServing) Accept() (net.Conn, error) {
	o.once.Do(o.begin)
	return o.Listener.Accept()
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
