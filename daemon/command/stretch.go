package command

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"github.com/alecthomas/kong"

	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
)

// stretchFlags choose a stretch of the log.
type stretchFlags struct {
	logFileFlag `group:"A stretch of a log:"`
	Since       when   `group:"A stretch of a log:" placeholder:"TIME" help:"Start, such as 2026-11-20T10:00 (in the zone of --tz, or with its own: +02:00), -2h, so long before the end of the log, or words of a note, such as oiled or 'as left'."`
	Until       when   `group:"A stretch of a log:" placeholder:"TIME" help:"End, in the same forms."`
	Soak        string `group:"A stretch of a log:" placeholder:"TITLE" help:"The stretch of a soak test."`
}

// none is an error when a flag is set that is for a log only.
func (f *stretchFlags) none() error {
	for _, x := range []struct {
		set  bool
		flag string
	}{{f.Log != "", "log"}, {f.Since.Set, "since"}, {f.Until.Set, "until"}, {f.Soak != "", "soak"}} {
		if x.set {
			return fmt.Errorf("--%s is for a log: expected run:CONTACT", x.flag)
		}
	}
	return nil
}

// request is the stretch that the flags ask for, by the clock of a zone.
func (f *stretchFlags) request(zone *time.Location) *stretch.Request {
	return &stretch.Request{Since: f.Since.In(zone), Until: f.Until.In(zone), Soak: f.Soak, Zone: zone}
}

// wrong tells in the words of the flags why there is no such stretch.
func (f *stretchFlags) wrong(err error) error {
	var outside *stretch.OutsideError
	var words *stretch.TimeError
	switch {
	case errors.As(err, &words) && words.AtStart:
		return fmt.Errorf("--since: %w", err)
	case words != nil:
		return fmt.Errorf("--until: %w", err)
	case errors.Is(err, stretch.ErrSoakAndTimes):
		return errors.New("--soak is a stretch by itself: expected it without --since and --until")
	case errors.As(err, &outside) && outside.AtStart:
		return fmt.Errorf("--since %s: %w", f.Since.Text, err)
	case outside != nil:
		return fmt.Errorf("--until %s: %w", f.Until.Text, err)
	case errors.Is(err, stretch.ErrEmpty):
		return fmt.Errorf("--since %s is not before --until %s", cmp.Or(f.Since.Text, "the start of the log"), cmp.Or(f.Until.Text, "the end of the log"))
	}
	return err
}

// when is a flag that holds a time of the log.
type when struct{ stretch.Time }

// Decode implements kong.MapperValue; it takes "-2h", which kong would take
// for another flag.
func (w *when) Decode(ctx *kong.DecodeContext) (err error) {
	t := ctx.Scan.Pop()
	if t.IsEOL() {
		return fmt.Errorf("expected a time after it")
	}
	w.Time, err = stretch.ParseTime(t.String())
	return err
}

// logFileFlag names a log.
type logFileFlag struct {
	Log string `placeholder:"FILE" help:"Log that makebreak watch writes; it may go on writing."`
}

// openLog opens the log that is named.
func (f *logFileFlag) openLog(ctx context.Context) (*store.Log, error) {
	if f.Log == "" {
		return nil, errors.New("expected --log FILE, the log that makebreak watch writes")
	}
	return store.OpenRead(ctx, f.Log)
}

// openStretch opens the stretch of a contact that flags ask for.
func openStretch(ctx context.Context, sh *shell, f *stretchFlags, contact string) (*stretch.Source, error) {
	// A log may hold months. What measuring keeps of them is large and without
	// pointers, cheap to collect around; a small computer misses the garbage more.
	debug.SetGCPercent(10)
	log, err := f.openLog(ctx)
	if err != nil {
		return nil, err
	}
	src, err := stretch.Open(ctx, log, f.request(sh.zone), contact)
	if err != nil {
		return nil, errors.Join(f.wrong(err), log.Close())
	}
	return src, nil
}

// progressOf shows on a terminal how much of a stretch of a log is measured.
func progressOf(sh *shell) stretch.Progress {
	return func(src *stretch.Source) (update, done func()) {
		bar := newProgress(sh, src)
		return bar.update, bar.close
	}
}
