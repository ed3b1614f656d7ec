package configs

import (
	"io/fs"
	"strings"
	"testing"
	"unicode/utf8"
)

// A file of one profile is named by its id, so that a user finds it; one with
// several begins with nominal-.
func TestLimitsFiles(t *testing.T) {
	files, err := fs.Glob(Limits, "limits/*.yaml")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		data, err := fs.ReadFile(Limits, f)
		if err != nil {
			t.Fatal(err)
		}
		text := string(data)
		id := strings.TrimSuffix(strings.TrimPrefix(f, "limits/"), ".yaml")
		switch several := strings.Contains(text, "\nprofiles:\n"); {
		case several && !strings.HasPrefix(id, "nominal-"):
			t.Errorf("%s holds several profiles", f)
		case !several && !strings.HasPrefix(text, "id: "+id+"\n"):
			t.Errorf("%s does not begin with its id", f)
		}
		if !utf8.ValidString(text) || strings.ContainsAny(text, "\t\r") || !strings.HasSuffix(text, "\n") {
			t.Errorf("%s is not plain UTF-8 text with LF", f)
		}
		for i, line := range strings.Split(text, "\n") {
			if strings.TrimRight(line, " ") != line {
				t.Errorf("%s:%d: space at the end of the line", f, i+1)
			}
		}
	}
}
