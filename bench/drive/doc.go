// Package drive joins battery, supply path, power stage, motor, shaft, propeller and hull into one right-hand side
// with its events and its table of parts.
//
// Currents are signed along ahead. "Battery current" flows in the battery circuit (cables, fuse, contactor), "motor
// current" in the motor circuit; the averaged chopper joins them by battery current = duty × motor current + losses
// drawn from the link. Outside short windows both are algebraic: operating.go solves them together.
//
// A Model is built once from a boat and may be used by several goroutines; a Run belongs to one.
package drive
