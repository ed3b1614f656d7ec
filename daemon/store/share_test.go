package store

import (
	"strings"
	"testing"
	"time"
)

// A storm on one contact takes none of the history of those that need less than
// their share, and is named.
func TestStormTakesNoShare(t *testing.T) {
	clock := newClock()
	s := open(t, logPath(t), clock, Options{MaxBytes: 10e6})
	quiet, storms := s.Contact(named("quiet")), s.Contact(named("storm"))
	// 400000 edges of some 2 bytes are 200 pages; the share of one of two contacts
	// is a quarter of the 1161 pages that 10 MB leave for edges: 290.
	for i := range 8 {
		quiet.Append(storm(clock.mono(), 50000, uint64(i)))
		clock.advance(time.Hour)
		mustCommit(t, s)
	}
	for i := range 80 {
		storms.Append(storm(clock.mono(), 50000, uint64(i)))
		clock.advance(10 * time.Second)
		mustCommit(t, s)
	}
	st := s.Stats()
	if st.RemovedEdges == 0 || st.Bytes > 10e6 || st.Fault != nil {
		t.Errorf("%+v", st)
	}
	if got, r := replay(t, s.Log, Span{}, "quiet"); len(got) != 400000 || len(r.Gaps()) != 0 {
		t.Errorf("%d edges of the quiet contact, gaps %v", len(got), r.Gaps())
	}
	if got, _ := replay(t, s.Log, Span{}, "storm"); len(got) < 1e6 {
		t.Errorf("%d edges of the storm", len(got))
	}
	fs := texts(findings(t, s.Log, ""))
	if !strings.HasPrefix(st.Fills, "storm has ") || len(fs) != 1 || !strings.HasSuffix(fs[0], "the log is at its largest size, 10.0 MB, and "+st.Fills) {
		t.Errorf("%q, %v", st.Fills, fs)
	}
	// In the storm, 50000 edges of 25 blocks come in 10 s: 1161 pages last 464 s.
	// What is left of the storm begins later, so its last block counts for more.
	tl, err := s.Timeline(t.Context(), 0)
	if err != nil {
		t.Fatal(err)
	}
	if d, err := s.Holds(t.Context(), &tl.Sessions[0]); err != nil || d < 400*time.Second || d > 530*time.Second {
		t.Errorf("%v, %v", d, err)
	}
	clock.advance(2 * time.Hour)
	mustCommit(t, s)
	if st := s.Stats(); st.Fills != "" {
		t.Error(st.Fills)
	}
	sound(t, s.Log)
}
