package learn

import (
	"context"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/simulate"
	"quaybench/bench/trial"
)

// petrel returns the frozen reference boat.
func petrel(t testing.TB) (*boat.Boat, settings.Set) {
	t.Helper()
	const home = "../../testdata/reference/boats/petrel/"
	text, err := os.ReadFile(home + "boat.toml")
	require.NoError(t, err)
	b, _, err := boat.Read("boat.toml", text)
	require.NoError(t, err)
	text, err = os.ReadFile(home + "settings.toml")
	require.NoError(t, err)
	s, _, err := settings.Read("settings.toml", text)
	require.NoError(t, err)
	return b, s
}

// halfHour is half an hour with ten movements of the lever.
func halfHour() *trial.Trial {
	t, err := trial.Builtin("two-hour-outing")
	if err != nil {
		panic(err)
	}
	c := *t
	c.Name, c.Duration, c.Throttle = "half an hour", 1800, nil
	for _, s := range [][3]float64{{2, .35, 3}, {150, .6, 3}, {390, .8, 3}, {630, 1, 3}, {780, .5, 3}, {1020, .9, 3}, {1290, 0, 2}, {1380, .7, 3}, {1620, .4, 3}, {1740, 0, 2}} {
		c.Throttle = append(c.Throttle, trial.Step{At: s[0], To: s[1], Over: s[2]})
	}
	return &c
}

// sampling is a kind of record.
type sampling struct {
	name    string
	typed   bool
	timing  float64 // standard deviation of a row's own time, s
	corners float64 // of a corner's time, s
	times   map[string][]float64
	order   []string
}

// samplings returns the three kinds of record of the coverage runs.
func samplings(t *trial.Trial) []sampling {
	spread := func(n int) (at []float64) { // through the outing, a while after the last movement
		for i := range n {
			x := t.Duration * (float64(i) + 0.7) / float64(n)
			for {
				near := false
				for _, s := range t.Throttle {
					near = near || x >= s.At-0.8 && x < s.At+20
				}
				if !near {
					break
				}
				x += 5
			}
			at = append(at, x)
		}
		return at
	}
	var tenth []float64
	for i := range int(t.Duration*10) - 5 {
		tenth = append(tenth, float64(i+1)/10)
	}
	same := func(at []float64, of ...string) sampling {
		s := sampling{times: map[string][]float64{}, order: of}
		for _, o := range of {
			s.times[o] = at
		}
		return s
	}
	a := same(tenth, record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.MotorSpeed, "stage_temperature")
	a.name, a.timing, a.corners = "10 Hz", 0.02, 0.3
	b := same(spread(30), record.Voltage, record.BatteryCurrent, record.MotorCurrent, record.BoatSpeed)
	b.name, b.typed, b.timing = "30 rows", true, 3
	c := same(spread(12), record.Voltage, record.BatteryCurrent, record.BoatSpeed, "motor housing")
	c.name, c.typed, c.timing = "12 rows + 2", true, 3
	c.times["motor housing"] = []float64{1010, 1785}
	return []sampling{a, b, c}
}

// wrong is a truth that the model does not hold.
type wrong struct {
	name  string
	cause string // the directed test that names it
	model func(*drive.Model)
	trial func(*trial.Trial)
	boat  func(*boat.Boat)
}

var wrongs = []wrong{
	{name: "right"},
	{name: "brush", cause: brushRises, model: func(m *drive.Model) { m.SetBrushSlope(1) }},
	{name: "hull", cause: hullSteeper, boat: func(b *boat.Boat) {
		steeper(b, 1.25)
	}},
	{name: "cooling", cause: coolingBlocked, trial: func(t *trial.Trial) { t.CoolingLostFrom = 700 }},
}

// campaign is a drawn truth with what its meters showed.
type campaign struct {
	truth  map[string]float64 // coordinate by name of a value
	charge float64
	boat   *boat.Boat // the true one
	run    *record.Run
	rng    *rand.Rand
	trial  *trial.Trial     // as asked for
	true_  *trial.Trial     // as done
	drawn  map[string]noise // what each channel of the last show strayed by
}

// draw makes a campaign: a boat drawn from the tolerances, and an outing of it.
func draw(t testing.TB, b *boat.Boat, s settings.Set, w wrong, seed uint64, number int, corner float64) *campaign {
	t.Helper()
	filled := drive.Filled(b)
	all := drive.Unknowns(filled)
	rng := rand.New(rand.NewPCG(seed, uint64(number)))
	start := *filled
	if w.boat != nil {
		w.boat(&start)
	}
	for {
		c := &campaign{truth: map[string]float64{}, rng: rng, trial: halfHour()}
		z := make([]float64, len(all)+1)
		for i := range z {
			z[i] = max(-3, min(3, rng.NormFloat64()))
			if i < len(all) {
				c.truth[all[i].Key] = z[i]
			}
		}
		c.charge = z[len(all)]
		c.boat = drive.Place(&start, all, z[:len(all)])
		if c.sail(s, w, corner) {
			return c
		}
	}
}

// sail makes an outing of the drawn boat: each corner mis-timed, the propeller's load wandering. It reports whether the boat came to its end.
func (c *campaign) sail(s settings.Set, w wrong, corner float64) bool {
	done := *c.trial
	done.Throttle = slices.Clone(c.trial.Throttle)
	for i := range done.Throttle {
		done.Throttle[i].At = max(0.5, done.Throttle[i].At+corner*c.rng.NormFloat64())
	}
	if w.trial != nil {
		w.trial(&done)
	}
	done.Charge = charge(&done, c.charge)
	var size, speed, phase [8]float64
	for k := range size {
		size[k] = 0.015 * math.Exp(0.3*c.rng.NormFloat64())
		speed[k] = 2 * math.Pi / (20 * math.Pow(20, c.rng.Float64()))
		phase[k] = 2 * math.Pi * c.rng.Float64()
	}
	model := func(m *drive.Model) {
		if w.model != nil {
			w.model(m)
		}
		m.Sea = func(t float64) float64 {
			f := 1.0
			for k := range size {
				f += size[k] * math.Sin(speed[k]*t+phase[k])
			}
			return f
		}
	}
	c.true_ = &done
	run, err := simulate.Run(context.Background(), c.boat, s, &done, simulate.Options{At: grid(&done), Model: model, Check: noCheck})
	c.run = run
	return err == nil && run.Time[len(run.Time)-1] > c.trial.Duration-1
}

// instrument is what a simulated meter errs by: white, offset, gain, slow.
type instrument struct {
	trace                     string
	white, offset, gain, slow float64
}

var instruments_ = map[string]instrument{
	record.Voltage:        {record.Voltage, 0.05, 0.15, 0.003, 0.05},
	record.BatteryCurrent: {record.BatteryCurrent, 0.8, 1.0, 0.01, 0.4},
	record.MotorCurrent:   {record.MotorCurrent, 1.0, 1.5, 0.01, 0.5},
	record.MotorSpeed:     {record.MotorSpeed, 0.8, 0.3, 0.003, 0.5},
	record.BoatSpeed:      {record.BoatSpeed, 0.05, 0.15, 0.01, 0.025},
	"stage_temperature":   {"heat sink", 0.3, 1.5, 0, 0.25},
	"motor housing":       {"motor housing", 2.0, 2.0, 0, 0.5},
	"switch stud":         {"switch stud", 1.0, 2.0, 0, 0.5},
}

// meters returns the boat file's words for those instruments: half-widths of two standard deviations.
func meters(b *boat.Boat) *boat.Boat {
	c := *b
	c.Instruments.Voltage.SI, c.Instruments.BatteryCurrent.SI, c.Instruments.MotorCurrent.SI = 0.3, 2, 3
	c.Instruments.Speed.SI, c.Instruments.Temperature.SI = 0.6, 3
	return &c
}

// show draws what the meters show of a campaign; one of them, biased, errs by half as much again.
func (c *campaign) show(s sampling) *Record {
	out := &record.Run{Boat: "petrel", Trial: c.trial.Name}
	biased := c.rng.IntN(len(s.order))
	c.drawn = map[string]noise{}
	seen := map[float64]bool{}
	for _, name := range s.order {
		for _, t := range s.times[name] {
			seen[t] = true
		}
	}
	for t := range seen {
		out.Time = append(out.Time, t)
	}
	slices.Sort(out.Time)
	lever := record.Trace{Name: record.Lever, Unit: "%"}
	for _, t := range out.Time {
		lever.Values = append(lever.Values, c.trial.Lever(t)(t))
	}
	out.Traces = append(out.Traces, lever)
	for k, name := range s.order {
		m := instruments_[name]
		tr, _ := c.run.Trace(m.trace)
		at := s.times[name]
		pure := read(c.run.Time, tr.Values, at)
		offset, gain := m.offset*c.rng.NormFloat64(), m.gain*c.rng.NormFloat64()
		if k == biased {
			offset, gain = offset*1.5, gain*1.5
		}
		slow, tau := m.slow*math.Exp(0.4*c.rng.NormFloat64()), 20*math.Pow(10, c.rng.Float64())
		c.drawn[name] = noise{white: m.white, slow: slow, tau: tau}
		x, last := slow*c.rng.NormFloat64(), 0.0
		values := make([]float64, len(out.Time))
		for i := range values {
			values[i] = math.NaN()
		}
		for i, t := range at {
			phi := math.Exp(-(t - last) / tau)
			last = t
			x = phi*x + slow*math.Sqrt(1-phi*phi)*c.rng.NormFloat64()
			v := pure[i]
			if s.typed && i > 0 { // read a little earlier or later
				v = read(c.run.Time, tr.Values, []float64{t + s.timing*c.rng.NormFloat64()})[0]
			}
			v = v*(1+gain) + offset + x + m.white*c.rng.NormFloat64()
			if c.rng.Float64() < 0.03 {
				v += math.Copysign((5+25*c.rng.Float64())*m.white, c.rng.NormFloat64())
			}
			place, _ := slices.BinarySearch(out.Time, t)
			values[place] = v
		}
		gaps := len(at) < len(out.Time)
		out.Traces = append(out.Traces, record.Trace{Name: name, Unit: "1", Values: values, Gaps: gaps})
	}
	return &Record{Name: s.name, Run: out, Trial: c.trial}
}

// peaks returns the highest temperatures of winding and heat sink of a boat in the built-in hot day, K.
func peaks(t testing.TB, b *boat.Boat, s settings.Set) (out [2]float64) {
	hot, err := trial.Builtin("hot-day")
	require.NoError(t, err)
	run, err := simulate.Run(context.Background(), b, s, hot, simulate.Options{Check: noCheck})
	if err != nil {
		return [2]float64{math.NaN(), math.NaN()}
	}
	for i, name := range []string{"winding", "heat sink"} {
		tr, _ := run.Trace(name)
		out[i] = slices.Max(tr.Values)
	}
	return out
}
