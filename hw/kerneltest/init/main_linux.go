// Command init is the first and only service of the emulated machine: it
// mounts the kernel's file systems, loads the modules, runs the program of
// /args, sends its output and its exit status to the host and powers off.
package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

func main() {
	status := 99
	var out *os.File
	defer func() { // the first process must not end: it tells the result and powers off
		if r := recover(); r != nil {
			fmt.Println("init:", r)
		}
		if out != nil {
			fmt.Fprintf(out, "\n\x1eresult %d\n", status)
			out.Sync()
		}
		unix.Reboot(unix.LINUX_REBOOT_CMD_POWER_OFF)
		select {}
	}()

	mount("devtmpfs", "/dev")
	if c, err := os.OpenFile("/dev/console", os.O_RDWR, 0); err == nil {
		for fd := range 3 {
			unix.Dup3(int(c.Fd()), fd, 0)
		}
	}
	mount("proc", "/proc")
	mount("sysfs", "/sys")
	mount("tracefs", "/sys/kernel/tracing")
	mount("tmpfs", "/tmp")
	modules, _ := filepath.Glob("/mod/*")
	for _, m := range modules {
		f, err := os.Open(m)
		must("open module", err)
		flags := unix.MODULE_INIT_COMPRESSED_FILE
		if strings.HasSuffix(m, ".ko") {
			flags = 0
		}
		must("load "+m, unix.FinitModule(int(f.Fd()), "", flags))
		f.Close()
	}
	mount("configfs", "/sys/kernel/config")
	loopback()
	out = port("out")

	cmd := exec.Command(list("/args")[0], list("/args")[1:]...)
	cmd.Dir = "/tmp"
	cmd.Env = []string{"HOME=/tmp", "PATH=/"}
	cmd.Stdout, cmd.Stderr = out, out
	if err := cmd.Run(); cmd.ProcessState == nil {
		panic(err)
	}
	if status = cmd.ProcessState.ExitCode(); status < 0 {
		fmt.Fprintln(out, "init:", cmd.ProcessState)
		status = 98
	}
}

func must(what string, err error) {
	if err != nil {
		panic(what + ": " + err.Error())
	}
}

func mount(kind, to string) {
	must("mount "+kind, os.MkdirAll(to, 0o755))
	must("mount "+kind, unix.Mount(kind, to, kind, 0, ""))
}

// list reads NUL-separated words.
func list(path string) []string {
	b, err := os.ReadFile(path)
	must("read", err)
	return strings.Split(string(b), "\x00")
}

// loopback brings the loopback network up.
func loopback() {
	fd, err := unix.Socket(unix.AF_INET, unix.SOCK_DGRAM|unix.SOCK_CLOEXEC, 0)
	if err != nil {
		return
	}
	defer unix.Close(fd)
	if r, err := unix.NewIfreq("lo"); err == nil {
		r.SetUint16(unix.IFF_UP | unix.IFF_RUNNING)
		unix.IoctlIfreq(fd, unix.SIOCSIFFLAGS, r)
	}
}

// port opens the host's channel of that name.
func port(name string) *os.File {
	for range 1000 {
		names, _ := filepath.Glob("/sys/class/virtio-ports/*/name")
		for _, p := range names {
			if b, _ := os.ReadFile(p); strings.TrimSpace(string(b)) == name {
				if f, err := os.OpenFile("/dev/"+filepath.Base(filepath.Dir(p)), os.O_RDWR, 0); err == nil {
					return f
				}
			}
		}
		time.Sleep(5 * time.Millisecond)
	}
	panic("no channel to the host named " + name)
}
