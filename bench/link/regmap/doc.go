// Package regmap reads a register map, the file that says which register or
// coil of a controller holds which setting or reading, and makes a
// [link.Controller] of it over Modbus.
//
//	title = "petrel's controller (invented)"
//	unit_id = 17
//	turnaround = "500 ms"      # only for a controller that takes more than 200 ms to begin an answer
//
//	[running]                  # what marks a driven motor
//	table = "input"
//	address = 0
//	mask = 0x0001
//
//	[[unlock]]                 # written in order before each setting
//	address = 0x00F0
//	value = 0xA5
//
//	[[lock]]                   # and after it
//	address = 0x00F0
//	value = 0
//
//	[[setting]]
//	key = "limits.motor_current"
//	table = "holding"
//	address = 0x0010
//	type = "u16"
//	unit = "A"
//	scale = "0.5 A"            # one count is half an ampere
//	min = "0 A"                # what the controller takes
//	max = "250 A"
//
//	[[setting]]
//	key = "throttle.demand"
//	table = "holding"
//	address = 0x0011
//	type = "u16"
//	words = ["torque = 0", "voltage = 2"]
//
//	[[reading]]
//	key = "motor_temperature"
//	table = "input"
//	address = 4
//	type = "s16"
//	unit = "°C"
//	scale = "0.1 K"
//	offset = "0 °C"            # what count 0 means
//	min = "-40 °C"             # a value outside can't be true
//	max = "250 °C"
//
//	[throttle]
//	address = 0x0020
//	type = "s16"
//	zero = 0
//	ahead = 1000               # count at full ahead
//	astern = -1000             # leave out if it takes none
//	command_timeout = "300 ms" # the controller's own: without commands it goes to zero
//
//	[throttle.direction]       # only where a second register chooses it
//	address = 0x0021
//	neutral = 0
//	ahead = 1
//	astern = 2
//
// Addresses count from 0, as they stand in the frame. A manual that numbers
// registers from 1, or coils 1…, inputs 10001…, 30001… and holding registers
// 40001…, is one higher.
//
// A throttle without a command time-out of the controller's own must not be
// driven over a line at all: nothing would stop the motor if the line broke.
// So command_timeout is required.
package regmap
