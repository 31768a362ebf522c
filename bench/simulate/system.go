package simulate

import (
	"quaybench/bench/drive"
	"quaybench/bench/ode"
)

// system is a run as the integrator sees it: with its Jacobian.
type system struct{ *drive.Run }

func (s system) Pattern() [][]int   { return s.JacobianPattern() }
func (s system) Intermediates() int { return s.JacobianIntermediates() }

func (s system) Jacobian(t float64, y []float64, jac *ode.Matrix) {
	s.JacobianEntries(t, y, jac.Entries())
}

func (s system) TimeDerivative(t float64, y, dfdt []float64) { s.LeverDerivative(t, y, dfdt) }
