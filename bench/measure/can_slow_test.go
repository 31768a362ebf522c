//go:build slow && unix

package measure_test

import (
	"bufio"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/measure"
)

const deviantMap = `
title = "a node of the npm module canopen"
node_id = 5
rate = "250 kbit/s"
heartbeat = "500 ms"
[identity]
vendor = 0xABC
product = 9
[running]
index = 0x2101
type = "s16"
above = 20
[[setting]]
key = "limits.motor_current"
index = 0x2010
type = "u16"
unit = "A"
scale = "0.5 A"
min = "0 A"
max = "250 A"
[[reading]]
key = "voltage"
index = 0x2100
type = "u16"
tpdo = 1
unit = "V"
scale = "10 mV"
[[reading]]
key = "motor_current"
index = 0x2101
type = "s16"
tpdo = 1
unit = "A"
scale = "10 mA"
[[reading]]
key = "motor_speed"
index = 0x2102
type = "s16"
unit = "1/min"
scale = "1 1/min"
[throttle]
index = 0x2300
type = "s16"
zero = 0
ahead = 1000
rpdo = 1
watch = "commands"
command_timeout = "1 s"
`

// A node that nobody here wrote, and that is odd as a cheap controller may be: it answers a U32 without its size, is silent to a
// request that is too short, tells no boot-up, has an event timer for its RPDO (1400:05 = 1 s) and does nothing when that
// runs out. What is read of it is right, and its throttle is refused by the proof, at zero.
func TestDeviantNodeIsReadRightAndItsThrottleRefused(t *testing.T) {
	folder, err := filepath.Abs("../../.ci/cache/canopen/node_modules")
	require.NoError(t, err)
	if _, err := os.Stat(filepath.Join(folder, "canopen")); err != nil {
		t.Skip("NOT TESTED AGAINST A FOREIGN NODE: the npm module canopen is not there (npm install --ignore-scripts --prefix .ci/cache/canopen canopen@6.2.1)")
	}
	node, err := exec.LookPath("node")
	if err != nil {
		t.Skip("NOT TESTED AGAINST A FOREIGN NODE: no node here")
	}
	near, far, err := port.Pseudo()
	if err != nil {
		t.Skip("no pseudo-terminal here: ", err)
	}
	defer near.Close()
	peer := exec.CommandContext(t.Context(), node, "testdata/deviant.js", folder, far)
	peer.Stderr = os.Stderr
	out, err := peer.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, peer.Start())
	defer func() { _ = peer.Process.Kill(); _ = peer.Wait() }()
	_, err = bufio.NewReader(out).ReadString('\n')
	require.NoError(t, err)

	m, err := objmap.Load("deviant.toml", []byte(deviantMap), nil)
	require.NoError(t, err)
	clock := port.SystemClock()
	ctx := t.Context()
	c, shut, err := objmap.Open(ctx, m, near, clock, false)
	require.NoError(t, err)
	held, err := c.ReadSettings(ctx)
	require.NoError(t, err)
	assert.Equal(t, map[string]float64{"limits.motor_current": 140}, held)
	stored, err := c.WriteSetting(ctx, "limits.motor_current", 120)
	require.NoError(t, err)
	assert.InDelta(t, 120, stored, 1e-9)
	s, err := c.ReadTelemetry(ctx)
	require.NoError(t, err)
	assert.InDeltaSlice(t, []float64{53.36, 0, 0}, s.Values, 1e-9)

	require.NoError(t, c.MakeReady(ctx))
	byTPDO := false
	for range 50 {
		s, err = c.ReadTelemetry(ctx)
		require.NoError(t, err)
		require.NoError(t, c.CommandThrottle(ctx, 0.4))
		time.Sleep(20 * time.Millisecond)
		byTPDO = byTPDO || s.Origins[1].Source == "TPDO 1" && math.Abs(s.Values[1]-2) < 1e-9
	}
	assert.True(t, byTPDO, "its current of 2 A came by TPDO")
	require.NoError(t, c.CommandThrottle(ctx, 0))

	plan := &measure.ProofPlan{
		Share: 0.8, Hold: time.Second, Channel: link.MotorCurrent, Half: 1100 * time.Millisecond,
		Expect: []measure.Expected{{Channel: link.MotorCurrent, Time: []float64{0, 1}, Low: []float64{0, 3.9}, High: []float64{4.1, 4.1}, End: 4}},
	}
	_, err = measure.ProveTimeout(ctx, c, clock, plan)
	require.ErrorContains(t, err, "the controller went on for more than")
	require.ErrorContains(t, err, "throttle over the line is refused")
	assert.False(t, errors.As(err, new(*link.OtherwiseError)), "zero by RPDO, confirmed by SDO")
	time.Sleep(200 * time.Millisecond) // older than that nothing is believed
	s, err = c.ReadTelemetry(ctx)
	require.NoError(t, err)
	assert.Zero(t, s.Values[1])
	require.NoError(t, c.Close())
	require.NoError(t, shut())

	client, shut, err := objmap.Connect(ctx, m.Rate(), 5, near, clock, 3*time.Second, false)
	require.NoError(t, err)
	for range 100 {
		require.NoError(t, client.News(ctx))
		if state, at := client.State(); !at.IsZero() {
			assert.Equal(t, canopen.PreOperational, state, "it was started by us")
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	require.NoError(t, shut())
}
