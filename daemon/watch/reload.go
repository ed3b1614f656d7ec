package watch

import (
	"context"
	"os"
	"strconv"
	"strings"
	"time"

	"makebreak/daemon/config"
)

// pollEvery is how often the configuration file is checked for a change. A
// changed file is read once two checks in a row find it the same, so that a file
// is not read while it is being written.
const pollEvery = 2 * time.Second

// reloader is the task that puts changed configurations in force.
type reloader struct{ *watch }

func (r *reloader) String() string { return "configuration " + r.File }

func (r *reloader) Run(ctx context.Context) error {
	read := look(r.File)
	seen := read
	select {
	case <-ctx.Done():
		return nil
	case <-r.isReady:
	}
	t := time.NewTicker(pollEvery)
	defer t.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-r.Reload:
			read = look(r.File)
			seen = read
			r.reload()
			continue
		case <-t.C:
		}
		now := look(r.File)
		// An editor may remove it for a moment, so it is gone at the second check.
		if now != nil || seen == nil {
			r.note(now == nil)
		}
		if now != nil && same(now, seen) && !same(now, read) {
			read = now
			r.reload()
		}
		seen = now
	}
}

// note logs when the file is gone, and when it is there again.
func (r *reloader) note(gone bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	switch {
	case gone == r.gone:
		return
	case gone:
		r.Log.Warn("the configuration file is gone, what was read of it stays in force", "file", r.File)
	default:
		r.Log.Info("the configuration file is there again", "file", r.File)
	}
	r.gone = gone
}

// look gives what same compares, nil when there is no file.
func look(name string) os.FileInfo {
	info, err := os.Stat(name)
	if err != nil {
		return nil
	}
	return info
}

// same is true when the file is unchanged, as far as size and time show.
func same(a, b os.FileInfo) bool {
	if a == nil || b == nil {
		return a == b
	}
	return os.SameFile(a, b) && a.Size() == b.Size() && a.ModTime().Equal(b.ModTime())
}

// reload reads the configuration and puts it in force, or refuses it.
func (r *reloader) reload() {
	r.notify("RELOADING=1\nMONOTONIC_USEC=" + strconv.FormatInt(int64(r.Now())/1000, 10))
	defer func() { r.notify("READY=1\nSTATUS=" + r.status()) }()
	cfg, err := r.Load()
	if err != nil {
		mistakes := strings.Split(err.Error(), "\n")
		for _, m := range mistakes {
			r.Log.Error("configuration refused, the one before stays in force", "mistake", m)
		}
		r.mu.Lock()
		defer r.mu.Unlock()
		r.mistake = mistakes[0]
		r.reloads.Refused++
		r.reloads.Stale = true
		return
	}
	later := needStart(r.first, cfg)
	added, ended, changed := r.apply(cfg)
	r.Log.Info("configuration taken over", "contacts", len(cfg.Contacts), "added", added, "ended", ended, "changed", changed)
	if len(later) > 0 {
		r.Log.Warn("in force only after the next start", "keys", strings.Join(later, ", "))
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.mistake, r.later = "", later
	r.reloads.Taken++
	r.reloads.Stale = false
}

// needStart names the keys that differ and take effect at a start only.
func needStart(a, b *config.Watch) (keys []string) {
	for _, k := range []struct {
		key  string
		same bool
	}{
		{"site", a.Site == b.Site},
		{"store", a.Store == b.Store},
		{"listen", a.Listen == b.Listen},
		{"web_config", a.WebConfig == b.WebConfig},
		{"pprof", a.Pprof == b.Pprof},
		{"window", a.Window == b.Window},
	} {
		if !k.same {
			keys = append(keys, k.key)
		}
	}
	return keys
}
