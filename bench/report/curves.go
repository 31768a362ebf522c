package report

import (
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/thermal"
)

// curve is what a fuse or a cable bears: how long (s) it bears which constant current (A) from cold, in rising order of
// current.
type curve struct {
	name    string // "fuse, fastest", "battery cable to 90 °C"
	circuit string // "battery" or "motor": whose current it carries
	current []float64
	time    []float64
}

// curvesOf returns the time-current curves of a boat's fuse and cables, for currents up to twenty times the fuse's rating. A
// fuse or cable that makes no curve has none; the boat was checked when it was read.
func curvesOf(b *boat.Boat) (out []curve) {
	if fastest, slowest, err := drive.FuseCurves(&b.Fuse); err == nil {
		for _, k := range []struct {
			name string
			m    thermal.FuseModel
		}{{"fuse, fastest", fastest}, {"fuse, slowest", slowest}} {
			c := curve{name: k.name, circuit: "battery"}
			for _, i := range currents(k.m.LeastMeltingCurrent(), 20*b.Fuse.Rating.SI) {
				c.current, c.time = append(c.current, i), append(c.time, k.m.MeltTime(i).Time)
			}
			out = append(out, c)
		}
	}
	for i := range b.Cables {
		k := &b.Cables[i]
		heat, err := drive.CableHeat(k)
		if err != nil {
			continue
		}
		c := curve{name: fmt.Sprintf("%s to %.0f °C", k.Name, k.RatedTemperature.SI-273.15), circuit: k.Circuit}
		bears := func(amps float64) float64 {
			return cableTime(heat, amps, k.RatedTemperature.SI-k.AmpacityAt.SI, k.AmpacityAt.SI)
		}
		least := 1.0
		for math.IsInf(bears(least), 1) && least < 1e5 {
			least *= 1.02
		}
		for _, amps := range currents(least, 20*b.Fuse.Rating.SI) {
			c.current, c.time = append(c.current, amps), append(c.time, bears(amps))
		}
		out = append(out, c)
	}
	return out
}

// cableTime returns how long a cable bears a current (A) from air temperature (K) until it has risen so far (K): one node whose
// loss rises with its temperature, C·dθ/dt = I²·R·(1 + α·θ) − θ/Rth, with θ the rise; +Inf if for ever.
func cableTime(c drive.Cable, amps, rise, air float64) float64 {
	atAir := amps * amps * c.Ohms * thermal.Copper().Ratio(air)
	perKelvin := amps * amps * c.Ohms * thermal.Copper().Coefficient
	// dθ/dt = (atAir − k·θ)/C
	k := 1/c.Resistance - perKelvin
	if atAir-k*rise <= 0 {
		return math.Inf(1)
	}
	if math.Abs(k*rise) < 1e-9*atAir {
		return c.Capacity * rise / atAir
	}
	return -c.Capacity / k * math.Log(1-k*rise/atAir)
}

// currents spreads currents from just above the least one to the highest, evenly on a logarithmic scale.
func currents(least, most float64) (out []float64) {
	const n = 60
	for i := 0; i <= n; i++ {
		out = append(out, least*1.002*math.Pow(most/least, float64(i)/n))
	}
	return out
}
