package main

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
)

// A programme whose start is not the temperature that is read now is offered that reading as its start.
func TestAStepStartsFromWhatIsRead(t *testing.T) { inBubble(t, startsFromReadings) }

func startsFromReadings(y *yard) {
	t, p := y.t, y.petrel()
	cold := fileOf(t, "cold.toml", strings.Replace(hop, "moored = true", "moored = true\nair = \"5 °C\"", 1))
	d := y.sit("step", "petrel", "--trial", cold, "--on", p.port)
	d.await("type start to start the prediction from what is read: ")
	assert.Regexp(t, `stage_temperature is 25[.0]* °C, and the programme starts at`, d.screen())
	assert.Empty(t, p.commanded())
	d.line("start")
	d.await("type release")
	d.line("release")
	assert.Contains(t, d.ended(0), "the test ran to its end, 4.0 s")
	zeroLast(t, p)
}
