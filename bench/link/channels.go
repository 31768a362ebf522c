package link

import (
	"math"
	"slices"
	"strconv"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
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

// Kind is all that is known of one channel: the one table that maps, predictions, hard limits, records, sheets, the proof of a
// command time-out, screens and the simulated controller read. A channel is added by one line here. What depends on the boat
// (the values behind Instrument, Highest and Lowest) stands with the boat.
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
	// Gain is its instrument's error as a share of the reading, and Stray (SI) or, where that is more, StrayShare of its largest
	// value what it strays by slowly beside a model of the boat: standard deviations, common practice, no source. Stray 0: nothing is learnt from it.
	Gain, Stray, StrayShare float64
	Digits                  int // to show
	// Highest and Lowest name what bounds it, by keys of the boat file (Bounds); Limit says what that bound stands for; "" for none.
	Highest, Lowest, Limit string
	// Current says what it carries: "motor" for the motor current, "battery" for the battery's; "": it is no current.
	Current  string
	Answer   float64 // a change of so much from rest counts as an answer to a throttle command, SI; 0: never
	Runs     float64 // so much of it, ahead or astern, shows a motor that runs, whatever marks it, SI; 0: never
	Proof    int     // its turn when the proof of a command time-out looks for a reading that shows a command; 0: never
	Echo     bool    // the controller's own word of its command: it must show a command, and end with it
	Coasts   bool    // it does not end with the command
	Panel    bool    // a panel may have a meter for it, and a controller's line or a logger shows it ten times a second
	Unsigned bool    // it tells a size alone: ahead and astern read the same
	// ByHand is the instrument by which a person reads it, "" where nobody does; HandUnit is what that shows it in where that is
	// not Unit. Usual says who has the instrument: "panel" of every boat, or "toolbox" of most people; "" of few.
	ByHand, HandUnit, Usual string
	Afloat                  bool // nothing to read while the boat is moored
	// Said lists what a heading of a logger or a spreadsheet may be made of when it means this channel, in any order; the words are readings'.
	Said []string
	// Also lists what else manuals and people call it: such a name in a map is an error, or its hard limit would be lost.
	Also []string
}

var kinds = []Kind{
	{Name: Voltage, Unit: "V", Doc: "battery voltage at the controller", Trace: "voltage at the controller", Instrument: "voltage", Gain: 0.003, Stray: 0.01, StrayShare: 0.002, Digits: 3,
		Highest: "stage.voltage_limit", Lowest: "battery.cells × battery.cell_lowest", Limit: "outside what cells and controller bear", Panel: true,
		ByHand: "panel voltmeter, or a multimeter at the controller's battery terminals", Usual: "panel",
		Said: []string{"voltage", "voltage battery", "voltage stage"}, Also: []string{"battery_voltage", "dc_voltage", "bus_voltage", "link_voltage", "supply_voltage", "volts", "u_batt"}},
	{Name: BatteryCurrent, Unit: "A", Doc: "battery current, positive while driving", Trace: "battery current", Instrument: "battery_current", Gain: 0.01, Stray: 0.3, StrayShare: 0.008, Digits: 3,
		Highest: "battery.management.discharge_current | fuse.rating", Lowest: "-battery.management.charge_current", Limit: "beyond what the battery's management or fuse bears (battery current)",
		Current: "battery", Answer: 1.5, Panel: true, ByHand: "panel ammeter, or a clamp meter round one battery cable", Usual: "panel",
		Said: []string{"current battery"}, Also: []string{"dc_current", "supply_current", "input_current", "battery_amps", "i_batt"}},
	{Name: MotorCurrent, Unit: "A", Doc: "motor current, positive while driving ahead", Trace: "motor current", Instrument: "motor_current", Gain: 0.01, Stray: 0.3, StrayShare: 0.008, Digits: 3,
		Highest: "stage.current", Lowest: "-stage.current", Limit: "beyond the controller's rating (motor current)",
		Current: "motor", Answer: 1.5, Runs: 10, Proof: 1, Panel: true, ByHand: "clamp meter round one motor cable", Usual: "toolbox",
		Said: []string{"current motor"}, Also: []string{"armature_current", "phase_current", "output_current", "motor_amps", "current", "amps", "i_motor"}},
	{Name: MotorSpeed, Unit: "rpm", Doc: "motor speed, positive ahead", Trace: "motor speed", Instrument: "speed", Gain: 0.003, Stray: 0.3, StrayShare: 0.006, Digits: 3,
		Highest: "motor.speed_limit", Lowest: "-motor.speed_limit", Limit: "beyond the motor's highest speed", Answer: 3, Runs: 3, Proof: 3, Coasts: true, Panel: true, ByHand: "tachometer",
		Said: []string{"revolutions", "revolutions motor", "speed motor"}, Also: []string{"speed", "rpm", "shaft_speed", "motor_rpm", "rotor_speed"}},
	{Name: StageTemperature, Unit: "°C", Doc: "heat sink of the power stage", Part: "heat sink", Instrument: "temperature", Stray: 0.5, Digits: 3,
		Highest: "stage.sink_limit", Limit: "the heat sink is at its limit", Panel: true, ByHand: "the controller's own display",
		Said: []string{"stage temperature"}, Also: []string{"heat_sink", "heat_sink_temperature", "sink_temperature", "controller_temperature", "temperature"}},
	{Name: MotorTemperature, Unit: "°C", Doc: "at the motor's sensor", Part: "winding", Sensor: "winding", Else: "motor housing", Instrument: "temperature", Stray: 0.5, Digits: 3,
		Highest: "motor.housing_limit", // where its sensor sits in the winding, the winding's (bench.HardLimits)
		Limit:   "the motor is at its limit",
		Said:    []string{"motor temperature", "winding temperature", "motor winding temperature"}, Also: []string{"winding_temperature", "motor_sensor"}},
	{Name: BatteryTemperature, Unit: "°C", Doc: "battery cells", Part: "battery", Instrument: "temperature", Stray: 0.5, Digits: 3,
		Highest: "battery.temperature_limit", Limit: "the battery is at its limit", Said: []string{"battery temperature"}, Also: []string{"cell_temperature", "pack_temperature"}},
	{Name: Duty, Unit: "%", Doc: "share of the battery voltage put on the motor", Trace: "duty", Error: 0.02, Digits: 3, Said: []string{"duty"}, Also: []string{"duty_cycle", "modulation"}},
	{Name: Demand, Unit: "%", Doc: "what is left of the lever after interlocks and ramp", Trace: "demand", Error: 0.02, Digits: 3, Answer: 0.005, Runs: 0.02, Proof: 2, Echo: true},
	{Name: BoatSpeed, Unit: "m/s", Doc: "boat speed through the water", Trace: "boat speed", Error: 0.3, Gain: 0.01, Stray: 0.05, Digits: 3,
		ByHand: "phone, speed over ground: in both directions, or in still water", HandUnit: "km/h", Usual: "panel", Afloat: true, // as phones show it
		Said: []string{"speed boat"}, Also: []string{"speed_through_water", "water_speed", "stw", "knots"}},
	// Of a log 0.3 m/s, and over ground what the water itself does: 0.5 m/s where nobody says better (common practice, no source).
	{Name: SpeedOverGround, Unit: "m/s", Doc: "boat speed over ground, by satellites", Trace: "speed over ground", Part: "boat speed", Error: 0.5, Gain: 0.01, Stray: 0.05, Digits: 3, Unsigned: true,
		Said: []string{"speed ground"}, Also: []string{"ground_speed", "gps_speed", "sog"}},
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

// InstrumentError returns the error of the instrument behind a channel, as a boat (a struct of datafile's keys) states it, SI.
func (k Kind) InstrumentError(boat any) float64 {
	if v, ok := datafile.Number(boat, "instruments."+k.Instrument); ok {
		return v
	}
	return k.Error
}

// Bounds returns the lowest and highest value that a boat (a struct of datafile's keys) allows a channel, SI; ok is false where
// nothing bounds it. Of alternatives the least that the boat gives counts. Nothing given below is zero, and no end where it would be negative.
func (k Kind) Bounds(boat any) (low, high float64, ok bool) {
	if high, ok = given(boat, k.Highest); !ok {
		return 0, 0, false
	}
	negative := strings.HasPrefix(k.Lowest, "-")
	switch low, ok = given(boat, strings.TrimPrefix(k.Lowest, "-")); {
	case ok && negative:
		low = -low
	case negative:
		low = math.Inf(-1)
	}
	return low, high, true
}

// given returns the least of the alternatives of which a boat gives every factor, SI.
func given(boat any, terms string) (least float64, given bool) {
	for term := range strings.SplitSeq(terms, " | ") {
		product, ok := 1.0, terms != ""
		for key := range strings.SplitSeq(term, " × ") {
			v, is := datafile.Number(boat, key)
			if text, _ := datafile.Get(boat, key); !is { // a count
				n, err := strconv.Atoi(text)
				v, is = float64(n), err == nil
			}
			product, ok = product*v, ok && is
		}
		if ok && (!given || product < least) {
			least, given = product, true
		}
	}
	return least, given
}

// Carrying returns the channel of a current, "motor" or "battery".
func Carrying(current string) Kind {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return k.Current == current })
	return kinds[i]
}

// CurrentNames lists the currents as a sentence leaves a choice.
func CurrentNames() string {
	return quantity.Either(Names(func(k Kind) bool { return k.Current != "" }))
}

// Names lists the channels of which something is so, in their usual order.
func Names(of func(Kind) bool) (list []string) {
	for _, k := range kinds {
		if of(k) {
			list = append(list, k.Name)
		}
	}
	return list
}

// Proofs lists the channels that may show a command in the proof of a command time-out, the best first.
func Proofs() (list []Kind) {
	for _, k := range kinds {
		if k.Proof > 0 {
			list = append(list, k)
		}
	}
	slices.SortFunc(list, func(a, b Kind) int { return a.Proof - b.Proof })
	return list
}

// ProofNames lists them as a sentence leaves a choice.
func ProofNames() string {
	var names []string
	for _, k := range Proofs() {
		names = append(names, k.Name)
	}
	return quantity.Either(names)
}

// ByTrace returns the table's line about what a record calls so; ok is false for a part that a thermometer was held to.
func ByTrace(trace string) (k Kind, ok bool) {
	i := slices.IndexFunc(kinds, func(k Kind) bool { return TraceName(k.Name) == trace })
	if i < 0 {
		return Kind{}, false
	}
	return kinds[i], true
}

// runsBy returns the name of the reading that shows a motor that runs, beyond what its meter may be off; "": none does.
func runsBy(channels []Channel, s Sample) string {
	for i, c := range channels {
		k, _ := KindOf(c.Name)
		if v := math.Abs(s.Values[i]); k.Runs > 0 && v > k.Runs+3*(c.Meter.Offset+c.Meter.Gain*v) {
			return quantity.Spoken(c.Name) + " is " + quantity.FormatStated(s.Values[i], c.Unit)
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
	return strings.Join(Names(func(Kind) bool { return true }), ", ")
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
