package objmap

import (
	"cmp"
	"encoding/binary"
	"maps"
	"math"
	"slices"
	"time"

	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/port"
)

// Unit answers for a device by an object map: the other side of a controller, for simulated ones. It is a
// [canopen.Machine], and as strict as [quaybench/bench/link/regmap.Unit].
type Unit struct {
	m        *Map
	device   guard.Device
	clock    port.Clock
	progress int // steps of the unlock sequence seen in order
	held     map[canopen.Object]uint64
	top      map[uint16]byte // highest sub-index of each index

	enabled     int  // steps of making ready seen in order
	operational bool // so it obeys receive PDOs
	fallen      bool // it went to zero by itself, and was not made ready since
	forget      time.Time
	holds       bool // it never forgets
	limps       bool // it goes on with less when it forgets
}

var _ canopen.Machine = (*Unit)(nil)

// forgetter is a device that forgets a command at an instant.
type forgetter interface{ ForgetAt(at time.Time) }

// NewUnit returns a unit for [canopen.NewNode].
func NewUnit(m *Map, device guard.Device, clock port.Clock) *Unit {
	u := &Unit{m: m, device: device, clock: clock, top: m.highest()}
	u.begin()
	return u
}

// begin sets every object that is only remembered to its value after switching on.
func (u *Unit) begin() {
	u.held, u.progress, u.enabled, u.operational, u.fallen = map[canopen.Object]uint64{}, 0, 0, false, false
	for _, list := range [][]guard.Step{u.m.Unlock, u.m.Lock} {
		for _, s := range list {
			u.held[s.Place.(place).Object] = 0
		}
	}
	t, d := u.m.Throttle, u.m.drive
	if t == nil {
		return
	}
	for _, list := range [][]guard.Step{d.with, d.beforeStart, d.afterStart} {
		for _, s := range list {
			if o := s.Place.(place).Object; o.Index >= 0x2000 { // the others are the node's
				u.held[o] = 0
			}
		}
	}
	u.held[t.Place.(place).Object] = t.Kind.Raw(t.Zero)
	if t.Direction != nil {
		u.held[t.Direction.Place.(place).Object] = t.Direction.Neutral
	}
}

// NewNode returns the simulated node of a map, with a heartbeat of the map's or one a second. What PDOs the map speaks of it
// has; its receive PDO, or the heartbeat that it watches, has the map's command time-out. silence is how it takes it when that
// runs out.
func NewNode(m *Map, device guard.Device, clock port.Clock, silence canopen.Silence) *canopen.Node {
	p := canopen.Process{Heartbeat: cmp.Or(m.heartbeat, time.Second), Silence: silence}
	id := func(d canopen.Direction, number int) uint32 {
		if number > 4 {
			return 0x680 + uint32(number&0x3F) // free, by CiA 301
		}
		return d.DefaultID(number, m.node)
	}
	put := func(list *[]canopen.PDO, d canopen.Direction, number int, pdo canopen.PDO) {
		for len(*list) < number {
			*list = append(*list, canopen.PDO{ID: id(d, len(*list)+1), Off: true, Type: 255})
		}
		pdo.ID, pdo.Type = cmp.Or(pdo.ID, id(d, number)), 255
		(*list)[number-1] = pdo
	}
	for _, number := range m.transmitted() {
		put(&p.Sends, canopen.Transmit, number, canopen.PDO{Inhibit: 10 * time.Millisecond, Event: 20 * time.Millisecond, Fields: mapped(m.readingsOf(number)...)})
	}
	if d := m.drive; d != nil {
		told := func(index uint16) bool { // by the map, when it is made ready
			return slices.ContainsFunc(slices.Concat(d.beforeStart, d.afterStart), func(s guard.Step) bool { return s.Place.(place).Index == index })
		}
		if d.heartbeat && !told(0x1016) {
			p.Watches, p.WatchTime = d.ours, m.Throttle.Timeout
		}
		if d.rpdo > 0 {
			pdo := canopen.PDO{ID: d.id, Fields: mapped(m.carried()...)}
			if !d.heartbeat && !told(canopen.Receive.Parameter(d.rpdo)) {
				pdo.Event = m.Throttle.Timeout
			}
			put(&p.Takes, canopen.Receive, d.rpdo, pdo)
		}
	}
	u := NewUnit(m, device, clock)
	if silence == canopen.Limps {
		p.Falls = 1 // it stays operational
	}
	u.holds, u.limps = silence == canopen.Reports || silence == canopen.Ignores, silence == canopen.Limps
	return canopen.NewNode(m.node, u, p, clock)
}

// mapped returns a mapping of places; a bool takes one bit.
func mapped(places ...place) (fields []canopen.Mapped) {
	for _, p := range places {
		bits := p.kind.Bits()
		if p.kind.Switch() {
			bits = 1
		}
		fields = append(fields, canopen.Mapped{Object: p.Object, Bits: bits})
	}
	return fields
}

// carried lists what the receive PDO of the throttle carries.
func (m *Map) carried() (list []place) {
	for _, w := range m.drive.with {
		list = append(list, w.Place.(place))
	}
	list = append(list, m.Throttle.Place.(place))
	if d := m.Throttle.Direction; d != nil {
		list = append(list, d.Place.(place))
	}
	return list
}

// share returns the throttle that the objects ask for.
func (u *Unit) share() float64 {
	t, d := u.m.Throttle, u.m.drive
	for _, w := range d.with {
		if u.held[w.Place.(place).Object] != w.Raw {
			return 0
		}
	}
	direction := uint64(0)
	if t.Direction != nil {
		direction = u.held[t.Direction.Place.(place).Object]
	}
	return t.Share(u.held[t.Place.(place).Object], direction)
}

// ready reports whether the unit obeys.
func (u *Unit) ready() bool {
	d := u.m.drive
	return d != nil && !u.fallen && u.enabled >= len(d.afterStart) && (u.operational || d.rpdo == 0)
}

// Take stores what a receive PDO brought.
func (u *Unit) Take(o canopen.Object, raw uint64) {
	if _, ok := u.held[o]; ok {
		u.held[o] = raw
	}
}

// Obey has the device do what was commanded, until it is to be forgotten. Where nothing has to be done to make it ready, zero is
// enough after it fell to zero by itself.
func (u *Unit) Obey(forget time.Time) {
	if u.m.drive == nil {
		return
	}
	share := u.share()
	if u.fallen && share == 0 && len(u.m.drive.afterStart) == 0 {
		u.fallen = false
	}
	if !u.ready() {
		share = 0
	}
	u.forget = forget
	u.device.Throttle(share)
	if f, ok := u.device.(forgetter); ok {
		f.ForgetAt(forget)
	}
}

// Fall has the device go to zero by itself.
func (u *Unit) Fall() {
	u.fallen, u.enabled = true, 0
	if !u.limps { // else the device has forgotten all but a part of it
		u.device.Throttle(0)
	}
}

// Operate lets the device obey, or no more.
func (u *Unit) Operate(on bool) {
	u.operational = on
	if !on {
		u.fallen, u.enabled = true, 0
		u.device.Throttle(0)
	}
}

// Restart has the unit begin anew, with the device's settings as they are.
func (u *Unit) Restart() {
	u.begin()
	u.device.Throttle(0)
}

// enable follows the steps of making ready: in order, from the first.
func (u *Unit) enable(o canopen.Object, raw uint64) {
	steps := u.m.drive.afterStart
	is := func(i int) bool { return i < len(steps) && steps[i].Place.(place).Object == o && steps[i].Raw == raw }
	switch {
	case is(u.enabled):
		u.enabled++
	case is(0):
		u.enabled = 1
	}
	if u.enabled == len(steps) {
		u.fallen = false
	}
}

// Read returns an object's bytes.
func (u *Unit) Read(o canopen.Object) ([]byte, error) {
	give := func(p place, raw uint64) ([]byte, error) {
		return binary.LittleEndian.AppendUint64(nil, raw)[:p.bytes()], nil
	}
	word := place{kind: guard.U32}
	for _, part := range u.m.identity {
		if part.object == o {
			return give(word, uint64(part.value))
		}
	}
	switch o {
	case canopen.DeviceType():
		return give(word, 0)
	case canopen.ErrorRegister():
		return []byte{0}, nil
	case canopen.DeviceName():
		return []byte(u.m.Title), nil
	case canopen.Object{Index: 0x1018}:
		return []byte{4}, nil
	case canopen.VendorID(), canopen.ProductCode(), canopen.Revision(), canopen.SerialNumber():
		return give(word, 0)
	}
	for _, s := range u.m.Settings {
		if p := s.Place.(place); p.Object == o {
			return give(p, s.Saturate(u.device.Setting(s.Key)))
		}
	}
	mark := u.m.Running
	for _, r := range u.m.Readings {
		if p := r.Place.(place); p.Object == o {
			raw := r.Saturate(u.device.Reading(r.Name))
			if mark != nil && mark.Mask != 0 && mark.Place.(place).Object == o {
				raw = mark.Show(raw, u.device.Running())
			}
			return give(p, raw)
		}
	}
	if mark != nil && mark.Place.(place).Object == o {
		return give(mark.Place.(place), mark.Show(0, u.device.Running()))
	}
	if d := u.m.drive; d != nil && d.mark != nil && d.mark.Place.(place).Object == o {
		return give(d.mark.Place.(place), d.mark.Show(0, u.ready()))
	}
	if raw, ok := u.held[o]; ok {
		return give(u.remembered(o), raw)
	}
	switch highest := u.top[o.Index]; {
	case highest > 0 && o.Sub == 0:
		return []byte{highest}, nil
	case highest > 0 || o.Index == 0x1018:
		return nil, canopen.NoSubIndex
	}
	return nil, canopen.NoObject
}

// Indices returns the indices of the objects that the map names, from low to high.
func (m *Map) Indices() []uint16 { return slices.Sorted(maps.Keys(m.highest())) }

// highest returns the highest sub-index that the map names of each index.
func (m *Map) highest() map[uint16]byte {
	top := map[uint16]byte{}
	note := func(p guard.Place) { o := p.(place).Object; top[o.Index] = max(top[o.Index], o.Sub) }
	for _, s := range m.Settings {
		note(s.Place)
	}
	for _, r := range m.Readings {
		note(r.Place)
	}
	if m.Running != nil {
		note(m.Running.Place)
	}
	for _, s := range slices.Concat(m.Unlock, m.Lock) {
		note(s.Place)
	}
	if m.drive != nil {
		for _, p := range m.carried() {
			note(p)
		}
	}
	return top
}

// remembered returns the place of an object that is only remembered.
func (u *Unit) remembered(o canopen.Object) (found place) {
	lists := [][]guard.Step{u.m.Unlock, u.m.Lock}
	if d := u.m.drive; d != nil {
		lists = append(lists, d.with, d.beforeStart, d.afterStart)
		for _, p := range u.m.carried() {
			if p.Object == o {
				return p
			}
		}
	}
	for _, list := range lists {
		for _, s := range list {
			if p := s.Place.(place); p.Object == o {
				return p
			}
		}
	}
	return found
}

// Write stores an object's bytes.
func (u *Unit) Write(o canopen.Object, data []byte) error {
	raw := func(p place) (uint64, error) {
		if len(data) != p.bytes() {
			return 0, canopen.LengthMismatch
		}
		var eight [8]byte
		copy(eight[:], data)
		return binary.LittleEndian.Uint64(eight[:]), nil
	}
	for _, s := range u.m.Settings {
		p := s.Place.(place)
		if p.Object != o {
			continue
		}
		if s.ReadOnly {
			return canopen.ReadOnly
		}
		got, err := raw(p)
		if err != nil {
			return err
		}
		value, ok := s.Decode(got)
		switch {
		case !ok || math.IsNaN(value):
			return canopen.InvalidValue
		case !s.Takes(value) && value > s.Max:
			return canopen.ValueTooHigh
		case !s.Takes(value):
			return canopen.ValueTooLow
		case u.progress < len(u.m.Unlock):
			return canopen.DeviceState // locked
		}
		if err := u.device.SetSetting(s.Key, value); err != nil {
			return canopen.InvalidValue
		}
		return nil
	}
	if _, ok := u.held[o]; ok {
		got, err := raw(u.remembered(o))
		if err != nil {
			return err
		}
		u.held[o] = got
		u.unlock(o, got)
		if d := u.m.drive; d != nil {
			u.enable(o, got)
			if d.rpdo == 0 {
				if !d.heartbeat && !u.holds { // a time-out of the maker's own
					u.forget = u.clock.Now().Add(u.m.Throttle.Timeout)
				}
				u.Obey(u.forget)
			}
		}
		return nil
	}
	if _, err := u.Read(o); err == nil {
		return canopen.ReadOnly
	}
	return canopen.NoObject
}

// unlock follows the unlock sequence: the steps in order unlock, any other of its writes locks again.
func (u *Unit) unlock(o canopen.Object, raw uint64) {
	is := func(i int) bool {
		return i < len(u.m.Unlock) && u.m.Unlock[i].Place.(place).Object == o && u.m.Unlock[i].Raw == raw
	}
	switch {
	case is(u.progress):
		u.progress++
	case is(0):
		u.progress = 1
	case slices.ContainsFunc(slices.Concat(u.m.Unlock, u.m.Lock), func(s guard.Step) bool { return s.Place.(place).Object == o }):
		u.progress = 0
	}
}
