package stretch

import (
	"context"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/daemon/watch"
	"makebreak/hw"
	"makebreak/pulse"
)

type recorded struct{ edges []pulse.Edge }

func (r *recorded) ReadEdges(_ context.Context, buf []pulse.Edge) (int, error) {
	if len(r.edges) == 0 {
		return 0, io.EOF
	}
	n := copy(buf, r.edges[:min(len(r.edges), 7)])
	r.edges = r.edges[n:]
	return n, nil
}

func (*recorded) Close() error { return nil }

var _ hw.Source = &recorded{}

// The export of an imported recording is the recording, edge for edge: times
// from the first edge, levels with unknown times, losses and sequence numbers.
func TestImportExport(t *testing.T) {
	dir := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		path := filepath.Join(dir, fmt.Sprintf("log-%d.db", n))
		seq := rapid.Uint32Range(0, 1).Draw(rt, "seq") // with numbers or without
		at := pulse.Stamp(rapid.Int64Range(0, 1<<50).Draw(rt, "first"))
		edges := []pulse.Edge{{At: at, Level: pulse.Level(rapid.IntRange(0, 1).Draw(rt, "level")), Seq: seq}}
		gap := rapid.OneOf(rapid.Int64Range(1, 1e6), rapid.Int64Range(1e6, 1e9), rapid.Int64Range(1e9, 1e14))
		for range rapid.IntRange(0, 60).Draw(rt, "edges") {
			last := edges[len(edges)-1]
			e := pulse.Edge{At: last.At + pulse.Stamp(gap.Draw(rt, "gap")), Level: 1 - min(last.Level, pulse.High)}
			switch rapid.IntRange(0, 9).Draw(rt, "what") {
			case 0:
				e.Level = pulse.Unknown
			case 1:
				e.Lost = uint32(rapid.IntRange(1, 1000).Draw(rt, "lost"))
			case 2:
				e.Level = min(last.Level, pulse.High) // of the same level
			}
			if seq > 0 {
				e.Seq = last.Seq + 1 + e.Lost
			}
			edges = append(edges, e)
		}
		kind := rapid.SampledFrom([]pulse.Kind{pulse.KindDial, pulse.KindInterrupter}).Draw(rt, "kind")
		done, err := watch.Import(t.Context(), &recorded{slices.Clone(edges)}, watch.ImportOptions{
			Log: path, Site: "Marrow Quay", Began: startWall, Contact: config.Contact{Name: "dial", Meter: pulse.Config{Kind: kind}}})
		if err != nil {
			rt.Fatal(err)
		}
		if done.Edges != int64(len(edges)) {
			rt.Errorf("%d edges of %d", done.Edges, len(edges))
		}
		log, err := store.OpenRead(t.Context(), path)
		if err != nil {
			rt.Fatal(err)
		}
		src, err := Open(t.Context(), log, &Request{}, "dial")
		if err != nil {
			rt.Fatal(err)
		}
		defer src.Close()
		var got []pulse.Edge
		if _, err := src.Export(t.Context(), func(e []pulse.Edge) error {
			got = append(got, e...)
			return nil
		}); err != nil {
			rt.Fatal(err)
		}
		if len(got) == 0 {
			rt.Fatal("no edge")
		}
		if first := src.Wall(src.Begin() + got[0].At); !first.Equal(startWall) {
			rt.Errorf("the first edge was %v", first)
		}
		for _, list := range []*[]pulse.Edge{&edges, &got} { // at the end an unknown level says what the end of the session says
			for n := len(*list) - 1; (*list)[n].Level > pulse.High; n-- {
				*list = (*list)[:n]
			}
		}
		for _, list := range [][]pulse.Edge{edges, got} {
			for i, first := range slices.Repeat([]pulse.Stamp{list[0].At}, len(list)) {
				list[i].At -= first
			}
		}
		if d := cmp.Diff(edges, got); d != "" {
			rt.Error(d)
		}
	})
}
