// Endurance at three throttles.
//
// Purpose: how far and how long a charge lasts, dead slow to brisk.
// Needs: nothing but the boat file: it is simulated. Its speed-power points decide how good this is.
// Records: steady speed, mean battery power, endurance, range.
// Flags: any part that is close to its limit or over it on the way.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(endurance, "cmd/quaybench/demo/petrel") }

func endurance(s *bench.Script) error {
	fmt.Println("lever  speed      endurance  range")
	for _, share := range []float64{0.4, 0.7, 1} {
		r, err := s.Simulate(bench.NewProgramme("endurance", 600).Underway().To(2, share, 1))
		if err != nil {
			return err
		}
		g := r.Run.Gain
		if g.TopSpeed == nil || g.Endurance == nil {
			return fmt.Errorf("no steady stretch at %.0f %% lever", 100*share)
		}
		fmt.Printf("%3.0f %%  %9s  %9s  %s\n", 100*share, bench.Format(*g.TopSpeed, "m/s"), bench.Format(*g.Endurance, "h"), bench.Format(*g.TopSpeed**g.Endurance, "km"))
		for _, f := range bench.Flags(r.Verdict) {
			fmt.Println("  ", f)
		}
	}
	fmt.Println("down to a tenth of the charge, from 90 %")
	fmt.Println(bench.CautionLines())
	return nil
}
