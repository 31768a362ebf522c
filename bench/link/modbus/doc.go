// Package modbus speaks Modbus RTU over a [port.Port]: a [Master] that asks, a
// [Server] that answers, and the frames both share.
//
// A master never repairs and never repeats: whatever is wrong with a reply
// (silence, half a frame, noise, a bad check sum, somebody else's reply, a
// frame twice) is an error of its own kind, and asking again is the caller's
// decision. Reading again is always harmless; writing again is for whoever
// knows what is written.
//
// Sources: MODBUS Application Protocol Specification V1.1b3 (function and
// exception codes, address rule) and MODBUS over Serial Line V1.02 (frames,
// timing, check sum), both from memory. The tests name what a published text or
// another implementation confirms.
package modbus
