package trial

import (
	"fmt"
	"maps"
	"slices"
	"sync"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Conditions are what trials are done in where it is set for all of them alike: SI values by the trial's own keys, those of
// ConditionFields. Nil: each trial has its own.
type Conditions map[string]float64

// ConditionFields lists what can be set for all trials alike.
func ConditionFields() []datafile.Field { return slices.Clone(conditions()) }

var conditions = sync.OnceValue(func() (out []datafile.Field) {
	for _, f := range datafile.Fields(Trial{}) {
		if f.Tags.Get("condition") == "yes" {
			out = append(out, f)
		}
	}
	return out
})

// ConditionByKey returns what the trial's table says of a condition; ok is false for a key that is none.
func ConditionByKey(key string) (f datafile.Field, ok bool) {
	i := slices.IndexFunc(conditions(), func(f datafile.Field) bool { return f.Key == key })
	if i < 0 {
		return f, false
	}
	return conditions()[i], true
}

// With returns the conditions with one more set, given with its unit.
func (c Conditions) With(key, text string) (Conditions, error) {
	return c.change(key, func(t *Trial) error { return datafile.SetField(t, key, text) })
}

// WithNumber returns the conditions with one more set, SI.
func (c Conditions) WithNumber(key string, si float64) (Conditions, error) {
	return c.change(key, func(t *Trial) error { return datafile.SetNumber(t, key, si) })
}

func (c Conditions) change(key string, set func(*Trial) error) (Conditions, error) {
	if _, ok := ConditionByKey(key); !ok {
		return c, fmt.Errorf("%s cannot be set for all trials alike", key)
	}
	var t Trial
	if err := set(&t); err != nil {
		return c, err
	}
	out := maps.Clone(c)
	if out == nil {
		out = Conditions{}
	}
	out[key], _ = datafile.Number(t, key)
	return out, nil
}

// Number returns a condition, SI; where it is not set, what trials have that do not state it.
func (c Conditions) Number(key string) (si float64, ok bool) {
	if si, ok = c[key]; ok {
		return si, true
	}
	f, ok := ConditionByKey(key)
	if !ok {
		return 0, false
	}
	v, err := quantity.Parse(f.Default, quantity.MustUnit(f.Unit))
	return v.SI, err == nil
}

// Of returns a trial under the conditions.
func (c Conditions) Of(t *Trial) *Trial {
	if len(c) == 0 {
		return t
	}
	out := *t
	for key, si := range c {
		if err := datafile.SetNumber(&out, key, si); err != nil {
			panic(err) // it was set by the same checks
		}
	}
	return &out
}
