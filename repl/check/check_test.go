package check_test

import (
	"go/parser"
	"go/token"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
	"quaybench/repl/host"
)

func TestUnfinished(t *testing.T) {
	for text, want := range map[string]bool{
		"":                     false,
		"x":                    false,
		"x := 1":               false,
		"x +":                  true,
		"x := ":                true,
		"f(":                   true,
		"f(1,":                 true,
		"f(1,\n2)":             false,
		"func f() {":           true,
		"func f() {\n}":        false,
		"if x {\n} else":       true,
		"if x {\n} else {":     true,
		"`raw":                 true,
		"`raw`":                false,
		"/* note":              true,
		"/* note */":           false,
		"x // note {":          false,
		"\"text":               false, // a mistake; more lines don't help
		"'":                    false,
		"x.":                   true,
		"a, b":                 false,
		"a,":                   true,
		"}":                    false,
		"f)":                   false,
		"return":               false,
		"x++":                  false,
		"const (":              true,
		"const (\nA = 1\n)":    false,
		"[]int{1,\n2,":         true,
		"for i := range 3":     false,
		"switch {\ncase true:": true,
		"@":                    false,
		"var":                  true,
	} {
		assert.Equal(t, want, check.Unfinished(text), "%q", text)
	}
}

// Error messages and their places are those of the compiler.
func TestTypeErrors(t *testing.T) {
	for text, want := range map[string]string{
		"x := 1\ny := \"a\" + x":             `in:2:12: cannot convert x (variable of type int) to type string|in:2:6: invalid operation: "a" + x (mismatched types untyped string and int)`,
		"var a int = \"s\"":                  `in:1:13: cannot use "s" (untyped string constant) as int value in variable declaration`,
		"f(1)":                               `in:1:1: undefined: f`,
		"math.Sqrt(\"x\")":                   `in:1:11: cannot use "x" (untyped string constant) as float64 value in argument to math.Sqrt`,
		"math.Sqrt(1, 2)":                    `in:1:14: too many arguments in call to math.Sqrt` + "\n\thave (number, number)\n\twant (float64)",
		"func f() (int, error) { return 1 }": `in:1:32: not enough return values` + "\n\thave (number)\n\twant (int, error)",
		"for i := range 3 { x := i }":        `in:1:20: declared and not used: x`,
		"type t struct{}; t{}.gone()":        `in:1:22: t{}.gone undefined (type t has no field or method gone)`,
		"x := 5; x()":                        `in:1:9: invalid operation: cannot call x (variable of type int): int is not a function`,
		"if 1 { }":                           `in:1:4: non-boolean condition in if statement`,
		"x, y := 1":                          `in:1:9: assignment mismatch: 2 variables but 1 value`,
		"var e error = 5":                    `in:1:15: cannot use 5 (constant of type int) as error value in variable declaration: int does not implement error (missing method Error)`,
		"func f() int { for { break } }":     `in:1:30: missing return`,
		"const big int8 = 300":               `in:1:18: cannot use 300 (untyped int constant) as int8 value in constant declaration (overflows)|in:1:18: cannot use 300 (untyped int constant 300) as int8 value in constant declaration (overflows)`,
		"x := nil":                           `in:1:6: use of untyped nil in assignment`,
		"return 1":                           `in:1:8: too many return values` + "\n\thave (number)\n\twant ()",
		"break":                              `in:1:1: break not in for, switch, or select statement`,
		"a := []int{1,\n\t2}\nb := a[\"x\"]": `in:3:8: cannot convert "x" (untyped string constant) to type int`,
		"x := 08":                            `in:1:6: syntax error: invalid digit '8' in octal literal|in:1:7: invalid digit '8' in octal literal`,
		"func f( {":                          `in:1:9: syntax error: expected ')', found '{'`,
	} {
		_, err := check.NewEnv(standard(t)).Check(check.Source{Name: "in", Text: text})
		if assert.Error(t, err, text) {
			first, _, _ := strings.Cut(err.Error(), "\nin:")
			assert.Contains(t, strings.Split(want, "|"), first, text)
		}
	}
}

// TestOldNamesSayTheNewOnes: a script written for the version before is told what to write.
func TestOldNamesSayTheNewOnes(t *testing.T) {
	for text, want := range map[string]string{
		"bench.Highest(1)":                          "FindHighest",
		"var t trial.Trial; t.Steps = nil":          "Throttle",
		"var p bench.Programme; p.Steps = nil":      "Throttle",
		"t := &trial.Trial{Steps: nil}":             "Throttle",
		"var s settings.Set; _ = s.Derating.Sensor": "MotorSensor",
		"var h bench.HighestResult; _ = h.Gives":    "NextLimit",
	} {
		_, err := check.NewEnv(standard(t)).Check(check.Source{Name: "in", Text: text})
		assert.ErrorContains(t, err, "; instead: its name now, "+want, text)
	}
}

// A source that is a part of a file has the file's line numbers.
func TestLineNumbers(t *testing.T) {
	_, err := check.NewEnv(standard(t)).Check(check.Source{Name: "pipe", Line: 41, Text: "x := 1\ny := z"})
	assert.EqualError(t, err, "pipe:42:6: undefined: z")
	_, err = check.NewEnv(standard(t)).Check(check.Source{Name: "pipe", Line: 41, Text: "x := 1\n\n)"})
	assert.EqualError(t, err, "pipe:43:1: syntax error: unexpected ), nothing is open here")
	_, err = check.NewEnv(standard(t)).Check(check.Source{Name: "a b.go", Line: 7, Text: "{ goto x\ny:\n}"})
	assert.ErrorContains(t, err, "a b.go:7:")
}

// No input makes the checker fail, and what it lets through is a program.
func FuzzCheck(f *testing.F) {
	files, err := filepath.Glob("testdata/features/*.txtar")
	require.NoError(f, err)
	for _, name := range files {
		a, err := txtar.ParseFile(name)
		require.NoError(f, err)
		for _, x := range a.Files {
			_, text, _ := strings.Cut(string(x.Data), "package main\n")
			f.Add(text)
		}
	}
	for _, s := range []string{"x := 1; x++", "func f(", "a, b := b, a", "defer f()", "L: for { continue L }", "x := x", "_ = _", "var _, x = 1, 2", "type t t", "type a [len(b)]int; var b a", "func (x x) x() {}", "switch x := 5; x {}", "for range 5 {}", "new(5)", "min()", "(((1)))", "func() {}()", "import (\"fmt\"; m \"math\")"} {
		f.Add(s)
	}
	env := check.NewEnv(mustStandard())
	f.Fuzz(func(t *testing.T, text string) {
		ts := host.NewTypes()
		for _, step := range try(t, text, func(src check.Source) ([]*check.Step, error) { return env.Check(src) }) {
			writes(t, step, ts)
		}
		for _, step := range try(t, "package main\n"+text, func(src check.Source) ([]*check.Step, error) {
			s, err := check.Script(mustStandard(), src)
			return []*check.Step{s}, err
		}) {
			writes(t, step, host.NewTypes())
		}
		check.Unfinished(text)
	})
}

// writes checks that a step becomes a program of the core.
func writes(t *testing.T, step *check.Step, ts *host.Types) {
	if step.Main == "" {
		return
	}
	p, err := step.Core(ts)
	if err != nil {
		return
	}
	_, err = parser.ParseFile(token.NewFileSet(), "", p.Text, 0)
	assert.NoError(t, err, "%s", p.Text)
}

func try(t *testing.T, text string, look func(check.Source) ([]*check.Step, error)) []*check.Step {
	steps, err := look(check.Source{Name: "fuzz", Text: text})
	if err != nil {
		assert.NotContains(t, err.Error(), "should be reported", text)
		return nil
	}
	return steps
}
