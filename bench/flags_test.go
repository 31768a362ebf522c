package bench_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/verdict"
)

// A step test's lines show a part's numbers with the digits of the table beside them.
func TestFlagsHaveTheDigitsOfTheTables(t *testing.T) {
	parts := []verdict.Part{
		{Part: record.Part{Name: "heat sink", Unit: "°C", Limit: 273.15 + 90.4}, Peak: 273.15 + 84.6, Margin: 5.8, Used: 0.9, Level: verdict.Close, At: 12},
		{Part: record.Part{Name: "link capacitor", Unit: "A", Limit: 160.2}, Peak: 151.7, Margin: 8.5, Used: 0.95, Level: verdict.Close, At: 3},
		{Part: record.Part{Name: "winding", Unit: "°C", Limit: 273.15 + 155}, Peak: 273.15 + 171.4, Margin: -16.4, Used: 1.1, Level: verdict.Over, At: 40, Crossed: 30},
		{Part: record.Part{Name: "cells", Unit: "V", Limit: 3.6}, Peak: 3.456, Margin: 0.144, Used: 0.9, Level: verdict.Close, At: 1},
	}
	lines := bench.Flags(verdict.Trial{Parts: parts})
	require.Len(t, lines, len(parts))
	for _, p := range parts {
		var line string
		for _, l := range lines {
			if strings.HasPrefix(l, p.Name) {
				line = l
			}
		}
		for _, number := range []string{report.Shown(p.Peak, p.Unit), report.Shown(p.Limit, p.Unit), report.ShownMargin(max(p.Margin, -p.Margin), p.Unit)} {
			assert.Contains(t, " "+line, " "+number, p.Name)
		}
	}
	assert.Contains(t, strings.Join(lines, "\n"), "heat sink is close: 85 °C after 12.0 s, 6 K from its limit of 90 °C")
}

// The head of every script has the caution of the results, word for word.
func TestScriptsHaveTheCaution(t *testing.T) {
	files, err := filepath.Glob("../scripts/*/main.go")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	for _, file := range files {
		text, err := os.ReadFile(file)
		require.NoError(t, err)
		head, _, found := strings.Cut(string(text), "package main")
		require.True(t, found, file)
		head = strings.Join(strings.Fields(strings.ReplaceAll(head, "//", "")), " ")
		assert.Contains(t, head, "Caution: "+bench.Caution, file)
	}
}
