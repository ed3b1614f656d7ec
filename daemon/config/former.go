package config

// formerIDs are ids that bundled profiles had in earlier versions, by which logs
// and users' files may still name them.
var formerIDs = map[string]string{
	"us-bell-1926-dial":          "us-1926-dial",
	"us-bell-1926-equipment":     "us-1926-equipment",
	"us-bell-1956-crossbar":      "us-1956-crossbar",
	"us-bell-1956-dial-early":    "us-1956-dial-early",
	"us-bell-1956-dial-late":     "us-1956-dial-late",
	"us-bell-1956-intertoll":     "us-1956-intertoll",
	"us-bell-1956-step":          "us-1956-step",
	"us-bell-1965-repeater-test": "us-1965-repeater-test",
}

// Renamed says in a sentence what the profile of a former id is called now;
// empty for any other name.
func Renamed(id string) string {
	if now := formerIDs[id]; now != "" {
		return "limits profile " + id + " is now called " + now
	}
	return ""
}
