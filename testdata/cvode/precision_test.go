package cvode

import (
	"flag"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

var write = flag.Bool("write", false, "write the tables to RESULTS.md")

// row is one solution in the table.
type row struct {
	solver          string
	tolerance       float64 // in tolerances of the tool's default
	kelvin, seconds float64
	work            work
	failed          bool
}

// cases are the trials of the comparison.
var cases = []struct {
	title, name string
	electrical  bool
	duration    float64
	rises       [3]float64 // K, see newComparison
}{
	{"step test with electrical transients, 10 s", "full-throttle", true, 10, [3]float64{2, 0.5, 3}},
	{"crash stop, 150 s", "crash-stop", false, 0, [3]float64{12, 6, 9}},
	{"two-hour outing with twenty-one movements of the lever", "two-hour-outing", false, 0, [3]float64{35, 24, 30}},
}

// ways are CVODE's: its Jacobian by its own differences or by structure, and that with a restart where the demand begins or ceases to follow its ramp.
var ways = [...]string{"CVODE, differences", byStructure: "CVODE, by structure", "CVODE, by structure, kinks located"}

const byStructure = 1

// TestWorkPrecision measures error, time, steps and evaluations of both over a range of tolerances; with -short of those
// tolerances alone that the ratios need. It passes whatever the ratios are: a machine with other work says little.
func TestWorkPrecision(t *testing.T) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1)) // one core, the collector's work included
	var out, ratios strings.Builder
	for _, trial := range cases {
		c := newComparison(t, trial.name, trial.electrical, trial.duration, trial.rises)
		p := build(t, c)
		reference, ok := p.run(t, c, byStructure, 1e-4, 1)
		require.True(t, ok)
		check, ok := p.run(t, c, byStructure, 1e-5, 1)
		require.True(t, ok)
		kelvin, seconds := difference(reference, check)
		require.Less(t, kelvin, 1e-4, "the reference is not tight")
		require.Less(t, seconds, 1e-4, "the reference is not tight")
		passed := 0
		for _, times := range reference.passages {
			passed += len(times)
		}
		fmt.Fprintf(&out, "## %s\n\n", trial.title)
		fmt.Fprintf(&out, "%d states (CVODE: %d), %d restarts at corners, %d passages. The reference, CVODE at a ten-thousandth of the default tolerance, moves by %.1g K and %.1g s at a tenth of that.\n\n",
			c.model.Dim(), len(c.live), len(c.stretches), passed, kelvin, seconds)
		out.WriteString("| solver | tolerance | error, K | error, s | time, ms | steps | evaluations | Jacobians |\n| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |\n")
		ours, alone, theirs := c.rows(t, p, reference)
		for _, r := range slices.Concat(ours, alone, theirs) {
			if r.failed {
				fmt.Fprintf(&out, "| %s | %.3g | gave up | | | | | |\n", r.solver, r.tolerance)
				continue
			}
			jacobians := "one a step"
			if r.work.jacobians > 0 {
				jacobians = fmt.Sprint(r.work.jacobians)
			}
			fmt.Fprintf(&out, "| %s | %.3g | %.2g | %.2g | %.3g | %d | %d | %s |\n", r.solver, r.tolerance, r.kelvin, r.seconds, 1e3*r.work.seconds, r.work.steps, r.work.evaluations, jacobians)
		}
		out.WriteByte('\n')
		for _, allowed := range [][2]float64{{0.1, 0.05}, {0.05, 0.05}, {0.02, 0.05}, {0.01, 0.02}, {0.005, 0.01}} {
			a, i, b := cheapest(ours, allowed), cheapest(alone, allowed), cheapest(theirs, allowed)
			if a == nil || b == nil || i == nil {
				fmt.Fprintf(&out, "- within %g K and %g s: not reached by all.\n", allowed[0], allowed[1])
				continue
			}
			fmt.Fprintf(&ratios, "%s, within %g K and %g s: Run %.2f, its integrator alone %.2f\n", trial.title, allowed[0], allowed[1], b.work.seconds/a.work.seconds, b.work.seconds/i.work.seconds)
			fmt.Fprintf(&out, "- within %g K and %g s: quaybench %.3g ms, its integrator alone %.3g ms; %s %.3g ms, which is %.2g and %.2g times as long\n",
				allowed[0], allowed[1], 1e3*a.work.seconds, 1e3*i.work.seconds, b.solver, 1e3*b.work.seconds, b.work.seconds/a.work.seconds, b.work.seconds/i.work.seconds)
		}
		out.WriteByte('\n')
	}
	t.Log("\n" + out.String())
	t.Log("Ratios, CVODE's time over this:\n" + ratios.String())
	if *write {
		require.NoError(t, os.WriteFile("RESULTS.md", []byte(head()+out.String()), 0o600))
	}
}

// rows solves the trial with both over a range of tolerances, in rounds: a machine that is slower for a while is so for all.
func (c *comparison) rows(t *testing.T, p program, reference solution) (ours, alone, theirs []row) {
	rounds, tolerances, scales := 6, []float64{1e-3, 3e-4, 1e-4, 3e-5, 1e-5, 3e-6, 1e-6, 1e-7, 1e-8}, []float64{100, 30, 10, 3, 1, 0.3, 0.1, 0.01, 0.001}
	if testing.Short() { // what the ratios need
		rounds, tolerances, scales = 4, []float64{1e-3, 3e-4, 1e-4, 3e-5, 1e-5, 3e-6}, []float64{30, 10, 3, 1, 0.3, 0.1}
	}
	for round := range rounds {
		k := 0
		enter := func(rows *[]row, solver string, tolerance float64, s solution, ok bool) {
			if round == 0 {
				r := row{solver: solver, tolerance: tolerance, work: s.work, failed: !ok}
				if ok {
					r.kelvin, r.seconds = difference(s, reference)
				}
				*rows = append(*rows, r)
			} else if ok {
				least := &(*rows)[k].work.seconds
				*least = min(*least, s.work.seconds)
			}
			k++
		}
		for _, rel := range tolerances {
			enter(&ours, "quaybench", rel/1e-5, c.ours(t, rel, 5), true)
		}
		k = 0
		for _, rel := range tolerances {
			enter(&alone, "its integrator alone", rel/1e-5, c.alone(t, rel, 5), true)
		}
		k = 0
		for way, name := range ways {
			for _, scale := range scales {
				s, ok := p.run(t, c, way, scale, 5)
				enter(&theirs, name, scale, s, ok)
			}
		}
	}
	return ours, alone, theirs
}

// cheapest is the fastest solution that keeps to errors allowed in K and s.
func cheapest(rows []row, allowed [2]float64) (best *row) {
	for i := range rows {
		if r := &rows[i]; !r.failed && r.kelvin <= allowed[0] && r.seconds <= allowed[1] && (best == nil || r.work.seconds < best.work.seconds) {
			best = r
		}
	}
	return best
}

// head says what the tables are and where they were measured.
func head() string {
	machine := "unknown processor"
	if text, err := os.ReadFile("/proc/cpuinfo"); err == nil {
		for line := range strings.Lines(string(text)) {
			if name, ok := strings.CutPrefix(line, "model name"); ok {
				machine = strings.TrimSpace(strings.TrimLeft(name, "\t :"))
				break
			}
		}
	}
	return fmt.Sprintf(`# Work against precision, measured

Written by %s on %s; %s, %d cores, %s. One run, one core.

The error is the largest over the temperatures of all parts at every corner of the lever (K) and over all passages of the
limits set for this (s; the tool locates them to a millisecond, which is part of its error). Tolerance 1 is the tool's
default, the same weights on both sides. Time is CPU time, the least of 30 runs in six rounds over all rows. The tool's is all of
simulate.Run: model, every switch and device, checks, samples, record. CVODE's is its integration, and the roots of stall timer
and passages; "its integrator alone" is the tool's with just these, and where the demand begins or ceases to follow its ramp, where "kinks located"
has CVODE restart too.

`, "`go test ./testdata/cvode -run WorkPrecision -v -write`", time.Now().UTC().Format("2006-01-02"), machine, runtime.NumCPU(), runtime.Version())
}
