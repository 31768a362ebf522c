package repl_test

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/trial"
	"quaybench/repl"
	"quaybench/repl/line"
)

// A desk is a session with what it prints.
type desk struct {
	*repl.Session
	t    *testing.T
	out  bytes.Buffer
	line int
}

// load finds a demo boat, with few draws for the bands that nobody looks at here.
func load(name string) (*bench.Setup, error) {
	s, err := bench.Load("../cmd/quaybench/demo/" + name)
	if s != nil {
		s.Draws = 8
	}
	return s, err
}

func sit(t *testing.T) *desk {
	t.Helper()
	d := &desk{t: t}
	s, err := repl.NewSession(repl.Config{
		Host: bench.ScriptHost{
			Load: load, Run: bench.RunSimulated,
			Save: func(_ context.Context, s *bench.Setup, why string) (string, error) {
				return fmt.Sprintf("saved %s: %s", s.Boat.Name, why), nil
			},
		},
		Boat: "petrel", Out: &d.out,
		Show: func(v any) bool {
			c, ok := v.(repl.Chart)
			if ok {
				fmt.Fprintf(&d.out, "chart of %s in %s\n", strings.Join(c.Traces, " and "), c.Run.Trial)
			}
			return ok
		},
		Boats: func() []string { return []string{"petrel", "bracken"} },
		WriteScript: func(name, text string) error {
			return os.WriteFile(name, []byte(text), 0o644)
		},
	})
	require.NoError(t, err)
	d.Session = s
	return d
}

// types gives an input and returns what it prints.
func (d *desk) types(text string) (string, error) {
	d.out.Reset()
	d.line++
	err := d.Eval(d.t.Context(), line.Input{Text: text, Line: d.line})
	return strings.TrimRight(d.out.String(), "\n"), err
}

func (d *desk) sees(text string) string {
	d.t.Helper()
	out, err := d.types(text)
	require.NoError(d.t, err, text)
	return out
}

// What a session shows.
func TestSession(t *testing.T) {
	d := sit(t)
	for _, c := range []struct{ typed, seen string }{
		{"1+1", "2"},
		{`boat.Get("limits.motor_current")`, `"140 A"`},
		{`boat.Get("motor.resistance")`, `"14 mΩ ± 1.4 mΩ, data sheet"`},
		{"var none []int; none[3]", ""}, // an error, with its line
		{`boat.Save("because")`, `"saved petrel: because"`},
		{"r, err := boat.Simulate(steps)", ""},
		{"err", ""},
		{"r.Verdict.Level", "clear"},
		{`r.Run.Trace("winding")`, "chart of winding in steps\ntrue"},
		{`plot(r, "motor current", "winding")`, "chart of motor current and winding in steps"},
		{`plot("locked-shaft", "winding")`, "chart of winding in locked-shaft"},
		{"errors.New(\"shown\") == nil", "false"},
		{"failed := errors.New(\"kept\")", "failed: kept"},
		{"failed", "kept"},
		{`lower, err := boat.With("limits.motor_current", "120")`, "err: limits.motor_current: 120 has no unit"},
		{`lower, err = boat.With("limits.motor_current", "120"); if err != nil { fmt.Println("seen") }`, "seen"},
		{"bench.RunScript(func(*bench.Script) error { return nil })", "RunScript is for scripts of their own; here call the function with boat"},
		{"trials", "full-throttle\n    full throttle ahead, held for half an hour\nharbour"},
	} {
		out, err := d.types(c.typed)
		if c.seen == "" && err != nil {
			assert.Contains(t, err.Error(), fmt.Sprintf("input:%d:", d.line))
			continue
		}
		require.NoError(t, err, c.typed)
		assert.True(t, strings.HasPrefix(out, c.seen), "%s\ngives %s", c.typed, out)
	}
}

// An error says where: the line of the session, and the column.
func TestSessionErrors(t *testing.T) {
	d := sit(t)
	for typed, want := range map[string]string{
		`x := "a" + 1`:                `6: invalid operation: "a" + 1 (mismatched types untyped string and untyped int)`,
		`boat.Gett("x")`:              `6: boat.Gett undefined (type *bench.Script has no field or method Gett)`,
		`import "os"`:                 `8: scripts can't import "os"; `,
		`func f() int { }`:            `16: missing return`,
		`[]int{1}[3]`:                 `panic: index out of range`,
		`xs := []int{1}; xs[len(xs)]`: `panic: index out of range`,
	} {
		_, err := d.types(typed)
		require.Error(t, err, typed)
		assert.True(t, strings.HasPrefix(err.Error(), fmt.Sprintf("input:%d:", d.line)), err.Error())
		assert.Contains(t, err.Error(), want, typed)
	}
}

// What a call of the tool returns as its error is the input's error, so that piped input ends there.
func TestReturnedErrors(t *testing.T) {
	d := sit(t)
	for typed, want := range map[string]string{
		`bench.Load("nowhere")`:                         "there is no ",
		`boat.With("xyz", "1 m/s")`:                     "a key is such as limits.motor_current or motor.resistance",
		`boat.With("ramp.rise", "1 s").Try()`:           "instead: take both values of the call first",
		`boat.Odds(-5, "hot-day")`:                      "-5 draws: ask for 1 to 100000",
		`boat.Simulate(bench.NewProgramme("back", -1))`: `programme "back": duration: -1 s is too low; it must be more than 0 s`,
		`boat.Get("limits.motor_curent")`:               `unknown key "limits.motor_curent"; did you mean limits.motor_current or`,
		`script`:                                        "name one file, as in script session.go",
		`script one two`:                                "name one file, as in script session.go",
		`boat.TryIn("nowhere")`:                         "nowhere",
		`plot("harbour", "wind")`:                       `the run has no trace "wind"; it has lever, `,
		`plot(3)`:                                       "there is no run in this to plot: give a trial's name, or what boat.Simulate, boat.Step or boat.TryIn returned",
		`boat.Highest("no.setting")`:                    "no.setting",
	} {
		out, err := d.types(typed)
		require.Error(t, err, typed)
		assert.Contains(t, err.Error(), want)
		assert.Empty(t, out, typed)
	}
}

// Every example of the help works, and what helps with a name is its doc comment, its units, and the example.
func TestHelp(t *testing.T) {
	d := sit(t)
	overview := d.sees("help")
	assert.Contains(t, overview, "boat.Try(\"limits.motor_current=160 A\")\n      Try simulates the settings as they stand in all built-in trials")
	for _, line := range strings.Split(overview, "\n") {
		assert.LessOrEqual(t, len([]rune(line)), 100)
	}
	for name, want := range map[string][]string{
		"boat.Try":             {"boat.Try(assignments ...string) (*bench.Tried, error)\nTry simulates", "example: boat.Try("},
		"boat":                 {"boat is a variable of type *bench.Script\n", "example: boat.Try(", "  boat.Highest\n      Highest finds the highest value"},
		"bench.NewProgramme":   {"bench.NewProgramme(name string, duration float64) *bench.Programme\n", "of a length in s", "example: bench.NewProgramme("},
		"limits.motor_current": {"unit: A", "from 1 A to 2000 A", "now: 140 A", `example: boat.Try("limits.motor_current=`},
		"motor.resistance":     {"unit: Ω", "where to find it: ", "now: 14 mΩ"},
		"hot-day":              {`air = "38 °C"`, `example: boat.TryIn("hot-day")`},
		"steps":                {"steps is a programme", "  steps.Air\n      outside air, K"},
		"plot":                 {"plot draws traces over time", "example: plot("},
		"math.Sqrt":            {"math.Sqrt(x float64) float64\nSqrt returns the square root of x."},
		"bench":                {"Package bench is the front door", "  bench.NewProgramme\n"},
		"time.Duration.Hours":  {"Hours returns the duration"},
		"boat.Setup.Settings":  {"field of type settings.Set\nSet is one complete set"},
	} {
		got := d.sees("help " + name)
		for _, w := range want {
			assert.Contains(t, got, w, name)
		}
	}
	_, err := d.types("help nonsense")
	assert.EqualError(t, err, `no help on "nonsense": it is no setting, no value of the boat file, no trial, and nothing that Go knows here`)
}

func TestHelpExamplesWork(t *testing.T) {
	if testing.Short() {
		t.Skip("skipped with -short: runs every example of the help")
	}
	d := sit(t)
	seen := 0
	for _, name := range []string{
		"boat.Try", "boat.TryIn", "plot", "boat.Highest", "boat.Envelope", "boat.Odds", "boat.Step", "boat.Save", "boat", "boat.Boat", "boat.Get", "boat.Check", "boat.Simulate",
		"boat.With", "boat.Setup", "boat.Args", "bench.NewProgramme", "bench.Programme", "bench.Programme.To", "steps.To", "steps.Underway", "steps.Loaded", "bench.Flags",
		"bench.Format", "bench.ValueAt", "bench.MeanBetween", "bench.RunScript", "bench.Load", "bench.StepResult.Summary", "limits.battery_current", "harbour", "motor.resistance",
	} {
		text := d.sees("help " + name)
		_, after, ok := strings.Cut(text, "\nexample: ")
		if !assert.True(t, ok, "help %s has no example", name) {
			continue
		}
		example, _, _ := strings.Cut(after, "\n")
		_, err := d.types(example)
		assert.NoError(t, err, example)
		seen++
	}
	assert.Greater(t, seen, 25)
}

// What Tab offers: names of Go, and in a string what its place asks for.
func TestComplete(t *testing.T) {
	d := sit(t)
	d.sees("run, err := boat.Simulate(steps)")
	for text, want := range map[string]string{
		"bo":                           "at ol",
		"boat.High":                    "est(",
		"boat.Try":                     "( In(",
		"boat.Setup.Set":               "tings tingsFile",
		"boat.Setup.Settings.Limits.M": "otorCurrent",
		"bench.NewPr":                  "ogramme(",
		"x := math.Sqr":                "t( t2 tE tPhi tPi",
		"hel":                          "p",
		`boat.Try("limits.mo`:          "tor_current=",
		`boat.Try("a=1", "ramp.ri`:     "se=",
		`boat.Highest("limits.mo`:      "tor_current",
		`boat.TryIn("hot-`:             "day restart",
		`boat.TryIn("hot-day", "boo`:   "st.current= st.rest= st.time=",
		`boat.Get("motor.resistance`:   "_at",
		`bench.Load("br`:               "acken",
		`run.Run.Trace("wind`:          "ing",
		`plot(run, "motor c`:           "able urrent",
		`plot("crash`:                  "-stop",
		`steps.Loaded("lo`:             "cked",
		"help boat.Hi":                 "ghest",
		"help limits.motor":            "_current",
		"help crash":                   "-stop",
		"for i := range 3 {\n boat.Hi": "ghest(",
		"nothing.":                     "",
	} {
		endings, length := d.Complete(text)
		assert.Equal(t, want, strings.Join(endings, " "), text)
		assert.LessOrEqual(t, length, len(text))
	}
	for _, name := range trial.Names() {
		endings, _ := d.Complete(`boat.TryIn("`)
		assert.Contains(t, endings, name)
	}
}

// written is a session that uses all there is of the language that a script must have otherwise than a session: variables
// that functions see, what is declared anew, declarations and statements in one input, and an input that failed half way.
var written = []string{
	`func limit() string { text, _ := boat.Get("limits.motor_current"); return text }`,
	`x := 2.5`,
	`x := 3.5; x`,
	"type point struct{ A, B float64 }\nfunc (p point) sum() float64 { return p.A + p.B }\np := point{1, x}\np.sum()",
	`func limit() string { text, _ := boat.Get("limits.motor_current"); return "now " + text }`,
	`limit()`,
	`var a, b = 1, "two"`,
	`var zs []int`,
	`for i := range 3 { zs = append(zs, i*a) }`,
	`zs`,
	`kept := zs[1]; zs[17]`, // fails, and leaves kept
	`kept + 1`,
	`1 + `, // no input at all
	`run, err := boat.Simulate(steps)`,
	`run.Verdict.Level`,
	`run`,
	`plot(run, "motor current")`,
	`lower, err := boat.With("limits.motor_current", "120 A")`,
	`lower.Get("limits.motor_current")`,
	`boat.TryIn("crash-stop", "limits.motor_current=150 A")`,
	`strings.ToUpper("abc"); math.Sqrt(2)`,
	`1+1; 2+2`,
	`errors.New("an error")`,
	`map[string]int{"b": 2, "a": 1}`,
	`fmt.Println("said", b)`,
	`import "sort"`,
	`sort.Ints(zs)`,
}

// The session is written out as a script that does the same interpreted; compiled too, in the slow suite.
func TestSessionAsAScript(t *testing.T) { sessionAsAScript(t) }

// sessionAsAScript returns the script's file and what it prints when interpreted.
func sessionAsAScript(t *testing.T) (file, interpreted string) {
	t.Helper()
	d := sit(t)
	for _, text := range written {
		_, _ = d.types(text) // some fail, as a person's do
	}
	file = filepath.Join(t.TempDir(), "session.go")
	assert.Contains(t, d.sees("script "+file), "written to "+file)
	source, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Contains(t, string(source), "no proof of safety")

	var out bytes.Buffer
	host := bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Load: bench.Load, Run: bench.RunSimulated}
	require.NoError(t, repl.RunScript(t.Context(), "session.go", source, host, &out))
	for _, want := range []string{"3.5\n4.5\nnow 140 A\n[0 1 2]\n2\nclear\nverdict: clear\n", "\n120 A\nverdict: ", "\n1.4142135623730951\n4\nan error\nmap[a:1 b:2]\nsaid two\n"} {
		assert.Contains(t, out.String(), want)
	}
	return file, out.String()
}

func TestSessionThatIsNoScript(t *testing.T) {
	d := sit(t)
	d.sees("x := 1")
	d.sees(`x := "one"`)
	_, err := d.Script()
	assert.EqualError(t, err, "the session cannot be written out as a script: x is first of type int, then of type string; a script needs two names")
}

// Commands are complete though Go would go on: "go" is a word of the language.
func TestUnfinished(t *testing.T) {
	for text, want := range map[string]bool{"script session.go": false, "help bench.": false, "x :=": true, "boat.Try()": false} {
		assert.Equal(t, want, repl.Unfinished(text), text)
	}
}
