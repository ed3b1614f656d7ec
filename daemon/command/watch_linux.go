package command

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"os/signal"
	"syscall"

	"github.com/coreos/go-systemd/v22/daemon"

	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/daemon/watch"
)

// watching is the commands that go on for long.
type watching struct {
	Watch watchCmd `cmd:"" group:"Watch for days:" help:"Watch contacts for days: log every edge, serve pages and metrics."`
	onLog
	Demo demoCmd `cmd:"" group:"Try it without hardware:" help:"Watch an invented exchange of simulated contacts."`
}

type watchCmd struct {
	Config string `arg:"" placeholder:"CONFIG" help:"YAML file that says what to watch; configs/watch.yaml explains each key."`
	Check  bool   `help:"Only tell the file's mistakes, one a line."`
	logFlags
}

// reloads: SIGHUP makes it read its configuration anew.
func (*watchCmd) reloads() {}

// logFlags say how a long job tells what happens.
type logFlags struct {
	Log string `enum:"text,json" default:"text" help:"Form of the lines on standard error: text or json."`
}

func (f *logFlags) logger(sh *shell, least slog.Level) *slog.Logger {
	opt := &slog.HandlerOptions{Level: least}
	if f.Log == "json" {
		return slog.New(slog.NewJSONHandler(sh.stderr, opt))
	}
	return slog.New(slog.NewTextHandler(sh.stderr, opt))
}

func (*watchCmd) epilogue() string {
	return `Examples:
  makebreak watch --check marrow-quay.yaml
  makebreak watch marrow-quay.yaml

Standard output has one line, the address of the pages, once every source was
tried. Standard error tells what changes: sources, findings, faults; no line
per pulse. A changed file is taken over within some seconds, SIGHUP does it at
once; contacts that stay lose no edge, and a file with mistakes is refused. A
changed file of limits needs SIGHUP. SIGTERM or Ctrl-C ends it in good order.

Exit status: 0 it was stopped, or the file has no mistakes; 2 the file has
mistakes, or watching was not possible.

` + caution
}

func (c *watchCmd) run(ctx context.Context, sh *shell) (int, error) {
	cfg, err := config.LoadWatch(c.Config)
	if err != nil {
		return 0, err
	}
	if c.Check {
		for _, now := range cfg.Renamed {
			fmt.Fprintln(sh.stderr, "makebreak: "+now)
		}
		fmt.Fprintf(sh.stdout, "%s: %s, no mistakes\n", report.Printable(c.Config), figure.Plural(len(cfg.Contacts), "contact", "contacts"))
		return StatusOK, nil
	}
	ln, err := net.Listen("tcp", cfg.Listen)
	if errors.Is(err, syscall.EADDRINUSE) {
		err = fmt.Errorf("listen on %s: another program does so already: stop it, or choose another address in %s", cfg.Listen, c.Config)
	}
	if err != nil {
		return 0, err
	}
	opt, end := watchOptions(ln, c.logger(sh, slog.LevelInfo), c.Config)
	defer end()
	opt.Notify = func(state string) {
		if _, err := daemon.SdNotify(false, state); err != nil {
			opt.Log.Error("tell the service manager", "error", err)
		}
	}
	if opt.Watchdog, err = daemon.SdWatchdogEnabled(false); err != nil {
		return 0, fmt.Errorf("environment of the service manager: %w", err)
	}
	opt.Ready = func() {
		fmt.Fprintf(sh.stdout, "%s: %s\n", report.Printable(cfg.Site), pageAddress(ln, cfg))
		sh.stdout.Flush()
	}
	return StatusOK, watch.Run(ctx, cfg, opt)
}

// watchOptions are those of every watch. end is to be called after it.
func watchOptions(ln net.Listener, log *slog.Logger, file string) (opt watch.Options, end func()) {
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	version, goVersion, _ := build()
	return watch.Options{
		Listener: ln, Log: log, Version: version, GoVersion: goVersion,
		File: file, Load: func() (*config.Watch, error) { return config.LoadWatch(file) }, Reload: hangup,
	}, func() { signal.Stop(hangup) }
}

// pageAddress is where a person finds the pages.
func pageAddress(ln net.Listener, cfg *config.Watch) string {
	addr := ln.Addr().String()
	if host, port, err := net.SplitHostPort(addr); err == nil && net.ParseIP(host).IsUnspecified() {
		addr = net.JoinHostPort("localhost", port)
	}
	if cfg.WebConfig != "" {
		return addr // by http or https, as that file says
	}
	return "http://" + addr + "/"
}
