package report

import "makebreak/pulse"

// driveTrain says which shaft moves the openings.
func driveTrain(doc *Document, m *pulse.Measurement) {}
