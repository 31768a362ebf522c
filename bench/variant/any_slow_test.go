//go:build slow

package variant_test

import (
	"testing"

	"quaybench/bench/datafile"
)

// TestSlowAnyNumberIsTakenOrRefused: so are the numbers, from far too small to far too large.
func TestSlowAnyNumberIsTakenOrRefused(t *testing.T) {
	takenOrRefused(t, func(f datafile.Field) bool { return f.Kind == datafile.KindQuantity })
}
