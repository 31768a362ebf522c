//go:build unix

package repl_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/repl"
)

// thousand calls a simulation a thousand times, as its text below does.
func thousand(s *bench.Script) error {
	worst := 0.0
	for i := 0; i < 1000; i++ {
		p := bench.NewProgramme("steps", 20).To(1, 0.2+0.0005*float64(i), 0).To(15, 0, 0)
		r, err := s.Simulate(p)
		if err != nil {
			return err
		}
		v, err := bench.ValueAt(r.Run, "winding", 15)
		if err != nil {
			return err
		}
		worst = max(worst, v)
	}
	fmt.Fprintln(&said, bench.Format(worst, "°C"))
	return nil
}

var said bytes.Buffer

const thousandText = `package main

import (
	"fmt"

	"quaybench/bench"
)

func main() { bench.RunScript(thousand) }

func thousand(s *bench.Script) error {
	worst := 0.0
	for i := 0; i < 1000; i++ {
		p := bench.NewProgramme("steps", 20).To(1, 0.2+0.0005*float64(i), 0).To(15, 0, 0)
		r, err := s.Simulate(p)
		if err != nil {
			return err
		}
		v, err := bench.ValueAt(r.Run, "winding", 15)
		if err != nil {
			return err
		}
		worst = max(worst, v)
	}
	fmt.Println(bench.Format(worst, "°C"))
	return nil
}
`

// BenchmarkThousandSimulations takes a script that calls a simulation a thousand times, compiled and interpreted in turn,
// and reports how much more processor time the interpreted one takes: the least of each, since what else the machine does
// only adds. On a busy machine that difference drowns, so the script's own part is taken by itself, too: the same script
// with a simulation in its first turn only, as a share of the compiled thousand.
func BenchmarkThousandSimulations(b *testing.B) {
	host := bench.ScriptHost{Args: []string{"../cmd/quaybench/demo/petrel"}, Load: bench.Load, Run: bench.RunSimulated, Context: b.Context}
	around := strings.NewReplacer("func thousand(", "var r *bench.SimulationResult\nvar err error\n\nfunc thousand(",
		"r, err := s.Simulate(p)", "if i == 0 {\n\t\t\tr, err = s.Simulate(p)\n\t\t}").Replace(thousandText)
	compiled, interpreted, own := math.Inf(1), math.Inf(1), math.Inf(1)
	for b.Loop() {
		for range 3 {
			said.Reset()
			begin := processorTime(b)
			s, err := bench.StartScriptIn(host)
			require.NoError(b, err)
			require.NoError(b, thousand(s))
			compiled = min(compiled, processorTime(b)-begin)

			var out bytes.Buffer
			begin = processorTime(b)
			require.NoError(b, repl.RunScript(b.Context(), "thousand.go", []byte(thousandText), host, &out))
			interpreted = min(interpreted, processorTime(b)-begin)
			require.Equal(b, said.String(), out.String())

			begin = processorTime(b)
			require.NoError(b, repl.RunScript(b.Context(), "around.go", []byte(around), host, &out))
			own = min(own, processorTime(b)-begin)
		}
	}
	b.ReportMetric(100*(interpreted/compiled-1), "%more")
	b.ReportMetric(100*own/compiled, "%own")
	b.ReportMetric(compiled*1e3, "ms-compiled")
	b.ReportMetric(interpreted*1e3, "ms-interpreted")
}

// processorTime returns what this process has used so far, s.
func processorTime(b *testing.B) float64 {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}
