package synth

import (
	"encoding/binary"
	"hash/fnv"
	"runtime"
	"testing"
)

// Descriptions keep their edges: recordings of examples and figures of tests
// rest on them. Each hash is of what the program made before keys were added.
func TestOldDescriptionsKeepTheirEdges(t *testing.T) {
	for _, c := range []struct {
		desc  string
		edges int
		hash  uint64
	}{
		{"dial", 110, 0xa2a779912f1959d5},
		{"dial digits=F01H9 ramp=-8,-4 break-at=3.2:45ms repeat=3 jitter=0.3ms bounce=3:1.5ms drift=200 wander=500 seed=4", 566, 0xb6a28f5a7a337942},
		{"cam ipm=47.3 lobes=5 lobe-errors=0,4ms,0,-1ms,0 lobe-breaks=0,0,3ms,0,0 wear=0,0,9s,0,0 cycles=3000 gear=35/12:0.4ms:90,7:0.1ms drift=-900 wander=800 seed=9", 6002, 0x8cbee6b110ccb52e},
		{"cam ipm=60 cycles=2000 missing=0.02 extra=0.02 chatter=0.05 short-breaks=0.2/s bounce-close=2:1ms lost=0.002:9 lost-silent=0.001 asymmetry=-0.2ms clock=40 jitter=0.2ms seed=11", 8802, 0xa7322afa3417624f},
		{"cam cycles=2000 seed=1" + bad, 5060, 0x166c37fd1fc639fe},
		{"cadence 400/200/400/2000 cycles=400 jitter=20ms missing=0.02 spurious-breaks=0.3/s outages=0.005/s outage-state=open outage-noise=1/s wander=100 gear=2:3ms seed=4", 1764, 0xb92aeacfcfc4a44b},
	} {
		edges := read(mustNew(t, c.desc), all, 512)
		if len(edges) != c.edges {
			t.Errorf("%s: %d edges, want %d", c.desc, len(edges), c.edges)
		}
		if runtime.GOARCH != "amd64" {
			continue // where a·b + c is rounded once, a ns may be another
		}
		h := fnv.New64a()
		for _, e := range edges {
			if err := binary.Write(h, binary.LittleEndian, e); err != nil {
				t.Fatal(err)
			}
		}
		if h.Sum64() != c.hash {
			t.Errorf("%s: other edges, hash %#x, want %#x", c.desc, h.Sum64(), c.hash)
		}
	}
}
