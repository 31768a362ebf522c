package guard

import (
	"math"
	"time"

	"quaybench/bench/link"
)

// Map says what stands where in a unit, read from a file and checked. It does not change and is safe for several goroutines.
type Map struct {
	Title    string
	Hash     string // tells one map's text from another's
	Noun     string // "register map": what messages call it
	Settings []Setting
	Readings []Reading
	Running  *Mark
	Unlock   []Step
	Lock     []Step
	Throttle *Throttle
}

// Describe returns what a controller with this map has.
func (m *Map) Describe() link.Description {
	d := link.Description{Title: m.Title}
	for _, s := range m.Settings {
		d.Settings = append(d.Settings, s.Setting)
	}
	for _, r := range m.Readings {
		d.Channels = append(d.Channels, r.Channel)
	}
	if m.Throttle != nil {
		d.Throttle = &link.Throttle{Astern: m.Throttle.TakesAstern, CommandTimeout: m.Throttle.Timeout, Ready: m.Throttle.Ready}
	}
	return d
}

// Field is a value in a place.
type Field struct {
	Place
	Codec
	Line int // in the map's file
}

// Setting is a field that can be told.
type Setting struct {
	Field
	link.Setting
}

// Takes reports whether the SI value is in range, but for the rounding dust of
// one that went through another unit or single precision.
func (s Setting) Takes(value float64) bool {
	dust := 1e-9
	if s.Kind == F32 {
		dust = 1e-6 // single precision has 24 bits
	}
	dust *= max(math.Abs(s.Min), math.Abs(s.Max))
	return value >= s.Min-dust && value <= s.Max+dust
}

// Reading is a field that is measured; its Min and Max are what can be true.
type Reading struct {
	Field
	link.Channel
}

// Mark is how a unit says that the motor is driven: some bits on, bits that are one of some states, or a magnitude.
type Mark struct {
	Place
	Kind      Kind
	Mask      uint64 // 0: compare with Above
	Equals    []uint64
	Above     float64
	WhenClear bool // driven while the bits are off
}

// Tells reads the mark.
func (m *Mark) Tells(raw uint64) bool {
	switch {
	case len(m.Equals) > 0:
		for _, state := range m.Equals {
			if raw&m.Mask == state {
				return true
			}
		}
		return false
	case m.Mask != 0:
		return (raw&m.Mask != 0) != m.WhenClear
	}
	return math.Abs(m.Kind.Number(raw)) > m.Above
}

// Show sets the mark in a raw value, for a simulated unit.
func (m *Mark) Show(raw uint64, runs bool) uint64 {
	switch {
	case len(m.Equals) > 0 && runs:
		return raw&^m.Mask | m.Equals[0]
	case len(m.Equals) > 0:
		for state := uint64(0); ; state = (state - m.Mask) & m.Mask { // the first state of the masked bits that is none of them
			if !m.Tells(state) {
				return raw&^m.Mask | state
			}
		}
	case m.Mask == 0 && runs:
		return uint64(m.Above) + 1
	case m.Mask == 0:
		return 0
	case runs != m.WhenClear:
		return raw | m.Mask
	}
	return raw &^ m.Mask
}

// Step is one write of an unlock or lock sequence.
type Step struct {
	Place
	Raw uint64
}

// Throttle is the throttle command, in counts.
type Throttle struct {
	Place
	Kind                Kind
	Zero, Ahead, Astern float64
	TakesAstern         bool
	Timeout             time.Duration
	Direction           *Direction
	Ready               string // what has to be done before it takes commands, in words; "": nothing
}

// Direction is a second place that chooses the direction, by its raw values.
type Direction struct {
	Place
	Neutral, Ahead, Astern uint64
}

// at returns the count of a share of full throttle.
func (t *Throttle) at(share float64) float64 {
	full := t.Ahead
	if share < 0 {
		full = t.Astern
	}
	return math.Round(t.Zero + math.Abs(share)*(full-t.Zero))
}

// Share returns the share of full throttle that raw values ask for, of the command and, where there is one, of the direction.
func (t *Throttle) Share(command, direction uint64) float64 {
	clamp := func(share float64) float64 { return min(max(share, 0), 1) }
	count := t.Kind.Number(command)
	ahead := (count - t.Zero) / (t.Ahead - t.Zero)
	switch d := t.Direction; {
	case d != nil && direction == d.Ahead:
		return clamp(ahead)
	case d != nil && direction == d.Astern && t.TakesAstern:
		return -clamp(ahead)
	case d != nil:
		return 0
	case ahead >= 0 || !t.TakesAstern:
		return clamp(ahead)
	}
	return -clamp((count - t.Zero) / (t.Astern - t.Zero))
}

// Device is a controller seen from its own side: what stands behind the
// places of a simulated unit. Values are SI, of a choice the index of the word.
// Calls come one at a time.
type Device interface {
	Setting(key string) float64
	// SetSetting is called with a value in the map's range. An error refuses it.
	SetSetting(key string, value float64) error
	Reading(name string) float64
	Running() bool
	// Throttle is the commanded share of full throttle, −1 to 1.
	Throttle(share float64)
}
