package watch

import (
	"encoding/json"
	"fmt"

	"makebreak/daemon/config"
	"makebreak/daemon/store"
	"makebreak/pulse"
)

// settings is what the log keeps of a configuration beside source, kind and
// polarity. What is 0 is left to the limits or the defaults.
type settings struct {
	Title  string `json:"title,omitempty"`
	Limits string `json:"limits,omitempty"`
	// Profile holds those limits as they were then.
	Profile      *pulse.Profile `json:"profile,omitempty"`
	SettleNS     int64          `json:"settle_ns,omitempty"`
	Timing       pulse.Timing   `json:"timing"`
	PulseMinNS   int64          `json:"pulse_min_ns,omitempty"`
	PulseMaxNS   int64          `json:"pulse_max_ns,omitempty"`
	TrainGapNS   int64          `json:"train_gap_ns,omitempty"`
	FlashMaxNS   int64          `json:"flash_max_ns,omitempty"`
	Coding       string         `json:"coding,omitempty"`
	Rate         float64        `json:"rate,omitempty"` // pps or IPM
	PeriodNS     int64          `json:"period_ns,omitempty"`
	Lobes        int            `json:"lobes,omitempty"`
	CadenceNS    []int64        `json:"cadence_ns,omitempty"`
	Drive        *pulse.Drive   `json:"drive,omitempty"`
	StuckAfterNS int64          `json:"stuck_after_ns,omitempty"`
	Against      string         `json:"against,omitempty"` // name of the second contact
	Chain        *pulse.Setup   `json:"chain"`
	YAML         string         `json:"yaml"` // the contact in the configuration file
}

// configuration is a contact's configuration in the form of the log.
func configuration(c *config.Contact) store.Configuration {
	m := &c.Meter
	s := settings{
		Title: c.Title, SettleNS: m.SettleNS, Timing: m.Timing, PulseMinNS: m.PulseMinNS, PulseMaxNS: m.PulseMaxNS,
		TrainGapNS: m.TrainGapNS, FlashMaxNS: m.FlashMaxNS, Rate: c.Rate, PeriodNS: m.PeriodNS, Lobes: m.Lobes, CadenceNS: m.CadenceNS, Drive: m.Drive,
		StuckAfterNS: int64(c.StuckAfter), Chain: m.Setup, YAML: c.Text, Against: c.Against,
	}
	if m.Limits != nil {
		s.Limits, s.Profile = m.Limits.ID, m.Limits
	}
	if m.CodingSet {
		s.Coding = m.Coding.String()
	}
	b, err := json.Marshal(s)
	if err != nil {
		panic(err) // of plain numbers and text
	}
	return store.Configuration{Contact: c.Name, Source: c.Source.Text, Kind: m.Kind, Polarity: m.Polarity, Settings: b}
}

// Against is the name of the contact that was the output of the configured one, or
// the other of its drive; empty where none was.
func Against(c store.Configuration) string {
	var s settings
	if err := json.Unmarshal(c.Settings, &s); err != nil {
		return "" // as Reading says
	}
	return s.Against
}

// Reading gives how a contact's edges were read under a logged configuration,
// with the limits of that time. What is 0 is left to the limits or the defaults.
// It is an error where the settings are not of this program.
func Reading(c store.Configuration) (cfg pulse.Config, err error) {
	var s settings
	if err := json.Unmarshal(c.Settings, &s); err != nil {
		return cfg, fmt.Errorf("configuration of contact %q in the log: %w", c.Contact, err)
	}
	cfg = pulse.Config{
		Kind: c.Kind, Polarity: c.Polarity, SettleNS: s.SettleNS, PulseMinNS: s.PulseMinNS, PulseMaxNS: s.PulseMaxNS,
		TrainGapNS: s.TrainGapNS, FlashMaxNS: s.FlashMaxNS, PeriodNS: s.PeriodNS, Lobes: s.Lobes, CadenceNS: s.CadenceNS,
		Timing: s.Timing, CodingSet: s.Coding != "", Setup: s.Chain, Limits: s.Profile, Drive: s.Drive,
	}
	_ = cfg.Coding.UnmarshalText([]byte(s.Coding))
	if cfg.Setup == nil {
		chain := pulse.DefaultSetup()
		cfg.Setup = &chain
	}
	return cfg, nil
}
