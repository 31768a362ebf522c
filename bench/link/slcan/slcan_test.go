package slcan

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
)

// The published lines (testdata/can/vectors.csv, V-S1 to V-S10, from the Linux driver's comments and public adapter texts).
func TestPublishedLines(t *testing.T) {
	for line, want := range map[string]string{
		"t1230":                          "123#",
		"t4563112233":                    "456#112233",
		"T12ABCDEF2AA55":                 "12ABCDEF#AA55",
		"r1230":                          "123#",
		"T1111222281122334455667788EA5F": "11112222#1122334455667788",
		"T0100011081122334455667788":     "01000110#1122334455667788",
		"t60284018100101000000":          "602#4018100101000000",
		"t7021051234":                    "702#05", // with a time stamp
	} {
		f, ok := parseFrame([]byte(line))
		require.True(t, ok, line)
		assert.Equal(t, want, f.String(), line)
		assert.Equal(t, line[0] == 'r', f.Remote)
		back, ok := parseFrame([]byte(strings.TrimSuffix(string(f.line()), "\r")))
		assert.True(t, ok)
		assert.Equal(t, f.String(), back.String())
	}
	for _, line := range []string{"t", "t12", "t1239", "t123811", "t8000", "tXYZ0", "T200000000", "t1231G1", "t12311122334455", "t123111ZZZZ", "t12301", "r123111"} {
		if _, ok := parseFrame([]byte(line)); ok {
			t.Errorf("%q was taken for a frame", line)
		}
	}
}

// bench is a bus whose adapter is simulated and whose waits cost no time.
type bench struct {
	*Adapter
	now   time.Time
	out   []byte
	every time.Duration // a heartbeat
	beat  time.Time
	frame Frame
	deaf  bool
	loses string // this line, once
	taken []string
}

func (b *bench) Now() time.Time                                 { return b.now }
func (b *bench) Sleep(_ context.Context, d time.Duration) error { b.now = b.now.Add(d); return nil }
func (b *bench) Take(f Frame) []Frame                           { b.taken = append(b.taken, f.String()); return nil }
func (b *bench) tick() (list []Frame) {
	for b.every > 0 && !b.now.Before(b.beat.Add(b.every)) {
		b.beat = b.beat.Add(b.every)
		list = append(list, b.frame)
	}
	return list
}

type node struct{ *bench }

func (n node) Tick() []Frame { return n.tick() }

func (b *bench) Read(_ context.Context, p []byte, wait time.Duration) (int, error) {
	step := max(time.Millisecond, b.every)
	for begun := b.now; len(b.out) == 0; {
		b.out = append(b.out, b.Adapter.Tick()...)
		if len(b.out) > 0 {
			break
		}
		if left := begun.Add(max(wait, 0)).Sub(b.now); left > 0 {
			b.now = b.now.Add(min(step, left))
			continue
		}
		return 0, port.ErrTimeout
	}
	n := copy(p, b.out)
	b.out = b.out[n:]
	return n, nil
}

func (b *bench) Write(_ context.Context, p []byte) error {
	if b.loses != "" && b.loses == string(p) {
		b.loses = ""
		return nil
	}
	if !b.deaf {
		b.out = append(b.out, b.Adapter.Host(p)...)
	}
	return nil
}
func (b *bench) Close() error { return nil }

func newBench() *bench {
	b := &bench{now: time.Unix(0, 0), beat: time.Unix(0, 0)}
	b.Adapter = NewAdapter(node{b}, b)
	return b
}

func open(t *testing.T, b *bench, alone bool) (*Bus, error) {
	rate, err := ParseRate("250 kbit/s")
	require.NoError(t, err)
	bus := New(b, b)
	return bus, bus.Open(t.Context(), rate, 3*time.Second, alone)
}

// A live bus is listened to first, and only then taken part in.
func TestOpenListensFirst(t *testing.T) {
	b := newBench()
	b.every, b.frame = time.Second, Frame{ID: 0x702, Data: []byte{5}}
	bus, err := open(t, b, false)
	require.NoError(t, err)
	assert.True(t, b.open)
	assert.False(t, b.listen)
	assert.Empty(t, b.taken, "nothing was sent")
	require.NoError(t, bus.Send(t.Context(), Frame{ID: 0x602, Data: []byte{0x40}}))
	assert.Equal(t, []string{"602#40"}, b.taken)
	require.NoError(t, bus.Close(t.Context()))
	assert.False(t, b.open)
	assert.ErrorIs(t, bus.Send(t.Context(), Frame{}), ErrClosed)
}

// Silence has three causes, told apart in words, and none of them lets a frame out.
func TestSilences(t *testing.T) {
	for name, c := range map[string]struct {
		make func(b *bench)
		text string
	}{
		"nothing":    {func(*bench) {}, "nothing was heard in 3.00 s at 250 kbit/s"},
		"wrong rate": {func(b *bench) { b.flags = 0x80 }, "the bit rate is not 250 kbit/s"},
		"alone": {func(b *bench) { b.every, b.frame = 300*time.Microsecond, Frame{ID: 0x702, Data: []byte{0}} },
			"frame 702#00 comes over and over"},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBench()
			c.make(b)
			_, err := open(t, b, false)
			require.ErrorAs(t, err, new(*SilenceError))
			assert.ErrorContains(t, err, c.text)
			assert.False(t, b.open)
			assert.Empty(t, b.taken)
			_, err = open(t, b, true)
			assert.NoError(t, err, "on a person's word")
		})
	}
	b := newBench()
	b.deaf = true
	_, err := open(t, b, false)
	assert.ErrorIs(t, err, ErrNoAdapter)
	b = newBench()
	b.Plain = true
	_, err = open(t, b, false)
	assert.ErrorIs(t, err, ErrNotListening)
	_, err = open(t, b, true)
	assert.NoError(t, err)
}

// Every bit rate is found by its frames alone; nothing is sent, and the bus is closed again. Where nothing is heard, nothing is found.
func TestFindRate(t *testing.T) {
	for _, letter := range tried {
		b := newBench()
		b.every, b.frame = time.Second, Frame{ID: 0x705, Data: []byte{5}}
		b.Rate = rates[letter[1]-'0']
		var said []string
		found, err := New(b, b).FindRate(t.Context(), 3*time.Second, func(h HeardAt) { said = append(said, h.Rate.Name) })
		require.NoError(t, err)
		require.NotNil(t, found, letter)
		assert.Equal(t, b.Rate, found.Rate)
		assert.Equal(t, []uint32{0x705}, found.IDs)
		assert.Equal(t, b.Rate.Name, said[len(said)-1])
		assert.Empty(t, b.taken, "nothing was sent")
		assert.False(t, b.open)
	}
	b := newBench()
	found, err := New(b, b).FindRate(t.Context(), 3*time.Second, nil)
	require.NoError(t, err)
	assert.Nil(t, found)
	assert.False(t, b.open)
	b.Plain = true
	_, err = New(b, b).FindRate(t.Context(), 3*time.Second, nil)
	assert.ErrorIs(t, err, ErrNotListening, "an adapter that cannot listen only is never opened at a rate that nobody knows")
	assert.False(t, b.open)
}

// An adapter that somebody left open, and what comes cut or in home-built form.
func TestWhatAdaptersDo(t *testing.T) {
	b := newBench()
	b.rate, b.open = true, true
	bus, err := open(t, b, true)
	require.NoError(t, err)
	b.out = []byte("23811\rz\r\nt7021051234\rT1\rnoise\rsa057033\re1a\rt70210")
	f, err := bus.Receive(t.Context(), 0)
	require.NoError(t, err)
	assert.Equal(t, "702#05", f.String())
	_, err = bus.Receive(t.Context(), 0)
	assert.ErrorIs(t, err, port.ErrTimeout)
	assert.Equal(t, 3, bus.Stats().Bad, "a cut line, a short one, noise")
	b.out = []byte("5\r")
	f, err = bus.Receive(t.Context(), 0)
	require.NoError(t, err, "cut in two")
	assert.Equal(t, "702#05", f.String())
	b.out = []byte("\a")
	_, err = bus.Receive(t.Context(), 0)
	assert.ErrorIs(t, err, ErrRefused)
	b.out = []byte("sb256256\r")
	_, err = bus.Receive(t.Context(), 0)
	assert.ErrorIs(t, err, ErrBusOff)
	b.flags = 0x09
	flags, known, err := bus.Flags(t.Context())
	assert.True(t, known)
	require.NoError(t, err)
	assert.EqualValues(t, 9, flags)
	assert.Equal(t, 1, bus.Stats().Lost)
}

// Hosts that open in their own ways (V-S11, V-S12): C, S, O, O one by one, and C and S in one write.
func TestAdapterLivesWithOtherHosts(t *testing.T) {
	b := newBench()
	assert.Equal(t, "\a\r\r\a", string(b.Host([]byte("C\rS5\rO\rO\r"))))
	assert.Equal(t, "V1013\r", string(b.Host([]byte("V\r"))))
	assert.Equal(t, "\r", string(b.Host([]byte("t60284018100100000000\r"))))
	assert.Equal(t, "\rz\r", string(b.Host([]byte("X1\rt6020\r"))), "V-S13")
	assert.Equal(t, "\a", string(b.Host([]byte("S5\r"))), "no rate while open")
	b = newBench()
	assert.Equal(t, "\a", string(b.Host([]byte("O\r"))), "no rate set")
	assert.Equal(t, "\a\r\r\a", string(b.Host([]byte("C\rS5\rL\rt6020\r"))), "listening only")
	assert.Empty(t, b.taken)
}

// What the host does not fetch is dropped at a bound and told, and the bus never waits for it.
func TestAHostThatDoesNotRead(t *testing.T) {
	b := newBench()
	b.Host([]byte("S5\rO\r"))
	for range 10_000 {
		b.bus([]Frame{{ID: 0x182, Data: make([]byte, 8)}})
	}
	assert.LessOrEqual(t, len(b.out)+len(b.Adapter.out), queue)
	out := string(b.take())
	assert.True(t, strings.HasSuffix(out, "\r"))
	assert.Equal(t, "F09\r", string(b.Host([]byte("F\r"))))
}

// A frame has the bounds of when it came in. Where so much waited that the system may hold more, older, only an answer to a request
// ends the doubt: what is read after it came after the request.
func TestWhenAFrameCame(t *testing.T) {
	b := newBench()
	bus, err := open(t, b, true)
	require.NoError(t, err)
	nothing := func() {
		_, err := bus.Receive(t.Context(), 0)
		require.ErrorIs(t, err, port.ErrTimeout)
	}
	frame := func(since, at time.Time) {
		t.Helper()
		_, err := bus.Receive(t.Context(), 0)
		require.NoError(t, err)
		s, a := bus.Span()
		assert.Equal(t, []time.Time{since, at}, []time.Time{s, a})
	}
	nothing()
	empty := b.now
	b.now = b.now.Add(40 * time.Millisecond)
	b.out = []byte("t1850\r")
	frame(empty, b.now)
	nothing()
	empty = b.now

	b.now = b.now.Add(10 * time.Second)
	b.out = []byte(strings.Repeat("t1850\r", 500))
	for range 500 {
		frame(empty, b.now)
	}
	assert.True(t, bus.Behind())
	nothing() // for a moment, as the system shows the rest a little later
	b.now = b.now.Add(5 * time.Millisecond)
	b.out = []byte("t1850\r")
	frame(empty, b.now)
	asked := b.now
	b.now = b.now.Add(3 * time.Millisecond)
	bus.Answered(asked)
	assert.False(t, bus.Behind())
	b.out = []byte("t1850\r")
	frame(asked, b.now)

	bus.Answered(asked.Add(-time.Second)) // of a request before it: nothing new
	b.out = []byte("t1850\r")
	frame(asked, b.now)
	later := b.now
	b.now = b.now.Add(3 * time.Millisecond)
	bus.Answered(later) // without a doubt to end, it is newer all the same
	b.out = []byte("t1850\r")
	frame(later, b.now)
}

// Who commands a bus is noticed in what was heard before it was opened for sending.
func TestWhatWasHeardBeforeIsKept(t *testing.T) {
	b := newBench()
	b.every, b.frame = 100*time.Millisecond, Frame{ID: 0, Data: []byte{1, 2}}
	bus, err := open(t, b, false)
	require.NoError(t, err)
	f, err := bus.Receive(t.Context(), 0)
	require.NoError(t, err)
	assert.Equal(t, "000#0102", f.String())
}

// cutting is a line that takes half of what is written once, as one whose other end is stuck for a while.
type cutting struct {
	port.Port
	now bool
}

func (c *cutting) Write(ctx context.Context, p []byte) error {
	if !c.now {
		return c.Port.Write(ctx, p)
	}
	c.now = false
	_ = c.Port.Write(ctx, p[:len(p)/2])
	return port.ErrWriteTimeout
}

// A line that was cut does not swallow the next, which may be zero.
func TestACutLineSwallowsNoOther(t *testing.T) {
	b := newBench()
	line := &cutting{Port: b}
	bus := New(line, b)
	rate, err := ParseRate("250 kbit/s")
	require.NoError(t, err)
	require.NoError(t, bus.Open(t.Context(), rate, 0, true))
	line.now = true
	require.ErrorIs(t, bus.Send(t.Context(), Frame{ID: 0x205, Data: []byte{1, 0xE8, 3}}), port.ErrWriteTimeout)
	require.NoError(t, bus.Send(t.Context(), Frame{ID: 0x205, Data: []byte{1, 0, 0}}))
	assert.Equal(t, []string{"205#010000"}, b.taken)
}

func FuzzLines(f *testing.F) {
	f.Add([]byte("t1230\rT12ABCDEF2AA55\r\nF80\r\a"))
	f.Add([]byte("C\rS5\rO\rt60284018100100000000\r"))
	f.Fuzz(func(t *testing.T, data []byte) {
		b := newBench()
		bus := New(b, b)
		bus.split.feed(data, bus.take)
		for _, e := range bus.ready {
			if e.frame != nil {
				back, ok := parseFrame([]byte(strings.TrimSuffix(string(e.frame.line()), "\r")))
				require.True(t, ok)
				require.Equal(t, e.frame.String(), back.String())
			}
		}
		b.Host(data)
	})
}

// A no to a frame is not the answer to the next question: it would have hidden the refusal, and made an adapter that tells of lost frames
// one that does not.
func TestARefusalBeforeTheFlags(t *testing.T) {
	b := newBench()
	bus, err := open(t, b, true)
	require.NoError(t, err)
	b.Sent = func(Frame) []Delivery { return []Delivery{{Line: "\a", Drop: true, Flags: flagTransmitFull}} }
	require.NoError(t, bus.Send(t.Context(), Frame{ID: 0x205, Data: []byte{1}}))
	_, known, err := bus.Flags(t.Context())
	require.NoError(t, err)
	assert.True(t, known)
	_, err = bus.Receive(t.Context(), 0)
	assert.ErrorIs(t, err, ErrRefused)

	b.Flagless = true
	_, known, err = bus.Flags(t.Context())
	require.NoError(t, err)
	assert.False(t, known)
	_, err = bus.Receive(t.Context(), 0)
	assert.ErrorIs(t, err, port.ErrTimeout, "that no was to the question")
}

// An adapter that answered late, or not at once, can listen only all the same.
func TestALateAdapterListensAllTheSame(t *testing.T) {
	b := newBench()
	b.every, b.frame, b.loses = time.Second, Frame{ID: 0x702, Data: []byte{5}}, "L\r"
	_, err := open(t, b, false)
	require.NoError(t, err)
	b = newBench()
	b.Plain = true
	_, err = open(t, b, false)
	assert.ErrorIs(t, err, ErrNotListening)
}
