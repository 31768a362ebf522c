package modbus_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// terminalPair joins a real serial port with a pseudo-terminal.
func terminalPair(t testing.TB) (near, far port.Port) {
	far, name, err := port.Pseudo()
	require.NoError(t, err)
	near, err = port.Open(port.Address{Name: name, Baud: 115200, DataBits: 8, Parity: port.None, StopBits: 1})
	require.NoError(t, err)
	return near, far
}

// everyFunction asks a unit with at least ten of everything, all writable
// ones zero, for each function and checks what comes back.
func everyFunction(t *testing.T, m *modbus.Master, discrete []bool, input []uint16) {
	ctx := t.Context()
	bits := fromDigits("1011001110")
	require.NoError(t, m.WriteCoils(ctx, 17, 0, bits))
	require.NoError(t, m.WriteCoil(ctx, 17, 1, true))
	require.NoError(t, m.WriteCoil(ctx, 17, 0, false))
	got, err := m.ReadBits(ctx, 17, modbus.ReadCoils, 0, 10)
	require.NoError(t, err)
	assert.Equal(t, "0111001110", digits(got))

	got, err = m.ReadBits(ctx, 17, modbus.ReadDiscrete, 0, len(discrete))
	require.NoError(t, err)
	assert.Equal(t, discrete, got)

	require.NoError(t, m.WriteRegisters(ctx, 17, 2, []uint16{0x1234, 0xFFFF, 0}))
	require.NoError(t, m.WriteRegister(ctx, 17, 5, 0x8000))
	registers, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 10)
	require.NoError(t, err)
	assert.Equal(t, []uint16{0, 0, 0x1234, 0xFFFF, 0, 0x8000, 0, 0, 0, 0}, registers)

	registers, err = m.ReadRegisters(ctx, 17, modbus.ReadInput, 0, len(input))
	require.NoError(t, err)
	assert.Equal(t, input, registers)
}

// anyBank returns a unit for everyFunction.
func anyBank() *linktest.Bank {
	return &linktest.Bank{
		Coils: make([]bool, 10), Discrete: fromDigits("1100101"), Holding: make([]uint16, 10), Input: []uint16{7, 65535, 0},
	}
}

func TestEveryFunctionAgainstTheServer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := anyBank()
		m, stop := served(t, b, linktest.Pipe)
		defer stop()
		everyFunction(t, m, b.Discrete, b.Input)
	})
}

// Whatever is written comes back, for any values and the largest counts.
func TestWrittenValuesReadBack(t *testing.T) {
	const size = modbus.MaxReadBits
	server := modbus.NewServer(17, &linktest.Bank{Coils: make([]bool, size), Holding: make([]uint16, size)}, at9600, port.WallClock{})
	m := modbus.NewMaster(&loop{server: server}, at9600, port.WallClock{})
	ctx := t.Context()
	rapid.Check(t, func(t *rapid.T) {
		registers := rapid.SliceOfN(rapid.Uint16(), 1, modbus.MaxWriteRegisters).Draw(t, "registers")
		address := uint16(rapid.IntRange(0, size-len(registers)).Draw(t, "address"))
		require.NoError(t, m.WriteRegisters(ctx, 17, address, registers))
		got, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, address, len(registers))
		require.NoError(t, err)
		require.Equal(t, registers, got)

		bits := rapid.SliceOfN(rapid.Bool(), 1, modbus.MaxWriteBits).Draw(t, "bits")
		address = uint16(rapid.IntRange(0, size-len(bits)).Draw(t, "bit address"))
		require.NoError(t, m.WriteCoils(ctx, 17, address, bits))
		back, err := m.ReadBits(ctx, 17, modbus.ReadCoils, address, len(bits))
		require.NoError(t, err)
		require.Equal(t, bits, back)
	})
	_, err := m.ReadBits(ctx, 17, modbus.ReadCoils, 0, modbus.MaxReadBits)
	require.NoError(t, err)
}

// loop is a port whose far end is a server called directly.
type loop struct {
	server *modbus.Server
	reply  []byte
}

func (l *loop) Write(_ context.Context, p []byte) error {
	l.reply = l.server.Answer(p)
	return nil
}

func (l *loop) Read(_ context.Context, p []byte, _ time.Duration) (int, error) {
	if len(l.reply) == 0 {
		return 0, port.ErrTimeout
	}
	n := copy(p, l.reply)
	l.reply = l.reply[n:]
	return n, nil
}

func (l *loop) Close() error { return nil }

func TestServerStaysSilentWhereASlaveMust(t *testing.T) {
	bank := &linktest.Bank{Coils: make([]bool, 10), Holding: make([]uint16, 10)}
	server := modbus.NewServer(17, bank, at9600, port.WallClock{})
	good := wire(t, "06 00 01 00 03")
	assert.Nil(t, server.Answer(nil))
	assert.Zero(t, server.Wrecks())
	for _, broken := range [][]byte{good[:5], good[1:], append([]byte{0}, good...), append(good, 1), make([]byte, 300)} {
		assert.Nil(t, server.Answer(broken))
	}
	assert.Equal(t, 5, server.Wrecks())
	assert.Nil(t, server.Answer(modbus.Frame{Unit: 18, Function: 6, Data: good[2:6]}.Bytes()), "another unit's")
	assert.Zero(t, bank.Holding[1], "none of these may be carried out")

	everybody := modbus.Frame{Unit: 0, Function: 6, Data: good[2:6]}
	assert.Nil(t, server.Answer(everybody.Bytes()), "a broadcast is carried out in silence")
	assert.Equal(t, uint16(3), bank.Holding[1])
	everybody.Function = modbus.ReadHolding
	assert.Nil(t, server.Answer(everybody.Bytes()), "and one that reads makes no sense")
}

// moody is a handler that fails as told.
type moody struct {
	linktest.Bank
	err   error
	short bool
}

func (m *moody) ReadRegisters(table modbus.Table, address, count int) ([]uint16, error) {
	if m.short {
		count--
	}
	if m.err != nil {
		return nil, m.err
	}
	return make([]uint16, count), nil
}

func TestHandlerErrorsBecomeExceptions(t *testing.T) {
	for _, c := range []struct {
		handler *moody
		code    modbus.Code
	}{
		{&moody{err: modbus.ServerBusy}, modbus.ServerBusy},
		{&moody{err: errors.Join(errors.New("motor turns"), modbus.IllegalDataValue)}, modbus.IllegalDataValue},
		{&moody{err: errors.New("flash is worn")}, modbus.ServerFailure},
		{&moody{short: true}, modbus.ServerFailure},
	} {
		server := modbus.NewServer(17, c.handler, at9600, port.WallClock{})
		_, err := modbus.NewMaster(&loop{server: server}, at9600, port.WallClock{}).ReadRegisters(t.Context(), 17, modbus.ReadHolding, 0, 1)
		assert.ErrorIs(t, err, c.code)
		assert.ErrorContains(t, err, "unit 17 refuses to read holding registers")
	}
}

// A server finds the next request behind noise, half a frame and a request to
// somebody else, as long as silence parts them.
func TestServerRecovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := linktest.Pipe()
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error, 1)
		server := modbus.NewServer(17, &linktest.Bank{Holding: make([]uint16, 10)}, at9600, port.WallClock{})
		go func() { ended <- server.Serve(ctx, far) }()
		request := wire(t, "03 00 00 00 01")
		for _, rubbish := range [][]byte{{0x55}, []byte("noise noise"), request[:5], make([]byte, 2000)} {
			require.NoError(t, near.Write(ctx, rubbish))
			time.Sleep(time.Second)
		}
		require.NoError(t, near.Write(ctx, request))
		time.Sleep(time.Second)
		reply := make([]byte, 100)
		n, err := near.Read(ctx, reply, 0)
		require.NoError(t, err)
		assert.Equal(t, wire(t, "03 02 00 00"), reply[:n])
		cancel()
		assert.ErrorIs(t, <-ended, context.Canceled)
	})
}

func TestServerEndsWithTheLine(t *testing.T) {
	near, far := linktest.Pipe()
	require.NoError(t, near.Close())
	var lost *port.LostError
	assert.ErrorAs(t, modbus.NewServer(17, &linktest.Bank{}, at9600, port.WallClock{}).Serve(t.Context(), far), &lost)
}

// FuzzParseFrame: no input panics, and what is accepted is written back the same.
func FuzzParseFrame(f *testing.F) {
	f.Add(wire(f, readThree))
	f.Add(wire(f, refusedRead))
	f.Add([]byte{17, 3})
	f.Fuzz(func(t *testing.T, raw []byte) {
		frame, err := modbus.ParseFrame(raw)
		if err == nil {
			require.Equal(t, raw, frame.Bytes())
		}
	})
}

// FuzzReply: no reply, however broken, gives values and an error, or values
// that were not under a good check sum.
func FuzzReply(f *testing.F) {
	f.Add(wire(f, readThree))
	f.Add(append(wire(f, readThree), wire(f, readThree)...))
	f.Add(wire(f, refusedRead))
	f.Fuzz(func(t *testing.T, raw []byte) {
		m := modbus.NewMaster(&parrot{reply: raw}, at9600, port.WallClock{})
		values, err := m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, 0x6B, 3)
		if err != nil {
			require.Nil(t, values)
			return
		}
		require.Len(t, values, 3)
		frame, err := modbus.ParseFrame(raw)
		require.NoError(t, err)
		require.Equal(t, byte(17), frame.Unit)
	})
}

// parrot answers everything the same.
type parrot struct {
	loop
	reply []byte
}

func (p *parrot) Write(context.Context, []byte) error { p.loop.reply = p.reply; return nil }

// FuzzServer: no request panics, and every answer is a frame from the unit.
func FuzzServer(f *testing.F) {
	for _, example := range published {
		f.Add(unhex(f, example.request))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		if len(body) == 0 || len(body) > 252 {
			return
		}
		server := modbus.NewServer(17, &linktest.Bank{Coils: make([]bool, 10), Holding: make([]uint16, 10)}, at9600, port.WallClock{})
		answer := server.Answer(modbus.Frame{Unit: 17, Function: modbus.Function(body[0]), Data: body[1:]}.Bytes())
		frame, err := modbus.ParseFrame(answer)
		require.NoError(t, err)
		require.Equal(t, byte(17), frame.Unit)
		require.Equal(t, modbus.Function(body[0])|0x80, frame.Function|0x80)
	})
}

// BenchmarkExchange is one read of ten registers over a pseudo-terminal,
// silences included: what a sample costs at least.
func BenchmarkExchange(b *testing.B) {
	near, far := terminalPair(b)
	defer near.Close()
	defer far.Close()
	timing := modbus.TimingAt(115200)
	ctx, cancel := context.WithCancel(b.Context())
	defer cancel()
	go modbus.NewServer(17, &linktest.Bank{Holding: make([]uint16, 10)}, timing, port.WallClock{}).Serve(ctx, far)
	m := modbus.NewMaster(near, timing, port.WallClock{})
	for b.Loop() {
		if _, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 10); err != nil {
			b.Fatal(err)
		}
	}
}
