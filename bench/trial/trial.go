// Package trial describes what the helm does, the weather it is done in, and the protection expected to act.
//
// A trial is a TOML file; the built-in ones are files too (builtin/). Values are SI, temperatures in kelvin.
package trial

import "quaybench/bench/quantity"

// Trial is one run to try settings on.
type Trial struct {
	Name  string `key:"name" example:"my trial" doc:"its name"`
	About string `key:"about" optional:"yes" example:"" doc:"what it is for"`

	Throttle []Step  `key:"throttle" optional:"yes"`
	Duration float64 `key:"duration" unit:"s" above:"0 s" max:"48 h" example:"60 s" doc:"when the trial ends"`

	Air          float64        `key:"air" condition:"yes" unit:"°C" default:"25 °C" min:"-40 °C" max:"60 °C" example:"25 °C" doc:"outside air"`
	Water        float64        `key:"water" condition:"yes" unit:"°C" default:"15 °C" min:"-2 °C" max:"40 °C" example:"15 °C" doc:"water"`
	WaterDensity float64        `key:"water_density" unit:"kg/m³" default:"1025 kg/m³" min:"900 kg/m³" max:"1100 kg/m³" example:"1025 kg/m³" doc:"of the water: 1025 sea, 1000 fresh. What the propeller takes and gives goes with it; a hull's table stays as it was measured"`
	Compartment  quantity.Value `key:"compartment" unit:"°C" optional:"yes" doc:"compartment air at the start; else as the outside air"`
	Charge       float64        `key:"charge" condition:"yes" unit:"1" default:"90 %" min:"0 %" max:"100 %" example:"90 %" doc:"state of charge at the start"`
	BoatSpeed    float64        `key:"boat_speed" unit:"m/s" default:"0 m/s" min:"-10 m/s" max:"20 m/s" example:"0 m/s" doc:"boat speed at the start"`
	Moored       bool           `key:"moored" default:"false" example:"false" doc:"the boat is held fast"`

	Start Start  `key:"start"`
	Stops []Stop `key:"stop" optional:"yes"`

	Load             string  `key:"load" one:"normal|fouled|dry|locked|ventilated" default:"normal" example:"normal" doc:"what the propeller meets"`
	LoadFactor       float64 `key:"load_factor" unit:"1" default:"180 %" min:"100 %" max:"1000 %" example:"180 %" doc:"fouled: torque over the clean propeller's"`
	LoadFrom         float64 `key:"load_from" unit:"s" default:"0 s" min:"0 s" example:"0 s" doc:"when that load begins"`
	CoolingLostFrom  float64 `key:"cooling_lost_from" unit:"s" default:"1000 h" min:"0 s" doc:"when fans, vents and raw water are lost"`
	Electrical       bool    `key:"electrical" default:"false" example:"false" doc:"resolve the electrical transients (motor, cable and link capacitor)"`
	Charging         bool    `key:"charging" default:"true" example:"true" doc:"the boat's charging source is at work"`
	PrechargeSkipped bool    `key:"precharge_skipped" default:"false" doc:"the contactor closes on an empty link capacitor"`

	Expect           []string `key:"expect" optional:"yes" doc:"the protection this trial expects to act, in that order: stall timer, low-voltage derating, controller cut-off, management, fuse"`
	EndAfterExpected float64  `key:"end_after_expected" unit:"s" default:"2 min" min:"0 s" doc:"the trial ends this long after the last expected protection has acted"`
}

// Step moves the lever.
type Step struct {
	At   float64 `key:"at" unit:"s" min:"0 s" example:"0 s" doc:"when the lever begins to move"`
	To   float64 `key:"to" unit:"1" min:"-100 %" max:"100 %" example:"100 %" doc:"where it goes: per cent ahead, negative astern"`
	Over float64 `key:"over" unit:"s" default:"0 s" min:"0 s" example:"0 s" doc:"how long the movement takes"`
}

// Stop ends a step test of the programme early, beside the limits that every step test has. A simulation goes on to the end.
type Stop struct {
	Watch string `key:"watch" example:"motor current" doc:"what the rule watches: a channel that is measured"`
	At    string `key:"at" example:"above 150 A" doc:"where the test stops: above or below a value with its unit; above counts ahead and astern"`
}

// CableStart is one of the cables, joints or the contactor that starts at a temperature of its own.
type CableStart struct {
	Name        string  `key:"name" example:"motor cable" doc:"the cable's or joint's name in the boat file, or contactor"`
	Temperature float64 `key:"temperature" unit:"°C" min:"-60 °C" max:"400 °C" example:"60 °C" doc:"its temperature at the start"`
}

// Named returns the temperature of each that has one of its own, by name.
func (s *Start) Named() map[string]float64 {
	named := map[string]float64{}
	for _, c := range s.Cable {
		named[c.Name] = c.Temperature
	}
	return named
}

// Start holds temperatures at the start. What is left out starts at the temperature of its surroundings: the outside air or the water
// where the boat file places it there, else the compartment's air. A motor housing starts at the winding's temperature where that is
// given, so a water-cooled motor with a warm winding starts warm throughout; a winding left out starts at the housing's.
type Start struct {
	Winding quantity.Value `key:"winding" unit:"°C" optional:"yes" doc:"winding and commutator"`
	Housing quantity.Value `key:"housing" unit:"°C" optional:"yes" doc:"motor housing"`
	Sink    quantity.Value `key:"sink" unit:"°C" optional:"yes" doc:"heat sink and what sits on it"`
	Battery quantity.Value `key:"battery" unit:"°C" optional:"yes" doc:"battery cells"`
	Cables  quantity.Value `key:"cables" unit:"°C" optional:"yes" doc:"cables, joints and contactor"`
	Cable   []CableStart   `key:"cable" optional:"yes"`
}

// Of returns where a trial states the start temperature of a part, by its name in the verdict table; nil: nowhere.
func (s *Start) Of(part string) *quantity.Value {
	switch part {
	case "winding":
		return &s.Winding
	case "motor housing":
		return &s.Housing
	case "heat sink":
		return &s.Sink
	case "battery":
		return &s.Battery
	}
	return nil
}
