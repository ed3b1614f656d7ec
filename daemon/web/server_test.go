package web

import (
	"bufio"
	"bytes"
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"io"
	"log/slog"
	"math/big"
	mrand "math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// A memory is a listener whose connections are pipes, so that time can be
// that of a bubble.
type memory struct {
	calls  chan net.Conn
	done   chan struct{}
	once   sync.Once
	open   atomic.Int64 // connections that the server has accepted and not closed
	most   atomic.Int64
	closed atomic.Int64
}

func newMemory() *memory { return &memory{calls: make(chan net.Conn), done: make(chan struct{})} }

func (m *memory) Accept() (net.Conn, error) {
	select {
	case c := <-m.calls:
		n := m.open.Add(1)
		m.most.Store(max(m.most.Load(), n))
		return c, nil
	case <-m.done:
		return nil, net.ErrClosed
	}
}

func (m *memory) Close() error {
	m.once.Do(func() { close(m.done) })
	return nil
}

func (m *memory) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 7610} }

// dial waits, as a client does in the kernel's queue, until the server accepts.
func (m *memory) dial() net.Conn { return m.dialFrom("192.0.2.1") }

func (m *memory) dialFrom(ip string) net.Conn {
	client, server := net.Pipe()
	m.calls <- &accepted{Conn: server, m: m, from: &net.TCPAddr{IP: net.ParseIP(ip), Port: 40000}}
	return client
}

type accepted struct {
	net.Conn
	m    *memory
	from net.Addr
	once sync.Once
}

func (a *accepted) RemoteAddr() net.Addr { return a.from }

func (a *accepted) Close() error {
	a.once.Do(func() { a.m.open.Add(-1); a.m.closed.Add(1) })
	return a.Conn.Close()
}

// serve runs test against a server in a bubble, and stops it.
func serve(t *testing.T, test func(t *testing.T, m *memory, stop func() error)) {
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		ctx, cancel := context.WithCancel(t.Context())
		result := make(chan error, 1)
		go func() { result <- Serve(ctx, m, New(options()), "", quietLog) }()
		var once sync.Once
		var err error
		stop := func() error {
			once.Do(func() {
				cancel()
				err = <-result
			})
			return err
		}
		defer func() {
			if err := stop(); err != nil {
				t.Error(err)
			}
		}()
		test(t, m, stop)
	})
}

// until gives how long from now it takes until the server closes c, and what
// it said before.
func until(c net.Conn) (time.Duration, string) {
	start := time.Now()
	said, _ := io.ReadAll(c)
	return time.Since(start), string(said)
}

// good tells that an honest client is served.
func good(t *testing.T, m *memory) {
	t.Helper()
	c := m.dial()
	defer c.Close()
	go io.WriteString(c, "GET /-/healthy HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n")
	r, err := http.ReadResponse(bufio.NewReader(c), nil)
	if err != nil || r.StatusCode != 200 {
		t.Errorf("an honest client: %v, %v", r, err)
		return
	}
	io.Copy(io.Discard, r.Body)
}

func TestSlowClients(t *testing.T) {
	for name, c := range map[string]struct {
		talk func(c net.Conn)
		want time.Duration
	}{
		"half-open":      {func(net.Conn) {}, firstByteTimeout},
		"half a request": {func(c net.Conn) { io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n") }, readHeaderTimeout},
		"a letter a second": {func(c net.Conn) {
			for _, b := range []byte("GET / HTTP/1.1\r\nHost: x\r\nX-Slow: " + strings.Repeat("x", 100)) {
				if _, err := c.Write([]byte{b}); err != nil {
					return
				}
				time.Sleep(time.Second) // of the bubble's clock
			}
		}, readHeaderTimeout},
		"half a TLS greeting": {func(c net.Conn) { c.Write([]byte{0x16, 3, 1, 2, 0, 1}) }, readHeaderTimeout},
	} {
		t.Run(name, func(t *testing.T) {
			serve(t, func(t *testing.T, m *memory, _ func() error) {
				conn := m.dial()
				defer conn.Close()
				var talking sync.WaitGroup
				defer talking.Wait()
				talking.Go(func() { c.talk(conn) })
				if took, said := until(conn); took != c.want || strings.Contains(said, "200") {
					t.Errorf("closed after %v, said %q; want %v", took, said, c.want)
				}
				good(t, m)
			})
		})
	}
}

func TestClientThatDoesNotRead(t *testing.T) {
	serve(t, func(t *testing.T, m *memory, _ func() error) {
		c := m.dial()
		defer c.Close()
		io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
		start := time.Now()
		for m.closed.Load() == 0 && time.Since(start) < time.Hour {
			time.Sleep(time.Second)
		}
		if took := time.Since(start); took > writeTimeout+time.Second {
			t.Errorf("held for %v", took)
		}
		good(t, m)
	})
}

func TestIdleClient(t *testing.T) {
	serve(t, func(t *testing.T, m *memory, _ func() error) {
		c := m.dial()
		defer c.Close()
		go io.WriteString(c, "GET /-/healthy HTTP/1.1\r\nHost: x\r\n\r\n")
		if took, said := until(c); took != idleTimeout || !strings.Contains(said, "200 OK") {
			t.Errorf("closed after %v, said %q", took, said)
		}
	})
}

// Clients that keep idle connections keep nobody waiting: those that have been
// idle for longest lose them.
func TestManyIdleClients(t *testing.T) {
	serve(t, func(t *testing.T, m *memory, _ func() error) {
		ask := func(c net.Conn, path string) error {
			go io.WriteString(c, "GET "+path+" HTTP/1.1\r\nHost: x\r\n\r\n")
			r, err := http.ReadResponse(bufio.NewReader(c), nil)
			if err != nil {
				return err
			}
			_, err = io.Copy(io.Discard, r.Body)
			return err
		}
		start := time.Now()
		clients := make([]net.Conn, 3*maxConnections)
		for i := range clients {
			clients[i] = m.dial()
			defer clients[i].Close()
			if err := ask(clients[i], "/-/healthy"); err != nil {
				t.Fatalf("client %d: %v", i, err)
			}
			synctest.Wait()
		}
		scraper := m.dial()
		defer scraper.Close()
		for range 4 { // and its connection is not among those that go
			if err := ask(scraper, "/metrics"); err != nil {
				t.Error(err)
			}
			for i := range 16 {
				c := m.dial()
				defer c.Close()
				if err := ask(c, "/-/healthy"); err != nil {
					t.Errorf("new client %d: %v", i, err)
				}
			}
		}
		if took := time.Since(start); took != 0 {
			t.Errorf("it took %v", took)
		}
		synctest.Wait()
		if n := m.open.Load(); n != maxPerAddress {
			t.Errorf("%d connections are open", n)
		}
		if err := ask(clients[0], "/-/healthy"); err == nil {
			t.Error("the connection idle for longest is open")
		}
	})
}

// send writes pieces until the server will have no more, and gives how many
// bytes it took and what it said.
func send(c net.Conn, pieces ...string) (taken int, said string) {
	answer := make(chan string)
	go func() {
		b, _ := io.ReadAll(c)
		answer <- string(b)
	}()
	for _, p := range pieces {
		n, err := io.WriteString(c, p)
		taken += n
		if err != nil {
			break
		}
	}
	return taken, <-answer
}

// What is wrong is answered or not, and costs little: of a flood only the
// beginning is read.
func TestFloods(t *testing.T) {
	repeat := func(first, piece string) []string {
		pieces := []string{first}
		for range 10_000 {
			pieces = append(pieces, piece)
		}
		return pieces
	}
	random := mrand.New(mrand.NewPCG(1, 2))
	noise := make([]byte, 100_000)
	for i := range noise {
		noise[i] = byte(random.Uint32())
	}
	for name, c := range map[string]struct {
		pieces []string
		status string
		most   int // bytes taken
	}{
		"endless headers":   {repeat("GET / HTTP/1.1\r\nHost: x\r\n", "X-Many: "+strings.Repeat("x", 200)+"\r\n"), "HTTP/1.1 431", 20 << 10},
		"an endless header": {repeat("GET / HTTP/1.1\r\nHost: x\r\nX: ", strings.Repeat("x", 1000)), "HTTP/1.1 431", 20 << 10},
		"an endless path":   {repeat("GET /", strings.Repeat("x", 1000)), "HTTP/1.1 431", 20 << 10},
		"noise":             {[]string{string(noise)}, "HTTP/1.1 400", 20 << 10},
		"no HTTP":           {[]string{"hello\r\n\r\n"}, "HTTP/1.1 400", 20 << 10},
		"an upload":         {repeat("POST /metrics HTTP/1.1\r\nHost: x\r\nContent-Length: 10000000\r\n\r\n", strings.Repeat("x", 1000)), "HTTP/1.1 405", 20 << 10},
		"a body":            {repeat("GET / HTTP/1.1\r\nHost: x\r\nContent-Length: 10000000\r\n\r\n", strings.Repeat("x", 1000)), "HTTP/1.1 413", 20 << 10},
		// net/http reads on for up to 256 KiB, to see whether the body ends.
		"a body without length": {repeat("GET / HTTP/1.1\r\nHost: x\r\nTransfer-Encoding: chunked\r\n\r\n", "3e8\r\n"+strings.Repeat("x", 1000)+"\r\n"), "HTTP/1.1 413", 280 << 10},
		"a tunnel":              {repeat("CONNECT x:80 HTTP/1.1\r\nHost: x\r\n\r\n", strings.Repeat("x", 1000)), "HTTP/1.1 405", 20 << 10},
	} {
		t.Run(name, func(t *testing.T) {
			serve(t, func(t *testing.T, m *memory, _ func() error) {
				conn := m.dial()
				defer conn.Close()
				start := time.Now()
				taken, said := send(conn, c.pieces...)
				if !strings.HasPrefix(said, c.status) {
					t.Errorf("said %.100q, want %s", said, c.status)
				}
				if took := time.Since(start); taken > c.most || took > readTimeout {
					t.Errorf("took %d bytes and %v", taken, took)
				}
				good(t, m)
			})
		})
	}
}

// A thousand clients that say nothing hold 64 connections at a time, 32 from one
// address, for two seconds at most; and nothing is left of them.
func TestThousandConnections(t *testing.T) {
	serve(t, func(t *testing.T, m *memory, _ func() error) {
		before := runtime.NumGoroutine()
		var clients sync.WaitGroup
		start := time.Now()
		for i := range 1000 {
			clients.Go(func() {
				c := m.dialFrom([]string{"192.0.2.1", "2001:db8::1"}[i%2])
				defer c.Close()
				io.Copy(io.Discard, c)
			})
		}
		synctest.Wait()
		if n := m.open.Load(); n != maxConnections {
			t.Errorf("%d connections are open", n)
		}
		good(t, m)
		clients.Wait()
		if took := time.Since(start); took != firstByteTimeout {
			t.Errorf("gone after %v", took)
		}
		synctest.Wait()
		if m.most.Load() > maxConnections+1 || m.open.Load() != 0 || m.closed.Load() != 1001 {
			t.Errorf("at most %d, now %d open, %d closed", m.most.Load(), m.open.Load(), m.closed.Load())
		}
		if n := runtime.NumGoroutine(); n > before+2 {
			t.Errorf("%d goroutines, %d before", n, before)
		}
		good(t, m)
	})
}

// Of too many connections those are closed from which nothing has come, then
// idle ones, then those with half a request; from another address only those of
// the address that has the most; and none with a request under way.
func TestWhoseConnectionIsClosed(t *testing.T) {
	serve(t, func(t *testing.T, m *memory, _ func() error) {
		type client struct {
			net.Conn
			gone atomic.Bool
		}
		from := func(ip, says string) *client {
			c := &client{Conn: m.dialFrom(ip)}
			t.Cleanup(func() { c.Close() })
			if says != "" {
				io.WriteString(c, says)
			}
			go func() {
				io.Copy(io.Discard, c)
				c.gone.Store(true)
			}()
			synctest.Wait()
			return c
		}
		const whole, half = "GET /-/healthy HTTP/1.1\r\nHost: x\r\n\r\n", "GET / HTTP/1.1\r\n"
		mute := from("192.0.2.1", "")
		asked := from("192.0.2.1", half)
		quiet := from("192.0.2.1", whole)
		for range maxPerAddress - 3 {
			from("192.0.2.1", half)
		}
		other := from("192.0.2.2", "")
		is := func(when string, c *client, gone bool) {
			t.Helper()
			if c.gone.Load() != gone {
				t.Errorf("%s: gone is %v", when, !gone)
			}
		}
		from("192.0.2.1", half)
		is("nothing came", mute, true)
		is("idle", quiet, false)
		from("192.0.2.1", half)
		is("idle", quiet, true)
		is("half a request", asked, false)
		from("192.0.2.1", half)
		is("half a request", asked, true)
		is("another address", other, false)

		// All 64 are held; who comes from elsewhere gets the place of the address
		// with the most, whatever the others do, but for those that say nothing.
		kept := from("192.0.2.3", whole)
		for range maxConnections - maxPerAddress - 2 {
			from("2001:db8::1", half)
		}
		is("another address, all held", other, false)
		last := from("192.0.2.4", half)
		is("nothing came, all held", other, true)
		from("192.0.2.5", half)
		is("idle, of an address with one", kept, false)
		is("half a request, of an address with one", last, false)
	})
	// Requests under way are never closed, so further connections are.
	synctest.Test(t, func(t *testing.T) {
		m := newMemory()
		l := &connections{Listener: m}
		for range maxPerAddress {
			go m.dial()
			c, err := l.Accept()
			if err != nil {
				t.Fatal(err)
			}
			l.state(c, http.StateActive)
		}
		go func() {
			m.dial()
			m.Close()
		}()
		if _, err := l.Accept(); !errors.Is(err, net.ErrClosed) || m.closed.Load() != 1 || len(l.open) != maxPerAddress {
			t.Errorf("%v; %d closed, %d open", err, m.closed.Load(), len(l.open))
		}
		time.Sleep(time.Minute) // of the bubble; and none is closed for saying nothing
		if m.closed.Load() != 1 {
			t.Errorf("%d are closed", m.closed.Load())
		}
	})
}

func TestAddressOf(t *testing.T) {
	for remote, want := range map[string]string{
		"192.0.2.1:80": "192.0.2.1", "[::ffff:192.0.2.1]:80": "192.0.2.1", "[2001:db8:1:2:3::4]:80": "2001:db8:1:2::/64",
		"[fe80::1%eth0]:80": "fe80::/64", "[::1]:80": "::1", "pipe": "pipe",
	} {
		if got := addressOf(remote); got != want {
			t.Errorf("%s: %s, want %s", remote, got, want)
		}
	}
}

// Wrong passwords of an address are answered without a check for longer and
// longer, and no others; a check costs much. The waits are worked out by hand:
// ten are free, then 1 s, 2 s, 4 s … up to 5 min.
func TestGuesses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		checks, password, broken := 0, "marrow", false
		pages := letIn(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { io.WriteString(w, "in") }))
		h := newGuesses(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			switch _, p, ok := r.BasicAuth(); {
			case broken:
				http.Error(w, "", http.StatusInternalServerError)
			case !ok:
				http.Error(w, "", http.StatusUnauthorized)
			default:
				checks++
				if p == password {
					pages.ServeHTTP(w, r)
					return
				}
				http.Error(w, "", http.StatusUnauthorized)
			}
		}))
		ask := func(ip, password string) (status int, wait string) {
			r := httptest.NewRequest("GET", "/metrics", nil)
			r.RemoteAddr = ip + ":40000"
			if password != "" {
				r.SetBasicAuth("reader", password)
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			return w.Code, w.Header().Get("Retry-After")
		}
		is := func(ip, password string, status int, wait string) {
			t.Helper()
			if s, a := ask(ip, password); s != status || a != wait {
				t.Errorf("after %d checks: %d, Retry-After %q; want %d, %q", checks, s, a, status, wait)
			}
		}
		for range 100 {
			is("192.0.2.1", "", 401, "") // a browser's first request
		}
		is("192.0.2.3", "marrow", 200, "") // known from here on
		for range freeGuesses {
			is("192.0.2.1", "wrong", 401, "")
		}
		checks = 0
		is("192.0.2.1", "wrong", 429, "1")
		is("192.0.2.1", "also wrong", 429, "1")
		is("192.0.2.1", "", 401, "")
		is("192.0.2.1", "marrow", 200, "") // was right before: costs nothing
		if checks != 1 {
			t.Errorf("%d checks", checks)
		}
		for _, wait := range []string{"1", "2", "4", "8", "16", "32", "64", "128", "256", "300", "300"} {
			is("192.0.2.1", "wrong", 429, wait)
			is("192.0.2.2", "wrong"+wait, 401, "") // another address, up to its own ten
			if wait == "256" {
				password = "quay"
				is("192.0.2.2", "quay", 200, "")
			}
			d, err := time.ParseDuration(wait + "s")
			if err != nil {
				t.Fatal(err)
			}
			time.Sleep(d)
			is("192.0.2.1", "wrong", 401, "")
		}
		time.Sleep(forgetAfter + time.Second)
		for range freeGuesses {
			is("192.0.2.1", "wrong", 401, "")
		}
		is("192.0.2.1", "wrong", 429, "1")

		// A password that no longer is right is a wrong one, though it was known.
		is("192.0.2.4", "marrow", 401, "")
		for range freeGuesses {
			is("192.0.2.4", "marrow", 401, "")
		}
		is("192.0.2.4", "marrow", 429, "1")
		// Where the file cannot be read, nothing is known to be right or wrong.
		broken = true
		for range 3 * freeGuesses {
			is("192.0.2.5", "other", 500, "")
		}
		broken = false
		for range freeGuesses {
			is("192.0.2.5", "other", 401, "")
		}
		is("192.0.2.5", "other", 429, "1")
		for i := range 3 * maxGuessers {
			ask("198.51.100."+strconv.Itoa(i%256)+strconv.Itoa(i/256), "wrong") // no address, but another client
		}
		if len(h.by) > maxGuessers {
			t.Errorf("%d are remembered", len(h.by))
		}
	})
}

func TestStop(t *testing.T) {
	serve(t, func(t *testing.T, m *memory, stop func() error) {
		good(t, m)
		idle := m.dial()
		defer idle.Close()
		go io.WriteString(idle, "GET /-/healthy HTTP/1.1\r\nHost: x\r\n\r\n")
		http.ReadResponse(bufio.NewReader(idle), nil)
		synctest.Wait()
		start := time.Now()
		if err := stop(); err != nil || time.Since(start) != 0 {
			t.Errorf("with an idle client: %v after %v", err, time.Since(start))
		}
	})
	serve(t, func(t *testing.T, m *memory, stop func() error) {
		c := m.dial()
		defer c.Close()
		io.WriteString(c, "GET / HTTP/1.1\r\nHost: x\r\n\r\n")
		synctest.Wait() // the page is being written to a client that does not read
		start := time.Now()
		if err := stop(); err != nil || time.Since(start) > stopTimeout {
			t.Errorf("with a client that does not read: %v after %v", err, time.Since(start))
		}
	})
	// A listener that fails is an error.
	m := newMemory()
	m.Close()
	if err := Serve(t.Context(), m, New(options()), "", quietLog); !errors.Is(err, net.ErrClosed) || !strings.HasPrefix(err.Error(), "serve 127.0.0.1:7610: ") {
		t.Error(err)
	}
}

// certificate makes a self-signed one for 127.0.0.1.
func certificate(t *testing.T, dir string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, NotAfter: time.Now().Add(time.Hour), IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{"cert.pem": {Type: "CERTIFICATE", Bytes: der}, "key.pem": {Type: "PRIVATE KEY", Bytes: secret}} {
		if err := os.WriteFile(filepath.Join(dir, name), pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(cert)
	return pool
}

// TLS and passwords of the web configuration are asked for, on every path, and
// none of its secrets comes into the log.
func TestWebConfiguration(t *testing.T) {
	dir := t.TempDir()
	pool := certificate(t, dir)
	hash, err := bcrypt.GenerateFromPassword([]byte("marrow"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "web.yaml")
	text := "tls_server_config: {cert_file: cert.pem, key_file: key.pem}\nbasic_auth_users: {reader: " + string(hash) + "}\n"
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var log bytes.Buffer
	ctx, cancel := context.WithCancel(t.Context())
	result := make(chan error, 1)
	go func() {
		result <- Serve(ctx, ln, New(options()), path, slog.New(slog.NewTextHandler(&log, &slog.HandlerOptions{Level: slog.LevelInfo})))
	}()
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}, ForceAttemptHTTP2: true}
	client := &http.Client{Transport: transport, Timeout: time.Minute}
	get := func(url, user, password string) (status, protocol int) {
		t.Helper()
		req, err := http.NewRequest("GET", url, nil)
		if err != nil {
			t.Fatal(err)
		}
		if user != "" {
			req.SetBasicAuth(user, password)
		}
		r, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		io.Copy(io.Discard, r.Body)
		return r.StatusCode, r.ProtoMajor
	}
	base := "https://" + ln.Addr().String()
	for _, page := range []string{"/", "/metrics", "/-/healthy", "/-/ready", "/nope"} {
		if status, _ := get(base+page, "", ""); status != 401 {
			t.Errorf("%s without a password: %d", page, status)
		}
	}
	if status, _ := get(base+"/metrics", "reader", "wrong"); status != 401 {
		t.Errorf("with a wrong password: %d", status)
	}
	if status, _ := get(base+"/metrics", "nobody", "marrow"); status != 401 {
		t.Errorf("with a wrong name: %d", status)
	}
	if status, protocol := get(base+"/metrics", "reader", "marrow"); status != 200 || protocol != 2 {
		t.Errorf("with the password: %d by HTTP/%d", status, protocol)
	}
	for range freeGuesses - 1 {
		if status, _ := get(base+"/metrics", "reader", "wrong"); status != 401 {
			t.Errorf("with a wrong password again: %d", status)
		}
	}
	if status, _ := get(base+"/metrics", "reader", "other"); status != 401 {
		t.Errorf("the tenth wrong password since a right one: %d", status)
	}
	if status, _ := get(base+"/metrics", "reader", "another"); status != 429 {
		t.Errorf("one too many: %d", status)
	}
	if status, _ := get(base+"/metrics", "reader", "marrow"); status != 200 {
		t.Errorf("with the password that is known: %d", status)
	}
	if status, _ := get(strings.Replace(base, "https", "http", 1)+"/metrics", "reader", "marrow"); status != 400 {
		t.Errorf("without TLS: %d", status)
	}
	// A file that is broken while the server runs locks out and is told once,
	// without what is in it. The connection is kept: new ones would find no
	// certificate.
	if err := os.WriteFile(path, []byte("basic_auth_users: hunter2-is-secret\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		if status, _ := get(base+"/metrics", "reader", "marrow"); status != 500 {
			t.Errorf("with a broken web configuration: %d", status)
		}
	}
	transport.CloseIdleConnections()
	cancel()
	if err := <-result; err != nil {
		t.Error(err)
	}
	if s := log.String(); strings.Count(s, "\n") != 1 || !strings.Contains(s, "the web configuration cannot be used") || strings.Contains(s, "hunter2") || strings.Contains(s, "marrow") {
		t.Errorf("log: %s", s)
	}

	// One that is broken at the start is an error without its secrets.
	ln, err = net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	if err := Serve(t.Context(), ln, New(options()), path, quietLog); err == nil || strings.Contains(err.Error(), "hunter2") {
		t.Error(err)
	}
}
