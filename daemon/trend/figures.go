package trend

import "makebreak/pulse"

// Figures are what is known of a contact's changes.
type Figures struct {
	At    pulse.Stamp // of the analysis
	Since pulse.Stamp // start of the windows
	// Drift is nil before the first analysis. Its lobes have the numbers of ShowLobe.
	Drift *pulse.Drift
	// Lobes are the errors of each in the latest windows, index lobe − 1.
	Lobes []pulse.LobeWindow
	// Deviations are the overlapping Allan deviations at Taus, as far as the openings
	// that are kept tell them.
	Deviations []Deviation
	Train      *pulse.DriveTrain // nil without a drive
	// Standing is what was told of the contact and is still so.
	Standing []Change
}

// A Deviation is the Allan deviation at a time.
type Deviation struct {
	NominalS float64 // of Taus; the point's own is a whole number of periods
	pulse.StabilityPoint
}

// Taus are the times of the deviations, in seconds.
var Taus = [...]float64{1, 10, 100, 1000}
