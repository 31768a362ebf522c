package hydro

import (
	"errors"
	"fmt"
	"math"
	"quaybench/bench/root"
)

// Steady is a self-propulsion point: boat and shaft both at rest in their speeds.
type Steady struct {
	Speed      float64 // boat, m/s through the water
	ShaftSpeed float64 // rev/s
	Thrust     float64 // N
	Torque     float64 // N·m
	Power      float64 // W at the shaft
}

// ErrNoSteady reports that no steady point lies below the given highest shaft speed.
var ErrNoSteady = errors.New("no steady point: the motor still out-pulls the propeller at the highest shaft speed")

// SteadySpeed returns the ahead self-propulsion point of hull and propeller in still
// air for a shaft torque law: the torque in N·m the motor gives at shaft speed n in
// rev/s, positive at n = 0 and falling or constant. highest is the highest shaft speed
// in rev/s that is searched.
func SteadySpeed(h Hull, p Propeller, rho float64, torque func(n float64) float64, highest float64) (Steady, error) {
	return steady(h.boatSpeed, h, p, rho, torque, highest)
}

// Bollard returns the point with the boat held: zero speed.
func Bollard(p Propeller, rho float64, torque func(n float64) float64, highest float64) (Steady, error) {
	held := func(Propeller, float64, float64) float64 { return 0 }
	return steady(held, Hull{}, p, rho, torque, highest)
}

func steady(speed func(Propeller, float64, float64) float64, h Hull, p Propeller, rho float64, torque func(float64) float64, highest float64) (Steady, error) {
	if err := within("highest shaft speed in rev/s", highest, 1e-6, 1e4, "a shaft"); err != nil {
		return Steady{}, fmt.Errorf("steady point: %w", err)
	}
	at := func(n float64) Steady {
		v := speed(p, n, rho)
		va := h.AdvanceSpeed(v)
		t, q := p.Loads(n, va, rho)
		return Steady{Speed: v, ShaftSpeed: n, Thrust: t, Torque: q, Power: 2 * math.Pi * n * q}
	}
	excess := func(n float64) float64 { return torque(n) - at(n).Torque }
	if torque(0) <= 0 {
		return Steady{}, fmt.Errorf("steady point: the torque at standstill must be above zero")
	}
	if excess(highest) > 0 {
		return at(highest), ErrNoSteady
	}
	return at(root.Zero(0, highest, excess)), nil
}

// boatSpeed returns the speed at which the propeller at n just drives the hull.
func (h Hull) boatSpeed(p Propeller, n, rho float64) float64 {
	surplus := func(v float64) float64 {
		t, _ := p.Loads(n, h.AdvanceSpeed(v), rho)
		return h.NetForce(v, t, v)
	}
	high := 1.0
	for surplus(high) > 0 && high < 100 {
		high *= 2
	}
	return root.Zero(0, high, surplus)
}
