package boat

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// With returns a copy of the boat with one value changed, read and checked as in a file: b.With("propeller.pitch", "0.26 m"), and
// what follows from it in the boat file's own terms: what the file leaves out is worked out anew, capacity and energy go together.
// Where diameter, pitch or number of blades of a propeller with a measured point change, another propeller is fitted: the
// point stays that of the first, see Propeller.Changed. A measured point that is set is of the propeller fitted now. Errors
// name the key.
func (b *Boat) With(key, text string) (*Boat, error) {
	return b.change(key, func(c *Boat) error { return datafile.SetField(c, key, text) })
}

// WithNumber returns a copy of the boat with one quantity changed, as With does; si is in SI.
func (b *Boat) WithNumber(key string, si float64) (*Boat, error) {
	return b.change(key, func(c *Boat) error { return datafile.SetNumber(c, key, si) })
}

func (b *Boat) change(key string, set func(*Boat) error) (*Boat, error) {
	changed := *b
	if err := set(&changed); err != nil {
		if cause := errors.Unwrap(err); cause != nil { // by the part's name, as a person writes it
			err = fmt.Errorf("%s: %w", b.KeyName(key), cause)
		}
		return nil, err
	}
	changed.origins = maps.Clone(b.origins)
	if changed.origins != nil {
		changed.origins[key] = ""
	}
	p, was := &changed.Propeller, &b.Propeller
	if p.Kind == "measured point" && was.Kind == p.Kind {
		switch key {
		case "propeller.diameter":
			p.MeasuredDiameter = first(p.MeasuredDiameter, was.Diameter)
		case "propeller.pitch": // one that was not given is filled in, not changed
			p.MeasuredPitch = first(p.MeasuredPitch, was.Pitch)
		case "propeller.blades":
			if p.MeasuredBlades == 0 {
				p.MeasuredBlades = was.Blades
			}
		case "propeller.measured_speed", "propeller.measured_torque", "propeller.measured_power", "propeller.measured_boat_speed":
			p.MeasuredDiameter, p.MeasuredPitch, p.MeasuredBlades, p.unstated = quantity.Value{}, quantity.Value{}, 0, ""
		}
	}
	switch bank := &changed.Battery; key {
	case "battery.capacity":
		bank.Energy = quantity.Value{}
	case "battery.energy":
		bank.Capacity = bank.capacityByEnergy()
	}
	changed.refit(key)
	return &changed, nil
}

// refit works out anew what the file leaves out, but for the value of a key.
func (b *Boat) refit(but string) {
	if b.filled == nil { // it was not read from a file
		return
	}
	datafile.Walk(b, func(key string, v *quantity.Value) {
		if b.filled[key] && key != but {
			*v = quantity.Value{}
		}
	})
	if b.filled["stage.switch_heat"] && but != "stage.switch_heat" {
		b.Stage.SwitchHeat = nil
	}
	b.fit()
	if b.filled[but] { // it is stated now
		b.filled = maps.Clone(b.filled)
		delete(b.filled, but)
	}
}

// noteFilled records the keys that fit fills in.
func (b *Boat) noteFilled() {
	given := map[string]bool{}
	datafile.Walk(b, func(key string, v *quantity.Value) { given[key] = v.Given })
	heat := len(b.Stage.SwitchHeat) > 0
	b.fit()
	b.filled = map[string]bool{"stage.switch_heat": !heat}
	datafile.Walk(b, func(key string, v *quantity.Value) {
		if v.Given && !given[key] {
			b.filled[key] = true
		}
	})
}

func first(a, b quantity.Value) quantity.Value {
	if a.Given {
		return a
	}
	return b
}

// takenWith notes what the file leaves out of the propeller of the measured point, and drops what is as in the fitted one: what
// varies the one would vary the other.
func (p *Propeller) takenWith() {
	var missing []string
	take := func(name string, is, fitted *quantity.Value) {
		switch {
		case !is.Given && fitted.Given:
			missing = append(missing, name)
		case math.Abs(is.SI-fitted.SI) < 1e-6*fitted.SI:
			*is = quantity.Value{}
		}
	}
	take("measured_diameter", &p.MeasuredDiameter, &p.Diameter)
	take("measured_pitch", &p.MeasuredPitch, &p.Pitch)
	switch p.MeasuredBlades {
	case 0:
		missing = append(missing, "measured_blades")
	case p.Blades:
		p.MeasuredBlades = 0
	}
	p.unstated = strings.Join(missing, ", ")
}

// Changed reports whether another propeller is fitted than the one that the measured point was taken with.
func (p *Propeller) Changed() bool { return p.Kind == "measured point" && len(p.changes()) > 0 }

// changes lists in words what of the measured propeller is not as it is fitted now.
func (p *Propeller) changes() (out []string) {
	if v := p.MeasuredDiameter; v.Given && v.SI != p.Diameter.SI {
		out = append(out, fmt.Sprintf("diameter %s, now %s", quantity.Format(v.SI, "m", 3), quantity.Format(p.Diameter.SI, "m", 3)))
	}
	if v := p.MeasuredPitch; v.Given && v.SI != p.Pitch.SI {
		out = append(out, fmt.Sprintf("pitch %s, now %s", quantity.Format(v.SI, "m", 3), quantity.Format(p.Pitch.SI, "m", 3)))
	}
	if n := p.MeasuredBlades; n > 0 && n != p.Blades {
		out = append(out, fmt.Sprintf("%d blades, now %d", n, p.Blades))
	}
	return out
}

// Estimates lists, in words, what of the boat stands on an estimate, with its band.
func (b *Boat) Estimates() (out []string) {
	if p := &b.Propeller; p.Changed() {
		out = append(out, fmt.Sprintf("the propeller's measured point is void, for it was taken with another one (%s); the correction to the B-series found with that one is kept: thrust and torque within about 15 %% (no source); measure a new point", strings.Join(p.changes(), "; ")))
	}
	if p := &b.Propeller; p.Kind == "measured point" && p.unstated != "" && !p.Changed() {
		out = append(out, fmt.Sprintf("the propeller's measured point is taken to be of the propeller that the file describes, since it does not give %s: where another has been fitted since, write there what the point was measured with, or nothing here notices", p.unstated))
	}
	if b.Propeller.Kind == "B-series" {
		out = append(out, "the propeller is a B-series equivalent: thrust and torque of an ordinary small propeller lie within about 15 % of it (no source)")
	}
	if h := &b.Hull; len(h.SpeedPower) == 0 && len(h.Resistance) == 0 {
		out = append(out, "the hull's resistance is an estimate: a boat may need 0.7 to 4 times that power (by Gerr's rule for displacement boats, from memory, 1.2 to 3.9 times), so the true speed may be a quarter lower; measure speed_power")
	}
	return out
}

// MagnetMaterial returns the material of the motor's magnets, "none" of a series-wound one: what the file says, else the usual one of the kind (common practice, no source).
func (m *Motor) MagnetMaterial() string {
	usual := map[string]string{"permanent-magnet brushed": "ferrite", "permanent-magnet brushless": "NdFeB"}
	return cmp.Or(m.Magnets, usual[m.Kind], "none")
}

// Unlimited lists, in words, what nothing judges because the boat file gives no limit of it.
func (b *Boat) Unlimited() (out []string) {
	var none []string
	lacks := func(applies, given bool, what, key string) {
		if applies && !given {
			none = append(none, what+" ("+key+")")
		}
	}
	m, k := &b.Motor, &b.Battery
	magnets := m.MagnetMaterial() != "none"
	lacks(magnets, m.MagnetLimit.Given, "the magnets' temperature", "motor.magnet_limit")
	lacks(magnets, m.DemagnetisingCurrent.Given, "the motor current that weakens them for ever", "motor.demagnetising_current")
	lacks(true, k.CellLowest.Given, "the lowest cell voltage", "battery.cell_lowest")
	lacks(b.Stage.Braking || b.Charging != nil, k.CellHighest.Given, "the highest cell voltage", "battery.cell_highest")
	if none != nil {
		out = append(out, "no trial judges these, since the boat file gives them no limit: "+strings.Join(none, ", "))
	}
	return out
}
