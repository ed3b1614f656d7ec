package pulse

import (
	"math"
	"math/rand/v2"
	"os"
)

// noises make a series of n values of noise of unit size. Flicker noise is a sum of
// relaxations whose times are octaves apart, which is within 5 % of 1/f between the
// shortest and the longest (the classic construction of A. van der Ziel, 1950).
var noises = map[string]func(r *rand.Rand, n int) []float64{
	"white": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		for i := range y {
			y[i] = r.NormFloat64()
		}
		return y
	},
	"flicker": flickerNoise,
	"walking": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		at := 0.0
		for i := range y { // means over the step, in 8 parts
			sum := 0.0
			for range 8 {
				at += r.NormFloat64() / math.Sqrt(8)
				sum += at
			}
			y[i] = sum / 8
		}
		return y
	},
	"white and flicker": func(r *rand.Rand, n int) []float64 {
		y := flickerNoise(r, n)
		for i := range y {
			y[i] += r.NormFloat64()
		}
		return y
	},
	"white and walking": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		at := 0.0
		for i := range y {
			at += 0.3 * r.NormFloat64()
			y[i] = at + r.NormFloat64()
		}
		return y
	},
	"autoregressive": func(r *rand.Rand, n int) []float64 {
		y := make([]float64, n)
		at := r.NormFloat64() / 0.8
		for i := range y {
			at = 0.6*at + r.NormFloat64()
			y[i] = at
		}
		return y
	},
}

func flickerNoise(r *rand.Rand, n int) []float64 {
	const parts, octaves = 4, 16
	y := make([]float64, n)
	for k := range octaves {
		keep := math.Exp(-1 / (parts * math.Exp2(float64(k)-2)))
		at := r.NormFloat64()
		for i := range y {
			for range parts {
				at = keep*at + math.Sqrt(1-keep*keep)*r.NormFloat64()
				y[i] += at / parts
			}
		}
	}
	return y
}

func pointsOf(y []float64) []trendPoint {
	p := make([]trendPoint, len(y))
	for i, v := range y {
		p[i] = trendPoint{t: float64(i), y: v, weight: 1, length: 1}
	}
	return p
}

func seeds(long, short int) int {
	if os.Getenv("MAKEBREAK_ENDURANCE") != "" {
		return long
	}
	return short
}
