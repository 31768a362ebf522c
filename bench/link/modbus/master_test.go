package modbus_test

import (
	"bytes"
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
)

var at9600 = modbus.TimingAt(9600)

// patient is for lines in real time, on a machine that stalls: nothing waits
// so long where all is well.
var patient = func() modbus.Timing {
	timing := modbus.TimingAt(115200)
	timing.Turnaround = 10 * time.Second
	return timing
}()

// piece is what a scripted slave sends: bytes, after a pause.
type piece struct {
	after time.Duration
	bytes []byte
}

// slave answers each request with the next script, and notes when requests came.
type slave struct {
	near     port.Port
	far      port.Port
	requests [][]byte
	at       []time.Time
}

// when tells the time of request i, once everybody waits.
func (s *slave) when(i int) time.Time {
	synctest.Wait()
	return s.at[i]
}

// scripted runs a master against a slave that answers request i with script i.
// It runs inside a synctest bubble.
func scripted(t *testing.T, timing modbus.Timing, scripts ...[]piece) (*modbus.Master, *slave) {
	near, far := linktest.Pipe()
	s := &slave{near: near, far: far}
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		buffer := make([]byte, 256)
		for _, script := range scripts {
			n, err := far.Read(t.Context(), buffer, time.Hour)
			if err != nil {
				return
			}
			s.requests = append(s.requests, bytes.Clone(buffer[:n]))
			s.at = append(s.at, time.Now())
			for _, p := range script {
				time.Sleep(p.after)
				if far.Write(t.Context(), p.bytes) != nil {
					return
				}
			}
		}
	}()
	t.Cleanup(func() {
		near.Close()
		far.Close()
		<-ended
	})
	return modbus.NewMaster(near, timing, port.WallClock{}), s
}

func now(p []byte) []piece { return []piece{{0, p}} }

const (
	readThree   = "03 06 02 2B 00 00 00 64" // reply to reading three registers from 0x6B
	writeThree  = "06 00 01 00 03"          // reply to writing 3 into register 1
	refusedRead = "83 02"
)

func read3(t *testing.T, m *modbus.Master) ([]uint16, error) {
	return m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, 0x6B, 3)
}

func write3(t *testing.T, m *modbus.Master) error { return m.WriteRegister(t.Context(), 17, 1, 3) }

// Each way a reply can be wrong is its own error, for reads and for writes.
func TestEachBadReplyIsItsOwnError(t *testing.T) {
	flip := func(p []byte, i int) []byte {
		p = bytes.Clone(p)
		p[i] ^= 0x20
		return p
	}
	fromUnit := func(unit byte, body string) []byte {
		p := unhex(t, body)
		return modbus.Frame{Unit: unit, Function: modbus.Function(p[0]), Data: p[1:]}.Bytes()
	}
	read, write := wire(t, readThree), wire(t, writeThree)
	noise := []byte{0x00, 0x5A, 0xFF, 0x13, 0x37, 0x80}

	for name, c := range map[string]struct {
		read, write []byte
		want        error
	}{
		"silence":                   {nil, nil, modbus.ErrNoReply},
		"bad check sum in value":    {flip(read, 4), flip(write, 4), modbus.ErrCRC},
		"bad check sum in sum":      {flip(read, len(read)-1), flip(write, 7), modbus.ErrCRC},
		"bad check sum in unit":     {flip(read, 0), flip(write, 0), modbus.ErrCRC},
		"bad check sum, refusal":    {flip(wire(t, refusedRead), 3), flip(wire(t, "86 02"), 3), modbus.ErrCRC},
		"one byte":                  {read[:1], write[:1], modbus.ErrHalfFrame},
		"half a frame":              {read[:6], write[:5], modbus.ErrHalfFrame},
		"all but the last byte":     {read[:len(read)-1], write[:7], modbus.ErrHalfFrame},
		"half a refusal":            {wire(t, refusedRead)[:3], wire(t, "86 02")[:3], modbus.ErrHalfFrame},
		"noise":                     {noise, noise, modbus.ErrNoise},
		"one byte of noise":         {noise[:1], noise[:1], modbus.ErrNoise},
		"noise before the reply":    {slices.Concat(noise, read), slices.Concat(noise, write), modbus.ErrNoise},
		"one byte before the reply": {slices.Concat([]byte{0}, read), slices.Concat([]byte{0}, write), modbus.ErrNoise},
		"noise after the reply":     {slices.Concat(read, noise), slices.Concat(write, noise), modbus.ErrNoise},
		"a zero after the reply":    {append(bytes.Clone(read), 0), append(bytes.Clone(write), 0), modbus.ErrNoise},
		"endless noise":             {bytes.Repeat(noise, 500), bytes.Repeat(noise, 500), modbus.ErrNoise},
		"the frame twice":           {slices.Concat(read, read), slices.Concat(write, write), modbus.ErrDuplicate},
		"the frame three times":     {slices.Concat(read, read, read), slices.Concat(write, write, write), modbus.ErrDuplicate},
		"a refusal twice": {
			slices.Concat(wire(t, refusedRead), wire(t, refusedRead)), slices.Concat(wire(t, "86 02"), wire(t, "86 02")), modbus.ErrDuplicate,
		},
		"another unit's reply":     {fromUnit(18, readThree), fromUnit(18, writeThree), modbus.ErrWrongUnit},
		"another unit's refusal":   {fromUnit(18, refusedRead), fromUnit(18, "86 02"), modbus.ErrWrongUnit},
		"a reply to another":       {write, read, modbus.ErrWrongFunction},
		"a refusal to another":     {wire(t, "86 02"), wire(t, refusedRead), modbus.ErrWrongFunction},
		"fewer values than asked":  {wire(t, "03 04 02 2B 00 00"), wire(t, "06 00 01"), modbus.ErrLength},
		"more values than asked":   {wire(t, "03 08 02 2B 00 00 00 64 00 00"), wire(t, "06 00 01 00 03 00"), modbus.ErrLength},
		"a byte count that lies":   {wire(t, "03 04 02 2B 00 00 00 64"), wire(t, "06 00 01 00"), modbus.ErrLength},
		"a refusal of wrong size":  {wire(t, "83 02 02"), wire(t, "86"), modbus.ErrLength},
		"another value confirmed":  {nil, wire(t, "06 00 01 00 04"), modbus.ErrEcho},
		"another address answered": {nil, wire(t, "06 00 02 00 03"), modbus.ErrEcho},
	} {
		check := func(way string, reply []byte, function modbus.Function, act func(*testing.T, *modbus.Master) error) {
			t.Run(name+", "+way, func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					m, _ := scripted(t, at9600, now(reply))
					err := act(t, m)
					require.ErrorIs(t, err, c.want)
					var detail *modbus.ReplyError
					require.ErrorAs(t, err, &detail)
					assert.Equal(t, byte(17), detail.Unit)
					assert.Equal(t, function, detail.Function)
					stats, err := m.Stats(t.Context())
					require.NoError(t, err)
					assert.Equal(t, modbus.Stats{Requests: 1, Failures: 1}, stats)
				})
			})
		}
		if c.want != modbus.ErrEcho {
			check("reading", c.read, modbus.ReadHolding, func(t *testing.T, m *modbus.Master) error {
				values, err := read3(t, m)
				assert.Nil(t, values, "no value may come with an error")
				return err
			})
		}
		check("writing", c.write, modbus.WriteRegister, write3)
	}
}

func TestLongWreckIsShownShort(t *testing.T) {
	err := &modbus.ReplyError{Unit: 17, Function: modbus.ReadHolding, Raw: make([]byte, 200), Err: modbus.ErrNoise}
	assert.Contains(t, err.Error(), "and 176 more bytes")
	assert.Contains(t, err.Error(), "unit 17, read holding registers")
}

func TestSilenceLastsAsLongAsAReplyMayTake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := scripted(t, at9600, nil)
		_, err := read3(t, m)
		require.ErrorIs(t, err, modbus.ErrNoReply)
		// The request's own 8 characters, the slave's turn, the adapter's delay.
		assert.Equal(t, 8*at9600.Character+at9600.Turnaround+at9600.HandOver, time.Since(s.when(0)))
	})
}

func TestSlowReplyWithinPatienceIsAReply(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, _ := scripted(t, at9600, []piece{{at9600.Turnaround, wire(t, readThree)}})
		values, err := read3(t, m)
		require.NoError(t, err)
		assert.Equal(t, []uint16{555, 0, 100}, values)
	})
}

// An adapter hands a frame over in pieces; a pause as long as it may take is
// no end of a frame, a longer one is.
func TestPauseInsideAReply(t *testing.T) {
	for _, c := range []struct {
		name     string
		handOver time.Duration
		pause    time.Duration
		want     error
	}{
		{"within the adapter's delay", 20 * time.Millisecond, 20 * time.Millisecond, nil},
		{"beyond it", 20 * time.Millisecond, 22 * time.Millisecond, modbus.ErrHalfFrame},
		// With no adapter between, t1.5 holds as the specification has it.
		{"one character, no adapter", 0, at9600.Character, nil},
		{"two characters, no adapter", 0, 2 * at9600.Character, modbus.ErrHalfFrame},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				timing := at9600
				timing.HandOver = c.handOver
				reply := wire(t, readThree)
				m, _ := scripted(t, timing, []piece{{0, reply[:4]}, {c.pause, reply[4:]}})
				_, err := read3(t, m)
				assert.ErrorIs(t, err, c.want)
			})
		})
	}
}

func TestDribbleEndsInBoundedTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var script []piece
		for range 2000 {
			script = append(script, piece{19 * time.Millisecond, []byte{0x55}})
		}
		m, _ := scripted(t, at9600, script)
		start := time.Now()
		_, err := m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, 0, 125) // 255 bytes, 4.8 s at this pace
		require.ErrorIs(t, err, modbus.ErrNoise)
		assert.Less(t, time.Since(start), time.Second)
	})
}

// Requests keep t3.5 of distance from whatever was on the line last.
func TestSilenceBetweenFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := scripted(t, at9600, now(wire(t, readThree)), now(wire(t, readThree)))
		for range 2 {
			_, err := read3(t, m)
			require.NoError(t, err)
		}
		assert.Equal(t, at9600.Between, s.when(1).Sub(s.when(0)), "back to back, the silence is all there is between")
	})
}

func TestStaleBytesAreThrownAwayBeforeARequest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := scripted(t, at9600, now(wire(t, readThree)), now(wire(t, writeThree)))
		stale := []byte("left over")
		require.NoError(t, s.far.Write(t.Context(), stale))
		values, err := read3(t, m)
		require.NoError(t, err)
		assert.Equal(t, []uint16{555, 0, 100}, values)

		require.NoError(t, s.far.Write(t.Context(), stale))
		require.NoError(t, write3(t, m))
		stats, err := m.Stats(t.Context())
		require.NoError(t, err)
		assert.Equal(t, modbus.Stats{Requests: 2, Replies: 2, StaleBytes: 2 * len(stale)}, stats)
	})
}

// The trap of a protocol without numbered requests: the reply to a request
// given up comes just after the next one went out, has the same shape and is
// believed.
func TestLateReplyIsNotTakenForTheNextOne(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		late := wire(t, "03 06 00 01 00 02 00 03")
		lateness := 8*at9600.Character + at9600.Turnaround + at9600.HandOver + 5*time.Millisecond
		m, s := scripted(t, at9600, []piece{{lateness, late}}, now(wire(t, readThree)))
		_, err := m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, 0, 3)
		require.ErrorIs(t, err, modbus.ErrNoReply)
		values, err := read3(t, m)
		require.NoError(t, err)
		assert.Equal(t, []uint16{555, 0, 100}, values)
		synctest.Wait()
		require.Len(t, s.requests, 2)
		stats, err := m.Stats(t.Context())
		require.NoError(t, err)
		assert.Equal(t, len(late), stats.StaleBytes)
	})
}

// A reply that comes twice, the second time just after the next request went
// out, is believed: nothing in it tells. The true reply, coming unasked, gives
// it away at the next read.
func TestReplyTwiceAcrossRequestsIsGivenAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		first, second, third := wire(t, "03 02 00 01"), wire(t, "03 02 00 02"), wire(t, "03 02 00 03")
		m, _ := scripted(t, at9600,
			now(first),
			[]piece{{0, first}, {20 * time.Millisecond, second}},
			now(third))
		ask := func(address uint16) (uint16, error) {
			values, err := m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, address, 1)
			if err != nil {
				return 0, err
			}
			return values[0], nil
		}
		value, err := ask(1)
		require.NoError(t, err)
		require.Equal(t, uint16(1), value)
		value, err = ask(2)
		require.NoError(t, err)
		require.Equal(t, uint16(1), value, "wrong, and nothing can tell yet")
		time.Sleep(50 * time.Millisecond) // until the next sample
		_, err = ask(3)
		require.ErrorIs(t, err, modbus.ErrOutOfStep)
		value, err = ask(3)
		require.NoError(t, err)
		require.Equal(t, uint16(3), value)
	})
}

// A write may be the one that stops a motor: it doesn't wait for late replies,
// and knows its own confirmation.
func TestWriteDoesNotWaitForLateReplies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, s := scripted(t, at9600, nil, now(wire(t, writeThree)))
		_, err := read3(t, m)
		require.ErrorIs(t, err, modbus.ErrNoReply)
		failed := time.Now()
		require.NoError(t, write3(t, m))
		assert.Zero(t, s.when(1).Sub(failed))
	})
}

// On a line that babbles without end reads are refused, writes still go out.
func TestBabblingLine(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := linktest.Pipe()
		defer near.Close()
		ctx, stop := context.WithCancel(t.Context())
		defer stop()
		go func() {
			for port.WallClock.Sleep(port.WallClock{}, ctx, time.Millisecond) == nil {
				_ = far.Write(ctx, []byte{0xAA})
			}
		}()
		m := modbus.NewMaster(near, at9600, port.WallClock{})
		time.Sleep(10 * time.Millisecond)

		_, err := read3(t, m)
		require.ErrorIs(t, err, modbus.ErrNoise)
		_, err = far.Read(t.Context(), make([]byte, 8), 0)
		require.ErrorIs(t, err, port.ErrTimeout, "the read was not sent")

		start := time.Now()
		require.ErrorIs(t, write3(t, m), modbus.ErrNoise)
		sent := make([]byte, 64)
		n, err := far.Read(t.Context(), sent, 0)
		require.NoError(t, err)
		assert.Equal(t, wire(t, writeThree), sent[:n])
		assert.Less(t, time.Since(start), time.Second)
	})
}

func TestContextEndsAnExchange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, _ := scripted(t, at9600, nil)
		ctx, cancel := context.WithTimeout(t.Context(), 3*time.Millisecond)
		defer cancel()
		start := time.Now()
		_, err := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 1)
		assert.ErrorIs(t, err, context.DeadlineExceeded)
		assert.Equal(t, 3*time.Millisecond, time.Since(start))
	})
}

func TestUnpluggedLine(t *testing.T) {
	near, far := linktest.Pipe()
	require.NoError(t, far.Close())
	m := modbus.NewMaster(near, at9600, port.WallClock{})
	var lost *port.LostError
	_, err := read3(t, m)
	assert.ErrorAs(t, err, &lost)
	assert.ErrorAs(t, write3(t, m), &lost)
}

func TestImpossibleRequestsAreNotSent(t *testing.T) {
	near, _ := linktest.Pipe()
	m := modbus.NewMaster(near, at9600, port.WallClock{})
	ctx := t.Context()
	_, tooMany := m.ReadRegisters(ctx, 17, modbus.ReadHolding, 0, 126)
	_, none := m.ReadBits(ctx, 17, modbus.ReadCoils, 0, 0)
	_, beyond := m.ReadRegisters(ctx, 17, modbus.ReadInput, 65535, 2)
	_, everybody := m.ReadBits(ctx, 0, modbus.ReadDiscrete, 0, 1)
	for _, err := range []error{
		tooMany, none, beyond, everybody,
		m.WriteRegister(ctx, 0, 0, 1), // a broadcast confirms nothing
		m.WriteRegister(ctx, 248, 0, 1),
		m.WriteCoil(ctx, 0, 0, true),
		m.WriteRegisters(ctx, 17, 0, make([]uint16, 124)),
		m.WriteRegisters(ctx, 17, 0, nil),
		m.WriteCoils(ctx, 17, 0, make([]bool, 1969)),
	} {
		var impossible *modbus.RequestError
		assert.ErrorAs(t, err, &impossible)
	}
	stats, err := m.Stats(ctx)
	require.NoError(t, err)
	assert.Zero(t, stats)
	assert.Panics(t, func() { _, _ = m.ReadBits(ctx, 17, modbus.ReadHolding, 0, 1) })
	assert.Panics(t, func() { modbus.NewServer(0, &linktest.Bank{}, at9600, port.WallClock{}) })
}

// Goroutines that share a master take turns; each gets its own answer.
func TestSharedMaster(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, stop := served(t, &linktest.Bank{Holding: []uint16{0, 1, 2, 3, 4, 5, 6, 7}}, linktest.Pipe)
		defer stop()
		done := make(chan bool)
		for i := range 8 {
			go func() {
				values, err := m.ReadRegisters(t.Context(), 17, modbus.ReadHolding, uint16(i), 1)
				assert.NoError(t, err)
				assert.Equal(t, []uint16{uint16(i)}, values)
				done <- true
			}()
		}
		for range 8 {
			<-done
		}
	})
}

// served joins a master with a server over a line.
func served(t *testing.T, handler modbus.Handler, pair func() (a, b port.Port)) (m *modbus.Master, stop func()) {
	near, far := pair()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	timing := patient
	go func() { ended <- modbus.NewServer(17, handler, timing, port.WallClock{}).Serve(ctx, far) }()
	return modbus.NewMaster(near, timing, port.WallClock{}), func() {
		cancel()
		assert.ErrorIs(t, <-ended, context.Canceled)
		near.Close()
		far.Close()
	}
}

// late is a clock at one of whose readings this machine is busy with other things for 0.6 s.
type late struct {
	port.WallClock
	at, n int
}

func (c *late) Now() time.Time {
	if c.n++; c.n == c.at {
		time.Sleep(600 * time.Millisecond)
	}
	return c.WallClock.Now()
}

// A machine that is late, at whatever instant of an exchange, finds the reply that came meanwhile; one that never came is
// missed all the same.
func TestALateMachineFindsTheReply(t *testing.T) {
	whole := wire(t, readThree)
	for name, c := range map[string]struct {
		script []piece
		comes  bool
	}{
		"at once":       {now(whole), true},
		"in two pieces": {[]piece{{5 * time.Millisecond, whole[:4]}, {5 * time.Millisecond, whole[4:]}}, true},
		"never":         {nil, false},
		"half of it":    {now(whole[:4]), false},
	} {
		for at := 1; at < 10; at++ {
			synctest.Test(t, func(t *testing.T) {
				_, s := scripted(t, at9600, c.script)
				m := modbus.NewMaster(s.near, at9600, &late{at: at})
				_, err := read3(t, m)
				assert.Equal(t, c.comes, err == nil, "%s, late at reading %d of the clock: %v", name, at, err)
			})
		}
	}
}
