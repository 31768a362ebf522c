// Package guard is what keeps a controller safe whatever line it hangs on: one operation at a time, settings only at rest
// and between unlock and lock, everything read twice or read back, a throttle that is never stale, a Halt that interrupts
// and is the last word.
//
// [Controller] is that core. What it asks of a line is a [Store]: read some places, write one. A register map (Modbus) and
// an object map (CANopen) each give a [Map] of places and a Store, and nothing of the above.
package guard
