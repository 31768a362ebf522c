// Ramp sweep.
//
// Purpose: weigh feel against current: how soon the propeller pulls, and what current peak each ramp costs.
// Needs: nothing but the boat file: it is simulated. Try the ramp you choose with a step test.
// Records: per ramp the time to half the speed of the shaft and the peaks of motor and battery current.
// Flags: any part that is close to its limit or over it.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files.
package main

import (
	"fmt"
	"math"

	"quaybench/bench"
)

func main() { bench.RunScript(rampSweep, "cmd/quaybench/demo/petrel") }

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
		final, err := bench.ValueAt(r.Run, "motor speed", 12)
		if err != nil {
			return err
		}
		half := math.NaN()
		motor, battery := 0.0, 0.0
		for t := 1.0; t <= 12; t += 0.02 {
			now := map[string]float64{}
			for _, trace := range []string{"motor speed", "motor current", "battery current"} {
				if now[trace], err = bench.ValueAt(r.Run, trace, t); err != nil {
					return err
				}
			}
			if math.IsNaN(half) && now["motor speed"] >= final/2 {
				half = t - 1
			}
			motor = math.Max(motor, now["motor current"])
			battery = math.Max(battery, now["battery current"])
		}
		fmt.Printf("%9s  %16s  %18s  %20s\n", ramp, bench.Format(half, "s"), bench.Format(motor, "A"), bench.Format(battery, "A"))
		for _, f := range bench.Flags(r.Verdict) {
			fmt.Println("  ", f)
		}
	}
	fmt.Println(bench.CautionLines())
	return nil
}
