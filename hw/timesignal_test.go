package hw_test

import (
	"context"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"testing"

	"makebreak/hw"
	"makebreak/pulse"
)

// readContact reads all edges of one variable of a file.
func readContact(t *testing.T, path, contact string) (edges []pulse.Edge) {
	t.Helper()
	rec, err := hw.OpenRecordingFile(path, nil, hw.RecordingOptions{Contact: contact})
	if err != nil {
		t.Fatal(err)
	}
	defer rec.Close()
	buf := make([]pulse.Edge, 64)
	for {
		n, err := rec.ReadEdges(context.Background(), buf)
		if err == io.EOF {
			return edges
		}
		if err != nil {
			t.Fatal(err)
		}
		edges = append(edges, buf[:n]...)
	}
}

// The second marks of a real time signal, whole and in pieces. What is true of
// them, and how that was found without this program, is in the README beside
// them; the counts of the pieces are of the same marks, those within a piece.
func TestTimeSignal(t *testing.T) {
	type piece struct {
		fromS, toS          float64
		due, missing, extra int
	}
	const all = 1e9
	for _, file := range []struct {
		name   string
		ipm    float64 // the line through the marks
		pieces []piece
	}{
		{"dcf77_480s.vcd", 59.970, []piece{
			{0, all, 174, 3, 8}, {0, 40, 39, 1, 0}, {0, 90, 89, 2, 0}, {20, 80, 59, 1, 0},
			{30, all, 144, 2, 8}, {50, 110, 59, 1, 2}, {60, all, 114, 2, 8},
		}},
		{"dcf77_120s.vcd", 59.974, []piece{
			{0, all, 100, 2, 12}, {0, 40, 39, 1, 1}, {0, 90, 89, 2, 9}, {20, 80, 59, 1, 5},
			{30, all, 70, 1, 11}, {60, all, 40, 1, 7},
		}},
	} {
		edges := readContact(t, filepath.Join("testdata", "time-signal", file.name), "DATA")
		for _, p := range file.pieces {
			for _, nominal := range []int64{0, 1e9} {
				whole := p.fromS == 0 && p.toS == all
				t.Run(fmt.Sprintf("%s from %g to %g s, nominal %g s", file.name, p.fromS, p.toS, float64(nominal)/1e9), func(t *testing.T) {
					m, err := pulse.NewMeter(pulse.Config{Kind: pulse.KindInterrupter, Polarity: pulse.ClosedLow, PeriodNS: nominal})
					if err != nil {
						t.Fatal(err)
					}
					for i, e := range edges {
						if s := float64(e.At) / 1e9; s >= p.fromS && s < p.toS {
							m.Add(edges[i : i+1])
						}
					}
					r := m.Finish(0)
					i := r.Interrupter
					within := func(what string, got, want, by int) {
						t.Helper()
						if got < want-by || got > want+by {
							t.Errorf("%d %s, want %d within %d", got, what, want, by)
						}
					}
					// Which of two openings beside a mark is the mark may be read
					// either way; at the ends of a piece, once more.
					if whole {
						within("cycles due", i.Due, p.due, 0)
						within("extra", i.Extra, p.extra, 1)
						// openings − extra + missing − 1 = cycles due
						within("more extra than missing", i.Extra-i.Missing, p.extra-p.missing, 0)
					} else {
						within("cycles due", i.Due, p.due, 1)
						within("extra", i.Extra, p.extra, 2)
					}
					within("missing", i.Missing, p.missing, 1)
					within("slips", i.Slips, 0, 0)
					// A clock does not change its speed: a piece has the rate of
					// the whole. The stated uncertainty has k = 2; a piece may go
					// to twice that.
					rate, u := i.RateIPM.Overall, pulse.Num{}
					if b := r.Uncertainty[pulse.RateIPM]; b != nil {
						u = b.Overall
					}
					if !rate.OK {
						t.Fatal("no rate")
					}
					if !u.OK {
						t.Error("the rate has no uncertainty")
					}
					off := math.Abs(rate.V - file.ipm)
					if whole && off > min(u.V, 0.05) || off > 2*u.V || off > 0.01*file.ipm {
						t.Errorf("%.4f IPM with an expanded uncertainty of %.4f, want %.3f", rate.V, u.V, file.ipm)
					}
				})
			}
		}
	}
}

// The receiver's jitter is white noise of each mark's time, so the ADEV of the
// second marks falls as 1/τ. The 59th second leaves out its sample, not its number:
// else every minute would be a second short, and the ADEV at a minute a hundred
// times as great.
func TestStabilityOfTimeSignal(t *testing.T) {
	for file, due := range map[string]int{"dcf77_480s.vcd": 174, "dcf77_120s.vcd": 100} {
		t.Run(file, func(t *testing.T) {
			m, err := pulse.NewMeter(pulse.Config{Kind: pulse.KindInterrupter, Polarity: pulse.ClosedLow, Stability: true})
			if err != nil {
				t.Fatal(err)
			}
			m.Add(readContact(t, filepath.Join("testdata", "time-signal", file), "DATA"))
			r := m.Finish(0)
			s := r.Stability
			t.Logf("%d openings in %d segments, τ0 %.6f s", s.Openings, s.Segments, s.Tau0S.V)
			if s.Segments != 1 || s.Openings != due+1-r.Interrupter.Missing || math.Abs(s.Tau0S.V-1.0005) > 3e-4 {
				t.Errorf("%d openings in %d segments, mean period %v s; want %d of one segment, 1.0005 s", s.Openings, s.Segments, s.Tau0S.V, due+1-r.Interrupter.Missing)
			}
			var x, y []float64
			for _, p := range s.ADEV {
				t.Logf("τ %7.3f s: ADEV %.6f (%.6f to %.6f), n %d, edf %.1f, alpha %v", float64(p.TauS), p.Deviation.V, p.Low.V, p.High.V, p.N, p.EDF.V, p.Alpha.V)
				if p.EDF.V >= 10 {
					x, y = append(x, math.Log(float64(p.TauS))), append(y, math.Log(p.Deviation.V))
				}
			}
			if slope := slopeOf(x, y); math.Abs(slope+1) > 0.1 {
				t.Errorf("slope %.3f, want -1", slope)
			}
			if p := s.ADEV[0]; p.Alpha != pulse.Known(2) {
				t.Errorf("noise of alpha %v, want white noise of the phase, 2", p.Alpha)
			}
			if len(s.Regimes) == 0 || s.Regimes[0].Regime != pulse.RegimeContact || !(s.JitterS.V > 5e-3 && s.JitterS.V < 40e-3) {
				t.Errorf("%+v, jitter %v s; want noise of the contact of some 10 ms", s.Regimes, s.JitterS.V)
			}
		})
	}
}

// slopeOf is that of the least-squares line.
func slopeOf(x, y []float64) float64 {
	var mx, my, sxx, sxy float64
	for i := range x {
		mx, my = mx+x[i]/float64(len(x)), my+y[i]/float64(len(x))
	}
	for i := range x {
		sxx, sxy = sxx+(x[i]-mx)*(x[i]-mx), sxy+(x[i]-mx)*(y[i]-my)
	}
	return sxy / sxx
}
