package bench_test

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/report"
	"quaybench/bench/verdict"
)

func TestProposalsAreReadAsWritten(t *testing.T) {
	list, err := bench.ParseProposals([]string{
		"gentle: limits.motor_current=120 A",
		`thick, and more : limits.motor_current = "170 A", cable[motor cable].section=70 mm²,air=35 °C`,
		`bank: battery.polarisation=[["3 mΩ", "30 s"], ["2 mΩ", "600 s"]], charge=80 %`,
	})
	require.NoError(t, err)
	assert.Equal(t, "thick, and more", list[1].Name)
	assert.Len(t, list[0].Set, 1)
	assert.Len(t, list[1].Set, 3)
	assert.Len(t, list[2].Set, 2, "commas within brackets part nothing")
	for text, says := range map[string]string{
		"limits.motor_current=120 A":          "write a proposal as",
		": limits.motor_current=120 A":        "write a proposal as",
		"gentle":                              "write a proposal as",
		"present: limits.motor_current=120 A": "the word for the settings as they stand",
	} {
		_, err := bench.ParseProposals([]string{text})
		assert.ErrorContains(t, err, says, text)
	}
	_, err = bench.ParseProposals([]string{"a: air=1 °C", "A: air=2 °C"})
	assert.ErrorContains(t, err, "give each its own name")
	_, err = bench.ParseProposals([]string{"a: air=1 °C", "b: air=1 °C", "c: air=1 °C", "d: air=1 °C", "e: air=1 °C", "f: air=1 °C"})
	assert.ErrorContains(t, err, "at most 5")
}

// TestProposalsSideBySide: what stands in a column is what each gives alone; no row is wrapped at 80 columns, however long the names are.
func TestProposalsSideBySide(t *testing.T) {
	s := setup(t, "petrel")
	trials := builtin(t, "full-throttle", "hot-restart")
	list, err := bench.ParseProposals([]string{
		"gentle: limits.motor_current=120 A", "a thick motor cable and more current: limits.motor_current=170 A, cable[motor cable].section=70 mm²",
		"fast: limits.motor_current=200 A", "finer propeller: propeller.pitch=0.20 m", "hot: air=40 °C",
	})
	require.NoError(t, err)
	tried, err := bench.Try(t.Context(), s, bench.TryOptions{Proposals: list, Trials: trials})
	require.NoError(t, err)
	require.Len(t, tried.Several, 5)
	assert.Equal(t, verdict.Over, tried.Level(), "the gravest of them")
	for i, n := range tried.Several {
		alone, err := bench.Try(t.Context(), s, bench.TryOptions{Set: list[i].Set, Trials: trials, NoChange: true})
		require.NoError(t, err)
		assert.Equal(t, alone.Proposed.Level, n.Side.Level, n.Name)
		for k := range n.Side.Trials {
			for p := range n.Side.Trials[k].Parts {
				assert.Equal(t, alone.Proposed.Trials[k].Parts[p].Used, n.Side.Trials[k].Parts[p].Used, n.Name)
			}
		}
	}
	_, err = bench.Try(t.Context(), s, bench.TryOptions{Proposals: list, Set: []string{"air=20 °C"}})
	assert.ErrorContains(t, err, "not both")

	for _, long := range []string{"", "the motor cable from the controller to the terminal box aft"} {
		c := tried.Compared()
		if long != "" {
			for i := range c.Sides {
				for k := range c.Sides[i].Side.Trials {
					c.Sides[i].Side.Trials[k].Parts[0].Name = long
				}
			}
		}
		var b bytes.Buffer
		p := &report.Paper{Boat: s.Boat, Settings: s.Settings, Result: c, Caution: bench.Caution}
		require.NoError(t, p.Text(&b, report.Screen{Width: 80, Table: 80}))
		rows := 0
		for line := range strings.SplitSeq(b.String(), "\n") {
			assert.LessOrEqual(t, utf8.RuneCountInString(line), 80, line)
			if strings.Count(line, " %") == 6 {
				rows++
			}
		}
		assert.Equal(t, len(tried.Present.Trials[0].Parts), rows, "a line each part:\n%s", b.String())
		assert.Contains(t, b.String(), bench.Caution[:30])
	}

	text, err := json.Marshal(tried)
	require.NoError(t, err)
	var got struct {
		Proposals []struct {
			Name    string
			Changed []struct{ Key, To string }
			Verdict string
			Trials  []struct{ Trial string }
		}
	}
	require.NoError(t, json.Unmarshal(text, &got))
	require.Len(t, got.Proposals, 5)
	assert.Equal(t, "cable[motor cable].section", got.Proposals[1].Changed[1].Key)
	assert.Equal(t, "over", got.Proposals[2].Verdict)
	assert.Len(t, got.Proposals[2].Trials, 2)
}
