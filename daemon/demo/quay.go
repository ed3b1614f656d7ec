package demo

import "fmt"

// oiledAfter is the last day before the idler was oiled.
const oiledAfter = 15

// Contacts of the demo's configuration.
const timingCam, generatorA = "timing-cam", "generator-a"

// quay is the history of the Marrow Quay exchange. The exchange, its equipment
// and all its figures are invented.
func quay() []past {
	return []past{
		// A dial rests longer before its first pulse: what begins the log is first.
		{generatorA, func(r run) string {
			return fmt.Sprintf("dial,digits=1234567890,rate=10,break=65,gap=800ms,repeat=endless,jitter=50us,bounce-close=2:0.1ms,seed=%d", 100+seed(r))
		}},
		{timingCam, func(r run) string {
			// The idler turns dry, which slows the drive, and it is out of centre. Oil
			// helps the speed; the seat of the idler goes on wearing.
			swing, ipm := 0.2+0.02*float64(r.day), 120-0.02*float64(r.day)
			if r.oiled {
				swing, ipm = swing-0.25+0.05*float64(r.day-oiledAfter+1), 120
			}
			return timingCamOf(ipm, swing, 0.12*float64(r.day), seed(r))
		}},
		{"cam-60", func(r run) string {
			return fmt.Sprintf("cam,ipm=60,break=%.3f,lobes=5,lobe-errors=0,2ms,-1ms,0,1ms,cycles=endless,jitter=0.5ms,bounce-close=3:1.5ms,seed=%d", 49.2+0.03*float64(r.day), 300+seed(r))
		}},
		{"ringing", func(r run) string {
			return fmt.Sprintf("cadence,400/200/400/2000,cycles=endless,jitter=1ms,bounce=2:0.8ms,seed=%d", 500+seed(r))
		}},
	}
}

// timingCamOf describes the timing cam at a speed, whose idler swings the openings
// by so many ms, and whose third lobe makes its breaks longer by so many.
func timingCamOf(ipm, swing, lobe float64, seed int) string {
	return fmt.Sprintf("cam,ipm=%.3f,break=50,lobes=6,lobe-errors=0,1ms,-1.5ms,0.5ms,-0.5ms,2ms,lobe-breaks=0,0,%.2fms,0,0,0,gear=3.75:%.2fms,jitter=0.3ms,bounce-close=2:1ms,cycles=endless,seed=%d", ipm, lobe, swing, seed)
}

// seed is another one for each run.
func seed(r run) int {
	if r.oiled {
		return r.day + Days
	}
	return r.day
}
