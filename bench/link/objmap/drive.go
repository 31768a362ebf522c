package objmap

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/port"
)

// driving is a throttle that is commanded over CAN. Each command is one act of its caller: receive PDO or SDO, and the
// heartbeat with it. Nothing repeats it behind the caller's back, so that a caller that hangs, hangs the heartbeat too, and the
// controller's own time-out acts.
type driving struct {
	*drive
	throttle *guard.Throttle
	places   []place     // throttle and direction
	pdo      canopen.PDO // that carries them, if one does
	image    []byte      // of the receive PDO
	count    uint64      // the throttle's raw value, as last sent

	searched bool // for other receive PDOs that carry it
	moved    bool // something else than zero was sent by receive PDO
	follows  bool // its object was read, and held that

	ready   bool      // it was made ready, and commanded in time since
	silent  bool      // we let it fall silent, so it went to zero by itself
	started bool      // by us
	sent    time.Time // when the last command went out

	told     []string // by the node or the adapter, and no news
	excused  bool     // the node told of an error since it was made ready, which our silence may be the reason for
	register byte     // error register when it was made ready
}

// beginThrottle compares the receive PDO that carries the throttle with the map, and keeps its identifier for ourselves.
func (s *store) beginThrottle(ctx context.Context) error {
	t, d := s.m.Throttle, s.m.drive
	if t == nil {
		return nil
	}
	s.drive = &driving{drive: d, throttle: t, places: []place{t.Place.(place)}}
	if t.Direction != nil {
		s.drive.places = append(s.drive.places, t.Direction.Place.(place))
	}
	defer s.drive.forget()
	if d.ours > 0 {
		s.client.Reserve(canopen.HeartbeatID(d.ours), fmt.Sprintf("another node with the number %d, which the map gives to us,", d.ours))
	}
	if d.rpdo == 0 {
		for _, p := range s.drive.places { // at rest an object of another length would pass for one that can be written only
			if _, err := read(ctx, s.client, p); err != nil && !errors.As(err, new(*canopen.Abort)) {
				return err
			}
		}
		return nil
	}
	wanted := s.drive.places
	for _, w := range d.with {
		wanted = append(wanted, w.Place.(place))
	}
	pdo, err := s.pdo(ctx, canopen.Receive, d.rpdo, wanted)
	if err != nil {
		return err
	}
	if !pdo.ByEvent() {
		return &MappingError{Direction: canopen.Receive, Number: d.rpdo, Fields: pdo.Fields, Text: fmt.Sprintf("its transmission type is %d, so it acts only with SYNC, which nothing here sends (254 and 255 act at once)", pdo.Type)}
	}
	switch {
	case d.id == 0 && !ownReceive(pdo.ID, s.m.node):
		return &MappingError{Direction: canopen.Receive, Number: d.rpdo, Fields: pdo.Fields, Text: fmt.Sprintf("its identifier is %03X (%04X:01), which is not this node's own by CiA 301, so that another controller may obey it too: if that is meant, add rpdo_id = 0x%03X to [throttle]", pdo.ID, canopen.Receive.Parameter(d.rpdo), pdo.ID)}
	case d.id != 0 && d.id != pdo.ID:
		return &MappingError{Direction: canopen.Receive, Number: d.rpdo, Fields: pdo.Fields, Text: fmt.Sprintf("its identifier is %03X (%04X:01), and rpdo_id in the map is %03X", pdo.ID, canopen.Receive.Parameter(d.rpdo), d.id)}
	}
	s.client.Reserve(pdo.ID, "another throttle")
	s.drive.pdo, s.drive.image = pdo, make([]byte, pdo.Bytes())
	for _, w := range d.with {
		s.drive.put(w.Place.(place), w.Raw)
	}
	return nil
}

// ownReceive reports whether an identifier is one that the receive PDOs of a node have by CiA 301, and no other node's.
func ownReceive(id uint32, node byte) bool {
	for number := 1; number <= 4; number++ {
		if id == canopen.Receive.DefaultID(number, node) {
			return true
		}
	}
	return false
}

// searchOthers looks at the device's other receive PDOs: one that carries the throttle too, or what makes it ready, is another
// way to command it, and one with our identifier takes our commands for something else.
func (s *store) searchOthers(ctx context.Context) error {
	d := s.drive
	if d.searched {
		return nil
	}
	if err := s.client.ReserveServers(ctx); err != nil {
		return fmt.Errorf("by which identifiers others may write to the controller cannot be read: %w", err)
	}
	watched := slices.Clone(d.places)
	for _, list := range [][]guard.Step{d.with, d.afterStart} {
		for _, step := range list {
			watched = append(watched, step.Place.(place))
		}
	}
	for number := 1; number <= canopen.MostPDOs; number++ {
		if number == d.rpdo {
			continue
		}
		pdo, err := s.client.ReadPDO(ctx, canopen.Receive, number)
		refused := errors.As(err, new(*canopen.Abort))
		switch {
		case err != nil && !refused && !errors.Is(err, canopen.ErrMapping):
			return fmt.Errorf("whether RPDO %d of the controller carries the throttle too cannot be read: %w", number, err)
		case refused && pdo.ID == 0 || pdo.Off: // there is none, or it does nothing, whatever is mapped there
			continue
		case d.rpdo > 0 && pdo.ID == d.pdo.ID && !pdo.Extended:
			return &MappingError{Direction: canopen.Receive, Number: number, Fields: pdo.Fields, Text: fmt.Sprintf("it has the identifier %03X of RPDO %d, so that each throttle command is taken for something else too", pdo.ID, d.rpdo)}
		case err != nil: // what it carries is not known
			s.client.ReserveOf(pdo, fmt.Sprintf("somebody who speaks to RPDO %d of the controller, which may carry the throttle too (its mapping, %04X, cannot be read),", number, canopen.Receive.Mapping(number)))
		}
		for _, w := range watched {
			if _, _, ok := pdo.Find(w.Object); ok {
				s.client.ReserveOf(pdo, fmt.Sprintf("another throttle, by RPDO %d of the controller,", number))
			}
		}
	}
	d.searched = true
	return nil
}

// put writes a value into the image of the receive PDO.
func (d *driving) put(p place, raw uint64) {
	if from, bits, ok := d.pdo.Find(p.Object); ok {
		canopen.Insert(d.image, from, bits, raw)
	}
}

// commands reports whether what is written to a place is a throttle command.
func (d *driving) commands(p place) bool {
	return d != nil && (p == d.places[0] || len(d.places) > 1 && p == d.places[1])
}

// live reports whether the controller may obey.
func (d *driving) live() bool { return d != nil && d.ready }

// late notes that the controller was left without a command for so long that it may have gone to zero by itself.
func (d *driving) late(now time.Time, share time.Duration) bool {
	if d.ready && port.Age(d.sent, now) > share {
		d.ready, d.silent = false, true
	}
	return d.silent
}

// fell reports whether an error is what a controller tells because we fell silent: that commands or heartbeats are missing,
// and that it left operation. What else it tells remains news.
func (d *driving) fell(now time.Time, err error) bool {
	if d == nil || !d.late(now, d.throttle.Timeout*3/4) {
		return false
	}
	if e := new(canopen.DeviceError); errors.As(err, &e) {
		return e.OfSilence()
	}
	return errors.As(err, new(*canopen.StateError))
}

// tell stores a text for the person, once until it was asked for; see [store.Told].
func (d *driving) tell(text string) {
	if len(d.told) < mostTold && !slices.Contains(d.told, text) {
		d.told = append(d.told, text)
	}
}

// mostTold bounds what is kept for a person.
const mostTold = 32

// command sends one command, and the heartbeat with it. Zero goes out whatever the controller told.
func (s *store) command(ctx context.Context, p place, raw uint64, still func() error) error {
	d := s.drive
	count := d.count
	if p == d.places[0] {
		count = raw
	}
	if count != d.throttle.Kind.Raw(d.throttle.Zero) {
		if err := s.news(ctx); err != nil {
			return err
		}
		// One command other than zero waits in the adapter at most: what it queues while its bus is busy goes out later, and the motor
		// obeys it then.
		if d.rpdo > 0 && s.client.Waiting() > 0 {
			if err := s.trip(ctx); err != nil {
				return marked(err)
			}
		}
		if d.late(s.clock.Now(), d.throttle.Timeout); !d.ready {
			return link.ErrNotReady
		}
	} else {
		s.client.Insist(true)
		defer s.client.Insist(false)
	}
	if d.rpdo == 0 {
		if err := s.download(ctx, p, raw, still); err != nil {
			return marked(err)
		}
		d.count = count
		return s.beat(ctx)
	}
	if still != nil {
		if err := still(); err != nil {
			return err
		}
	}
	d.count = count
	d.moved = d.moved || count != d.throttle.Kind.Raw(d.throttle.Zero)
	d.put(p, raw)
	if err := s.transmit(ctx); err != nil {
		return err
	}
	return s.follow(ctx)
}

// follow sees, once, whether the throttle's object holds what a receive PDO brought: only then does it confirm zero when it reads
// zero. Some devices keep the two apart.
func (s *store) follow(ctx context.Context) error {
	d := s.drive
	if d.rpdo == 0 || d.follows || !d.moved || d.count == d.throttle.Kind.Raw(d.throttle.Zero) {
		return nil
	}
	raw, err := read(ctx, s.client, d.places[0])
	if _, refused := s.Refusal(err, d.places[0]); refused {
		return nil // it can be written only
	}
	d.follows = err == nil && raw == d.count
	return marked(err)
}

// transmit sends the receive PDO as it stands, and the heartbeat.
func (s *store) transmit(ctx context.Context) error {
	if s.drive.rpdo > 0 {
		if err := s.client.Send(ctx, s.drive.pdo.ID, s.drive.image); err != nil {
			return err
		}
	}
	return s.beat(ctx)
}

// beat sends our heartbeat, and notes that a command went out. A controller that is not to obey hears no heart, as it would
// begin to watch it.
func (s *store) beat(ctx context.Context) error {
	now := s.clock.Now()
	s.drive.late(now, s.drive.throttle.Timeout)
	s.drive.sent = now
	if s.drive.ours == 0 || !s.drive.ready {
		return nil
	}
	return s.client.Beat(ctx, s.drive.ours)
}

// MakeReady brings the node to where it obeys: nobody else commands it, the line is quick enough and loses nothing, the map's
// objects are written, the node is operational and says that it is ready. All the while it is commanded zero.
func (s *store) MakeReady(ctx context.Context) error {
	d := s.drive
	if d.late(s.clock.Now(), d.throttle.Timeout); d.ready {
		return nil
	}
	if err := s.listenFirst(ctx); err != nil {
		return marked(err)
	}
	d.ready, d.silent, d.sent = true, true, s.clock.Now() // from here on it is commanded; that we were silent before, it may still tell
	err := s.makeReady(ctx)
	if err == nil && !d.ready {
		err = fmt.Errorf("making the controller ready took longer than its command time-out of %v without a command between: the line is too slow", d.throttle.Timeout)
	}
	if err == nil {
		err = s.noteErrors(ctx)
	}
	if err != nil {
		d.ready, d.silent = false, true
	}
	return marked(err)
}

// noteErrors notes what a person is to see of a node that was made ready: errors that it has all the same, and that frames may be lost
// unnoticed.
func (s *store) noteErrors(ctx context.Context) error {
	d, was := s.drive, s.drive.register
	register, err := s.client.Register(ctx)
	if err != nil {
		return err
	}
	if more := register &^ was; more != 0 && !d.excused {
		d.tell(fmt.Sprintf("the error register of node %d (1001) is %02X: %s", s.m.node, register, canopen.RegisterWords(more)))
	}
	d.register, d.excused = register, false
	if s.client.Mute() {
		d.tell("this adapter has no word for frames that it lost (F), so that an emergency may be missed: the error register is read instead, once a second")
	}
	return nil
}

// The bounds of making ready.
const (
	longestWait  = 2 * time.Second
	shortTimeout = 100 * time.Millisecond // below it the line's own delay counts
	roundTrips   = 8
)

// listenFirst listens for another throttle, and sees whether the line serves.
func (s *store) listenFirst(ctx context.Context) error {
	timeout := s.drive.throttle.Timeout
	// A person may have read for minutes, and the buffers have run over: an answer ends the line that was cut then.
	if err := s.news(ctx); err != nil {
		return err
	}
	if err := s.trip(ctx); err != nil {
		return err
	}
	if err := s.client.Lost(ctx); err != nil && !errors.As(err, new(*canopen.LossError)) { // what was lost before does not count
		return err
	}
	if err := s.searchOthers(ctx); err != nil {
		return err
	}
	if err := s.meanwhile(ctx, min(2*timeout, longestWait), func() (bool, error) { return false, nil }); err != nil {
		return err
	}
	s.client.Slowest()
	for range roundTrips {
		if err := s.trip(ctx); err != nil {
			return err
		}
	}
	if slowest := s.client.Slowest(); timeout < shortTimeout && slowest > timeout/4 {
		return fmt.Errorf("an answer takes up to %v on this line, too long for a controller that goes to zero after %v: use an adapter that holds bytes back for less long, or a longer time-out in the controller", slowest.Round(time.Millisecond), timeout)
	}
	return s.client.Lost(ctx)
}

// trip sends a request only to wait for its answer: what was sent before has reached the bus then.
func (s *store) trip(ctx context.Context) error {
	_, err := read(ctx, s.client, s.drive.places[0])
	if _, refused := s.Refusal(err, s.drive.places[0]); refused {
		return nil
	}
	return err
}

// meanwhile handles what the node sends until so has come or the time is over, and commands zero where the node may obey.
func (s *store) meanwhile(ctx context.Context, most time.Duration, so func() (bool, error)) error {
	pause := min(s.drive.throttle.Timeout/4, 20*time.Millisecond)
	for begun := s.clock.Now(); ; {
		if err := s.news(ctx); err != nil {
			return err
		}
		if done, err := so(); done || err != nil {
			return err
		}
		if port.Age(begun, s.clock.Now()) >= most {
			return nil
		}
		if s.drive.ready {
			if err := s.transmit(ctx); err != nil {
				return err
			}
		}
		if err := s.clock.Sleep(ctx, pause); err != nil {
			return err
		}
	}
}

// rest writes zero and neutral into every place that is commanded, here and in the node, before anything lets the node obey: it went to
// zero by itself, and may still hold what was commanded before. An object that is written by receive PDO alone takes zero with the
// first of those, just after the start.
func (s *store) rest(ctx context.Context) error {
	for i, raw := range s.drive.atRest() {
		p := s.drive.places[i]
		err := s.download(ctx, p, raw, nil)
		if _, refused := s.Refusal(err, p); err != nil && !(refused && s.drive.rpdo > 0) {
			return err
		}
	}
	s.drive.forget()
	return nil
}

// forget replaces the last commanded values by zero and neutral.
func (d *driving) forget() {
	rest := d.atRest()
	d.count = rest[0]
	for i, raw := range rest {
		d.put(d.places[i], raw)
	}
}

// atRest returns the raw values of zero and neutral, in the order of the places.
func (d *driving) atRest() []uint64 {
	rest := []uint64{d.throttle.Kind.Raw(d.throttle.Zero)}
	if d.throttle.Direction != nil {
		rest = append(rest, d.throttle.Direction.Neutral)
	}
	return rest
}

func (s *store) makeReady(ctx context.Context) error {
	d := s.drive
	if err := s.rest(ctx); err != nil {
		return fmt.Errorf("make the controller ready, zero throttle first: %w", err)
	}
	write := func(steps []guard.Step) error {
		for _, step := range steps {
			if err := s.transmit(ctx); err != nil {
				return err
			}
			if err := s.download(ctx, step.Place.(place), step.Raw, nil); err != nil {
				return fmt.Errorf("make the controller ready: %w", err)
			}
		}
		return nil
	}
	if err := write(d.beforeStart); err != nil {
		return err
	}
	if d.rpdo > 0 {
		state, _ := s.client.State()
		d.started = d.started || state != canopen.Operational
		told := s.clock.Now()
		if err := s.client.Start(ctx); err != nil {
			return err
		}
		operational := func() bool {
			state, at := s.client.State()
			return state == canopen.Operational && at.After(told)
		}
		if err := s.meanwhile(ctx, 2*s.m.heartbeat+time.Second, func() (bool, error) { return operational(), nil }); err != nil {
			return err
		}
		if !operational() {
			state, _ := s.client.State()
			return fmt.Errorf("node %d was started and did not become operational: it says %v. Is something wrong with it that it tells at its own display?", s.m.node, state)
		}
		s.client.Expect(canopen.Operational)
	} else if state, at := s.client.State(); !at.IsZero() { // a node that leaves it has begun anew, though its boot-up was lost
		s.client.Expect(state)
	}
	d.silent = false
	if err := write(d.afterStart); err != nil {
		return err
	}
	if d.mark == nil {
		return s.transmit(ctx)
	}
	var raw uint64
	is := func() (yes bool, err error) {
		if raw, err = read(ctx, s.client, d.mark.Place.(place)); err != nil {
			return false, err
		}
		return d.mark.Tells(raw), nil
	}
	if err := s.meanwhile(ctx, longestWait, is); err != nil {
		return err
	}
	if !d.mark.Tells(raw) {
		return fmt.Errorf("the controller was made ready and does not say so: %v is %0*X; see [throttle.ready] in the map, and the controller's display", d.mark.Place, d.mark.Kind.Bits()/4, raw)
	}
	return nil
}

// LetGo makes sure of zero: it is read by SDO after the receive PDO, else written by SDO, else the node is taken out of
// operation first. A node that was started by us is taken out of operation in any case.
func (s *store) LetGo(ctx context.Context, zero []guard.Step, failed error) error {
	d := s.drive
	if d == nil {
		return failed
	}
	s.client.Expect(0)
	s.client.Insist(true)
	defer s.client.Insist(false)
	d.ready, d.silent = false, true
	err := s.makeSure(ctx, zero, failed)
	second := s.client.Second()
	if !d.started && second == nil {
		return err
	}
	told := s.clock.Now() // who else commands it, is to find it where it obeys nobody
	lost := s.client.Withdraw(ctx)
	if lost == nil {
		d.started = false
	}
	if err == nil || errors.As(err, new(*link.OtherwiseError)) {
		_ = s.trip(ctx) // an adapter that is taken off the bus may drop what it has not sent yet
	}
	if second == nil || d.rpdo == 0 || err != nil && !errors.As(err, new(*link.OtherwiseError)) {
		return err
	}
	// Zero that was read a moment ago is no word of what another commands now.
	if left, heard := s.left(ctx, told); !left {
		return &link.UnconfirmedError{Timeout: d.throttle.Timeout, Why: errors.Join(fmt.Errorf("%w; the node was told to leave operation: %s", second, heard), lost)}
	}
	return err
}

// holds reads whether the places hold zero. One that can only be written tells nothing.
func (s *store) holds(ctx context.Context, zero []guard.Step) error {
	for _, z := range zero {
		p := z.Place.(place)
		raw, err := read(ctx, s.client, p)
		if err != nil {
			return fmt.Errorf("%v cannot be read: %w", p, err)
		}
		if raw != z.Raw {
			return fmt.Errorf("%v holds %X after zero was sent", p, raw)
		}
	}
	return nil
}

// writes writes zero by SDO.
func (s *store) writes(ctx context.Context, zero []guard.Step) error {
	for _, z := range zero {
		if err := s.download(ctx, z.Place.(place), z.Raw, nil); err != nil {
			return err
		}
	}
	return nil
}

func (s *store) makeSure(ctx context.Context, zero []guard.Step, failed error) error {
	d := s.drive
	sent := d.rpdo > 0
	why := failed
	final := func(did string) error {
		if !sent && failed != nil {
			return fmt.Errorf("%w%s", failed, did)
		}
		return &link.UnconfirmedError{Timeout: d.throttle.Timeout, Why: fmt.Errorf("%w%s", why, did)}
	}
	blind := d.moved && !d.follows
	for range 2 {
		if sent {
			why = s.transmit(ctx)
		}
		refused := false // it can be written only
		if why == nil {
			why = s.holds(ctx, zero)
			refused = errors.As(why, new(*canopen.Abort))
		}
		if d.started && errors.Is(why, canopen.ErrNoReply) { // it is, in the end, and nothing tells whether zero arrived
			_ = s.client.Withdraw(ctx)
		}
		switch {
		case why == nil && sent && blind:
			why = fmt.Errorf("%v reads zero, but it never read as what a receive PDO had brought, so that confirms nothing", d.places[0])
		case why == nil, refused && !sent && s.writes(ctx, zero) == nil: // SDO confirmed it; once more, as the first answer may have been a late one
			return nil
		}
	}
	if lost := new(port.LostError); errors.As(why, &lost) {
		return final("")
	}
	if s.writes(ctx, zero) == nil && !blind && (sent || s.holds(ctx, zero) == nil) {
		return &link.OtherwiseError{Why: why, Did: "it was written by SDO, and confirmed"}
	}
	told := s.clock.Now()
	if err := s.client.Withdraw(ctx); err != nil {
		return final("; nor could it be told to leave operation: " + err.Error())
	}
	written := s.writes(ctx, zero) == nil && (sent || s.holds(ctx, zero) == nil)
	left, heard := false, ""
	if !written || blind { // what is written by SDO may be kept apart from what a receive PDO brings
		left, heard = s.left(ctx, told)
	}
	if written && (left || !blind) {
		return &link.OtherwiseError{Why: why, Did: "the node was taken out of operation, and zero written by SDO and confirmed"}
	}
	return final("; instead the node was told to leave operation, where it obeys no receive PDO: " + heard)
}

// left waits for the node to say that it left operation, as it was told at an instant. What else it tells is no news any more.
func (s *store) left(ctx context.Context, told time.Time) (left bool, heard string) {
	heard = "it did not say that it obeyed"
	begun, most := s.clock.Now(), min(s.m.heartbeat+100*time.Millisecond, longestWait)
	for !left && port.Age(begun, s.clock.Now()) < most {
		err := s.meanwhile(ctx, most-port.Age(begun, s.clock.Now()), func() (bool, error) {
			state, at := s.client.State()
			if left = at.After(told) && (state == canopen.PreOperational || state == canopen.Stopped); left {
				heard = fmt.Sprintf("it said that it is %v", state)
			}
			return left, nil
		})
		if err != nil && !errors.As(err, new(*link.NewsError)) {
			break
		}
	}
	return left, heard
}
