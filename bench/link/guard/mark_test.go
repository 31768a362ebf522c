package guard_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/link/guard"
)

// A motor is driven in the states that the map names, and in no other.
func TestMarkTellsTheStatesThatItNames(t *testing.T) {
	m := guard.Mark{Mask: 0x0F, Equals: []uint64{3, 7}}
	for raw, want := range map[uint64]bool{0x03: true, 0x07: true, 0xF7: true, 0x00: false, 0x04: false, 0x0F: false, 0x30: false} {
		assert.Equal(t, want, m.Tells(raw), "%#x", raw)
	}
	bits := guard.Mark{Mask: 0x02}
	assert.True(t, bits.Tells(0x03))
	assert.False(t, bits.Tells(0x05))
	bits.WhenClear = true
	assert.False(t, bits.Tells(0x03))
	assert.True(t, bits.Tells(0x05))
}
