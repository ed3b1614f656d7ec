package plot

import (
	"math"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"

	"makebreak/daemon/figure"
)

// evenTicks are the usual ones, with the decimals that tell them apart.
type evenTicks struct{}

// mostTickDecimals of a label show all that a float64 near 60 holds and an axis needs.
const mostTickDecimals = 9

// Ticks gives the ticks of an axis.
func (evenTicks) Ticks(low, high float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(low, high)
	least := math.Inf(1) // distance of two labels
	last := math.NaN()
	for _, t := range ticks {
		if t.Label == "" {
			continue
		}
		if d := t.Value - last; d > 0 {
			least = min(least, d)
		}
		last = t.Value
	}
	if math.IsInf(least, 1) {
		least = high - low
	}
	decimals := 0
	for ; decimals < mostTickDecimals; decimals++ {
		scale, exact := math.Pow(10, float64(decimals)), true
		for _, t := range ticks {
			if v := t.Value * scale; t.Label != "" && math.Abs(v-math.Round(v)) > 0.01*least*scale {
				exact = false
			}
		}
		if exact {
			break
		}
	}
	for i := range ticks {
		if ticks[i].Label != "" {
			ticks[i].Label = figure.Fixed(ticks[i].Value, decimals)
		}
	}
	return ticks
}

// countTicks are those of whole numbers.
type countTicks struct{}

// Ticks gives the ticks of an axis.
func (countTicks) Ticks(low, high float64) (whole []plot.Tick) {
	for _, t := range (plot.DefaultTicks{}).Ticks(low, high) {
		if t.Value != math.Round(t.Value) || t.Value < 0 {
			continue
		}
		if t.Label != "" {
			t.Label = figure.Count(int64(t.Value))
		}
		whole = append(whole, t)
	}
	return whole
}

// numberTicks label places 0, 1, 2 … with numbers, as many of them as have room.
func numberTicks(numbers []int) (t plot.ConstantTicks) {
	step := (len(numbers) + mostNumbers - 1) / mostNumbers
	for i, n := range numbers {
		k := plot.Tick{Value: float64(i)}
		if i%step == 0 {
			k.Label = figure.Count(n)
		}
		t = append(t, k)
	}
	return t
}

// mostNumbers stand beside one another on a phone.
const mostNumbers = 14

// decades marks 1, 2 and 5 of each decade, and labels as many of them as one
// reads at ease.
func decades(low, high float64) (t plot.ConstantTicks) {
	labelled := map[int]bool{1: true}
	if high/low < 200 {
		labelled[2], labelled[5] = true, true
	}
	for e := math.Floor(math.Log10(low)); e <= math.Ceil(math.Log10(high)); e++ {
		for _, f := range []int{1, 2, 5} {
			v := float64(f) * math.Pow(10, e)
			if v < low || v > high {
				continue
			}
			k := plot.Tick{Value: v}
			if labelled[f] {
				k.Label = figure.Trimmed(v, 6)
				if v >= 1000 {
					k.Label = figure.Count(int(math.Round(v)))
				}
			}
			t = append(t, k)
		}
	}
	return t
}

// clockTicks are round times of day and days, by the clock of a zone, of an axis in
// seconds since 1970; as many as have room.
type clockTicks struct {
	zone  *time.Location
	width vg.Length // of the axis
}

// clockRoom is the width of a label such as 20 Nov or 10:00:05, and of the room
// beside it.
const clockRoom = 64

// A clockStep is a distance of ticks: a time, or whole days or months.
type clockStep struct {
	of           time.Duration
	days, months int
}

var clockSteps = []clockStep{
	{of: time.Second}, {of: 2 * time.Second}, {of: 5 * time.Second}, {of: 10 * time.Second}, {of: 30 * time.Second},
	{of: time.Minute}, {of: 2 * time.Minute}, {of: 5 * time.Minute}, {of: 10 * time.Minute}, {of: 15 * time.Minute}, {of: 30 * time.Minute},
	{of: time.Hour}, {of: 2 * time.Hour}, {of: 3 * time.Hour}, {of: 6 * time.Hour}, {of: 12 * time.Hour},
	{days: 1}, {days: 2}, {days: 7}, {days: 14}, {months: 1}, {months: 3}, {months: 12},
}

func (s clockStep) seconds() float64 {
	return s.of.Seconds() + float64(s.days)*86400 + float64(s.months)*30*86400
}

// Ticks gives the ticks of an axis.
func (k clockTicks) Ticks(low, high float64) (ticks []plot.Tick) {
	zone := k.zone
	if zone == nil {
		zone = time.UTC
	}
	most := max(float64(k.width/clockRoom), 2)
	step := clockSteps[len(clockSteps)-1]
	for _, s := range clockSteps {
		if (high-low)/s.seconds() <= most {
			step = s
			break
		}
	}
	from := wall(low).In(zone)
	at := time.Date(from.Year(), from.Month(), from.Day(), 0, 0, 0, 0, zone)
	if step.months > 0 {
		at = time.Date(from.Year(), 1, 1, 0, 0, 0, 0, zone)
	}
	if step.of > 0 {
		// From midnight on, so that ticks are at round times of the day.
		at = at.Add(from.Sub(at).Truncate(step.of))
	}
	for last := ""; seconds(at) <= high && len(ticks) < 200; {
		if seconds(at) >= low {
			label := at.Format("15:04")
			switch {
			case step.months > 0:
				label = at.Format("Jan 2006")
			case step.days > 0 || at.Hour()+at.Minute()+at.Second() == 0:
				label = at.Format("2 Jan")
			case step.of < time.Minute:
				label = at.Format("15:04:05")
			}
			if label != last {
				ticks = append(ticks, plot.Tick{Value: seconds(at), Label: label})
			}
			last = label
		}
		if step.of > 0 {
			at = at.Add(step.of)
		} else {
			at = at.AddDate(0, step.months, step.days)
		}
	}
	return ticks
}

// seconds and wall make an axis' value of a time, and back.
func seconds(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }

func wall(s float64) time.Time {
	whole, part := math.Modf(s)
	return time.Unix(int64(whole), int64(part*1e9))
}
