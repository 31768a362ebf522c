//go:build !linux

package port

// SystemClock is [WallClock] here: with it [Age] takes a step of the wall clock forward for a suspend, which stops a test.
func SystemClock() Clock { return WallClock{} }
