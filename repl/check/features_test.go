package check_test

import (
	"bytes"
	"context"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
	"quaybench/repl/interp"
	"quaybench/repl/symbols"
)

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

// script returns what a script prints.
func script(name, text string) (out string, err error) {
	var b bytes.Buffer
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	err = interp.RunScript(ctx, interp.Config{Stdout: &b, Grace: time.Millisecond}, check.Source{Name: name, Text: text})
	if _, ok := err.(*interp.Panic); ok {
		b.WriteString("ended by a panic\n")
	}
	return b.String(), err
}

// vet tells what is wrong with a program, by the compiler's rules alone.
func vet(text string) error {
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, "p.go", text, 0)
	if err != nil {
		return err
	}
	lib, err := symbols.Standard()
	if err != nil {
		return err
	}
	conf := types.Config{Importer: lib}
	_, err = conf.Check("p", fset, []*ast.File{f}, nil)
	return err
}
