package trial

import (
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Write returns the text of a trial file that Read gives back the same from, to the last bit of every number.
func Write(t *Trial) []byte {
	var b strings.Builder
	text := func(key, value string) { fmt.Fprintf(&b, "%s = %s\n", key, datafile.Quote(value)) }
	number := func(key string, si float64, unit string) { text(key, in(si, unit)) }
	given := func(key string, v quantity.Value) {
		if v.Given {
			number(key, v.SI, "°C")
		}
	}
	text("name", t.Name)
	if t.About != "" {
		text("about", t.About)
	}
	number("duration", t.Duration, "s")
	number("air", t.Air, "°C")
	number("water", t.Water, "°C")
	if t.WaterDensity != 0 {
		number("water_density", t.WaterDensity, "kg/m³")
	}
	given("compartment", t.Compartment)
	number("charge", t.Charge, "%")
	number("boat_speed", t.BoatSpeed, "m/s")
	fmt.Fprintf(&b, "moored = %v\n", t.Moored)
	text("load", t.Load)
	number("load_factor", t.LoadFactor, "%")
	number("load_from", t.LoadFrom, "s")
	if !math.IsInf(t.CoolingLostFrom, 1) {
		number("cooling_lost_from", t.CoolingLostFrom, "s")
	}
	fmt.Fprintf(&b, "electrical = %v\ncharging = %v\nprecharge_skipped = %v\n", t.Electrical, t.Charging, t.PrechargeSkipped)
	if len(t.Expect) > 0 {
		var list []string
		for _, d := range t.Expect {
			list = append(list, datafile.Quote(d))
		}
		fmt.Fprintf(&b, "expect = [%s]\n", strings.Join(list, ", "))
	}
	number("end_after_expected", t.EndAfterExpected, "s")
	for _, s := range t.Throttle {
		b.WriteString("[[throttle]]\n")
		number("at", s.At, "s")
		number("to", s.To, "%")
		number("over", s.Over, "s")
	}
	for _, s := range t.Stops {
		b.WriteString("[[stop]]\n")
		text("watch", s.Watch)
		text("at", s.At)
	}
	if !reflect.DeepEqual(t.Start, Start{}) {
		b.WriteString("[start]\n")
		given("winding", t.Start.Winding)
		given("housing", t.Start.Housing)
		given("sink", t.Start.Sink)
		given("battery", t.Start.Battery)
		given("cables", t.Start.Cables)
		for _, c := range t.Start.Cable {
			b.WriteString("[[start.cable]]\n")
			text("name", c.Name)
			number("temperature", c.Temperature, "°C")
		}
	}
	return []byte(b.String())
}

// in returns a value in the unit that a person would write, or in SI where that would not give the same bits back.
func in(si float64, unit string) string {
	u := quantity.MustUnit(unit)
	text := strconv.FormatFloat(u.FromSI(si), 'g', 12, 64) + " " + unit
	if v, err := quantity.Parse(text, u); err == nil && v.SI == si {
		return text
	}
	text = strconv.FormatFloat(si, 'g', -1, 64)
	switch unit {
	case "%":
		return text
	case "°C":
		return text + " K"
	}
	return text + " " + unit
}
