package ode

// System is the right-hand side of dy/dt = f(t, y).
//
// Derivatives writes f(t, y) into dydt; both slices have length Dim and must
// not be kept. It is called at points the solution never reaches (trial stages,
// difference quotients), so it must be a pure function of t and y between two
// calls of Integrate. Where it cannot answer it writes NaN: the step is then
// tried again with a smaller size.
type System interface {
	Dim() int
	Derivatives(t float64, y, dydt []float64)
}

// WithPattern is a System that knows which states its derivatives read:
// Pattern()[i] lists every k with ∂f_i/∂y_k not always zero (k = i may be left
// out). It makes the Jacobian cheaper and the linear algebra sparse. A pattern
// that misses an entry costs accuracy: prove it with [VerifyJacobian] in a test.
type WithPattern interface {
	System
	Pattern() [][]int
}

// WithJacobian is a System that supplies ∂f_i/∂y_k; jac comes zeroed. Prove it
// with [VerifyJacobian] in a test.
type WithJacobian interface {
	System
	Jacobian(t float64, y []float64, jac *Matrix)
}

// WithIntermediates is a System whose derivatives read most states by way of a
// few quantities z that follow from them, such as the one current that heats
// every part: y' = f(t, y, z) with z_j = g_j(t, y, z_0 … z_j−1). Its pattern and
// Jacobian have Dim()+Intermediates() rows and columns, the last ones being the
// z; a Jacobian is then called for. The linear systems keep the z as unknowns,
// so what couples everything with everything stays sparse.
type WithIntermediates interface {
	WithPattern
	WithJacobian
	Intermediates() int
}

// WithTimeDerivative is a System that supplies ∂f/∂t at constant y (all zero
// where f does not depend on t). Without it one more evaluation a step gives a
// difference quotient.
type WithTimeDerivative interface {
	System
	TimeDerivative(t float64, y, dfdt []float64)
}
