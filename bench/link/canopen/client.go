package canopen

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"time"

	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
)

// Client asks one node over the default SDO channel. It is for one goroutine.
type Client struct {
	bus   *slcan.Bus
	node  byte
	clock port.Clock

	heard     time.Time // when the last answer came in
	lateUntil time.Time // answers may still come to a request that failed
	last      []byte    // the last answer, nil after a failure
	asked     []byte    // the last request
	second    *SecondPartyError
	news      []error // not told yet
	insist    bool    // goes on beside a second party

	state    State     // by the last heartbeat
	stated   time.Time // when; zero for none
	expected State     // another one is news; 0: none is
	watch    time.Duration
	quiet    time.Time // since when no heartbeat was heard
	settled  time.Time // when the line was last looked at

	alarm  uint32            // identifier of the node's emergencies
	ours   map[uint32]string // identifiers that nobody else may use, with who else that would be
	newest map[uint32]*Heard // of the identifiers that are followed
	slow   time.Duration     // the longest that an answer took

	unconfirmed bool // the adapter's no may be to a frame that nothing else confirms
	waiting     int  // such frames sent since the last request that was answered
	doubled     int  // answers that came twice, one soon after the other
	single      int  // answers since
	knows, mute bool // the adapter has a word for lost frames, or has none
	cut         int  // lines cut, when it was last asked
}

// Heard is a frame that the node sent by itself: it came after Since and at At at the latest.
type Heard struct {
	Data      []byte
	Since, At time.Time
}

// patience is how long an answer may take. Nodes answer within some milliseconds; a gateway or a busy one takes longer
// (common practice, no source).
const patience = 500 * time.Millisecond

// longest is the longest object read, in bytes.
const longest = 64 << 10

// So many answers that came twice, with no more than so many others between them, are too many. A bus repeats a frame whose last bit was
// disturbed, seldom; two nodes with one number answer twice again and again.
const (
	fewDoubled = 3
	seldom     = 16
)

// NewClient returns a client of a node (1 to 127) on an open bus.
func NewClient(bus *slcan.Bus, node byte, clock port.Clock) *Client {
	return &Client{bus: bus, node: node, clock: clock, alarm: idEmergency + uint32(node)}
}

// Heard returns when the last answer came in.
func (c *Client) Heard() time.Time { return c.heard }

// State returns what the node last said of itself by heartbeat, and when; the zero time where it said nothing.
func (c *Client) State() (State, time.Time) { return c.state, c.stated }

// Slowest returns the longest that an answer took since it was last asked for.
func (c *Client) Slowest() (longest time.Duration) {
	longest, c.slow = c.slow, 0
	return longest
}

// Watch has it told as news when the node's heart, which beats at a period, is not heard for three of them.
func (c *Client) Watch(period time.Duration) { c.watch, c.quiet = 3*period, c.clock.Now() }

// Expect has it told as news when the node says that it is in another state; 0: any will do.
func (c *Client) Expect(s State) { c.expected = s }

// Reserve keeps an identifier for ourselves: who sends with it too is a second party, by the words given.
func (c *Client) Reserve(id uint32, who string) {
	if c.ours == nil {
		c.ours = map[uint32]string{}
	}
	c.ours[id] = who
}

// ReserveOf keeps the identifier of a PDO, which may have 29 bits.
func (c *Client) ReserveOf(p PDO, who string) { c.Reserve(identifier(p.ID, p.Extended), who) }

// identifier returns one of 11 or 29 bits, told apart as in a communication parameter.
func identifier(id uint32, extended bool) uint32 {
	if extended {
		id |= bitExtended
	}
	return id
}

// Follow keeps the newest frame of an identifier, for [Client.Newest].
func (c *Client) Follow(id uint32) {
	if c.newest == nil {
		c.newest = map[uint32]*Heard{}
	}
	if c.newest[id] == nil {
		c.newest[id] = &Heard{}
	}
}

// Newest returns the newest frame of an identifier that is followed; ok is false where none came yet.
func (c *Client) Newest(id uint32) (h Heard, ok bool) {
	if got := c.newest[id]; got != nil && got.Data != nil {
		return *got, true
	}
	return h, false
}

// Waiting returns how many frames that nothing confirms were sent since the last request that was answered: so many may still wait in an
// adapter whose bus is busy. Whether it keeps the order or sends the lowest identifier first, a request overtakes none of those with a
// lower one, as PDOs and network management have.
func (c *Client) Waiting() int { return c.waiting }

// Second is who else was heard to speak to the node or to command the bus; nil: nobody.
func (c *Client) Second() *SecondPartyError { return c.second }

// Insist sets whether requests go on beside a second party, as what stops a motor must.
func (c *Client) Insist(on bool) { c.insist = on }

// News reads what came since the last request, and returns what the node told of by itself and was not returned before: a
// [*SecondPartyError], which stays, a [*RestartedError], a [*DeviceError], a [*StateError], a [*HeartbeatError]; nil for nothing.
func (c *Client) News(ctx context.Context) error {
	if err := c.settle(ctx, false); err != nil {
		return err
	}
	if err := c.sticky(); err != nil {
		return err
	}
	if now := c.clock.Now(); c.watch > 0 && port.Age(c.quiet, now) > c.watch {
		c.tell(&HeartbeatError{c.node, c.watch})
		c.quiet = now // once for each time of silence
	}
	if len(c.news) == 0 {
		return nil
	}
	first := c.news[0]
	c.news = c.news[1:]
	return first
}

// Upload reads an object. exact is false where the node did not tell how many of the bytes count: the object's type does.
func (c *Client) Upload(ctx context.Context, o Object) (data []byte, exact bool, err error) {
	err = c.exchange(ctx, o, true, func() error {
		reply, err := c.ask(ctx, o, frame(0x40, o), false)
		if err != nil {
			return err
		}
		switch head := reply[0]; {
		case head>>5 != 2:
			return c.wrong(ctx, o, reply, ErrForm, UnknownCommand)
		case head&2 != 0 && head&1 != 0: // expedited, with its size
			n := 4 - int(head>>2&3)
			if len(reply) < 4+n {
				return c.wrong(ctx, o, reply, ErrForm, LengthMismatch)
			}
			data, exact = slices.Clone(reply[4:4+n]), true
		case head&2 != 0: // expedited, without
			data = slices.Clone(reply[4:])
		default:
			size := -1
			if head&1 != 0 {
				if len(reply) < slcan.MaxData {
					return c.wrong(ctx, o, reply, ErrForm, LengthMismatch)
				}
				size = int(binary.LittleEndian.Uint32(reply[4:]))
			}
			if size > longest {
				return c.wrong(ctx, o, reply, ErrTooLong, 0x05040005)
			}
			data, exact = nil, true
			return c.segments(ctx, o, size, &data)
		}
		return nil
	})
	return data, exact, err
}

// segments reads what follows an announcement; size is −1 where it was not told.
func (c *Client) segments(ctx context.Context, o Object, size int, data *[]byte) error {
	for toggle := byte(0); ; toggle ^= 0x10 {
		reply, err := c.ask(ctx, o, request(0x60|toggle), true)
		if err != nil {
			return err
		}
		n := 7 - int(reply[0]>>1&7)
		switch {
		case reply[0]>>5 != 0 || len(reply) < 1+n:
			return c.wrong(ctx, o, reply, ErrForm, UnknownCommand)
		case reply[0]&0x10 != toggle:
			return c.wrong(ctx, o, reply, ErrToggle, ToggleNotAltered)
		}
		*data = append(*data, reply[1:1+n]...)
		last := reply[0]&1 != 0
		switch {
		case len(*data) > longest:
			return c.wrong(ctx, o, reply, ErrTooLong, 0x05040005)
		case size >= 0 && (len(*data) > size || last && len(*data) < size):
			return c.wrong(ctx, o, reply, ErrLength, LengthMismatch)
		case last:
			return nil
		}
	}
}

// Download writes an object. still, where it is not nil, is asked just before the request goes out; its error calls it off.
func (c *Client) Download(ctx context.Context, o Object, data []byte, still func() error) error {
	return c.exchange(ctx, o, false, func() error {
		if still != nil {
			if err := still(); err != nil {
				return err
			}
		}
		confirmed := func(reply []byte) error {
			if reply[0]>>5 != 3 {
				return c.wrong(ctx, o, reply, ErrForm, UnknownCommand)
			}
			return nil
		}
		if n := len(data); n >= 1 && n <= 4 {
			reply, err := c.ask(ctx, o, frame(0x23|byte(4-n)<<2, o, data...), false)
			if err != nil {
				return err
			}
			return confirmed(reply)
		}
		reply, err := c.ask(ctx, o, frame(0x21, o, binary.LittleEndian.AppendUint32(nil, uint32(len(data)))...), false)
		if err == nil {
			err = confirmed(reply)
		}
		for toggle, rest := byte(0), data; err == nil; toggle ^= 0x10 {
			n := min(len(rest), 7)
			head := toggle | byte(7-n)<<1
			if n == len(rest) {
				head |= 1
			}
			reply, err = c.ask(ctx, o, request(head, rest[:n]...), true)
			switch {
			case err != nil:
			case reply[0]>>5 != 1:
				err = c.wrong(ctx, o, reply, ErrForm, UnknownCommand)
			case reply[0]&0x10 != toggle:
				err = c.wrong(ctx, o, reply, ErrToggle, ToggleNotAltered)
			case n == len(rest):
				return nil
			}
			rest = rest[n:]
		}
		return err
	})
}

// request returns an SDO request of 8 bytes.
func request(head byte, rest ...byte) []byte {
	data := make([]byte, slcan.MaxData)
	data[0] = head
	copy(data[1:], rest)
	return data
}

// frame returns one that names an object.
func frame(head byte, o Object, data ...byte) []byte {
	return request(head, append([]byte{byte(o.Index), byte(o.Index >> 8), o.Sub}, data...)...)
}

// exchange runs a transfer: what came before it is taken in first, and what went wrong is remembered.
func (c *Client) exchange(ctx context.Context, o Object, reads bool, transfer func() error) error {
	if err := c.settle(ctx, reads); err != nil {
		return err
	}
	err := c.sticky()
	if err == nil {
		err = transfer()
	}
	if err == nil {
		err = c.sticky() // heard meanwhile
	}
	if err != nil && !errors.As(err, new(*Abort)) {
		c.last = nil
		c.lateUntil = c.clock.Now().Add(patience)
	}
	if ctx.Err() != nil && errors.Is(err, ctx.Err()) { // called off: the node else keeps the transfer
		_ = c.wrong(ctx, o, nil, nil, GeneralError)
	}
	if bad := new(ReplyError); errors.As(err, &bad) {
		if flags, _, ask := c.bus.Flags(ctx); ask == nil && flags != 0 {
			bad.Lost = true
		}
	}
	return err
}

// settle handles the frames that came by themselves. A read first waits until late answers to a request that failed are over; a write does
// not, since its confirmation names its object and since it may be the one that stops a motor.
func (c *Client) settle(ctx context.Context, reads bool) error {
	if now := c.clock.Now(); port.Age(c.settled, now) > c.watch {
		c.quiet = now // nobody listened
	}
	defer func() { c.settled = c.clock.Now() }()
	for n := 0; n < 1<<16; n++ { // on a bus that never falls silent one goes on all the same
		wait := time.Duration(0)
		if reads {
			wait = c.lateUntil.Sub(c.clock.Now())
		}
		f, err := c.bus.Receive(ctx, wait)
		switch {
		case errors.Is(err, port.ErrTimeout):
			return nil
		case errors.Is(err, slcan.ErrRefused): // of a frame before
			if c.unconfirmed {
				c.tell(err)
			}
		case errors.Is(err, slcan.ErrBusOff): // news too: the adapter may tell of it many times, and the request may be the one that stops a motor
			c.tell(err)
		case err != nil:
			return err
		default:
			c.observe(f, false)
		}
		if wait > 0 {
			n = 0
		}
	}
	return nil
}

func (c *Client) sticky() error {
	if c.second != nil && !c.insist {
		return c.second
	}
	return nil
}

// observe handles a frame that is no answer to us.
func (c *Client) observe(f slcan.Frame, asking bool) {
	if f.Remote {
		return
	}
	second := func(who string) {
		if c.second == nil {
			c.second = &SecondPartyError{Frame: f.String(), Who: who}
		}
	}
	now := c.clock.Now()
	if who, ours := c.ours[identifier(f.ID, f.Extended)]; ours {
		second(who)
		return
	}
	if f.Extended {
		return
	}
	if h := c.newest[f.ID]; h != nil {
		h.Data = f.Data
		h.Since, h.At = c.bus.Span()
		return
	}
	switch node := uint32(c.node); f.ID {
	case c.alarm:
		c.alarmed(f, now)
	case idNMT:
		second("a network master")
	case idRequest + node:
		who := "another client that reads or writes the same controller"
		if c.asked != nil && slices.Equal(f.Data, c.asked) {
			who += ", or an adapter that sends our own frames back,"
		}
		second(who)
	case idReply + node:
		late := now.Before(c.lateUntil) || c.lateUntil.Equal(now)
		again := c.last != nil && slices.Equal(f.Data, c.last)
		if again && !late {
			if c.single > seldom {
				c.doubled = 0
			}
			c.doubled, c.single = c.doubled+1, 0
		}
		if !asking && !late && !again || c.doubled >= fewDoubled {
			second(fmt.Sprintf("another client that reads or writes the same controller, or a second node with the number %d,", c.node))
		}
	case idHeartbeat + node:
		if len(f.Data) != 1 {
			return
		}
		c.state, c.stated, c.quiet = State(f.Data[0]&0x7F), now, now
		switch {
		case c.state == bootUp:
			c.tell(&RestartedError{c.node, now})
		case c.expected != 0 && c.state != c.expected:
			c.tell(&StateError{c.node, c.state, c.expected})
			c.expected = 0
		}
	}
}

// alarmed stores an emergency for the caller.
func (c *Client) alarmed(f slcan.Frame, now time.Time) {
	if len(f.Data) < 2 || f.Data[0] == 0 && f.Data[1] == 0 { // 0000: the error is over
		return
	}
	e := &DeviceError{Node: c.node, Code: binary.LittleEndian.Uint16(f.Data), At: now}
	if len(f.Data) > 2 { // 8 bytes by the standard; a short one is one all the same
		e.Register = f.Data[2]
		copy(e.Maker[:], f.Data[3:])
	}
	c.tell(e)
}

// FindEmergencies reads with which identifier the node tells of emergencies (object 1014). A device that does not say has the
// usual one, 080 and its number.
func (c *Client) FindEmergencies(ctx context.Context) error {
	data, _, err := c.Upload(ctx, emergencyID())
	if errors.As(err, new(*Abort)) || err == nil && len(data) < 4 {
		return nil
	}
	if err != nil {
		return err
	}
	if id := binary.LittleEndian.Uint32(data); id&bitExtended == 0 && id&0x7FF > idEmergency { // 0: it was never set
		c.alarm = id & 0x7FF
	}
	return nil
}

// Register reads the node's error register (object 1001): 0 where it has no error, or none to tell.
func (c *Client) Register(ctx context.Context) (byte, error) {
	data, _, err := c.Upload(ctx, ErrorRegister())
	if errors.As(err, new(*Abort)) || err == nil && len(data) == 0 {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	return data[0], nil
}

// tell keeps news for the next call, a bounded count of them: what repeats itself leaves room for the rest, and that the node began
// anew is always told.
func (c *Client) tell(err error) {
	if slices.ContainsFunc(c.news, func(e error) bool { return e.Error() == err.Error() }) {
		return
	}
	if len(c.news) < 32 || errors.As(err, new(*RestartedError)) {
		c.news = append(c.news, err)
	}
}

// ask sends a request and waits for the answer; within says that it is a segment, whose answer names no object. An abort
// comes as an error. On no answer it tells the node so, which else keeps the transfer.
func (c *Client) ask(ctx context.Context, o Object, data []byte, within bool) ([]byte, error) {
	sent, before := c.clock.Now(), c.waiting
	c.asked = data
	if err := c.bus.Send(ctx, slcan.Frame{ID: idRequest + uint32(c.node), Data: data}); err != nil {
		return nil, err
	}
	until := c.clock.Now().Add(patience)
	for {
		f, err := c.bus.Receive(ctx, until.Sub(c.clock.Now()))
		switch {
		case errors.Is(err, port.ErrTimeout):
			return nil, c.wrong(ctx, o, nil, ErrNoReply, TimedOut)
		case err != nil:
			return nil, err
		case f.ID != idReply+uint32(c.node) || f.Extended || f.Remote:
			c.observe(f, true)
			if err := c.sticky(); err != nil {
				return nil, err
			}
			if !c.clock.Now().Before(until) {
				return nil, c.wrong(ctx, o, nil, ErrNoReply, TimedOut)
			}
			continue
		}
		reply := f.Data
		names := len(reply) >= 4 && reply[1] == byte(o.Index) && reply[2] == byte(o.Index>>8) && reply[3] == o.Sub
		abort := len(reply) > 0 && reply[0]>>5 == 4
		switch {
		case len(reply) == 0 || abort && len(reply) < slcan.MaxData || !within && len(reply) < 4:
			return nil, c.wrong(ctx, o, reply, ErrForm, UnknownCommand)
		case (abort || !within) && !names:
			return nil, c.wrong(ctx, o, reply, ErrOther, GeneralError)
		}
		c.heard, c.last = c.clock.Now(), slices.Clone(reply)
		c.slow = max(c.slow, port.Age(sent, c.heard))
		c.waiting -= before
		c.single++
		c.bus.Answered(sent)
		if abort {
			return nil, &Abort{Node: c.node, Object: o, Write: data[0]>>5 <= 1, Code: Code(binary.LittleEndian.Uint32(reply[4:]))}
		}
		return reply, nil
	}
}

// wrong ends a transfer that went wrong, with an abort to the node.
func (c *Client) wrong(ctx context.Context, o Object, reply []byte, err error, code Code) error {
	abort := frame(0x80, o, binary.LittleEndian.AppendUint32(nil, uint32(code))...)
	_ = c.bus.Send(context.WithoutCancel(ctx), slcan.Frame{ID: idRequest + uint32(c.node), Data: abort}) // the first error is the one to tell
	bad := &ReplyError{Node: c.node, Object: o, Err: err, Before: !c.heard.IsZero()}
	if reply != nil {
		bad.Frame = slcan.Frame{ID: idReply + uint32(c.node), Data: reply}.String()
	}
	return bad
}
