//go:build race

package core

// stopCheck: the race detector wants the lock.
const stopCheck = "halt()"
