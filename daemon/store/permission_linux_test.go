package store

import (
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

// as runs f on a thread of another user.
func as(t *testing.T, uid int, f func()) {
	t.Helper()
	if os.Getuid() != 0 {
		if os.Getenv("MAKEBREAK_TESTS") == "require" {
			t.Fatal("only root can act as another user")
		}
		t.Skip("not run: only root can act as another user; MAKEBREAK_TESTS=require makes this a failure")
	}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	set := func(real, effective int) {
		if _, _, err := syscall.RawSyscall(unix.SYS_SETRESUID, uintptr(real), uintptr(effective), 0); err != 0 {
			t.Fatal(err)
		}
	}
	set(uid, uid)
	defer set(0, 0)
	f()
}

// What is a matter of rights is told as such, with whose rights they are.
func TestNoPermission(t *testing.T) {
	const nobody = 65534
	dir := t.TempDir()
	for _, d := range []string{dir, filepath.Dir(dir)} {
		if err := os.Chmod(d, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	owned := func(name string, uid, mode int) string {
		folder := filepath.Join(dir, name)
		if err := os.Mkdir(folder, 0o755); err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(folder, "log")
		s := open(t, path, newClock(), Options{})
		s.Contact(dialA)
		closeStore(t, s)
		for _, p := range []string{path, path + ".lock"} {
			if err := os.Chown(p, uid, -1); err != nil {
				t.Skip("not run: only root can give files away")
			}
			if err := os.Chmod(p, os.FileMode(mode)); err != nil {
				t.Fatal(err)
			}
		}
		return path
	}
	root, err := user.LookupId("0")
	if err != nil {
		t.Fatal(err)
	}
	whose := " which belongs to " + root.Username + ": do this as that user, with sudo -u " + root.Username + " before the command"
	strange := owned("strange", 54321, 0o644)
	for name, tt := range map[string]struct{ path, want string }{
		"file of root":      {owned("file", 0, 0o644), `no permission to write "` + dir + `/file/log",` + whose},
		"folder of root":    {owned("folder", nobody, 0o644), `no permission to write "` + dir + `/folder",` + whose},
		"user without name": {strange, `no permission to write "` + strange + `", which belongs to user 54321: do this as that user, with sudo -u '#54321' before the command`},
		"own mode":          {owned("mode", nobody, 0o444), `no permission to write "` + dir + `/mode/log": its mode, or a folder above it, forbids it`},
	} {
		t.Run(name, func(t *testing.T) {
			as(t, nobody, func() {
				l, err := OpenRead(t.Context(), tt.path)
				if err != nil {
					t.Fatal(err)
				}
				defer l.Close()
				if _, err := l.AddNote(t.Context(), Note{Text: "x"}); err == nil || err.Error() != `write log "`+tt.path+`": log cannot be written: `+tt.want {
					t.Errorf("%v\nwant %s", err, tt.want)
				}
				if _, err := Open(t.Context(), tt.path, Options{}); err == nil || err.Error() != `open log "`+tt.path+`": `+tt.want {
					t.Errorf("%v\nwant %s", err, tt.want)
				}
			})
		})
	}
	secret := owned("secret", 0, 0o600)
	as(t, nobody, func() {
		if _, err := OpenRead(t.Context(), secret); err == nil || err.Error() != `open log "`+secret+`": no permission to read "`+secret+`",`+whose {
			t.Error(err)
		}
	})
	if _, err := OpenRead(t.Context(), dir); err == nil || err.Error() != `open log "`+dir+`": expected a file` {
		t.Error(err)
	}
}
