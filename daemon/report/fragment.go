package report

import (
	"bufio"
	"errors"
	"io"
)

// Fragment writes the document as HTML for a page that has a head and a style of its
// own. It has no style attribute but in charts that have.
func (d *Document) Fragment(w io.Writer) error {
	p := htmlPage{Writer: bufio.NewWriter(w)}
	for _, b := range d.Blocks {
		p.block(b)
	}
	p.list(false)
	return errors.Join(p.err, p.Flush())
}
