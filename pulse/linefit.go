package pulse

import "math"

// A lineFit is the straight line y = a + b·x through points that come one by
// one, by least squares. The zero value has no points.
type lineFit struct {
	n, meanX, meanY float64
	sxx, sxy, syy   float64 // sums of squares and products about the means
}

func (l *lineFit) add(x, y float64) {
	l.n++
	dx, dy := x-l.meanX, y-l.meanY
	l.meanX += dx / l.n
	l.meanY += dy / l.n
	l.sxx += dx * (x - l.meanX)
	l.sxy += dx * (y - l.meanY)
	l.syy += dy * (y - l.meanY)
}

// at gives the line's y at x. Where x does not vary it is the mean.
func (l *lineFit) at(x float64) float64 {
	if l.sxx == 0 {
		return l.meanY
	}
	return l.meanY + l.sxy/l.sxx*(x-l.meanX)
}

// residual is the sum of the squared distances from the line. It has n − 2
// degrees of freedom, and needs points of more than one x.
func (l *lineFit) residual() float64 { return max(l.syy-l.sxy*l.sxy/l.sxx, 0) }

// slope gives b, its standard error and the standard deviation of the points
// from the line. Below three points, and where x does not vary, there is only
// the standard deviation of y from its mean, if that.
func (l *lineFit) slope() (b, se, sd Num) {
	if l.n < 3 || l.sxx == 0 {
		if l.n > 1 {
			sd = Known(math.Sqrt(l.syy / (l.n - 1)))
		}
		return Num{}, Num{}, sd
	}
	variance := l.residual() / (l.n - 2)
	return Known(l.sxy / l.sxx), Known(math.Sqrt(variance / l.sxx)), Known(math.Sqrt(variance))
}
