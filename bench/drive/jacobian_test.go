package drive

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/boat"
	"quaybench/bench/control"
	"quaybench/bench/ode/odetest"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

// demo reads a boat of the demo book.
func demo(t *testing.T, name string) (*boat.Boat, settings.Set) {
	t.Helper()
	return benchtest.Boat(t, name)
}

// anyState draws a state of a run and its mode: hot and cold, full and empty, either way round, at rest and racing.
func anyState(r *Run, rng *rand.Rand) []float64 {
	l := &r.layout
	between := func(lo, hi float64) float64 { return lo + (hi-lo)*rng.Float64() }
	y := make([]float64, l.size)
	y[l.charge] = between(0.02, 1)
	for k := range r.battery.wells {
		y[l.lag+k] = between(0, 0.05)
	}
	for k := range r.battery.pairs {
		y[l.pair+k] = between(-0.5, 1)
	}
	y[l.speed] = between(-1.2, 1.2) * r.motor.ratedSpeed
	if rng.IntN(4) == 0 {
		y[l.speed] = between(-5, 5)
	}
	y[l.boat] = between(-1.5, 3.5)
	x := r.ControlState(y)
	x[control.Demand] = between(-1, 1)
	if rng.IntN(3) == 0 {
		x[control.Demand] = math.Copysign(1, x[control.Demand])
	}
	full := r.battery.openCircuit(1)
	x[control.Voltage] = between(0.85, 1.1) * full
	x[control.StageSensor] = between(300, 375)
	x[control.MotorSensor] = between(300, 430)
	x[control.BoostLeft] = between(0.1, 0.9)
	for k := range r.fuse.States() {
		y[l.fuse+k] = between(0, 0.1)
	}
	for k := range r.stage.foster[0] {
		y[l.switching+k] = between(0, 30)
	}
	for k := range r.stage.foster[1] {
		y[l.freewheel+k] = between(0, 30)
	}
	for i := range r.heat {
		y[l.nodes+i] = between(270, 400)
	}
	if l.link >= 0 {
		y[l.motorCurrent] = between(-200, 200)
		y[l.path] = between(-150, 150)
		y[l.link] = between(0.8, 1.1) * full
	}
	r.Mode = control.Mode{Released: true, Resting: rng.IntN(2) == 0, Stalling: rng.IntN(2) == 0, Low: rng.IntN(2) == 0}
	r.Connected = rng.IntN(8) != 0
	r.Locked = rng.IntN(8) == 0
	r.CoolingLost = rng.IntN(4) == 0
	r.Loaded = rng.IntN(2) == 0
	r.Changed()
	return y
}

// sizes returns the widths that matter of each state.
func sizes(r *Run) []float64 {
	s := make([]float64, r.layout.size)
	for i, tol := range r.Tolerances(1e-5) {
		s[i] = tol * 1e3
	}
	return s
}

// smooth says that no kink lies within the difference quotients around a state: both sides agree.
func (s *Run) smooth(y, size []float64) bool {
	n := len(y)
	here := make([]float64, n)
	s.Derivatives(0, y, here)
	slope := func(k int, width float64) []float64 {
		moved, there := append([]float64(nil), y...), make([]float64, n)
		moved[k] = y[k] + width
		s.Derivatives(0, moved, there)
		for i := range there {
			there[i] = (there[i] - here[i]) / width
		}
		return there
	}
	worst := make([]float64, n)
	right, left := make([][]float64, n), make([][]float64, n)
	for k := range n {
		right[k], left[k] = slope(k, 1e-5*size[k]), slope(k, -1e-5*size[k])
		for i := range n {
			worst[i] = max(worst[i], math.Abs(right[k][i])*size[k])
		}
	}
	for k := range n {
		for i := range n {
			if math.Abs(right[k][i]-left[k][i])*size[k] > 1e-4*worst[i]+1e-6*math.Abs(here[i]) {
				return false
			}
		}
	}
	return true
}

// regime names what sets the motor current.
func regime(r *Run, p *Point) string {
	w := p.Measured.Speed
	switch {
	case !r.Connected:
		return "disconnected"
	case r.Locked:
		return "locked"
	case p.Uncontrolled:
		return "uncontrolled"
	case p.BatteryLimited:
		return "battery limit"
	case p.ChargeLimited:
		return "charge limit"
	case p.DutyLimited:
		return "full duty"
	case p.Command.Deratings.Driving < 1 && p.MotorCurrent*w > 0:
		return "derated"
	case p.DriveLoop.againstBoth():
		return "both ways round"
	case p.MotorCurrent*w < 0 && r.stage.braking:
		return "braking"
	case p.MotorCurrent*w < 0:
		return "plugging"
	}
	return "driving"
}

// TestJacobian holds what a run says of its Jacobian against difference quotients, and its solutions against its products, at states of
// every kind; with the tag slow at 5,000 of each.
func TestJacobian(t *testing.T) { walkJacobian(t, 250) }

func walkJacobian(t *testing.T, states int) {
	want := map[string][]string{
		"petrel":       {"disconnected", "locked", "battery limit", "charge limit", "full duty", "derated", "braking", "driving"},
		"petrel-refit": {"disconnected", "locked", "battery limit", "charge limit", "full duty", "derated", "braking", "driving"},
		"bracken":      {"disconnected", "locked", "battery limit", "full duty", "derated", "plugging", "driving"},
	}
	want["bracken, otherwise fitted"], want["petrel, otherwise fitted"] = want["bracken"], want["petrel"]
	for _, name := range []string{"petrel", "bracken", "petrel-refit", "bracken, otherwise fitted", "petrel, otherwise fitted"} {
		for _, electrical := range []bool{false, true} {
			for _, demand := range []string{"torque", "voltage"} {
				t.Run(fmt.Sprintf("%s, electrical %v, %s", name, electrical, demand), func(t *testing.T) {
					at, other, _ := strings.Cut(name, ",")
					b, s := demo(t, at)
					if other != "" { // all that neither boat has, at once
						refit, _ := demo(t, "petrel-refit")
						b.Charging = refit.Charging
						b.Charging.VoltageLimit.SI *= float64(b.Battery.Cells) * chemistryOCV[b.Battery.Chemistry][len(chemistryOCV[b.Battery.Chemistry])-1][1] / 56
						b.Stage.Freewheel = map[string]string{"diode": "synchronous", "synchronous": "diode"}[b.Stage.Freewheel]
						b.Stage.FreewheelDrop = quantity.Exactly(0.9)
						b.Motor.Cooling, b.Battery.Place, b.Cables[0].Place, b.Fuse.Place = "water", "air", "air", "air"
						s.Derating.MotorSensor, s.Derating.Combine = "winding", "product"
					}
					s.Throttle.Demand = demand
					s.Limits.BatteryCurrent, s.Limits.ChargeCurrent, s.Limits.Duty = 70, 15, 0.6 // so that each of them acts
					m, err := New(b, s, Conditions{Air: 298, Water: 288, Charging: true, Electrical: electrical, Load: Fouled, LoadFactor: 1.8})
					require.NoError(t, err)
					r := m.NewRun(func(t float64) float64 { return 0.4 + 0.2*t })
					rng := rand.New(rand.NewPCG(7, 11))
					size := sizes(r)
					seen, kinks, hidden, refused := map[string]int{}, 0, 0, 0
					for range states {
						y := anyState(r, rng)
						if !r.smooth(y, size) {
							kinks++
							continue
						}
						what := regime(r, r.Point(0, y))
						seen[what]++
						if r.Point(0, y).DriveLoop.rule == otherwise && odetest.Verify(r, 0, y, size) != nil {
							hidden++ // quotients of the operating point that met a kink next to them
							continue
						}
						require.NoError(t, odetest.Verify(r, 0, y, size), "%s: states %v, mode %+v", what, y, r.Mode)
						b := make([]float64, len(y))
						for i := range b {
							b[i] = rng.NormFloat64() * size[i]
						}
						diagonal := math.Exp(rng.Float64()*14 - 5)
						if !r.Factorise(diagonal) { // something would run away within such a step
							refused++
							diagonal *= 300
						}
						require.NoError(t, odetest.VerifySolutions(r, diagonal, b, size, 1e-9), "%s: states %v, mode %+v", what, y, r.Mode)
					}
					t.Log(seen, kinks, hidden, refused)
					require.LessOrEqual(t, hidden, states/1000)
					require.Less(t, refused, 3+states/50)
					if states > 1000 && r.stage.braking && other != "" { // else switch and diode drop the same
						require.NotZero(t, seen["both ways round"])
					}
					for _, what := range want[name] {
						if states < 500 && what == "battery limit" { // rare
							continue
						}
						require.NotZero(t, seen[what], "%s in %v", what, seen)
					}
				})
			}
		}
	}
}
