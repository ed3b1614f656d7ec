package hw

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"hash"
	"io"
	"strconv"

	"makebreak/pulse"
)

// A Checksum is the SHA-256 of a sequence of edges, the same in whatever form they
// are kept. Each edge is a line of three decimal numbers with a space between and a
// line feed after: the time in ns since the first edge, the level after it (0 or
// 1), and 1 where edges were lost before it, else 0. A time in which the level is
// not known is two lines, as it is two rows of a CSV file that is exported.
type Checksum struct {
	sum   hash.Hash
	line  []byte
	first pulse.Stamp
	n     int
}

// NewChecksum is that of no edges. Add edges to an EdgeWriter of it.
func NewChecksum() *Checksum { return &Checksum{sum: sha256.New()} }

// Write takes edges with known levels. It implements RecordingWriter.
func (c *Checksum) Write(edges []pulse.Edge) error {
	c.line = c.line[:0]
	for _, e := range edges {
		if c.n == 0 {
			c.first = e.At
		}
		c.n++
		c.line = strconv.AppendInt(c.line, int64(e.At-c.first), 10)
		c.line = append(c.line, ' ', '0'+byte(e.Level), ' ', '0')
		if e.Lost > 0 {
			c.line[len(c.line)-1] = '1'
		}
		c.line = append(c.line, '\n')
	}
	c.sum.Write(c.line)
	return nil
}

// Flush implements RecordingWriter.
func (c *Checksum) Flush() error { return nil }

// Edges counts what was taken.
func (c *Checksum) Edges() int { return c.n }

// String is the checksum in hexadecimal digits.
func (c *Checksum) String() string { return hex.EncodeToString(c.sum.Sum(nil)) }

// ChecksumOf reads src to its end.
func ChecksumOf(ctx context.Context, src Source) (*Checksum, error) {
	sum := NewChecksum()
	w := NewEdgeWriter(sum)
	for buf := make([]pulse.Edge, checksumEdges); ; {
		n, err := src.ReadEdges(ctx, buf)
		w.Add(buf[:n])
		switch {
		case err == io.EOF:
			return sum, w.Err()
		case ctx.Err() != nil:
			return sum, ctx.Err()
		case err != nil:
			return sum, err
		}
	}
}

// checksumEdges are read at once.
const checksumEdges = 8192
