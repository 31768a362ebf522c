package canopen

import (
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/slcan"
)

// machine is a dictionary that notes what the node tells it.
type machine struct {
	memory
	forget      time.Time
	fallen      int
	operational bool
	restarted   int
}

func (m *machine) Take(o Object, raw uint64) {
	data := make([]byte, len(m.memory[o]))
	for i := range data {
		data[i] = byte(raw >> (8 * i))
	}
	m.memory[o] = data
}
func (m *machine) Obey(forget time.Time) { m.forget = forget }
func (m *machine) Fall()                 { m.fallen++ }
func (m *machine) Operate(on bool)       { m.operational = on }
func (m *machine) Restart()              { m.restarted++ }

// The objects of the machine, and a node around it as the published frames V-48 to V-50 have one: TPDO 1 sends 2001, an S16,
// RPDO 1 takes 2003.
var (
	measured  = Object{0x2001, 0}
	demanded  = Object{0x2003, 0}
	published = Process{
		Heartbeat: time.Second,
		Sends:     []PDO{{ID: 0x182, Type: 254, Event: 50 * time.Millisecond, Inhibit: 10 * time.Millisecond, Fields: []Mapped{{measured, 16}}}},
		Takes:     []PDO{{ID: 0x202, Type: 254, Event: 200 * time.Millisecond, Fields: []Mapped{{demanded, 16}}}},
	}
)

func newMachine(p Process) (*Node, *machine, *played) {
	clock := &played{now: time.Unix(100, 0)}
	m := &machine{memory: memory{measured: {0xFB, 0xFF}, demanded: {0, 0}}}
	n := NewNode(2, m, p, clock)
	n.Tick() // boot-up
	return n, m, clock
}

// spoken returns what a node sends within a time, a millisecond after the other.
func spoken(n *Node, clock *played, d time.Duration) (list []string) {
	for range int(d / time.Millisecond) {
		clock.now = clock.now.Add(time.Millisecond)
		for _, f := range n.Tick() {
			list = append(list, f.String())
		}
	}
	return list
}

func start(n *Node) { n.Take(slcan.Frame{ID: 0, Data: []byte{1, 2}}) }

// A TPDO comes by its timer, and by itself where something changed, no sooner than its inhibit time allows; none comes before the
// node is operational.
func TestTransmitPDO(t *testing.T) {
	n, m, clock := newMachine(published)
	assert.Empty(t, spoken(n, clock, 300*time.Millisecond))
	start(n)
	assert.Equal(t, []string{"182#FBFF", "182#FBFF", "182#FBFF"}, spoken(n, clock, 101*time.Millisecond), "V-48: S16 = -5, every 50 ms")
	spoken(n, clock, 20*time.Millisecond)
	m.memory[measured] = []byte{1, 0}
	assert.Equal(t, []string{"182#0100"}, spoken(n, clock, time.Millisecond), "at once")
	m.memory[measured] = []byte{2, 0}
	assert.Empty(t, spoken(n, clock, 9*time.Millisecond), "inhibited")
	assert.Equal(t, []string{"182#0200"}, spoken(n, clock, time.Millisecond))
	n.Take(slcan.Frame{ID: 0, Data: []byte{0x80, 2}})
	assert.Empty(t, spoken(n, clock, 200*time.Millisecond))
}

// An RPDO is obeyed while operational, and what it brought is forgotten where the device acts on its event timer, which begins
// with the first.
func TestReceivePDO(t *testing.T) {
	full := slcan.Frame{ID: 0x202, Data: []byte{0xE8, 0x03}} // V-49: 1000
	n, m, clock := newMachine(published)
	n.Take(full)
	assert.Equal(t, []byte{0, 0}, m.memory[demanded], "pre-operational")
	start(n)
	assert.True(t, m.operational)
	assert.NotContains(t, spoken(n, clock, 300*time.Millisecond), "082#5082010000000000", "it begins with the first")
	n.Take(full)
	assert.Equal(t, []byte{0xE8, 0x03}, m.memory[demanded])
	assert.Equal(t, clock.now.Add(200*time.Millisecond), m.forget)
	assert.NotContains(t, spoken(n, clock, 199*time.Millisecond), "082#5082010000000000")
	assert.Contains(t, spoken(n, clock, time.Millisecond), "082#5082010000000000", "V-43: 8250")
	assert.Equal(t, 1, m.fallen)
	n.Take(slcan.Frame{ID: 0x202, Data: []byte{1}})
	assert.Contains(t, spoken(n, clock, time.Millisecond), "082#1082010000000000", "V-44: 8210, too short")
	for _, c := range []struct {
		silence Silence
		told    bool
	}{{Reports, true}, {Ignores, false}} {
		deaf := published
		deaf.Silence = c.silence
		n, m, clock := newMachine(deaf)
		start(n)
		n.Take(full)
		assert.Zero(t, m.forget, "never")
		said := fmt.Sprint(spoken(n, clock, 500*time.Millisecond))
		if c.told {
			assert.Contains(t, said, "082#5082")
		} else {
			assert.NotContains(t, said, "082#")
		}
		assert.Zero(t, m.fallen)
	}
}

// A heartbeat is watched from the first on; when it is lost the node goes where 1029:01 says.
func TestWatchedHeartbeat(t *testing.T) {
	for falls, want := range map[byte]State{0: PreOperational, 1: Operational, 2: Stopped} {
		p := published
		p.Takes = nil
		n, m, clock := newMachine(p)
		// V-41: 1016:01 = node 127 within 300 ms.
		v := vectors(t)["V-41"]
		reply := n.Take(parse(t, v.request))
		assert.Equal(t, parse(t, v.reply).String(), reply[0].String(), v.source)
		n.Take(parse(t, fmt.Sprintf("602#2F291001%02X000000", falls)))
		start(n)
		spoken(n, clock, time.Second)
		assert.Equal(t, Operational, n.state, "not watched yet")
		n.Take(slcan.Frame{ID: 0x77F, Data: []byte{5}})
		assert.Equal(t, clock.now.Add(300*time.Millisecond), m.forget)
		spoken(n, clock, 200*time.Millisecond)
		n.Take(slcan.Frame{ID: 0x77F, Data: []byte{5}})
		spoken(n, clock, 299*time.Millisecond)
		assert.Zero(t, m.fallen)
		assert.Contains(t, spoken(n, clock, time.Millisecond), "082#3081010000000000", "V-42: 8130")
		assert.NotZero(t, m.fallen)
		assert.Equal(t, want, n.state)
	}
}

// After a restart a node is as it was switched on.
func TestRestartForgets(t *testing.T) {
	n, m, clock := newMachine(published)
	n.Take(parse(t, "602#2B001405D0070000")) // 1400:05 = 2 s
	start(n)
	n.Take(slcan.Frame{ID: 0x202, Data: []byte{1, 0}})
	assert.Equal(t, clock.now.Add(2*time.Second), m.forget)
	n.Take(slcan.Frame{ID: 0, Data: []byte{0x81, 2}})
	assert.Equal(t, 1, m.restarted)
	assert.Equal(t, []string{"702#00"}, spoken(n, clock, 900*time.Millisecond))
	start(n)
	n.Take(slcan.Frame{ID: 0x202, Data: []byte{1, 0}})
	assert.Equal(t, clock.now.Add(200*time.Millisecond), m.forget)
}

// onNode joins a client with a simulated node over an adapter.
func onNode(t *testing.T, p Process) (*Client, *Node, *machine, *played) {
	n, m, clock := newMachine(p)
	bus := slcan.New(&loop{adapter: slcan.NewAdapter(n, clock), clock: clock}, clock)
	rate, err := slcan.ParseRate("250 kbit/s")
	require.NoError(t, err)
	require.NoError(t, bus.Open(t.Context(), rate, 3*time.Second, true))
	return NewClient(bus, 2, clock), n, m, clock
}

// What a device says of its PDOs is read back as it is.
func TestReadPDO(t *testing.T) {
	p := published
	p.Sends = append(p.Sends, PDO{ID: 0x80000282 & 0x7FF, Off: true, Type: 1, Fields: []Mapped{{Object{0x2100, 1}, 1}, {Object{0x0005, 0}, 7}, {Object{0x2100, 2}, 24}}})
	c, _, _, _ := onNode(t, p)
	for i, want := range p.Sends {
		got, err := c.ReadPDO(t.Context(), Transmit, i+1)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	got, err := c.ReadPDO(t.Context(), Receive, 1)
	require.NoError(t, err)
	assert.Equal(t, p.Takes[0], got)
	_, err = c.ReadPDO(t.Context(), Receive, 2)
	assert.ErrorIs(t, err, NoObject)
	at, bits, ok := p.Sends[1].Find(Object{0x2100, 2})
	assert.Equal(t, []any{8, 24, true}, []any{at, bits, ok})
	_, _, ok = p.Sends[1].Find(Object{0x0005, 0})
	assert.False(t, ok, "a filler is no object")
	assert.Equal(t, 4, p.Sends[1].Bytes())
}

// A mapping that cannot be is refused with a word: entries and bit 31 as the published rows V-50 and V-51 have them.
func TestReadPDOThatCannotBe(t *testing.T) {
	device := func(change func(m memory)) *Client {
		m := memory{{0x1800, 1}: {0x82, 1, 0, 0x80}, {0x1800, 2}: {254}, {0x1A00, 0}: {1}, {0x1A00, 1}: {0x10, 0, 1, 0x20}}
		change(m)
		clock := &played{now: time.Unix(100, 0)}
		bus := slcan.New(&loop{adapter: slcan.NewAdapter(NewNode(2, m, Process{}, clock), clock), clock: clock}, clock)
		rate, _ := slcan.ParseRate("250 kbit/s")
		require.NoError(t, bus.Open(t.Context(), rate, time.Second, true))
		return NewClient(bus, 2, clock)
	}
	got, err := device(func(memory) {}).ReadPDO(t.Context(), Transmit, 1)
	require.NoError(t, err, "no timers")
	assert.Equal(t, PDO{ID: 0x182, Off: true, Type: 254, Fields: []Mapped{{measured, 16}}}, got)
	got, err = device(func(m memory) { m[Object{0x1A00, 0}] = []byte{2}; m[Object{0x1A00, 2}] = []byte{0x30, 0, 1, 0x20} }).ReadPDO(t.Context(), Transmit, 1)
	require.NoError(t, err, "a whole frame")
	assert.Equal(t, 8, got.Bytes())
	for want, change := range map[string]func(m memory){
		"has 10 bytes by its mapping": func(m memory) { m[Object{0x1A00, 0}] = []byte{2}; m[Object{0x1A00, 2}] = []byte{0x40, 0, 1, 0x20} },
		"says that 254 values":        func(m memory) { m[Object{0x1A00, 0}] = []byte{254} },
		"length is not the object's":  func(m memory) { m[Object{0x1800, 1}] = []byte{0x82, 1} },
		"refuses to read 1A00:02":     func(m memory) { m[Object{0x1A00, 0}] = []byte{2} },
	} {
		_, err := device(change).ReadPDO(t.Context(), Transmit, 1)
		assert.ErrorContains(t, err, want)
	}
}

// Bits go into a frame and out of it at every place, and touch nothing beside.
func TestBitsOfAFrame(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		from, bits := random.IntN(64), 1+random.IntN(32)
		if from+bits > 64 {
			continue
		}
		var data, before [8]byte
		for i := range data {
			data[i] = byte(random.Uint32())
		}
		before = data
		raw := random.Uint64() & (1<<bits - 1)
		Insert(data[:], from, bits, raw)
		require.Equal(t, raw, Extract(data[:], from, bits))
		require.Equal(t, Extract(before[:], 0, from), Extract(data[:], 0, from))
		require.Equal(t, Extract(before[:], from+bits, 64-from-bits), Extract(data[:], from+bits, 64-from-bits))
	}
	data := []byte{0, 0}
	Insert(data, 0, 16, 1000)
	assert.Equal(t, []byte{0xE8, 0x03}, data, "V-49: low byte first")
}

// The newest frame of a PDO has the bounds of when it came: where nobody looked for a while, it is as old as that.
func TestNewestKnowsHowOldItMayBe(t *testing.T) {
	c, n, m, clock := onNode(t, published)
	c.Follow(0x182)
	_, ok := c.Newest(0x182)
	assert.False(t, ok)
	start(n)
	require.NoError(t, c.News(t.Context()))
	from := clock.now
	clock.now = clock.now.Add(30 * time.Millisecond)
	m.memory[measured] = []byte{7, 0}
	require.NoError(t, c.News(t.Context()))
	h, ok := c.Newest(0x182)
	require.True(t, ok)
	assert.Equal(t, []byte{7, 0}, h.Data)
	assert.Equal(t, from, h.Since)
	assert.Equal(t, clock.now, h.At)
}

// Heartbeats that stay away are news, once for each silence; while nobody listens none is missed.
func TestLostHeartbeat(t *testing.T) {
	c, n, _, clock := onNode(t, published)
	listen := func(d time.Duration) (news []error) {
		for end := clock.now.Add(d); clock.now.Before(end); clock.now = clock.now.Add(20 * time.Millisecond) {
			if err := c.News(t.Context()); err != nil {
				news = append(news, err)
			}
		}
		return news
	}
	c.Watch(time.Second)
	assert.Empty(t, listen(10*time.Second))
	clock.now = clock.now.Add(time.Hour)
	assert.Empty(t, listen(10*time.Second), "nobody listened")
	n.process.Heartbeat = 0
	assert.Empty(t, listen(2*time.Second))
	news := listen(1500 * time.Millisecond)
	require.Len(t, news, 1)
	assert.ErrorAs(t, news[0], new(*HeartbeatError))
	assert.ErrorContains(t, news[0], "no heartbeat of node 2 for 3s")
}

// A node that leaves the state it is expected in, another throttle and another node with our number are news.
func TestNewsOfOthers(t *testing.T) {
	c, n, _, clock := onNode(t, published)
	start(n)
	clock.now = clock.now.Add(time.Second)
	require.NoError(t, c.News(t.Context()))
	c.Expect(Operational)
	n.Take(slcan.Frame{ID: 0, Data: []byte{0x80, 2}})
	clock.now = clock.now.Add(time.Second)
	require.EqualError(t, c.News(t.Context()), "node 2 is pre-operational and was operational: it fell out by itself, or another master said so")
	require.NoError(t, c.News(t.Context()), "once")
	c.Reserve(0x202, "another throttle")
	n.pending = append(n.pending, slcan.Frame{ID: 0x202, Data: []byte{0, 0}})
	for range 2 {
		err := c.News(t.Context())
		require.ErrorAs(t, err, new(*SecondPartyError))
		assert.ErrorContains(t, err, "another throttle is on the bus too (frame 202#0000)")
	}
	_, _, err := c.Upload(t.Context(), measured)
	assert.ErrorAs(t, err, new(*SecondPartyError))
	c.Insist(true)
	_, _, err = c.Upload(t.Context(), measured)
	assert.NoError(t, err, "what stops a motor goes on")
}
