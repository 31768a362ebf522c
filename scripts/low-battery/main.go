// Low-battery full throttle.
//
// Purpose: see that low-voltage derating comes before the cut-off, and both before the battery is hurt.
// Needs: nothing but the boat file: it is simulated, because an empty bank is no place to test.
// Records: when derating starts, when the cut-off acts, the lowest cell voltage.
// Flags: protection that does not come, cells below their limit.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(lowBattery, "cmd/quaybench/demo/petrel") }

func lowBattery(s *bench.Script) error {
	p := bench.NewProgramme("low battery", 12*3600).Underway().To(2, 1, 0)
	p.Charge, p.Charging = 0.15, false // at night: by day a charging source may hold the battery above the cut-off for ever
	p.Expect = []string{"low-voltage derating", "controller cut-off"}
	p.EndAfterExpected = 60
	r, err := s.Simulate(p)
	if err != nil {
		return err
	}
	for _, e := range r.Run.Events {
		fmt.Printf("%9s  %s\n", bench.Format(e.At, "s"), e.What)
	}
	for _, f := range bench.Flags(r.Verdict) {
		fmt.Println(f)
	}
	fmt.Println("verdict:", r.Verdict.Level)
	fmt.Println(bench.CautionLines())
	return nil
}
