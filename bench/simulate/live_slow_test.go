//go:build slow

package simulate_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/testdata/reference"
)

// TestChecksWholeDriveLive runs the reference program on two of the trials where SciPy is installed, and compares with the
// golden results; testdata/reference/regenerate runs all of them.
func TestChecksWholeDriveLive(t *testing.T) {
	for _, run := range [][2]string{{"petrel", "crash-stop"}, {"bracken", "full-throttle"}} {
		name := run[0] + "-" + run[1]
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			want, err := reference.ReadGolden("drive", name)
			require.NoError(t, err)
			got, err := reference.ParseGolden(name, reference.Python(t, "drive", "drive.py", run[0], run[1]))
			require.NoError(t, err)
			require.Equal(t, len(want.Columns), len(got.Columns))
			for column, values := range want.Columns {
				require.Len(t, got.Columns[column], len(values))
				for i, x := range values {
					assert.InDelta(t, x, got.Columns[column][i], 1e-3*(1+math.Abs(x)), "%s, row %d", column, i+1)
				}
			}
			assert.Equal(t, len(want.Events), len(got.Events))
			for device, at := range want.Events {
				assert.InDelta(t, at, got.Events[device], 1e-3, device)
			}
		})
	}
}
