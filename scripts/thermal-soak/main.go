// Thermal soak and cool-down.
//
// Purpose: see what goes on getting hot after the lever is back: heat soaks from winding to housing, magnets and compartment.
// Needs: nothing but the boat file: it is simulated. Compare with a thermometer on the housing.
// Records: winding, commutator, magnets, heat sink and compartment at the end of the run and in the hour after it.
// Flags: any part that is close to its limit or over it.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(soak, "cmd/quaybench/demo/petrel") }

func soak(s *bench.Script) error {
	r, err := s.Simulate(bench.NewProgramme("thermal soak", 5400).Underway().To(2, 1, 0).To(1800, 0, 1))
	if err != nil {
		return err
	}
	times := []float64{1800, 1860, 2100, 2700, 5400}
	fmt.Println("after the lever is back:        0 s    1 min    5 min   15 min      1 h")
	for _, p := range r.Run.Parts {
		if p.Unit != "°C" {
			continue
		}
		fmt.Printf("%-24s", p.Name)
		for _, t := range times {
			v, err := bench.ValueAt(r.Run, p.Name, t)
			if err != nil {
				return err
			}
			fmt.Printf("  %7s", bench.Format(v, "°C"))
		}
		fmt.Println()
	}
	for _, f := range bench.Flags(r.Verdict) {
		fmt.Println(f)
	}
	fmt.Println("verdict:", r.Verdict.Level)
	fmt.Println(bench.CautionLines())
	return nil
}
