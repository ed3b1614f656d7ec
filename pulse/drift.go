package pulse

// DriftOptions say how drift is looked for. The zero value has the defaults.
type DriftOptions struct {
	WindowNS int64 // length of a window, 0 for DefaultWindowNS
	// Splits are the times at which the contact was worked on: the series before
	// and after are not one.
	Splits []Stamp
	// ReferenceFrom and ReferenceTo bound the stretch that target and σ come from;
	// both 0 for the first windows after the last split.
	ReferenceFrom, ReferenceTo Stamp
}

// DefaultWindowNS is long enough for the mean of a window of an interrupter to be
// far better known than one cycle, and short beside any wear.
const DefaultWindowNS int64 = 60e9

// A Drift is how the figures of a contact change over time.
type Drift struct {
	WindowS      Rounded     `json:"window_s"`
	Windows      int         `json:"windows"`
	Rate         *Trend      `json:"rate"` // pps of a dial, IPM of an interrupter
	BreakPercent *Trend      `json:"break_percent"`
	BreakMS      *Trend      `json:"break_ms"`
	Lobes        []LobeTrend `json:"lobes"`
}

// A Trend is how one quantity changes, in its own unit.
type Trend struct {
	SlopePerHour        Num       `json:"slope_per_hour"`
	Low                 Num       `json:"low"` // 95 % interval of the slope
	High                Num       `json:"high"`
	EWMA                Num       `json:"ewma"`
	CUSUMHigh           Num       `json:"cusum_high"` // in σ of a window mean
	CUSUMLow            Num       `json:"cusum_low"`
	Alarm               bool      `json:"alarm"`
	Step                *Step     `json:"step"`
	Better              string    `json:"better"` // "none", "slope", "step" or "unclear"
	CrossesLimitInHours *Crossing `json:"crosses_limit_in_hours"`
}

// A Step is a sudden change of a mean.
type Step struct {
	AtS  Rounded `json:"at_s"` // from the first edge
	Size Num     `json:"size"`
	Low  Num     `json:"low"` // 95 % interval of the size
	High Num     `json:"high"`
}

// A Crossing is when a trend reaches a limit, in hours from the end of the data.
type Crossing struct {
	Limit    float64 `json:"limit"`
	Estimate Num     `json:"estimate"`
	Low      Num     `json:"low"`
	High     Num     `json:"high"`
}

// A LobeTrend is the trend of one lobe's errors, in ms. The embedded one is of Of:
// the error that shows its change more surely.
type LobeTrend struct {
	Lobe int    `json:"lobe"`
	Of   string `json:"of"` // "opening" or "break"
	Trend
	Opening *Trend `json:"opening"` // of the opening error
	Break   *Trend `json:"break"`   // of the break's error
}

type driftReader struct{ opt DriftOptions }

func newDriftReader(c *Config) *driftReader { return &driftReader{opt: *c.Drift} }

func (d *driftReader) observer() Observer { return Observer{} }

func (d *driftReader) finish(*Meter, *Measurement) {}
