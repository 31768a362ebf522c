package ode

// System is the right-hand side of dy/dt = f(t, y).
//
// Derivatives writes f(t, y) into dydt; both slices have length Dim and must
// not be kept. It is called at points the solution never reaches (trial stages,
// difference quotients), so it must be a pure function of t and y between two
// calls of Solve. Where it cannot answer it writes NaN: the step is then
// tried again with a smaller size.
type System interface {
	Dim() int
	Derivatives(t float64, y, dydt []float64)
}

// Structured is a System that linearises itself and solves its own linear
// systems, because it knows their structure. With J = ∂f/∂y at the state last
// linearised at, Times writes J·x into out, Factorise prepares Solve for
// diagonal·I − J and reports whether that can be done (if not, the step is tried
// again with a smaller size), and Solve overwrites b with the solution. Prove
// them with [Verify] in a test.
//
// Any other System gets a Jacobian of difference quotients and dense factors
// with row pivoting: n+1 evaluations and n³/3 products a step.
type Structured interface {
	System
	// Linearise takes J at (t, y) and writes ∂f/∂t there into dfdt.
	Linearise(t float64, y, dfdt []float64)
	Times(x, out []float64)
	Factorise(diagonal float64) bool
	Solve(b []float64)
}

// WithJacobian is a System without structure that supplies ∂f_i/∂y_k, row by
// row; jac comes zeroed.
type WithJacobian interface {
	System
	Jacobian(t float64, y, jac []float64)
}
