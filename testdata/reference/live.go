package reference

import (
	"os/exec"
	"path/filepath"
	"testing"
)

// Python runs a reference program FOLDER/SCRIPT under a Python that has SciPy and returns what it prints. Where there is
// none it says so and skips: the golden results were compared.
func Python(t *testing.T, folder, script string, args ...string) []byte {
	t.Helper()
	if testing.Short() {
		t.Skip("-short: the golden results were compared, SciPy was not run live")
	}
	var program string
	for _, name := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(name, "-c", "import scipy, tomllib").Run() == nil {
			program = name
			break
		}
	}
	if program == "" {
		t.Skip("no Python with SciPy is installed (Debian package python3-scipy): its golden results were compared, the program was not run live")
	}
	dir, err := Dir()
	if err != nil {
		t.Fatal(err)
	}
	run := exec.CommandContext(t.Context(), program, append([]string{"-B", script}, args...)...)
	run.Dir = filepath.Join(dir, folder)
	out, err := run.Output()
	if err != nil {
		if exit, ok := err.(*exec.ExitError); ok {
			t.Fatalf("%s %v: %v\n%s", script, args, err, exit.Stderr)
		}
		t.Fatal(err)
	}
	return out
}
