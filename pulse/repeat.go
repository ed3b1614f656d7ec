package pulse

// A Repeater is what two contacts did together: the input and the output of a
// pulse repeater, or two contacts of one drive. Times of the output count from
// those of the input: positive is later, or longer.
type Repeater struct {
	Pairs         int  `json:"pairs"`
	OpenLagMS     Stat `json:"open_lag_ms"`
	CloseLagMS    Stat `json:"close_lag_ms"`
	BreakChangeMS Stat `json:"break_change_ms"`
	Lost          int  `json:"lost"`
	Extra         int  `json:"extra"`
	BothClosedMS  Stat `json:"both_closed_ms"`
	BothOpenMS    Stat `json:"both_open_ms"`
}
