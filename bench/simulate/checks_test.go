package simulate

import (
	"context"
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
		res, err := in.Integrate(context.Background(), r, 0, 60, y, nil, ode.Options{RelTol: 1e-6, AbsTol: m.Tolerances(1e-6)}, nil)
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
