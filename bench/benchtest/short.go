package benchtest

import "testing"

// Computes skips a test with -short, as the race detector runs: it computes on one core, or by workers that a cheaper test shows to the
// detector too, so that it would cost ten times as much there and tell nothing.
func Computes(t testing.TB) {
	t.Helper()
	if testing.Short() {
		t.Skip("NOT TESTED WITH -short: it only computes")
	}
}
