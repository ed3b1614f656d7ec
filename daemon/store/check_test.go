package store

import (
	"context"
	"fmt"
)

// A Flaw is one piece of damage in a log.
type Flaw struct {
	Contact string // name; empty when it is about the file
	Text    string
}

// Check reads the whole log and returns all damage in it: what SQLite's own
// check of the file finds, and blocks of edges whose checksum or order is wrong
// or that are missing. It takes about as long as the disk needs to read the file
// twice, and holds a few blocks in memory.
func (l *Log) Check(ctx context.Context) (flaws []Flaw, err error) {
	for _, query := range []string{
		"PRAGMA integrity_check(20)",
		`SELECT format('row %d of %s refers to a row of %s that is not there', rowid, "table", parent) FROM pragma_foreign_key_check() LIMIT 20`,
	} {
		found, err := list(ctx, l, scanText, query)
		for _, text := range found {
			if text != "ok" {
				flaws = append(flaws, Flaw{Text: text})
			}
		}
		if isDamage(err) {
			flaws = append(flaws, Flaw{Text: err.Error()})
		} else if err != nil {
			return flaws, err
		}
	}
	contacts, err := l.Contacts(ctx)
	if err != nil {
		return flaws, err
	}
	runs, err := l.Runs(ctx)
	if err != nil {
		return flaws, err
	}
	for _, c := range contacts {
		for _, run := range runs {
			r, err := l.Replay(ctx, Span{Run: run.ID}, c)
			if err != nil {
				return flaws, err
			}
			for !r.done {
				if err := r.next(ctx); err != nil {
					return flaws, err
				}
			}
			for _, g := range r.gaps {
				if g.Kind == GapDamaged {
					flaws = append(flaws, Flaw{c, fmt.Sprintf("%s: edges between %.9f s and %.9f s of run %d cannot be read", g.Damage, float64(g.From)/1e9, float64(g.To)/1e9, run.ID)})
				}
			}
		}
	}
	return flaws, nil
}
