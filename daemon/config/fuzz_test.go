package config

import (
	"strings"
	"testing"
)

// What the decoder accepts keeps the invariants of checkProfile; what it does
// not accept gives lines that name the file, and nothing panics.
func FuzzProfile(f *testing.F) {
	f.Add([]byte(mq))
	f.Add([]byte(strings.Replace(mq, "min: 60", "min: -0", 1)))
	for _, c := range mistakes {
		f.Add([]byte(c.text))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		profiles, err := parseProfiles("f.yaml", data)
		if err != nil {
			if profiles != nil {
				t.Error("profiles beside an error")
			}
			for line := range strings.Lines(err.Error()) {
				if !strings.HasPrefix(line, "f.yaml:") {
					t.Errorf("%q does not name the file", line)
				}
			}
			return
		}
		if len(profiles) == 0 {
			t.Error("neither profiles nor an error")
		}
		for _, p := range profiles {
			checkProfile(t, p)
		}
	})
}
