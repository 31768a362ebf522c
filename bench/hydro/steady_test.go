package hydro

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func launch(t require.TestingT) Hull {
	r, err := NewSpeedPower([]SpeedPower{{1.0, 110}, {1.8, 700}, {2.4, 2200}, {2.8, 4400}}, 0.5)
	require.NoError(t, err)
	return Hull{Resistance: r, Mass: 2300, AddedMass: 180, Wake: 0.08, ThrustDeduction: 0.1}
}

func TestSteadySpeed(t *testing.T) {
	h := launch(t)
	m := launchPropeller()
	m.AdvanceSpeed, m.Thrust = h.AdvanceSpeed(2.4), h.ThrustNeeded(2.4)
	s, err := NewMeasured(m)
	require.NoError(t, err)

	// A motor that gives just the measured torque settles at the measured point.
	_, torque := s.Loads(m.ShaftSpeed, m.AdvanceSpeed, m.Density)
	p, err := SteadySpeed(h, s, m.Density, func(float64) float64 { return torque }, 60)
	require.NoError(t, err)
	assert.InDelta(t, 2.4, p.Speed, 1e-3)
	assert.InDelta(t, 15, p.ShaftSpeed, 1e-3)
	assert.InDelta(t, m.Power, p.Power, 1)

	// Held at the bollard, the same torque turns slower and pulls harder.
	b, err := Bollard(s, m.Density, func(float64) float64 { return torque }, 60)
	require.NoError(t, err)
	assert.Zero(t, b.Speed)
	assert.Less(t, b.ShaftSpeed, p.ShaftSpeed)
	assert.Greater(t, b.Thrust, p.Thrust)

	_, err = SteadySpeed(h, s, m.Density, func(float64) float64 { return 1e4 }, 60)
	assert.ErrorIs(t, err, ErrNoSteady)
	_, err = SteadySpeed(h, s, m.Density, func(float64) float64 { return 0 }, 60)
	assert.ErrorContains(t, err, "torque at standstill")
	_, err = SteadySpeed(h, s, m.Density, func(float64) float64 { return 1 }, math.NaN())
	var out *RangeError
	assert.ErrorAs(t, err, &out)
}

// At a steady point both balances hold, and more torque never makes the boat slower.
func TestSteadyBalances(t *testing.T) {
	h := launch(t)
	s, err := NewMeasured(launchPropeller())
	require.NoError(t, err)
	at := func(t *rapid.T, stall, free float64) Steady {
		p, err := SteadySpeed(h, s, 1000, func(n float64) float64 { return stall * (1 - n/free) }, free)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	rapid.Check(t, func(t *rapid.T) {
		stall := rapid.Float64Range(1, 120).Draw(t, "stall torque")
		free := rapid.Float64Range(5, 40).Draw(t, "free speed")
		p := at(t, stall, free)
		thrust, torque := s.Loads(p.ShaftSpeed, h.AdvanceSpeed(p.Speed), 1000)
		if f := h.NetForce(p.Speed, thrust, p.Speed); math.Abs(f) > 1e-6*(1+thrust) {
			t.Fatalf("net force %g N at %+v", f, p)
		}
		if q := stall*(1-p.ShaftSpeed/free) - torque; math.Abs(q) > 1e-6*stall {
			t.Fatalf("net torque %g N·m at %+v", q, p)
		}
		if more := at(t, stall*1.1, free); more.Speed < p.Speed {
			t.Fatalf("more torque, less speed: %+v then %+v", p, more)
		}
	})
}

// One propeller in every state a boat puts it in. Negative torque: the water turns the
// shaft ahead; on a shaft that turns astern (crash stop) it is what the motor must give.
func ExampleScrew_Loads() {
	s, err := NewBSeries(BSeries{Diameter: 0.33, Blades: 3, AreaRatio: 0.5, PitchRatio: 0.8})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, at := range []struct {
		what  string
		n, va float64
	}{
		{"ahead", 15, 2.4},
		{"bollard ahead", 15, 0},
		{"bollard astern", -15, 0},
		{"crash stop", -10, 2.4},
		{"shaft locked", 0, 2.4},
		{"windmilling", 6, 2.4},
	} {
		thrust, torque := s.Loads(at.n, at.va, 1000)
		fmt.Printf("%-15s %5.0f N %4.0f N·m\n", at.what, thrust, torque)
	}
	// Output:
	// ahead             437 N   19 N·m
	// bollard ahead     858 N   34 N·m
	// bollard astern   -560 N  -30 N·m
	// crash stop       -455 N  -19 N·m
	// shaft locked     -135 N   -5 N·m
	// windmilling       -92 N   -3 N·m
}
