package variant

import (
	"fmt"
	"strconv"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
)

// follow changes what a boat file states and what belongs to the old value of a key, and returns that in words. What the
// file leaves out follows by itself.
func follow(was, b *boat.Boat, key string) (*boat.Boat, []string) {
	table, leaf, _ := strings.Cut(key, ".")
	switch {
	case strings.HasPrefix(table, "cable[") && leaf == "section":
		return resized(was, b, table)
	case strings.HasPrefix(table, "cable[") && leaf == "length":
		return lengthened(was, b, table)
	case key == "fuse.rating":
		return rerated(was, b)
	case key == "fuse.class" && b.Fuse.Class != "" && len(b.Fuse.Fastest) > 0:
		out := *b
		f := &out.Fuse
		f.Fastest, f.Slowest, f.Carries, f.Melts, f.MeltingI2t = nil, nil, quantity.Value{}, quantity.Value{}, quantity.Value{}
		return &out, []string{"fuse of class " + b.Fuse.Class + ": the curves of the class hold, in place of the points in the file"}
	case key == "contactor.current":
		return largerContactor(was, b)
	case key == "shaft.gear_ratio":
		return geared(was, b)
	case table == "propeller" && b.Propeller.Changed():
		return b, b.Estimates()[:1]
	case key == "battery.capacity" || key == "battery.energy":
		return largerBank(was, b)
	case key == "battery.cells":
		return b, []string{"battery.resistance and polarisation stay as they are: set them too, for they are of the whole bank"}
	case key == "motor.constant":
		return b, []string{"motor.resistance and rated_current stay as they are: set them too where the motor is wound anew (the resistance goes with the square of the constant)"}
	}
	return b, nil
}

// element returns the number of a table's element.
func element(table string) int {
	i, _ := strconv.Atoi(strings.TrimSuffix(table[strings.Index(table, "[")+1:], "]"))
	return i
}

// scale multiplies a value that is given; its source is not that of the new value.
func scale(v *quantity.Value, factor float64) bool {
	if !v.Given {
		return false
	}
	*v = quantity.Value{SI: v.SI * factor, Tolerance: v.Tolerance * factor, Provenance: quantity.Estimated, Given: true}
	return true
}

// ownCables copies a boat's cables, so that a change is its own.
func ownCables(b *boat.Boat) *boat.Boat {
	out := *b
	out.Cables = append([]boat.Cable(nil), b.Cables...)
	return &out
}

// resized returns a cable with another section: ampacity by the ratio of the published table, resistance and heat capacity with the copper.
func resized(was, b *boat.Boat, table string) (*boat.Boat, []string) {
	i := element(table)
	out := ownCables(b)
	c, old := &out.Cables[i], &was.Cables[i]
	section := c.Section.SI
	if section == old.Section.SI {
		return b, nil
	}
	perMetre := func(s float64) float64 {
		if r, err := thermal.ConductorResistance(s, thermal.ConductorClass(c.ConductorClass), false); err == nil {
			return r
		}
		return thermal.Copper().Resistivity / s
	}
	before, _ := drive.CableHeat(old)
	nominal := "by IEC 60228"
	if _, err := thermal.ConductorResistance(section, thermal.ConductorClass(c.ConductorClass), false); err != nil {
		nominal = "by the resistivity of copper, for the section is no nominal one of IEC 60228"
		c.Resistance = quantity.Value{SI: perMetre(section) * c.Length.SI, Given: true, Provenance: quantity.Estimated}
	} else if old.Resistance.Given {
		ratio := perMetre(section) / perMetre(old.Section.SI)
		scale(&c.Resistance, ratio)
	}
	ratio := thermal.AmpacityRatio(old.Section.SI, section, c.RatedTemperature.SI)
	if scale(&c.Ampacity, ratio) {
		c.ThermalResistance = quantity.Value{} // it follows from the ampacity
	} else { // the loss at the rated temperature goes with the square of the ampacity and with the resistance
		after, _ := drive.CableHeat(c)
		if after.Ohms > 0 && before.Ohms > 0 {
			scale(&c.ThermalResistance, before.Ohms/(after.Ohms*ratio*ratio))
		}
	}
	scale(&c.HeatCapacity, section/old.Section.SI)
	after, err := drive.CableHeat(c)
	if err != nil {
		return out, nil
	}
	text := fmt.Sprintf("%s of %s: resistance %s instead of %s (%s), heat capacity %s instead of %s", c.Name, quantity.Format(section, "mm²", 3),
		quantity.FormatAuto(after.Ohms, "Ω"), quantity.FormatAuto(before.Ohms, "Ω"), nominal, quantity.FormatAuto(after.Capacity, "J/K"), quantity.FormatAuto(before.Capacity, "J/K"))
	if c.Ampacity.Given {
		text += fmt.Sprintf("; ampacity %s instead of %s (the file's, times the smaller ratio of 33 CFR 183.425 table 5 and IEC 60204-1 table 6: an estimate, the maker's table counts)", quantity.Format(c.Ampacity.SI, "A", 3), quantity.Format(old.Ampacity.SI, "A", 3))
	}
	return out, []string{text}
}

// lengthened returns a cable of another length: what is stated of the whole of it goes with the length.
func lengthened(was, b *boat.Boat, table string) (*boat.Boat, []string) {
	i := element(table)
	out := ownCables(b)
	c, old := &out.Cables[i], &was.Cables[i]
	ratio := c.Length.SI / old.Length.SI
	stated := scale(&c.Resistance, ratio)
	stated = scale(&c.HeatCapacity, ratio) || stated
	stated = scale(&c.Inductance, ratio) || stated
	stated = scale(&c.ThermalResistance, 1/ratio) || stated
	if !stated {
		return out, nil
	}
	return out, []string{c.Name + ": what the file states of the whole cable goes with its length"}
}

// rerated is another rating of the fuse: of the same class or make, so that its curves are shares of the rating.
func rerated(was, b *boat.Boat) (*boat.Boat, []string) {
	ratio := b.Fuse.Rating.SI / was.Fuse.Rating.SI
	if ratio == 1 {
		return b, nil
	}
	out := *b
	f := &out.Fuse
	var what []string
	if scale(&f.Resistance, 1/ratio) {
		what = append(what, "resistance "+quantity.FormatAuto(f.Resistance.SI, "Ω"))
	}
	for _, t := range []*[][]float64{(*[][]float64)(&f.Fastest), (*[][]float64)(&f.Slowest)} {
		var rows [][]float64
		for _, row := range *t {
			rows = append(rows, []float64{row[0] * ratio, row[1]})
		}
		if *t = rows; rows != nil && len(what) < 2 {
			what = append(what, "the points of its curves in proportion to the rating")
		}
	}
	scale(&f.MeltingI2t, ratio*ratio)
	curves := "its curves are those of class " + f.Class + " at this rating"
	if f.Class == "" {
		curves = "an estimate: the maker's curves count"
	}
	return &out, []string{"fuse of " + quantity.Format(f.Rating.SI, "A", 3) + ": " + strings.Join(append(what, curves), "; ")}
}

// largerContactor is another contactor: its contacts as warm at its rated current as those of the old one, what it breaks and makes
// in proportion.
func largerContactor(was, b *boat.Boat) (*boat.Boat, []string) {
	ratio := b.Contactor.Current.SI / was.Contactor.Current.SI
	if ratio == 1 {
		return b, nil
	}
	out := *b
	c := &out.Contactor
	scale(&c.Resistance, 1/ratio)
	scale(&c.ThermalResistance, 1/ratio) // the loss at the rated current goes with the current
	if c.BreakCurrent.SI == was.Contactor.BreakCurrent.SI {
		scale(&c.BreakCurrent, ratio)
	}
	if c.MakeCurrent.SI == was.Contactor.MakeCurrent.SI {
		scale(&c.MakeCurrent, ratio)
	}
	return &out, []string{fmt.Sprintf("contactor of %s: contacts of %s, it breaks %s and makes %s, in proportion to the old one: an estimate, its data sheet counts",
		quantity.Format(c.Current.SI, "A", 3), quantity.FormatAuto(c.Resistance.SI, "Ω"), quantity.Format(c.BreakCurrent.SI, "A", 3), quantity.Format(c.MakeCurrent.SI, "A", 3))}
}

// gearEfficiency is that of one stage of gears or a belt, with its bearings: common practice, no source.
const gearEfficiency = 0.97

// geared returns a gear in place of a direct drive: it has losses, which the file of a boat without one leaves out.
func geared(was, b *boat.Boat) (*boat.Boat, []string) {
	if b.Shaft.GearEfficiency.SI < 1 || was.Shaft.GearRatio.SI != 1 || b.Shaft.GearRatio.SI == 1 {
		return b, nil
	}
	out := *b
	out.Shaft.GearEfficiency = quantity.Value{SI: gearEfficiency, Provenance: quantity.Estimated, Given: true}
	return &out, []string{fmt.Sprintf("shaft.gear_efficiency %s, for the boat had no gear: common practice, no source", quantity.Format(gearEfficiency, "%", 2))}
}

// largerBank is another capacity of the bank: more or less of the same cells, whose mass goes with it. What a further string would do to
// resistance and management is left to who sets it.
func largerBank(was, b *boat.Boat) (*boat.Boat, []string) {
	stays := "battery.resistance, polarisation and management stay as they are: set them too where the bank gets more strings"
	ratio := b.Battery.Capacity.SI / was.Battery.Capacity.SI
	out := *b
	mass, heat := scale(&out.Battery.Mass, ratio), scale(&out.Battery.HeatCapacity, ratio)
	if !mass && !heat {
		return b, []string{stays}
	}
	return &out, []string{"mass and heat capacity of the bank go with its capacity, as of more of the same cells: an estimate; " + stays}
}

// problems finds what makes a boat impossible.
func problems(b *boat.Boat) error {
	if missing := b.Missing(); missing != nil {
		table, _, _ := cutLast(missing[0], ".")
		return fmt.Errorf("the boat file has no [%s], and a part of it is none: set %s too", table, strings.Join(missing, ", "))
	}
	if err := b.Contradiction(); err != nil {
		return err
	}
	for _, p := range drive.Problems(b) {
		return fmt.Errorf("%s: %w", b.KeyName(p.Key), p.Err)
	}
	_, err := drive.New(b, settings.Set{}, drive.Conditions{})
	return err
}
