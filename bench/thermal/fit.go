package thermal

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Misfit is how far a fitted curve is from its points, each as a fraction of the
// point's own value.
type Misfit struct {
	Worst float64   // largest absolute value of Each
	Index int       // the point it is at; −1 without points
	Each  []float64 // signed, model/point − 1
}

func newMisfit(each []float64) Misfit {
	m := Misfit{Index: -1, Each: each}
	for i, e := range each {
		if a := math.Abs(e); m.Index < 0 || a > m.Worst {
			m.Worst, m.Index = a, i
		}
	}
	return m
}

// CurveError is a curve that is not one: its points out of order, rising where it
// must fall, contradicting each other, or not numbers. Index counts points from
// 0; −1 is the curve as a whole.
type CurveError struct {
	Index int
	What  string
}

func (e *CurveError) Error() string {
	if e.Index < 0 {
		return "curve: " + e.What
	}
	return fmt.Sprintf("curve: point %d: %s", e.Index+1, e.What)
}

// MisfitError is a fit further from a point than was allowed. The model that
// comes with it is the best there is, fit to look at but not to trust.
type MisfitError struct {
	Misfit
	Allowed float64
}

func (e *MisfitError) Error() string {
	return fmt.Sprintf("curve: point %d: the best fit is %.1f %% off, more than the %.1f %% allowed: check the point, or allow more",
		e.Index+1, 100*e.Each[e.Index], 100*e.Allowed)
}

// ImpedancePoint is a point of a transient thermal impedance curve.
type ImpedancePoint struct {
	Time      float64 // s, above zero
	Impedance float64 // K/W, above zero
}

// FitFoster fits a Foster ladder to a transient thermal impedance curve, its
// points in order of time and never falling. Time constants are chosen from taus
// (s); nil takes ten a decade over the span of the curve. Rows are scaled by the
// impedance, so that relative errors count at short times too. Only stages above
// zero are kept. Errors are a *CurveError.
func FitFoster(points []ImpedancePoint, taus []float64) (Foster, Misfit, error) {
	if len(points) == 0 {
		return nil, Misfit{}, &CurveError{-1, "it has no points"}
	}
	for i, p := range points {
		switch {
		case !positive(p.Time) || !positive(p.Impedance):
			return nil, Misfit{}, &CurveError{i, fmt.Sprintf("time and impedance must be above zero, got %g s and %g K/W", p.Time, p.Impedance)}
		case i > 0 && p.Time <= points[i-1].Time:
			return nil, Misfit{}, &CurveError{i, fmt.Sprintf("time %g s does not come after %g s", p.Time, points[i-1].Time)}
		case i > 0 && p.Impedance < points[i-1].Impedance:
			return nil, Misfit{}, &CurveError{i, fmt.Sprintf("impedance falls from %g to %g K/W", points[i-1].Impedance, p.Impedance)}
		}
	}
	if taus == nil {
		taus = logSpaced(points[0].Time/10, points[len(points)-1].Time, 10)
	}
	for i, tau := range taus {
		if !positive(tau) {
			panic(fmt.Sprintf("thermal: FitFoster: time constant %d is %g s", i, tau))
		}
	}
	var rows system
	for _, p := range points {
		row := stepResponse(taus, p.Time)
		for k := range row {
			row[k] /= p.Impedance
		}
		rows.add(1, row, 1)
	}
	weights, err := rows.solve(len(taus))
	if err != nil {
		return nil, Misfit{}, &CurveError{-1, err.Error()}
	}
	f := ladderOf(weights, taus)
	each := make([]float64, len(points))
	for i, p := range points {
		each[i] = f.Impedance(p.Time)/p.Impedance - 1
	}
	return f, newMisfit(each), nil
}

// system collects weighted equations in unknowns that are not negative.
type system struct {
	rows  [][]float64
	right []float64
}

func (s *system) add(weight float64, row []float64, right float64) {
	scaled := make([]float64, len(row))
	for k, v := range row {
		scaled[k] = weight * v
	}
	s.rows = append(s.rows, scaled)
	s.right = append(s.right, weight*right)
}

// addAtMost adds the inequality row·x ≤ right by a slack unknown of its own.
// Rows may be of different length; the missing end is zeros.
func (s *system) addAtMost(weight float64, row []float64, right float64, slack int) {
	wide := make([]float64, slack+1)
	copy(wide, row)
	wide[slack] = 1
	s.add(weight, wide, right)
}

func (s *system) solve(unknowns int) ([]float64, error) {
	A := mat.NewDense(len(s.rows), unknowns, nil)
	for i, row := range s.rows {
		for k, v := range row {
			A.Set(i, k, v)
		}
	}
	return nonNegativeLeastSquares(A, s.right)
}

// stepResponse is 1 − e^(−t/τ) for each time constant.
func stepResponse(taus []float64, t float64) []float64 {
	row := make([]float64, len(taus))
	for k, tau := range taus {
		row[k] = -math.Expm1(-t / tau)
	}
	return row
}

// logSpaced covers from..to with about perDecade values to a factor of ten.
func logSpaced(from, to float64, perDecade int) []float64 {
	n := max(1, int(math.Ceil(math.Log10(to/from)*float64(perDecade))))
	out := make([]float64, n+1)
	for i := range out {
		out[i] = from * math.Pow(to/from, float64(i)/float64(n))
	}
	return out
}

func ladderOf(weights, taus []float64) Foster {
	var f Foster
	for k, tau := range taus {
		if weights[k] > 0 {
			f = append(f, Stage{weights[k], tau})
		}
	}
	return f
}
