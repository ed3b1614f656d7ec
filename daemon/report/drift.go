package report

import "makebreak/pulse"

// drift says how the figures change.
func drift(doc *Document, m *pulse.Measurement, a *About) {}
