package objmap

import "quaybench/bench/link/scaling"

// The file as it stands, by tags for datafile. What the tags can't say is
// checked in load.go.
type file struct {
	Title     string        `key:"title" example:"bracken's controller (invented)" doc:"what the map is for"`
	NodeID    int           `key:"node_id" min:"1" max:"127" example:"5" doc:"CANopen node number of the controller"`
	Rate      string        `key:"rate" one:"10 kbit/s|20 kbit/s|50 kbit/s|100 kbit/s|125 kbit/s|250 kbit/s|500 kbit/s|800 kbit/s|1000 kbit/s" example:"250 kbit/s" doc:"bit rate of the bus"`
	Heartbeat float64       `key:"heartbeat" unit:"s" min:"10 ms" max:"60 s" optional:"yes" example:"1 s" doc:"how often the controller beats its heart (object 1017)"`
	Identity  *identityFile `key:"identity" doc:"what the controller must say of itself (object 1018); another device is refused"`
	Running   *runningMark  `key:"running" doc:"what marks a driven motor"`
	Unlock    []step        `key:"unlock" optional:"yes" doc:"written in order before each setting"`
	Lock      []step        `key:"lock" optional:"yes" doc:"written in order after each setting, also after one that failed"`
	Settings  []entry       `key:"setting" optional:"yes" doc:"what the controller is told"`
	Readings  []entry       `key:"reading" optional:"yes" doc:"what the controller measures"`
	Throttle  *throttleFile `key:"throttle" doc:"the throttle command"`
}

type identityFile struct {
	Vendor   int `key:"vendor" min:"0" max:"4294967295" example:"2748" doc:"vendor id, 1018:01"`
	Product  int `key:"product" min:"0" max:"4294967295" optional:"yes" example:"7" doc:"product code, 1018:02"`
	Revision int `key:"revision" min:"0" max:"4294967295" optional:"yes" example:"65536" doc:"revision number, 1018:03"`
	Serial   int `key:"serial" min:"0" max:"4294967295" optional:"yes" example:"1001" doc:"serial number, 1018:04: this one controller only"`
}

// entry is one setting or reading.
type entry struct {
	Key      string   `key:"key" example:"limits.motor_current" doc:"dotted key of a setting, or name of a reading"`
	Index    int      `key:"index" min:"4096" max:"65535" example:"8208" doc:"index of the object; write it as manuals do, 0x2010"`
	Sub      int      `key:"sub" min:"0" max:"255" default:"0" doc:"sub-index of the object"`
	Type     string   `key:"type" one:"bool|u8|s8|u16|s16|u24|s24|u32|s32|f32" example:"u16" doc:"u whole number, s with sign, f floating point, by their bits"`
	Unit     string   `key:"unit" optional:"yes" example:"A" doc:"unit to show values in"`
	Scale    string   `key:"scale" optional:"yes" example:"0.1 A" doc:"what one count is"`
	Offset   string   `key:"offset" optional:"yes" example:"0 A" doc:"what count 0 means"`
	Min      string   `key:"min" optional:"yes" example:"0 A" doc:"setting: lowest value the controller takes; reading: lowest that can be true"`
	Max      string   `key:"max" optional:"yes" example:"250 A" doc:"setting: highest value the controller takes; reading: highest that can be true"`
	TPDO     int      `key:"tpdo" min:"1" max:"512" optional:"yes" example:"1" doc:"reading: number of the transmit PDO that brings it, from 1 (parameters 1800, mapping 1A00 and on); left out: it is asked for"`
	ReadOnly bool     `key:"read_only" default:"false" doc:"setting: it can be read, not written"`
	Words    []string `key:"words" optional:"yes" example:"[\"torque = 0\", \"voltage = 2\"]" doc:"setting that is a choice: each word and its count"`
}

func (e entry) scaling() scaling.Text {
	return scaling.Text{Unit: e.Unit, Scale: e.Scale, Offset: e.Offset, Min: e.Min, Max: e.Max}
}

// runningMark is where and how the controller says that the motor is driven.
type runningMark struct {
	Index     int      `key:"index" min:"4096" max:"65535" example:"24641" doc:"index of the object; write it as manuals do, 0x6041"`
	Sub       int      `key:"sub" min:"0" max:"255" default:"0" doc:"sub-index of the object"`
	Type      string   `key:"type" one:"bool|u8|s8|u16|s16|u32|s32" example:"u16" doc:"u whole number, s with sign, by their bits"`
	Mask      int      `key:"mask" min:"1" max:"4294967295" optional:"yes" example:"111" doc:"the bits that tell"`
	Equals    []string `key:"equals" optional:"yes" example:"[\"0x0027\", \"0x0007\"]" doc:"with mask: what those bits are while the motor is driven, one or more states; without it any of them on counts"`
	Above     int      `key:"above" min:"0" max:"4294967295" optional:"yes" example:"0" doc:"running if its magnitude is more than this many counts"`
	WhenClear bool     `key:"when_clear" default:"false" doc:"running if the bits are off, not on"`
}

// step is one write of an unlock sequence.
type step struct {
	Index int    `key:"index" min:"4096" max:"65535" example:"12272" doc:"index of the object; write it as manuals do, 0x2FF0"`
	Sub   int    `key:"sub" min:"0" max:"255" default:"0" doc:"sub-index of the object"`
	Type  string `key:"type" one:"u8|u16|u24|u32" example:"u16" doc:"how long the object is"`
	Value int    `key:"value" min:"0" max:"4294967295" example:"90" doc:"count to write"`
}

// throttleFile is how throttle is commanded.
type throttleFile struct {
	Index          int            `key:"index" min:"4096" max:"65535" example:"8960" doc:"index of the command's object; write it as manuals do, 0x2300"`
	Sub            int            `key:"sub" min:"0" max:"255" default:"0" doc:"sub-index of the object"`
	Type           string         `key:"type" one:"u8|s8|u16|s16|u24|s24|u32|s32" example:"s16" doc:"u without, s with sign, by their bits"`
	Zero           int            `key:"zero" min:"-2147483648" max:"4294967295" example:"0" doc:"count of no throttle"`
	Ahead          int            `key:"ahead" min:"-2147483648" max:"4294967295" example:"1000" doc:"count of full ahead"`
	Astern         int            `key:"astern" min:"-2147483648" max:"4294967295" optional:"yes" example:"-1000" doc:"count of full astern; leave out if there is none"`
	RPDO           int            `key:"rpdo" min:"1" max:"512" optional:"yes" example:"1" doc:"number of the receive PDO that carries it, from 1 (parameters 1400, mapping 1600 and on); left out: it is written by SDO"`
	RPDOID         int            `key:"rpdo_id" min:"385" max:"1759" optional:"yes" example:"517" doc:"identifier of that receive PDO (1400:01), needed where it is not the node's own by CiA 301 (200, 300, 400 or 500 hex and the node number): whatever else takes it obeys too"`
	CommandTimeout float64        `key:"command_timeout" unit:"s" min:"20 ms" max:"10 s" example:"300 ms" doc:"after so long without what it watches the controller itself goes to zero" find:"the controller's manual: event timer of the receive PDO (1400:05), heartbeat consumer time (1016), or a time-out of the maker's"`
	Watch          string         `key:"watch" one:"commands|heartbeat" example:"commands" doc:"what the controller watches: our commands, or our heartbeat (object 1016)"`
	OurNode        int            `key:"our_node" min:"1" max:"127" optional:"yes" example:"1" doc:"node number that our heartbeat has; needed where the heartbeat is watched, left out where none is wanted"`
	Direction      *directionFile `key:"direction" doc:"where a second object chooses the direction"`
	With           []step         `key:"with" optional:"yes" doc:"what else the receive PDO carries: sent with each command"`
	BeforeStart    []step         `key:"before_start" optional:"yes" doc:"to make it ready: written by SDO, in order, before the node is started"`
	AfterStart     []step         `key:"after_start" optional:"yes" doc:"to make it ready: written by SDO, in order, after the node was started"`
	Ready          *readyMark     `key:"ready" doc:"how the controller says that it takes commands"`
}

// directionFile is how the direction is chosen where it is apart from the throttle.
type directionFile struct {
	Index   int    `key:"index" min:"4096" max:"65535" example:"8961" doc:"index of the direction's object; write it as manuals do, 0x2301"`
	Sub     int    `key:"sub" min:"0" max:"255" default:"0" doc:"sub-index of the object"`
	Type    string `key:"type" one:"u8|u16|u32" example:"u8" doc:"how long the object is"`
	Neutral int    `key:"neutral" min:"0" max:"4294967295" example:"0" doc:"count of neutral"`
	Ahead   int    `key:"ahead" min:"0" max:"4294967295" example:"1" doc:"count of ahead"`
	Astern  int    `key:"astern" min:"0" max:"4294967295" optional:"yes" example:"2" doc:"count of astern; leave out if there is none"`
}

// readyMark is where and how the controller says that it takes commands.
type readyMark struct {
	Index  int      `key:"index" min:"4096" max:"65535" example:"24641" doc:"index of the object; write it as manuals do, 0x6041"`
	Sub    int      `key:"sub" min:"0" max:"255" default:"0" doc:"sub-index of the object"`
	Type   string   `key:"type" one:"u8|u16|u32" example:"u16" doc:"how long the object is"`
	Mask   int      `key:"mask" min:"1" max:"4294967295" example:"111" doc:"the bits that tell"`
	Equals []string `key:"equals" example:"[\"0x0027\"]" doc:"what those bits are while it takes commands, one or more states"`
}
