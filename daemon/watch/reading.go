package watch

import (
	"encoding/json"
	"fmt"

	"makebreak/daemon/store"
	"makebreak/pulse"
)

// Reading gives back from a logged configuration how the contact's edges were
// read, with the limits that it was held to. What is 0 is as the limits or the
// defaults have it. The error tells settings that are not those of this
// program.
func Reading(c store.Configuration) (cfg pulse.Config, err error) {
	var s settings
	if err := json.Unmarshal(c.Settings, &s); err != nil {
		return cfg, fmt.Errorf("configuration of contact %q in the log: %w", c.Contact, err)
	}
	cfg = pulse.Config{
		Kind: c.Kind, Polarity: c.Polarity, SettleNS: s.SettleNS, PulseMinNS: s.PulseMinNS, PulseMaxNS: s.PulseMaxNS,
		TrainGapNS: s.TrainGapNS, FlashMaxNS: s.FlashMaxNS, PeriodNS: s.PeriodNS, Lobes: s.Lobes, CadenceNS: s.CadenceNS,
		Timing: s.Timing, CodingSet: s.Coding != "", Setup: s.Chain, Limits: s.Profile,
	}
	_ = cfg.Coding.UnmarshalText([]byte(s.Coding))
	if cfg.Setup == nil {
		chain := pulse.DefaultSetup()
		cfg.Setup = &chain
	}
	return cfg, nil
}
