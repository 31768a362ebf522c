//go:build slow && unix

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

// TestEveryFunctionOverAPseudoTerminal: see TestEveryFunctionAgainstTheServer.
func TestEveryFunctionOverAPseudoTerminal(t *testing.T) {
	b := anyBank()
	m, stop := served(t, b, func() (port.Port, port.Port) { return terminalPair(t) })
	defer stop()
	everyFunction(t, m, b.Discrete, b.Input)
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
	bank := &linktest.Bank{Coils: make([]bool, 100), Discrete: fromDigits("1001"), Holding: make([]uint16, 100), Input: []uint16{1000, 1001}}
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
