package link

import "strings"

// Names of the channels that the tool understands: what a register map or a column list calls its readings. Others are
// recorded under their own names.
const (
	Voltage            = "voltage"             // battery voltage at the controller, V
	BatteryCurrent     = "battery_current"     // A
	MotorCurrent       = "motor_current"       // A
	MotorSpeed         = "motor_speed"         // rad/s
	StageTemperature   = "stage_temperature"   // heat sink, K
	MotorTemperature   = "motor_temperature"   // at the motor's sensor, K
	BatteryTemperature = "battery_temperature" // K
	Duty               = "duty"                // 0..1
	Demand             = "demand"              // what is left of the lever after interlocks and ramp, −1..1
	BoatSpeed          = "boat_speed"          // m/s
)

// Channels lists them.
var channels = []string{
	Voltage, BatteryCurrent, MotorCurrent, MotorSpeed, StageTemperature, MotorTemperature, BatteryTemperature, Duty, Demand, BoatSpeed,
}

// StandardChannels is the list in words.
func StandardChannels() string { return strings.Join(channels, ", ") }
