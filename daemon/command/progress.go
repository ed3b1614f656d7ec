package command

import (
	"cmp"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
)

// progressAfter is how long a job may last before it shows its progress:
// shorter ones would only flicker.
const progressAfter = 300 * time.Millisecond

// progress shows how much of a file has been read, on a terminal only. The
// zero value shows nothing.
type progress struct {
	doing string // what is done with it; empty: it is measured
	sh    *shell
	src   source
	start time.Time
	bars  *mpb.Progress
	bar   *mpb.Bar
}

func newProgress(sh *shell, src source) *progress {
	if !sh.stderrTerminal || src.Size() == 0 {
		return &progress{}
	}
	return &progress{sh: sh, src: src, start: time.Now()}
}

// update is called now and then, once a batch of edges.
func (p *progress) update() {
	if p.src == nil || p.bar == nil && time.Since(p.start) < progressAfter {
		return
	}
	if p.bar == nil {
		p.bars = mpb.New(mpb.WithOutput(p.sh.stderr), mpb.WithWidth(40))
		p.bar = p.bars.AddBar(p.src.Size(), mpb.BarRemoveOnComplete(),
			mpb.PrependDecorators(decor.Name(cmp.Or(p.doing, "measuring")+" ")),
			mpb.AppendDecorators(decor.Percentage(), decor.Name("  "), decor.AverageETA(decor.ET_STYLE_GO)))
	}
	p.bar.SetCurrent(p.src.BytesRead())
}

// close takes the bar off the terminal.
func (p *progress) close() {
	if p.bar != nil {
		p.bar.Abort(true)
		p.bars.Wait()
	}
}
