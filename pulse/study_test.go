package pulse

import "os"

// studySeeds is how many random series a study of intervals or of false alarms looks
// at: few, or many with MAKEBREAK_STUDY, which takes a quarter of an hour and logs
// the tables with -v.
func studySeeds(few, many int) int {
	if os.Getenv("MAKEBREAK_STUDY") != "" {
		return many
	}
	return few
}

// StudySeeds is studySeeds for tests from outside.
var StudySeeds = studySeeds
