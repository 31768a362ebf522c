package check

import "regexp"

// renamed holds the names of the version before, functions alone and fields with their type. One version later they go.
var renamed = map[string]string{
	"bench.Highest": "FindHighest", "bench.Front": "FindFront", "bench.Drift": "FindDrift", "bench.WhatNext": "FindNextTests",
	"bench.Readings": "JudgeReadings", "bench.Hold": "ServeScript", "bench.HeldRun": "RunAtHolder", "bench.SimulatedRecord": "IsSimulated",
	"bench.Parts": "Departs", "bench.Propose": "Assign", "bench.Held": "ComparedSetting", "Highest.Gives": "NextLimit",
	"HighestResult.Gives": "NextLimit", "FrontPoint.Gives": "NextLimit", "Battery.ResistanceColdness": "ResistancePerKelvin",
	"Battery.ChargeLowest": "ChargeLowestTemperature", "Charging.Current": "CurrentLimit", "Charging.Voltage": "VoltageLimit",
	"Cable.Rated": "RatedTemperature", "Cable.ShortCircuit": "ShortCircuitTemperature", "Fuse.Breaking": "BreakingCapacity",
	"Fuse.Let": "MeltingI2t", "Fuse.Arcing": "ArcingTime", "Fuse.ElementMelted": "DeratingTemperature", "Contactor.Break": "BreakCurrent",
	"Contactor.Make": "MakeCurrent", "Precharge.Energy": "PulseEnergy", "Stage.ResistanceRise": "SwitchResistanceRise",
	"Stage.FanLost": "LostCoolingFactor", "Stage.CapacitorRipple": "CapacitorThermalResistance",
	"Stage.CapacitorHeat": "CapacitorHeatCapacity", "Stage.CurrentLoop": "CurrentLoopTime", "Motor.Friction": "FrictionTorque",
	"Motor.Viscous": "IronTorque", "Motor.DemagnetCurrent": "DemagnetisingCurrent", "Motor.DemagnetPerKelvin": "DemagnetisingPerKelvin",
	"Motor.FanLost": "LostCoolingFactor", "Motor.BrushShare": "BrushHeatShare", "Motor.PhaseFactor": "StandstillPhaseFactor",
	"Shaft.SealColdness": "SealFrictionPerKelvin", "Propeller.Speed": "MeasuredSpeed", "Propeller.Torque": "MeasuredTorque",
	"Propeller.Power": "MeasuredPower", "Propeller.BoatSpeed": "MeasuredBoatSpeed", "Hull.Efficiency": "PropulsiveEfficiency",
	"Compartment.Closed": "ClosedFactor", "Derating.Sensor": "MotorSensor", "LowVoltage.Delay": "CutOffDelay", "Trial.Steps": "Throttle",
	"Trial.Speed": "BoatSpeed", "Trial.CoolingLost": "CoolingLostFrom", "Trial.NotPrecharged": "PrechargeSkipped",
	"Trial.EndAfter": "EndAfterExpected", "Start.Each": "Cable",
}

var (
	missingFunction = regexp.MustCompile(`^undefined: \w+\.(\w+)$`)
	missingField    = regexp.MustCompile(`\(type \*?(?:\w+\.)?(\w+) has no field or method (\w+)[),]`)
	unknownField    = regexp.MustCompile(`^unknown field (\w+) in struct literal of type (?:\w+\.)?(\w+)$`)
)

// nameNow returns what a name that an error of the type checker calls missing is called now; "" where it never was one.
func nameNow(msg string) string {
	if m := missingFunction.FindStringSubmatch(msg); m != nil {
		return renamed["bench."+m[1]]
	}
	if m := missingField.FindStringSubmatch(msg); m != nil {
		if m[1] == "Programme" { // it embeds a trial
			m[1] = "Trial"
		}
		return renamed[m[1]+"."+m[2]]
	}
	if m := unknownField.FindStringSubmatch(msg); m != nil {
		return renamed[m[2]+"."+m[1]]
	}
	return ""
}
