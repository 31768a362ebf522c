//go:build !race

package core

// stopCheck ends a program that is to stop. It stands at each jump back and in each function that calls. It reads without a
// lock, since a lock would cost more than the jump; a program that reads the old value once more goes round once more.
const stopCheck = "if stop { halt() }"
