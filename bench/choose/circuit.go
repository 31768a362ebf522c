package choose

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/drive"
	"quaybench/bench/quantity"
	"quaybench/bench/thermal"
	"quaybench/bench/variant"
	"quaybench/bench/verdict"
)

const (
	fromIEC = "section and resistance: IEC 60228 class 5; ampacity: the boat file's, times the smaller ratio of 33 CFR 183.425 table 5 and IEC 60204-1 table 6 (an estimate: the maker's table counts)"
	fromAWG = "section: ASTM B258; ampacity: 33 CFR 183.425 table 5, a borrowed benchmark"
	density = 8960 // kg/m³ of copper: common handbook value
)

// cables chooses each cable, or the one asked for.
func (s *search) cables(ctx context.Context) (out []Choice, err error) {
	for i := range s.base.Boat.Cables {
		if o := s.o.Part; o == "" || o == s.base.Boat.Cables[i].Name {
			c, err := s.cable(ctx, i)
			if err != nil {
				return nil, err
			}
			out = append(out, *c)
		}
	}
	if out == nil {
		return nil, fmt.Errorf("the boat has no cable %q", s.o.Part)
	}
	return out, nil
}

// withPresent returns a rising series with the size that the boat has, where it is of none.
func withPresent(series []float64, present float64) []float64 {
	i := slices.IndexFunc(series, func(x float64) bool { return x > present*(1-1e-3) })
	switch {
	case i < 0:
		return append(slices.Clone(series), present)
	case series[i] < present*(1+1e-3):
		return series
	}
	return slices.Insert(slices.Clone(series), i, present)
}

func (s *search) cable(ctx context.Context, i int) (*Choice, error) {
	cable := &s.base.Boat.Cables[i]
	amps, rules := s.bank, []string{"battery-cable", "fuse-against-cable"}
	limit := s.base.Settings.Limits.BatteryCurrent
	if cable.Circuit == "motor" {
		amps, rules = s.motor, []string{"motor-cable"}
		limit = s.base.Settings.Limits.MotorCurrent
	}
	c := &Choice{What: "cable", Part: cable.Name, Asks: []string{fmt.Sprintf("%s current: the trials bring up to %s, the limit in the settings is %s; %s of conductor out and back, insulation of %s%s",
		cable.Circuit, shown(amps, "A"), shown(limit, "A"), shown(cable.Length.SI, "m"), shown(cable.RatedTemperature.SI, "°C"), space(cable))}}
	key := "cable[" + cable.Name + "]."
	costs := func(v variant.Variant, _ []verdict.Trial) []string {
		k := &v.Boat.Cables[i]
		heat, err := drive.CableHeat(k)
		if err != nil {
			return nil
		}
		ohms := heat.Ohms * thermal.Copper().Ratio(k.RatedTemperature.SI)
		volts := voltageDrop(amps, ohms)
		return []string{fmt.Sprintf("drop %s (%.2g %%)", shown(volts, "V"), 100*volts/nominal(s.base.Boat)), "loss " + shown(amps*volts, "W"), fmt.Sprintf("copper %.2g kg", k.Section.SI*k.Length.SI*density)}
	}
	var list []candidate
	far := func(section float64) bool { return section <= cable.Section.SI/3.2 || section >= 2.6*cable.Section.SI }
	for _, section := range withPresent(thermal.Sections(), cable.Section.SI) {
		k := s.put(quantity.FormatStated(section, "mm²"), fromIEC, key+"section="+fmt.Sprintf("%g mm²", math.Round(section*1e8)/100))
		k.Present = math.Abs(section/cable.Section.SI-1) < 1e-3
		k.costs, k.far = costs, far(section)
		list = append(list, k)
	}
	if err := s.judge(ctx, c, list, rules, []string{cable.Name}); err != nil {
		return nil, err
	}
	list = nil
	for _, gauge := range thermal.Gauges() {
		if amps, ok := thermal.AllowableAmperage(gauge, cable.RatedTemperature.SI); ok {
			section := thermal.AWGSection(gauge)
			k := s.put(thermal.GaugeName(gauge), fromAWG, key+fmt.Sprintf("section=%.5g mm²", 1e6*section), key+fmt.Sprintf("ampacity=%g A", amps), key+"ampacity_at=30 °C")
			k.costs, k.far = costs, far(section)
			list = append(list, k)
		}
	}
	gauges := &Choice{}
	if err := s.judge(ctx, gauges, list, rules, []string{cable.Name}); err != nil {
		return nil, err
	}
	if gauges.Chosen >= 0 {
		c.Notes = append(c.Notes, "of the American wire gauges "+gauges.Sizes[gauges.Chosen].Name+" is the smallest that does")
	}
	c.Sizes = append(c.Sizes, gauges.Sizes...)
	c.Notes = append(c.Notes, "the drop is at the highest current of the trials and the conductor's rated temperature, out and back; 3 % of the battery voltage for what matters is common practice, no source")
	if cable.Circuit == "battery" {
		c.Notes = append(c.Notes, "the fuse protects the battery cable: choose both together (`choose BOAT fuse`)")
	}
	return c, nil
}

func space(c *boat.Cable) string {
	if c.EngineSpace {
		return ", in the engine space"
	}
	return ""
}

// nominal returns the bank's voltage on its label, V.
func nominal(b *boat.Boat) float64 { return float64(b.Battery.Cells) * b.Battery.Cell().Nominal }

// voltageDrop returns the voltage (V) that a current loses in a conductor out and back, by its resistance (Ω): Ohm's law.
func voltageDrop(amps, ohms float64) float64 { return amps * ohms }

// bolted lists vehicle fuse links by class, with direct voltage (V) and breaking capacity (A): ISO 8820-3 and -5, from memory.
var bolted = []struct {
	class    string
	volts    float64
	breaking float64
}{{"blade", 32, 1000}, {"SF30", 32, 2000}, {"SF51", 58, 2000}}

// made lists the ratings in which fuses of a class are made, A.
func made(class string) []float64 {
	c, err := thermal.Class(class)
	if err != nil {
		panic(err) // it is built in
	}
	return c.Made
}

func (s *search) fuse(ctx context.Context) (*Choice, error) {
	b := s.base.Boat
	limit := s.base.Settings.Limits.BatteryCurrent
	c := &Choice{What: "fuse", Part: "fuse", Asks: []string{
		fmt.Sprintf("carries the battery current: up to %s in the trials, %s by the settings", shown(s.bank, "A"), shown(limit, "A")),
		fmt.Sprintf("protects each battery cable over its whole range, breaks the bank's fault current of %s at up to %s direct, and is not used below its least breaking current: the fault current opens a slow one within 5 s", shown(verdict.Prospective(b), "A"), shown(verdict.HighestVoltage(b), "V")),
	}}
	rules := []string{"fuse-against-cable", "fuse-breaking-capacity", "voltage-ratings", "fuse-against-limit"}
	var list []candidate
	add := func(class string, rating float64, source string, more ...string) {
		present := rating == b.Fuse.Rating.SI && class == b.Fuse.Class
		if !present && (rating < limit/2 || rating > 2.6*max(limit, b.Fuse.Rating.SI)) {
			return
		}
		set := append([]string{fmt.Sprintf("fuse.rating=%g A", rating)}, more...)
		if class != b.Fuse.Class {
			if b.Fuse.Class == "" {
				return // the file has points of a curve: only the same make is scaled
			}
			set = append([]string{"fuse.class=" + class}, set...)
		}
		k := s.put(strings.TrimSpace(fmt.Sprintf("%g A %s", rating, class)), source, set...)
		k.Present = present
		k.fails = func(v variant.Variant) []string { return s.leastBreaking(v) }
		k.costs = func(v variant.Variant, _ []verdict.Trial) []string {
			ohms := v.Boat.Fuse.Resistance.Or(0.1 / v.Boat.Fuse.Rating.SI)
			return []string{"loss " + shown(s.bank*s.bank*ohms, "W")}
		}
		list = append(list, k)
	}
	own := "the boat file's make at this rating: voltage and breaking capacity as in the file, curves in proportion (an estimate: the maker's curves count)"
	if b.Fuse.Class == "" {
		for _, r := range made("gG") {
			add("", r, "IEC 60269-1 ratings; "+own)
		}
	}
	for _, r := range made("gG") {
		add("gG", r, "IEC 60269-1 tables 2, 3 and 7 (ratings, gates, conventional currents; from memory); voltage and breaking capacity as in the boat file: the fuse bought must have them")
	}
	for _, f := range bolted {
		for _, r := range made(f.class) {
			add(f.class, r, "ISO 8820 ratings, opening times, voltage and breaking capacity (from memory, confidence medium to low)", fmt.Sprintf("fuse.voltage=%g V", f.volts), fmt.Sprintf("fuse.breaking_capacity=%g A", f.breaking))
		}
	}
	if !slices.ContainsFunc(list, func(k candidate) bool { return k.Present }) { // of no series, or far from the limit; last, since it need not be bought
		add(b.Fuse.Class, b.Fuse.Rating.SI, own)
	}
	if err := s.judge(ctx, c, list, rules, []string{"fuse"}); err != nil {
		return nil, err
	}
	s.withCable(c, list, rules)
	c.Notes = append(c.Notes, "gG, blade and bolt-in links break from their conventional fusing current up: they have no least breaking current within their use; a partial-range link (aR) has one and is not offered",
		"a fuse in warm air carries less than its rating: see fuse.derating_temperature")
	return c, nil
}

// leastBreaking returns why a fuse would be used below its least breaking current, nil where it is not: the bank's fault current does
// not surely open it.
func (s *search) leastBreaking(v variant.Variant) []string {
	_, slowest, err := drive.FuseCurves(&v.Boat.Fuse)
	if err != nil {
		return []string{err.Error()}
	}
	if fault, opens := verdict.Prospective(v.Boat), slowest.MeltCurrent(5); opens > fault {
		return []string{fmt.Sprintf("the bank's fault current of %s does not open a slow one within 5 s: that takes %s", shown(fault, "A"), shown(opens, "A"))}
	}
	return nil
}

// withCable adds, to each fuse that only the battery cables keep from doing, the section of them with which it would do.
func (s *search) withCable(c *Choice, list []candidate, rules []string) {
	for i := range list {
		k := &list[i]
		if k.err != nil || k.Fits || !s.onlyCables(k.v, rules) {
			continue
		}
		for _, section := range thermal.Sections() {
			v, made := k.v, ""
			for n := range v.Boat.Cables {
				cable := &v.Boat.Cables[n]
				if cable.Circuit != "battery" || cable.Section.SI >= section {
					continue
				}
				next, err := v.WithNumber(fmt.Sprintf("cable[%d].section", n), section)
				if err != nil {
					continue
				}
				v, made = next, quantity.FormatStated(section, "mm²")
			}
			if made == "" || v.Problems() != nil {
				continue
			}
			if broken(v, rules...) == nil {
				c.Sizes[i].Why[0] = "needs battery cables of " + made + ": " + c.Sizes[i].Why[0]
				break
			}
		}
	}
}

// onlyCables reports whether the rule of the cable is the only one that is broken.
func (s *search) onlyCables(v variant.Variant, rules []string) bool {
	return broken(v, rules...) != nil && broken(v, rules[1:]...) == nil && len(s.leastBreaking(v)) == 0
}

func (s *search) contactor(ctx context.Context) (*Choice, error) {
	b := s.base.Boat
	c := &Choice{What: "contactor", Part: "contactor", Asks: []string{fmt.Sprintf("carries the battery current: up to %s in the trials, %s by the settings; bears %s direct; opens under the highest battery current and closes on what pre-charge leaves",
		shown(s.bank, "A"), shown(s.base.Settings.Limits.BatteryCurrent, "A"), shown(verdict.HighestVoltage(b), "V"))}}
	var list []candidate
	for _, amps := range withPresent(variant.RatedCurrents(), b.Contactor.Current.SI) {
		k := s.put(quantity.FormatStated(amps, "A"), "IEC 60059 rated currents (from memory); resistance, break and make currents in proportion to the boat file's: an estimate, its data sheet counts", fmt.Sprintf("contactor.current=%g A", amps))
		k.Present = amps == b.Contactor.Current.SI
		k.far = amps < s.bank/3 || amps > 5*max(b.Contactor.Current.SI, s.bank)
		k.fails = func(v variant.Variant) (why []string) {
			if v.Boat.Contactor.BreakCurrent.SI < s.bank {
				why = append(why, fmt.Sprintf("it breaks %s, and %s flows", shown(v.Boat.Contactor.BreakCurrent.SI, "A"), shown(s.bank, "A")))
			}
			return why
		}
		k.costs = func(v variant.Variant, _ []verdict.Trial) []string {
			return []string{"loss " + shown(s.bank*s.bank*v.Boat.Contactor.Resistance.SI+v.Boat.Contactor.CoilPower.SI, "W")}
		}
		list = append(list, k)
	}
	if p := b.Precharge; p != nil { // a resistor that is too weak is not the contactor's fault: it is told, and set right for these rows
		if joules, _, _ := prechargePulse(1, b.Stage.Capacitance.SI, verdict.HighestVoltage(b), 0.95); p.PulseEnergy.SI < joules {
			c.Notes = append(c.Notes, fmt.Sprintf("over already, whatever is chosen here: one pre-charge puts %s into its resistor, which bears %s", shown(joules, "J"), shown(p.PulseEnergy.SI, "J")))
			for i := range list {
				if list[i].err == nil {
					list[i].v, list[i].err = list[i].v.WithNumber("precharge.pulse_energy", 1.2*joules)
				}
			}
		}
	}
	err := s.judge(ctx, c, list, []string{"contactor-carries", "voltage-ratings", "pre-charge"}, []string{"contactor"})
	c.Notes = append(c.Notes, "what it breaks at the bank's fault current is the fuse's business: its data sheet says up to which current it may open")
	return c, err
}

// prechargePulse returns what a pre-charge puts into its resistor: the energy ½·C·V² (J), whatever its resistance, the power at the first instant
// V²/R (W), and the time to so much of the voltage (s). Textbook.
func prechargePulse(ohms, farads, volts, share float64) (joules, watts, seconds float64) {
	return farads * volts * volts / 2, volts * volts / ohms, -ohms * farads * math.Log(1-share)
}

func (s *search) precharge(ctx context.Context) (*Choice, error) {
	b := s.base.Boat
	volts := verdict.HighestVoltage(b)
	joules, _, _ := prechargePulse(1, b.Stage.Capacitance.SI, volts, 0.95)
	time, pulse := 3.0, 1.2*joules
	c := &Choice{What: "pre-charge resistor", Part: "precharge"}
	if p := b.Precharge; p != nil {
		time = p.Time.SI
		if p.PulseEnergy.SI >= joules {
			pulse = p.PulseEnergy.SI
		} else {
			c.Notes = append(c.Notes, fmt.Sprintf("the resistor in the file bears %s, less than one pulse: these rows are of one that bears %s", shown(p.PulseEnergy.SI, "J"), shown(pulse, "J")))
		}
	} else {
		c.Notes = append(c.Notes, "the boat file has no [precharge]: 3 s until the contactor closes are taken, and a resistor that bears a fifth more than one pulse")
	}
	c.Asks = []string{fmt.Sprintf("charges %s to %s within %s; one pulse is %s, and a resistor must bear that (now %s)", quantity.FormatAuto(b.Stage.Capacitance.SI, "F"), shown(volts, "V"), shown(time, "s"), shown(joules, "J"), shown(pulse, "J"))}
	most := time / (3 * b.Stage.Capacitance.SI)
	var list []candidate
	for decade := 0.1; decade <= 1000; decade *= 10 {
		for _, e := range variant.SeriesE(24) {
			ohms := e * decade
			if ohms < most/4 || ohms > 1.6*most {
				continue
			}
			_, peak, seconds := prechargePulse(ohms, b.Stage.Capacitance.SI, volts, 0.95)
			series := "E24"
			for _, x := range variant.SeriesE(12) {
				if x == e {
					series = "E12"
				}
			}
			k := s.put(shown(ohms, "Ω"), "IEC 60063 series "+series+"; charging of a capacitor: textbook", fmt.Sprintf("precharge.resistance=%.4g Ω", ohms), fmt.Sprintf("precharge.time=%.4g s", time), fmt.Sprintf("precharge.pulse_energy=%.4g J", pulse))
			k.Present = b.Precharge != nil && math.Abs(ohms/b.Precharge.Resistance.SI-1) < 1e-3
			k.Margin = fmt.Sprintf("95 %% after %s of %s", shown(seconds, "s"), shown(time, "s"))
			share := seconds / time
			k.Used = &share
			k.Costs = []string{"first instant " + shown(peak, "W") + ", " + shown(volts/ohms, "A"), "pulse " + shown(joules, "J")}
			list = append([]candidate{k}, list...) // the largest that does is the gentlest on resistor and contacts
		}
	}
	for i := range list {
		k := &list[i]
		if k.err != nil {
			k.Why = append(k.Why, k.err.Error())
			continue
		}
		k.Why = append(k.Why, broken(k.v, "pre-charge")...)
		k.Fits = len(k.Why) == 0
	}
	c.Chosen = -1
	for i := range list {
		if list[i].Fits && c.Chosen < 0 {
			c.Chosen = i
		}
		c.Sizes = append(c.Sizes, list[i].Size)
	}
	c.Notes = append(c.Notes, unsureOfLink(b, c, time)...)
	if c.Chosen >= 0 {
		ohms, _ := list[c.Chosen].v.Number("precharge.resistance")
		if share := chargedUnder(b.Stage.Housekeeping.SI, ohms, volts); share < 0.95 {
			left := fmt.Sprintf("at %.0f %% of the battery voltage however long it takes", 100*share)
			if share == 0 {
				left = "far below the battery voltage, however long it takes"
			}
			c.Notes = append(c.Notes, fmt.Sprintf("if the controller's own electronics, %s, are fed from the link and not through the key switch, %s leave the link %s; feed them through the key switch, so that nothing draws from the link before the contactor closes", shown(b.Stage.Housekeeping.SI, "W"), c.Sizes[c.Chosen].Name, left))
		}
	}
	c.Notes = append(c.Notes, "the largest that is quick enough is the gentlest: the energy of a pulse is the same for all, the first instant is not; the resistor's own pulse curve says what it bears, and a second start before it is cold doubles it")
	return c, ctx.Err()
}

// chargedUnder returns the share of the battery voltage (V) up to which a resistor (Ω) charges a capacitor from which a power (W) is drawn: where the resistor gives that
// power, v·(V − v)/R = P. 0: it can nowhere give it.
func chargedUnder(watts, ohms, volts float64) float64 {
	square := 1 - 4*watts*ohms/(volts*volts)
	if square < 0 {
		return 0
	}
	return (1 + math.Sqrt(square)) / 2
}

// unsureOfLink returns a note where the chosen resistor would be too slow for as large a link capacitor as the boat file allows (95 %); else none.
func unsureOfLink(b *boat.Boat, c *Choice, time float64) []string {
	const key = "stage.capacitance"
	farads := b.Spread(key, b.Stage.Capacitance).At(1.96)
	quick := func(k *Size) bool { return *k.Used*farads/b.Stage.Capacitance.SI <= 1 }
	if c.Chosen < 0 || quick(&c.Sizes[c.Chosen]) {
		return nil
	}
	text := fmt.Sprintf("%s is known no closer than up to %s (%s): with %s it takes %s to 95 %%, longer than %s", key, quantity.FormatAuto(farads, "F"), b.Origin(key, b.Stage.Capacitance),
		c.Sizes[c.Chosen].Name, shown(*c.Sizes[c.Chosen].Used*time*farads/b.Stage.Capacitance.SI, "s"), shown(time, "s"))
	for i := range c.Sizes {
		if k := &c.Sizes[i]; k.Fits && quick(k) {
			return []string{text + "; " + k.Name + " is quick enough then too"}
		}
	}
	return []string{text}
}
