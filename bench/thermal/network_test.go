package thermal_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/thermal"
)

// motor returns a winding in a housing in air, the network most tests use.
func motor(t testing.TB) (n *thermal.Network, toAir thermal.Link) {
	var b thermal.Builder
	winding := b.AddNode("winding", 900)
	housing := b.AddNode("housing", 6000)
	air := b.AddBoundary("air")
	b.Connect(winding, housing, 0.10)
	toAir = b.Connect(air, housing, 0.25)
	n, err := b.Build()
	require.NoError(t, err)
	return n, toAir
}

func TestDerivativesFollowTheHeatBalance(t *testing.T) {
	n, toAir := motor(t)
	T := []float64{350, 320}
	heat := []float64{500, 20}
	air := []float64{300}
	dT := make([]float64, 2)

	n.Derivatives(T, heat, air, nil, dT)
	assert.InDelta(t, (500-300.0)/900, dT[0], 1e-12)
	assert.InDelta(t, (20+300-80.0)/6000, dT[1], 1e-12)

	scale := []float64{1, 1}
	scale[toAir] = 3 // a fan
	n.Derivatives(T, heat, air, scale, dT)
	assert.InDelta(t, (20+300-240.0)/6000, dT[1], 1e-12)

	allocations := testing.AllocsPerRun(100, func() { n.Derivatives(T, heat, air, scale, dT) })
	assert.Zero(t, allocations)
}

func TestMatricesAgreeWithDerivatives(t *testing.T) {
	n, _ := motor(t)
	T, heat, air, scale := []float64{350, 320}, []float64{500, 20}, []float64{300}, []float64{0.5, 2}
	want := make([]float64, 2)
	n.Derivatives(T, heat, air, scale, want)

	const size, offset = 5, 2 // the network lies in the middle of a bigger system
	J := make([]float64, size*size)
	n.AddJacobian(scale, J[offset*size+offset:], size)
	C := make([]float64, 2)
	n.AddBoundaryJacobian(scale, C, 1)
	for i := range want {
		got := n.PerJoule(i)*heat[i] + C[i]*air[0]
		for j := range T {
			got += J[(offset+i)*size+offset+j] * T[j]
		}
		assert.InDelta(t, want[i], got, 1e-12)
	}
}

func TestHeatIsNeitherMadeNorLost(t *testing.T) {
	n, _ := motor(t)
	T, heat, air := []float64{350, 320}, []float64{500, 20}, []float64{300}
	dT := make([]float64, 2)
	n.Derivatives(T, heat, air, nil, dT)
	out := make([]float64, 1)
	n.BoundaryFlow(T, air, nil, out)
	stored := n.Stored(dT, 0) // capacities are constant, so this is the rate of storing
	assert.InDelta(t, 520, stored+out[0], 1e-9)
}

func TestBuildRefusesWhatNoNetworkCanHold(t *testing.T) {
	for name, build := range map[string]func(b *thermal.Builder){
		"no node":             func(b *thermal.Builder) { b.AddBoundary("air") },
		"zero capacity":       func(b *thermal.Builder) { b.AddNode("winding", 0) },
		"negative resistance": func(b *thermal.Builder) { b.Connect(b.AddNode("winding", 1), b.AddBoundary("air"), -1) },
		"to itself":           func(b *thermal.Builder) { w := b.AddNode("winding", 1); b.Connect(w, w, 1) },
		"two boundaries": func(b *thermal.Builder) {
			b.AddNode("winding", 1)
			b.Connect(b.AddBoundary("air"), b.AddBoundary("water"), 1)
		},
	} {
		t.Run(name, func(t *testing.T) {
			var b thermal.Builder
			build(&b)
			_, err := b.Build()
			var bad *thermal.BuildError
			require.ErrorAs(t, err, &bad)
		})
	}
}
