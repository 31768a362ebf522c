//go:build slow

package interp_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"golang.org/x/tools/txtar"

	"quaybench/repl/check"
	"quaybench/repl/interp"
)

// A thousand inputs, right ones, broken ones, endless ones, some of them
// stopped at a random moment. After each the session answers, its values are
// there, and nothing of what the person sees is about the inside.
func TestTorture(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	r := rand.New(rand.NewPCG(1, 2))
	held := heldValues()
	k := newConsole(t, interp.Config{Limits: interp.Limits{Memory: 64 << 20, Stack: 32 << 20}}, held)
	lines := corpus(t)
	require.Greater(t, len(lines), 500)

	right, wrong, stopped := 0, 0, 0
	for range 1000 {
		text := lines[r.IntN(len(lines))]
		if r.IntN(3) == 0 {
			text = plain[r.IntN(len(plain))]
		}
		switch r.IntN(6) {
		case 0, 1:
			text = damage(r, text)
		case 2:
			text += "\n" + lines[r.IntN(len(lines))]
		case 3:
			text = fmt.Sprintf("x%d := heldXs[%d] * heldLimit; %s", r.IntN(20), r.IntN(4), text)
		case 4:
			text = endless[r.IntN(len(endless))]
		}
		ctx, cancel := context.WithTimeout(context.Background(), 50*time.Millisecond)
		if r.IntN(4) == 0 {
			n := r.IntN(2000)
			go func() {
				for range n {
					runtime.Gosched()
				}
				cancel()
			}()
		}
		out, err := k.eval(ctx, text)
		switch {
		case ctx.Err() != nil:
			stopped++
		case err != nil:
			wrong++
		default:
			right++
		}
		cancel()
		if !sound(t, k, held, text, out, err) {
			return
		}
	}
	t.Logf("%d right, %d wrong, %d stopped", right, wrong, stopped)
	assert.Greater(t, right, 100)
	assert.Greater(t, wrong, 100)
	assert.Greater(t, stopped, 50)
}

// corpus returns pieces of Go: declarations and statements of the features that
// package check tests, and some lines typed in a hurry.
func corpus(t *testing.T) []string {
	t.Helper()
	files, err := filepath.Glob("../check/testdata/features/*.txtar")
	require.NoError(t, err)
	var list []string
	for _, name := range files {
		a, err := txtar.ParseFile(name)
		require.NoError(t, err)
		for _, f := range a.Files {
			text, _, _ := strings.Cut(string(f.Data), "\n// Output:")
			_, text, _ = strings.Cut(text, "package main\n")
			var block strings.Builder
			for _, line := range strings.Split(text, "\n") {
				if strings.HasPrefix(line, "import") || strings.HasPrefix(line, ")") || strings.HasPrefix(line, "\t\"") {
					continue
				}
				if line == "" || line == "func main() {" {
					if s := strings.TrimSpace(block.String()); s != "" {
						list = append(list, s)
					}
					block.Reset()
					continue
				}
				block.WriteString(line + "\n")
				if trimmed := strings.TrimSpace(line); check.Unfinished(trimmed) == false && trimmed != "}" {
					list = append(list, trimmed)
				}
			}
		}
	}
	return append(list, "heldXs", "heldLimit * 2", "heldXs[0] += 0", "heldXs[5]", "heldWait.Hours()", "x := ", "fmt.Println(heldXs...)", "import \"os\"", "1/0",
		"var p *struct{ A int }; p.A", "type t struct{}", "func (t) m() {}", "t{}.m()", "\x00", "日本", "/* open", "`open", "}}}}", "((((", "// nothing", ";;;", "\\")
}

// What a person sees of a value of the session's own types is stopped like any input.
func TestMethodsThatDoNotReturn(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	k := newConsole(t, interp.Config{}, nil)
	for _, c := range []struct{ text, seen string }{
		{"type loop struct{}; func (loop) Error() string { for {} }; loop{}", "it cannot be shown: its String or Error method takes more than a second"},
		{"var err error = loop{}; err", "it cannot be shown: its String or Error method takes more than a second"},
		{"[]error{err}", "it cannot be shown: its String or Error method takes more than a second"},
		{"type deep struct{}; func (d deep) String() string { return d.String() + \"x\" }; deep{}", "it cannot be shown: "},
		{"type fatal struct{}; func (fatal) Error() string { panic(1) }; err = fatal{}; err", "it cannot be shown: "},
		{"type quiet struct{}; func (quiet) Error() string { select {} }; err = quiet{}; err", "it cannot be shown: its String or Error method takes more than a second"},
		{"1 + 1", "2"},
	} {
		got, err := k.eval(context.Background(), c.text)
		require.NoError(t, err, c.text)
		assert.True(t, strings.HasPrefix(got, c.seen), "%s\n%s", c.text, got)
	}
}
