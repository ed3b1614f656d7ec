package web

import (
	"crypto/tls"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"sync"
	"time"
)

const (
	// maxConnections is enough for a room full of pages that move, each of which
	// holds one, and scrapers: a browser opens up to six.
	maxConnections = 128
	// maxPerAddress leaves as many for all others, and is enough for a proxy.
	maxPerAddress = 64
	// firstByteTimeout is for a slow link: a client speaks as soon as it is
	// connected. A browser may connect ahead of need; it does so again.
	firstByteTimeout = 2 * time.Second
)

// connections is a listener that lets nobody wait: every connection is accepted,
// and when there are too many, from one address or in all, one is closed for it.
// Those from which nothing has come go first, then of the address with the most
// connections the idle ones, then those with half a request, each time the
// oldest. A request under way is never closed: a new connection is, where there
// are only such.
type connections struct {
	net.Listener
	mu   sync.Mutex
	open []*connection // the oldest first
}

type connection struct {
	net.Conn
	of       *connections
	address  string
	deadline *time.Timer // to the first byte
	// Under of.mu.
	stage stage
}

// A stage is how far a connection is. Those of a lower one are closed first.
type stage uint8

const (
	stageSilent  stage = iota // nothing has come yet
	stageIdle                 // between two requests
	stageBegun                // something has come, but no whole request
	stageWorking              // on a request
)

// Accept implements net.Listener.
func (l *connections) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if c := l.admit(conn); c != nil {
			return c, nil
		}
		conn.Close()
	}
}

// admit makes room for a connection, and gives nil where there is none.
func (l *connections) admit(conn net.Conn) *connection {
	l.mu.Lock()
	defer l.mu.Unlock()
	c := &connection{Conn: conn, of: l, address: addressOf(conn.RemoteAddr().String())}
	held := map[string]int{} // by address
	for _, o := range l.open {
		held[o.address]++
	}
	tooMany := held[c.address] >= maxPerAddress
	if tooMany || len(l.open) >= maxConnections {
		var victim *connection
		for _, o := range l.open {
			if o.stage == stageWorking || tooMany && o.address != c.address {
				continue
			}
			if victim == nil || before(o, victim, held) {
				victim = o
			}
		}
		if victim == nil {
			return nil
		}
		l.remove(victim)
		victim.deadline.Stop()
		victim.Conn.Close() // not by TLS, which may wait for the client
	}
	l.open = append(l.open, c)
	c.deadline = time.AfterFunc(firstByteTimeout, func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if c.stage == stageSilent {
			c.Conn.Close()
		}
	})
	return c
}

// before says whether a is to be closed rather than b, which is older.
func before(a, b *connection, held map[string]int) bool {
	switch {
	case (a.stage == stageSilent) != (b.stage == stageSilent):
		return a.stage == stageSilent
	case held[a.address] != held[b.address]:
		return held[a.address] > held[b.address]
	}
	return a.stage < b.stage
}

func (l *connections) remove(c *connection) {
	if i := slices.Index(l.open, c); i >= 0 {
		l.open = slices.Delete(l.open, i, i+1)
	}
}

// state takes what the server says of a connection.
func (l *connections) state(conn net.Conn, s http.ConnState) {
	if t, ok := conn.(*tls.Conn); ok {
		conn = t.NetConn()
	}
	c, ok := conn.(*connection)
	if !ok {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	switch s {
	case http.StateActive:
		c.stage = stageWorking
	case http.StateIdle:
		c.stage = stageIdle
		if i := slices.Index(l.open, c); i >= 0 { // the one that has been idle longest goes first
			l.open = append(slices.Delete(l.open, i, i+1), c)
		}
	}
}

// Read implements net.Conn.
func (c *connection) Read(b []byte) (int, error) {
	n, err := c.Conn.Read(b)
	if n > 0 {
		c.of.mu.Lock()
		if c.stage == stageSilent || c.stage == stageIdle {
			c.stage = stageBegun
		}
		c.of.mu.Unlock()
	}
	return n, err
}

// Close implements net.Conn.
func (c *connection) Close() error {
	c.deadline.Stop()
	c.of.mu.Lock()
	c.of.remove(c)
	c.of.mu.Unlock()
	return c.Conn.Close()
}

// addressOf is whom a limit for each client counts: an IP address, or of version
// 6 the network, of which one client has all addresses.
func addressOf(remote string) string {
	a, err := netip.ParseAddrPort(remote)
	if err != nil {
		return remote
	}
	ip := a.Addr().Unmap().WithZone("")
	if ip.Is4() || ip.IsLoopback() {
		return ip.String()
	}
	network, _ := ip.Prefix(64) // fits every address of version 6
	return network.String()
}
