package study

import (
	"fmt"
	"math"

	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
	"quaybench/bench/variant"
)

// family is one value changed step by step, the smallest change first.
type family struct {
	key   string
	texts []string
	what  string // the change in words, where the key does not say it
}

// families lists the changes that may help: of the limits of the current that does the harm, and of what carries or cools the part.
func (a *ailment) families(v variant.Variant) []family {
	f := &changes{v: v}
	s, b := &v.Settings, v.Boat
	motor, bank := s.Key(&s.Limits.MotorCurrent), s.Key(&s.Limits.BatteryCurrent)
	switch {
	case a.rule != "":
		f.ofRule(a)
		return f.list
	case a.device != "":
		f.scaled(bank, "", less...)
		f.scaled(motor, "", less...)
		f.scaled(s.Key(&s.Limits.BrakingCurrent), "", halved...)
		return f.list
	}
	switch {
	case a.part.Current == "motor":
		f.scaled(motor, "", less...)
		f.scaled(s.Key(&s.Limits.AsternCurrent), "", less...)
	case a.part.Current == "battery":
		f.scaled(bank, "", less...)
		f.scaled(motor, "", less...)
	case a.name == "compartment air":
		f.scaled(motor, "", less...)
		f.scaled(bank, "", less...)
	default: // rotor speed, link voltage
		f.scaled(s.Key(&s.Limits.Duty), "", less...)
		f.scaled(s.Key(&s.Limits.BrakingCurrent), "", halved...)
	}
	for i := range b.Cables {
		if b.Cables[i].Name == a.name {
			f.thicker(i)
		}
	}
	for i := range b.Joints {
		if b.Joints[i].Name == a.name {
			f.scaled(fmt.Sprintf("joint[%d].resistance", i), "a better joint", 0.8, 0.6, 0.5, 0.4, 0.3, 0.2, 0.1)
		}
	}
	switch a.name {
	case "winding", "hottest phase", "commutator", "commutator bars", "motor housing", "magnets":
		f.scaled("propeller.pitch", "a finer propeller", 0.96, 0.92, 0.88, 0.84, 0.8, 0.75, 0.68)
		f.scaled("shaft.gear_ratio", "another gear", 1.12, 1.25, 1.4, 1.6)
		f.scaled("motor.housing_to_air", "a fan, or a better one, on the motor", halved...)
		if b.Motor.StandstillCooling.SI < 1 {
			f.add("motor.standstill_cooling", "a fan of its own for the motor", "100 %")
		}
		f.ventilated(b.Motor.Cooling)
	case "heat sink", "switch junction", "freewheel junction":
		f.scaled("stage.sink_resistance", "a larger heat sink, or a fan on it", halved...)
		f.ventilated(b.Stage.Cooling)
	case "link capacitor":
		f.scaled("stage.capacitor_esr", "", halved...)
		f.ventilated("compartment")
	case "compartment air":
		f.ventilated("compartment")
	case "battery":
		f.scaled("battery.thermal_resistance", "more air around the bank", halved...)
		f.scaled("battery.resistance", "more or better cells", halved...)
		f.ventilated(b.Battery.Place)
	case "contactor":
		f.larger("contactor.current", variant.RatedCurrents(), b.Contactor.Current.SI)
	case "fuse":
		f.larger("fuse.rating", variant.FuseRatings(), b.Fuse.Rating.SI)
	case "rotor speed":
		f.scaled("shaft.gear_ratio", "another gear", 0.9, 0.8, 0.7, 0.6)
	}
	return f.list
}

var (
	less   = []float64{0.97, 0.94, 0.9, 0.86, 0.82, 0.78, 0.73, 0.68, 0.62, 0.55, 0.48, 0.4}
	halved = []float64{0.9, 0.8, 0.7, 0.6, 0.5, 0.4}
)

// changes collects families for a variant.
type changes struct {
	v    variant.Variant
	list []family
}

func (f *changes) add(key, what string, texts ...string) {
	if len(texts) > 0 {
		f.list = append(f.list, family{key, texts, what})
	}
}

// scaled adds a number times factors, where there is one: the file's, or what follows from the rest of it.
func (f *changes) scaled(key, what string, factors ...float64) {
	si, ok := f.v.Number(key)
	if !ok {
		filled := f.v
		filled.Boat = drive.Filled(f.v.Boat)
		si, ok = filled.Number(key)
	}
	if !ok || si <= 0 {
		return
	}
	var texts []string
	for _, x := range factors {
		texts = append(texts, quantity.FormatStated(rounded(si*x), f.v.Unit(key)))
	}
	f.add(key, what, texts...)
}

// larger adds the next sizes of a series.
func (f *changes) larger(key string, series []float64, now float64) {
	var texts []string
	for _, r := range series {
		if r > 1.001*now && len(texts) < 5 {
			texts = append(texts, fmt.Sprintf("%g A", r))
		}
	}
	f.add(key, "", texts...)
}

// thicker adds the next sections of a cable.
func (f *changes) thicker(cable int) {
	var texts []string
	for _, section := range thermal.Sections() {
		if section > 1.001*f.v.Boat.Cables[cable].Section.SI && len(texts) < 5 {
			texts = append(texts, fmt.Sprintf("%g mm²", math.Round(1e8*section)/100))
		}
	}
	f.add(fmt.Sprintf("cable[%d].section", cable), "", texts...)
}

// ventilated adds less heat kept in the compartment, for a part that is cooled by its air.
func (f *changes) ventilated(cooling string) {
	if cooling == "compartment" {
		f.scaled("compartment.thermal_resistance", "larger vents, or a fan in the compartment", halved...)
	}
}

// ofRule adds what mends a rule: the setting that it names, and the part that it is about.
func (f *changes) ofRule(a *ailment) {
	if c := a.change; c != nil {
		f.add(c.Key, "", c.To)
	}
	cables := func(circuit string) {
		for i := range f.v.Boat.Cables {
			if f.v.Boat.Cables[i].Circuit == circuit {
				f.thicker(i)
			}
		}
	}
	b := f.v.Boat
	switch a.rule {
	case "motor-cable":
		cables("motor")
	case "battery-cable":
		cables("battery")
	case "fuse-against-cable":
		cables("battery")
		var texts []string
		for _, r := range variant.FuseRatings() {
			if r < 0.999*b.Fuse.Rating.SI {
				texts = append([]string{fmt.Sprintf("%g A", r)}, texts...)
			}
		}
		f.add("fuse.rating", "", texts[:min(len(texts), 4)]...)
	case "fuse-against-limit":
		f.larger("fuse.rating", variant.FuseRatings(), b.Fuse.Rating.SI)
	case "contactor-carries":
		f.larger("contactor.current", variant.RatedCurrents(), b.Contactor.Current.SI)
	case "pre-charge":
		f.scaled("precharge.resistance", "", 0.8, 0.6, 0.5, 0.4, 0.3, 0.2)
		f.scaled("precharge.time", "", 1.25, 1.6, 2, 3, 4)
	}
}
