package modbus_test

import (
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// libmodbusSession is everything that is asked of the slave. It takes the same
// questions in the same order whether it is there or played back.
func libmodbusSession(t *testing.T, line port.Port) {
	ctx := t.Context()
	m := modbus.NewMaster(line, patient, port.WallClock{})
	everyFunction(t, m, fromDigits("10010010"), []uint16{1000, 1001, 1002})

	// Address rule (X-08, confirmed).
	_, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 96, 4)
	require.NoError(t, err)
	_, err = m.ReadRegisters(ctx, 17, modbus.ReadHolding, 96, 5)
	require.ErrorIs(t, err, modbus.IllegalDataAddress)
	require.ErrorIs(t, m.WriteRegister(ctx, 17, 100, 1), modbus.IllegalDataAddress)
	require.ErrorIs(t, m.WriteCoils(ctx, 17, 99, []bool{true, true}), modbus.IllegalDataAddress)

	// As long as its tables.
	values := make([]uint16, 100)
	for i := range values {
		values[i] = uint16(i * 321)
	}
	require.NoError(t, m.WriteRegisters(ctx, 17, 0, values))
	got, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 100)
	require.NoError(t, err)
	assert.Equal(t, values, got)

	hasty := modbus.NewMaster(line, modbus.TimingAt(115200), port.WallClock{})
	_, err = hasty.ReadRegisters(ctx, 18, modbus.ReadHolding, 0, 1)
	require.ErrorIs(t, err, modbus.ErrNoReply, "another unit stays silent")

	stats, err := m.Stats(ctx)
	require.NoError(t, err)
	assert.Equal(t, modbus.Stats{Requests: 15, Replies: 12, Refusals: 3}, stats, "every exchange went right")
	require.NoError(t, line.Close())
}

// What libmodbus 3.1.6 said over the line, as recorded: this test needs no
// compiler.
func TestMasterAgainstRecordedLibmodbusSlave(t *testing.T) {
	recording, err := os.Open("testdata/libmodbus.line")
	require.NoError(t, err)
	defer recording.Close()
	line, err := linktest.Playback(recording)
	require.NoError(t, err)
	libmodbusSession(t, line)
}
