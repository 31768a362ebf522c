package regmap

import "quaybench/bench/link/scaling"

// The file as it stands, by tags for datafile. What the tags can't say is
// checked in load.go.
type file struct {
	Title      string        `key:"title" example:"petrel's controller (invented)" doc:"what the map is for"`
	UnitID     int           `key:"unit_id" min:"1" max:"247" example:"17" doc:"Modbus unit id of the controller"`
	Turnaround float64       `key:"turnaround" unit:"s" min:"10 ms" max:"5 s" optional:"yes" example:"500 ms" doc:"how long the controller may take before its answer begins; 200 ms where it is left out" find:"the controller's manual: response time"`
	Running    *runningMark  `key:"running" doc:"what marks a driven motor"`
	Unlock     []step        `key:"unlock" optional:"yes" doc:"written in order before each setting"`
	Lock       []step        `key:"lock" optional:"yes" doc:"written in order after each setting, also after one that failed"`
	Settings   []entry       `key:"setting" optional:"yes" doc:"what the controller is told"`
	Readings   []entry       `key:"reading" optional:"yes" doc:"what the controller measures"`
	Throttle   *throttleFile `key:"throttle" doc:"the throttle command"`
}

// entry is one setting or reading.
type entry struct {
	Key       string   `key:"key" example:"limits.motor_current" doc:"dotted key of a setting, or name of a reading"`
	Table     string   `key:"table" one:"coil|discrete|holding|input" example:"holding" doc:"which of the four tables of a Modbus unit"`
	Address   int      `key:"address" min:"0" max:"465536" example:"16" doc:"address as it stands in the frame, counted from 0"`
	Type      string   `key:"type" one:"bit|u16|s16|u32|s32|f32" example:"u16" doc:"bit in coil and discrete; u whole number, s with sign, f floating point in holding and input"`
	WordOrder string   `key:"word_order" one:"high first|low first" optional:"yes" example:"high first" doc:"which register of a 32-bit value has the lower address"`
	Unit      string   `key:"unit" optional:"yes" example:"A" doc:"unit to show values in"`
	Scale     string   `key:"scale" optional:"yes" example:"0.1 A" doc:"what one count is"`
	Offset    string   `key:"offset" optional:"yes" example:"0 A" doc:"what count 0 means"`
	Min       string   `key:"min" optional:"yes" example:"0 A" doc:"setting: lowest value the controller takes; reading: lowest that can be true"`
	Max       string   `key:"max" optional:"yes" example:"250 A" doc:"setting: highest value the controller takes; reading: highest that can be true"`
	ReadOnly  bool     `key:"read_only" default:"false" doc:"setting: it can be read, not written"`
	Words     []string `key:"words" optional:"yes" example:"[\"torque = 0\", \"voltage = 2\"]" doc:"setting that is a choice: each word and its count"`
}

func (e entry) scaling() scaling.Text {
	return scaling.Text{Unit: e.Unit, Scale: e.Scale, Offset: e.Offset, Min: e.Min, Max: e.Max}
}

// runningMark is where and how the controller says that the motor is driven.
type runningMark struct {
	Table     string `key:"table" one:"coil|discrete|holding|input" example:"input" doc:"which of the four tables of a Modbus unit"`
	Address   int    `key:"address" min:"0" max:"465536" example:"0" doc:"address as it stands in the frame, counted from 0"`
	Mask      int    `key:"mask" min:"1" max:"65535" optional:"yes" example:"1" doc:"register: the bits that tell; any of them on counts"`
	Above     int    `key:"above" min:"0" max:"65535" optional:"yes" example:"0" doc:"register: running if its magnitude is more than this many counts"`
	Signed    bool   `key:"signed" default:"false" doc:"register: its count has a sign, for above"`
	WhenClear bool   `key:"when_clear" default:"false" doc:"running if the bits are off, not on"`
}

// step is one write of an unlock sequence.
type step struct {
	Table   string `key:"table" one:"coil|holding" default:"holding" doc:"where to write"`
	Address int    `key:"address" min:"0" max:"465536" example:"240" doc:"address as it stands in the frame, counted from 0"`
	Value   int    `key:"value" min:"0" max:"65535" example:"165" doc:"count to write; 0 or 1 for a coil"`
}

// throttleFile is how throttle is commanded.
type throttleFile struct {
	Address        int            `key:"address" min:"0" max:"465536" example:"32" doc:"holding register of the command, counted from 0"`
	Type           string         `key:"type" one:"u16|s16" example:"s16" doc:"u without, s with sign"`
	Zero           int            `key:"zero" min:"-32768" max:"65535" example:"0" doc:"count of no throttle"`
	Ahead          int            `key:"ahead" min:"-32768" max:"65535" example:"1000" doc:"count of full ahead"`
	Astern         int            `key:"astern" min:"-32768" max:"65535" optional:"yes" example:"-1000" doc:"count of full astern; leave out if there is none"`
	CommandTimeout float64        `key:"command_timeout" unit:"s" min:"20 ms" max:"10 s" example:"300 ms" doc:"after so long without a command the controller itself goes to zero" find:"the controller's manual: serial or network time-out"`
	Direction      *directionFile `key:"direction" doc:"where a second register or coil chooses the direction"`
}

// directionFile is how the direction is chosen where it is apart from the throttle.
type directionFile struct {
	Address int `key:"address" min:"0" max:"465536" example:"33" doc:"holding register of the direction, counted from 0"`
	Neutral int `key:"neutral" min:"0" max:"65535" example:"0" doc:"count of neutral"`
	Ahead   int `key:"ahead" min:"0" max:"65535" example:"1" doc:"count of ahead"`
	Astern  int `key:"astern" min:"0" max:"65535" optional:"yes" example:"2" doc:"count of astern; leave out if there is none"`
}
