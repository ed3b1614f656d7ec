package pulse

// A Drive is the drive train of an interrupter.
type Drive struct {
	MotorRPM float64 // 0: unknown
	Shafts   []Shaft // from the motor outwards, the motor's first
	CamShaft string
	Lobes    int
}

// A Shaft is one shaft of a Drive. DrivingTeeth are on the shaft From, OwnTeeth on
// this one; of the motor's shaft From is empty.
type Shaft struct {
	Name, From             string
	DrivingTeeth, OwnTeeth int
}

// A DriveTrain is what the times of a cam tell of the shafts that drive it.
type DriveTrain struct {
	ExpectedIPM   Num            `json:"expected_ipm"`
	Shafts        []ShaftSwing   `json:"shafts"`
	Unlisted      []UnlistedTurn `json:"unlisted"`
	LobesShare    Num            `json:"lobes_share"` // of the variance
	ResidualShare Num            `json:"residual_share"`
}

// A ShaftSwing is by how much one shaft moves the openings to and fro.
type ShaftSwing struct {
	Name                  string   `json:"name"`
	TurnsPerCamTurn       Rounded  `json:"turns_per_cam_turn"`
	AmplitudeMS           Num      `json:"amplitude_ms"`  // peak of the sinusoid
	AmplitudeDeg          Num      `json:"amplitude_deg"` // the same, of that shaft
	PhaseDeg              Num      `json:"phase_deg"`
	Share                 Num      `json:"share"` // of the variance
	FalseAlarm            Num      `json:"false_alarm"`
	IndistinguishableFrom []string `json:"indistinguishable_from"`
}

// An UnlistedTurn is something that turns and is not among the shafts.
type UnlistedTurn struct {
	TurnsPerCamTurn Rounded `json:"turns_per_cam_turn"`
	AmplitudeMS     Num     `json:"amplitude_ms"`
	FalseAlarm      Num     `json:"false_alarm"`
}

type driveReader struct{ drive *Drive }

func newDriveReader(c *Config) *driveReader { return &driveReader{drive: c.Drive} }

func (d *driveReader) observer() Observer { return Observer{} }

func (d *driveReader) finish(*Meter, *Measurement) {}
