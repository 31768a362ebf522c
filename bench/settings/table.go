package settings

import (
	"fmt"
	"reflect"
	"slices"
	"sync"

	"quaybench/bench/datafile"
)

// Parameter is a row of the table.
type Parameter struct {
	datafile.Field
	Title string // in a sentence: "motor current limit"; "" where the key's own words do
	Heats string // what carries the current it limits: "motor" or "battery"; "speed" for a limit of speed; "" for no limit
	Brief bool   // it limits what flows for moments, not for ever
	Raise string // what one raises it for; "" for what nobody raises
	// SaferMore reports that the larger value is the safer one; of all others it is the smaller.
	SaferMore bool
}

// Table returns the parameters in the order of the file, without the headings of groups.
func Table() []Parameter { return slices.Clone(parameters()) }

var parameters = sync.OnceValue(func() (out []Parameter) {
	for _, f := range Fields() {
		if f.Kind == datafile.KindGroup || f.Kind == datafile.KindGroups {
			continue
		}
		out = append(out, Parameter{
			Field: f, Title: f.Tags.Get("title"), Heats: f.Tags.Get("heats"), Brief: f.Tags.Get("brief") == "yes", Raise: f.Tags.Get("raise"),
			SaferMore: f.Tags.Get("safer") == "more",
		})
	}
	return out
})

// ByKey returns a row of the table; ok is false for a key that is none.
func ByKey(key string) (p Parameter, ok bool) {
	i := slices.IndexFunc(parameters(), func(p Parameter) bool { return p.Key == key })
	if i < 0 {
		return Parameter{}, false
	}
	return parameters()[i], true
}

// Heating returns the limits of what carries motor current ("motor"), battery current ("battery") or of speed ("speed"), in
// the order of the table.
func Heating(what string) (out []Parameter) {
	for _, p := range parameters() {
		if p.Heats == what {
			out = append(out, p)
		}
	}
	return out
}

// Key returns the key of one of the set's own fields: s.Key(&s.Limits.MotorCurrent) is "limits.motor_current". It panics on
// a pointer to anything else.
func (s *Set) Key(field any) string {
	at := reflect.ValueOf(field).Pointer() - reflect.ValueOf(s).Pointer()
	key, ok := keys()[at]
	if !ok {
		panic(fmt.Sprintf("settings: %T is no field of this set", field))
	}
	return key
}

// keys are the keys of a set by the place of their field.
var keys = sync.OnceValue(func() map[uintptr]string {
	out := map[uintptr]string{}
	set := reflect.TypeFor[Set]()
	for i := range set.NumField() {
		group := set.Field(i)
		for k := range group.Type.NumField() {
			f := group.Type.Field(k)
			out[group.Offset+f.Offset] = group.Tag.Get("key") + "." + f.Tag.Get("key")
		}
	}
	return out
})
