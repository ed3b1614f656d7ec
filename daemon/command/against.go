package command

// againstFlags ask what another contact does beside this one.
type againstFlags struct {
	Against string `group:"Two contacts:" placeholder:"SOURCE" help:"Output of the repeater whose input is the first source, or a second contact of the same drive: tells lags, overlap, lost and extra pulses."`
}
