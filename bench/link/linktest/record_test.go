package linktest_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"

	"quaybench/bench/link/fault"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// What a recorder notes, a playback gives back: values, refusals, silence.
func TestRecordingPlaysBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		timing := modbus.TimingAt(9600)
		near, far := linktest.Pipe()
		ctx, stop := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		server := modbus.NewServer(17, &linktest.Bank{Holding: []uint16{7, 8, 9}}, timing, port.WallClock{})
		go func() { ended <- server.Serve(ctx, far) }()

		var recording strings.Builder
		session := func(line port.Port) {
			m := modbus.NewMaster(line, timing, port.WallClock{})
			values, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 3)
			require.NoError(t, err)
			assert.Equal(t, []uint16{7, 8, 9}, values)
			_, err = m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 4)
			require.ErrorIs(t, err, modbus.IllegalDataAddress)
			_, err = m.ReadRegisters(ctx, 18, modbus.ReadHolding, 0, 1)
			require.ErrorIs(t, err, modbus.ErrNoReply)
			require.NoError(t, line.Close())
		}
		session(linktest.Record(near, &recording, port.WallClock{}))
		stop()
		<-ended
		assert.Equal(t, `0.000000 > 11 03 00 00 00 03 07 5b
0.004010 < 11 03 06 00 07 00 08 00 09 18 b1
0.008021 > 11 03 00 00 00 04 46 99
0.012031 < 11 83 02 c1 34
0.016042 > 12 03 00 00 00 01 86 a9
`, recording.String())

		stop2, cancel := context.WithCancel(t.Context())
		ctx = stop2
		defer cancel()
		line, err := linktest.Playback(strings.NewReader(recording.String()))
		require.NoError(t, err)
		session(line)
	})
}

func TestPlaybackRefuses(t *testing.T) {
	const recording = `# two exchanges and an unplugged line
0.0 > 01 02
0.1 < 03 04

0.2 > 05 06
0.3 ! read
`
	open := func() port.Port {
		p, err := linktest.Playback(strings.NewReader(recording))
		require.NoError(t, err)
		return p
	}
	read := func(p port.Port) (string, error) {
		buffer := make([]byte, 1)
		n, err := p.Read(t.Context(), buffer, time.Hour)
		return string(buffer[:n]), err
	}
	line := func(err error) int {
		var wrong *linktest.PlaybackError
		require.ErrorAs(t, err, &wrong)
		return wrong.Line
	}

	p := open()
	assert.Equal(t, 2, line(p.Close()), "nothing was used")

	p = open()
	assert.Equal(t, 2, line(p.Write(t.Context(), []byte{1})), "another write")
	assert.Equal(t, 2, line(p.Close()), "and it is not forgotten")

	p = open()
	_, err := read(p)
	require.ErrorIs(t, err, port.ErrTimeout, "nothing is read before it is asked for")
	require.NoError(t, p.Write(t.Context(), []byte{1, 2}))
	assert.Equal(t, 3, line(p.Write(t.Context(), []byte{5, 6})), "unread bytes")

	p = open()
	require.NoError(t, p.Write(t.Context(), []byte{1, 2}))
	for _, want := range []string{"\x03", "\x04"} { // a short buffer takes two reads
		got, err := read(p)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	assert.Equal(t, 5, line(p.Close()), "leftovers")
	require.ErrorIs(t, p.Write(t.Context(), []byte{5, 6}), port.ErrClosed)

	p = open()
	require.NoError(t, p.Write(t.Context(), []byte{1, 2}))
	_, _ = read(p)
	_, _ = read(p)
	require.NoError(t, p.Write(t.Context(), []byte{5, 6}))
	var lost *port.LostError
	_, err = read(p)
	require.ErrorAs(t, err, &lost)
	require.ErrorAs(t, p.Write(t.Context(), []byte{5, 6}), &lost, "gone is gone")
	require.NoError(t, p.Close())

	for _, bad := range []string{"0 > 0x", "hello", "0 ? 01", "0 ! sleep", "0 >"} {
		_, err := linktest.Playback(strings.NewReader(bad))
		assert.Equal(t, 1, line(err), bad)
	}
	p, err = linktest.Playback(strings.NewReader(""))
	require.NoError(t, err)
	assert.Equal(t, 0, line(p.Write(t.Context(), []byte{1})))
}

// failing is a full disk.
type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("no space left") }

func TestRecorderWithoutSpaceLeavesTheLineAlone(t *testing.T) {
	near, far := linktest.Pipe()
	p := linktest.Record(near, failing{}, port.WallClock{})
	require.NoError(t, p.Write(t.Context(), []byte("still goes out")))
	buffer := make([]byte, 20)
	n, err := far.Read(t.Context(), buffer, 0)
	require.NoError(t, err)
	assert.Equal(t, "still goes out", string(buffer[:n]))
	assert.ErrorContains(t, p.Close(), "no space left")
}

// A recorder changes nothing about the line.
func TestRecordedPortConforms(t *testing.T) {
	linktest.Port(t, func(t *testing.T) (a, b port.Port) {
		near, far := linktest.Pipe()
		t.Cleanup(func() { near.Close(); far.Close() })
		var text strings.Builder
		return linktest.Record(near, &text, port.WallClock{}), far
	})
	linktest.Port(t, func(t *testing.T) (a, b port.Port) {
		near, far := linktest.Pipe()
		t.Cleanup(func() { near.Close(); far.Close() })
		return linktest.Misbehave(near, port.WallClock{}, fault.Fault{}, linktest.Always), far
	})
}

func FuzzPlayback(f *testing.F) {
	f.Add("0.0 > 01 02\n0.1 < 03 04\n0.3 ! read\n")
	f.Fuzz(func(t *testing.T, text string) {
		p, err := linktest.Playback(strings.NewReader(text))
		if err != nil {
			return
		}
		_, _ = p.Read(t.Context(), make([]byte, 4), 0)
		_ = p.Write(t.Context(), []byte{1, 2})
		_ = p.Close()
	})
}
