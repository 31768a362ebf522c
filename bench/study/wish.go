package study

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/quantity"
	"quaybench/bench/record"
	"quaybench/bench/verdict"
)

// Wish is what somebody wants of the boat: "speed >= 10 km/h".
type Wish struct {
	Text  string
	Kind  string  // a word of WishKinds
	Value float64 // SI
}

// wishKind is what can be wished.
type wishKind struct {
	name, unit string
	least      bool // it is asked at least, else at most
	most       float64
	doc        string
}

var wishKinds = []wishKind{
	{"speed", "km/h", true, 20, "top speed in full-throttle"},
	{"endurance", "h", true, 30 * 24 * 3600, "how long the rested bank lasts at full lever"},
	{"distance", "km", true, 1e7, "top speed times endurance"},
	{"rise-time", "s", false, 600, "from the lever's movement to nine tenths of the highest motor current, in full-throttle"},
	{"stopping", "m", false, 1e4, "from the lever's movement astern until the boat stands, in crash-stop"},
	{"odds", "%", true, 1, "share of boats over what is not known of this one in which nothing is over"},
}

// WishKinds describes what can be wished, for a help text: "speed >= 10 km/h: top speed in full-throttle".
func WishKinds() (out []string) {
	examples := []string{"10 km/h", "2 h", "20 km", "3 s", "25 m", "95 %"}
	for i, k := range wishKinds {
		out = append(out, fmt.Sprintf("%s %s %s: %s", k.name, k.sign(), examples[i], k.doc))
	}
	return append(out, "clear: nothing is close or over in any trial; it is always wished")
}

func (k *wishKind) sign() string {
	if k.least {
		return ">="
	}
	return "<="
}

func (w *Wish) kind() *wishKind {
	i := slices.IndexFunc(wishKinds, func(k wishKind) bool { return k.name == w.Kind })
	return &wishKinds[i]
}

// Unit returns the unit in which the wish is shown.
func (w *Wish) Unit() string {
	return quantity.WrittenUnit(strings.TrimLeft(w.Text[max(0, strings.IndexAny(w.Text, "<>=")):], "<>="), w.kind().unit)
}

// ParseWishes reads wishes in the user's words. Each error is one sentence.
func ParseWishes(texts []string) (out []Wish, err error) {
	for _, text := range texts {
		t := strings.NewReplacer("≥", ">=", "≤", "<=").Replace(strings.TrimSpace(text))
		if t == "clear" {
			continue
		}
		at := strings.IndexAny(t, "<>=")
		name, _, _ := strings.Cut(t, " ")
		if at >= 0 {
			name = strings.TrimSpace(t[:at])
		}
		i := slices.IndexFunc(wishKinds, func(k wishKind) bool { return k.name == strings.ReplaceAll(name, " ", "-") })
		if i < 0 {
			var names []string
			for _, k := range wishKinds {
				names = append(names, k.name)
			}
			return nil, fmt.Errorf("%q cannot be wished: wish for clear, %s", name, strings.Join(names, ", "))
		}
		k := &wishKinds[i]
		value := ""
		if at >= 0 {
			value = strings.TrimSpace(strings.TrimLeft(t[at:], "<>="))
		}
		sign := strings.TrimSpace(strings.TrimSuffix(t[max(at, 0):], value))
		if j := slices.IndexFunc(out, func(o Wish) bool { return o.Kind == k.name }); j >= 0 && (sign == "<=" || sign == ">=") && sign != k.sign() {
			return nil, fmt.Errorf("%q and %q contradict each other; keep one", out[j].Text, t)
		}
		if at < 0 || sign != k.sign() {
			return nil, fmt.Errorf("%q: write %s %s VALUE, with its unit", text, k.name, k.sign())
		}
		v, err := quantity.Parse(value, quantity.MustUnit(k.unit))
		if err != nil {
			return nil, fmt.Errorf("%q: %w", text, err)
		}
		if !(v.SI > 0) || v.SI > k.most {
			return nil, fmt.Errorf("%q is impossible: %s must be above zero and at most %s", text, k.name, quantity.Format(k.most, k.unit, 3))
		}
		w := Wish{Text: t, Kind: k.name, Value: v.SI}
		if j := slices.IndexFunc(out, func(o Wish) bool { return o.Kind == w.Kind }); j >= 0 {
			return nil, fmt.Errorf("%q and %q are two wishes for one thing; keep one", out[j].Text, w.Text)
		}
		out = append(out, w)
	}
	return out, nil
}

// measure returns what the wishes are about, SI by kind, from the judged trials full-throttle and crash-stop.
func measure(judged []verdict.Trial) map[string]float64 {
	out := map[string]float64{}
	for i := range judged {
		r := judged[i].Run
		switch r.Trial {
		case "full-throttle":
			if g := r.Gain; g.TopSpeed != nil {
				out["speed"] = *g.TopSpeed
				if g.Endurance != nil {
					out["endurance"], out["distance"] = *g.Endurance, *g.Endurance**g.TopSpeed
				}
			}
			out["rise-time"] = riseTime(r)
		case "crash-stop":
			out["stopping"] = stopping(r)
		}
	}
	return out
}

// riseTime returns the time from the lever's first movement to nine tenths of the highest motor current of the minute after, s.
func riseTime(r *record.Run) float64 {
	lever, ok := r.Trace(record.Lever)
	amps, ok2 := r.Trace(record.MotorCurrent)
	if !ok || !ok2 {
		return math.Inf(1)
	}
	from, most := math.NaN(), 0.0
	for i, t := range r.Time {
		if math.IsNaN(from) && lever.Values[i] > 0.01 {
			from = t
		}
		if !(t > from+60) {
			most = max(most, amps.Values[i])
		}
	}
	for i, t := range r.Time {
		if t >= from && amps.Values[i] >= 0.9*most {
			return t - from
		}
	}
	return math.Inf(1)
}

// stopping returns the way from the lever's movement astern until the boat stands, m.
func stopping(r *record.Run) float64 {
	lever, ok := r.Trace(record.Lever)
	speed, ok2 := r.Trace(record.BoatSpeed)
	way, ok3 := r.Trace(record.Distance)
	if !ok || !ok2 || !ok3 {
		return math.Inf(1)
	}
	ahead, from := false, math.NaN()
	for i := range r.Time {
		ahead = ahead || lever.Values[i] > 0.9
		if ahead && math.IsNaN(from) && lever.Values[i] < 0.9 {
			from = way.Values[i]
		}
		if !math.IsNaN(from) && speed.Values[i] <= 0 {
			return way.Values[i] - from
		}
	}
	return math.Inf(1)
}

// Short returns how far a wish is missed, as a share of it; 0 where it is met.
func (w *Wish) Short(ended map[string]float64) float64 {
	x, ok := ended[w.Kind]
	switch {
	case !ok || math.IsNaN(x):
		return 1
	case w.kind().least:
		return max(0, 1-x/w.Value)
	case math.IsInf(x, 1):
		return 10
	}
	return max(0, x/w.Value-1)
}

// MetBy reports whether the wish is met.
func (w *Wish) MetBy(ended map[string]float64) bool { return w.Short(ended) == 0 }
