//go:build slow && unix

package port_test

import (
	"context"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/port"
)

// terminal joins a real serial port of the library with a pseudo-terminal.
func terminal(t *testing.T) (near, far port.Port) {
	far, name, err := port.Pseudo()
	require.NoError(t, err)
	near, err = port.Open(port.Address{Name: name, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
	require.NoError(t, err)
	closeBoth(t, near, far)
	return near, far
}

func TestSerialPortOnAPseudoTerminal(t *testing.T) {
	linktest.Port(t, terminal)
	t.Run("unplugged", func(t *testing.T) {
		near, far := terminal(t)
		require.NoError(t, far.Close()) // the terminal hangs up, as an adapter pulled out does
		var lost *port.LostError
		_, err := near.Read(t.Context(), make([]byte, 8), 5*time.Second)
		require.ErrorAs(t, err, &lost)
		require.ErrorAs(t, near.Write(t.Context(), []byte("x")), &lost)
	})
}

// Nobody reads the far end: the terminal's buffer fills and the write blocks
// in the kernel, where no deadline reaches it.
func TestWriteIntoAFullTerminalTimesOutAndFreesTheWriter(t *testing.T) {
	near, far := terminal(t)
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	var err error
	for err == nil {
		err = near.Write(ctx, make([]byte, 4096))
	}
	require.ErrorIs(t, err, context.DeadlineExceeded)
	_, err = far.Read(t.Context(), make([]byte, 8), 0) // TCOFLUSH need not have emptied what the far end holds
	if err != nil {
		require.ErrorIs(t, err, port.ErrTimeout)
	}
	require.NoError(t, near.Close(), "Close must not wait for ever; goleak sees a writer left behind")
}

func network(t *testing.T) (near, far port.Port) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	defer listener.Close()
	a, err := net.Dial("tcp", listener.Addr().String())
	require.NoError(t, err)
	b, err := listener.Accept()
	require.NoError(t, err)
	near, far = port.Over(a.(*net.TCPConn), "a"), port.Over(b.(*net.TCPConn), "b")
	closeBoth(t, near, far)
	return near, far
}

func TestNetworkConnection(t *testing.T) {
	linktest.Port(t, network)
	linktest.PortLoss(t, network)
}

func TestFarEndOfAPseudoTerminalMayComeAndGo(t *testing.T) {
	far, name, err := port.Pseudo()
	require.NoError(t, err)
	defer far.Close()
	for range 3 {
		near, err := port.Open(port.Address{Name: name, Baud: 9600, DataBits: 8, Parity: port.None, StopBits: 1})
		require.NoError(t, err)
		require.NoError(t, near.Write(t.Context(), []byte("hello")))
		buf := make([]byte, 5)
		n, err := far.Read(t.Context(), buf, 5*time.Second)
		require.NoError(t, err)
		require.Equal(t, "hello", string(buf[:n]))
		require.NoError(t, near.Close())
		_, err = far.Read(t.Context(), buf, time.Millisecond)
		require.ErrorIs(t, err, port.ErrTimeout, "nobody there is silence, not a loss")
	}
}
