package store

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"os"
	"sync"

	sqlite3 "modernc.org/sqlite/lib"
)

// The first page of a log tells what the file is, so damage there makes it look
// like something else. This file tells the two apart.

// headerBytes is the length of the header of an SQLite database
// (https://sqlite.org/fileformat2.html, 1.3).
const headerBytes = 100

var (
	magic        = []byte("SQLite format 3\x00")
	errDuplicate = errors.New("two tables begin at one page")
)

// readHeader reads the header of the file itself; of a short file it gives nil.
func readHeader(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	b := make([]byte, headerBytes)
	if _, err := f.ReadAt(b, 0); err != nil {
		return nil, nil
	}
	return b, nil
}

// ofLog is true when a header has the application id of a log.
func ofLog(header []byte) bool {
	return len(header) == headerBytes && binary.BigEndian.Uint32(header[68:]) == applicationID
}

// headerFlaw says what in the header of a log cannot be, empty for nothing. Some
// of it SQLite would take for a wish, such as never to write the file.
func headerFlaw(h []byte) string {
	switch {
	case !bytes.Equal(h[:16], magic):
		return "it does not begin as an SQLite database"
	case binary.BigEndian.Uint16(h[16:]) != pageSize:
		return "the size of its pages is wrong"
	case h[18] != h[19] || h[18] != 1 && h[18] != 2:
		return "its kind of journal is unknown"
	case h[20] != 0 || h[21] != 64 || h[22] != 32 || h[23] != 32:
		return "fixed figures of its header are wrong"
	case binary.BigEndian.Uint32(h[44:]) != 4 || binary.BigEndian.Uint32(h[56:]) != 1:
		return "its schema format or text encoding is wrong"
	}
	return ""
}

// wasLog is true when a file that is no database was a log: it has a log's
// number, or the lock file beside it counts commits and it is made of pages.
func wasLog(path string, header []byte) bool {
	if ofLog(header) {
		return true
	}
	fi, err := os.Stat(path)
	return err == nil && fi.Size()%pageSize == 0 && readMark(path).Token != ""
}

// A schemaEntry is the name of a table or index and the statement that makes it.
type schemaEntry struct{ name, sql string }

const schemaEntries = "SELECT name, coalesce(sql, ''), rootpage FROM sqlite_schema WHERE type IN ('table', 'index')"

// formats are the tables and indexes of each format, the first one first.
var formats = sync.OnceValues(func() (all []map[schemaEntry]bool, err error) {
	db, err := sql.Open("sqlite", ":memory:")
	if err != nil {
		return nil, err
	}
	defer db.Close()
	db.SetMaxOpenConns(1) // each connection would have a memory of its own
	for _, step := range migrations() {
		if _, err := db.Exec(step); err != nil {
			return nil, err
		}
		schema, err := schemaOf(context.Background(), db)
		if err != nil {
			return nil, err
		}
		all = append(all, schema)
	}
	return all, nil
})

func schemaOf(ctx context.Context, db *sql.DB) (map[schemaEntry]bool, error) {
	rows, err := db.QueryContext(ctx, schemaEntries)
	if err != nil {
		return nil, err
	}
	roots := map[int64]bool{}
	all, err := collect(rows, func(row scanner) (e schemaEntry, err error) {
		var root int64
		if err = row(&e.name, &e.sql, &root); err == nil && roots[root] {
			err = &DamageError{Err: errDuplicate}
		}
		roots[root] = true
		return e, err
	})
	schema := map[schemaEntry]bool{}
	for _, e := range all {
		schema[e] = true
	}
	return schema, err
}

// formatOf is the latest format whose tables and indexes are all in the
// database, 0 for none; more says that there are others besides.
func formatOf(ctx context.Context, db *sql.DB) (format int, more bool, err error) {
	known, err := formats()
	if err != nil {
		return 0, false, err
	}
	schema, err := schemaOf(ctx, db)
	if err != nil {
		return 0, false, err
	}
	for i, want := range known {
		all := true
		for e := range want {
			all = all && schema[e]
		}
		if all {
			format, more = i+1, len(schema) > len(want)
		}
	}
	return format, more, nil
}

// spoilt is true for errors of a sound program with a file that it has made
// itself: tables or settings are not as they were made.
func spoilt(err error) bool {
	var setting *settingError
	switch code(err) {
	case sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_FORMAT:
		return true
	}
	return errors.As(err, &setting)
}

// A settingError says that the file has kept another setting than it was made with.
type settingError struct{ name, got, want string }

func (e *settingError) Error() string {
	return fmt.Sprintf("setting %s is %s: expected %s", e.name, e.got, e.want)
}
