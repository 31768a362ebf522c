package canopen

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
)

// vector is a row of testdata/can/vectors.csv: its source stands in the last column.
type vector struct{ id, topic, request, reply, meaning, source string }

func vectors(t *testing.T) map[string]vector {
	t.Helper()
	text, err := os.ReadFile("../../../testdata/can/vectors.csv")
	require.NoError(t, err)
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	require.NoError(t, err)
	list := map[string]vector{}
	for _, r := range rows[1:] {
		list[r[0]] = vector{r[0], r[1], r[2], r[3], r[4], r[5]}
	}
	return list
}

// parse reads 602#4018100100000000.
func parse(t *testing.T, text string) slcan.Frame {
	t.Helper()
	id, data, ok := strings.Cut(strings.Fields(text)[0], "#")
	require.True(t, ok, text)
	n, err := strconv.ParseUint(id, 16, 32)
	require.NoError(t, err)
	b, err := hex.DecodeString(data)
	require.NoError(t, err, text)
	return slcan.Frame{ID: uint32(n), Data: b}
}

// played is a line at whose far end an adapter plays answers from a list: it fails the test where the client asks anything
// else than the published request.
type played struct {
	t      *testing.T
	asked  []slcan.Frame // expected, in order
	answer [][]slcan.Frame
	got    []slcan.Frame // past the list
	now    time.Time
}

func (p *played) Take(f slcan.Frame) []slcan.Frame {
	if len(p.asked) == 0 {
		p.got = append(p.got, f)
		return nil
	}
	assert.Equal(p.t, p.asked[0].String(), f.String())
	answer := p.answer[0]
	p.asked, p.answer = p.asked[1:], p.answer[1:]
	return answer
}

func (p *played) Tick() []slcan.Frame { return nil }
func (p *played) Now() time.Time      { return p.now }
func (p *played) Sleep(_ context.Context, d time.Duration) error {
	p.now = p.now.Add(d)
	return nil
}

// loop is a port with an adapter at its far end, whose waits cost no time.
type loop struct {
	adapter *slcan.Adapter
	clock   *played
	out     []byte
}

func (l *loop) Read(ctx context.Context, p []byte, wait time.Duration) (int, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	if len(l.out) == 0 {
		_ = l.clock.Sleep(ctx, max(wait, 0))
		l.out = append(l.out, l.adapter.Tick()...)
	}
	if len(l.out) == 0 {
		return 0, port.ErrTimeout
	}
	n := copy(p, l.out)
	l.out = l.out[n:]
	return n, nil
}

func (l *loop) Write(_ context.Context, p []byte) error {
	l.out = append(l.out, l.adapter.Host(p)...)
	return nil
}

func (l *loop) Close() error { return nil }

// client makes a client of node 2 against a list of frames, "request", "reply", ...
func client(t *testing.T, frames ...string) (*Client, *played) {
	p := &played{t: t, now: time.Unix(0, 0)}
	for i := 0; i < len(frames); i += 2 {
		p.asked = append(p.asked, parse(t, frames[i]))
		var answer []slcan.Frame
		if frames[i+1] != "" {
			for _, f := range strings.Split(frames[i+1], " ") {
				answer = append(answer, parse(t, f))
			}
		}
		p.answer = append(p.answer, answer)
	}
	bus := slcan.New(&loop{adapter: slcan.NewAdapter(p, p), clock: p}, p)
	rate, err := slcan.ParseRate("250 kbit/s")
	require.NoError(t, err)
	require.NoError(t, bus.Open(t.Context(), rate, 0, true))
	return NewClient(bus, 2, p), p
}

// The published frames of reading: what a client must ask, and what it must make of the answer.
func TestPublishedReads(t *testing.T) {
	v := vectors(t)
	for _, c := range []struct {
		ids   []string
		o     Object
		data  []byte
		exact bool
	}{
		{[]string{"V-01"}, VendorID(), []byte{4, 0, 0, 0}, true},
		{[]string{"V-02"}, Object{0x1400, 2}, []byte{0xFE}, true},
		{[]string{"V-03"}, Object{0x1400, 2}, []byte{0xFE, 0, 0, 0}, false},
		{[]string{"V-04"}, VendorID(), []byte{4, 0, 0, 0}, false},
		{[]string{"V-05"}, Object{0x2000, 0}, []byte{0x78, 5}, true},
		{[]string{"V-14", "V-15", "V-16", "V-17", "V-18"}, DeviceName(), []byte("Tiny Node - Mega Domains !"), true},
		{[]string{"V-54"}, Object{0x6041, 0}, []byte{0x27, 2}, true},
		{[]string{"V-56"}, Object{0x6007, 0}, []byte{3, 0}, true},
		{[]string{"V-57"}, Object{0x1029, 1}, []byte{0}, true},
	} {
		t.Run(c.ids[0], func(t *testing.T) {
			var frames []string
			for _, id := range c.ids {
				frames = append(frames, v[id].request, v[id].reply)
			}
			client, p := client(t, frames...)
			data, exact, err := client.Upload(t.Context(), c.o)
			require.NoError(t, err, v[c.ids[0]].source)
			assert.Equal(t, c.data, data)
			assert.Equal(t, c.exact, exact)
			assert.Empty(t, p.asked)
			assert.Empty(t, p.got)
		})
	}
}

// V-19 and V-20: a foreign node ends a segmented answer with an empty segment.
func TestAnEmptyLastSegment(t *testing.T) {
	v := vectors(t)
	client, p := client(t, "602#4008100000000000", "582#4108100008000000", "602#6000000000000000", "582#0041424344454647", "602#7000000000000000", "582#1C73000000000000", "602#6000000000000000", "582#0F00000000000000")
	data, _, err := client.Upload(t.Context(), DeviceName())
	require.NoError(t, err, v["V-20"].source)
	assert.Equal(t, "ABCDEFGs", string(data))
	assert.Empty(t, p.asked)
}

// The published frames of writing.
func TestPublishedWrites(t *testing.T) {
	v := vectors(t)
	for _, c := range []struct {
		ids  []string
		o    Object
		data []byte
	}{
		{[]string{"V-06"}, heartbeatTime(), []byte{0xA0, 0x0F}},
		{[]string{"V-07"}, Object{0x2000, 0}, []byte{0xDC, 5}},
		{[]string{"V-40"}, heartbeatTime(), []byte{0xE8, 3}},
		{[]string{"V-21", "V-22", "V-23"}, Object{0x2000, 0}, []byte("A long string")},
		{[]string{"V-41"}, Object{0x1016, 1}, []byte{0x2C, 1, 0x7F, 0}},
		{[]string{"V-52"}, Object{0x1405 - 5, 5}, []byte{0xC8, 0}},
		{[]string{"V-53"}, Object{0x6040, 0}, []byte{0x0F, 0}},
	} {
		t.Run(c.ids[0], func(t *testing.T) {
			var frames []string
			for _, id := range c.ids {
				frames = append(frames, v[id].request, v[id].reply)
			}
			client, p := client(t, frames...)
			require.NoError(t, client.Download(t.Context(), c.o, c.data, nil), v[c.ids[0]].source)
			assert.Empty(t, p.asked)
			assert.Empty(t, p.got)
		})
	}
}

// Every published abort code comes as a typed error with its words.
func TestPublishedAborts(t *testing.T) {
	n := 0
	for _, v := range vectors(t) {
		if v.topic != "abort code" {
			continue
		}
		n++
		number, words, ok := strings.Cut(v.meaning, " ")
		require.True(t, ok)
		code, err := strconv.ParseUint(number, 16, 32)
		require.NoError(t, err)
		client, _ := client(t, "602#4000200000000000", strings.Replace("582#"+v.reply, "iiiiss", "002000", 1))
		_, _, err = client.Upload(t.Context(), Object{0x2000, 0})
		var abort *Abort
		require.ErrorAs(t, err, &abort, v.id)
		assert.Equal(t, Code(code), abort.Code, v.id)
		assert.Contains(t, err.Error(), words, v.id)
		assert.Contains(t, err.Error(), fmt.Sprintf("%08X", code))
	}
	assert.Equal(t, len(words), n, "all codes are published ones")
	for _, id := range []string{"V-09", "V-10"} {
		v := vectors(t)[id]
		client, _ := client(t, v.request, v.reply)
		o := Object{0x1018, 1}
		if id == "V-10" {
			o = Object{0x1234, 0}
		}
		_, _, err := client.Upload(t.Context(), o)
		assert.ErrorContains(t, err, "refuses to read "+o.String(), id)
	}
	for _, id := range []string{"V-11", "V-12"} {
		v := vectors(t)[id]
		client, _ := client(t, v.request, v.reply)
		o := Object{0x2001, 0}
		data := []byte{1, 0}
		if id == "V-12" {
			o, data = Object{0x2000, 0}, []byte{0xA0, 0x0F}
		}
		assert.ErrorContains(t, client.Download(t.Context(), o, data, nil), "refuses to write "+o.String(), id)
	}
}

// What is no answer is never taken for one, and the node is told.
func TestWhatIsNoAnswer(t *testing.T) {
	const asked = "602#4000200000000000"
	for name, c := range map[string]struct {
		answer string
		want   error
	}{
		"nothing":                   {"", ErrNoReply},
		"another index":             {"582#4B00210078050000", ErrOther},
		"another sub-index":         {"582#4B00200178050000", ErrOther},
		"too short for its size":    {"582#4B002000", ErrForm},
		"no index at all":           {"582#4B", ErrForm},
		"empty":                     {"582#", ErrForm},
		"the answer to a write":     {"582#6000200000000000", ErrForm},
		"a segment":                 {"582#0000200000000000", ErrForm},
		"block transfer":            {"582#C600200000000000", ErrForm},
		"an abort of another":       {"582#8001200000000206", ErrOther},
		"an abort too short":        {"582#80002000", ErrForm},
		"longer than anything":      {"582#41002000FFFFFFFF", ErrTooLong},
		"another node's answer":     {"583#4B00200078050000", ErrNoReply},
		"a request of somebody":     {"602#4000200000000000", nil},
		"a network master":          {"000#0102", nil},
		"size without room for it":  {"582#4100200000", ErrForm},
		"an expedited reply, 8 not": {"582#43002000FF", ErrForm},
	} {
		t.Run(name, func(t *testing.T) {
			client, p := client(t, asked, c.answer)
			_, _, err := client.Upload(t.Context(), Object{0x2000, 0})
			require.Error(t, err)
			if c.want == nil {
				require.ErrorAs(t, err, new(*SecondPartyError))
				require.ErrorAs(t, client.News(t.Context()), new(*SecondPartyError), "it stays")
				return
			}
			require.ErrorIs(t, err, c.want)
			require.Len(t, p.got, 1)
			assert.Equal(t, byte(0x80), p.got[0].Data[0], "the node is told")
		})
	}
}

// A wrong toggle bit, a length that is not the announced one.
func TestSegmentsThatAreWrong(t *testing.T) {
	for name, c := range map[string]struct {
		frames []string
		want   error
	}{
		"toggle not altered": {[]string{"602#4008100000000000", "582#410810000A000000", "602#6000000000000000", "582#0041424344454647", "602#7000000000000000", "582#0941424300000000"}, ErrToggle},
		"too much":           {[]string{"602#4008100000000000", "582#4108100003000000", "602#6000000000000000", "582#0041424344454647"}, ErrLength},
		"too little":         {[]string{"602#4008100000000000", "582#410810000A000000", "602#6000000000000000", "582#0141424344454647"}, ErrLength},
		"short frame":        {[]string{"602#4008100000000000", "582#4108100007000000", "602#6000000000000000", "582#01414243"}, ErrForm},
		"no answer":          {[]string{"602#4008100000000000", "582#4108100007000000", "602#6000000000000000", ""}, ErrNoReply},
	} {
		t.Run(name, func(t *testing.T) {
			client, p := client(t, c.frames...)
			_, _, err := client.Upload(t.Context(), DeviceName())
			require.ErrorIs(t, err, c.want)
			require.Len(t, p.got, 1)
			assert.Equal(t, byte(0x80), p.got[0].Data[0])
		})
	}
}

// What the node tells by itself comes with the next call: once, but for a second party.
func TestNews(t *testing.T) {
	client, _ := client(t, "602#4000200000000000", "702#00 082#3081110000000000 082#0000000000000000 702#05 582#4B00200078050000")
	data, _, err := client.Upload(t.Context(), Object{0x2000, 0})
	require.NoError(t, err)
	assert.Equal(t, []byte{0x78, 5}, data)
	assert.ErrorAs(t, client.News(t.Context()), new(*RestartedError))
	err = client.News(t.Context())
	var emergency *DeviceError
	require.ErrorAs(t, err, &emergency)
	assert.Equal(t, uint16(0x8130), emergency.Code)
	assert.Contains(t, err.Error(), "heartbeat or life guard lost")
	assert.NoError(t, client.News(t.Context()))
	state, _ := client.State()
	assert.Equal(t, Operational, state)
}

// memory is a dictionary that remembers.
type memory map[Object][]byte

func (m memory) Read(o Object) ([]byte, error) {
	if data, ok := m[o]; ok {
		return data, nil
	}
	return nil, NoObject
}

func (m memory) Write(o Object, data []byte) error {
	if _, ok := m[o]; !ok {
		return NoObject
	}
	m[o] = bytes.Clone(data)
	return nil
}

// The node answers the published requests with the published frames.
func TestNodeAnswersPublishedFrames(t *testing.T) {
	v := vectors(t)
	m := memory{VendorID(): {4, 0, 0, 0}, {0x2000, 0}: {0x78, 5}, heartbeatTime(): {0, 0}, DeviceName(): []byte("Tiny Node - Mega Domains !")}
	n := NewNode(2, m, Process{Heartbeat: time.Second}, &played{t: t})
	for _, id := range []string{"V-01", "V-05", "V-06", "V-07", "V-10", "V-14", "V-15", "V-16", "V-17", "V-18", "V-21"} {
		got := n.Take(parse(t, v[id].request))
		require.Len(t, got, 1, id)
		assert.Equal(t, parse(t, v[id].reply).String(), got[0].String(), "%s (%s)", id, v[id].source)
	}
	assert.Equal(t, "582#2000000000000000", n.Take(parse(t, v["V-22"].request))[0].String())
	assert.Equal(t, "582#3000000000000000", n.Take(parse(t, v["V-23"].request))[0].String())
	assert.Equal(t, "A long string", string(m[Object{0x2000, 0}]))
	assert.Equal(t, "702#00", n.Tick()[0].String(), v["V-39"].source)
	n.Take(parse(t, v["V-33"].request))
	assert.Empty(t, n.Take(parse(t, v["V-01"].request)), "stopped: "+v["V-33"].source)
	n.Take(parse(t, v["V-31"].request))
	assert.Equal(t, Operational, n.state)
}

// Client and node agree on objects of every length.
func TestEveryLengthThereAndBack(t *testing.T) {
	clock := &played{t: t, now: time.Unix(0, 0)}
	m := memory{{0x2000, 1}: nil}
	bus := slcan.New(&loop{adapter: slcan.NewAdapter(NewNode(2, m, Process{Heartbeat: time.Second}, clock), clock), clock: clock}, clock)
	rate, err := slcan.ParseRate("500 kbit/s")
	require.NoError(t, err)
	require.NoError(t, bus.Open(t.Context(), rate, 3*time.Second, false), "a heartbeat is heard")
	c := NewClient(bus, 2, clock)
	for n := range 40 {
		data := bytes.Repeat([]byte{byte(n), 7}, 20)[:n]
		require.NoError(t, c.Download(t.Context(), Object{0x2000, 1}, data, nil), n)
		got, exact, err := c.Upload(t.Context(), Object{0x2000, 1})
		require.NoError(t, err, n)
		assert.True(t, exact)
		assert.Equal(t, string(data), string(got))
	}
}

// FuzzClient: whatever comes back, a read ends, and believes only an answer about its object.
func FuzzClient(f *testing.F) {
	f.Add([]byte("\r\r\rt58284B00200078050000\r"))
	f.Add([]byte("t58284108100007000000\rt58280141424344454647\r"))
	f.Add([]byte("\a\a\atT1\n\rsb256256\re1a\rF80\r"))
	f.Add([]byte("t5828800020000000020\rt702100\rt082830811100000000001\r"))
	f.Add([]byte("t58284300180182010000\rt5824F001802FE\rt58284B00180300000000\rt58284B00180532000000\rt5824F001A0001\rt58284300 1A0110000120\rt1822FBFF\r"))
	f.Fuzz(func(t *testing.T, data []byte) {
		clock := &played{t: t, now: time.Unix(0, 0)}
		bus := slcan.New(&rubbish{data: data, clock: clock}, clock)
		rate, _ := slcan.ParseRate("250 kbit/s")
		if bus.Open(t.Context(), rate, time.Second, true) != nil {
			return
		}
		c := NewClient(bus, 2, clock)
		c.Follow(0x182)
		c.Reserve(0x202, "another throttle")
		c.Watch(time.Second)
		c.Expect(Operational)
		if p, err := c.ReadPDO(t.Context(), Transmit, 1); err == nil {
			for _, f := range p.Fields {
				if at, bits, ok := p.Find(f.Object); ok {
					Insert(make([]byte, p.Bytes()), at, bits, Extract(make([]byte, p.Bytes()), at, bits))
				}
			}
		}
		_ = c.Lost(t.Context())
		_, _, _ = c.Upload(t.Context(), Object{0x2000, 0})
		_ = c.Download(t.Context(), Object{0x2000, 0}, []byte("0123456789"), nil)
		_ = c.News(t.Context())
	})
}

// rubbish is a port that says yes three times, then gives what it was given, piece by piece, whatever is asked.
type rubbish struct {
	data  []byte
	clock *played
	opens int
}

func (r *rubbish) Read(_ context.Context, p []byte, wait time.Duration) (int, error) {
	if r.opens > 0 {
		r.opens--
		p[0] = '\r'
		return 1, nil
	}
	if len(r.data) == 0 {
		r.clock.now = r.clock.now.Add(max(wait, 0))
		return 0, port.ErrTimeout
	}
	n := min(len(r.data), 1+int(r.data[0])%29, len(p))
	n = copy(p, r.data[:n])
	r.data = r.data[n:]
	return n, nil
}

func (r *rubbish) Write(_ context.Context, p []byte) error {
	if len(p) <= 3 && r.data != nil && p[0] != '\r' {
		r.opens++
	}
	return nil
}
func (r *rubbish) Close() error { return nil }
