package thermal

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// What the tests hold networks, ladders and fuses against: closed forms, which no boat needs.

// Cauer is a ladder as built in the part: from the heated node outwards, each
// step a capacity at a node and the resistance from that node to the next, the
// last one to the boundary.
type Cauer []CauerStep

// CauerStep is a node of a Cauer ladder and its resistance outwards.
type CauerStep struct {
	Resistance float64 // K/W
	Capacity   float64 // J/K
}

// LadderError is a ladder that cannot be converted or built.
type LadderError struct {
	Index int // of the stage or step at fault; −1 for the whole
	What  string
}

func (e *LadderError) Error() string {
	if e.Index < 0 {
		return "thermal ladder: " + e.What
	}
	return fmt.Sprintf("thermal ladder: stage %d: %s", e.Index+1, e.What)
}

// AddTo adds the ladder to a network under construction, its far end connected
// to the place end, and returns the heated node. Nodes are called name, name 2,
// name 3 and so on.
func (c Cauer) AddTo(b *Builder, name string, end Place) Place {
	if len(c) == 0 {
		b.fail(&BuildError{name, "a ladder needs at least one step", 0})
		return end
	}
	places := make([]Place, len(c)+1)
	places[len(c)] = end
	for i, s := range c {
		label := name
		if i > 0 {
			label = fmt.Sprintf("%s %d", name, i+1)
		}
		places[i] = b.AddNode(label, s.Capacity)
	}
	for i, s := range c {
		b.Connect(places[i], places[i+1], s.Resistance)
	}
	return places[0]
}

// Foster converts the ladder, exactly: its stages are the modes of the network.
func (c Cauer) Foster() (Foster, error) {
	var b Builder
	c.AddTo(&b, "node", b.AddBoundary("end"))
	n, err := b.Build()
	if err != nil {
		return nil, &LadderError{-1, err.Error()}
	}
	return n.Impedance(0, nil)
}

// Impedance returns the transient thermal impedance of node i of a network as a
// Foster ladder, slowest stage first: the rise of that node per watt put into
// that node. It returns a *FloatingError where heat cannot leave.
func (n *Network) Impedance(i int, scale []float64) (Foster, error) {
	if k, ok := n.floating(scale); ok {
		return nil, &FloatingError{n.nodes[k].name}
	}
	c, err := n.Course(make([]float64, len(n.nodes)), make([]Heat, len(n.nodes)), make([]float64, len(n.boundaries)), scale)
	if err != nil {
		return nil, err
	}
	f := make(Foster, 0, len(c.rate))
	for k := len(c.rate) - 1; k >= 0; k-- {
		v := c.modes.At(i, k)
		tau := -1 / c.rate[k]
		if v*v > 0 && tau > 0 {
			f = append(f, Stage{v * v * tau / n.nodes[i].capacity, tau})
		}
	}
	return f, nil
}

// Cauer converts the ladder, exactly. The inverse of the modes of a chain is the
// Lanczos recursion started from the heated node: it builds the continued
// fraction of the impedance without forming polynomials, which would lose all
// digits beyond a handful of stages. Stages of equal time constant are merged.
func (f Foster) Cauer() (Cauer, error) {
	merged := slices.Clone(f)
	for i, s := range merged {
		if !positive(s.Resistance) || !positive(s.TimeConstant) {
			return nil, &LadderError{i, "resistance and time constant must be above zero"}
		}
	}
	slices.SortFunc(merged, func(a, b Stage) int { return cmp.Compare(b.TimeConstant, a.TimeConstant) })
	merged = mergeEqual(merged)
	size := len(merged)
	if size == 0 {
		return nil, &LadderError{-1, "it has no stage"}
	}

	// Start vector: the share of each mode in the heated node.
	initial := merged.Initial()
	basis := make([]*mat.VecDense, 0, size)
	q := mat.NewVecDense(size, nil)
	for k, s := range merged {
		q.SetVec(k, math.Sqrt(s.Resistance/s.TimeConstant/initial))
	}
	rates := make([]float64, size)
	for k, s := range merged {
		rates[k] = 1 / s.TimeConstant
	}

	c := make(Cauer, 0, size)
	capacity, inward := 1/initial, 0.0 // of the present node; conductance towards the heated node
	for {
		basis = append(basis, q)
		next := mat.NewVecDense(size, nil)
		for k := range size {
			next.SetVec(k, rates[k]*q.AtVec(k))
		}
		outward := mat.Dot(q, next)*capacity - inward
		if !positive(outward) {
			return nil, &LadderError{len(c), "stages too close together to be told apart in a chain"}
		}
		c = append(c, CauerStep{1 / outward, capacity})
		if len(c) == size {
			return c, nil
		}
		for range 2 { // twice is enough to keep the basis orthogonal
			for _, p := range basis {
				next.AddScaledVec(next, -mat.Dot(p, next), p)
			}
		}
		off := mat.Norm(next, 2)
		if !positive(off) {
			return nil, &LadderError{len(c), "stages too close together to be told apart in a chain"}
		}
		next.ScaleVec(1/off, next)
		capacity = outward * outward / (off * off * capacity)
		inward, q = outward, next
	}
}

func mergeEqual(sorted Foster) Foster {
	out := sorted[:0]
	for _, s := range sorted {
		if last := len(out) - 1; last >= 0 && s.TimeConstant >= out[last].TimeConstant*(1-1e-12) {
			out[last].Resistance += s.Resistance
			continue
		}
		out = append(out, s)
	}
	return out
}

// PulseTrain is a rectangular pulse of power repeated with a fixed period.
type PulseTrain struct {
	Power  float64 // W during the pulse
	Width  float64 // s
	Period float64 // s, not below Width
}

// Rise returns the highest rise (K, at the end of a pulse) and the lowest (K, at
// the end of a pause) in the pulse numbered n from 1, from cold; n = 0 stands for
// the steady train after many pulses. By superposition, stage by stage.
func (f Foster) Rise(p PulseTrain, n int) (highest, lowest float64) {
	for _, s := range f {
		charge := -math.Expm1(-p.Width / s.TimeConstant)
		repeat := 1 / -math.Expm1(-p.Period/s.TimeConstant)
		if n > 0 {
			repeat *= -math.Expm1(-float64(n) * p.Period / s.TimeConstant)
		}
		peak := p.Power * s.Resistance * charge * repeat
		highest += peak
		lowest += peak * math.Exp(-(p.Period-p.Width)/s.TimeConstant)
	}
	return highest, lowest
}

// Boundaries returns the number of boundaries, the length of boundary.
func (n *Network) Boundaries() int { return len(n.boundaries) }

// BoundaryName returns the name of boundary i.
func (n *Network) BoundaryName(i int) string { return n.boundaries[i] }

// Derivatives sets dT (K/s) to the rate of change of the node temperatures T (K)
// under heat (W per node) and boundary temperatures (K). It allocates nothing;
// dT must not overlap T or heat.
func (n *Network) Derivatives(T, heat, boundary, scale, dT []float64) {
	n.check(T, heat, boundary, scale)
	copy(dT[:len(n.nodes)], heat)
	for i := range n.links {
		l := &n.links[i]
		flow := n.flow(i, T, boundary, scale)
		dT[l.a] -= flow
		if l.b >= 0 {
			dT[l.b] += flow
		}
	}
	for i, p := range n.perJoule {
		dT[i] *= p
	}
}

// Flow returns the heat (W) through a link, from its first end to its second. It is
// also C·∂(dT/dt)/∂scale of that link, up to sign: −Flow/scale at the first end,
// +Flow/scale at the second; at scale 1 use it for the Jacobian of a cooling
// that depends on another state.
func (n *Network) Flow(l Link, T, boundary, scale []float64) float64 {
	return n.flow(int(l), T, boundary, scale)
}

func (n *Network) flow(i int, T, boundary, scale []float64) float64 {
	l := &n.links[i]
	g := l.conductance
	if scale != nil {
		g *= scale[i]
	}
	if l.b >= 0 {
		return g * (T[l.a] - T[l.b])
	}
	return g * (T[l.a] - boundary[-1-l.b])
}

// BoundaryFlow adds to flow (W per boundary) the heat that the network gives to
// each boundary, for a boundary that is itself a state elsewhere (the air of a
// compartment) and for energy balances.
func (n *Network) BoundaryFlow(T, boundary, scale, flow []float64) {
	for i := range n.links {
		if b := n.links[i].b; b < 0 {
			flow[-1-b] += n.flow(i, T, boundary, scale)
		}
	}
}

// Stored returns the heat (J) held above the temperature reference (K).
func (n *Network) Stored(T []float64, reference float64) float64 {
	var sum float64
	for i := range n.nodes {
		sum += n.nodes[i].capacity * (T[i] - reference)
	}
	return sum
}

// AddJacobian adds A of dT/dt = A·T + B·q + C·Tb to a row-major matrix of which
// dst starts at the network's first diagonal element and stride is the length of
// a row: for a network at offset k in an N-state system pass J[k*N+k:] and N.
// A is in 1/s.
func (n *Network) AddJacobian(scale, dst []float64, stride int) {
	for i := range n.links {
		l := &n.links[i]
		g := l.conductance
		if scale != nil {
			g *= scale[i]
		}
		a := int(l.a)
		dst[a*stride+a] -= g * n.perJoule[a]
		if l.b >= 0 {
			b := int(l.b)
			dst[a*stride+b] += g * n.perJoule[a]
			dst[b*stride+a] += g * n.perJoule[b]
			dst[b*stride+b] -= g * n.perJoule[b]
		}
	}
}

// AddBoundaryJacobian adds C of dT/dt = A·T + B·q + C·Tb (1/s), row-major with
// one row per node and stride values per row, one column per boundary.
func (n *Network) AddBoundaryJacobian(scale, dst []float64, stride int) {
	for i := range n.links {
		l := &n.links[i]
		if l.b >= 0 {
			continue
		}
		g := l.conductance
		if scale != nil {
			g *= scale[i]
		}
		dst[int(l.a)*stride+int(-1-l.b)] += g * n.perJoule[l.a]
	}
}

// PerJoule returns element (i, i) of the diagonal B of dT/dt = A·T + B·q + C·Tb: the
// rise in K per joule put into node i.
func (n *Network) PerJoule(i int) float64 { return n.perJoule[i] }

func (n *Network) check(T, heat, boundary, scale []float64) {
	if len(T) != len(n.nodes) || len(heat) != len(n.nodes) || len(boundary) != len(n.boundaries) ||
		scale != nil && len(scale) != len(n.links) {
		panic(fmt.Sprintf("thermal: network of %d nodes, %d boundaries, %d links given %d temperatures, %d heats, %d boundary temperatures, %d scales",
			len(n.nodes), len(n.boundaries), len(n.links), len(T), len(heat), len(boundary), len(scale)))
	}
}

// Derivatives sets dx (1/s) for the states x under a current (A, either sign). It
// allocates nothing.
func (m FuseModel) Derivatives(current float64, x, dx []float64) {
	m.Element.Derivatives(m.load(current), x, dx)
}

// PulseShare returns the share of the I²t that melts the element in that time which a
// pulse of constant current (A) for duration (s) uses; 1 melts it. It wears the
// element, time after time: makers state how many pulses of which share it lasts.
func (m FuseModel) PulseShare(current, duration float64) float64 {
	return m.load(current) * m.Element.Impedance(duration)
}

// Loss returns the heat of the cable at fixed current (A).
func (c Cable) Loss(current float64) Heat {
	return Heat{
		Power:       current * current * c.perMetre() * c.Length,
		Coefficient: c.Material.Coefficient,
		Reference:   Celsius20,
	}
}

// AmpacityIn returns the current (A) that holds the cable at its rated temperature in air of another temperature (K), by the
// resistance to the air that the boat's networks have.
func (c Cable) AmpacityIn(air float64) float64 {
	hot := c.perMetre() * c.Length * c.Material.Ratio(c.Rated)
	return math.Sqrt(max(0, c.Rated-air) / (c.ThermalResistance() * hot))
}

// AddTo adds the cable to a network as one node named name, joined to air, and returns the node.
func (c Cable) AddTo(b *Builder, name string, air Place) Place {
	node := b.AddNode(name, c.Capacity())
	b.Connect(node, air, c.ThermalResistance())
	return node
}

// Derivatives sets dx (K/s) for the stage rises x (K) under power (W).
func (f Foster) Derivatives(power float64, x, dx []float64) {
	for k, s := range f {
		dx[k] = (s.Resistance*power - x[k]) / s.TimeConstant
	}
}

// Aluminium returns conductor aluminium, figures of IEC 60364-5-54 annex A, from
// memory (they return its table of k).
func Aluminium() Material {
	return Material{
		Name: "aluminium", Resistivity: 28.264e-9, Coefficient: 1 / 248.0,
		Volumetric: 2.5e6, ZeroPoint: 228, Melting: zeroCelsius + 660,
	}
}
