package thermal

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Heat is a heat source whose power may change with the temperature of the node
// it heats, as the loss of a winding at fixed current does:
//
//	q(T) = Power · (1 + Coefficient · (T − Reference))
type Heat struct {
	Power       float64 // W at the reference temperature
	Coefficient float64 // 1/K, of resistance at Reference; 0 for a constant power
	Reference   float64 // K
}

// FloatingError names a node from which no heat can leave to any boundary, so
// that a network with heat in it has no steady state.
type FloatingError struct{ Node string }

func (e *FloatingError) Error() string {
	return fmt.Sprintf("thermal network: no heat leaves %q: connect it to a boundary or keep its cooling above zero", e.Node)
}

// SteadyState returns the node temperatures (K) that constant heat (W per node)
// leads to, or a *FloatingError. For heat that grows with temperature use Hold.
func (n *Network) SteadyState(heat, boundary, scale []float64) ([]float64, error) {
	n.check(heat, heat, boundary, scale)
	if i, ok := n.floating(scale); ok {
		return nil, &FloatingError{n.nodes[i].name}
	}
	G, toBoundary := n.conductances(boundary, scale)
	T := make([]float64, len(n.nodes))
	for i := range T {
		toBoundary[i] += heat[i]
	}
	var cholesky mat.Cholesky
	if !cholesky.Factorize(G) { // positive definite unless a link is lost in rounding
		return nil, &FloatingError{n.nodes[0].name}
	}
	if err := cholesky.SolveVecTo(mat.NewVecDense(len(T), T), mat.NewVecDense(len(T), toBoundary)); err != nil {
		return nil, fmt.Errorf("thermal network: resistances too far apart for a steady state: %w", err)
	}
	return T, nil
}

// Outcome is what holding constant conditions leads to: either a steady
// temperature of every node, or none, because resistance rises faster than
// cooling can follow; then the time to the limit is the answer.
type Outcome struct {
	Steady       bool
	Temperatures []float64 // steady, K per node; nil where there is none

	// LoopGain is how much of a rise comes back as further rise through
	// resistance; α·P·Rth for one node. There is a steady state below 1. It is
	// +Inf where a heated node has no way to a boundary.
	LoopGain float64

	// First is the node that reaches its limit first, and TimeToLimit when (s
	// from the start). TimeToLimit is +Inf, and First −1, if none ever does.
	First       int
	TimeToLimit float64
}

// Hold answers what constant heats lead to from the temperatures start (K), with
// a limit (K) per node; limits may be nil, and +Inf stands for no limit. The
// course of temperature is solved exactly, by the modes of the network.
func (n *Network) Hold(start []float64, heat []Heat, limits, boundary, scale []float64) (Outcome, error) {
	c, err := n.Course(start, heat, boundary, scale)
	if err != nil {
		return Outcome{}, err
	}
	out := Outcome{First: -1, TimeToLimit: math.Inf(1), LoopGain: n.loopGain(heat, scale)}
	out.Temperatures, out.Steady = c.Steady()
	for i := range limits {
		if t := c.FirstAbove(i, limits[i]); t < out.TimeToLimit {
			out.First, out.TimeToLimit = i, t
		}
	}
	return out, nil
}

// Course is the exact course of temperature of a network under constant
// conditions. With z = √C·T the system is symmetric, so it falls apart into
// modes that each rise or decay by themselves.
type Course struct {
	root  []float64  // √C per node
	modes *mat.Dense // one mode per column
	rate  []float64  // 1/s per mode, ascending; negative is decay
	start []float64  // modal temperature at t = 0
	drive []float64  // constant modal drive
}

// Course solves the network from the temperatures start (K). It fails only where
// the figures are no numbers.
func (n *Network) Course(start []float64, heat []Heat, boundary, scale []float64) (*Course, error) {
	n.check(start, start, boundary, scale)
	if len(heat) != len(n.nodes) {
		panic(fmt.Sprintf("thermal: network of %d nodes given %d heats", len(n.nodes), len(heat)))
	}
	size := len(n.nodes)
	G, drive := n.conductances(boundary, scale)
	c := &Course{root: make([]float64, size), start: make([]float64, size), drive: make([]float64, size)}
	for i, h := range heat {
		c.root[i] = math.Sqrt(n.nodes[i].capacity)
		slope := h.Power * h.Coefficient
		G.SetSym(i, i, G.At(i, i)-slope)
		drive[i] += h.Power - slope*h.Reference
	}
	M := mat.NewSymDense(size, nil)
	for i := range size {
		for j := i; j < size; j++ {
			M.SetSym(i, j, -G.At(i, j)/(c.root[i]*c.root[j]))
		}
	}
	var ok bool
	if c.rate, c.modes, ok = modesOf(M); !ok || !allFinite(drive, start) {
		return nil, fmt.Errorf("thermal network: no solution over time: a heat, a temperature or a cooling factor is not a number in any sensible range")
	}
	for k := range size {
		for i := range size {
			v := c.modes.At(i, k)
			c.start[k] += v * c.root[i] * start[i]
			c.drive[k] += v * drive[i] / c.root[i]
		}
	}
	return c, nil
}

// At sets T (K per node) to the temperatures at time t (s) and returns it; T may
// be nil.
func (c *Course) At(t float64, T []float64) []float64 {
	if T == nil {
		T = make([]float64, len(c.root))
	}
	for i := range T {
		T[i] = c.node(i, t)
	}
	return T
}

func (c *Course) node(i int, t float64) float64 {
	var z float64
	for k, rate := range c.rate {
		z += c.modes.At(i, k) * (c.start[k]*math.Exp(rate*t) + c.drive[k]*growth(rate, t))
	}
	return z / c.root[i]
}

// growth returns ∫ exp(rate·s) ds from 0 to t, also where rate is zero.
func growth(rate, t float64) float64 {
	if rate == 0 {
		return t
	}
	return math.Expm1(rate*t) / rate
}

// Steady returns the temperatures (K) the course ends at, and whether there are
// any.
func (c *Course) Steady() ([]float64, bool) {
	slowest, fastest := c.rate[len(c.rate)-1], -c.rate[0]
	if slowest >= -1e-13*fastest { // within rounding of no decay at all
		return nil, false
	}
	T := make([]float64, len(c.root))
	for i := range T {
		for k, rate := range c.rate {
			T[i] -= c.modes.At(i, k) * c.drive[k] / rate
		}
		T[i] /= c.root[i]
	}
	return T, true
}

// FirstAbove returns the time (s) at which node i first reaches the temperature
// limit (K): 0 if it starts there, +Inf if it never does.
func (c *Course) FirstAbove(i int, limit float64) float64 {
	above := func(t float64) bool { return c.node(i, t) >= limit }
	if above(0) {
		return 0
	}
	shortest, longest := math.Inf(1), 0.0
	for _, rate := range c.rate {
		if rate != 0 {
			shortest = min(shortest, 1/math.Abs(rate))
			longest = max(longest, 1/math.Abs(rate))
		}
	}
	if longest == 0 { // every rate zero: a straight line
		shortest, longest = 1, 1e12
	}
	return firstTrue(above, shortest, longest, math.Inf(1))
}

// conductances returns the symmetric matrix G (W/K) of G·T = q + Gb·Tb, and
// Gb·Tb (W).
func (n *Network) conductances(boundary, scale []float64) (*mat.SymDense, []float64) {
	G := mat.NewSymDense(len(n.nodes), nil)
	drive := make([]float64, len(n.nodes))
	for i, l := range n.links {
		g := l.conductance
		if scale != nil {
			g *= scale[i]
		}
		a := int(l.a)
		G.SetSym(a, a, G.At(a, a)+g)
		if l.b < 0 {
			drive[a] += g * boundary[l.b.Index()]
			continue
		}
		b := int(l.b)
		G.SetSym(b, b, G.At(b, b)+g)
		G.SetSym(a, b, G.At(a, b)-g)
	}
	return G, drive
}

// loopGain returns the largest eigenvalue of G⁻¹·S, with S the rise of heat with
// temperature: by Cholesky, so that the problem stays symmetric.
func (n *Network) loopGain(heat []Heat, scale []float64) float64 {
	size := len(n.nodes)
	heated := false
	for _, h := range heat {
		heated = heated || h.Power != 0
	}
	if !heated {
		return 0
	}
	G, _ := n.conductances(make([]float64, len(n.boundaries)), scale)
	var cholesky mat.Cholesky
	if _, ok := n.floating(scale); ok || !cholesky.Factorize(G) {
		return math.Inf(1)
	}
	var L mat.TriDense
	cholesky.LTo(&L)
	var inverse mat.TriDense
	if err := inverse.InverseTri(&L); err != nil {
		return math.Inf(1)
	}
	M := mat.NewSymDense(size, nil)
	for i := range size {
		for j := i; j < size; j++ {
			var sum float64
			for k := range size {
				sum += inverse.At(i, k) * heat[k].Power * heat[k].Coefficient * inverse.At(j, k)
			}
			M.SetSym(i, j, sum)
		}
	}
	gains, _, ok := modesOf(M)
	if !ok {
		return math.NaN()
	}
	return gains[size-1]
}

// modesOf returns the eigenvalues of a symmetric matrix, ascending, and its
// eigenvectors, one per column. It says false of a matrix that is no number. Values
// out of all proportion are taken as zero or refused, since gonum's rescaling of
// them panics (Dsterf, Dsteqr of v0.17.0).
func modesOf(M *mat.SymDense) (values []float64, vectors *mat.Dense, ok bool) {
	const smallest, largest = 1e-100, 1e100
	size := M.SymmetricDim()
	for i := range size {
		for j := i; j < size; j++ {
			switch v := math.Abs(M.At(i, j)); {
			case !(v <= largest):
				return nil, nil, false
			case v < smallest:
				M.SetSym(i, j, 0)
			}
		}
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(M, true) {
		return nil, nil, false
	}
	vectors = mat.NewDense(size, size, nil)
	eigen.VectorsTo(vectors)
	return eigen.Values(nil), vectors, true
}

// floating returns a node from which no open link leads to a boundary.
func (n *Network) floating(scale []float64) (node int, ok bool) {
	open := make([]bool, len(n.nodes))
	for changed := true; changed; {
		changed = false
		for i, l := range n.links {
			if scale != nil && scale[i] == 0 {
				continue
			}
			a, b := int(l.a), l.b
			if !open[a] && (b < 0 || open[b]) {
				open[a], changed = true, true
			}
			if b >= 0 && open[a] && !open[b] {
				open[b], changed = true, true
			}
		}
	}
	for i, reached := range open {
		if !reached {
			return i, true
		}
	}
	return 0, false
}
