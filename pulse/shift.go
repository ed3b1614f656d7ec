package pulse

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// ewmaLambda is the weight of the newest window: 0.05 to 0.25 work well, and
	// smaller ones find smaller shifts (D. C. Montgomery, Introduction to Statistical
	// Quality Control, §9.2; from memory).
	ewmaLambda = 0.2
	// cusumK and cusumH, in σ of a window mean, find a shift of 1 σ soonest; in
	// control they last 465 windows (Montgomery, Table 9.3, from memory; cusumARL
	// gives the same).
	cusumK, cusumH = 0.5, 5.0
	// DefaultInControlWindows is how many windows the EWMA chart lasts in control on
	// average: about as many as the CUSUM.
	DefaultInControlWindows = 500
	defaultEWMAWidth        = 2.962 // for it, by ewmaARL and by Montgomery's Table 9.11, from memory
	// chartPoints are the nodes of the integral equations of run lengths: with 61,
	// six digits stay as with more.
	chartPoints = 61
)

// ewmaNext is the exponentially weighted moving average after e, when x comes:
// λ x + (1 − λ) e (NIST/SEMATECH e-Handbook, 6.3.2.4).
func ewmaNext(e, x, lambda float64) float64 { return lambda*x + (1-lambda)*e }

// ewmaSD is the standard deviation of the i-th average (from 1; 0: after long) in
// units of that of a value. Values with a lag-1 autocorrelation phi, as those of an
// AR(1), have a wider one (N. F. Zhang, Technometrics 40, 1998, eq. 4 for long
// series).
func ewmaSD(lambda float64, i int, phi float64) float64 {
	v := lambda / (2 - lambda)
	if i > 0 {
		v *= 1 - math.Pow(1-lambda, float64(2*i))
	}
	return math.Sqrt(v * (1 + phi*(1-lambda)) / (1 - phi*(1-lambda)))
}

// cusumNext are the tabular CUSUMs after high and low, when x comes, about a target
// with the allowance k, in the unit of x (Montgomery, §9.1; NIST/SEMATECH e-Handbook,
// 6.3.2.3).
func cusumNext(high, low, x, target, k float64) (float64, float64) {
	return max(0, high+x-target-k), max(0, low+target-k-x)
}

// ewmaARL is the average number of values until the EWMA of independent normal
// values of standard deviation 1, whose mean is shift from the target, is beyond
// ±width standard deviations of its own after long. It solves the integral equation
// by Gauss–Legendre quadrature (S. V. Crowder, Technometrics 29, 1987).
func ewmaARL(lambda, width, shift float64) float64 {
	h := width * ewmaSD(lambda, 0, 0)
	x, w := make([]float64, chartPoints), make([]float64, chartPoints)
	quad.Legendre{}.FixedLocations(x, w, -h, h)
	return fredholm(x, w, 0, func(from, to float64) float64 {
		return normalPDF((to-(1-lambda)*from)/lambda-shift) / lambda
	}, nil)
}

// cusumARL is the average number of values until a one-sided CUSUM of independent
// normal values of standard deviation 1 passes h, from 0. That of both sides
// together is half as long in control, and for any shift
// 1/ARL = 1/ARL⁺ + 1/ARL⁻ (Montgomery, eq. 9.7). The integral equation is E. S.
// Page's, Biometrika 41, 1954.
func cusumARL(k, h, shift float64) float64 {
	x, w := make([]float64, chartPoints), make([]float64, chartPoints)
	quad.Legendre{}.FixedLocations(x, w, 0, h)
	return fredholm(x, w, 0, func(from, to float64) float64 { return normalPDF(to - from + k - shift) },
		func(from float64) float64 { return distuv.UnitNormal.CDF(k - shift - from) })
}

// fredholm solves L(u) = 1 + atom(u) L(0) + ∫ kernel(u, v) L(v) dv at the nodes x
// with weights w, and gives L(start). atom may be nil.
func fredholm(x, w []float64, start float64, kernel func(from, to float64) float64, atom func(from float64) float64) float64 {
	// The last unknown is L(start); an atom lies there too.
	nodes := append(append([]float64{}, x...), start)
	n := len(nodes)
	a, b := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i, u := range nodes {
		for j := range x {
			a.Set(i, j, -w[j]*kernel(u, x[j]))
		}
		if atom != nil {
			a.Set(i, n-1, -atom(u))
		}
		a.Set(i, i, a.At(i, i)+1)
		b.SetVec(i, 1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, b); err != nil {
		return math.Inf(1) // singular to rounding: it lasts longer than can be told
	}
	return l.AtVec(n - 1)
}

func normalPDF(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }

// ewmaWidth is the width, in standard deviations, at which an EWMA chart lasts so
// many windows in control.
func ewmaWidth(lambda, windows float64) float64 {
	lo, hi := 0.5, 8.0
	for range 40 {
		mid := (lo + hi) / 2
		if ewmaARL(lambda, mid, 0) < windows {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2
}

// widthFor is ewmaWidth of the chart in use; 0 windows are the default.
func widthFor(windows int) float64 {
	if windows <= 0 || windows == DefaultInControlWindows {
		return defaultEWMAWidth
	}
	return ewmaWidth(ewmaLambda, float64(windows))
}
