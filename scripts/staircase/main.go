// Throttle staircase.
//
// Purpose: find where the drive stands at each throttle: motor current, battery current, speed, and how they agree with
// the prediction.
// Needs: the boat moored fore and aft; the controller on a line, or the simulated one; half a charge or more.
// Records: lever, voltage, battery current, motor current, motor speed, heat sink temperature; winding, junctions, joints
// and fuse are inferred.
// Flags: any part that is close to its limit or over it, and any reading outside the predicted band.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files. A hard-wired stop in somebody's hand.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(staircase, "cmd/quaybench/demo/petrel") }

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
		fmt.Printf("%4.0f %%", 20*float64(i))
		for _, column := range []struct {
			trace, unit string
			width       int
		}{{"motor current", "A", 14}, {"battery current", "A", 15}, {"voltage at the controller", "V", 7}, {"motor speed", "rpm", 11}} {
			mean, err := bench.MeanBetween(r.Run, column.trace, from, to)
			if err != nil {
				return err
			}
			fmt.Printf("  %*s", column.width, bench.Format(mean, column.unit))
		}
		fmt.Println()
	}
	fmt.Print(r.Summary())
	return nil
}
