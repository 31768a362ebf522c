// Package variant is a boat with its settings and the conditions of its trials, any value of which can be changed by its key: a
// setting ("limits.motor_current"), a value of the boat file ("cable[motor cable].section"), or what all trials are done in
// ("air"). A changed value takes along what follows from it, and says so.
package variant

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// Variant is a boat, its settings and the conditions of its trials. Changing one leaves the original as it is.
type Variant struct {
	Boat       *boat.Boat
	Settings   settings.Set
	Conditions trial.Conditions
}

// Of returns a boat with settings, each trial under its own conditions.
func Of(b *boat.Boat, s settings.Set) Variant { return Variant{Boat: b, Settings: s} }

// place is the table in which a key stands.
type place int

const (
	inSettings place = iota
	inBoat
	inTrials
)

// find returns the table of a key and the key as that table has it.
func (v Variant) find(key string) (place, string, error) {
	if _, ok := settings.ByKey(key); ok {
		return inSettings, key, nil
	}
	if _, ok := trial.ConditionByKey(key); ok {
		return inTrials, key, nil
	}
	resolved, err := v.Boat.Resolved(key)
	named := boat.WithoutNumbers(resolved)
	for _, f := range v.Boat.Keys() {
		if boat.WithoutNumbers(f.Key) == named {
			return inBoat, resolved, err
		}
	}
	return inBoat, key, v.unknown(key)
}

// UnknownKeyError is a key that neither settings nor boat nor trials have.
type UnknownKeyError struct {
	Key     string
	Nearest []string // at most three
}

func (e *UnknownKeyError) Error() string {
	text := fmt.Sprintf("unknown key %q", e.Key)
	if len(e.Nearest) > 0 {
		return text + "; did you mean " + strings.Join(e.Nearest, " or ") + "?"
	}
	return text + "; a key is such as limits.motor_current or motor.resistance"
}

// unknown returns the error for a key nobody knows, with the nearest ones of all three tables.
func (v Variant) unknown(key string) error {
	const most = 3
	word := strings.ToLower(strings.ReplaceAll(key, "-", "_"))
	_, leaf, dotted := cutLast(word, ".")
	if !dotted {
		leaf = word
	}
	type near struct {
		key      string
		distance int
	}
	var list []near
	for _, f := range v.Keys() {
		_, last, _ := cutLast(f.Key, ".")
		d := datafile.Distance(word, f.Key)
		if len(leaf) > 2 && (last == leaf || strings.HasPrefix(f.Key, word)) {
			d = min(d, 1) // the right name in the wrong table, or half a key
		}
		if d <= max(2, len(word)/3) {
			list = append(list, near{f.Key, d})
		}
	}
	slices.SortStableFunc(list, func(a, b near) int { return cmp.Compare(a.distance, b.distance) })
	e := &UnknownKeyError{Key: key}
	for _, n := range list[:min(most, len(list))] {
		e.Nearest = append(e.Nearest, n.key)
	}
	return e
}

func cutLast(s, sep string) (before, after string, found bool) {
	if i := strings.LastIndex(s, sep); i >= 0 {
		return s[:i], s[i+len(sep):], true
	}
	return "", s, false
}

// Keys lists every key that can be changed, with what its table says of it: settings, the boat's values, conditions of the trials.
func (v Variant) Keys() (out []datafile.Field) {
	for _, p := range settings.Table() {
		out = append(out, p.Field)
	}
	return append(append(out, v.Boat.Keys()...), trial.ConditionFields()...)
}

// Name returns a key as it is shown: a cable or joint by its name.
func (v Variant) Name(key string) string { return v.Boat.KeyName(key) }

// IsSetting reports whether a key is a setting of the controller.
func IsSetting(key string) bool { _, ok := settings.ByKey(key); return ok }

// With returns the variant with one value changed, given as in a file, and in sentences what follows from it.
func (v Variant) With(key, text string) (Variant, []string, error) {
	at, key, err := v.find(key)
	if err != nil {
		return v, nil, err
	}
	out := v
	switch at {
	case inSettings:
		out.Settings, err = v.Settings.With(key, text)
	case inTrials:
		out.Conditions, err = v.Conditions.With(key, text)
	default:
		out.Boat, err = v.Boat.With(key, text)
	}
	return v.changed(out, at, key, err)
}

// WithNumber is With for a quantity, SI.
func (v Variant) WithNumber(key string, si float64) (Variant, error) {
	at, key, err := v.find(key)
	if err != nil {
		return v, err
	}
	out := v
	switch at {
	case inSettings:
		out.Settings, err = v.Settings.WithNumber(key, si)
	case inTrials:
		out.Conditions, err = v.Conditions.WithNumber(key, si)
	default:
		out.Boat, err = v.Boat.WithNumber(key, si)
	}
	out, _, err = v.changed(out, at, key, err)
	return out, err
}

// changed lets what follows from a change follow.
func (v Variant) changed(out Variant, at place, key string, err error) (Variant, []string, error) {
	if err != nil {
		return v, nil, err
	}
	var notes []string
	switch at {
	case inBoat:
		out.Boat, notes = follow(v.Boat, out.Boat, key)
	case inTrials:
		notes = []string{key + " holds in every trial, in place of the trial's own"}
	}
	return out, notes, nil
}

// Known returns an [*UnknownKeyError] for a key that neither settings nor boat nor trials have.
func (v Variant) Known(key string) error {
	_, _, err := v.find(key)
	return err
}

// Get returns a value as text with its unit; "" where it is not given or there is no such key.
func (v Variant) Get(key string) string {
	at, key, err := v.find(key)
	if err != nil {
		return ""
	}
	var text string
	switch at {
	case inSettings:
		text, _ = v.Settings.Shown(key)
	case inTrials:
		if si, ok := v.Conditions[key]; ok {
			var t trial.Trial
			if datafile.SetNumber(&t, key, si) == nil {
				text, _ = datafile.Shown(t, key)
			}
		} else {
			text = "each trial's own"
		}
	default:
		text, _ = datafile.Shown(v.Boat, key)
	}
	return text
}

// Number returns a value, SI; ok is false where it is no number or not given.
func (v Variant) Number(key string) (si float64, ok bool) {
	at, key, err := v.find(key)
	if err != nil {
		return 0, false
	}
	switch at {
	case inSettings:
		return v.Settings.Number(key)
	case inTrials:
		return v.Conditions.Number(key)
	}
	return datafile.Number(v.Boat, key)
}

// Searchable returns an error for a key that is no number to search.
func (v Variant) Searchable(key string) error {
	if _, _, err := v.find(key); err != nil {
		return err
	}
	if _, ok := v.Number(key); !ok {
		return fmt.Errorf("%s is no number to search, or the boat file does not give it", key)
	}
	return nil
}

// field returns what its table says of a key.
func (v Variant) field(key string) (f datafile.Field, ok bool) {
	named := boat.WithoutNumbers(key)
	for _, f := range v.Keys() {
		if boat.WithoutNumbers(f.Key) == named {
			return f, true
		}
	}
	return f, false
}

// Unit returns the unit in which a value is written; "" for none.
func (v Variant) Unit(key string) string {
	f, _ := v.field(key)
	return f.Unit
}

// ReaderUnit returns the unit in which a person reads a value: per cent for a share, rpm for a speed of rotation, mΩ or µΩ for a small resistance.
func (v Variant) ReaderUnit(key string) string {
	f, _ := v.field(key)
	si, ok := v.Number(key)
	switch f.Unit {
	case "Ω", "F", "H":
		if _, suits, cut := strings.Cut(quantity.FormatAuto(si, f.Unit), " "); cut && ok {
			return suits
		}
	}
	return f.ReaderUnit()
}

// Range returns the range over which a value is searched, SI: its own, cut to where the boat makes sense of it. No current limit beyond
// what the controller is made for; of the boat's own values a third to three times, of its temperatures 60 K less to 100 K more.
func (v Variant) Range(key string) (low, high float64) {
	f, ok := v.field(key)
	present, given := v.Number(key)
	if !ok || !given {
		return math.NaN(), math.NaN()
	}
	low, high = f.Low, f.High
	at, _, _ := v.find(key)
	switch {
	case at == inSettings:
		low = max(low, 0)
		if f.Unit == "A" {
			high = min(high, 1.25*v.Boat.Stage.Current.SI)
			low = max(low, present/10)
		}
	case at == inTrials:
	case f.Unit == "°C":
		low, high = max(low, present-60), min(high, present+100)
	case present > 0:
		low, high = max(low, present/3), min(high, 3*present)
	case present < 0:
		low, high = max(low, 3*present), min(high, present/3)
	default:
		if math.IsInf(low, -1) {
			low = 0
		}
	}
	return low, max(high, present)
}

// Trials are trials under the variant's conditions.
func (v Variant) Trials(list []*trial.Trial) []*trial.Trial {
	if len(v.Conditions) == 0 {
		return list
	}
	out := make([]*trial.Trial, len(list))
	for i, t := range list {
		out[i] = v.Conditions.Of(t)
	}
	return out
}

// Problems finds what no single value shows: the drive cannot be built, or what was measured of it contradicts itself.
func (v Variant) Problems() error { return problems(v.Boat) }
