package link

import (
	"math"
	"slices"
	"strings"

	"quaybench/bench/datafile"
)

// Names of the channels that the tool understands: what a register map or a column list calls its readings. Others are
// recorded under their own names.
const (
	Voltage            = "voltage"
	BatteryCurrent     = "battery_current"
	MotorCurrent       = "motor_current"
	MotorSpeed         = "motor_speed"
	StageTemperature   = "stage_temperature"
	MotorTemperature   = "motor_temperature"
	BatteryTemperature = "battery_temperature"
	Duty               = "duty"
	Demand             = "demand"
	BoatSpeed          = "boat_speed"
	SpeedOverGround    = "speed_over_ground"
)

// Kind is all that is known of one channel: the one table that maps, predictions, hard limits, records, screens and
// the simulated controller read. What depends on the boat (the values behind Instrument and Limit) stands with the boat.
type Kind struct {
	Name string
	Unit string // to show values in
	Doc  string
	// Trace is what a record calls it where that is not the channel's name, and Part whose simulated trace it is
	// compared with where that is not Trace.
	Trace, Part string
	// Sensor is what the setting derating.motor_sensor must say for that comparison, "" for anything; with any other sensor
	// the channel is compared with the part Else.
	Sensor, Else string
	// Instrument is the key of its error in the boat's [instruments]; Error is its error where there is none, SI.
	Instrument string
	Error      float64
	Digits     int     // to show
	Limit      string  // what its hard limit stands for; "" for none
	Answer     float64 // a change of so much from rest counts as an answer to a throttle command, SI; 0: never
	Runs       float64 // so much of it, ahead or astern, shows a motor that runs, whatever marks it, SI; 0: never
	Panel      bool    // a panel may have a meter for it
	Unsigned   bool    // it tells a size alone: ahead and astern read the same
	// Also lists what else manuals and people call it: such a name in a map is an error, or its hard limit would be lost.
	Also []string
}

var kinds = []Kind{
	{Name: Voltage, Unit: "V", Doc: "battery voltage at the controller", Trace: "voltage at the controller", Instrument: "voltage", Digits: 3,
		Limit: "outside what cells and controller bear", Panel: true, Also: []string{"battery_voltage", "dc_voltage", "bus_voltage", "link_voltage", "supply_voltage", "volts", "u_batt"}},
	{Name: BatteryCurrent, Unit: "A", Doc: "battery current, positive while driving", Trace: "battery current", Instrument: "battery_current", Digits: 3,
		Limit: "beyond what the battery's management or fuse bears (battery current)", Answer: 1.5, Panel: true, Also: []string{"dc_current", "supply_current", "input_current", "battery_amps", "i_batt"}},
	{Name: MotorCurrent, Unit: "A", Doc: "motor current, positive while driving ahead", Trace: "motor current", Instrument: "motor_current", Digits: 3,
		Limit: "beyond the controller's rating (motor current)", Answer: 1.5, Runs: 10, Panel: true, Also: []string{"armature_current", "phase_current", "output_current", "motor_amps", "current", "amps", "i_motor"}},
	{Name: MotorSpeed, Unit: "rpm", Doc: "motor speed, positive ahead", Trace: "motor speed", Instrument: "speed", Digits: 3,
		Limit: "beyond the motor's highest speed", Answer: 3, Runs: 3, Panel: true, Also: []string{"speed", "rpm", "shaft_speed", "motor_rpm", "rotor_speed"}},
	{Name: StageTemperature, Unit: "°C", Doc: "heat sink of the power stage", Part: "heat sink", Instrument: "temperature", Digits: 3,
		Limit: "the heat sink is at its limit", Panel: true, Also: []string{"heat_sink", "heat_sink_temperature", "sink_temperature", "controller_temperature", "temperature"}},
	{Name: MotorTemperature, Unit: "°C", Doc: "at the motor's sensor", Part: "winding", Sensor: "winding", Else: "motor housing", Instrument: "temperature", Digits: 3,
		Limit: "the motor is at its limit", Also: []string{"winding_temperature", "motor_sensor"}},
	{Name: BatteryTemperature, Unit: "°C", Doc: "battery cells", Part: "battery", Instrument: "temperature", Digits: 3,
		Limit: "the battery is at its limit", Also: []string{"cell_temperature", "pack_temperature"}},
	{Name: Duty, Unit: "%", Doc: "share of the battery voltage put on the motor", Trace: "duty", Error: 0.02, Digits: 3, Also: []string{"duty_cycle", "modulation"}},
	{Name: Demand, Unit: "%", Doc: "what is left of the lever after interlocks and ramp", Trace: "demand", Error: 0.02, Digits: 3, Answer: 0.005, Runs: 0.02},
	{Name: BoatSpeed, Unit: "m/s", Doc: "boat speed through the water", Trace: "boat speed", Error: 0.3, Digits: 3, Also: []string{"speed_through_water", "water_speed", "stw", "knots"}},
	// Of a log 0.3 m/s, and over ground what the water itself does: 0.5 m/s where nobody says better (common practice, no source).
	{Name: SpeedOverGround, Unit: "m/s", Doc: "boat speed over ground, by satellites", Trace: "speed over ground", Part: "boat speed", Error: 0.5, Digits: 3, Unsigned: true, Also: []string{"ground_speed", "gps_speed", "sog"}},
}

// Kinds returns the table of channels, in their usual order. The caller may change it.
func Kinds() []Kind { return slices.Clone(kinds) }

// KindOf returns the table's line about a channel; ok is false for a channel with a name of its own.
func KindOf(name string) (k Kind, ok bool) {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Name == name })
	if i < 0 {
		return Kind{}, false
	}
	return kinds[i], true
}

// runsBy names the reading that shows a motor that runs, beyond what its meter may be off; "": none does.
func runsBy(channels []Channel, s Sample) string {
	for i, c := range channels {
		k, _ := KindOf(c.Name)
		if v := math.Abs(s.Values[i]); k.Runs > 0 && v > k.Runs+3*(c.Meter.Offset+c.Meter.Gain*v) {
			return c.Name + " is " + show(s.Values[i], c.Unit)
		}
	}
	return ""
}

// TraceName returns what a record calls a channel.
func TraceName(channel string) string {
	if k, _ := KindOf(channel); k.Trace != "" {
		return k.Trace
	}
	return channel
}

// PredictedTrace returns the simulated trace that a channel is compared with, where the motor's sensor sits where the
// settings say; "" where there is none.
func PredictedTrace(channel, sensor string) string {
	k, _ := KindOf(channel)
	switch {
	case k.Sensor != "" && k.Sensor != sensor:
		return k.Else
	case k.Part != "":
		return k.Part
	}
	return k.Trace
}

// StandardChannels lists the names in words.
func StandardChannels() string {
	var list []string
	for _, k := range kinds {
		list = append(list, k.Name)
	}
	return strings.Join(list, ", ")
}

// Meant returns the channel that a name of its own probably means: one misspelt, abbreviated, turned round, or called
// otherwise in the trade. Such a name must not pass, as what stops a test goes by the channel's own name.
func Meant(name string) (channel string, ok bool) {
	if _, is := KindOf(name); is {
		return "", false
	}
	words := strings.FieldsFunc(strings.ToLower(name), func(r rune) bool { return r == '_' || r == '.' })
	plain := strings.Join(words, "_")
	for _, k := range kinds {
		for i, known := range append([]string{k.Name}, k.Also...) {
			if plain == known || i == 0 && (near(plain, known) || abbreviates(words, strings.Split(known, "_"))) {
				return k.Name, true
			}
		}
	}
	return "", false
}

// near reports whether two names differ in two letters at most, words joined or not; of a short name in one.
func near(a, b string) bool {
	a, b = strings.ReplaceAll(a, "_", ""), strings.ReplaceAll(b, "_", "")
	allowed := 2
	if len(b) < 7 {
		allowed = 1
	}
	return datafile.Distance(a, b) <= allowed
}

// abbreviates reports whether the words are the known ones, in any order, each shortened or misspelt by a letter.
func abbreviates(words, known []string) bool {
	if len(words) != len(known) {
		return false
	}
	left := slices.Clone(known)
	for _, w := range words {
		i := slices.IndexFunc(left, func(k string) bool {
			return len(w) >= 3 && strings.HasPrefix(k, w) || len(w) >= 4 && datafile.Distance(w, k) <= 1
		})
		if i < 0 {
			return false
		}
		left = slices.Delete(left, i, i+1)
	}
	return true
}
