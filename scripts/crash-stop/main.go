// Crash stop.
//
// Purpose: find the stopping distance from full ahead, and what the reversal costs.
// Needs: nothing but the boat file: it is simulated. On the water, plenty of room and nobody standing.
// Records: speed before, way made from lever to standstill, the peaks of motor current ahead and astern.
// Flags: any part that is close to its limit or over it; a motor current that the controller cannot limit.
// Caution: a simulation is no proof of safety; follow the makers' limits, the rules that apply where you are, and licensed
// practice.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(crashStop) }

func crashStop(s *bench.Script) error {
	r, err := s.Simulate(bench.NewProgramme("crash stop", 140).Underway().To(2, 1, 0).To(80, -1, 0.5))
	if err != nil {
		return err
	}
	stopped := 140.0
	for t := 80.0; t < 140; t += 0.05 {
		if bench.ValueAt(r.Run, "boat speed", t) <= 0 {
			stopped = t
			break
		}
	}
	way := bench.ValueAt(r.Run, "distance", stopped) - bench.ValueAt(r.Run, "distance", 80)
	fmt.Println("speed before the lever moved:", bench.Format(bench.ValueAt(r.Run, "boat speed", 80), "m/s"))
	fmt.Println("stopped after:", bench.Format(stopped-80, "s"))
	fmt.Println("way made:", bench.Format(way, "m"))
	for _, e := range r.Run.Events {
		fmt.Printf("%9s  %s\n", bench.Format(e.At, "s"), e.What)
	}
	for _, f := range bench.Flags(r.Verdict) {
		fmt.Println(f)
	}
	fmt.Println("verdict:", r.Verdict.Level)
	fmt.Println(bench.Caution)
	return nil
}
