package report

import "makebreak/pulse"

// repeater says what two contacts did together.
func repeater(doc *Document, m *pulse.Measurement) {}
