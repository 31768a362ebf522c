//go:build slow

package study_test

import (
	"os"
	"strconv"
	"testing"
)

// TestSlowProposeIsNeverWorseThanAGrid takes a seed of its own in QUAYBENCH_SEED.
func TestSlowProposeIsNeverWorseThanAGrid(t *testing.T) {
	seed, err := strconv.ParseUint(os.Getenv("QUAYBENCH_SEED"), 10, 64)
	if err != nil {
		seed = 29
	}
	proposeAgainstGrid(t, 20, seed)
}
