package command

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"time"

	"makebreak/daemon/config"
	"makebreak/daemon/demo"
	"makebreak/daemon/watch"
)

type demoCmd struct {
	For       span `placeholder:"TIME" help:"End after this time, such as 1h; without it Ctrl-C ends it."`
	NoBrowser bool `help:"Do not open the page, even where there is a desktop."`
	logFlags
}

func (*demoCmd) epilogue() string {
	return `The Marrow Quay exchange, its equipment and all its figures are invented. The
demo needs no hardware, lets in this computer only, and keeps its log in a
temporary folder that is removed at the end.

` + caution
}

// demoFiles are a watch configuration and the limits that it names.
//
//go:embed demo
var demoFiles embed.FS

func (c *demoCmd) run(ctx context.Context, sh *shell) (_ int, err error) {
	if c.For.set && c.For.ns <= 0 {
		return 0, errors.New("--for: expected more than 0")
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	dir, err := os.MkdirTemp("", "makebreak-demo-")
	if err != nil {
		return 0, fmt.Errorf("make a temporary folder: %w", err)
	}
	defer func() {
		if e := os.RemoveAll(dir); e != nil && err == nil {
			err = fmt.Errorf("remove the temporary folder: %w", e)
		}
	}()
	files, err := demoFiles.ReadDir("demo")
	if err != nil {
		return 0, err
	}
	for _, f := range files {
		text, err := demoFiles.ReadFile("demo/" + f.Name())
		if err == nil {
			err = os.WriteFile(filepath.Join(dir, f.Name()), text, 0o644)
		}
		if err != nil {
			return 0, fmt.Errorf("write the demo's configuration: %w", err)
		}
	}
	file := filepath.Join(dir, "watch.yaml")
	cfg, err := config.LoadWatch(file)
	if err != nil {
		return 0, err
	}
	ln, err := net.Listen("tcp", cfg.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		ln, err = net.Listen("tcp", "127.0.0.1:0")
	}
	if err != nil {
		return 0, err
	}
	opt, end := watchOptions(sh, ln, c.logger(sh, slog.LevelWarn), file)
	defer end()
	opt.Reload = nil
	if err := demo.Import(ctx, cfg, opt.Version, time.Now()); err != nil {
		return 0, demoEnd(ctx, err)
	}
	opt.Ready = func() {
		if c.For.set {
			time.AfterFunc(time.Duration(c.For.ns), cancel)
		}
		page := pageAddress(ln.Addr(), cfg)
		if err := demo.BeginSoak(ctx, cfg.Store.Path); err != nil {
			opt.Log.Error("begin the demo's soak test", "error", err)
		}
		fmt.Fprintf(sh.stdout, demoText, page, dir, cfg.Store.Path)
		sh.stdout.Flush()
		if sh.stdoutTerminal && !c.NoBrowser {
			openPage(page)
		}
	}
	return StatusOK, watch.Run(ctx, cfg, opt)
}

// demoEnd is nil where the user ended the demo before it began.
func demoEnd(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return nil
	}
	return err
}

// openPage shows the page where there is a desktop. The address was printed, so
// that it does not matter whether it can.
func openPage(page string) {
	if os.Getenv("DISPLAY") == "" && os.Getenv("WAYLAND_DISPLAY") == "" {
		return
	}
	cmd := exec.Command("xdg-open", page)
	if cmd.Start() == nil {
		go func() { _ = cmd.Wait() }()
	}
}

const demoText = `
The Marrow Quay exchange: invented, as are its equipment and all its figures.

  %[1]s          the contacts, now
  %[1]scontacts/timing-cam?span=month   one of them, with its month
  %[1]smetrics   the same for Prometheus

What to look at:
  generator-a   a dial-pulse generator in good order: within its limits
  generator-b   the same after a hard life: slow, its breaks too long
  cam-120       a cam with a chipped lobe: now and then an interruption is
                missing, and the count goes on through it
  timing-cam    has a month behind it: its idler was oiled half-way, and swings
                more from week to week again; lobe 3 grows
  cam-60        its breaks grow a little from day to day, far from the limit yet
  warning-cam   wears before your eyes: its break grows by 7 ms a minute and
                crosses its limit about two minutes after the start
  ringing, engaged   cadences of several makes and breaks, each with its limits

In another terminal, while it runs:
  makebreak compare run:timing-cam --log %[3]s --around oiled --lobes 6
  makebreak measure run:timing-cam --log %[3]s --since oiled --drift --lobes 6 --gears %[2]s/drive.yaml
  makebreak soak status --log %[3]s

Configuration and log are in %[2]s
and are removed at the end. A change of watch.yaml there is taken over within
some seconds. Ctrl-C ends the demo.

` + caution + `
`
