package settings

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"
)

// TestKeysOfFields: each field knows the key that its table row has, and each row's tags are words the readers know.
func TestKeysOfFields(t *testing.T) {
	var s Set
	assert.Equal(t, "limits.motor_current", s.Key(&s.Limits.MotorCurrent))
	assert.Equal(t, "throttle.neutral_start", s.Key(&s.Throttle.NeutralStart))
	v, n := reflect.ValueOf(&s).Elem(), 0
	for i := range v.NumField() {
		for k := range v.Field(i).NumField() {
			p, ok := ByKey(s.Key(v.Field(i).Field(k).Addr().Interface()))
			if assert.True(t, ok) {
				n++
				assert.Contains(t, []string{"", "motor", "battery", "speed"}, p.Heats, p.Key)
				assert.Contains(t, []string{"", "more"}, p.Tags.Get("safer"), p.Key)
				assert.Equal(t, p.Heats != "", p.Title != "", "%s: a limit has a name for sentences", p.Key)
				if p.Heats != "" {
					assert.NotEmpty(t, p.Raise, "%s: why would one raise it?", p.Key)
					assert.False(t, p.SaferMore, p.Key)
				}
			}
		}
	}
	assert.Len(t, Table(), n)
	assert.Panics(t, func() { s.Key(new(float64)) })
}
