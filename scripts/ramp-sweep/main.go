// Ramp sweep.
//
// Purpose: weigh feel against current: how soon the propeller pulls, and what current peak each ramp costs.
// Needs: nothing but the boat file: it is simulated. Try the ramp you choose with a step test.
// Records: per ramp the time to half the speed of the shaft and the peaks of motor and battery current.
// Flags: any part that is close to its limit or over it.
// Caution: a simulation is no proof of safety; follow the makers' limits, the rules that apply where you are, and licensed
// practice.
package main

import (
	"fmt"
	"math"

	"quaybench/bench"
)

func main() { bench.RunScript(rampSweep) }

func rampSweep(s *bench.Script) error {
	fmt.Println("ramp rise  half speed after  motor current peak  battery current peak")
	for _, ramp := range []string{"0.5 s", "1 s", "2 s", "4 s"} {
		with, err := s.With("ramp.rise", ramp)
		if err != nil {
			return err
		}
		r, err := with.Simulate(bench.NewProgramme("ramp "+ramp, 12).Underway().To(1, 1, 0))
		if err != nil {
			return err
		}
		final := bench.ValueAt(r.Run, "motor speed", 12)
		half := math.NaN()
		motor, battery := 0.0, 0.0
		for t := 1.0; t <= 12; t += 0.02 {
			if math.IsNaN(half) && bench.ValueAt(r.Run, "motor speed", t) >= final/2 {
				half = t - 1
			}
			motor = math.Max(motor, bench.ValueAt(r.Run, "motor current", t))
			battery = math.Max(battery, bench.ValueAt(r.Run, "battery current", t))
		}
		fmt.Printf("%9s  %16s  %18s  %20s\n", ramp, bench.Format(half, "s"), bench.Format(motor, "A"), bench.Format(battery, "A"))
		for _, f := range bench.Flags(r.Verdict) {
			fmt.Println("  ", f)
		}
	}
	fmt.Println(bench.Caution)
	return nil
}
