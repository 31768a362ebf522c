package simulate

import (
	"context"
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/drive"
	"quaybench/bench/ode"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
	"quaybench/testdata/checks"
	"quaybench/testdata/reference"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestChecksTrade(t *testing.T) {
	try := func(name, trialName string, change func(*boat.Boat, *settings.Set, *trial.Trial)) *record.Run {
		b, s, err := reference.Boat(name)
		require.NoError(t, err)
		tr, err := trial.Builtin(trialName)
		require.NoError(t, err)
		change(b, &s, tr)
		r, err := Run(context.Background(), b, s, tr, Options{})
		require.NoError(t, err)
		return r
	}
	last := func(r *record.Run, name string) float64 {
		tr, ok := r.Trace(name)
		require.True(t, ok, name)
		return tr.Values[len(tr.Values)-1]
	}
	ahead := func(name string, limit float64) *record.Run { // a steady run at a motor current limit
		return try(name, "full-throttle", func(_ *boat.Boat, s *settings.Set, tr *trial.Trial) {
			tr.Duration = 90
			if limit > 0 {
				s.Limits.MotorCurrent = limit
			}
		})
	}
	shaftPower := func(r *record.Run) float64 { // of a direct or geared shaft, W
		b, _, err := reference.Boat(r.Boat)
		require.NoError(t, err)
		return last(r, record.Torque) * last(r, record.MotorSpeed) / b.Shaft.GearRatio.SI
	}
	speedAt := func() func(power float64) float64 { // petrel's speed at a shaft power, between simulated runs
		var power, speed []float64
		for _, limit := range []float64{70, 85, 100, 115, 130} {
			r := ahead("petrel", limit)
			power, speed = append(power, shaftPower(r)), append(speed, last(r, record.BoatSpeed))
		}
		return func(p float64) float64 {
			for i := 1; i < len(power); i++ {
				if p <= power[i] {
					w := math.Log(p/power[i-1]) / math.Log(power[i]/power[i-1])
					return speed[i-1] * math.Pow(speed[i]/speed[i-1], w)
				}
			}
			t.Fatalf("no run reaches %g W: %v", p, power)
			return 0
		}
	}
	delivered := func(name string) float64 { // to the motor, of what leaves the battery, after a minute at full throttle
		b, s, err := reference.Boat(name)
		require.NoError(t, err)
		m, err := drive.New(b, s, drive.Conditions{Air: 298.15, Water: 288.15})
		require.NoError(t, err)
		r := m.NewRun(func(float64) float64 { return 1 })
		nan := math.NaN()
		y := r.Begin(drive.Start{Charge: 0.9, Winding: nan, Housing: nan, Sink: nan, Battery: nan, Cables: nan, Air: nan})
		r.Mode.Released = true
		var in ode.Integrator
		res, err := in.Solve(context.Background(), ode.Problem{System: r, T1: 60, Y0: y}, ode.Options{RelTol: 1e-6, AbsTol: m.Tolerances(1e-6)})
		require.NoError(t, err)
		p := r.Point(60, res.Y)
		return (p.Torque - p.Drag) * p.Measured.Speed / (p.Terminal * p.BatteryCurrent)
	}
	lengths := func(name string) float64 {
		var length float64
		r := try(name, "crash-stop", func(b *boat.Boat, _ *settings.Set, _ *trial.Trial) { length = b.Hull.WaterlineLength.SI })
		way, _ := r.Trace(record.Distance)
		speed, _ := r.Trace(record.BoatSpeed)
		for i, at := range r.Time {
			if at > 90 && speed.Values[i] <= 0 {
				return (way.Values[i] - r.At(way, 90)) / length
			}
		}
		return math.NaN()
	}
	checks.Run(t, "trade", map[string]func() float64{
		"TR-01":  func() float64 { at := speedAt(); return 10 * at(1800) / at(2800) },
		"TR-02":  func() float64 { return delivered("petrel") },
		"TR-02b": func() float64 { return delivered("bracken") },
		"TR-03": func() float64 {
			for _, f := range datafile.Fields(boat.Boat{}) {
				if f.Key == "charging.power" {
					m := regexp.MustCompile(`([0-9]+) %`).FindStringSubmatch(strings.Join([]string{f.Doc, f.Find}, " "))
					require.NotNil(t, m)
					share, err := strconv.ParseFloat(m[1], 64)
					require.NoError(t, err)
					return share
				}
			}
			return math.NaN()
		},
		"TR-04": func() float64 {
			r := try("petrel", "locked-shaft", func(_ *boat.Boat, _ *settings.Set, tr *trial.Trial) { tr.Duration = 5.5 })
			return 100 * last(r, record.BatteryCurrent) / last(r, record.MotorCurrent)
		},
		"TR-05":  func() float64 { return lengths("petrel") },
		"TR-05b": func() float64 { return lengths("bracken") },
	})
}

// TestChecksWholeDrive compares with SciPy's solution of the same physics written down a second time, in Python, from the
// boat files' numbers (testdata/reference/drive). Every temperature within 0.1 K, every current within 0.5 % of its peak,
// every event within 0.1 s.
func TestChecksWholeDrive(t *testing.T) {
	for _, run := range []struct{ boat, trial string }{
		{"petrel", "crash-stop"}, {"petrel", "harbour"}, {"bracken", "crash-stop"}, {"bracken", "full-throttle"}, {"bracken", "locked-shaft"},
		{"bracken", "low-battery"}, {"petrel strained", "full-throttle"},
	} {
		name := strings.ReplaceAll(run.boat, " ", "-") + "-" + run.trial
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, err := reference.ReadGolden("drive", name)
			require.NoError(t, err)
			b, s, err := reference.Boat(run.boat)
			require.NoError(t, err)
			tr, err := reference.Trial(run.trial)
			require.NoError(t, err)
			// A record holds a few instants of each step and straight lines between them: the traces are compared where
			// the steps are short, the events as a user sees them too.
			got, err := Run(context.Background(), b, s, tr, Options{RelTol: 1e-6})
			require.NoError(t, err)
			compare(t, got, want)
			got, err = Run(context.Background(), b, s, tr, Options{})
			require.NoError(t, err)
			compareEvents(t, got, want)
		})
	}
}

// allowed is how far a trace may be from the reference, SI; of a share of the trace's own peak where share is set.
var allowed = []struct {
	trace  string
	within float64
	share  bool
}{
	{record.MotorCurrent, 0.005, true}, {record.BatteryCurrent, 0.005, true}, {record.Voltage, 0.05, false}, {record.Duty, 0.005, false},
	{record.MotorSpeed, 0.005, true}, {record.BoatSpeed, 0.005, false}, {record.Distance, 0.001, true}, {record.Thrust, 0.01, true},
	{record.Charge, 1e-4, false}, {record.DemandTrace, 0.005, false}, {"fuse", 0.005, false},
}

func compare(t *testing.T, got *record.Run, want reference.Golden) {
	t.Helper()
	worst := func(name string, kelvin float64) (difference, at, peak float64) {
		tr, ok := got.Trace(name)
		require.True(t, ok, "no trace %q", name)
		for i, x := range want.Columns[name] {
			now := want.Columns["time"][i]
			if name == record.Duty && math.Abs(want.Columns[record.MotorCurrent][i]) < 0.5 {
				continue // without current the tool says 0, whatever the bridge does
			}
			peak = max(peak, math.Abs(x))
			if d := math.Abs(got.At(tr, now) - x - kelvin); d > difference || math.IsNaN(d) {
				difference, at = d, now
			}
		}
		return difference, at, peak
	}
	var b strings.Builder
	seen := map[string]bool{"time": true}
	for _, a := range allowed {
		seen[a.trace] = true
		d, at, peak := worst(a.trace, 0)
		within := a.within
		if a.share {
			within *= peak
		}
		fmt.Fprintf(&b, "\n%-26s peak %9.4g  worst %9.3g of %9.3g at %7.2f s", a.trace, peak, d, within, at)
		assert.LessOrEqual(t, d, within, "%s at %g s", a.trace, at)
	}
	for name := range want.Columns {
		if seen[name] || name == record.Torque || name == record.Derating {
			continue
		}
		d, at, peak := worst(name, 273.15)
		fmt.Fprintf(&b, "\n%-26s peak %9.4g °C worst %8.3g K at %7.2f s", name, peak, d, at)
		assert.LessOrEqual(t, d, 0.1, "%s at %g s", name, at)
	}
	t.Log(b.String())
	compareEvents(t, got, want)
}

func compareEvents(t *testing.T, got *record.Run, want reference.Golden) {
	t.Helper()
	for device, at := range want.Events {
		found := math.NaN()
		for _, e := range got.Events {
			if e.Device == device {
				found = e.At
				break
			}
		}
		t.Logf("%s at %.4f s, %.2g s off", device, at, found-at)
		assert.InDelta(t, at, found, 0.1, device)
	}
}
