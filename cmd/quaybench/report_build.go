package main

import (
	"fmt"
	"math"

	"quaybench/bench"
	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/report"
	"quaybench/bench/settings"
	"quaybench/bench/thermal"
	"quaybench/bench/trial"
)

// paperOf is a report on a boat, without what only the command line knows.
func paperOf(setup *bench.Setup, proposal *settings.Set, result report.Result) *report.Paper {
	return &report.Paper{
		Boat: setup.Boat, Settings: setup.Settings, Proposal: proposal, Curves: curvesOf(setup.Boat), Result: result, Caution: bench.Caution,
		Made: report.Made{Tool: bench.Version, BoatFile: setup.BoatFile, BoatHash: setup.BoatHash, SettingsFile: setup.SettingsFile},
	}
}

func triedResult(t *bench.Tried) *report.Tried {
	return &report.Tried{Present: t.Present, Proposed: t.Proposed, Change: t.Change}
}

func stepResult(r *bench.StepResult) *report.Step {
	out := &report.Step{
		Measured: r.Run, Verdict: r.Verdict, Predicted: r.Prediction.Run, Draws: r.Prediction.Draws, Differences: r.Differences,
		Finished: r.Measured.Stop.Reason == measure.Finished, Ended: r.Measured.Stop.Text, EndedAt: r.Measured.Stop.At,
	}
	// What a controller calls its readings, and what a record calls them.
	names := map[string]string{
		link.Voltage: record.Voltage, link.BatteryCurrent: record.BatteryCurrent, link.MotorCurrent: record.MotorCurrent,
		link.MotorSpeed: record.MotorSpeed, link.Duty: record.Duty, link.Demand: record.DemandTrace, link.BoatSpeed: record.BoatSpeed,
	}
	parts := map[string]string{link.StageTemperature: "heat sink", link.MotorTemperature: "winding", link.BatteryTemperature: "battery"}
	for i := range r.Prediction.Channels {
		c := &r.Prediction.Channels[i]
		b := report.PredictedBand{Trace: c.Channel, Predicted: c.Channel}
		if name, ok := names[c.Channel]; ok {
			b.Trace, b.Predicted = name, name
		}
		if name, ok := parts[c.Channel]; ok {
			b.Predicted = name
		}
		for _, at := range r.Run.Time { // as the test held it, sample by sample
			low, high := c.At(at)
			b.Low, b.High = append(b.Low, low), append(b.High, high)
		}
		out.Bands = append(out.Bands, b)
	}
	return out
}

func highestResult(h *bench.HighestResult) *report.Highest {
	return &report.Highest{Highest: h.Highest, Trials: h.Trials, Odds: h.Odds, Draws: h.Draws}
}

// frontResult is a front judged in the trials; none: all built-in ones.
func frontResult(f *bench.FrontResult, trials []*trial.Trial) *report.Front {
	out := &report.Front{Front: f.Front}
	for _, t := range trials {
		out.Trials = append(out.Trials, t.Name)
	}
	if trials == nil {
		out.Trials = trial.Names()
	}
	return out
}

func envelopeResult(e *bench.EnvelopeResult) *report.Envelope {
	return &report.Envelope{Envelope: e.Envelope, Air: e.Air, Note: e.Note}
}

func oddsResult(o *bench.OddsResult, seed uint64) *report.Odds {
	return &report.Odds{Odds: o.Odds, Trials: o.Trials, Seed: seed}
}

// curvesOf are the time-current curves of a boat's fuse and cables, for currents up to twenty times the fuse's rating.
func curvesOf(b *boat.Boat) (out []report.Curve) {
	if fastest, slowest, err := drive.FuseCurves(&b.Fuse); err == nil {
		for _, k := range []struct {
			name string
			m    thermal.FuseModel
		}{{"fuse, fastest", fastest}, {"fuse, slowest", slowest}} {
			c := report.Curve{Name: k.name, Circuit: "battery", Fuse: true}
			for _, i := range currents(k.m.LeastMeltingCurrent(), 20*b.Fuse.Rating.SI) {
				c.Current, c.Time = append(c.Current, i), append(c.Time, k.m.MeltTime(i).Time)
			}
			out = append(out, c)
		}
	}
	for i := range b.Cables {
		k := &b.Cables[i]
		heat, err := drive.CableHeat(k)
		if err != nil {
			continue
		}
		c := report.Curve{Name: fmt.Sprintf("%s to %.0f °C", k.Name, k.Rated.SI-273.15), Circuit: k.Circuit}
		bears := func(amps float64) float64 { return cableTime(heat, amps, k.Rated.SI-k.AmpacityAt.SI, k.AmpacityAt.SI) }
		least := 1.0
		for math.IsInf(bears(least), 1) && least < 1e5 {
			least *= 1.02
		}
		for _, amps := range currents(least, 20*b.Fuse.Rating.SI) {
			c.Current, c.Time = append(c.Current, amps), append(c.Time, bears(amps))
		}
		out = append(out, c)
	}
	return out
}

// cableTime is how long a cable bears a current (A) from air temperature (K) until it has risen so far (K): one node whose
// loss rises with its temperature, C·dθ/dt = I²·R·(1 + α·θ) − θ/Rth, with θ the rise; +Inf if for ever.
func cableTime(c drive.Cable, amps, rise, air float64) float64 {
	atAir := amps * amps * c.Ohms * thermal.Copper.Ratio(air)
	perKelvin := amps * amps * c.Ohms * thermal.Copper.Coefficient
	// dθ/dt = (atAir − k·θ)/C
	k := 1/c.Resistance - perKelvin
	if atAir-k*rise <= 0 {
		return math.Inf(1)
	}
	if math.Abs(k*rise) < 1e-9*atAir {
		return c.Capacity * rise / atAir
	}
	return -c.Capacity / k * math.Log(1-k*rise/atAir)
}

// currents spreads currents from just above the least one to the highest, evenly on a logarithmic scale.
func currents(least, most float64) (out []float64) {
	const n = 60
	for i := 0; i <= n; i++ {
		out = append(out, least*1.002*math.Pow(most/least, float64(i)/n))
	}
	return out
}
