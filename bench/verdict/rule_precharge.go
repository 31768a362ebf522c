package verdict

import (
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
)

var precharge = Rule{
	Name:   "pre-charge",
	Title:  "the link capacitor is charged before the contactor closes",
	Source: "charging of a capacitor through a resistor: textbook; 95 % before closing is common practice, no source",
	Check: func(b *boat.Boat, _ settings.Set) (out []Finding) {
		volts, C := HighestVoltage(b), b.Stage.Capacitance.SI
		if b.Precharge == nil {
			inrush := Prospective(b)
			return []Finding{{Level: Over, Text: quantity.Sentence("there is no pre-charge: closing the contactor on the empty link capacitor drives up to %.1f kA of battery current through it (it closes on %.0f A at most)", inrush/1e3, b.Contactor.MakeCurrent.SI)}}
		}
		p := b.Precharge
		if tau := p.Resistance.SI * C; p.Time.SI < 3*tau {
			share := 1 - math.Exp(-p.Time.SI/tau)
			out = append(out, Finding{Level: Close, Text: quantity.Sentence("after %.3g s of pre-charge the link capacitor is at %.0f %% of the battery voltage; 95 %% needs %.3g s", p.Time.SI, 100*share, 3*tau)})
		}
		if left := volts * math.Exp(-p.Time.SI/(p.Resistance.SI*C)); b.Contactor.MakeCurrent.Given && left/volts*Prospective(b) > b.Contactor.MakeCurrent.SI {
			out = append(out, Finding{Level: Over, Text: quantity.Sentence("the contactor closes with %.1f V still across it: up to %.0f A of battery current, more than the %.0f A it may close on", left, left/volts*Prospective(b), b.Contactor.MakeCurrent.SI)})
		}
		if energy := C * volts * volts / 2; energy > p.PulseEnergy.SI {
			out = append(out, Finding{Level: Over, Text: quantity.Sentence("one pre-charge puts %.3g J into the resistor, which takes %.3g J", energy, p.PulseEnergy.SI)})
		}
		return out
	},
}
