package main

import (
	"bytes"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench"
	"quaybench/bench/study"
)

// Odds count what trials of drawn boats find; a rule that is over for the boat as written is told beside them, since else
// "anything over 0 %" would be surer than it is.
func TestOddsTellTheRulesThatAreOver(t *testing.T) {
	odds := func(limit string) string {
		code, screen, stderr := quaybench(t, nil, "odds", "petrel", "--quick", "--draws", "4", "--trial", "locked-shaft", "--set", "limits.motor_current="+limit)
		assert.Zero(t, code, stderr)
		return unwrapped(screen)
	}
	assert.Contains(t, odds("260 A"), "not counted above, whatever the draw: rule motor-cable is over: the motor current limit, 260 A of motor current, is more than the motor cable may carry")
	assert.NotContains(t, odds("140 A"), "not counted above")
}

// A current that falls although the boat is moored is not held by mooring it.
func TestEnvelopeSaysWhyACurrentIsNotHeld(t *testing.T) {
	words := func(moored bool) string {
		out := new(bytes.Buffer)
		showEnvelope(&system{Out: out, Getenv: func(string) string { return "" }}, &bench.EnvelopeResult{Boat: "petrel", Air: 298.15, Envelope: study.Envelope{
			Longest: 3600, Points: []study.Hold{{Current: 300, Reached: 272, Flows: 258, Time: math.Inf(1), Moored: moored}},
		}}, 10)
		return unwrapped(out.String())
	}
	assert.Contains(t, words(false), "as the boat gathers way the motor takes less than the limit allows")
	assert.Contains(t, words(false), "--moored holds it")
	assert.Contains(t, words(true), "as the motor heats and the bank sags, full voltage no longer drives that current")
	assert.NotContains(t, words(true), "--moored")
}
