// Package settings holds the one table of what a controller is told: key, unit, range, default, doc, which direction is the
// safer one, what it heats and why one raises it.
//
// The table is the tags of Set's fields. The loader, help, completion, range rules, templates and register maps all
// come from it, and the rules, searches and orders of writing that need to know more than a value. No key stands
// anywhere else: code names a field (Set.Key), and Table lists them. Values are SI (temperatures in kelvin). "Motor current" and "battery current" are never the same
// thing here: at low speed the battery carries a small part of what the motor carries.
package settings

// Set is one complete set of controller settings.
type Set struct {
	Limits      Limits      `key:"limits"`
	Boost       Boost       `key:"boost"`
	Ramp        Ramp        `key:"ramp"`
	Throttle    Throttle    `key:"throttle"`
	Derating    Derating    `key:"derating"`
	LowVoltage  LowVoltage  `key:"low_voltage"`
	HighVoltage HighVoltage `key:"high_voltage"`
	Stall       Stall       `key:"stall"`
}

// Limits are the highest currents by quadrant. The first four are motor currents at full lever; the last two are battery currents.
type Limits struct {
	MotorCurrent   float64 `key:"motor_current" unit:"A" min:"1 A" max:"2000 A" example:"100 A" title:"motor current limit" heats:"motor" raise:"thrust and speed ahead" doc:"motor current limit, ahead"`
	AsternCurrent  float64 `key:"astern_current" unit:"A" min:"1 A" max:"2000 A" example:"80 A" title:"astern limit" heats:"motor" raise:"a shorter crash stop" doc:"motor current limit, astern"`
	BrakingCurrent float64 `key:"braking_current" unit:"A" min:"0 A" max:"2000 A" default:"0 A" example:"50 A" title:"braking limit" heats:"motor" raise:"a propeller that stops sooner and charge that comes back" doc:"motor current limit while the motor brakes; 0 A where the controller cannot brake"`
	BatteryCurrent float64 `key:"battery_current" unit:"A" min:"1 A" max:"2000 A" example:"120 A" title:"battery current limit" heats:"battery" raise:"power at high speed" doc:"battery current limit, driving"`
	ChargeCurrent  float64 `key:"charge_current" unit:"A" min:"0 A" max:"2000 A" default:"0 A" example:"40 A" title:"charge limit" heats:"battery" raise:"more charge back while braking" doc:"battery current limit, braking"`
	Duty           float64 `key:"duty" unit:"1" min:"5 %" max:"100 %" default:"100 %" example:"100 %" title:"duty limit" heats:"speed" raise:"top speed" doc:"highest share of the battery voltage put on the motor"`
}

// Boost lets the motor current pass its limit for a short time.
type Boost struct {
	Current float64 `key:"current" unit:"A" min:"0 A" max:"2000 A" default:"0 A" example:"0 A" title:"boost" heats:"motor" brief:"yes" raise:"thrust for a moment" doc:"motor current limit during boost, at full lever; 0 A: no boost"`
	Time    float64 `key:"time" unit:"s" min:"0 s" max:"10 min" default:"10 s" example:"10 s" raise:"a longer boost" doc:"how long boost lasts at its full current; less current lasts longer (budget of the current squared above the limit squared)"`
	Rest    float64 `key:"rest" unit:"s" min:"1 s" max:"2 h" default:"120 s" example:"120 s" safer:"more" doc:"time in which an emptied boost is full again"`
}

// Ramp limits how fast the demand follows the lever.
type Ramp struct {
	Rise     float64 `key:"rise" unit:"s" min:"0.05 s" max:"60 s" default:"2 s" example:"2 s" safer:"more" doc:"time from nothing to full demand"`
	Fall     float64 `key:"fall" unit:"s" min:"0.05 s" max:"60 s" default:"0.5 s" example:"0.5 s" doc:"time from full demand to nothing"`
	Reversal float64 `key:"reversal" unit:"s" min:"0.05 s" max:"60 s" default:"2 s" example:"2 s" safer:"more" doc:"time from full demand to nothing when the lever is already in the other direction"`
}

// Throttle shapes the lever.
type Throttle struct {
	Deadband     float64 `key:"deadband" unit:"1" min:"0 %" max:"40 %" default:"5 %" example:"5 %" safer:"more" doc:"share of the lever's travel around neutral that asks for nothing"`
	Curve        float64 `key:"curve" unit:"1" min:"20 %" max:"500 %" default:"100 %" example:"100 %" safer:"more" doc:"exponent of the lever: 100 % straight, 200 % gentle near neutral"`
	FilterTime   float64 `key:"filter_time" unit:"s" min:"2 ms" max:"1 s" default:"20 ms" example:"20 ms" safer:"more" doc:"smoothing of the lever"`
	Demand       string  `key:"demand" one:"torque|voltage" default:"torque" example:"torque" doc:"what the lever asks for: a share of the motor current limit, or of the battery voltage"`
	NeutralStart bool    `key:"neutral_start" default:"true" example:"true" safer:"more" doc:"neutral start interlock: nothing moves until the lever has been in neutral"`
}

// Derating lowers the current limits as something gets hot. From start to end the factor falls from 100 % to floor.
type Derating struct {
	StageStart  float64 `key:"stage_start" unit:"°C" min:"0 °C" max:"200 °C" default:"75 °C" example:"75 °C" doc:"heat sink temperature at which both driving and braking limits begin to fall"`
	StageEnd    float64 `key:"stage_end" unit:"°C" min:"0 °C" max:"200 °C" default:"90 °C" example:"90 °C" doc:"heat sink temperature at which only the floor is left"`
	MotorStart  float64 `key:"motor_start" unit:"°C" min:"0 °C" max:"300 °C" default:"120 °C" example:"120 °C" doc:"motor sensor temperature at which the limits begin to fall"`
	MotorEnd    float64 `key:"motor_end" unit:"°C" min:"0 °C" max:"300 °C" default:"145 °C" example:"145 °C" doc:"motor sensor temperature at which only the floor is left"`
	MotorSensor string  `key:"motor_sensor" one:"winding|housing|none" default:"none" example:"none" doc:"where the motor's temperature sensor sits"`
	Floor       float64 `key:"floor" unit:"1" min:"0 %" max:"100 %" default:"0 %" example:"0 %" doc:"share of the limits that is left at the end of derating"`
	Combine     string  `key:"combine" one:"smallest|product" default:"smallest" example:"smallest" doc:"how several deratings act together"`
	FilterTime  float64 `key:"filter_time" unit:"s" min:"10 ms" max:"5 min" default:"1 s" example:"1 s" doc:"smoothing of the measured temperatures"`
}

// LowVoltage protects the battery while driving.
type LowVoltage struct {
	Start       float64 `key:"start" unit:"V" min:"0 V" max:"1000 V" example:"46 V" safer:"more" doc:"battery voltage at the controller below which the driving limits fall"`
	End         float64 `key:"end" unit:"V" min:"0 V" max:"1000 V" example:"43 V" safer:"more" doc:"battery voltage at which nothing is left of the driving limits"`
	CutOff      float64 `key:"cut_off" unit:"V" min:"0 V" max:"1000 V" example:"42 V" safer:"more" doc:"battery voltage at which the controller stops until the lever is back in neutral and the voltage above start"`
	CutOffDelay float64 `key:"cut_off_delay" unit:"s" min:"0 s" max:"60 s" default:"2 s" example:"2 s" doc:"how long the voltage may stay below cut_off"`
	FilterTime  float64 `key:"filter_time" unit:"s" min:"2 ms" max:"60 s" default:"200 ms" example:"200 ms" doc:"smoothing of the measured voltage"`
}

// HighVoltage protects battery and power stage while braking.
type HighVoltage struct {
	Start float64 `key:"start" unit:"V" min:"0 V" max:"1000 V" default:"0 V" example:"57 V" doc:"battery voltage above which the braking limits fall; 0 V with end 0 V: never"`
	End   float64 `key:"end" unit:"V" min:"0 V" max:"1000 V" default:"0 V" example:"58 V" doc:"battery voltage at which nothing is left of the braking limits"`
}

// Stall stops a motor that does not turn.
type Stall struct {
	Time    float64 `key:"time" unit:"s" min:"0 s" max:"120 s" default:"5 s" example:"5 s" doc:"stall time: how long the motor may draw current without turning; 0 s: never stops"`
	Speed   float64 `key:"speed" unit:"rad/s" min:"0 rpm" max:"1000 rpm" default:"60 rpm" example:"60 rpm" safer:"more" doc:"motor speed below which it counts as not turning"`
	Current float64 `key:"current" unit:"1" min:"0 %" max:"100 %" default:"30 %" example:"30 %" doc:"share of the motor current limit above which the stall time runs"`
}
