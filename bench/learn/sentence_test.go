package learn_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/learn"
)

// TestAChanceIsNoSurerThanATailIsKnown: far out in a tail no distribution is known to 140 zeros.
func TestAChanceIsNoSurerThanATailIsKnown(t *testing.T) {
	assert.Contains(t, learn.DoubtSentence(1, 5.2e-142), "this record lie further from the boat file than its tolerances explain (chance below 0.1 %)")
	assert.Contains(t, learn.DoubtSentence(2, 0.004), "these records lie further from the boat file than its tolerances explain (chance 0.4 %)")
}
