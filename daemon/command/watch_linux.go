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
	"golang.org/x/sys/unix"

	"makebreak/daemon/archive"
	"makebreak/daemon/config"
	"makebreak/daemon/figure"
	"makebreak/daemon/report"
	"makebreak/daemon/store"
	"makebreak/daemon/stretch"
	"makebreak/daemon/watch"
	"makebreak/daemon/web"
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
changed file of limits needs SIGHUP. SIGTERM or Ctrl-C ends it in good order;
a second SIGTERM changes nothing, a second Ctrl-C at a terminal ends it at once.

Exit status: 0 it was stopped, or the file has no mistakes; 2 the file has
mistakes, or watching was not possible.

` + caution
}

func (c *watchCmd) run(ctx context.Context, sh *shell) (int, error) {
	load := config.LoadWatch
	if c.Check {
		load = checkWatch
	}
	cfg, err := load(c.Config)
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
	if errors.Is(err, syscall.EPERM) {
		err = fmt.Errorf("listen on %s: it is not permitted here: a service of systemd needs SocketBindAllow= for another port than 7610 (systemctl edit makebreak)", cfg.Listen)
	}
	if err != nil {
		return 0, err
	}
	opt, end := watchOptions(sh, ln, c.logger(sh, slog.LevelInfo), c.Config)
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
		fmt.Fprintf(sh.stdout, "%s: %s\n", report.Printable(cfg.Site), pageAddress(ln.Addr(), cfg))
		sh.stdout.Flush()
	}
	return StatusOK, watch.Run(ctx, cfg, opt)
}

func checkWatch(file string) (*config.Watch, error) {
	return config.CheckWatch(file, func(path string) error { return unix.Access(path, unix.W_OK) })
}

// watchOptions are those of every watch. end is to be called after it.
func watchOptions(sh *shell, ln net.Listener, log *slog.Logger, file string) (opt watch.Options, end func()) {
	stopOnce(sh)
	hangup := make(chan os.Signal, 1)
	signal.Notify(hangup, syscall.SIGHUP)
	version, goVersion, _ := build()
	return watch.Options{
		Listener: ln, Log: log, Version: version, GoVersion: goVersion,
		Archive: func(log *store.Log) web.Archive { return archive.New(log, sh.zone) },
		File:    file, Load: func() (*config.Watch, error) { return config.LoadWatch(file) }, Reload: hangup,
		SoakStatements: stretch.Statements,
	}, func() { signal.Stop(hangup) }
}

// stopOnce keeps further signals from ending the process before the log is
// whole. Main has its own channel for the first of them. A person at a terminal
// may still hurry: there a second Ctrl-C ends the process at once.
func stopOnce(sh *shell) {
	signals := []os.Signal{syscall.SIGTERM, syscall.SIGQUIT}
	if !isTerminal(sh.stdin) && !sh.stdoutTerminal && !sh.stderrTerminal {
		signals = append(signals, os.Interrupt)
	}
	// Nobody reads the channel, and it stays until the process ends.
	signal.Notify(make(chan os.Signal, 1), signals...)
}

// pageAddress is where a person finds the pages.
func pageAddress(listening net.Addr, cfg *config.Watch) string {
	addr := listening.String()
	if host, port, err := net.SplitHostPort(addr); err == nil && net.ParseIP(host).IsUnspecified() {
		addr = net.JoinHostPort("localhost", port)
	}
	scheme := "http"
	if cfg.Protection.TLS {
		scheme = "https"
	}
	return scheme + "://" + addr + "/"
}
