package choose

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/trial"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

// KellerArea is the least expanded area ratio of a propeller that keeps cavitation off: Keller 1966, (1.3 + 0.3·Z)·T/((p0 − pv)·D²) + k,
// k = 0.2 for a single screw; as the handbooks print it, from memory. Thrust N, pressures Pa, diameter m.
func KellerArea(thrust float64, blades int, diameter, pressure, vapour float64) float64 {
	return (1.3+0.3*float64(blades))*thrust/((pressure-vapour)*diameter*diameter) + 0.2
}

// TipSpeed is that of a propeller of a diameter (m) that turns so fast (rad/s), m/s.
func TipSpeed(diameter, speed float64) float64 { return diameter * speed / 2 }

const (
	air      = 101325.0 // Pa
	vapour   = 1706.0   // Pa, of water at 15 °C: steam tables
	gravity  = 9.81
	fastTips = 25.0 // m/s: faster tips of small propellers are noisy and may cavitate (common practice, no source)
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
	tip := TipSpeed(p.Diameter.SI, o.revs)
	depth := p.Diameter.SI // the shaft so deep below the water: common practice, no source
	need := KellerArea(o.thrust, p.Blades, p.Diameter.SI, air+1025*gravity*depth, vapour)
	words := "no cavitation by Keller"
	if need > p.AreaRatio.SI {
		words = fmt.Sprintf("may cavitate: area ratio %.2g wanted", need)
	}
	if tip > fastTips {
		words += ", fast tips"
	}
	return []string{shown(o.speed, "km/h"), "motor " + shown(o.amps, "A"), "battery " + quantity.FormatAuto(o.watts, "W"), "tip " + shown(tip, "m/s"), words}
}

// weigh judges propellers or gears: clear in the hardest trials, as fast as was asked, and of those the one with the least power from the bank.
func (s *search) weigh(ctx context.Context, c *Choice, list []candidate) (*Choice, error) {
	full, err := s.full()
	if err != nil {
		return nil, err
	}
	trials := append([]*trial.Trial{full}, slices.DeleteFunc(s.hardest(3), func(t *trial.Trial) bool { return t.Name == full.Name })...)
	var runs []variant.Variant
	var of []int
	for i := range list {
		if k := &list[i]; k.err != nil {
			k.Why = append(k.Why, k.err.Error())
		} else {
			runs, of = append(runs, k.v), append(of, i)
		}
	}
	judged, err := run(ctx, runs, trials)
	if err != nil {
		return nil, err
	}
	asked, watts := s.o.Speed, make([]float64, len(list))
	for n, i := range of {
		k := &list[i]
		o := outcomeOf(k.v, judged[n][0].Run)
		if k.Present && asked == 0 {
			asked = 0.98 * o.speed
			c.Asks = append(c.Asks, fmt.Sprintf("gives 98 %% of the speed that the boat makes now, %s; --speed asks for another", shown(o.speed, "km/h")))
		}
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
	already := s.already()
	for _, text := range slices.Sorted(maps.Keys(already)) {
		c.Notes = append(c.Notes, "over already, whatever is chosen here: "+text)
	}
	for c.Chosen = -1; ; {
		best := -1
		for i := range list {
			if list[i].Fits && (best < 0 || watts[i] < watts[best]) {
				best = i
			}
		}
		if best < 0 {
			break
		}
		k := &list[best] // certain in all trials, not the hardest alone
		all, err := run(ctx, []variant.Variant{k.v}, s.trials)
		if err != nil {
			return nil, err
		}
		k.Why = append(k.Why, k.looked(all[0], nil)...)
		for _, f := range verdict.Static(k.v.Boat, k.v.Settings) {
			if f.Level == verdict.Over && !already[f.Text] {
				k.Why = append(k.Why, f.Text)
			}
		}
		if k.Fits = len(k.Why) == 0; k.Fits {
			c.Chosen = best
			break
		}
	}
	for i := range list {
		c.Sizes = append(c.Sizes, list[i].Size)
	}
	for _, t := range s.trials {
		c.Trials = append(c.Trials, t.Name)
	}
	c.Notes = append(c.Notes, "figures after two minutes at full lever in full-throttle; chosen is the one that does with the least power from the bank",
		fmt.Sprintf("tips faster than %s and cavitation are told, not judged: of a small boat's propeller too little is known", shown(fastTips, "m/s")))
	return c, nil
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
	for d := -1; d <= 1; d++ {
		for n := -3; n <= 3; n++ {
			diameter, pitch := p.Diameter.SI+float64(d)*step, p.Pitch.SI+float64(n)*step
			if pitch/diameter < 0.5 || pitch/diameter > 1.4 {
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
	ratios := []float64{1, 1.12, 1.25, 1.4, 1.6, 1.8, 2, 2.24, 2.5, 2.8, 3.15, 3.55, 4} // R20 of ISO 3
	if !slices.Contains(ratios, now) {
		ratios = append(ratios, now)
		slices.Sort(ratios)
	}
	for _, r := range ratios {
		if r < now/2.3 || r > now*2.3 {
			continue
		}
		k := s.put(fmt.Sprintf("%.3g:1", r), "preferred numbers R20 of ISO 3; friction and efficiency of the gear as in the boat file; "+waterSource, fmt.Sprintf("shaft.gear_ratio=%g", r))
		k.Present = r == now
		list = append(list, k)
	}
	return s.weigh(ctx, c, list)
}

// BurrillArea is the expanded area ratio that keeps the thrust per projected area at τ of Burrill's chart: thrust N, speed of advance m/s,
// revolutions 1/s, diameter m, water density kg/m³. Projected over expanded area is 1.067 − 0.229·P/D (Taylor).
func BurrillArea(thrust, advance, revolutions, diameter, pitchRatio, density, tau float64) float64 {
	tip := 0.7 * math.Pi * revolutions * diameter
	q := density / 2 * (advance*advance + tip*tip)
	projected := thrust / (tau * q)
	return projected / (1.067 - 0.229*pitchRatio) / (math.Pi / 4 * diameter * diameter)
}
