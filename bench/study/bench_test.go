//go:build unix

package study_test

import (
	"runtime"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/benchtest"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// BenchmarkOutings draws boats and simulates a two-hour outing with each, on all cores: 200 at a time. What 10,000 would take
// is extrapolated from them.
func BenchmarkOutings(b *testing.B) {
	boat, s := petrel(b)
	outing := builtin(b, "two-hour-outing")
	const draws = 200
	b.ReportAllocs()
	for b.Loop() {
		odds, err := study.FindOdds(b.Context(), boat, s, outing, study.OddsOptions{Draws: draws, Quick: true, EveryRun: true})
		require.NoError(b, err)
		require.Equal(b, draws, odds.Runs)
	}
	each := b.Elapsed().Seconds() / float64(b.N) / draws
	b.ReportMetric(1e9*each, "ns/outing")
	b.ReportMetric(1e4*each, "s/10000-extrapolated")
	b.ReportMetric(float64(runtime.GOMAXPROCS(0)), "cores")
}

// BenchmarkStudies answers questions by the fit, and by every run where that is not too long.
func BenchmarkStudies(b *testing.B) {
	boat, s := petrel(b)
	at, err := s.WithNumber("limits.motor_current", 165)
	require.NoError(b, err)
	four := builtin(b, "full-throttle", "crash-stop", "hot-day", "hot-restart")
	odds := func(o study.OddsOptions, trials ...*trial.Trial) func(*testing.B) {
		return func(b *testing.B) {
			runs := 0
			for b.Loop() {
				answer, err := study.FindOdds(b.Context(), boat, at, trials, o)
				require.NoError(b, err)
				runs = answer.Made.Runs
			}
			b.ReportMetric(float64(runs), "runs")
		}
	}
	highest := func(o study.HighestOptions) func(*testing.B) {
		return func(b *testing.B) {
			runs := 0
			for b.Loop() {
				answer, err := study.FindHighest(b.Context(), variant.Of(boat, s), "limits.motor_current", builtin(b, "hot-day"), o)
				require.NoError(b, err)
				runs = answer.Made.Runs
			}
			b.ReportMetric(float64(runs), "runs")
		}
	}
	b.Run("odds of 1000 in four trials/fit", odds(study.OddsOptions{Seed: 1}, four...))
	b.Run("odds of 1000 in four trials/every run", odds(study.OddsOptions{Seed: 1, EveryRun: true}, four...))
	b.Run("odds of 10000 outings/fit", odds(study.OddsOptions{Seed: 1, Draws: 10000}, builtin(b, "two-hour-outing")...))
	b.Run("highest over draws/fit", highest(study.HighestOptions{Odds: 0.95, Seed: 1}))
	b.Run("highest over draws/every run", highest(study.HighestOptions{Odds: 0.95, Seed: 1, EveryRun: true}))
}

// BenchmarkRemedies looks for what makes a boat clear that is over in eight ways, in all built-in trials.
func BenchmarkRemedies(b *testing.B) {
	boat, s := petrel(b)
	v := variant.Of(boat, s)
	for key, text := range map[string]string{"cable[motor cable].section": "25 mm²", "limits.motor_current": "200 A"} {
		var err error
		v, _, err = v.With(key, text)
		require.NoError(b, err)
	}
	trials := builtin(b, trial.Names()...)
	judged, err := study.RunVariants(b.Context(), []variant.Variant{v}, trials, simulate.Options{}, nil)
	require.NoError(b, err)
	side := verdict.Join(verdict.Static(v.Boat, v.Settings), judged[0])
	before := cpu(b)
	for b.Loop() {
		list, err := study.FindRemedies(b.Context(), v, &side, trials)
		require.NoError(b, err)
		b.ReportMetric(float64(len(list)), "remedies")
	}
	b.ReportMetric((cpu(b)-before)/float64(b.N), "cpu-s/op")
	before = cpu(b)
	for range 20 {
		_, err := study.RunVariants(b.Context(), []variant.Variant{v}, trials, simulate.Options{}, nil)
		require.NoError(b, err)
	}
	b.ReportMetric((cpu(b)-before)/20, "cpu-s/all-trials")
}

// cpu returns the processor time of the process so far, s: on a shared machine it says more than the clock.
func cpu(b *testing.B) float64 {
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}

// BenchmarkPropose looks for settings by three wishes in all built-in trials: met, not met, and with odds.
func BenchmarkPropose(b *testing.B) {
	for _, k := range []struct {
		name, boat string
		wishes     []string
	}{
		{"met", "petrel", []string{"speed >= 9 km/h", "endurance >= 2.5 h", "rise-time <= 2 s"}},
		{"not met", "petrel", []string{"speed >= 10 km/h", "endurance >= 2.6 h", "stopping <= 10 m"}},
		{"odds met", "bracken", []string{"rise-time <= 1 s", "stopping <= 25 m", "odds >= 95 %"}},
		{"odds not met", "bracken", []string{"speed >= 11.5 km/h", "distance >= 10.3 km", "odds >= 90 %"}},
	} {
		b.Run(k.name, func(b *testing.B) {
			boat, s := benchtest.Boat(b, k.boat)
			wishes, err := study.ParseWishes(k.wishes)
			require.NoError(b, err)
			trials := builtin(b, trial.Names()...)
			before := cpu(b)
			for b.Loop() {
				p, err := study.FindProposal(b.Context(), variant.Of(boat, s), wishes, trials, study.ProposeOptions{Seed: 1})
				require.NoError(b, err)
				b.ReportMetric(float64(p.Runs), "runs")
			}
			b.ReportMetric((cpu(b)-before)/float64(b.N), "cpu-s/op")
		})
	}
}
