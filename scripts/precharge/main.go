// Pre-charge and contactor check.
//
// Purpose: see that the link capacitor is full before the contactor closes, and what happens if it is not.
// Needs: nothing but the boat file: it is reckoned and simulated. On the boat, a voltmeter across the controller's terminals while
// pre-charging.
// Records: time constant, share of the voltage when the contactor closes, energy in the resistor, inrush if it is skipped.
// Flags: what the static rules find about pre-charge, contactor and fuse.
// Caution: A simulation is no proof of safety. Follow the makers' limits, the standards and codes that apply where you are, and
// licensed practice; these results are only as good as the numbers in your files. Capacitors stay charged.
package main

import (
	"fmt"
	"math"
	"strings"

	"quaybench/bench"
)

func main() { bench.RunScript(precharge, "cmd/quaybench/demo/petrel") }

func precharge(s *bench.Script) error {
	b := s.Setup.Boat
	if b.Precharge == nil {
		fmt.Println("the boat has no pre-charge")
	} else {
		tau := b.Precharge.Resistance.SI * b.Stage.Capacitance.SI
		fmt.Println("time constant:", bench.Format(tau, "s"))
		fmt.Println("closes after", bench.Format(b.Precharge.Time.SI, "s"), "at", bench.Format(1-math.Exp(-b.Precharge.Time.SI/tau), "%"), "of the voltage")
	}
	p := bench.NewProgramme("contactor closes on an empty link", 0.2)
	p.Electrical, p.PrechargeSkipped = true, true
	r, err := s.Simulate(p)
	if err != nil {
		return err
	}
	peak := 0.0
	for t := 0.0; t < 0.2; t += 0.00002 {
		i, err := bench.ValueAt(r.Run, "battery current", t)
		if err != nil {
			return err
		}
		peak = math.Max(peak, i)
	}
	fmt.Println("inrush if it is skipped:", bench.Format(peak, "A"), "of battery current; the contactor closes on", bench.Format(b.Contactor.MakeCurrent.SI, "A"))
	for _, f := range bench.Check(s.Setup) {
		if f.Level.String() == "clear" {
			continue // nothing found, only something to bear in mind
		}
		if strings.Contains(f.Rule, "charge") || strings.Contains(f.Rule, "contactor") || strings.Contains(f.Rule, "fuse") || strings.Contains(f.Rule, "voltage-ratings") {
			fmt.Println(f.Level, f.Rule+":", f.Text)
		}
	}
	fmt.Println(bench.CautionLines())
	return nil
}
