package choose

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"

	"quaybench/bench/hydro"
	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// kellerArea returns the least expanded area ratio of a propeller that keeps cavitation off: Keller 1966, (1.3 + 0.3·Z)·T/((p0 − pv)·D²) + k,
// k = 0.2 for a single screw; as the handbooks print it, from memory. Thrust N, pressures Pa, diameter m.
func kellerArea(thrust float64, blades int, diameter, pressure, vapour float64) float64 {
	return (1.3+0.3*float64(blades))*thrust/((pressure-vapour)*diameter*diameter) + 0.2
}

// tipSpeed returns that of a propeller of a diameter (m) that turns so fast (rad/s), m/s.
func tipSpeed(diameter, speed float64) float64 { return diameter * speed / 2 }

const (
	air      = 101325.0 // Pa
	vapour   = 1706.0   // Pa, of water at 15 °C: steam tables
	fastTips = 25.0     // m/s: faster tips of small propellers are noisy and may cavitate (common practice, no source)
)

// waterSource is where the figures of a propeller come from.
const waterSource = "Wageningen B-series (Univ. Michigan Report 237, 1981) with the correction found with the measured propeller, thrust and torque within about 15 % (no source); cavitation: Keller 1966, from memory"

// outcome is what a propeller or gear comes to at full lever.
type outcome struct {
	speed, amps, watts, revs, thrust float64
}

// full returns full-throttle, among the trials asked for, or the built-in one.
func (s *search) full() (*trial.Trial, error) {
	if i := slices.IndexFunc(s.trials, func(t *trial.Trial) bool { return t.Name == "full-throttle" }); i >= 0 {
		return s.trials[i], nil
	}
	t, err := trial.Builtin("full-throttle")
	return s.base.Conditions.Of(t), err
}

// outcomeOf returns the outcome of a run of full throttle.
func outcomeOf(v variant.Variant, r *record.Run) (o outcome) {
	last := func(name string) float64 {
		if tr, ok := r.Trace(name); ok && len(r.Time) > 0 {
			return r.At(tr, min(120, r.Time[len(r.Time)-1]))
		}
		return math.NaN()
	}
	if r.Gain.TopSpeed != nil {
		o.speed = *r.Gain.TopSpeed
	}
	o.amps, o.thrust = last(record.MotorCurrent), last(record.Thrust)
	o.watts = last(record.BatteryCurrent) * last(record.Voltage)
	o.revs = last(record.MotorSpeed) / v.Boat.Shaft.GearRatio.SI
	return o
}

// told returns an outcome in words.
func (o outcome) told(v variant.Variant) []string {
	p := &v.Boat.Propeller
	tip := tipSpeed(p.Diameter.SI, o.revs)
	depth := p.Diameter.SI // the shaft so deep below the water: common practice, no source
	need := kellerArea(o.thrust, p.Blades, p.Diameter.SI, air+hydro.SeaWater().Density*hydro.Gravity*depth, vapour)
	words := "no cavitation by Keller"
	if need > p.AreaRatio.SI {
		words = fmt.Sprintf("may cavitate: area ratio %.2g wanted", need)
	}
	if tip > fastTips {
		words += ", fast tips"
	}
	return []string{shown(o.speed, "km/h"), "motor " + shown(o.amps, "A"), "battery " + quantity.FormatAuto(o.watts, "W"), "tip " + shown(tip, "m/s"), words}
}

// weigh judges propellers or gears: clear in the hardest trials, as fast as was asked, and of those the one with the least power from the
// bank. Those that are far are judged where no nearer one does.
func (s *search) weigh(ctx context.Context, c *Choice, list []candidate) (*Choice, error) {
	full, err := s.full()
	if err != nil {
		return nil, err
	}
	asked := s.o.Speed
	if asked == 0 {
		now, err := s.speedNow(ctx, full)
		if err != nil {
			return nil, err
		}
		asked = 0.98 * now
		c.Asks = append(c.Asks, fmt.Sprintf("gives 98 %% of the speed that the boat makes now, %s; --speed asks for another", shown(now, "km/h")))
	}
	already := s.already()
	for _, text := range slices.Sorted(maps.Keys(already)) {
		c.Notes = append(c.Notes, "over already, whatever is chosen here: "+text)
	}
	trials := append([]*trial.Trial{full}, slices.DeleteFunc(s.hardest(3), func(t *trial.Trial) bool { return t.Name == full.Name })...)
	watts := make([]float64, len(list))
	c.Chosen = -1
	for reach := 0; reach <= 1 && c.Chosen < 0; reach++ {
		if err := s.tryInWater(ctx, list, reach == 1, trials, asked, watts); err != nil {
			return nil, err
		}
		if c.Chosen, err = s.leastPower(ctx, list, watts, already); err != nil {
			return nil, err
		}
	}
	for i := range list {
		if i == c.Chosen {
			c.Chosen = len(c.Sizes)
		}
		if list[i].tried {
			c.Sizes = append(c.Sizes, list[i].Size)
		}
	}
	for _, t := range s.trials {
		c.Trials = append(c.Trials, t.Name)
	}
	c.Notes = append(c.Notes, "figures after two minutes at full lever in full-throttle; chosen is the one that does with the least power from the bank",
		fmt.Sprintf("tips faster than %s and cavitation are told, not judged: of a small boat's propeller too little is known", shown(fastTips, "m/s")))
	return c, nil
}

// speedNow returns the top speed of the boat as it is, m/s.
func (s *search) speedNow(ctx context.Context, full *trial.Trial) (float64, error) {
	for i := range s.judged {
		if s.judged[i].Name == full.Name {
			return outcomeOf(s.base, s.judged[i].Run).speed, nil
		}
	}
	judged, err := run(ctx, []variant.Variant{s.base}, []*trial.Trial{full})
	if err != nil {
		return 0, err
	}
	return outcomeOf(s.base, judged[0][0].Run).speed, nil
}

// tryInWater judges the far or the near ones of propellers or gears in trials of which the first is full throttle, and fills in their power
// from the bank, W.
func (s *search) tryInWater(ctx context.Context, list []candidate, far bool, trials []*trial.Trial, asked float64, watts []float64) error {
	var runs []variant.Variant
	var of []int
	for i := range list {
		k := &list[i]
		if k.far != far {
			continue
		}
		k.tried = true
		if k.err != nil {
			k.Why = append(k.Why, k.err.Error())
		} else {
			runs, of = append(runs, k.v), append(of, i)
		}
	}
	judged, err := run(ctx, runs, trials)
	if err != nil {
		return err
	}
	for n, i := range of {
		k := &list[i]
		o := outcomeOf(k.v, judged[n][0].Run)
		k.Costs, watts[i] = o.told(k.v), o.watts
		k.Why = append(k.Why, k.looked(judged[n], nil)...)
		if o.speed < asked {
			k.Why = append(k.Why, "slower than asked")
		}
		k.Fits = len(k.Why) == 0
	}
	return nil
}

// leastPower returns the index of the one with the least power that does in all trials, not in the hardest alone; −1 where none does.
func (s *search) leastPower(ctx context.Context, list []candidate, watts []float64, already map[string]bool) (int, error) {
	for {
		best := -1
		for i := range list {
			if list[i].Fits && (best < 0 || watts[i] < watts[best]) {
				best = i
			}
		}
		if best < 0 {
			return -1, nil
		}
		k := &list[best]
		all, err := run(ctx, []variant.Variant{k.v}, s.trials)
		if err != nil {
			return -1, err
		}
		k.Why = append(k.Why, k.looked(all[0], nil)...)
		for _, f := range verdict.Static(k.v.Boat, k.v.Settings) {
			if f.Level == verdict.Over && !already[f.Text] {
				k.Why = append(k.Why, f.Text)
			}
		}
		if k.Fits = len(k.Why) == 0; k.Fits {
			return best, nil
		}
	}
}

func (s *search) propeller(ctx context.Context) (*Choice, error) {
	p := &s.base.Boat.Propeller
	if !p.Pitch.Given {
		return nil, fmt.Errorf("the boat file gives no propeller.pitch: without it nothing tells another propeller from this one")
	}
	c := &Choice{What: "propeller", Part: "propeller", Asks: []string{fmt.Sprintf("%d blades, area ratio %.2g, now %s by %s of pitch", p.Blades, p.AreaRatio.SI, shown(p.Diameter.SI, "m"), shown(p.Pitch.SI, "m"))}}
	if s.o.Speed > 0 {
		c.Asks = append(c.Asks, "makes "+shown(s.o.Speed, "km/h"))
	}
	const step = 0.0254 // m: propellers are sold by the inch
	var list []candidate
	for d := -2; d <= 2; d++ {
		for n := -6; n <= 6; n++ {
			diameter, pitch := p.Diameter.SI+float64(d)*step, p.Pitch.SI+float64(n)*step
			if (d != 0 || n != 0) && !(diameter > 0 && pitch/diameter >= 0.5 && pitch/diameter <= 1.4) { // of the series, but for the present one
				continue
			}
			var set []string
			if d != 0 {
				set = append(set, fmt.Sprintf("propeller.diameter=%.4g m", diameter))
			}
			if n != 0 {
				set = append(set, fmt.Sprintf("propeller.pitch=%.4g m", pitch))
			}
			k := s.put(fmt.Sprintf("%.0f × %.0f mm", 1000*diameter, 1000*pitch), waterSource, set...)
			k.Present = d == 0 && n == 0
			k.far = max(d, -d) > 1 || max(n, -n) > 3
			list = append(list, k)
		}
	}
	return s.weigh(ctx, c, list)
}

func (s *search) gear(ctx context.Context) (*Choice, error) {
	now := s.base.Boat.Shaft.GearRatio.SI
	c := &Choice{What: "gear", Part: "gear", Asks: []string{fmt.Sprintf("now %.3g motor turns for each of the propeller", now)}}
	if s.o.Speed > 0 {
		c.Asks = append(c.Asks, "makes "+shown(s.o.Speed, "km/h"))
	}
	var list []candidate
	ratios := []float64{1, 1.12, 1.25, 1.4, 1.6, 1.8, 2, 2.24, 2.5, 2.8, 3.15, 3.55, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10} // R20 of ISO 3
	if !slices.Contains(ratios, now) {
		ratios = append(ratios, now)
		slices.Sort(ratios)
	}
	for _, r := range ratios {
		k := s.put(fmt.Sprintf("%.3g:1", r), "preferred numbers R20 of ISO 3; friction and efficiency of the gear as in the boat file; "+waterSource, fmt.Sprintf("shaft.gear_ratio=%g", r))
		k.Present = r == now
		k.far = r < now/2.3 || r > now*2.3
		list = append(list, k)
	}
	return s.weigh(ctx, c, list)
}
