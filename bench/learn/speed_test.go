package learn

import (
	"slices"
	"testing"

	"quaybench/bench/learn/learntest"
	"quaybench/bench/record"
)

// telemetry is half an hour of the reference petrel at 10 Hz, five channels.
func telemetry(o *learntest.Outing) {
	o.Every = 0.1
	o.Traces = []string{record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, "heat sink"}
}

// BenchmarkCompare is `quaybench compare` without reading the file: 0.5 s of processor time were asked for.
func BenchmarkCompare(b *testing.B) {
	petrel, s := petrel(b)
	rec := outing(b, telemetry)
	for b.Loop() {
		if _, err := Compare(b.Context(), petrel, s, rec); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkLearnFive fits five values to half an hour at 10 Hz, which was to take less than 2 s on two cores; BenchmarkLearnAll what a user's fit takes.
func BenchmarkLearnFive(b *testing.B) {
	five := []string{"motor.constant", "propeller.measured_power", "battery.resistance", "motor.friction_torque", "hull.speed_power"}
	benchmarkLearn(b, func(u Unknown) bool { return slices.Contains(five, u.Key) })
}

func BenchmarkLearnAll(b *testing.B) { benchmarkLearn(b, func(Unknown) bool { return true }) }

func benchmarkLearn(b *testing.B, take func(Unknown) bool) {
	petrel, s := petrel(b)
	rec := outing(b, telemetry)
	for b.Loop() {
		p, err := newProblem(petrel, s, []*Record{rec})
		if err != nil {
			b.Fatal(err)
		}
		p.values = slices.DeleteFunc(p.values, func(u Unknown) bool { return !take(u) })
		p.size()
		if _, err := p.fit(b.Context()); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(p.runs), "runs/op")
	}
}
