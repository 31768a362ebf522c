package reference

import (
	"os/exec"
	"path/filepath"
	"testing"
)

// Python runs a reference program FOLDER/SCRIPT under a Python that has SciPy and returns what it prints. Where there is
// none it says so and skips.
func Python(t *testing.T, folder, script string, args ...string) []byte {
	t.Helper()
	run := PythonTalk(t, folder, script, "tomllib", args...)
	out, err := run.Output()
	if err != nil {
		if exit, ok := err.(*exec.ExitError); ok {
			t.Fatalf("%s %v: %v\n%s", script, args, err, exit.Stderr)
		}
		t.Fatal(err)
	}
	return out
}

// PythonTalk returns the command that runs a reference program under a Python that has SciPy and another module, not started yet. Where there is none it says so
// and skips.
func PythonTalk(t *testing.T, folder, script, module string, args ...string) *exec.Cmd {
	t.Helper()
	program := ""
	for _, name := range []string{"python3", "/usr/bin/python3"} {
		if exec.Command(name, "-c", "import scipy, "+module).Run() == nil {
			program = name
			break
		}
	}
	if program == "" {
		t.Skipf("no Python with SciPy and %s is installed (Debian packages python3-scipy, python3-lmfit): its golden results are compared, the program was NOT RUN", module)
	}
	dir, err := Dir()
	if err != nil {
		t.Fatal(err)
	}
	run := exec.CommandContext(t.Context(), program, append([]string{"-B", script}, args...)...)
	run.Dir = filepath.Join(dir, folder)
	return run
}
