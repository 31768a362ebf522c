package objmap

import (
	"cmp"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
)

// Rate returns the bit rate of the controller's bus.
func (m *Map) Rate() slcan.Rate { return m.rate }

// Identified reports whether the map says what the controller must say of itself.
func (m *Map) Identified() bool { return len(m.identity) > 0 }

// Node returns the controller's node number.
func (m *Map) Node() byte { return m.node }

// Listening returns how long a bus is listened to before anything is sent: two heartbeats, and 3 s at the least.
func (m *Map) Listening() time.Duration { return max(2*m.heartbeat, 3*time.Second) }

// Connect opens the bus behind an adapter, and makes a client of a node on it. It listens for wait first, unless alone: see
// [slcan.Bus.Open]. Whoever has the client closes the bus with close.
func Connect(ctx context.Context, rate slcan.Rate, node byte, p port.Port, clock port.Clock, wait time.Duration, alone bool) (c *canopen.Client, close func() error, err error) {
	bus := slcan.New(p, clock)
	if err := bus.Open(ctx, rate, wait, alone); err != nil {
		return nil, nil, err
	}
	close = func() error { return bus.Close(context.WithoutCancel(ctx)) }
	client := canopen.NewClient(bus, node, clock)
	for { // what the node told before is over, as nothing was read yet; who else commands it is not
		switch err := client.News(ctx); {
		case err == nil:
			return client, close, nil
		case !errors.As(err, new(*canopen.RestartedError)) && !errors.As(err, new(*canopen.DeviceError)):
			return nil, nil, errors.Join(err, close())
		}
	}
}

// Open opens the bus behind an adapter, sees that the node is the device that the map is for and that its PDOs carry what the
// map says, and makes a controller of it. alone is a person's word that nothing else hangs on the bus; see [slcan.Bus.Open].
// Whoever closes the controller closes the bus with close.
func Open(ctx context.Context, m *Map, p port.Port, clock port.Clock, alone bool) (c *guard.Controller, close func() error, err error) {
	client, close, err := Connect(ctx, m.rate, m.node, p, clock, m.Listening(), alone)
	if err != nil {
		return nil, nil, err
	}
	s := &store{client: client, clock: clock, m: m}
	if err := s.begin(ctx); err != nil {
		return nil, nil, errors.Join(err, close())
	}
	return guard.NewController(&m.Map, s, clock), close, nil
}

// store is a CANopen node behind a client.
type store struct {
	client *canopen.Client
	clock  port.Clock
	m      *Map
	tpdos  map[int]canopen.PDO // that bring readings, by number
	drive  *driving            // nil: it takes no throttle
	asked  time.Time           // when the adapter was last asked for lost frames
}

var _ guard.Store = (*store)(nil)

// begin compares the device with the map. It only reads.
func (s *store) begin(ctx context.Context) error {
	for _, part := range s.m.identity {
		raw, err := read(ctx, s.client, place{part.object, guard.U32})
		if err != nil {
			return err
		}
		if uint32(raw) != part.value {
			return &canopen.IdentityError{Node: s.m.node, Object: part.object, Is: uint32(raw), Wanted: part.value}
		}
	}
	if s.m.heartbeat > 0 {
		s.client.Watch(s.m.heartbeat)
	}
	if err := s.client.FindEmergencies(ctx); err != nil {
		return err
	}
	s.tpdos = map[int]canopen.PDO{}
	for _, number := range s.m.transmitted() {
		pdo, err := s.pdo(ctx, canopen.Transmit, number, s.m.readingsOf(number))
		if err != nil {
			return err
		}
		s.tpdos[number] = pdo
		s.client.Follow(pdo.ID)
	}
	return s.beginThrottle(ctx)
}

// pdo reads a PDO from the device, and compares it with the places that the map says it has, one of a receive PDO with all of
// them.
func (s *store) pdo(ctx context.Context, d canopen.Direction, number int, wanted []place) (canopen.PDO, error) {
	p, err := s.client.ReadPDO(ctx, d, number)
	if refused := new(canopen.Abort); errors.As(err, &refused) {
		return p, fmt.Errorf("the map says that %v %d is used, and the controller does not tell of it: %w", d, number, err)
	}
	if err != nil {
		return p, err
	}
	wrong := func(text string, args ...any) (canopen.PDO, error) {
		return p, &MappingError{Direction: d, Number: number, Fields: p.Fields, Text: fmt.Sprintf(text, args...)}
	}
	switch {
	case p.Off:
		return wrong("it is switched off in the controller (bit 31 of %04X:01)", d.Parameter(number))
	case p.Extended:
		return wrong("its identifier has 29 bits, which nothing here sends or follows")
	case canopen.Restricted(p.ID):
		return wrong("its identifier is %03X (%04X:01), which CiA 301 keeps for other things than PDOs", p.ID, d.Parameter(number))
	}
	for _, w := range wanted {
		_, bits, ok := p.Find(w.Object)
		switch {
		case !ok:
			return wrong("%v is not in it", w.Object)
		case bits != w.kind.Bits() && !(w.kind.Switch() && bits == 1):
			return wrong("%v has %d bits there, and a %s has %d", w.Object, bits, w.kind, w.kind.Bits())
		}
	}
	for i, f := range p.Fields {
		if d == canopen.Receive && !f.Filler() && slices.ContainsFunc(p.Fields[:i], func(o canopen.Mapped) bool { return o.Object == f.Object }) {
			return wrong("it carries %v twice, and which of the two counts, nothing tells", f.Object)
		}
		if d == canopen.Receive && !f.Filler() && !slices.ContainsFunc(wanted, func(w place) bool { return w.Object == f.Object }) {
			return wrong("it carries %v too, and the map does not say what to send there: add [[throttle.with]] for it", f.Object)
		}
	}
	return p, nil
}

// MappingError is a PDO of the device that is not as the map has it.
type MappingError struct {
	Direction canopen.Direction
	Number    int
	Fields    []canopen.Mapped
	Text      string
}

func (e *MappingError) Error() string {
	var has []string
	for _, f := range e.Fields {
		has = append(has, f.String())
	}
	return fmt.Sprintf("%v %d of the controller is not as the map has it: %s; the controller says that it carries %s. Correct the map by the controller's manual; nothing here changes a mapping", e.Direction, e.Number, e.Text, cmp.Or(strings.Join(has, ", "), "nothing"))
}

// TellsByItself reports whether the controller sends some readings by itself.
func (m *Map) TellsByItself() bool { return len(m.tpdo) > 0 }

// transmitted lists the numbers of the TPDOs that bring readings.
func (m *Map) transmitted() []int { return slices.Compact(slices.Sorted(maps.Values(m.tpdo))) }

// readingsOf lists the readings that a TPDO brings, in the order of the file.
func (m *Map) readingsOf(number int) (list []place) {
	for _, r := range m.Readings {
		if p := r.Place.(place); m.tpdo[p] == number {
			list = append(list, p)
		}
	}
	return list
}

// news handles what the node sent by itself. What a controller tells because we fell silent is no news: the proof asks for it.
func (s *store) news(ctx context.Context) error {
	for {
		err := s.client.News(ctx)
		switch {
		case err == nil:
			return nil
		case s.drive.fell(s.clock.Now(), err):
			s.drive.excused = true
			s.drive.tell(err.Error())
			continue
		case told(err):
			return &link.NewsError{Err: err}
		}
		return err
	}
}

// Told returns what was no news; see [store.news].
func (s *store) Told() (told []string) {
	if s.drive != nil {
		told, s.drive.told = s.drive.told, nil
	}
	return told
}

// told reports whether an error is what the node or the bus told by itself, and no failure of the line.
func told(err error) bool {
	for _, kind := range []any{new(*canopen.SecondPartyError), new(*canopen.RestartedError), new(*canopen.DeviceError), new(*canopen.StateError),
		new(*canopen.HeartbeatError), new(*canopen.RegisterError), new(*canopen.LossError), new(*canopen.PDOError)} {
		if errors.As(err, kind) {
			return true
		}
	}
	return errors.Is(err, slcan.ErrBusOff) || errors.Is(err, slcan.ErrRefused)
}

// marked makes news of what came between request and answer, as what comes by itself is.
func marked(err error) error {
	if err != nil && told(err) && !errors.As(err, new(*link.NewsError)) {
		return &link.NewsError{Err: err}
	}
	return err
}

// Read reads objects one by one, after what the node told by itself.
func (s *store) Read(ctx context.Context, places []guard.Place, got func(i int, raw uint64)) error {
	if err := s.news(ctx); err != nil {
		return err
	}
	for i, p := range places {
		raw, err := read(ctx, s.client, p.(place))
		if err != nil {
			return marked(err)
		}
		got(i, raw)
	}
	return nil
}

// The bounds of a value that a TPDO brought: older than three of its periods, or than this, it is asked for.
const (
	freshPeriods = 3
	freshAtMost  = 100 * time.Millisecond
)

// lossEvery is how often the adapter is asked whether frames were lost.
const lossEvery = time.Second

// Measure returns what TPDOs brought, where that is fresh, and asks for the rest. While the controller may obey, it asks for something in any
// case where commands went out since the last answer: the adapter may hold them back.
func (s *store) Measure(ctx context.Context, places []guard.Place, got func(i int, raw uint64, from link.Origin)) error {
	if err := s.news(ctx); err != nil {
		return err
	}
	ask := func(i int) error {
		asked := s.clock.Now()
		raw, err := read(ctx, s.client, places[i].(place))
		if err == nil {
			got(i, raw, link.Origin{Since: asked, At: s.client.Heard(), Source: "SDO"})
		}
		return marked(err)
	}
	for i, p := range places { // what takes time comes first
		if s.m.tpdo[p.(place)] == 0 {
			if err := ask(i); err != nil {
				return err
			}
		}
	}
	for i, p := range places {
		number := s.m.tpdo[p.(place)]
		if number == 0 {
			continue
		}
		raw, from, ok, err := s.brought(p.(place), number)
		if err != nil {
			return marked(err)
		}
		if ok {
			got(i, raw, from)
		} else if err := ask(i); err != nil {
			return err
		}
	}
	if s.drive.live() && s.drive.rpdo > 0 && s.client.Waiting() > 0 { // readings that came by themselves say nothing of our own way out
		if err := s.trip(ctx); err != nil {
			return marked(err)
		}
	}
	return s.lost(ctx)
}

// lost asks the adapter for lost frames, where they count and from time to time. What was lost while nobody read is none: it comes
// after what was asked for, as only an answer ends a line that a full buffer cut.
func (s *store) lost(ctx context.Context) error {
	now := s.clock.Now()
	since := port.Age(s.asked, now)
	if since < lossEvery || !s.drive.live() && len(s.tpdos) == 0 {
		return nil
	}
	s.asked = now
	err := s.client.Lost(ctx)
	if since > 3*lossEvery && errors.As(err, new(*canopen.LossError)) {
		return nil
	}
	if err == nil && s.client.Mute() && s.drive.live() {
		var register byte
		if register, err = s.client.Register(ctx); err == nil && register&^s.drive.register != 0 {
			err = &canopen.RegisterError{Node: s.m.node, Was: s.drive.register, Is: register}
		}
	}
	return marked(err)
}

// brought returns what the TPDO of a number brought of a place; ok is false where that is not surely fresh.
func (s *store) brought(p place, number int) (raw uint64, from link.Origin, ok bool, err error) {
	pdo := s.tpdos[number]
	h, ok := s.client.Newest(pdo.ID)
	if !ok {
		return 0, from, false, nil
	}
	if len(h.Data) != pdo.Bytes() {
		return 0, from, false, &canopen.PDOError{ID: pdo.ID, Bytes: len(h.Data), Wanted: pdo.Bytes()}
	}
	limit := freshAtMost
	if pdo.Event > 0 {
		limit = min(limit, freshPeriods*pdo.Event)
	}
	if port.Age(h.Since, s.clock.Now()) > limit {
		return 0, from, false, nil
	}
	at, bits, _ := pdo.Find(p.Object)
	return canopen.Extract(h.Data, at, bits), link.Origin{Since: h.Since, At: h.At, Source: fmt.Sprintf("TPDO %d", number)}, true, nil
}

// read reads one object, whose length must be the map's.
func read(ctx context.Context, client *canopen.Client, p place) (uint64, error) {
	data, exact, err := client.Upload(ctx, p.Object)
	if err != nil {
		return 0, err
	}
	if !exact && len(data) >= p.bytes() {
		data = data[:p.bytes()]
	}
	if len(data) != p.bytes() {
		return 0, &LengthError{Object: p.Object, Kind: p.kind, Bytes: len(data)}
	}
	var eight [8]byte
	copy(eight[:], data)
	return binary.LittleEndian.Uint64(eight[:]), nil
}

// LengthError is an object that is longer or shorter than the map's type.
type LengthError struct {
	Object canopen.Object
	Kind   guard.Kind
	Bytes  int
}

func (e *LengthError) Error() string {
	return fmt.Sprintf("object %v has %d bytes, but the map's type %s has %d: correct type in the map by the controller's manual or its EDS", e.Object, e.Bytes, e.Kind, e.Kind.Bits()/8)
}

// Write writes an object, or sends a command; see [store.command].
func (s *store) Write(ctx context.Context, to guard.Place, raw uint64, still func() error) error {
	p := to.(place)
	if s.drive.commands(p) {
		return s.command(ctx, p, raw, still)
	}
	return marked(s.download(ctx, p, raw, still))
}

// download writes an object by SDO, which confirms it.
func (s *store) download(ctx context.Context, p place, raw uint64, still func() error) error {
	return s.client.Download(ctx, p.Object, binary.LittleEndian.AppendUint64(nil, raw)[:p.bytes()], still)
}

func (s *store) Refusal(err error, p guard.Place) (error, bool) {
	if length := new(LengthError); errors.As(err, &length) {
		return err, true // about one object, like a refusal
	}
	refused := errors.As(err, new(*canopen.Abort))
	switch {
	case errors.Is(err, canopen.NoObject), errors.Is(err, canopen.NoSubIndex):
		err = fmt.Errorf("%w; `quaybench controller objects` lists what the controller has", err)
	case errors.Is(err, canopen.LengthMismatch):
		err = fmt.Errorf("%w; the map's type is %s: compare it with the controller's manual or its EDS", err, p.(place).kind)
	}
	return err, refused
}
