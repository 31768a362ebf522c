package main

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/report"
)

// A sheet has charts: choose draws its sizes, what is tables alone has no --plot, and whatever a script hands over without a chart
// makes no empty file.
func TestNoSheetIsEmpty(t *testing.T) {
	inBubble(t, func(y *yard) {
		file := filepath.Join(y.home, "sizes.svg")
		code, _, stderr := y.run("", "choose", "petrel", "cable", "--trial", "crash-stop", "--plot", file)
		require.Zero(t, code, stderr)
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		assert.Contains(t, string(text), "motor cable")
		assert.Contains(t, string(text), "chosen")
		for _, command := range [][]string{{"propose", "petrel", "--want", "clear"}, {"plan", "petrel", "--to", "limits.motor_current=170 A"}, {"sheet", "petrel"}, {"learn", "petrel", "--next"}} {
			code, _, stderr = y.run("", append(command, "--plot", file)...)
			assert.Equal(t, exitInput, code)
			assert.Contains(t, stderr, "unknown flag: --plot")
		}
	})
	list := drawings(&report.Paper{Boat: &boat.Boat{}, Result: &report.Proposed{}}, "", "sizes.svg")
	require.Len(t, list, 1)
	assert.ErrorContains(t, list[0].draw(io.Discard), "--report writes them")
}
