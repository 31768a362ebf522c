//go:build slow

package check_test

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

var (
	programs     = flag.Int("programs", 2000, "how many random programs to compare with the compiler; 20,000 take about two hours")
	widePrograms = flag.Int("wide", 1000, "how many programs of types and control flow to compare with the compiler")
	firstSeed    = flag.Uint64("seed", 1, "seed of the first")
	keep         = flag.String("keep", "", "folder to keep programs that differ in")
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

// Programs of types, methods, interfaces, type parameters, iterators, goto, select and deferred calls do the same, call by call.
func TestWideProgramsAgreeWithTheCompiler(t *testing.T) {
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("NOT TESTED AGAINST COMPILED CODE: no Go toolchain here")
	}
	seed, done, wrong, same := *firstSeed, 0, 0, 0
	for done < *widePrograms {
		var texts []string
		var seeds []uint64
		for ; len(texts) < min(200, *widePrograms-done); seed++ {
			text := wideProgram(seed)
			if err := vet(text); err != nil {
				wrong++
				if *keep != "" {
					_ = os.WriteFile(fmt.Sprintf("%s/no-go-%d.go", *keep, seed), []byte(text+"\n// "+err.Error()), 0o644)
				}
				require.Less(t, wrong, 20+*widePrograms/2, "most programs are no Go: %v", err)
				continue
			}
			for _, has := range []string{"XX_tr[", "goto G", "select {", "defer ", " range XX_over("} {
				require.Contains(t, strings.TrimPrefix(text, wideHead), has, "seed %d", seed)
			}
			texts, seeds = append(texts, text), append(seeds, seed)
		}
		done += len(texts)
		for i, want := range runTogether(t, texts) {
			if want == "" {
				continue // ended the reference's process
			}
			got, err := script("wide.go", texts[i])
			if got == want {
				same++
				continue
			}
			if *keep != "" {
				require.NoError(t, os.WriteFile(fmt.Sprintf("%s/wide-%d.go", *keep, seeds[i]), []byte(texts[i]), 0o644))
			}
			t.Errorf("seed %d, %s\nerror: %v", seeds[i], firstDifference(want, got), err)
		}
		t.Logf("seeds up to %d: %d programs, %d the same, %d more were no Go", seed-1, done, same, wrong)
		if *keep != "" { // who runs 20,000 wants to see how far it is
			fmt.Fprintf(os.Stderr, "seeds up to %d: %d programs, %d the same, %d more were no Go\n", seed-1, done, same, wrong)
		}
	}
	require.Greater(t, same, done*9/10)
}

func firstDifference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	for k := range max(len(w), len(g)) {
		a, b := "(nothing)", "(nothing)"
		if k < len(w) {
			a = w[k]
		}
		if k < len(g) {
			b = g[k]
		}
		if a != b {
			return fmt.Sprintf("output line %d:\ncompiled: %.300s\nscript:   %.300s", k+1, a, b)
		}
	}
	return ""
}

// runTogether returns what programs print whose names begin with XX_, compiled into one binary, a few dozen in each package. "" stands for
// one that ended the process.
func runTogether(t *testing.T, texts []string) []string {
	t.Helper()
	dir := t.TempDir()
	write := func(name, text string) {
		name = filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
	}
	write("go.mod", "module compiled\n\ngo 1.26\n")
	const each = 25
	var imports, list strings.Builder
	for i, text := range texts {
		pkg := fmt.Sprint("q", i/each)
		text = strings.Replace(strings.Replace(text, "package main", "package "+pkg, 1), "func main() {", fmt.Sprintf("func Main%d() {", i), 1)
		write(fmt.Sprintf("%s/p%d.go", pkg, i), strings.ReplaceAll(text, "XX_", fmt.Sprintf("p%d_", i)))
		if i%each == 0 {
			fmt.Fprintf(&imports, "import %q\n", "compiled/"+pkg)
		}
		fmt.Fprintf(&list, "%s.Main%d, ", pkg, i)
	}
	write("main.go", "package main\n\nimport (\"fmt\"; \"os\"; \"strconv\")\n\n"+imports.String()+"\nfunc main() {\n\tall := []func(){"+list.String()+"}\n"+`
	n, _ := strconv.Atoi(os.Args[1])
	for _, f := range all[n:] {
		func() {
			defer func() { if r := recover(); r != nil { fmt.Print("ended by a panic\n") } }()
			f()
		}()
		fmt.Print("\x00")
	}
}
`)
	cmd := exec.Command("go", "build", "-o", "all", ".")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	var all []string
	for len(all) < len(texts) {
		out, err := exec.Command(filepath.Join(dir, "all"), fmt.Sprint(len(all))).Output()
		parts := strings.Split(string(out), "\x00")
		all = append(all, parts[:len(parts)-1]...)
		if err != nil || len(parts) == 1 {
			all = append(all, "")
		}
	}
	for i := range all {
		all[i] = regexp.MustCompile(`\bp\d+_`).ReplaceAllString(regexp.MustCompile(`\b(compiled/)?q\d+\.`).ReplaceAllString(all[i], "main."), "XX_")
	}
	return all
}
