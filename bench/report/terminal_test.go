package report

import (
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/record"
)

// TestTerminal: a chart for each trace with its unit and its time, as wide as asked, and a peak of one sample shows.
func TestTerminal(t *testing.T) {
	text, err := Terminal(smallRun(), 60, 6, record.MotorCurrent, "winding")
	require.NoError(t, err)
	golden(t, "terminal.golden", text+"\n")
	assert.Contains(t, text, "333")
	for _, line := range strings.Split(text, "\n") {
		assert.LessOrEqual(t, utf8.RuneCountInString(line), 60, line)
	}
	_, err = Terminal(smallRun(), 60, 6, "speed of sound")
	assert.EqualError(t, err, `the run has no trace "speed of sound"; it has lever, motor current, battery current, winding`)
	_, err = Terminal(&record.Run{}, 60, 6)
	assert.EqualError(t, err, "the run has no samples to draw")
}

// TestColumnsKeepPeaks: of values by column the highest or the lowest of all is there: the one that sticks out more.
func TestColumnsKeepPeaks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := ragged(t)
		got := byColumn(x, y, rapid.IntRange(20, 200).Draw(t, "columns"))
		far, mean, n := 0.0, 0.0, 0.0
		for _, v := range y {
			if finite(v) {
				mean, n = mean+v, n+1
			}
		}
		if n == 0 {
			return
		}
		mean /= n
		for _, v := range y {
			if finite(v) && (v-mean)*(v-mean) > (far-mean)*(far-mean) || far == 0 {
				far = v
			}
		}
		if finite(far) {
			assert.Contains(t, got, far)
		}
	})
}

// TestTerminalTakesAnyRun: no run, width or height makes it fail.
func TestTerminalTakesAnyRun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := ragged(t)
		if rapid.Bool().Draw(t, "level") {
			for i := range y {
				y[i] = 7
			}
		}
		r := &record.Run{Time: x, Traces: []record.Trace{{Name: "any", Unit: "A", Values: y}}}
		text, err := Terminal(r, rapid.IntRange(-5, 200).Draw(t, "width"), rapid.IntRange(-5, 40).Draw(t, "height"), "any")
		assert.NoError(t, err)
		assert.Contains(t, text, "any, A")
	})
}
