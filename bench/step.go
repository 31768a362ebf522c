package bench

import (
	"context"
	"fmt"
	"math"

	"quaybench/bench/boat"
	"quaybench/bench/link"
	"quaybench/bench/measure"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/simulate"
	"quaybench/bench/study"
	"quaybench/bench/trial"
	"quaybench/bench/verdict"
)

// StepOptions says how a step test is run.
type StepOptions struct {
	Draws    int // over the tolerances, for the predicted band; 0: 200
	Seed     uint64
	Rate     float64 // samples per second; 0: 20
	Progress func(done, all int)
}

// Prediction is what a step test is expected to show: the simulation, and a band for each channel from 0.5 to 99.5 % of the
// draws over the boat file's tolerances, the instrument's error added on either side.
type Prediction struct {
	Run      *record.Run
	Verdict  verdict.Trial
	Channels []PredictedChannel
	Draws    int
	boats    []*boat.Boat
}

// PredictedChannel is the band of one channel over time.
type PredictedChannel struct {
	Channel   string
	Unit      string
	Time      []float64
	Low, High []float64
	Error     float64 // of the instrument, SI, included in the band
}

// At is the band around t: the widest within a moment on either side, since a sample may come a little early or late.
func (p *PredictedChannel) At(t float64) (low, high float64) {
	const moment = 0.2 // s
	low, high = math.Inf(1), math.Inf(-1)
	for i, u := range p.Time {
		if u >= t-moment && u <= t+moment {
			low, high = min(low, p.Low[i]), max(high, p.High[i])
		}
	}
	return low, high
}

// channelTraces are the simulated traces behind the channels that a controller measures.
func channelTraces(sensor string) map[string]string {
	m := map[string]string{
		link.Voltage: record.Voltage, link.BatteryCurrent: record.BatteryCurrent, link.MotorCurrent: record.MotorCurrent,
		link.MotorSpeed: record.MotorSpeed, link.Duty: record.Duty, link.Demand: record.DemandTrace, link.BoatSpeed: record.BoatSpeed,
		link.StageTemperature: "heat sink", link.BatteryTemperature: "battery",
	}
	if sensor == "winding" {
		m[link.MotorTemperature] = "winding"
	}
	return m
}

// instrumentError is the error of the instrument behind a channel, SI.
func instrumentError(b *boat.Boat, channel string) float64 {
	i := &b.Instruments
	switch channel {
	case link.Voltage:
		return i.Voltage.SI
	case link.BatteryCurrent:
		return i.BatteryCurrent.SI
	case link.MotorCurrent:
		return i.MotorCurrent.SI
	case link.MotorSpeed:
		return i.Speed.SI
	case link.StageTemperature, link.MotorTemperature, link.BatteryTemperature:
		return i.Temperature.SI
	case link.Duty, link.Demand:
		return 0.02
	}
	return 0
}

// Predict simulates a step test's programme over the tolerances.
func Predict(ctx context.Context, s *Setup, program *trial.Trial, channels []link.Channel, o StepOptions) (*Prediction, error) {
	if o.Draws == 0 {
		o.Draws = 200
	}
	run, err := simulate.Run(ctx, s.Boat, s.Settings, program, simulate.Options{})
	if err != nil {
		return nil, err
	}
	p := &Prediction{Run: run, Draws: o.Draws}
	if p.Verdict, err = verdict.Judge(run); err != nil {
		return nil, err
	}
	p.boats = study.Draws(s.Boat, o.Draws, o.Seed)
	runs, err := study.Simulate(ctx, p.boats, s.Settings, program, o.Progress)
	if err != nil {
		return nil, err
	}
	runs = append(runs, run)
	rate := o.Rate
	if rate == 0 {
		rate = 20
	}
	names := channelTraces(s.Settings.Derating.Sensor)
	for _, c := range channels {
		name, ok := names[c.Name]
		if !ok {
			continue
		}
		band := PredictedChannel{Channel: c.Name, Unit: c.Unit, Error: instrumentError(s.Boat, c.Name)}
		for t := 0.0; t <= program.Duration; t += 1 / rate {
			low, high := study.Quantiles(runs, name, t, 0.005, 0.995)
			band.Time = append(band.Time, t)
			band.Low, band.High = append(band.Low, low-band.Error), append(band.High, high+band.Error)
		}
		p.Channels = append(p.Channels, band)
	}
	return p, nil
}

// Watch is what measure.Options.Watch wants: it says what lies outside the band.
func (p *Prediction) Watch(channels []link.Channel) func(measure.Sample) string {
	at := map[string]int{}
	for i, c := range channels {
		at[c.Name] = i
	}
	return func(s measure.Sample) string {
		for i := range p.Channels {
			c := &p.Channels[i]
			k, ok := at[c.Channel]
			if !ok {
				continue
			}
			low, high := c.At(s.At)
			if v := s.Values[k]; v < low || v > high {
				show := func(x float64) string { return quantity.Format(x, orOne(c.Unit), 3) }
				return fmt.Sprintf("%s is %s, predicted %s to %s", c.Channel, show(v), show(low), show(high))
			}
		}
		return ""
	}
}

func orOne(unit string) string {
	if unit == "" {
		return "1"
	}
	return unit
}

// HardLimits are the bounds that stop a step test at once, from the makers' limits in the boat file, for the channels
// that are measured.
func HardLimits(s *Setup, channels []link.Channel) []measure.Bound {
	b := s.Boat
	inf := math.Inf(1)
	all := []measure.Bound{
		{Channel: link.MotorCurrent, Low: -b.Stage.Current.SI, High: b.Stage.Current.SI, Why: "beyond the controller's rating (motor current)"},
		{Channel: link.MotorSpeed, Low: -b.Motor.SpeedLimit.SI, High: b.Motor.SpeedLimit.SI, Why: "beyond the motor's highest speed"},
		{Channel: link.StageTemperature, Low: 0, High: b.Stage.SinkLimit.SI, Why: "the heat sink is at its limit"},
		{Channel: link.BatteryTemperature, Low: 0, High: b.Battery.TemperatureLimit.SI, Why: "the battery is at its limit"},
		{Channel: link.MotorTemperature, Low: 0, High: windingLimit(b), Why: "the motor is at its limit"},
	}
	volts := measure.Bound{Channel: link.Voltage, Low: 0, High: b.Stage.VoltageLimit.SI, Why: "outside what cells and controller bear"}
	if b.Battery.CellLowest.Given {
		volts.Low = b.Battery.CellLowest.SI * float64(b.Battery.Cells)
	}
	all = append(all, volts)
	if m := b.Battery.Management; m != nil {
		all = append(all, measure.Bound{Channel: link.BatteryCurrent, Low: -m.ChargeCurrent.SI, High: m.DischargeCurrent.SI, Why: "beyond what the battery's management bears (battery current)"})
	} else {
		all = append(all, measure.Bound{Channel: link.BatteryCurrent, Low: -inf, High: b.Fuse.Rating.SI, Why: "beyond the fuse's rating (battery current)"})
	}
	var out []measure.Bound
	for _, k := range all {
		for _, c := range channels {
			if c.Name == k.Channel {
				out = append(out, k)
			}
		}
	}
	return out
}

func windingLimit(b *boat.Boat) float64 {
	celsius := map[string]float64{"A": 105, "E": 120, "B": 130, "F": 155, "H": 180}[b.Motor.Insulation]
	return b.Motor.WindingLimit.Or(celsius + 273.15)
}

// StepResult is a step test: measured, completed, judged, and compared with its prediction.
type StepResult struct {
	Setup       *Setup
	Prediction  *Prediction
	Measured    *measure.Result
	Run         *record.Run
	Verdict     verdict.Trial
	Differences []record.Difference
}

// Finish completes a measured test, gives what was inferred its band, judges it by the same rules as a simulation and
// lays it over its prediction.
func Finish(ctx context.Context, s *Setup, program *trial.Trial, p *Prediction, measured *measure.Result) (*StepResult, error) {
	r := &StepResult{Setup: s, Prediction: p, Measured: measured}
	run, err := measure.Complete(ctx, s.Boat, s.Settings, program, measured)
	if run == nil {
		return r, err
	}
	run.Provenance.Tool, run.Provenance.Boat = Version, s.BoatHash
	r.Run = run
	if err != nil {
		return r, err
	}
	var others []*record.Run
	for i, b := range p.boats {
		if i == 40 { // enough for a band of what is inferred
			break
		}
		if o, err := measure.Complete(ctx, b, s.Settings, program, measured); err == nil {
			others = append(others, o)
		}
	}
	measure.Spread(run, others, 0.025, 0.975)
	if len(run.Parts) > 0 {
		if r.Verdict, err = verdict.Judge(run); err != nil {
			return r, err
		}
	}
	if len(run.Time) > 1 {
		if r.Differences, err = record.Compare(p.Run, run); err != nil {
			return r, err
		}
	}
	return r, nil
}
