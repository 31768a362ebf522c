// Package objmap reads an object map, the file that says which object of a CANopen controller holds which setting or reading,
// and makes a [guard.Controller] of it behind a serial CAN adapter.
//
//	title = "bracken's controller (invented)"
//	node_id = 5
//	rate = "250 kbit/s"
//	heartbeat = "1 s"          # how often the controller beats its heart, if it does
//
//	[identity]                 # object 1018: another device is refused
//	vendor = 0x00000ABC
//	product = 0x00000007
//
//	[running]                  # what marks a driven motor
//	index = 0x6041
//	type = "u16"
//	mask = 0x006F
//	equals = ["0x0027", "0x0007"]   # driven while those bits are one of these; without equals any of them on counts
//
//	[[unlock]]                 # written in order before each setting
//	index = 0x2FF0
//	sub = 1
//	type = "u16"
//	value = 0x5A
//
//	[[setting]]
//	key = "limits.motor_current"
//	index = 0x2010
//	sub = 1
//	type = "u16"
//	unit = "A"
//	scale = "0.1 A"
//	min = "0 A"
//	max = "400 A"
//
//	[[reading]]
//	key = "voltage"
//	index = 0x2100
//	sub = 1
//	type = "u16"
//	unit = "V"
//	scale = "10 mV"
//
//	tpdo = 1                   # transmit PDO 1 brings it; left out: it is asked for
//
//	[throttle]
//	index = 0x2300
//	sub = 1
//	type = "s16"
//	zero = 0
//	ahead = 1000
//	astern = -1000             # leave out if it takes none
//	rpdo = 1                   # receive PDO 1 carries it; left out: it is written by SDO
//	# rpdo_id = 0x186          # its identifier, where that is not the node's own by CiA 301
//	watch = "heartbeat"        # what the controller watches: our heartbeat, or our commands
//	our_node = 1               # node number of our heartbeat
//	command_timeout = "300 ms" # after so long without it goes to zero by itself
//
//	[[throttle.with]]          # what else that receive PDO carries
//	index = 0x6040
//	type = "u16"
//	value = 0x000F
//
//	[[throttle.before_start]]  # to make it ready, before the node is started: here the time-out itself
//	index = 0x1016
//	sub = 1
//	type = "u32"
//	value = 0x0001012C         # node 1 within 300 ms
//
//	[[throttle.after_start]]   # and after it: what enables it
//	index = 0x6040
//	type = "u16"
//	value = 0x0006
//
//	[throttle.ready]           # how it says that it takes commands
//	index = 0x6041
//	type = "u16"
//	mask = 0x006F
//	equals = ["0x0027"]
//
// Settings, readings, words and scales mean what they mean in a register map ([quaybench/bench/link/regmap]), the counts of the
// throttle and its direction too ([throttle.direction], by index, sub and type).
//
// That a controller goes to zero by itself is not believed of any object: it is proven on the line before each test. A PDO is
// compared with what the device says of it, and no mapping is ever changed. A [running] that is also the state of an enabled
// drive makes a controller that is ready look driven; with a throttle it is to be a speed or a current.
package objmap
