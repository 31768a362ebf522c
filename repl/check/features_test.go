package check_test

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	yaegi "github.com/traefik/yaegi/interp"
	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
	"quaybench/repl/symbols"
)

var update = flag.Bool("update", false, "write what the compiler prints into the features, and the table of DEVELOPERS.md")

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

// bare runs a program in the interpreter as it is, unchecked and unmended.
func bare(text string) (out string, err error) {
	lib, err := symbols.Standard()
	if err != nil {
		return "", err
	}
	var b bytes.Buffer
	in := yaegi.New(yaegi.Options{Stdout: &b, Stderr: new(bytes.Buffer), SourcecodeFilesystem: os.DirFS("testdata/features")})
	e := lib.Exports()
	// Constants are not in the library's values; the interpreter has its own way to print.
	if err := in.Use(withConstants(e, lib)); err != nil {
		return "", err
	}
	if err := in.Use(yaegi.Exports{"fmt/./fmt": printers(&b)}); err != nil {
		return "", err
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	_, err = in.EvalWithContext(ctx, text)
	return b.String(), err
}

// Each feature either works in scripts as the compiler has it, mended if the
// interpreter alone has it otherwise, or is refused with a line number.
// The table of features in DEVELOPERS.md is written from what is seen here.
func TestFeatures(t *testing.T) {
	if testing.Short() {
		t.Skip("the interpreter left to itself races, which the race detector, run with -short, sees")
	}
	fs := features(t)
	if *update {
		fs = updateOutputs(t, fs)
	}
	var table strings.Builder
	group := ""
	works, mended, refused := 0, 0, 0
	for _, f := range fs {
		got, err := script(f.file, f.text)
		var list check.Errors
		isRefused := asErrors(err, &list)
		bareOut, bareErr := bare(f.text)
		bareRight := bareErr == nil && trimmed(bareOut) == f.output
		row := ""
		if f.group != group {
			group = f.group
			name := strings.TrimSuffix(filepath.Base(group), ".txtar")
			fmt.Fprintf(&table, "\n### %s\n\n| What | In scripts | Instead |\n| --- | --- | --- |\n", strings.ToUpper(name[:1])+name[1:])
		}
		switch {
		case isRefused:
			refused++
			require.NotEmpty(t, list)
			assert.True(t, list[0].Pos.Line > 1 && list[0].Pos.Column > 0, "%s: no place: %v", f.file, err)
			assert.Equal(t, f.file, list[0].Pos.Filename)
			row = fmt.Sprintf("| %s | no: %s | %s |\n", f.title, cell(list[0].Msg), cell(list[0].Instead))
		case err != nil:
			t.Errorf("%s: %v", f.file, err)
			continue
		default:
			assert.Equal(t, f.output, trimmed(got), f.file)
			word := "yes"
			if bareRight {
				works++
			} else {
				mended++
				word = "yes (mended)"
			}
			row = fmt.Sprintf("| %s | %s | |\n", f.title, word)
		}
		table.WriteString(row)
	}
	t.Logf("%d work as they are, %d are mended, %d are refused", works, mended, refused)
	assert.Greater(t, mended, 25, "the mending has nothing to mend any more, or is not seen")
	assert.Greater(t, refused, 15)
	const name = "../../DEVELOPERS.md"
	text, err := os.ReadFile(name)
	require.NoError(t, err)
	before, rest, ok := strings.Cut(string(text), tableBegins)
	_, after, closed := strings.Cut(rest, tableEnds)
	require.True(t, ok && closed, "%s has lost the marks of the table of features", name)
	want := before + tableBegins + table.String() + tableEnds + after
	if *update {
		require.NoError(t, os.WriteFile(name, []byte(want), 0o644))
		return
	}
	assert.Equal(t, want, string(text), "the table of features is old: go test ./repl/check -run Features -update")
}

// Marks around the table of features in DEVELOPERS.md.
const (
	tableBegins = "<!-- written by go test ./repl/check -run Features -update -->\n"
	tableEnds   = "<!-- end -->\n"
)

func cell(s string) string {
	s, _, _ = strings.Cut(s, "\n")
	return strings.ReplaceAll(s, "|", "\\|")
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
