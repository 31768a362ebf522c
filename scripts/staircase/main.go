// Throttle staircase.
//
// Purpose: find where the drive stands at each throttle: motor current, battery current, speed, and how they agree with
// the prediction.
// Needs: the boat moored fore and aft; the controller on a line, or the simulated one; half a charge or more.
// Records: lever, voltage, battery current, motor current, motor speed, heat sink temperature; winding, junctions, joints
// and fuse are inferred.
// Flags: any part that is close to its limit or over it, and any reading outside the predicted band.
// Caution: a simulation is no proof of safety; follow the makers' limits, the rules that apply where you are, and licensed
// practice. A hard-wired stop in somebody's hand.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(staircase) }

func staircase(s *bench.Script) error {
	p := bench.NewProgramme("throttle staircase", 66)
	for i := 1; i <= 5; i++ {
		p.To(float64(2+12*(i-1)), 0.2*float64(i), 1)
	}
	p.To(62, 0, 1)
	r, err := s.Step(p)
	if err != nil {
		return err
	}
	fmt.Println("lever    motor current  battery current  voltage  motor speed")
	for i := 1; i <= 5; i++ {
		from, to := float64(12*i-3), float64(12*i+1)
		fmt.Printf("%4.0f %%  %14s  %15s  %7s  %11s\n", 20*float64(i),
			bench.Format(bench.MeanBetween(r.Run, "motor current", from, to), "A"),
			bench.Format(bench.MeanBetween(r.Run, "battery current", from, to), "A"),
			bench.Format(bench.MeanBetween(r.Run, "voltage at the controller", from, to), "V"),
			bench.Format(bench.MeanBetween(r.Run, "motor speed", from, to), "rpm"))
	}
	fmt.Print(r.Summary())
	return nil
}
