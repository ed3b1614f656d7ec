package readiness

import (
	"os"

	"golang.org/x/sys/unix"

	"makebreak/hw"
)

// ThisComputer asks the kernel of this computer.
func ThisComputer() *Computer {
	return &Computer{
		Files: os.DirFS("/"), Lines: hw.Lines, Discipline: hw.ReadDiscipline,
		Open: func(ref hw.LineRef, opt hw.InputOptions) (hw.Live, error) { return hw.OpenInput(ref, opt) },
		Release: func() (string, error) {
			var u unix.Utsname
			err := unix.Uname(&u)
			return unix.ByteSliceToString(u.Release[:]), err
		},
		Free: func(dir string) (int64, error) {
			var s unix.Statfs_t
			err := unix.Statfs(dir, &s)
			return int64(min(s.Bavail, 1<<40)) * int64(s.Bsize), err
		},
	}
}
