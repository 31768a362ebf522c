package report_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"quaybench/bench/report"
)

// TestABandIsNoFinerThanItsMargin: "0.19 V ± 0.0003 V" and "80 % ± 0 %" would be surer than the margin beside them.
func TestABandIsNoFinerThanItsMargin(t *testing.T) {
	for _, c := range []struct {
		margin, half float64
		unit, want   string
	}{
		{36.2, 13.6, "°C", "36 K ± 14 K"},
		{88, 0.6, "°C", "88 K ± 1 K"},
		{0.19, 0.0003, "V", "0.19 V ± 0.01 V"},
		{0.32, 0.02, "V", "0.32 V ± 0.02 V"},
		{0.8, 1e-5, "1", "80 % ± 1 %"},
		{30, 0, "°C", "30 K"},
	} {
		assert.Equal(t, c.want, report.ShownBand(c.margin, c.half, c.unit))
	}
}
