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
	return fmt.Sprintf("curve: point %d: the best fit is %.1f %% off, more than the %.1f %% allowed: check the point and those beside it",
		e.Index+1, 100*e.Each[e.Index], 100*e.Allowed)
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

// stepResponse returns 1 − e^(−t/τ) for each time constant.
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
