// Package link is a controller or an instrument at the end of a line.
//
// [Controller] and [Instrument] say what either can be asked; every value that
// passes them is in SI units. Which hardware is behind them does not show:
//
//	link/port      the line itself: serial port, pseudo-terminal, memory
//	link/modbus    Modbus RTU frames, master and server
//	link/regmap    the register map file, and the Controller it makes of a Modbus unit
//	link/lines     text lines of a data logger, and the Instrument they make
//	link/scaling   scale, offset, unit and range, as map files and column lists state them
//	link/linksim   the simulated controller
//	link/linktest  one conformance suite for each interface, lines that misbehave,
//	               a recorder and a playback
//
// Whoever uses a line does not own it: closing a Controller halts it and leaves
// the port open for whoever opened it.
package link
