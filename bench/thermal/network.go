package thermal

import (
	"fmt"
	"math"
)

// Place is a point of a network that has a temperature: a node or a boundary.
// A Builder hands them out.
type Place int

// Index returns the place's position in the temperatures of the nodes or, for a
// boundary, in the temperatures of the boundaries.
func (p Place) Index() int {
	if p < 0 {
		return int(-1 - p)
	}
	return int(p)
}

// IsBoundary reports whether the place is a boundary: its temperature is given by
// the caller and no heat changes it.
func (p Place) IsBoundary() bool { return p < 0 }

// Link is a thermal resistance between two places; as an int it is the link's
// position in a slice of scale factors.
type Link int

// Builder collects nodes, boundaries and links of a Network. Its zero value is
// ready. Errors are kept until Build, so that a network reads as a list.
type Builder struct {
	nodes      []node
	boundaries []string
	links      []link
	err        error
}

type node struct {
	name     string
	capacity float64 // J/K
}

type link struct {
	a, b        Place
	conductance float64 // W/K at scale 1
}

// BuildError is a figure that no network can hold.
type BuildError struct {
	Part  string  // node, boundary or link, by name
	What  string  // the quantity at fault and what it must be
	Value float64 // as given
}

func (e *BuildError) Error() string {
	return fmt.Sprintf("thermal network: %s: %s, got %g", e.Part, e.What, e.Value)
}

// AddNode adds a node with a heat capacity in J/K, more than zero.
func (b *Builder) AddNode(name string, capacity float64) Place {
	if !positive(capacity) {
		b.fail(&BuildError{name, "heat capacity must be a number above 0 J/K", capacity})
	}
	b.nodes = append(b.nodes, node{name, capacity})
	return Place(len(b.nodes) - 1)
}

// AddBoundary adds a place whose temperature the caller gives with each call,
// such as air, compartment or water.
func (b *Builder) AddBoundary(name string) Place {
	b.boundaries = append(b.boundaries, name)
	return Place(-len(b.boundaries))
}

// Connect joins two different places by a thermal resistance in K/W, more than
// zero. At least one of them must be a node.
func (b *Builder) Connect(from, to Place, resistance float64) Link {
	name := b.placeName(from) + " to " + b.placeName(to)
	switch {
	case !b.known(from) || !b.known(to):
		panic("thermal: Connect: place of another network")
	case !positive(resistance):
		b.fail(&BuildError{name, "thermal resistance must be a number above 0 K/W", resistance})
	case from == to:
		b.fail(&BuildError{name, "a link must join two different places", resistance})
	case from.IsBoundary() && to.IsBoundary():
		b.fail(&BuildError{name, "a link must have a node at one end at least", resistance})
	}
	if from.IsBoundary() {
		from, to = to, from // a boundary is always the far end
	}
	b.links = append(b.links, link{from, to, 1 / resistance})
	return Link(len(b.links) - 1)
}

// Build returns the network, or the first *BuildError met.
func (b *Builder) Build() (*Network, error) {
	if b.err == nil && len(b.nodes) == 0 {
		b.fail(&BuildError{"network", "at least one node is needed", 0})
	}
	if b.err != nil {
		return nil, b.err
	}
	n := &Network{
		nodes:      append([]node(nil), b.nodes...),
		boundaries: append([]string(nil), b.boundaries...),
		links:      append([]link(nil), b.links...),
		perJoule:   make([]float64, len(b.nodes)),
	}
	for i, v := range n.nodes {
		n.perJoule[i] = 1 / v.capacity
	}
	return n, nil
}

func (b *Builder) fail(err error) {
	if b.err == nil {
		b.err = err
	}
}

func (b *Builder) known(p Place) bool {
	if p.IsBoundary() {
		return p.Index() < len(b.boundaries)
	}
	return p.Index() < len(b.nodes)
}

func (b *Builder) placeName(p Place) string {
	switch {
	case !b.known(p):
		return "?"
	case p.IsBoundary():
		return b.boundaries[p.Index()]
	}
	return b.nodes[p.Index()].name
}

// Network is a set of nodes with heat capacities, joined to each other and to
// boundaries by thermal conductances:
//
//	C_i dT_i/dt = q_i + Σ_links s g (T_other − T_i)
//
// with q the heat put into each node (W), g the conductance of a link (W/K) and
// s its scale at this moment: cooling that depends on speed or on a fan, or that
// is lost. Wherever a method takes scale, it is one factor per Link, or nil for
// all ones. A network holds no temperatures, so one network serves any number of
// goroutines, and several lie side by side in one state vector: hand each its
// own stretch of it, y[offset:offset+n.Nodes()].
//
// Slices of the wrong length are a programmer's mistake and panic.
type Network struct {
	nodes      []node
	boundaries []string
	links      []link
	perJoule   []float64 // 1/capacity, K/J
}

// Nodes returns the number of nodes, the length of T, heat and dT.
func (n *Network) Nodes() int { return len(n.nodes) }

// Links returns the number of links, the length of scale.
func (n *Network) Links() int { return len(n.links) }

// NodeName returns the name of node i.
func (n *Network) NodeName(i int) string { return n.nodes[i].name }

// Capacity returns the heat capacity of node i in J/K.
func (n *Network) Capacity(i int) float64 { return n.nodes[i].capacity }

// Ends returns the two places a link joins; if one is a boundary it is the second.
func (n *Network) Ends(l Link) (from, to Place) { return n.links[l].a, n.links[l].b }

// Conductance returns the conductance of a link in W/K at scale 1.
func (n *Network) Conductance(l Link) float64 { return n.links[l].conductance }

func positive(x float64) bool { return x > 0 && !math.IsInf(x, 1) }
