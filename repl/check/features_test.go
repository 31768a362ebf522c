package check_test

import (
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
)

var update = flag.Bool("update", false, "write what the compiler prints into the features, ")

// A feature of Go: a program that shows it, and what that prints.
type feature struct {
	group, file, title string
	text               string // without the output
	output             string
}

const outputMark = "\n// Output:\n"

func features(t *testing.T) []feature {
	t.Helper()
	files, err := filepath.Glob("testdata/features/*.txtar")
	require.NoError(t, err)
	require.NotEmpty(t, files)
	var fs []feature
	for _, name := range files {
		a, err := txtar.ParseFile(name)
		require.NoError(t, err)
		for _, f := range a.Files {
			text, out, _ := strings.Cut(string(f.Data), outputMark)
			title, _, ok := strings.Cut(strings.TrimPrefix(text, "// "), "\n")
			require.True(t, ok && strings.HasPrefix(text, "// "), "%s: %s has no title", name, f.Name)
			var b strings.Builder
			for line := range strings.Lines(out) {
				b.WriteString(strings.TrimPrefix(strings.TrimPrefix(line, "//"), " "))
			}
			fs = append(fs, feature{group: name, file: f.Name, title: title, text: strings.TrimSuffix(text, "\n") + "\n", output: b.String()})
		}
	}
	return fs
}

// trimmed leaves out spaces at the ends of lines, as Go's own examples do.
func trimmed(out string) string {
	var b strings.Builder
	for line := range strings.Lines(out) {
		b.WriteString(strings.TrimRight(line, " \n") + "\n")
	}
	return b.String()
}

// Each feature works in scripts as the compiler has it, or is refused with a line number: what is no Go, and packages that are
// not listed.
func TestFeatures(t *testing.T) {
	fs := features(t)
	if *update {
		fs = updateOutputs(t, fs)
	}
	refused := 0
	for _, f := range fs {
		got, err := script(f.file, f.text)
		var list check.Errors
		switch {
		case asErrors(err, &list):
			refused++
			require.NotEmpty(t, list)
			assert.True(t, list[0].Pos.Line > 1 && list[0].Pos.Column > 0, "%s: no place: %v", f.file, err)
			assert.Equal(t, f.file, list[0].Pos.Filename)
			assert.Error(t, vet(f.text), "%s is refused though it is Go: %v", f.file, err)
		case err != nil:
			t.Errorf("%s: %v", f.file, err)
		default:
			assert.Equal(t, f.output, trimmed(got), f.file)
		}
	}
	t.Logf("%d work, %d are refused", len(fs)-refused, refused)
}

func asErrors(err error, list *check.Errors) bool {
	l, ok := err.(check.Errors)
	*list = l
	return ok
}

// The outputs written down are those of the compiler.
func TestFeatureOutputsAreTheCompilers(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("no Go toolchain here: the outputs can't be made again")
	}
	fs := features(t)
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
