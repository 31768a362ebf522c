// Crash stop.
//
// Purpose: find the stopping distance from full ahead, and what the reversal costs.
// Needs: nothing but the boat file: it is simulated. On the water, plenty of room and nobody standing.
// Records: speed before, way made from lever to standstill, the peaks of motor current ahead and astern.
// Flags: any part that is close to its limit or over it; a motor current that the controller cannot limit.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(crashStop, "cmd/quaybench/demo/petrel") }

func crashStop(s *bench.Script) error {
	r, err := s.Simulate(bench.NewProgramme("crash stop", 140).Underway().To(2, 1, 0).To(80, -1, 0.5))
	if err != nil {
		return err
	}
	stopped := 140.0
	for t := 80.0; t < 140; t += 0.05 {
		v, err := bench.ValueAt(r.Run, "boat speed", t)
		if err != nil {
			return err
		}
		if v <= 0 {
			stopped = t
			break
		}
	}
	var values []float64
	for _, at := range []struct {
		trace string
		t     float64
	}{{"boat speed", 80}, {"distance", 80}, {"distance", stopped}} {
		v, err := bench.ValueAt(r.Run, at.trace, at.t)
		if err != nil {
			return err
		}
		values = append(values, v)
	}
	way := values[2] - values[1]
	fmt.Println("speed before the lever moved:", bench.Format(values[0], "m/s"))
	fmt.Println("stopped after:", bench.Format(stopped-80, "s"))
	fmt.Println("way made:", bench.Format(way, "m"))
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
