// Package ode integrates stiff initial value problems
//
//	dy/dt = f(t, y),  y(t0) = y0
//
// with a handful to some dozens of states whose time constants lie far apart,
// and stops where an event function crosses zero. It knows nothing of what the
// states mean.
//
// The method is RODAS4P2: a linearly implicit (Rosenbrock) method with six
// stages, order 4 with an embedded order 3, L-stable and stiffly accurate, with
// a dense output of order 3 (tableau.go names the source). It solves linear
// systems only, never iterates, and keeps order 2 whatever the Jacobian it is
// given, so a Jacobian that is slightly off next to a kink of f costs steps
// instead of correctness.
//
// # One step
//
// At (t, y) the system is linearised: J = ∂f/∂y, and ∂f/∂t. A step of size h then takes six
// right-hand sides and six solutions of linear systems with one matrix,
//
//	(I/(hγ) − J) u_i = f(t + α_i h, y + Σ a_ij u_j) + Σ (c_ij/h) u_j + h γ_i ∂f/∂t
//
// and ends at y1 = y + Σ a_6j u_j + u_6. The last term, u_6, is the error estimate: the step
// is accepted if it is within AbsTol + RelTol·|y| in every state. Gustafsson's predictive
// controller chooses the next h from this error and the one before; the first h follows from
// y', J·y' and ∂f/∂t. A step that meets NaN, or a matrix without factors, is tried again at a
// quarter of its size.
//
// A [Structured] system does the linear algebra itself, which is most of the cost; others
// get difference quotients and dense factors.
//
// Inside an accepted step a cubic through both ends is the dense output. Events are looked at
// along it, four times and at each extreme of the cubic through these values; a root is
// located by the ITP method, the step cut there, and repeated in two parts that meet there to
// see whether the cubic was right; if not, it is tried again at half its size.
//
// # A run with corners and modes
//
// Within one call of [Integrator.Solve] f should be smooth. A piecewise
// problem is a chain of calls: integrate to the next corner, or until an event
// fires; change the modes; start again from the state returned.
//
//	for t < end {
//		r, err := in.Solve(ctx, ode.Problem{System: sys, T0: t, T1: nextCorner(t), Y0: y, Events: events, Observe: observe}, opts)
//		if err != nil {
//			return err
//		}
//		for _, k := range r.Fired {
//			sys.act(events[k].Name)
//		}
//		t, y = r.T, r.Y
//	}
//
// Derivatives is called with t0 <= t <= t1, both ends included: where f jumps
// at t1, it must answer with the value from the left. A kink of f inside a call
// is no error: the step size control finds it, at the price of a few rejected steps.
//
// # What can still go wrong
//
// The error estimate sees f only at the points it is evaluated at. A pulse
// much narrower than a step can be stepped over; so can an event that leaves
// and returns between the points looked at (see [Event]). Make such instants
// corners, or bound the step by Options.MaxStep. The guard of [CheckOptions]
// redoes sampled steps with two halves and reports where the answers disagree.
//
// An L-stable method damps even what grows, where it grows much faster than the
// step: a state that leaves an unstable balance from less than its tolerance
// away may be held there. Start such runs away from the balance.
//
// Jumps of f that hold the solution where they are (a relay about its
// threshold) give ever smaller steps until MaxSteps; give them hysteresis by events.
//
// An [Integrator] is for one goroutine at a time; run one per goroutine.
package ode
