package regmap

import (
	"math"

	"quaybench/bench/link"
	"quaybench/bench/link/scaling"
)

// kind is how registers hold a number.
type kind string

const (
	bit kind = "bit"
	u16 kind = "u16"
	s16 kind = "s16"
	u32 kind = "u32"
	s32 kind = "s32"
	f32 kind = "f32" // IEEE 754 single precision
)

// registers is how many registers (or bits) a value takes.
func (k kind) registers() int {
	switch k {
	case u32, s32, f32:
		return 2
	}
	return 1
}

// limits are the lowest and highest count.
func (k kind) limits() (low, high float64) {
	switch k {
	case bit:
		return 0, 1
	case u16:
		return 0, math.MaxUint16
	case s16:
		return math.MinInt16, math.MaxInt16
	case u32:
		return 0, math.MaxUint32
	case s32:
		return math.MinInt32, math.MaxInt32
	}
	return -math.MaxFloat32, math.MaxFloat32
}

// codec turns registers into SI values and back.
type codec struct {
	scaling.Scaling
	kind     kind
	lowFirst bool      // word order of 32-bit values
	codes    []float64 // count of each word; then the value is the index
}

// count reads the number that registers hold. A bit is a register of 0 or 1.
func (c codec) count(registers []uint16) float64 {
	switch c.kind {
	case s16:
		return float64(int16(registers[0]))
	case u32, s32, f32:
		high, low := registers[0], registers[1]
		if c.lowFirst {
			high, low = low, high
		}
		both := uint32(high)<<16 | uint32(low)
		switch c.kind {
		case s32:
			return float64(int32(both))
		case f32:
			return float64(math.Float32frombits(both))
		}
		return float64(both)
	}
	return float64(registers[0])
}

// hold gives the registers that hold a count within the limits.
func (c codec) hold(count float64) []uint16 {
	var both uint32
	switch c.kind {
	case s16:
		return []uint16{uint16(int16(count))}
	case u32:
		both = uint32(count)
	case s32:
		both = uint32(int32(count))
	case f32:
		both = math.Float32bits(float32(count))
	default:
		return []uint16{uint16(count)}
	}
	if c.lowFirst {
		return []uint16{uint16(both), uint16(both >> 16)}
	}
	return []uint16{uint16(both >> 16), uint16(both)}
}

// decode gives the SI value, or the index of the word. It fails on a count
// that no word has, and on a floating-point value that is no number.
func (c codec) decode(registers []uint16) (value float64, ok bool) {
	count := c.count(registers)
	if c.codes == nil {
		value = c.SI(count)
		return value, !math.IsNaN(value) && !math.IsInf(value, 0)
	}
	for i, code := range c.codes {
		if code == count {
			return float64(i), true
		}
	}
	return 0, false
}

// encode gives the registers that hold the SI value (or the word of that
// index) best. It fails on what the type can't hold.
func (c codec) encode(value float64) (registers []uint16, ok bool) {
	if c.codes != nil {
		i := int(value)
		if float64(i) != value || i < 0 || i >= len(c.codes) {
			return nil, false
		}
		return c.hold(c.codes[i]), true
	}
	count := c.Count(value)
	if c.kind != f32 {
		count = math.Round(count)
	}
	low, high := c.kind.limits()
	if !(count >= low && count <= high) { // not NaN either
		return nil, false
	}
	return c.hold(count), true
}

// inward moves a bound to the nearest value inside it that the type can hold,
// so that no value within the bounds is rounded to one outside.
func (c codec) inward(bound float64, upper bool) float64 {
	if c.kind == f32 {
		return bound
	}
	count := c.Count(bound)
	dust := 1e-9 * max(1, math.Abs(count)) // left by the division
	if upper == (c.Factor > 0) {
		count = math.Floor(count + dust)
	} else {
		count = math.Ceil(count - dust)
	}
	return c.SI(count)
}

// step is the SI distance between neighbouring values, 0 for floating point.
func (c codec) step() float64 {
	if c.kind == f32 {
		return 0
	}
	if c.codes != nil {
		return 1
	}
	return math.Abs(c.Factor)
}

// field is a value in a place.
type field struct {
	place
	codec
}

// setting is a field that can be told.
type setting struct {
	field
	link.Setting
}

// takes reports whether the SI value is in range, but for the rounding dust of
// one that went through another unit or single precision.
func (s setting) takes(value float64) bool {
	dust := 1e-9
	if s.kind == f32 {
		dust = 1e-6 // single precision has 24 bits
	}
	dust *= max(math.Abs(s.Min), math.Abs(s.Max))
	return value >= s.Min-dust && value <= s.Max+dust
}

// reading is a field that is measured; its Min and Max are what can be true.
type reading struct {
	field
	link.Channel
}
