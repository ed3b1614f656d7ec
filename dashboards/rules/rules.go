// Package rules holds the alert and recording rules for Prometheus.
package rules

import _ "embed"

// Alerts are the alert rules as a rule file of Prometheus 2.42 or later. They
// need Recording.
//
//go:embed alerts.yaml
var Alerts []byte

// Recording are the recording rules, and what the scrape configuration must set.
//
//go:embed recording.yaml
var Recording []byte
