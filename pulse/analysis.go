package pulse

// An analysis follows a contact's pulses or cycles beside the measurement of the
// moment, and adds what it found to the Measurement at its end.
type analysis interface {
	// observer is what the analysis follows; it must not change rows.
	observer() Observer
	// finish adds the result. m has measured all there was, r has its figures.
	finish(m *Meter, r *Measurement)
}

// analyses makes those that a configuration asks for.
func (c *Config) analyses() (all []analysis) {
	if c.Drift != nil {
		all = append(all, newDriftReader(c))
	}
	if c.Stability {
		all = append(all, new(stabilityReader))
	}
	if c.Drive != nil {
		all = append(all, newDriveReader(c))
	}
	return all
}
