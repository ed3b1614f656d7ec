package report

import "makebreak/pulse"

// stability says how steadily an interrupter keeps time.
func stability(doc *Document, m *pulse.Measurement) {}
