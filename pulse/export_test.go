package pulse

// An OffenderCount is how many rows of a Survey are beyond a bound.
type OffenderCount struct {
	Bound
	Out int
}

// OffenderCounts tells what the Survey counted, for tests.
func (s *Survey) OffenderCounts() (counts []OffenderCount) {
	for _, b := range s.offenders.bounds {
		counts = append(counts, OffenderCount{b.Bound, b.out})
	}
	return counts
}
