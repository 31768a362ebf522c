package settings

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"strings"

	"quaybench/bench/datafile"
	"quaybench/bench/quantity"
)

// Read reads a settings file. The error is datafile.Problems; the Source is returned in any case.
func Read(name string, data []byte) (Set, *datafile.Source, error) {
	var s Set
	source, err := datafile.Decode(name, data, &s)
	return s, source, err
}

// Fields returns the table of parameters: key, unit, range, default, doc.
func Fields() []datafile.Field { return datafile.Fields(Set{}) }

// With returns the set with one parameter changed, given as in a file: key and text with its unit.
func (s Set) With(key, text string) (Set, error) {
	err := datafile.SetField(&s, key, text)
	return s, err
}

// Get returns a parameter as text with its unit.
func (s Set) Get(key string) (string, bool) { return datafile.Get(s, key) }

// Shown returns a parameter as a person writes it, exactly: see datafile.Shown.
func (s Set) Shown(key string) (string, bool) { return datafile.Shown(s, key) }

// Number returns a numeric parameter, SI.
func (s Set) Number(key string) (float64, bool) { return datafile.Number(s, key) }

// WithNumber returns the set with one numeric parameter changed, SI.
func (s Set) WithNumber(key string, si float64) (Set, error) {
	err := datafile.SetNumber(&s, key, si)
	return s, err
}

// Text returns the whole set, a line per parameter, in the order of the table.
func (s Set) Text() string {
	var b strings.Builder
	for _, f := range Fields() {
		if text, ok := s.Get(f.Key); ok {
			fmt.Fprintf(&b, "%s = %s\n", f.Key, text)
		}
	}
	return b.String()
}

// Hash identifies the values of a set, however its file is written.
func (s Set) Hash() string {
	sum := sha256.Sum256([]byte(s.Text()))
	return hex.EncodeToString(sum[:8])
}

// Range returns the range of a numeric parameter, SI. It panics on a key that is none.
func Range(key string) (low, high float64) {
	f := field(key)
	unit := quantity.MustUnit(f.Unit)
	bound := func(text string, without float64) float64 {
		if text == "" {
			return without
		}
		v, err := quantity.Parse(text, unit)
		if err != nil {
			panic(err) // tags are checked by every read
		}
		return v.SI
	}
	return bound(f.Min, 0), bound(f.Max, math.Inf(1))
}

// Unit returns the unit of a numeric parameter. It panics on a key that is none.
func Unit(key string) string { return field(key).Unit }

func field(key string) datafile.Field {
	for _, f := range Fields() {
		if f.Key == key && f.Kind == datafile.KindQuantity {
			return f
		}
	}
	panic("settings: " + key + " is no numeric parameter")
}
