//go:build slow

package check_test

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// compiled is a set of programs built with the Go toolchain: the reference for
// what scripts should do.
type compiled struct {
	binary string
}

var (
	mainFunc    = regexp.MustCompile(`(?m)^func main\(\)`)
	mainPackage = regexp.MustCompile(`(?m)^package main$`)
)

// build compiles programs into one binary, since linking each takes longer
// than all the rest.
func build(t *testing.T, programs []string) compiled {
	t.Helper()
	if _, err := exec.LookPath("go"); err != nil {
		t.Skip("NOT TESTED AGAINST COMPILED CODE: no Go toolchain here")
	}
	dir := t.TempDir()
	write := func(name, text string) {
		name = filepath.Join(dir, name)
		require.NoError(t, os.MkdirAll(filepath.Dir(name), 0o755))
		require.NoError(t, os.WriteFile(name, []byte(text), 0o644))
	}
	write("go.mod", "module compiled\n\ngo 1.26\n")
	var imports, cases strings.Builder
	for i, p := range programs {
		pkg := fmt.Sprintf("p%d", i)
		p = mainPackage.ReplaceAllString(p, "package "+pkg)
		p = mainFunc.ReplaceAllString(p, "func Main()")
		write(filepath.Join(pkg, "p.go"), p)
		fmt.Fprintf(&imports, "import %q\n", "compiled/"+pkg)
		fmt.Fprintf(&cases, "\tcase %q:\n\t\t%s.Main()\n", pkg, pkg)
	}
	write("main.go", "package main\n\nimport \"os\"\n\n"+imports.String()+"\nfunc main() {\n\tswitch os.Args[1] {\n"+cases.String()+"\t}\n}\n")
	cmd := exec.Command("go", "build", "-o", "all", ".")
	cmd.Dir = dir
	out, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", out)
	return compiled{filepath.Join(dir, "all")}
}

// run returns what program i prints.
func (c compiled) run(i int) string {
	pkg := fmt.Sprintf("p%d", i)
	out, err := exec.Command(c.binary, pkg).Output()
	text := strings.ReplaceAll(string(out), pkg+".", "main.")
	if err != nil {
		text += "ended by a panic\n"
	}
	return text
}
