package modbus_test

import (
	"bufio"
	"bytes"
	"context"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

// Tests against libmodbus (Debian: libmodbus-dev and gcc), which nobody here
// wrote, over pseudo-terminals.

// compiled builds a C program of testdata against libmodbus.
func compiled(t *testing.T, name string) string {
	t.Helper()
	cc, err := exec.LookPath("cc")
	if err != nil {
		t.Skip("NOT TESTED AGAINST LIBMODBUS: no C compiler here (apt-get install gcc libmodbus-dev pkg-config)")
	}
	flags, err := exec.CommandContext(t.Context(), "pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		t.Skip("NOT TESTED AGAINST LIBMODBUS: pkg-config does not find it (apt-get install gcc libmodbus-dev pkg-config)")
	}
	program := filepath.Join(t.TempDir(), name)
	args := append([]string{"-o", program, filepath.Join("testdata", name+".c")}, strings.Fields(string(flags))...)
	said, err := exec.CommandContext(t.Context(), cc, args...).CombinedOutput()
	require.NoError(t, err, string(said))
	return program
}

var update = flag.Bool("update", false, "record the line to libmodbus again")

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

func TestMasterAgainstLibmodbusSlave(t *testing.T) {
	program := compiled(t, "libmodbus_slave")
	near, far, err := port.Pseudo()
	require.NoError(t, err)
	defer near.Close()
	ctx, stop := context.WithCancel(t.Context())
	slave := exec.CommandContext(ctx, program, far, "115200")
	said, err := slave.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, slave.Start())
	defer func() {
		stop()
		_ = slave.Wait() // killed: its exit code says nothing
	}()
	ready, err := bufio.NewReader(said).ReadString('\n')
	require.NoError(t, err)
	require.Equal(t, "ready\n", ready)

	var recording bytes.Buffer
	recording.WriteString("# libmodbus 3.1.6 (Debian), testdata/libmodbus_slave.c, over a pseudo-terminal.\n")
	libmodbusSession(t, linktest.Record(near, &recording, port.WallClock{}))
	if *update {
		require.NoError(t, os.WriteFile("testdata/libmodbus.line", recording.Bytes(), 0o644))
	}
}

func TestLibmodbusMasterAgainstServer(t *testing.T) {
	program := compiled(t, "libmodbus_master")
	near, far, err := port.Pseudo()
	require.NoError(t, err)
	defer near.Close()
	ctx, stop := context.WithCancel(t.Context())
	bank := &modbus.Bank{Coils: make([]bool, 100), Discrete: fromDigits("1001"), Holding: make([]uint16, 100), Input: []uint16{1000, 1001}}
	ended := make(chan error, 1)
	server := modbus.NewServer(17, bank, modbus.TimingAt(115200), port.WallClock{})
	go func() { ended <- server.Serve(ctx, near) }()

	said, err := exec.CommandContext(ctx, program, far, "115200").CombinedOutput()
	stop()
	require.ErrorIs(t, <-ended, context.Canceled)
	require.NoError(t, err, string(said))
	assert.Equal(t, `write coils: 5
write coil: 1
read coils: 5
11110
read discrete inputs: 4
1001
write registers: 3
write register: 1
read registers: 3
1234 ffff 8000
read input registers: 2
1000 1001
96 count 4: 4
96 count 5: Illegal data address
`, string(said))
	assert.Zero(t, server.Wrecks())
}
