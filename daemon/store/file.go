package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"makebreak/daemon/filelock"
)

const (
	// applicationID marks the file as a log of this program: "MkBk" in ASCII.
	applicationID = 0x4d6b426b
	pageSize      = 4096
	// commitWait is how long a commit waits for a lock that another program
	// holds. A stop of the program may have to wait for two commits.
	commitWait = 500 * time.Millisecond
	// otherWait is how long everything else waits for a lock: longer than a slow
	// disk takes for a commit.
	otherWait = 5 * time.Second
	// checkpointPages, 2 MB, is the length at which the write-ahead log is
	// copied into the file: a page that was written many times since is copied
	// once. If it is longer than walBytes, it is cut after that.
	checkpointPages = 512
	walBytes        = 4 << 20
	// leastSpace is less than SQLite needs to begin: a disk with less is full.
	leastSpace = 16 * pageSize
)

//go:embed schema/*.sql
var schemas embed.FS

// migrations are the steps from each format to the next; their number is the
// format that this program writes.
func migrations() (steps []string) {
	for i := 1; ; i++ {
		b, err := schemas.ReadFile(fmt.Sprintf("schema/%04d.sql", i))
		if err != nil {
			return steps
		}
		steps = append(steps, string(b))
	}
}

// A HeldError says that another program writes the log.
type HeldError struct {
	PID int // 0 when it could not be read
}

func (e *HeldError) Error() string {
	who := "another program"
	if e.PID != 0 {
		who = "process " + strconv.Itoa(e.PID)
	}
	return fmt.Sprintf("%s already writes this log: stop it first, or use another log file", who)
}

// A DamageError says that the file is too damaged to be used.
type DamageError struct {
	Err error
	// Unreadable says that it cannot be opened at all.
	Unreadable bool
}

func (e *DamageError) Error() string {
	text := fmt.Sprintf("the log is damaged (%v): move it and its -wal file away to begin a new one", e.Err)
	if e.Unreadable {
		return text + "; this program cannot read it, but a tool that mends SQLite databases may"
	}
	return text + "; what can be read of it can still be exported"
}

func (e *DamageError) Unwrap() error { return e.Err }

// A FaultKind says in a word why the log cannot be written.
type FaultKind string

const (
	DiskFull  FaultKind = "disk full"
	ReadOnly  FaultKind = "read-only"
	Locked    FaultKind = "locked"
	Damaged   FaultKind = "damaged"
	OverLimit FaultKind = "over limit"
	OtherKind FaultKind = "other"
)

// A Fault is why the log cannot be written, or what else is wrong with it.
type Fault struct {
	Kind     FaultKind
	Err      error
	Writable bool // the log can be written nevertheless
}

func (f *Fault) Error() string {
	switch {
	case f.Writable:
		return f.Err.Error()
	case f.Kind == Locked:
		return "log is locked by another program: " + f.Err.Error()
	case f.Kind == DiskFull || f.Kind == ReadOnly:
		return "log cannot be written, the disk is " + strings.TrimPrefix(string(f.Kind), "disk ") + ": " + f.Err.Error()
	}
	return "log cannot be written: " + f.Err.Error()
}

func (f *Fault) Unwrap() error { return f.Err }

// code is SQLite's primary result code, 0 when the error has none.
func code(err error) int {
	var e *sqlite.Error
	if errors.As(err, &e) {
		return e.Code() & 0xff
	}
	return 0
}

// faultOf classifies an error of writing the log at path.
func faultOf(path string, err error) *Fault {
	kind := OtherKind
	switch c := code(err); {
	case c == sqlite3.SQLITE_FULL || errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT),
		c == sqlite3.SQLITE_IOERR && noSpace(path): // the -shm file, through which processes share the log, could not be made
		kind = DiskFull
	case errors.Is(err, syscall.EROFS) || c == sqlite3.SQLITE_READONLY && (onReadOnlyDisk(filepath.Dir(path)) || onReadOnlyDisk(path)):
		kind = ReadOnly
	case c == sqlite3.SQLITE_BUSY || c == sqlite3.SQLITE_LOCKED:
		kind = Locked
	case isDamage(err):
		kind = Damaged
	}
	return &Fault{Kind: kind, Err: err}
}

// temporary is true for faults that may pass, such as a full disk.
func (f *Fault) temporary() bool {
	c := code(f.Err)
	return f.Kind == DiskFull || f.Kind == ReadOnly || f.Kind == Locked || c == sqlite3.SQLITE_READONLY || c == sqlite3.SQLITE_IOERR || errors.Is(f.Err, syscall.EIO)
}

// retryInPlace is true for errors after which the connection can still be used.
func retryInPlace(err error) bool {
	c := code(err)
	return c == sqlite3.SQLITE_FULL || c == sqlite3.SQLITE_BUSY || c == sqlite3.SQLITE_LOCKED
}

func isDamage(err error) bool {
	var d *DamageError
	c := code(err)
	return c == sqlite3.SQLITE_CORRUPT || c == sqlite3.SQLITE_NOTADB || errors.As(err, &d)
}

// unreadable is true for errors of a part of the file that cannot be read
// because of damage or a bad sector.
func unreadable(err error) bool {
	var e *sqlite.Error
	return isDamage(err) || errors.As(err, &e) && (e.Code() == sqlite3.SQLITE_IOERR_READ || e.Code() == sqlite3.SQLITE_IOERR_SHORT_READ)
}

// mayWrite checks that this user may write the log at path, or make it.
func mayWrite(path string) error {
	var paths []string
	for _, p := range []string{path, path + "-wal", path + "-shm"} {
		if _, err := os.Stat(p); err != nil {
			p = filepath.Dir(path) // the file will be made there
		}
		paths = append(paths, p)
	}
	return permitted(true, paths...)
}

// checkPath checks that a log can be at path and returns the full path.
func checkPath(path string) (string, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return "", fmt.Errorf("open log %q: %w", path, err)
	}
	dir := filepath.Dir(full)
	fi, err := os.Stat(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return "", fmt.Errorf("open log %q: folder %q does not exist: make it first", path, dir)
	case err != nil:
		return "", fmt.Errorf("open log %q: %w", path, err)
	case !fi.IsDir():
		return "", fmt.Errorf("open log %q: %q is not a folder", path, dir)
	}
	fi, err = os.Stat(full)
	if err == nil && !fi.Mode().IsRegular() {
		return "", fmt.Errorf("open log %q: expected a file", path)
	}
	// A log that several links lead to must have one lock file.
	if target, err := filepath.EvalSymlinks(full); err == nil {
		full = target
	}
	if err := permitted(true, full, filepath.Dir(full)); err != nil {
		return "", fmt.Errorf("open log %q: %w", path, err)
	}
	return full, nil
}

// dsn is the name of a connection with its settings. PRAGMAs sent as statements
// would reach only one connection of a pool.
func dsn(path, mode string, pragmas ...string) string {
	q := url.Values{"_pragma": pragmas, "mode": {mode}, "_dqs": {"0"}, "_defensive": {"1"}}
	if mode == "ro" {
		q.Set("_query_only", "1")
	} else {
		q.Set("_txlock", "immediate")
	}
	if path = filepath.ToSlash(path); !strings.HasPrefix(path, "/") { // C:/… is /C:/… in a URI
		path = "/" + path
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: q.Encode()}).String()
}

func openWriter(path string, wait time.Duration) (*sql.DB, error) {
	if err := mayWrite(path); err != nil {
		return nil, err
	}
	settings := []struct {
		name string
		want string
	}{
		{"busy_timeout", strconv.FormatInt(wait.Milliseconds(), 10)},
		{"page_size", strconv.Itoa(pageSize)},
		{"auto_vacuum", "2"}, // incremental
		{"journal_mode", "wal"},
		{"synchronous", "2"}, // full: a commit survives a power cut
		{"foreign_keys", "1"},
		{"wal_autocheckpoint", strconv.Itoa(checkpointPages)},
		{"journal_size_limit", strconv.Itoa(walBytes)},
	}
	var pragmas []string
	for _, s := range settings {
		pragmas = append(pragmas, fmt.Sprintf("%s(%s)", s.name, s.want))
	}
	db, err := sql.Open("sqlite", dsn(path, "rwc", pragmas...))
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	for _, s := range settings {
		var got string
		err := db.QueryRow("PRAGMA " + s.name).Scan(&got)
		if err == nil && got != s.want {
			err = &settingError{s.name, got, s.want}
		}
		if err != nil {
			_ = db.Close()
			return nil, err
		}
	}
	return db, nil
}

// openReader opens a pool of connections that cannot write. frozen says that
// nobody changes the file; then no other file is needed or made.
func openReader(path string, frozen bool) (*sql.DB, error) {
	name := dsn(path, "ro", fmt.Sprintf("busy_timeout(%d)", otherWait.Milliseconds()))
	if frozen {
		name += "&immutable=1"
	}
	db, err := sql.Open("sqlite", name)
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(4)
	db.SetMaxIdleConns(1)
	var n int
	if err := db.QueryRow("SELECT count(*) FROM sqlite_schema").Scan(&n); err != nil {
		_ = db.Close()
		return nil, err
	}
	return db, nil
}

// atRest is true when the file is complete: nothing is in a write-ahead log.
func atRest(path string) bool {
	fi, err := os.Stat(path + "-wal")
	return err != nil || fi.Size() == 0
}

// checkFormat returns the format of the log at path, 0 for an empty file or
// none. A file that is not a log, or too new, is an error and is not changed. A
// log whose first page is damaged is a *DamageError, whatever it then looks like.
func checkFormat(ctx context.Context, path string) (format int, err error) {
	fi, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist) || err == nil && fi.Size() == 0:
		return 0, nil
	case err != nil:
		return 0, err
	case fi.Size() < 512: // SQLite would take it for an empty database
		return 0, errNoDatabase
	}
	header, err := readHeader(path)
	if err != nil {
		return 0, err
	}
	if ofLog(header) {
		if flaw := headerFlaw(header); flaw != "" {
			return 0, &DamageError{errors.New("in its first page, " + flaw), true}
		}
	}
	db, err := openReader(path, atRest(path))
	if code(err) == sqlite3.SQLITE_NOTADB {
		if wasLog(path, header) {
			return 0, &DamageError{err, true}
		}
		return 0, errNoDatabase
	}
	if err == nil {
		defer db.Close()
		format, err = formatIn(ctx, db)
	}
	if err != nil && ofLog(header) && spoilt(err) {
		err = &DamageError{err, true}
	}
	return format, damage(err)
}

// formatIn returns the format of an open log, 0 for an empty one.
func formatIn(ctx context.Context, db *sql.DB) (format int, err error) {
	var id, tables int
	err = db.QueryRowContext(ctx, "SELECT (SELECT application_id FROM pragma_application_id), (SELECT user_version FROM pragma_user_version), (SELECT count(*) FROM sqlite_schema)").Scan(&id, &format, &tables)
	if err != nil || id == 0 && format == 0 && tables == 0 { // stopped while it was made
		return 0, err
	}
	made, more, err := formatOf(ctx, db)
	if err != nil {
		return 0, err
	}
	latest := len(migrations())
	switch {
	case id == applicationID && format == made:
		return format, nil
	case id != applicationID && made == 0:
		return 0, fmt.Errorf("not a log: an SQLite database of another program (application id %#x)", uint32(id))
	case id == applicationID && format > latest && (made == 0 || more):
		return 0, fmt.Errorf("the log was written by a newer version of this program (format %d, expected at most %d): use that version, or another log file", format, latest)
	}
	return 0, &DamageError{fmt.Errorf("its first page says format %d and application id %#x, which its tables are not of", format, uint32(id)), true}
}

var errNoDatabase = errors.New("not a log: the file is not an SQLite database")

// damage makes a *DamageError of an error that damage is the cause of.
func damage(err error) error {
	var d *DamageError
	if isDamage(err) && !errors.As(err, &d) {
		return &DamageError{Err: err}
	}
	return err
}

func migrate(w *writer, format int) error {
	steps := migrations()
	if format == len(steps) {
		return nil
	}
	return w.tx(func(w *writer) error {
		for i, step := range steps[format:] {
			if err := w.exec(step); err != nil {
				return fmt.Errorf("bring log to format %d: %w", format+i+1, err)
			}
		}
		return w.exec(fmt.Sprintf("PRAGMA application_id = %d; PRAGMA user_version = %d", applicationID, len(steps)))
	})
}

// setAside renames a damaged log and the files that belong to it, and returns
// the new name.
func setAside(path string, now time.Time, why error) (aside string, err error) {
	aside = path + ".damaged-" + now.UTC().Format("20060102-150405")
	for i := 2; ; i++ {
		if _, err := os.Lstat(aside); err != nil {
			break
		}
		aside = fmt.Sprintf("%s.damaged-%s-%d", path, now.UTC().Format("20060102-150405"), i)
	}
	// The write-ahead log first: if it were left behind, it would be taken for
	// the new file's.
	for _, suffix := range []string{"-wal", "-shm", ""} {
		if err := os.Rename(path+suffix, aside+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", fmt.Errorf("set damaged log aside (%v): %w", why, err)
		}
	}
	return filepath.Base(aside), nil
}

// hold locks the log itself, which it makes where there is none: a lock file
// that was removed, or that belongs to another name of the same file, keeps no
// second program out.
func hold(path string) (*os.File, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, err
	}
	if err := filelock.LockFar(f); err != nil {
		_ = f.Close()
		if errors.Is(err, filelock.ErrHeld) {
			err = &HeldError{}
		}
		return nil, err
	}
	return f, nil
}

// A lockFile keeps a second program from writing the log. The lock ends with
// the process. The file holds the process id and how far the log had come, by
// which the next start sees whether the end of the log is missing. It is not
// synced, so on a sound disk it is never ahead of the log. While the log cannot
// be written, it also holds what is lost if the program ends now; its room for
// that was taken before the disk was full.
type lockFile struct {
	f    *os.File
	loss bool // it tells of a loss
}

const (
	// lossAt is where a lock file tells of a loss, behind the mark.
	lossAt = 256
	// lockBytes is the length of a lock file.
	lockBytes = 512
)

// A Loss is what a session could not write before it ended.
type Loss struct {
	Edges int64  // of all contacts; 0 when nothing was lost
	Since string // UTC, as RFC 3339 has it
	Fault FaultKind
}

// String says a loss in words.
func (l Loss) String() string {
	return fmt.Sprintf("the log could not be written since %s (%s) and %d edges of all contacts were lost", l.Since, l.Fault, l.Edges)
}

// A mark is how far the log had come when the lock file was last written.
type mark struct {
	PID     int
	Token   string // session
	Commits int64
	Wall    string
	Loss    Loss
}

// markIn reads the mark of a lock file; a short or empty one says nothing.
func markIn(f *os.File) (m mark) {
	buf := make([]byte, lockBytes)
	n, _ := f.ReadAt(buf, 0)
	_, _ = fmt.Sscanf(string(buf[:min(n, lossAt)]), "process %d session %s commits %d until %s", &m.PID, &m.Token, &m.Commits, &m.Wall)
	if n > lossAt {
		_, _ = fmt.Sscanf(string(buf[lossAt:n]), "lost %d since %s fault %q", &m.Loss.Edges, &m.Loss.Since, &m.Loss.Fault)
	}
	return m
}

// readMark is the mark of the lock file beside a log, empty where there is none.
func readMark(path string) (m mark) {
	f, err := os.Open(path + ".lock")
	if err != nil {
		return m
	}
	defer f.Close()
	return markIn(f)
}

func acquire(path string) (*lockFile, mark, error) {
	name := path + ".lock"
	f, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o644)
	if errors.Is(err, syscall.EROFS) {
		f, err = os.Open(name)
		if errors.Is(err, fs.ErrNotExist) {
			err = fmt.Errorf("make %q: %w", name, syscall.EROFS)
		}
	}
	if err != nil {
		return nil, mark{}, err
	}
	m := markIn(f)
	if err := filelock.Lock(f); err != nil {
		_ = f.Close()
		if errors.Is(err, filelock.ErrHeld) {
			err = &HeldError{m.PID}
		}
		return nil, m, err
	}
	// The rest of the mark stays until the first commit.
	_, _ = f.WriteAt(fmt.Appendf(nil, "process %-10d ", os.Getpid()), 0)
	_, _ = f.WriteAt([]byte{'\n'}, lockBytes-1)
	return &lockFile{f: f, loss: m.Loss.Edges > 0}, m, nil
}

// mark writes how far the log has come. It may fail on a full disk; then the
// next start knows less.
func (l *lockFile) mark(token string, commits int64, alive time.Time) {
	_, _ = l.f.WriteAt(fmt.Appendf(nil, "process %-10d session %s commits %-12d until %s\n",
		os.Getpid(), token, commits, alive.UTC().Format(markTime)), 0)
	if l.loss {
		l.tellLoss(Loss{})
	}
}

const markTime = "2006-01-02T15:04:05.000Z"

// tellLoss writes what is lost if the program ends now.
func (l *lockFile) tellLoss(x Loss) {
	text := ""
	if x.Edges > 0 {
		text = fmt.Sprintf("lost %d since %s fault %q", x.Edges, x.Since, x.Fault)
	}
	_, err := l.f.WriteAt(fmt.Appendf(nil, "%-*s\n", lockBytes-lossAt-1, text), lossAt)
	l.loss = x.Edges > 0 || err != nil
}

func (l *lockFile) release() {
	if l != nil {
		_ = l.f.Close()
	}
}
