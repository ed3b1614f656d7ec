package pulse

// A Stability is how steadily an interrupter keeps time, as for any clock.
type Stability struct {
	Tau0S    Num              `json:"tau0_s"` // mean period
	Segments int              `json:"segments"`
	ADEV     []StabilityPoint `json:"adev"` // overlapping Allan deviation
	MDEV     []StabilityPoint `json:"mdev"` // modified Allan deviation
	TDEV     []StabilityPoint `json:"tdev"` // time deviation, in s
	HDEV     []StabilityPoint `json:"hdev"` // overlapping Hadamard deviation
}

// A StabilityPoint is one point of a curve, with its 95 % interval.
type StabilityPoint struct {
	TauS      Rounded `json:"tau_s"`
	Deviation Num     `json:"deviation"`
	N         int     `json:"n"` // differences, or windows, in it
	Low       Num     `json:"low"`
	High      Num     `json:"high"`
}

type stabilityReader struct{}

func (s *stabilityReader) observer() Observer { return Observer{} }

func (s *stabilityReader) finish(*Meter, *Measurement) {}
