package ode

import (
	"math"
	"math/cmplx"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
)

// butcher is a Rosenbrock method in its own coefficients: k_i uses Σ α_ij k_j
// in the state and Σ γ_ij k_j in the Jacobian term; β = α + γ.
type butcher struct {
	alpha, gamma, beta *mat.Dense
	inverseGamma       *mat.Dense
}

// untransformed undoes u = Γ k: Γ⁻¹ = I/γ − C, α = A Γ (Hairer and Wanner II,
// section IV.7, (7.25)).
func untransformed(m *tableau) butcher {
	const s = stageCount
	a, inverse := mat.NewDense(s, s, nil), mat.NewDense(s, s, nil)
	for i := range s {
		for j := range s {
			a.Set(i, j, m.a[i][j])
			inverse.Set(i, j, -m.c[i][j])
		}
		inverse.Set(i, i, 1/m.gamma)
	}
	b := butcher{alpha: new(mat.Dense), gamma: new(mat.Dense), beta: new(mat.Dense), inverseGamma: inverse}
	if err := b.gamma.Inverse(inverse); err != nil {
		panic(err)
	}
	b.alpha.Mul(a, b.gamma)
	b.beta.Add(b.alpha, b.gamma)
	return b
}

// weights turns weights of u into weights of k.
func (b butcher) weights(m []float64) []float64 {
	var v mat.VecDense
	v.MulVec(b.gamma.T(), mat.NewVecDense(stageCount, m))
	return v.RawVector().Data
}

func rowSums(m *mat.Dense) []float64 {
	sums := make([]float64, stageCount)
	for i := range sums {
		sums[i] = mat.Sum(m.RowView(i))
	}
	return sums
}

// conditions returns left side minus right side of the order conditions up to
// order 4 for weights b that advance by theta: Hairer and Wanner, Solving
// Ordinary Differential Equations II (2nd ed. 1996), table IV.7.1 (for theta = 1),
// (7.17) for dense output.
func (b butcher) conditions(weights []float64, theta float64) map[string]float64 {
	alpha, beta := rowSums(b.alpha), rowSums(b.beta)
	sum := func(term func(i int) float64) float64 {
		var s float64
		for i, w := range weights {
			s += w * term(i)
		}
		return s
	}
	inner := func(m *mat.Dense, i int, v func(j int) float64) float64 {
		var s float64
		for j := range stageCount {
			s += m.At(i, j) * v(j)
		}
		return s
	}
	betaAt := func(j int) float64 { return beta[j] }
	return map[string]float64{
		"1: τ":             sum(func(int) float64 { return 1 }) - theta,
		"2: [τ]":           sum(betaAt) - math.Pow(theta, 2)/2,
		"3: [τ,τ]":         sum(func(i int) float64 { return alpha[i] * alpha[i] }) - math.Pow(theta, 3)/3,
		"3: [[τ]]":         sum(func(i int) float64 { return inner(b.beta, i, betaAt) }) - math.Pow(theta, 3)/6,
		"4: [τ,τ,τ]":       sum(func(i int) float64 { return math.Pow(alpha[i], 3) }) - math.Pow(theta, 4)/4,
		"4: [τ,[τ]]":       sum(func(i int) float64 { return alpha[i] * inner(b.alpha, i, betaAt) }) - math.Pow(theta, 4)/8,
		"4: [[τ,τ]]":       sum(func(i int) float64 { return inner(b.beta, i, func(j int) float64 { return alpha[j] * alpha[j] }) }) - math.Pow(theta, 4)/12,
		"4: [[[τ]]]":       sum(func(i int) float64 { return inner(b.beta, i, func(j int) float64 { return inner(b.beta, j, betaAt) }) }) - math.Pow(theta, 4)/24,
		"any J: Σbγ = 0":   sum(func(i int) float64 { return rowSums(b.gamma)[i] }),
		"any J: Σbα = 1/2": sum(func(i int) float64 { return alpha[i] }) - math.Pow(theta, 2)/2,
	}
}

func mainWeights(m *tableau) []float64 {
	w := m.a[stageCount-1]
	w[stageCount-1] = 1
	return w[:]
}

func TestTableau(t *testing.T) {
	m := &rodas4p2
	b := untransformed(m)
	require.InDeltaSlice(t, m.alpha[:], rowSums(b.alpha), 1e-13, "α_i are the row sums")
	require.InDeltaSlice(t, m.gammas[:], rowSums(b.gamma), 1e-13, "γ_i are the row sums")

	t.Run("order 4", func(t *testing.T) {
		for name, gap := range b.conditions(b.weights(mainWeights(m)), 1) {
			require.InDelta(t, 0, gap, 1e-13, name)
		}
	})
	t.Run("embedded order 3 and not 4", func(t *testing.T) {
		embedded := m.a[stageCount-1]
		gaps := b.conditions(b.weights(embedded[:]), 1)
		for _, name := range []string{"1: τ", "2: [τ]", "3: [τ,τ]", "3: [[τ]]"} {
			require.InDelta(t, 0, gaps[name], 1e-13, name)
		}
		require.Greater(t, math.Abs(gaps["4: [τ,τ,τ]"]), 1e-3, "an embedded method of the same order would estimate nothing")
	})
	t.Run("dense output order 3", func(t *testing.T) {
		for _, theta := range []float64{0.1, 0.25, 0.5, 0.75, 0.9} {
			gaps := b.conditions(b.weights(denseWeights(m, theta)), theta)
			for _, name := range []string{"1: τ", "2: [τ]", "3: [τ,τ]", "3: [[τ]]"} {
				require.InDelta(t, 0, gaps[name], 1e-13, "%s at θ = %g", name, theta)
			}
		}
	})
	t.Run("stiffly accurate", func(t *testing.T) {
		// The last row of β is the weights: the result lies on the fast manifold.
		require.InDeltaSlice(t, b.weights(mainWeights(m)), b.beta.RawRowView(stageCount-1), 1e-13)
	})
	t.Run("A-stable and L-stable", func(t *testing.T) {
		for _, w := range [][]float64{b.weights(mainWeights(m)), b.weights(m.a[stageCount-1][:])} {
			require.InDelta(t, 0, cmplx.Abs(b.stability(w, complex(-1e8, 0))), 1e-6, "R at minus infinity")
		}
		// |R| <= 1 on the imaginary axis and no pole to its left is
		// A-stability (maximum principle); the only pole is at 1/γ > 0.
		for y := 1e-3; y < 1e6; y *= 1.1 {
			require.LessOrEqual(t, cmplx.Abs(b.stability(b.weights(mainWeights(m)), complex(0, y))), 1+1e-13, "R at %gi", y)
		}
	})
}

func denseWeights(m *tableau, theta float64) []float64 {
	w := mainWeights(m)
	for j := range w {
		w[j] = theta * (w[j] + (1-theta)*(m.d1[j]+theta*m.d2[j]))
	}
	return w
}

// stability is R(z) = 1 + z bᵀ (I − zβ)⁻¹ 1; I − zβ is lower triangular.
func (b butcher) stability(weights []float64, z complex128) complex128 {
	var k [stageCount]complex128
	r := complex(1, 0)
	for i := range k {
		sum := complex(1, 0)
		for j := range i {
			sum += z * complex(b.beta.At(i, j), 0) * k[j]
		}
		k[i] = sum / (1 - z*complex(b.beta.At(i, i), 0))
		r += z * complex(weights[i], 0) * k[i]
	}
	return r
}
