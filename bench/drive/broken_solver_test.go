package drive

import (
	"math"
	"math/rand/v2"
	"quaybench/bench/ode/odetest"
	"testing"

	"github.com/stretchr/testify/require"
)

// tampered is a run whose linearisation is made wrong after the fact.
type tampered struct {
	*Run
	spoil func(*jacobian)
}

func (s tampered) Linearise(t float64, y, dfdt []float64) {
	s.Run.Linearise(t, y, dfdt)
	s.spoil(&s.linear.j)
}

// TestBrokenLinearisationsAreCaught: a wrong sign or a coupling left out of the structure disagrees with difference quotients, at one
// of the states that TestJacobian walks at the latest.
func TestBrokenLinearisationsAreCaught(t *testing.T) {
	for name, broken := range map[string]struct {
		boat       string
		electrical bool
		spoil      func(m *Model, j *jacobian)
	}{
		"torque drives the shaft the wrong way":          {"petrel", false, func(_ *Model, j *jacobian) { j.torque = -j.torque }},
		"the hull does not feel the shaft":               {"petrel", false, func(_ *Model, j *jacobian) { j.vw = 0 }},
		"the shaft does not feel the hull":               {"petrel", false, func(_ *Model, j *jacobian) { j.wv = 0 }},
		"the housing is not cooled by the fan's speed":   {"petrel", false, func(_ *Model, j *jacobian) { j.cooled = 0 }},
		"the sink's link outwards left out":              {"petrel", false, func(m *Model, j *jacobian) { j.g[m.nodes.sink] = 0 }},
		"a cold bank resists less":                       {"petrel", false, func(_ *Model, j *jacobian) { j.cold = -j.cold }},
		"winding resistance does not rise":               {"petrel", false, func(_ *Model, j *jacobian) { j.wind = 0 }},
		"the winding does not heat by current":           {"petrel", false, func(m *Model, j *jacobian) { j.into[m.nodes.winding][hMotor] = 0 }},
		"polarisation heats nothing":                     {"petrel", false, func(_ *Model, j *jacobian) { j.pairHeat = [2]float64{} }},
		"open-circuit voltage the wrong way":             {"petrel", false, func(_ *Model, j *jacobian) { j.openSlope = -j.openSlope }},
		"a derating that its sensor does not see":        {"petrel", false, func(_ *Model, j *jacobian) { j.driving[1] = 0 }},
		"heat accounted for twice":                       {"petrel", false, func(_ *Model, j *jacobian) { j.total[hSink] *= 2 }},
		"the fuse's air left out":                        {"petrel", false, func(_ *Model, j *jacobian) { j.fuseAir = 0 }},
		"armature current does not heat the bars":        {"bracken", false, func(m *Model, j *jacobian) { j.into[m.nodes.hotspot][hArmature] = 0 }},
		"the hottest phase does not see the winding":     {"petrel-refit", false, func(_ *Model, j *jacobian) { j.hotspot = 0 }},
		"junctions of a brushless motor see no speed":    {"petrel-refit", false, func(_ *Model, j *jacobian) { j.ladderW = [2]float64{} }},
		"charging does not depend on the bank's voltage": {"petrel-refit", false, func(_ *Model, j *jacobian) { j.outInner = 0 }},
		"the link does not hold the path back":           {"petrel", true, func(_ *Model, j *jacobian) { j.pathLink = 0 }},
		"the path does not charge the link":              {"petrel", true, func(_ *Model, j *jacobian) { j.linkPath = 0 }},
		"the current loop left out":                      {"petrel", true, func(_ *Model, j *jacobian) { j.motorOwn = 0 }},
	} {
		t.Run(name, func(t *testing.T) {
			b, s := demo(t, broken.boat)
			m, err := New(b, s, Conditions{Air: 298, Water: 288, Charging: true, Electrical: broken.electrical, Load: Fouled, LoadFactor: 1.8})
			require.NoError(t, err)
			r := m.NewRun(func(t float64) float64 { return 0.4 })
			rng, size := rand.New(rand.NewPCG(7, 11)), sizes(r)
			for range 200 {
				y := anyState(r, rng)
				if odetest.Verify(r, 0, y, size) != nil { // at a kink
					continue
				}
				if odetest.Verify(tampered{r, func(j *jacobian) { broken.spoil(m, j) }}, 0, y, size) != nil {
					return
				}
			}
			t.Error("nobody noticed")
		})
	}
}

// TestBrokenSolutionsAreCaught: so does a solver whose factors are not those of the products it gives.
func TestBrokenSolutionsAreCaught(t *testing.T) {
	for name, spoil := range map[string]func(*Run){
		"a node's row passed on with the wrong sign": func(r *Run) { r.linear.up[len(r.linear.up)-1] *= -1 },
		"a node's pivot":                  func(r *Run) { r.linear.inv[r.nodes.battery] *= 1.001 },
		"a column of heat forgotten":      func(r *Run) { r.linear.columns[r.nodes.winding][hMotor] = 0 },
		"an output's joint":               func(r *Run) { r.linear.G[0][0] += 0.01 * (1 + math.Abs(r.linear.G[0][0])) },
		"shaft and hull":                  func(r *Run) { r.linear.torqueV = 0 },
		"the ladder's share of an output": func(r *Run) { r.linear.ladderB[0][0] = 0 },
	} {
		t.Run(name, func(t *testing.T) {
			b, s := demo(t, "petrel")
			m, err := New(b, s, Conditions{Air: 298, Water: 288})
			require.NoError(t, err)
			r := m.NewRun(func(float64) float64 { return 0.4 })
			rng, size := rand.New(rand.NewPCG(7, 11)), sizes(r)
			for range 50 {
				y := anyState(r, rng)
				r.Linearise(0, y, make([]float64, len(y)))
				vector := make([]float64, len(y))
				for i := range vector {
					vector[i] = rng.NormFloat64() * size[i]
				}
				require.NoError(t, odetest.VerifySolutions(r, 2, vector, size, 1e-9))
				if odetest.VerifySolutions(spoiled{r, spoil}, 2, vector, size, 1e-9) != nil {
					return
				}
			}
			t.Error("nobody noticed")
		})
	}
}

// spoiled is a run whose factors are made wrong after the fact.
type spoiled struct {
	*Run
	spoil func(*Run)
}

func (s spoiled) Factorise(d float64) bool {
	ok := s.Run.Factorise(d)
	s.spoil(s.Run)
	return ok
}
