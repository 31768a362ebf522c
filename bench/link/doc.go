// Package link is a controller or an instrument at the end of a line.
//
// [Controller] and [Instrument] say what either can be asked; every value that
// passes them is in SI units. Which hardware is behind them does not show:
//
//	link/port      the line itself: serial port, pseudo-terminal, memory
//	link/modbus    Modbus RTU frames, master and server
//	link/guard     what keeps a controller safe whatever its line: the one Controller, over a store of places
//	link/regmap    the register map file, and the store it makes of a Modbus unit
//	link/slcan     serial CAN adapters: the host's bus, and the simulated adapter
//	link/canopen   SDO client and node (CiA 301), and what a node tells by itself
//	link/objmap    the object map file, and the store it makes of a CANopen node
//	link/eds       data sheets of CANopen devices (CiA 306)
//	link/maptable  the first draft of either map from a manual's table
//	link/canfault  what may go wrong on a CAN bus
//	link/instrument what hangs on a port, by a file that describes it or by what it is heard to send
//	link/lines     text lines of a data logger or sentences of a GPS, and the Instrument they make
//	link/nmea      speeds in sentences of NMEA 0183
//	link/scpi      a meter or supply that is asked (SCPI), and a simulated one
//	link/scaling   scale, offset, unit and range, as map files and column lists state them
//	link/linksim   the simulated controller
//	link/fault     what may go wrong on a line, for tests and for practice with the
//	               simulated controller
//	link/linktest  for tests only: one conformance suite each for ports, controllers and
//	               instruments, lines that misbehave, an in-memory line and register
//	               bank, a recorder and a playback
//
// Whoever uses a line does not own it: closing a Controller halts it and leaves
// the port open for whoever opened it.
package link
