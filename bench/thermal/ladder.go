package thermal

import (
	"cmp"
	"fmt"
	"math"
	"quaybench/bench/root"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Stage is one step of a Foster ladder: the share of a rise that follows with
// one time constant.
type Stage struct {
	Resistance   float64 // K/W; without unit in the ladder of a fuse
	TimeConstant float64 // s
}

// Foster is the transient thermal impedance of one node as a sum of exponential
// stages, Zth(t) = Σ R_k (1 − e^(−t/τ_k)). Its stages have no place in the part;
// to attach anything to its far end, convert it to a Cauer ladder first.
//
// As a system with one state per stage, x_k' = (R_k P − x_k)/τ_k, the rise is
// Σ x_k.
type Foster []Stage

// Impedance returns Zth(t): the rise in K per watt, t seconds after a step of power.
func (f Foster) Impedance(t float64) float64 {
	var z float64
	for _, s := range f {
		z -= s.Resistance * math.Expm1(-t/s.TimeConstant)
	}
	return z
}

// Steady returns the thermal resistance Σ R_k in K/W.
func (f Foster) Steady() float64 {
	var sum float64
	for _, s := range f {
		sum += s.Resistance
	}
	return sum
}

// Initial returns the rate of rise per watt at once after a step, Σ R_k/τ_k, in K/J:
// the inverse of the heat capacity of the node itself.
func (f Foster) Initial() float64 {
	var sum float64
	for _, s := range f {
		sum += s.Resistance / s.TimeConstant
	}
	return sum
}

// Derivatives sets dx (K/s) for the stage rises x (K) under power (W).
func (f Foster) Derivatives(power float64, x, dx []float64) {
	for k, s := range f {
		dx[k] = (s.Resistance*power - x[k]) / s.TimeConstant
	}
}

// Advance moves the stage rises x (K) on by dt seconds of constant power (W),
// exactly.
func (f Foster) Advance(power, dt float64, x []float64) {
	for k, s := range f {
		x[k] -= (s.Resistance*power - x[k]) * math.Expm1(-dt/s.TimeConstant)
	}
}

// TimeTo returns how long (s) a step of power (W) takes to bring the rise (K) from
// nothing; +Inf if it never does.
func (f Foster) TimeTo(power, rise float64) float64 {
	switch {
	case rise <= 0 || math.IsInf(power, 1):
		return 0
	case !(power*f.Steady() > rise):
		return math.Inf(1)
	}
	reached := func(t float64) bool { return power*f.Impedance(t) >= rise }
	// The rise bends down all the way, so its first slope gives a lower bound.
	from := max(rise/(power*f.Initial()), 1e-300)
	to := from
	for !reached(to) {
		if from, to = to, 2*to; math.IsInf(to, 1) {
			return to
		}
	}
	return root.Change(from, to, 0, reached)
}

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
