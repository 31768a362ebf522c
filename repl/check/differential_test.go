package check_test

import (
	"flag"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/repl/symbols"
)

var (
	programs  = flag.Int("programs", manyPrograms, "how many random programs to compare with the compiler")
	firstSeed = flag.Uint64("seed", 1, "seed of the first")
	keep      = flag.String("keep", "", "folder to keep programs that differ in")
)

// Random programs do the same, compiled by Go and as scripts.
func TestRandomProgramsAgreeWithTheCompiler(t *testing.T) {
	var texts []string
	var seeds []uint64
	wrong := 0
	for seed := *firstSeed; len(texts) < *programs; seed++ {
		text := randomProgram(seed)
		if err := vet(text); err != nil {
			// The generator does not know all rules of types.
			wrong++
			require.Less(t, wrong, 20+2**programs, "most random programs are no Go: %v", err)
			continue
		}
		texts = append(texts, text)
		seeds = append(seeds, seed)
	}
	t.Logf("%d programs, %d more were no Go", len(texts), wrong)
	reference := build(t, texts)
	for i, text := range texts {
		want := reference.run(i)
		got, err := script("random.go", text)
		if got == want {
			continue
		}
		if *keep != "" {
			require.NoError(t, os.WriteFile(fmt.Sprintf("%s/%d.go", *keep, seeds[i]), []byte(text), 0o644))
		}
		w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
		for k := 0; k < len(w) || k < len(g); k++ {
			a, b := "", ""
			if k < len(w) {
				a = w[k]
			}
			if k < len(g) {
				b = g[k]
			}
			if a != b {
				t.Errorf("seed %d, output line %d:\ncompiled: %.200s\nscript:   %.200s (error: %v)", seeds[i], k+1, a, b, err)
				break
			}
		}
	}
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
