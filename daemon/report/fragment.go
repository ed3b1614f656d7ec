package report

import (
	"bufio"
	"io"
)

// Fragment writes the document as HTML for a page that has a head, a style and the
// Caution of its own.
func (d *Document) Fragment(w io.Writer) error {
	p := htmlPage{Writer: bufio.NewWriter(w)}
	for _, b := range d.Blocks {
		if _, ok := b.(Caution); !ok {
			p.block(b)
		}
	}
	p.list(false)
	return p.Flush()
}
