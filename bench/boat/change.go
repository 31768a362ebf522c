package boat

import (
	"fmt"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// With returns a copy of the boat with one value changed, read and checked as in a file: b.With("propeller.pitch", "0.26 m").
// Where diameter, pitch or number of blades of a propeller with a measured point change, another propeller is fitted: the
// point stays that of the first, see Propeller.Changed. A measured point that is set is of the propeller fitted now. Errors
// name the key.
func (b *Boat) With(key, text string) (*Boat, error) {
	changed := *b
	if err := datafile.SetField(&changed, key, text); err != nil {
		return nil, err
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
			p.MeasuredDiameter, p.MeasuredPitch, p.MeasuredBlades = quantity.Value{}, quantity.Value{}, 0
		}
	}
	return &changed, nil
}

func first(a, b quantity.Value) quantity.Value {
	if a.Given {
		return a
	}
	return b
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
	if b.Propeller.Kind == "B-series" {
		out = append(out, "the propeller is a B-series equivalent: thrust and torque of an ordinary small propeller lie within about 15 % of it (no source)")
	}
	if h := &b.Hull; len(h.SpeedPower) == 0 && len(h.Resistance) == 0 {
		out = append(out, "the hull's resistance is an estimate: a boat needs 0.7 to 2 times that power (no source), so the true speed may be a fifth lower; measure speed_power")
	}
	return out
}
