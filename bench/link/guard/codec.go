package guard

import (
	"math"

	"quaybench/bench/link/scaling"
)

// Kind is how a unit holds a number.
type Kind string

// The kinds: bit and bool are off and on, u whole numbers, s with sign, by their bits; f32 is IEEE 754 single precision.
const (
	Bit  Kind = "bit"
	Bool Kind = "bool"
	U8   Kind = "u8"
	S8   Kind = "s8"
	U16  Kind = "u16"
	S16  Kind = "s16"
	U24  Kind = "u24"
	S24  Kind = "s24"
	U32  Kind = "u32"
	S32  Kind = "s32"
	F32  Kind = "f32"
)

// Bits returns how many bits a value takes; of a bool that of the byte that holds it.
func (k Kind) Bits() int {
	switch k {
	case Bit:
		return 1
	case Bool, U8, S8:
		return 8
	case U24, S24:
		return 24
	case U32, S32, F32:
		return 32
	}
	return 16
}

// Switch reports whether it is off or on, and nothing between.
func (k Kind) Switch() bool { return k == Bit || k == Bool }

func (k Kind) signed() bool { return k == S8 || k == S16 || k == S24 || k == S32 }

// Limits returns the lowest and highest count.
func (k Kind) Limits() (low, high float64) {
	switch {
	case k.Switch():
		return 0, 1
	case k == F32:
		return -math.MaxFloat32, math.MaxFloat32
	case k.signed():
		return -math.Ldexp(1, k.Bits()-1), math.Ldexp(1, k.Bits()-1) - 1
	}
	return 0, math.Ldexp(1, k.Bits()) - 1
}

// Number reads the number that raw bits hold.
func (k Kind) Number(raw uint64) float64 {
	switch {
	case k == F32:
		return float64(math.Float32frombits(uint32(raw)))
	case k.signed():
		unused := 64 - k.Bits()
		return float64(int64(raw<<unused) >> unused)
	}
	return float64(raw)
}

// Raw returns the bits that hold a count within the limits.
func (k Kind) Raw(count float64) uint64 {
	switch {
	case k == F32:
		return uint64(math.Float32bits(float32(count)))
	case k.signed():
		return uint64(int64(count)) & (1<<k.Bits() - 1)
	}
	return uint64(count)
}

// Codec turns raw values into SI and back.
type Codec struct {
	scaling.Scaling
	Kind  Kind
	Codes []float64 // count of each word; then the value is the index
}

// Decode returns the SI value, or the index of the word. It fails on a count
// that no word has, and on a floating-point value that is no number.
func (c Codec) Decode(raw uint64) (value float64, ok bool) {
	count := c.Kind.Number(raw)
	if c.Codes == nil {
		value = c.SI(count)
		return value, !math.IsNaN(value) && !math.IsInf(value, 0)
	}
	for i, code := range c.Codes {
		if code == count {
			return float64(i), true
		}
	}
	return 0, false
}

// Encode returns the raw value that holds the SI value (or the word of that
// index) best. It fails on what the type can't hold.
func (c Codec) Encode(value float64) (raw uint64, ok bool) {
	if c.Codes != nil {
		i := int(value)
		if float64(i) != value || i < 0 || i >= len(c.Codes) {
			return 0, false
		}
		return c.Kind.Raw(c.Codes[i]), true
	}
	count := c.Count(value)
	if c.Kind != F32 {
		count = math.Round(count)
	}
	low, high := c.Kind.Limits()
	if !(count >= low && count <= high) { // not NaN either
		return 0, false
	}
	return c.Kind.Raw(count), true
}

// Inward moves a bound to the nearest value inside it that the type can hold,
// so that no value within the bounds is rounded to one outside.
func (c Codec) Inward(bound float64, upper bool) float64 {
	if c.Kind == F32 {
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

// StepSize returns the SI distance between neighbouring values, 0 for floating point.
func (c Codec) StepSize() float64 {
	if c.Kind == F32 {
		return 0
	}
	if c.Codes != nil {
		return 1
	}
	return math.Abs(c.Factor)
}

// Saturate returns the raw value of an SI value, or the nearest the kind can hold, as a sensor at the end of its range does.
func (c Codec) Saturate(value float64) uint64 {
	if raw, ok := c.Encode(value); ok {
		return raw
	}
	low, high := c.Kind.Limits()
	if c.Codes != nil {
		return c.Kind.Raw(c.Codes[0])
	}
	count := c.Count(value)
	if math.IsNaN(count) {
		count = high // an open sensor
	}
	return c.Kind.Raw(min(max(count, low), high))
}
