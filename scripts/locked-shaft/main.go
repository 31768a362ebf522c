// Locked-shaft pulse.
//
// Purpose: find the winding's resistance from a short pulse of current with the shaft held.
// Needs: the shaft held by a stop that bears the torque; a cold motor whose temperature is known (taken as that of the air); a
// motor ammeter or the controller's own.
// Records: voltage, battery current, motor current; the battery hardly notices, while the motor carries everything.
// Flags: commutator bars and freewheel path, which take it all; the stall timer if it comes.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files. A hard-wired stop in somebody's hand.
package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(lockedShaft, "cmd/quaybench/demo/petrel") }

func lockedShaft(s *bench.Script) error {
	p := bench.NewProgramme("locked-shaft pulse", 6).Loaded("locked").To(1, 0.5, 0.2).To(3.2, 0, 0.1)
	r, err := s.Step(p)
	if err != nil {
		return err
	}
	means := map[string]float64{}
	for _, trace := range []string{"motor current", "battery current", "voltage at the controller"} {
		if means[trace], err = bench.MeanBetween(r.Run, trace, 2.4, 3.1); err != nil {
			return err
		}
	}
	i, battery, volts := means["motor current"], means["battery current"], means["voltage at the controller"]
	b := s.Setup.Boat
	// What the battery gives, less housekeeping and coil, is what the loop of motor, cables and devices turns into heat, less
	// the brushes' constant drop.
	heat := battery*volts - b.Stage.Housekeeping.SI - b.Contactor.CoilPower.SI
	loop := (heat/i - b.Motor.BrushDrop.SI) / i
	fmt.Println("motor current ", bench.Format(i, "A"), "while battery current is", bench.Format(battery, "A"))
	fmt.Println("resistance of the motor loop, cables and devices included:", bench.Format(loop, "mΩ"))
	fmt.Println("boat file: motor alone", bench.Format(b.Motor.Resistance.SI, "mΩ"))
	fmt.Print(r.Summary())
	return nil
}
