// Coast-down.
//
// Purpose: find friction from how fast the shaft slows with no current.
// Needs: the propeller out of the water or off the shaft; free air around the motor.
// Records: motor speed, voltage, currents.
// Flags: rotor speed, which nothing holds back without a propeller.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files. A hard-wired stop in somebody's hand.
package main

import (
	"fmt"
	"math"

	"quaybench/bench"
)

func main() { bench.RunScript(coastDown, "cmd/quaybench/demo/petrel") }

func coastDown(s *bench.Script) error {
	p := bench.NewProgramme("coast-down", 20).Loaded("dry").To(1, 0.12, 0.5).To(6, 0, 0.1)
	r, err := s.Step(p)
	if err != nil {
		return err
	}
	b := s.Setup.Boat
	gear := b.Shaft.GearRatio.SI
	inertia := b.Motor.Inertia.SI + b.Shaft.Inertia.SI/(gear*gear)
	fastest, err := bench.ValueAt(r.Run, "motor speed", 6)
	if err != nil {
		return err
	}
	fmt.Println("speed before    ", bench.Format(fastest, "rpm"))
	fmt.Println("speed         drag torque")
	for _, share := range []float64{0.8, 0.6, 0.4, 0.2} {
		at, err := first(r, share*fastest)
		if err != nil {
			return err
		}
		if math.IsNaN(at) {
			continue
		}
		dt := 0.1
		before, err := bench.ValueAt(r.Run, "motor speed", at-dt)
		if err != nil {
			return err
		}
		after, err := bench.ValueAt(r.Run, "motor speed", at+dt)
		if err != nil {
			return err
		}
		slope := (after - before) / (2 * dt)
		fmt.Printf("%8s  %13s\n", bench.Format(share*fastest, "rpm"), bench.Format(-inertia*slope, "N·m"))
	}
	fmt.Print(r.Summary())
	return nil
}

// first returns when the speed has fallen to a value after the current was taken off; NaN: it has not.
func first(r *bench.StepResult, speed float64) (float64, error) {
	for t := 6.3; t < 19; t += 0.05 {
		v, err := bench.ValueAt(r.Run, "motor speed", t)
		if err != nil || v < speed {
			return t, err
		}
	}
	return math.NaN(), nil
}
