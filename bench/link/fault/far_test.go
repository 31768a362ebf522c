package fault_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/fault"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// TestFarEnd: every fault at the third of five replies is met by the master as one bad exchange, with the right values before
// and after; but for a line that is gone, and a reply that is only a little doubled, which is no loss.
func TestFarEnd(t *testing.T) {
	timing := modbus.TimingAt(115200)
	for _, f := range fault.All(timing) {
		t.Run(f.Name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				near, far := linktest.Pipe()
				clock := port.WallClock{}
				ctx, stop := context.WithCancel(t.Context())
				served := make(chan error, 1)
				behind := fault.FarEnd(far, clock, f, func(n int) bool { return n == 3 })
				go func() {
					served <- modbus.NewServer(1, &linktest.Bank{Input: []uint16{7}}, timing, clock).Serve(ctx, behind)
				}()
				m := modbus.NewMaster(near, timing, clock)
				var bad []int
				for i := 1; i <= 5; i++ {
					got, err := m.ReadRegisters(ctx, 1, modbus.ReadInput, 0, 1)
					if err != nil {
						bad = append(bad, i)
						continue
					}
					assert.Equal(t, []uint16{7}, got)
				}
				switch gone := strings.HasPrefix(f.Name, "unplugged"); {
				case gone && strings.HasSuffix(f.Name, "after the reply"):
					assert.Equal(t, []int{4, 5}, bad)
				case gone:
					assert.Equal(t, []int{3, 4, 5}, bad)
				case f.Name == "frame again later":
					assert.LessOrEqual(t, len(bad), 1)
				default:
					assert.Equal(t, []int{3}, bad, fmt.Sprint(f.Name))
				}
				stop()
				require.Error(t, <-served)
			})
		})
	}
}
