package command

import (
	"net"
	"testing"

	"makebreak/daemon/config"
)

// The address that is printed can be followed as it stands.
func TestPageAddress(t *testing.T) {
	for _, c := range []struct {
		listen string
		tls    bool
		want   string
	}{
		{"127.0.0.1:7610", false, "http://127.0.0.1:7610/"},
		{"127.0.0.1:7610", true, "https://127.0.0.1:7610/"},
		{"[::]:7610", true, "https://localhost:7610/"},
		{"0.0.0.0:7610", false, "http://localhost:7610/"},
	} {
		addr, err := net.ResolveTCPAddr("tcp", c.listen)
		if err != nil {
			t.Fatal(err)
		}
		cfg := &config.Watch{WebConfig: "web.yaml", Protection: config.Protection{TLS: c.tls, Passwords: true}}
		if got := pageAddress(addr, cfg); got != c.want {
			t.Errorf("%s: %s, want %s", c.listen, got, c.want)
		}
	}
}
