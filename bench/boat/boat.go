// Package boat describes one boat's electric drive, from the battery bank to the hull, as read from a TOML file.
//
// The struct tags are the one table of what a boat file may hold: key, unit, bounds, default, an example, what
// the value is and where to find it. The reader, the template of `quaybench new` and the help come from them.
// All values are SI (temperatures in kelvin); units appear only in the file.
package boat

import (
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Boat is one boat's drive.
type Boat struct {
	Name  string `key:"name" example:"NAME" doc:"the boat's name, as the book calls it"`
	About string `key:"about" optional:"yes" example:"fill in from data sheets and measurements" doc:"a line about the boat, and where its numbers come from"`

	Close    quantity.Value `key:"close" unit:"1" default:"90 %" above:"0 %" max:"100 %" example:"90 %" doc:"share of a limit above which a part is called close"`
	CloseFor []CloseFor     `key:"close_for" optional:"yes"`

	Battery     Battery     `key:"battery"`
	Charging    *Charging   `key:"charging"`
	Cables      []Cable     `key:"cable" optional:"yes"`
	Joints      []Joint     `key:"joint" optional:"yes"`
	Fuse        Fuse        `key:"fuse"`
	Contactor   Contactor   `key:"contactor"`
	Precharge   *Precharge  `key:"precharge"`
	Stage       Stage       `key:"stage"`
	Motor       Motor       `key:"motor"`
	Shaft       Shaft       `key:"shaft"`
	Propeller   Propeller   `key:"propeller"`
	Hull        Hull        `key:"hull"`
	Compartment Compartment `key:"compartment"`
	Instruments Instruments `key:"instruments"`

	Tolerances []Tolerance `key:"tolerance" optional:"yes"`

	filled  map[string]bool   // by key: what the file leaves out and fit fills in
	origins map[string]string // by key: where each value that the file states comes from, "" where it does not say
}

// CloseFor sets another share for one part.
type CloseFor struct {
	Part  string         `key:"part" doc:"name of the part, as in the verdict table"`
	Share quantity.Value `key:"share" unit:"1" above:"0 %" max:"100 %" doc:"share of that part's limit above which it is called close"`
}

// Battery is the whole bank as one equivalent cell string.
type Battery struct {
	Chemistry               string         `key:"chemistry" one:"LFP|NMC|flooded lead-acid|AGM lead-acid" example:"LFP" doc:"chemistry of the cells" find:"label of the battery"`
	Cells                   int            `key:"cells" min:"1" max:"400" example:"16" doc:"cells in series" find:"nominal voltage over 3.2 V (LFP), 3.65 V (NMC) or 2 V (lead-acid)"`
	Capacity                quantity.Value `key:"capacity" unit:"A·h" min:"0.1 A·h" max:"100000 A·h" optional:"yes" example:"200 A·h ± 5 %, data sheet" doc:"rated capacity of the whole bank; or give energy" find:"label; times the strings in parallel"`
	Energy                  quantity.Value `key:"energy" unit:"kW·h" above:"0 kW·h" max:"10000 kW·h" optional:"yes" doc:"rated energy of the whole bank, in place of capacity: over the nominal voltage, 3.2 V a cell (LFP), 3.65 V (NMC) or 2 V (lead-acid)" find:"label"`
	RatedTime               quantity.Value `key:"rated_time" unit:"s" default:"20 h" above:"0 s" example:"20 h" doc:"discharge time at which the capacity is rated (used with peukert)" find:"data sheet, C20 means 20 h"`
	Peukert                 quantity.Value `key:"peukert" unit:"1" default:"1" min:"1" max:"1.6" example:"1" doc:"Peukert exponent; 1 for lithium, 1.1 to 1.3 for lead-acid" find:"from two discharge times on the data sheet"`
	Resistance              quantity.Value `key:"resistance" unit:"Ω" above:"0 Ω" max:"10 Ω" example:"8 mΩ ± 15 %, measured" doc:"ohmic resistance of the whole bank at resistance_at, at once after a load step" find:"voltage step over current step within a second of switching a load"`
	ResistanceAt            quantity.Value `key:"resistance_at" unit:"°C" min:"-60 °C" max:"400 °C" default:"25 °C" example:"25 °C" doc:"cell temperature of that resistance"`
	ResistancePerKelvin     quantity.Value `key:"resistance_per_kelvin" unit:"1/K" default:"2.5 %/K" min:"0 1/K" max:"0.1 1/K" example:"2.5 %/K, estimated" doc:"rise of resistance per kelvin of cooling: R(T) = R·exp(c·(T0 − T))" find:"resistance at two temperatures on the data sheet; 2 to 3 %/K is common practice, no source"`
	Polarisation            datafile.Table `key:"polarisation" ask:"no" unit:"Ω|s" above:"0 Ω|0 s" optional:"yes" example:"[[\"4 mΩ\", \"40 s\"]]" doc:"one or two pairs of resistance and time constant: the sag that comes after the step" find:"voltage after 10 s and after 5 min of a steady load"`
	OCV                     datafile.Table `key:"ocv" unit:"1|V" min:"0 %|0 V" max:"100 %|5 V" optional:"yes" doc:"open-circuit voltage of one cell over state of charge; left out: the chemistry's own table" find:"rest voltages of the data sheet"`
	HeatCapacity            quantity.Value `key:"heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" ask:"no" example:"85 kJ/K, estimated" doc:"heat capacity of the bank; left out: from its mass, or from its energy (common practice, no source)" find:"mass times about 1000 J/(kg·K)"`
	Mass                    quantity.Value `key:"mass" unit:"kg" above:"0 kg" optional:"yes" doc:"mass of the bank, used where heat_capacity is not given (times 1000 J/(kg·K))" find:"label"`
	ThermalResistance       quantity.Value `key:"thermal_resistance" unit:"K/W" default:"0.15 K/W" above:"0 K/W" example:"0.15 K/W, estimated" doc:"from the cells to the air around them" find:"steady rise over heat of a long discharge"`
	Place                   string         `key:"place" one:"compartment|air" default:"compartment" example:"compartment" doc:"the air around it"`
	TemperatureLimit        quantity.Value `key:"temperature_limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"55 °C" example:"55 °C, data sheet" doc:"highest cell temperature in discharge"`
	ChargeLowestTemperature quantity.Value `key:"charge_lowest_temperature" ask:"no" unit:"°C" min:"-60 °C" max:"400 °C" optional:"yes" example:"0 °C, data sheet" doc:"no charging, and so no braking, below this cell temperature: what charges it nevertheless is judged as a part"`
	CellLowest              quantity.Value `key:"cell_lowest" unit:"V" above:"0 V" optional:"yes" example:"2.5 V, data sheet" doc:"lowest cell voltage the maker allows under load"`
	CellHighest             quantity.Value `key:"cell_highest" unit:"V" above:"0 V" optional:"yes" ask:"no" example:"3.65 V, data sheet" doc:"highest cell voltage the maker allows"`
	Management              *Management    `key:"management"`
}

// Management is the battery's own protection, which opens the bank.
type Management struct {
	DischargeCurrent quantity.Value `key:"discharge_current" unit:"A" above:"0 A" example:"250 A, data sheet" doc:"battery current in discharge at which it opens after discharge_delay"`
	DischargeDelay   quantity.Value `key:"discharge_delay" unit:"s" default:"5 s" min:"0 s" example:"5 s, data sheet" doc:"how long it bears more than that"`
	ChargeCurrent    quantity.Value `key:"charge_current" unit:"A" above:"0 A" optional:"yes" ask:"no" example:"100 A, data sheet" doc:"battery current in charge (braking too) at which it opens after charge_delay; left out: as discharge_current"`
	ChargeDelay      quantity.Value `key:"charge_delay" unit:"s" default:"5 s" min:"0 s" example:"5 s, data sheet" doc:"how long it bears more than that"`
	CellLow          quantity.Value `key:"cell_low" unit:"V" above:"0 V" example:"2.6 V, data sheet" doc:"cell voltage under load at which it opens after cell_delay"`
	CellHigh         quantity.Value `key:"cell_high" unit:"V" above:"0 V" optional:"yes" ask:"no" example:"3.65 V, data sheet" doc:"cell voltage at which it opens after cell_delay; left out: the chemistry's own highest voltage"`
	CellDelay        quantity.Value `key:"cell_delay" unit:"s" default:"2 s" min:"0 s" example:"2 s, data sheet" doc:"how long it bears a cell voltage outside"`
	TemperatureHigh  quantity.Value `key:"temperature_high" unit:"°C" min:"-60 °C" max:"400 °C" default:"60 °C" example:"60 °C, data sheet" doc:"cell temperature at which it opens"`
}

// Charging is a source at the battery during the run: solar, generator or shore.
type Charging struct {
	Power        quantity.Value `key:"power" unit:"W" min:"0 W" doc:"power delivered at the battery terminals" find:"rated power; panels flat on a roof give at best about 85 % of it (common practice, no source)"`
	CurrentLimit quantity.Value `key:"current_limit" unit:"A" above:"0 A" doc:"highest charging current"`
	VoltageLimit quantity.Value `key:"voltage_limit" unit:"V" above:"0 V" doc:"voltage at which the source holds back"`
}

// Cable is one run of cable, out and back together, in the battery or the motor circuit.
type Cable struct {
	Name                    string         `key:"name" example:"battery cable" doc:"its name in the verdict table"`
	Circuit                 string         `key:"circuit" one:"battery|motor" example:"battery" doc:"whose current it carries: battery current or motor current"`
	Section                 quantity.Value `key:"section" unit:"mm²" above:"0 mm²" example:"70 mm², data sheet" doc:"conductor section" find:"printed on the cable"`
	Length                  quantity.Value `key:"length" unit:"m" above:"0 m" max:"1000 m" example:"3 m, measured" doc:"length out and back together"`
	ConductorClass          int            `key:"conductor_class" default:"5" min:"2" max:"5" example:"5" doc:"IEC 60228 class: 2 stranded, 5 flexible"`
	RatedTemperature        quantity.Value `key:"rated_temperature" unit:"°C" min:"-60 °C" max:"400 °C" default:"90 °C" example:"90 °C, data sheet" doc:"highest conductor temperature of the insulation: its limit" find:"printed on the cable"`
	Ampacity                quantity.Value `key:"ampacity" unit:"A" above:"0 A" max:"10 kA" optional:"yes" example:"250 A, data sheet" doc:"current that brings it to rated_temperature at ampacity_at" find:"cable maker's table, or the table that applies to your boat"`
	AmpacityAt              quantity.Value `key:"ampacity_at" unit:"°C" min:"-60 °C" max:"400 °C" default:"30 °C" example:"30 °C" doc:"air temperature of that ampacity"`
	Bundling                quantity.Value `key:"bundling" unit:"1" default:"100 %" above:"0 %" max:"100 %" example:"100 %" doc:"factor on the ampacity for cables that lie together (33 CFR 183.425, for 50 V and above, from memory: 70 % from 4 conductors in one bundle, 60 % from 7, 50 % from 25)"`
	EngineSpace             bool           `key:"engine_space" default:"false" example:"false" doc:"it runs through the warm machinery space (static rules take the lower ampacity)"`
	ShortCircuitTemperature quantity.Value `key:"short_circuit_temperature" unit:"°C" min:"100 °C" max:"400 °C" optional:"yes" doc:"highest conductor temperature in a short circuit of up to 5 s; left out: 160 °C as for PVC, of insulation rated above 105 °C 250 °C, from 150 °C on 350 °C" find:"IEC 60364-4-43: PVC 160 °C, XLPE and EPR 250 °C, rubber 200 to 220 °C, silicone 350 °C"`
	Place                   string         `key:"place" one:"compartment|air" default:"compartment" example:"compartment" doc:"the air around it"`
	Resistance              quantity.Value `key:"resistance" unit:"Ω" above:"0 Ω" max:"1 Ω" optional:"yes" doc:"resistance at 20 °C, where measured; else from section, length and class"`
	ThermalResistance       quantity.Value `key:"thermal_resistance" unit:"K/W" above:"0 K/W" optional:"yes" doc:"conductor to air; else from the ampacity"`
	HeatCapacity            quantity.Value `key:"heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" doc:"conductor's heat capacity; else from its copper"`
	Inductance              quantity.Value `key:"inductance" unit:"H" min:"0 H" max:"1 H" optional:"yes" doc:"loop inductance; else 0.7 µH per metre (common practice, no source)"`
}

// Joint is a lug, stud, crimp, switch contact or plug.
type Joint struct {
	Name              string         `key:"name" example:"battery lug" doc:"its name in the verdict table"`
	Circuit           string         `key:"circuit" one:"battery|motor" example:"battery" doc:"whose current it carries"`
	Resistance        quantity.Value `key:"resistance" unit:"Ω" above:"0 Ω" max:"1 Ω" example:"0.1 mΩ ± 50 %, estimated" doc:"its resistance" find:"millivolts across it over amperes through it"`
	ThermalResistance quantity.Value `key:"thermal_resistance" unit:"K/W" default:"6 K/W" above:"0 K/W" example:"6 K/W, estimated" doc:"joint to the air around it"`
	HeatCapacity      quantity.Value `key:"heat_capacity" unit:"J/K" default:"60 J/K" above:"0 J/K" example:"60 J/K, estimated" doc:"of lug and stud"`
	Limit             quantity.Value `key:"limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"105 °C" example:"105 °C, data sheet" doc:"highest temperature of the joint"`
	Place             string         `key:"place" one:"compartment|air" default:"compartment" example:"compartment" doc:"the air around it"`
}

// Fuse is the main fuse in the battery circuit, with its fastest and slowest time-current curve.
type Fuse struct {
	Rating              quantity.Value `key:"rating" unit:"A" above:"0 A" example:"160 A, data sheet" doc:"rated current"`
	Voltage             quantity.Value `key:"voltage" unit:"V" above:"0 V" example:"80 V, data sheet" doc:"rated direct voltage" find:"the direct-current rating, not the alternating one"`
	BreakingCapacity    quantity.Value `key:"breaking_capacity" unit:"A" above:"0 A" example:"10 kA, data sheet" doc:"highest fault current it can break at that voltage"`
	Class               string         `key:"class" optional:"yes" example:"gG" doc:"published class to take the curves from: gG, blade, SF30 or SF51 (bolt-in); left out where curves are given"`
	Fastest             datafile.Table `key:"fastest" unit:"A|s" above:"0 A|0 s" optional:"yes" doc:"points of the fastest curve: current and time to melt" find:"lower edge of the data sheet's band; two significant digits are enough"`
	Slowest             datafile.Table `key:"slowest" unit:"A|s" above:"0 A|0 s" optional:"yes" doc:"points of the slowest curve" find:"upper edge of the band; the mean curve plus the stated tolerance where there is no band"`
	CurveIs             string         `key:"curve_is" one:"melting|clearing" default:"melting" example:"melting" doc:"whether the curves show the time to melt or to clear" find:"small print of the curve"`
	Carries             quantity.Value `key:"carries" unit:"1" above:"0 %" optional:"yes" doc:"current over rating that the fastest element just carries for ever; not beside class" find:"conventional non-fusing current over rating"`
	Melts               quantity.Value `key:"melts" unit:"1" above:"0 %" optional:"yes" doc:"current over rating at which the slowest element melts at last; not beside class" find:"conventional fusing current over rating"`
	MeltingI2t          quantity.Value `key:"melting_i2t" unit:"A²·s" above:"0 A²·s" optional:"yes" doc:"pre-arcing I²t of the fastest element; not beside class" find:"data sheet, pre-arcing or melting I²t"`
	ArcingTime          quantity.Value `key:"arcing_time" unit:"s" default:"5 ms" min:"0 s" example:"5 ms, estimated" doc:"added to the melting time until the current is broken"`
	Resistance          quantity.Value `key:"resistance" unit:"Ω" above:"0 Ω" max:"1 Ω" optional:"yes" ask:"no" example:"0.3 mΩ, data sheet" doc:"cold resistance; left out: 0.1 V over the rating (common practice, no source)" find:"power loss at rated current over its square"`
	CurveAt             quantity.Value `key:"curve_at" unit:"°C" min:"-60 °C" max:"400 °C" default:"25 °C" example:"25 °C" doc:"air temperature of the curves"`
	DeratingTemperature quantity.Value `key:"derating_temperature" unit:"°C" min:"-60 °C" max:"1500 °C" default:"200 °C" example:"200 °C, estimated" doc:"effective temperature for derating with the air: rating goes with sqrt((this − air)/(this − curve_at))" find:"fit it to the data sheet's ambient derating"`
	Place               string         `key:"place" one:"compartment|air" default:"compartment" example:"compartment" doc:"the air around it"`
}

// Contactor is the main contactor in the battery circuit.
type Contactor struct {
	Current           quantity.Value `key:"current" unit:"A" above:"0 A" max:"10 kA" example:"250 A, data sheet" doc:"current it carries for ever"`
	Voltage           quantity.Value `key:"voltage" unit:"V" above:"0 V" example:"80 V, data sheet" doc:"rated direct voltage"`
	BreakCurrent      quantity.Value `key:"break_current" unit:"A" above:"0 A" optional:"yes" ask:"no" example:"400 A, data sheet" doc:"highest current it can open under load; left out: as current"`
	MakeCurrent       quantity.Value `key:"make_current" unit:"A" above:"0 A" optional:"yes" ask:"no" example:"600 A, data sheet" doc:"highest current it can close on; left out: as current"`
	Resistance        quantity.Value `key:"resistance" unit:"Ω" default:"0.2 mΩ" above:"0 Ω" max:"1 Ω" example:"0.2 mΩ, data sheet" doc:"contact resistance"`
	ThermalResistance quantity.Value `key:"thermal_resistance" unit:"K/W" above:"0 K/W" optional:"yes" doc:"contacts to air; else so that the rated current gives a rise of 50 K"`
	HeatCapacity      quantity.Value `key:"heat_capacity" unit:"J/K" default:"200 J/K" above:"0 J/K" example:"200 J/K, estimated" doc:"of contacts and studs"`
	Limit             quantity.Value `key:"limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"110 °C" example:"110 °C, data sheet" doc:"highest temperature of its terminals"`
	CoilPower         quantity.Value `key:"coil_power" unit:"W" default:"12 W" min:"0 W" max:"1 kW" example:"12 W, data sheet" doc:"power of the closed coil, drawn from the battery"`
	Place             string         `key:"place" one:"compartment|air" default:"compartment" example:"compartment" doc:"the air around it"`
}

// Precharge fills the link capacitor before the contactor closes.
type Precharge struct {
	Resistance  quantity.Value `key:"resistance" unit:"Ω" above:"0 Ω" max:"100 kΩ" example:"47 Ω, data sheet" doc:"pre-charge resistor"`
	Time        quantity.Value `key:"time" unit:"s" above:"0 s" example:"5 s, data sheet" doc:"time until the contactor closes"`
	PulseEnergy quantity.Value `key:"pulse_energy" unit:"J" above:"0 J" example:"60 J, data sheet" doc:"energy the resistor takes in one pulse"`
}

// Stage is the power stage of the controller: an averaged chopper.
type Stage struct {
	Current                    quantity.Value `key:"current" unit:"A" above:"0 A" max:"10 kA" example:"400 A, data sheet" doc:"highest motor current of the controller, for the short time it is rated"`
	VoltageLimit               quantity.Value `key:"voltage_limit" unit:"V" above:"0 V" example:"75 V, data sheet" doc:"highest voltage at its battery terminals"`
	Braking                    bool           `key:"braking" default:"false" example:"true" doc:"it can send current back to the battery" find:"data sheet: regenerative braking"`
	SwitchingFrequency         quantity.Value `key:"switching_frequency" unit:"Hz" min:"100 Hz" max:"1 MHz" optional:"yes" ask:"no" example:"16 kHz, data sheet" doc:"chopping frequency; left out: 16 kHz (common practice, no source)"`
	SwitchResistance           quantity.Value `key:"switch_resistance" unit:"Ω" above:"0 Ω" max:"1 Ω" optional:"yes" ask:"no" example:"0.8 mΩ, data sheet" doc:"resistance of the conducting switch at 25 °C, devices in parallel together; left out: 0.35 V at the highest motor current (common practice, no source)"`
	SwitchResistanceRise       quantity.Value `key:"switch_resistance_rise" unit:"1/K" default:"0.6 %/K" min:"0 1/K" max:"0.05 1/K" example:"0.6 %/K, data sheet" doc:"its rise per kelvin above 25 °C"`
	SwitchingTime              quantity.Value `key:"switching_time" unit:"s" default:"300 ns" min:"0 s" example:"300 ns, data sheet" doc:"rise plus fall time of the switch: loss = ½·V·I·t·f"`
	Freewheel                  string         `key:"freewheel" one:"diode|synchronous" default:"synchronous" example:"synchronous" doc:"what carries the motor current while the switch is open"`
	FreewheelDrop              quantity.Value `key:"freewheel_drop" unit:"V" default:"0.8 V" min:"0 V" max:"10 V" example:"0.8 V, data sheet" doc:"drop of the freewheel diode"`
	FreewheelResistance        quantity.Value `key:"freewheel_resistance" unit:"Ω" above:"0 Ω" max:"1 Ω" optional:"yes" doc:"resistance of the synchronous freewheel switch at 25 °C; else as the switch"`
	SwitchHeat                 datafile.Table `key:"switch_heat" unit:"K/W|s" above:"0 K/W|0 s" optional:"yes" ask:"no" example:"[[\"0.02 K/W\", \"5 ms\"], [\"0.06 K/W\", \"150 ms\"]]" doc:"Foster pairs of the switch, junction to heat sink; left out: a rise of 20 K at the highest motor current (common practice, no source)" find:"transient thermal impedance curve of the device, over the number in parallel, plus the pad"`
	FreewheelHeat              datafile.Table `key:"freewheel_heat" unit:"K/W|s" above:"0 K/W|0 s" optional:"yes" doc:"the same of the freewheel device; else as the switch"`
	JunctionLimit              quantity.Value `key:"junction_limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"150 °C" example:"150 °C, data sheet" doc:"highest junction temperature"`
	SinkResistance             quantity.Value `key:"sink_resistance" unit:"K/W" above:"0 K/W" example:"0.12 K/W, estimated" doc:"heat sink to what cools it" find:"steady rise over loss"`
	SinkHeatCapacity           quantity.Value `key:"sink_heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" ask:"no" example:"2.5 kJ/K, estimated" doc:"heat capacity of sink and case; left out: it follows its losses in 400 s (common practice, no source)" find:"mass of aluminium times 900 J/(kg·K)"`
	SinkLimit                  quantity.Value `key:"sink_limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"90 °C" example:"90 °C, data sheet" doc:"highest temperature of the heat sink"`
	Cooling                    string         `key:"cooling" one:"compartment|air|water" default:"compartment" example:"compartment" doc:"what cools the sink"`
	LostCoolingFactor          quantity.Value `key:"lost_cooling_factor" unit:"1" default:"3" min:"1" example:"3" doc:"sink_resistance is multiplied by this when its fan or water is lost"`
	Housekeeping               quantity.Value `key:"housekeeping" unit:"W" default:"8 W" min:"0 W" max:"2 kW" example:"8 W, measured" doc:"power of its own electronics"`
	Capacitance                quantity.Value `key:"capacitance" unit:"F" above:"0 F" optional:"yes" ask:"no" example:"8 mF, estimated" doc:"link capacitor; left out: 20 µF for each ampere of the highest motor current (common practice, no source)"`
	CapacitorESR               quantity.Value `key:"capacitor_esr" unit:"Ω" default:"2 mΩ" min:"0 Ω" max:"1 Ω" example:"2 mΩ, estimated" doc:"its equivalent series resistance"`
	CapacitorThermalResistance quantity.Value `key:"capacitor_thermal_resistance" unit:"K/W" default:"2 K/W" above:"0 K/W" example:"2 K/W, estimated" doc:"core of the capacitors to the compartment's air, however the heat sink is cooled"`
	CapacitorHeatCapacity      quantity.Value `key:"capacitor_heat_capacity" unit:"J/K" default:"120 J/K" above:"0 J/K" example:"120 J/K, estimated" doc:"of the capacitors"`
	CapacitorLimit             quantity.Value `key:"capacitor_limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"105 °C" example:"105 °C, data sheet" doc:"highest core temperature"`
	SamplePeriod               quantity.Value `key:"sample_period" unit:"s" default:"5 ms" above:"0 s" max:"1 s" example:"5 ms, estimated" doc:"how often the controller looks at its voltage and temperatures" find:"ask the maker; 1 to 20 ms is common practice, no source"`
	CurrentLoopTime            quantity.Value `key:"current_loop_time" unit:"s" default:"2 ms" above:"0 s" max:"100 ms" example:"2 ms, estimated" doc:"time constant of the inner current control"`
}

// Motor is the propeller motor.
type Motor struct {
	Kind         string         `key:"kind" one:"permanent-magnet brushed|series-wound|permanent-magnet brushless" example:"permanent-magnet brushed" doc:"kind of motor"`
	RatedCurrent quantity.Value `key:"rated_current" unit:"A" above:"0 A" max:"10 kA" example:"120 A, data sheet" doc:"motor current it bears for ever at rated_speed and 40 °C"`
	RatedSpeed   quantity.Value `key:"rated_speed" unit:"rad/s" above:"0 rad/s" max:"100000 rpm" example:"3000 rpm, data sheet" doc:"speed of that rating"`
	Insulation   string         `key:"insulation" one:"A|E|B|F|H" default:"F" example:"F" doc:"thermal class by IEC 60085"`

	Constant       quantity.Value `key:"constant" unit:"V·s/rad" above:"0 V·s/rad" max:"100 V·s/rad" optional:"yes" example:"0.13 V·s/rad ± 5 %, data sheet" doc:"induced voltage per speed, which is torque per ampere; at 20 °C. Not for a series-wound motor" find:"no-load speed: (volts − brush drop)/(rad/s)"`
	Magnetisation  datafile.Table `key:"magnetisation" unit:"A|V·s/rad" min:"0 A|0 V·s/rad" optional:"yes" doc:"series-wound: induced voltage per speed over current, from 0 A up" find:"load curve: (volts − I·R − brush drop)/(rad/s) at each current"`
	Resistance     quantity.Value `key:"resistance" unit:"Ω" above:"0 Ω" max:"100 Ω" example:"14 mΩ ± 10 %, data sheet" doc:"between the terminals at resistance_at, brushes apart; a series field included" find:"locked shaft: volts over amperes, within a second"`
	FieldShare     quantity.Value `key:"field_share" unit:"1" default:"40 %" min:"0 %" max:"90 %" example:"40 %" doc:"series-wound: share of the resistance that is in the field"`
	ResistanceAt   quantity.Value `key:"resistance_at" unit:"°C" min:"-60 °C" max:"400 °C" default:"20 °C" example:"20 °C" doc:"winding temperature of that resistance"`
	Inductance     quantity.Value `key:"inductance" unit:"H" above:"0 H" max:"10 H" optional:"yes" ask:"no" example:"80 µH, estimated" doc:"armature (and series field) inductance; left out: 5 ms times the resistance (common practice, no source)"`
	BrushDrop      quantity.Value `key:"brush_drop" ask:"yes" unit:"V" default:"0 V" min:"0 V" example:"1 V, estimated" doc:"drop of both brushes together; 0 for brushless" find:"locked shaft at two currents: the volts that do not rise with the amperes"`
	FrictionTorque quantity.Value `key:"friction_torque" unit:"N·m" default:"0 N·m" min:"0 N·m" max:"1000 N·m" example:"0.3 N·m, estimated" doc:"constant friction of bearings, brushes and seals, and hysteresis" find:"constant × no-load current at low speed"`
	IronTorque     quantity.Value `key:"iron_torque" unit:"N·m·s/rad" default:"0 N·m·s/rad" min:"0 N·m·s/rad" max:"100 N·m·s/rad" example:"0.001 N·m·s/rad, estimated" doc:"torque per speed of eddy currents" find:"constant × rise of no-load current with speed"`
	Windage        quantity.Value `key:"windage" unit:"N·m·s²/rad²" default:"0 N·m·s²/rad²" min:"0 N·m·s²/rad²" example:"0 N·m·s²/rad²" doc:"torque per speed squared of the fan"`
	Inertia        quantity.Value `key:"inertia" unit:"kg·m²" above:"0 kg·m²" max:"10000 kg·m²" optional:"yes" ask:"no" example:"0.03 kg·m², estimated" doc:"of the rotor; left out: from the mass (common practice, no source)"`
	SpeedLimit     quantity.Value `key:"speed_limit" unit:"rad/s" above:"0 rad/s" example:"5000 rpm, data sheet" doc:"highest speed of the rotor"`

	Magnets                string         `key:"magnets" ask:"yes" one:"ferrite|NdFeB|none" optional:"yes" example:"ferrite" doc:"material of the magnets: ferrite weakens by 0.2 %/K, NdFeB by 0.1 %/K; left out: ferrite of a brushed motor, NdFeB of a brushless one (common practice, no source)"`
	MagnetPerKelvin        quantity.Value `key:"magnet_per_kelvin" unit:"1/K" min:"-0.02 1/K" max:"0 1/K" optional:"yes" doc:"change of the constant per kelvin above 20 °C, of the magnets; else -0.2 %/K ferrite, -0.1 %/K NdFeB" find:"data sheet of the magnets: temperature coefficient of remanence"`
	MagnetLimit            quantity.Value `key:"magnet_limit" ask:"no" unit:"°C" min:"-60 °C" max:"400 °C" optional:"yes" example:"120 °C, data sheet" doc:"highest magnet temperature"`
	DemagnetisingCurrent   quantity.Value `key:"demagnetising_current" ask:"no" unit:"A" above:"0 A" optional:"yes" example:"600 A, data sheet" doc:"motor current that begins to weaken the magnets for ever, at 20 °C"`
	DemagnetisingPerKelvin quantity.Value `key:"demagnetising_per_kelvin" unit:"1/K" optional:"yes" doc:"change of that current per kelvin above 20 °C; else +0.4 %/K ferrite (worst when cold), −0.6 %/K NdFeB (worst when hot); both from memory"`

	HousingLimit        quantity.Value `key:"housing_limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"110 °C" example:"110 °C, estimated" doc:"highest temperature of the housing: grease leaves the bearings (common practice, no source). Bare metal burns a hand that touches it for a second from about 65 °C on (ISO 13732-1, from memory)"`
	WindingLimit        quantity.Value `key:"winding_limit" unit:"°C" min:"-60 °C" max:"400 °C" optional:"yes" doc:"highest winding temperature; else that of the insulation class"`
	WindingHeatCapacity quantity.Value `key:"winding_heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" doc:"of the copper with its slots; else from mass"`
	WindingToHousing    quantity.Value `key:"winding_to_housing" unit:"K/W" above:"0 K/W" optional:"yes" doc:"thermal resistance; else from the rating"`
	HousingHeatCapacity quantity.Value `key:"housing_heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" doc:"of iron and case; else from mass"`
	HousingToAir        quantity.Value `key:"housing_to_air" unit:"K/W" above:"0 K/W" optional:"yes" doc:"at rated_speed; else from the rating"`
	StandstillCooling   quantity.Value `key:"standstill_cooling" unit:"1" default:"60 %" above:"0 %" max:"100 %" example:"60 %, estimated" doc:"share of the cooling at rated speed that is left at standstill; 100 % with a separate fan"`
	LostCoolingFactor   quantity.Value `key:"lost_cooling_factor" unit:"1" default:"2" min:"1" example:"2" doc:"housing_to_air is multiplied by this when its fan or water is lost"`
	Cooling             string         `key:"cooling" one:"compartment|air|water" default:"compartment" example:"compartment" doc:"what cools the housing"`
	Mass                quantity.Value `key:"mass" unit:"kg" above:"0 kg" optional:"yes" example:"22 kg, data sheet" doc:"of the motor; used where heat capacities are not given"`

	BrushHeatCapacity     quantity.Value `key:"brush_heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" doc:"of commutator and brushes; else from mass"`
	BrushToHousing        quantity.Value `key:"brush_to_housing" unit:"K/W" above:"0 K/W" optional:"yes" doc:"commutator to housing; else so that the commutator is 10 K below brush_limit at the rating"`
	BrushHeatShare        quantity.Value `key:"brush_heat_share" unit:"1" default:"100 %" above:"0 %" max:"100 %" example:"100 %" doc:"share of the brush drop's heat that goes into the commutator; the rest leaves through the brush holders into the housing" find:"half of it is common practice for wide brush holders, no source"`
	BrushLimit            quantity.Value `key:"brush_limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"160 °C" example:"160 °C, estimated" doc:"highest commutator temperature"`
	BarHeatCapacity       quantity.Value `key:"bar_heat_capacity" unit:"J/K" above:"0 J/K" optional:"yes" doc:"of the few commutator bars that stand under the brushes when the shaft is still; else a tenth of brush_heat_capacity"`
	BarToCommutator       quantity.Value `key:"bar_to_commutator" unit:"K/W" above:"0 K/W" optional:"yes" doc:"from those bars to the rest; else 1.4 × brush_to_housing"`
	StandstillPhaseFactor quantity.Value `key:"standstill_phase_factor" unit:"1" default:"2" min:"1" max:"2" example:"2" doc:"brushless: loss of the most loaded phase over the mean, at standstill"`
}

// Shaft joins motor and propeller.
type Shaft struct {
	GearRatio             quantity.Value `key:"gear_ratio" ask:"yes" unit:"1" default:"1" above:"0" example:"1" doc:"motor turns per propeller turn"`
	GearEfficiency        quantity.Value `key:"gear_efficiency" unit:"1" default:"100 %" above:"50 %" max:"100 %" example:"97 %, estimated" doc:"of gear, belt and bearings"`
	Inertia               quantity.Value `key:"inertia" unit:"kg·m²" default:"0.02 kg·m²" min:"0 kg·m²" example:"0.05 kg·m², estimated" doc:"of propeller, its entrained water and shaft, at the propeller" find:"propeller mass × (diameter/4)², plus a quarter for the water"`
	SealFriction          quantity.Value `key:"seal_friction" unit:"N·m" default:"0 N·m" min:"0 N·m" example:"0.3 N·m, estimated" doc:"constant friction of stern gland and bearings, at the propeller, in water of 20 °C and more"`
	SealFrictionPerKelvin quantity.Value `key:"seal_friction_per_kelvin" unit:"1/K" default:"1 %/K" min:"0 1/K" max:"0.2 1/K" example:"1 %/K, estimated" doc:"how much of that friction more for each kelvin the water is colder than 20 °C: grease and seals stiffen (an estimate, no source)" find:"torque to turn the shaft by hand, in summer and in winter"`
}

// Propeller gives thrust and torque.
type Propeller struct {
	Kind              string         `key:"kind" one:"measured point|open water|B-series" example:"measured point" doc:"how it is described: one measured point, an open-water table, or a Wageningen B-series equivalent: of an ordinary small propeller that is an estimate, thrust and torque within about 15 % (no source)"`
	Diameter          quantity.Value `key:"diameter" unit:"m" above:"0 m" example:"0.36 m, measured" doc:"diameter"`
	Pitch             quantity.Value `key:"pitch" unit:"m" above:"0 m" optional:"yes" example:"0.26 m, data sheet" doc:"pitch" find:"stamped on the hub, often in inches"`
	Blades            int            `key:"blades" default:"3" min:"2" max:"7" example:"3" doc:"number of blades"`
	AreaRatio         quantity.Value `key:"area_ratio" unit:"1" default:"50 %" min:"25 %" max:"110 %" example:"50 %, estimated" doc:"expanded blade area over disc area"`
	MeasuredSpeed     quantity.Value `key:"measured_speed" unit:"rad/s" above:"0 rad/s" optional:"yes" example:"900 rpm, measured" doc:"measured point: propeller speed"`
	MeasuredTorque    quantity.Value `key:"measured_torque" unit:"N·m" above:"0 N·m" optional:"yes" doc:"measured point: torque at the propeller; or give measured_power"`
	MeasuredPower     quantity.Value `key:"measured_power" unit:"W" above:"0 W" optional:"yes" example:"2.4 kW ± 10 %, measured" doc:"measured point: power at the propeller" find:"motor volts × motor amperes × efficiency there"`
	MeasuredBoatSpeed quantity.Value `key:"measured_boat_speed" unit:"m/s" optional:"yes" example:"2.6 m/s, measured" doc:"measured point: boat speed"`
	MeasuredDiameter  quantity.Value `key:"measured_diameter" unit:"m" above:"0 m" optional:"yes" ask:"yes" example:"0.36 m, measured" doc:"measured point: diameter of the propeller that it was taken with. Leave these three as they are when you fit another propeller: the correction found with the first is kept, and the point itself is void"`
	MeasuredPitch     quantity.Value `key:"measured_pitch" unit:"m" above:"0 m" optional:"yes" ask:"yes" example:"0.26 m, data sheet" doc:"measured point: pitch of that propeller"`
	MeasuredBlades    int            `key:"measured_blades" min:"2" max:"7" optional:"yes" ask:"yes" example:"3" doc:"measured point: number of blades of that propeller"`
	OpenWater         datafile.Table `key:"open_water" unit:"1|1|1" optional:"yes" doc:"open-water table: advance ratio J, KT, KQ"`
	AsternShare       quantity.Value `key:"astern_share" unit:"1" min:"10 %" max:"100 %" optional:"yes" doc:"thrust astern over thrust ahead at the same propeller speed, boat at rest; left out: as the four-quadrant tests have it" find:"pull on a spring balance at the quay, ahead and astern"`

	// unstated names what the file does not say of the propeller that the measured point was taken with: it is taken for the
	// fitted one's.
	unstated string
}

// Hull resists and carries.
type Hull struct {
	Displacement         quantity.Value `key:"displacement" unit:"kg" above:"0 kg" example:"1800 kg ± 10 %, estimated" doc:"mass of the laden boat"`
	AddedMass            quantity.Value `key:"added_mass" unit:"1" default:"8 %" min:"0 %" max:"50 %" example:"8 % ± 0.04, estimated" doc:"water that moves with it, over displacement"`
	WaterlineLength      quantity.Value `key:"waterline_length" unit:"m" above:"0 m" optional:"yes" ask:"no" example:"6.5 m, measured" doc:"length of the waterline; left out: 0.52 m times the cube root of the displacement in kg (common practice, no source)"`
	Wake                 quantity.Value `key:"wake" unit:"1" default:"20 %" min:"-20 %" max:"60 %" example:"20 %, estimated" doc:"wake fraction: how much slower the water at the propeller is"`
	ThrustDeduction      quantity.Value `key:"thrust_deduction" unit:"1" default:"15 %" min:"0 %" max:"50 %" example:"15 %, estimated" doc:"share of the thrust lost to suction on the stern"`
	SpeedPower           datafile.Table `key:"speed_power" unit:"m/s|W" above:"0 m/s|0 W" optional:"yes" example:"[[\"1.5 m/s\", \"420 W\"], [\"2.1 m/s\", \"1150 W\"], [\"2.6 m/s\", \"2400 W\"]]" doc:"measured boat speed and power at the propeller" find:"a calm run both ways: motor volts × motor amperes × efficiency"`
	Resistance           datafile.Table `key:"resistance" unit:"m/s|N" above:"0 m/s|0 N" optional:"yes" doc:"boat speed and towing resistance, in place of speed_power"`
	WettedSurface        quantity.Value `key:"wetted_surface" unit:"m²" above:"0 m²" optional:"yes" doc:"for the estimate where neither table is given: wetted surface. An estimated hull may need 0.7 to 4 times the power at a speed, and so go a quarter slower: measure speed_power"`
	Allowance            quantity.Value `key:"allowance" unit:"1" default:"20 %" min:"0 %" max:"100 %" doc:"for the estimate: what skeg, rudder and fouling add to the friction"`
	FormFactor           quantity.Value `key:"form_factor" unit:"1" default:"0 %" min:"0 %" max:"100 %" doc:"for the estimate: form factor k of 1 + k; 0 with the residuary resistance used here"`
	PropulsiveEfficiency quantity.Value `key:"propulsive_efficiency" unit:"1" default:"50 %" above:"5 %" max:"85 %" example:"50 %, estimated" doc:"towing power over power at the propeller, to read speed_power as resistance"`
}

// Compartment is the space that motor, controller and battery share.
type Compartment struct {
	HeatCapacity      quantity.Value `key:"heat_capacity" unit:"J/K" default:"30 kJ/K" above:"0 J/K" example:"30 kJ/K, estimated" doc:"of its air and the surfaces that follow it"`
	ThermalResistance quantity.Value `key:"thermal_resistance" unit:"K/W" default:"0.03 K/W" above:"0 K/W" example:"0.03 K/W, estimated" doc:"to the outside, vents open" find:"steady rise of its air over the heat lost in it"`
	ClosedFactor      quantity.Value `key:"closed_factor" unit:"1" default:"3" min:"1" example:"3, estimated" doc:"thermal_resistance is multiplied by this when its vents are closed or its fan is lost"`
	Limit             quantity.Value `key:"limit" unit:"°C" min:"-60 °C" max:"400 °C" default:"65 °C" example:"65 °C, estimated" doc:"highest air temperature the things in it are rated for"`
}

// Instruments are what the person measures with; their errors widen every predicted band.
type Instruments struct {
	Voltage        quantity.Value `key:"voltage" unit:"V" default:"0.5 V" min:"0 V" example:"0.5 V, estimated" doc:"error of the voltmeter"`
	BatteryCurrent quantity.Value `key:"battery_current" unit:"A" default:"3 A" min:"0 A" example:"3 A, estimated" doc:"error of the battery ammeter"`
	MotorCurrent   quantity.Value `key:"motor_current" unit:"A" default:"5 A" min:"0 A" example:"5 A, estimated" doc:"error of the motor ammeter"`
	Speed          quantity.Value `key:"speed" unit:"rad/s" default:"20 rpm" min:"0 rad/s" example:"20 rpm, estimated" doc:"error of the tachometer"`
	Temperature    quantity.Value `key:"temperature" unit:"K" default:"3 K" min:"0 K" example:"3 K, estimated" doc:"error of thermometers"`
}
