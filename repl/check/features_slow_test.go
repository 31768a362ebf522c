//go:build slow

package check_test

import (
	"flag"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"
)

var update = flag.Bool("update", false, "write what the compiler prints into the features and testdata/printer.txt")

// The outputs written down are those of the compiler.
func TestFeatureOutputsAreTheCompilers(t *testing.T) {
	fs := features(t)
	if *update {
		fs = updateOutputs(t, fs)
	}
	fs = slices.DeleteFunc(fs, func(f feature) bool { return f.output == "" })
	require.Greater(t, len(fs), 100)
	var texts []string
	for _, f := range fs {
		texts = append(texts, f.text)
	}
	reference := build(t, texts)
	for i, f := range fs {
		assert.Equal(t, trimmed(reference.run(i)), f.output, f.file)
	}
}

// updateOutputs writes what the compiler prints behind each feature.
func updateOutputs(t *testing.T, fs []feature) []feature {
	t.Helper()
	var texts []string
	var index []int
	for i, f := range fs {
		if vet(f.text) == nil { // some features are about errors
			texts = append(texts, f.text)
			index = append(index, i)
		}
	}
	reference := build(t, texts)
	for k, i := range index {
		fs[i].output = trimmed(reference.run(k))
	}
	archives := map[string]*txtar.Archive{}
	for _, f := range fs {
		a := archives[f.group]
		if a == nil {
			old, err := txtar.ParseFile(f.group)
			require.NoError(t, err)
			a = &txtar.Archive{Comment: old.Comment}
			archives[f.group] = a
		}
		text := f.text
		if f.output != "" {
			text += outputMark
			for line := range strings.Lines(f.output) {
				text += strings.TrimRight("// "+line, " \n") + "\n"
			}
		}
		a.Files = append(a.Files, txtar.File{Name: f.file, Data: []byte(text)})
	}
	for name, a := range archives {
		require.NoError(t, os.WriteFile(name, txtar.Format(a), 0o644))
	}
	return features(t)
}

// TestPrinterFileIsTheCompilers: what TestPrinterAgreesWithFmt compares with is what the compiler's program prints.
func TestPrinterFileIsTheCompilers(t *testing.T) {
	now := strings.ReplaceAll(build(t, []string{printerText}).run(0), "compiled/main.", "main.") // packages there have other paths
	if *update {
		require.NoError(t, os.WriteFile(printerFile, []byte(now), 0o644))
	}
	want, err := os.ReadFile(printerFile)
	require.NoError(t, err)
	require.Equal(t, string(want), now)
}
