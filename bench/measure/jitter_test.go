//go:build unix

package measure_test

import (
	"context"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linksim"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
	"quaybench/bench/measure"
	"quaybench/bench/trial"
)

// BenchmarkSampleJitter takes samples of petrel's simulated controller on a real pseudo-terminal: how far the instants at
// which they arrive stray from an even beat. One iteration is one sample, so ns/op is the period.
//
//	go test ./bench/measure -run ^$ -bench Jitter -benchtime 1000x
func BenchmarkSampleJitter(b *testing.B) {
	b.Run("clock alone 100Hz", clockAlone)
	for _, c := range []struct {
		name  string
		rate  float64
		lever bool // the lever moves all the time, so that each sample carries a command
	}{{"20Hz", 20, false}, {"100Hz", 100, false}, {"100Hz lever moving", 100, true}, {"200Hz", 200, false}} {
		b.Run(c.name, func(b *testing.B) { jitter(b, c.rate, c.lever) })
	}
}

func jitter(b *testing.B, rate float64, moving bool) {
	y := petrelFor(b)
	near, far, err := port.Pseudo()
	require.NoError(b, err)
	defer near.Close()
	clock, timing := port.WallClock{}, modbus.TimingAt(115200)
	sim, err := linksim.New(y.boat, y.settings, y.registers.Describe(), clock, linksim.Options{})
	require.NoError(b, err)
	ctx, stop := context.WithCancel(b.Context())
	defer stop()
	go func() { _ = sim.Serve(ctx, y.registers, near, timing) }()
	line, err := port.Open(port.Address{Name: far, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
	require.NoError(b, err)
	defer line.Close()
	c := regmap.NewController(y.registers, modbus.NewMaster(line, timing, clock), clock)

	program := &trial.Trial{Name: "jitter", Moored: true, Duration: float64(b.N) / rate, Throttle: []trial.Step{{At: 0.1, To: 0.2, Over: 1}}}
	if moving {
		program.Throttle[0].Over = program.Duration
	}
	b.ResetTimer()
	got, err := measure.Run(ctx, c, program, measure.Options{Rate: rate, Commands: true, Clock: clock})
	b.StopTimer()
	require.NoError(b, err)
	if got.Stop.Reason != measure.Finished {
		b.Logf("after %d samples: %s", len(got.Samples), got.Stop.Text)
	}
	late := make([]float64, len(got.Samples))
	for i, s := range got.Samples {
		late[i] = 1e3 * (s.At - s.Due)
	}
	report(b, late)
}

func clockAlone(b *testing.B) {
	clock := port.WallClock{}
	start := clock.Now()
	var late []float64
	for i := range b.N {
		due := start.Add(time.Duration(i) * 10 * time.Millisecond)
		require.NoError(b, clock.Sleep(b.Context(), due.Sub(clock.Now())))
		late = append(late, 1e3*clock.Now().Sub(due).Seconds())
	}
	report(b, late)
}

// report says how late samples were as a rule, and how far they strayed from that, in ms.
func report(b *testing.B, late []float64) {
	slices.Sort(late)
	usual := quantile(late, 0.5)
	for i := range late {
		late[i] = math.Abs(late[i] - usual)
	}
	slices.Sort(late)
	b.ReportMetric(usual, "ms-late")
	b.ReportMetric(quantile(late, 0.5), "ms-p50")
	b.ReportMetric(quantile(late, 0.99), "ms-p99")
	b.ReportMetric(late[len(late)-1], "ms-max")
}

func quantile(sorted []float64, p float64) float64 { return sorted[int(p*float64(len(sorted)-1))] }
