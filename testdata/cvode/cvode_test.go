// Package cvode compares simulate.Run with SUNDIALS CVODE on the same equations, in one run on one core:
//
//	go test ./testdata/cvode -v
//
// It skips with a word where SUNDIALS or gcc is missing; README.md says how to build SUNDIALS.
package cvode

import (
	"bytes"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// program is drive.c built for one trial.
type program struct{ path string }

// build compiles drive.c with the numbers of a case, or skips.
func build(t *testing.T, c *comparison) program {
	sundials := os.Getenv("SUNDIALS")
	if sundials == "" {
		sundials = "/tmp/sundials/install"
	}
	if _, err := os.Stat(filepath.Join(sundials, "include", "cvode", "cvode.h")); err != nil {
		t.Skipf("NOT COMPARED WITH CVODE: no SUNDIALS under %s: build it as README.md says and set SUNDIALS to where it is installed", sundials)
	}
	gcc, err := exec.LookPath("gcc")
	if err != nil {
		t.Skip("NOT COMPARED WITH CVODE: no gcc (apt-get install gcc): the comparison is written in C")
	}
	dir := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "model.h"), []byte(c.header()), 0o600))
	out := filepath.Join(dir, "drive")
	lib := filepath.Join(sundials, "lib")
	said, err := exec.Command(gcc, "-O3", "-march=native", "-I", dir, "-I", filepath.Join(sundials, "include"), "-o", out, "c/drive.c",
		"-L", lib, "-lsundials_cvode", "-lsundials_nvecserial", "-lsundials_sunlinsoldense", "-lsundials_sunmatrixdense", "-lsundials_generic", "-lm").CombinedOutput()
	require.NoError(t, err, "%s", said)
	return program{out}
}

// derivatives are the program's, for states with the lever at a place.
func (p program) derivatives(t *testing.T, lever []float64, states [][]float64) [][]float64 {
	var in bytes.Buffer
	for i, y := range states {
		fmt.Fprintf(&in, "%.17g", lever[i])
		for _, v := range y {
			fmt.Fprintf(&in, " %.17g", v)
		}
		in.WriteByte('\n')
	}
	cmd := exec.Command(p.path, "rhs")
	cmd.Stdin = &in
	said, err := cmd.Output()
	require.NoError(t, err)
	var out [][]float64
	for line := range strings.Lines(string(said)) {
		out = append(out, numbers(t, strings.Fields(line)))
	}
	require.Len(t, out, len(states))
	return out
}

// solution is what a run gave.
type solution struct {
	corners  [][]float64 // temperatures of the parts at the end of each stretch, K
	passages [][]float64 // s, per passage of the case
	work     work
}

type work struct {
	steps, evaluations, jacobians int
	seconds                       float64
}

// run solves the trial in one of CVODE's ways (see ways) at a scale of the tolerances; ok is false where CVODE gives up.
func (p program) run(t *testing.T, c *comparison, way int, scale float64, repeats int) (s solution, ok bool) {
	said, err := exec.Command(p.path, "run", strconv.Itoa(way), strconv.FormatFloat(scale, 'g', -1, 64), strconv.Itoa(repeats)).CombinedOutput()
	if err != nil {
		t.Logf("CVODE at scale %g: %.200s", scale, said)
		return s, false
	}
	s = solution{passages: make([][]float64, len(c.passages))}
	for line := range strings.Lines(string(said)) {
		word := strings.Fields(line)
		v := numbers(t, word[1:])
		switch word[0] {
		case "passage":
			s.passages[int(v[0])] = append(s.passages[int(v[0])], v[1])
		case "corner":
			s.corners = append(s.corners, c.temperatures(v[1:]))
		case "work":
			s.work = work{int(v[0]), int(v[1]), int(v[2]), v[4]}
		}
	}
	require.Len(t, s.corners, len(c.stretches))
	return s, true
}

func numbers(t *testing.T, words []string) (v []float64) {
	for _, w := range words {
		x, err := strconv.ParseFloat(w, 64)
		require.NoError(t, err)
		v = append(v, x)
	}
	return v
}

// difference is how far a solution lies from a reference: temperatures at the corners (K) and passages (s). A passage that
// one of them has not is endlessly late.
func difference(a, reference solution) (kelvin, seconds float64) {
	for i, corner := range reference.corners {
		for k, T := range corner {
			kelvin = math.Max(kelvin, math.Abs(a.corners[i][k]-T))
		}
	}
	for k, times := range reference.passages {
		if len(a.passages[k]) != len(times) {
			return kelvin, math.Inf(1)
		}
		for i, at := range times {
			seconds = math.Max(seconds, math.Abs(a.passages[k][i]-at))
		}
	}
	return kelvin, seconds
}
