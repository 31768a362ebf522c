package check_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/repl/check"
)

// after returns the Env of a session that had some inputs.
func after(t *testing.T, inputs ...string) *check.Env {
	t.Helper()
	env := check.NewEnv(standard(t))
	for _, text := range inputs {
		steps, err := env.Check(check.Source{Name: "input", Text: text})
		require.NoError(t, err, text)
		env = steps[len(steps)-1].After
	}
	return env
}

func TestComplete(t *testing.T) {
	env := after(t,
		"type point struct { X, Y float64; label string }",
		"func (p point) length() float64 { return math.Hypot(p.X, p.Y) }",
		"func (p *point) move(dx float64) { p.X += dx }",
		"type named struct { point; Name string }",
		"func nearest(ps []point) point { return ps[0] }",
		"const limit = 200",
		"pts := []point{{1, 2, \"a\"}}",
		"home := named{}",
		"wait := 2 * time.Second",
	)
	for text, want := range map[string]string{
		"po":                                  "point",
		"pts[0].":                             "X Y label length move",
		"pts[0].l":                            "label length",
		"nearest(pts).":                       "X Y label length move",
		"nearest(pts).X + pts[len(pts)-1].le": "length",
		"home.":                               "Name X Y label length move point",
		"home.point.m":                        "move",
		"wait.Sec":                            "Seconds",
		"strings.Repl":                        "Replace ReplaceAll Replacer",
		"x := strings.Repl":                   "Replace ReplaceAll Replacer",
		"math.Sqr":                            "Sqrt Sqrt2 SqrtE SqrtPhi SqrtPi",
		"fmt.Sca":                             "",
		"os.":                                 "",
		"lim":                                 "limit",
		"ne":                                  "nearest new",
		"point{":                              "X Y label*",
		"point{X: 1, Y":                       "Y",
		"p := point{X: 1, la":                 "label",
		"for i, here := range pts { here.le":  "length",
		"for i, here := range pts { he":       "here",
		"func f(speed float64) { if sp":       "speed",
		"func f(q point) float64 { return q.": "X Y label length move",
		"if wait > 3 && wai":                  "wait",
		"if pts[0].X > pts[0].":               "X Y label length move",
		"dist := func(a, other point) float64 { return ot": "other",
		"var q named\nq.N":      "Name",
		"a := 1\nbeta := 2\nbe": "bench beta",
		"123":                   "",
		"1.":                    "",
		"nothing.":              "",
		"\"x\".":                "",
		"((((":                  "*",
		"}}}} po":               "",
		"fmt.Println(wai":       "wait",
		"sw":                    "switch",
	} {
		spot := env.Complete(text)
		var got []string
		for _, n := range spot.Names {
			got = append(got, n.Name)
		}
		if first, more := strings.CutSuffix(want, "*"); more {
			for _, w := range strings.Fields(first) {
				assert.Contains(t, got, w, text)
			}
			assert.NotEmpty(t, got, text)
			continue
		}
		assert.Equal(t, want, strings.Join(got, " "), text)
		assert.False(t, spot.InString, text)
	}

	i := slices.IndexFunc(env.Complete("pts[0].").Names, func(n check.Name) bool { return n.Name == "move" })
	assert.Equal(t, check.Name{Name: "move", Kind: "method", Type: "func(dx float64)", Of: "point"}, env.Complete("pts[0].").Names[i])
	assert.Equal(t, []check.Name{{Name: "pts", Kind: "variable", Type: "[]point"}}, env.Complete("pt").Names)
}

// In a string, the host knows what may stand there; it is told where it is.
func TestCompleteInStrings(t *testing.T) {
	env := after(t, "x := 1")
	for text, want := range map[string]check.Spot{
		`"mot`:                          {Word: "mot", InString: true},
		`fmt.Println("motor cur`:        {Word: "motor cur", InString: true, Call: "fmt.Println"},
		`fmt.Println(x, "a", "b`:        {Word: "b", InString: true, Call: "fmt.Println", Argument: 2},
		`strings.Split("a,b", "`:        {Word: "", InString: true, Call: "strings.Split", Argument: 1},
		"s := strings.ToUpper(`ra":      {Word: "ra", InString: true, Call: "strings.ToUpper"},
		`if strings.Contains("abc", "b`: {Word: "b", InString: true, Call: "strings.Contains", Argument: 1},
		`x := []string{"one", "tw`:      {Word: "tw", InString: true},
		`strings.Repeat("a" + "b`:       {Word: "b", InString: true, Call: "strings.Repeat"},
	} {
		assert.Equal(t, want, env.Complete(text), text)
	}
	assert.False(t, env.Complete(`"done" + x`).InString)
}

// Whatever is typed, completion does not fail.
func FuzzComplete(f *testing.F) {
	for _, s := range []string{"x.", "\"a", "func f() { x := ", "a[b.", "`", "/*", "}.", "type t struct { a.", "import \"f", "x := func(y int) { y.", "\x00", "switch x.(type) { case "} {
		f.Add(s)
	}
	env := check.NewEnv(mustStandard())
	f.Fuzz(func(t *testing.T, text string) {
		spot := env.Complete(text)
		assert.True(t, strings.HasSuffix(text, spot.Word))
	})
}
