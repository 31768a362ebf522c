package objmap

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"quaybench/bench/datafile"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/slcan"
)

// Map is an object map that has been read and checked. It does not change and
// is safe for several goroutines.
type Map struct {
	guard.Map
	node      byte
	rate      slcan.Rate
	heartbeat time.Duration // 0: not known
	identity  []identity
	tpdo      map[place]int // number of the TPDO that brings a reading
	drive     *drive        // nil: no throttle
}

// drive is how the throttle is commanded, beside what [guard.Throttle] has.
type drive struct {
	rpdo        int    // 0: by SDO
	id          uint32 // of that PDO; 0: one of the node's own
	ours        byte   // node number of our heartbeat; 0: none is sent
	heartbeat   bool   // it is what the controller watches
	with        []guard.Step
	beforeStart []guard.Step
	afterStart  []guard.Step
	mark        *guard.Mark // of a controller that is ready
}

// identity is what an object of 1018 must hold.
type identity struct {
	object canopen.Object
	value  uint32
}

// place is an object with its type.
type place struct {
	canopen.Object
	kind guard.Kind
}

// bytes returns how long the object is.
func (p place) bytes() int { return p.kind.Bits() / 8 }

// String names the object; its kind is the map's business.
func (p place) String() string { return "object " + p.Object.String() }

// Load reads an object map. name appears in messages only. known are the
// settings there are (datafile.Fields of the table of settings): a key, unit
// or word that is not among them is an error; nil skips that check.
//
// The error is [datafile.Problems]: everything wrong with the file, with line
// and column.
func Load(name string, data []byte, known []datafile.Field) (*Map, error) {
	var f file
	source, _ := datafile.Decode(name, data, &f)
	l := loader{Loader: guard.NewLoader(source, data, f.Title, "object map", known), file: &f}
	settings, readings := f.Settings, f.Readings
	l.Settings(common(settings), func(path string, i int) (guard.Place, bool) { return l.place(path, settings[i]) }, func(int) string { return "" })
	tpdo := map[place]int{}
	l.Readings(common(readings), func(path string, i int) (guard.Place, bool) {
		p, ok := l.place(path, readings[i])
		if n := readings[i].TPDO; ok && n > 0 {
			tpdo[p] = n
		}
		return p, ok
	})
	for i := range settings {
		if path := fmt.Sprintf("setting[%d].tpdo", i); source.Has(path) {
			l.Problem(path, "a setting is always asked for: tpdo goes with a reading")
		}
	}
	for i := range l.Map.Settings {
		if setting := &l.Map.Settings[i]; !setting.ReadOnly {
			l.checkWritten(fmt.Sprintf("setting[%d]", l.indexOf(setting.Key)), setting.Place.(place))
		}
	}
	l.steps("unlock", f.Unlock, "a step of the unlock sequence", &l.Map.Unlock)
	l.steps("lock", f.Lock, "a step of the unlock sequence", &l.Map.Lock)
	for path, steps := range map[string][]guard.Step{"unlock": l.Map.Unlock, "lock": l.Map.Lock} {
		for i, s := range steps {
			l.checkWritten(fmt.Sprintf("%s[%d]", path, i), s.Place.(place))
		}
	}
	drive := l.throttle()
	l.running()
	l.overlaps()
	if err := source.Err(); err != nil {
		return nil, err
	}
	for i := range l.Map.Readings {
		if r := &l.Map.Readings[i]; tpdo[r.Place.(place)] > 0 {
			r.Source = fmt.Sprintf("the controller, by TPDO %d where that is fresh", tpdo[r.Place.(place)])
		}
	}
	m := &Map{Map: *l.Map, node: byte(f.NodeID), heartbeat: duration(f.Heartbeat), tpdo: tpdo, drive: drive}
	m.rate, _ = slcan.ParseRate(f.Rate) // one of the tag's
	if id := f.Identity; id != nil {
		for _, part := range []struct {
			key    string
			object canopen.Object
			value  int
		}{{"vendor", canopen.VendorID(), id.Vendor}, {"product", canopen.ProductCode(), id.Product}, {"revision", canopen.Revision(), id.Revision}, {"serial", canopen.SerialNumber(), id.Serial}} {
			if source.Has("identity." + part.key) {
				m.identity = append(m.identity, identity{part.object, uint32(part.value)})
			}
		}
	}
	return m, nil
}

// loader checks what the tags of the file can't say.
type loader struct {
	*guard.Loader
	file *file
	uses []use
}

// indexOf returns where a setting stands in the file.
func (l *loader) indexOf(key string) int {
	return slices.IndexFunc(l.file.Settings, func(e entry) bool { return e.Key == key })
}

// use is a claim on an object.
type use struct {
	place
	path string // in the file: setting[2]
	what string // for messages
}

// common returns the entries but for their places.
func common(list []entry) (entries []guard.Entry) {
	for _, e := range list {
		entries = append(entries, guard.Entry{Key: e.Key, Kind: guard.Kind(e.Type), Scaling: e.scaling(), ReadOnly: e.ReadOnly, Words: e.Words})
	}
	return entries
}

// object reads where something is; ok is false for one that nothing may be written to.
func (l *loader) object(path string, index, sub int, kind, what string) (p place, ok bool) {
	p = place{canopen.Object{Index: uint16(index), Sub: byte(sub)}, guard.Kind(kind)}
	if index == 0 || kind == "" {
		return p, false // already reported
	}
	if p.Storing() {
		l.Problem(path+".index", "object %04X stores or restores all parameters at once: nothing here does that, by no map; use the controller's own means", p.Index)
		return p, false
	}
	l.uses = append(l.uses, use{p, path, what})
	return p, true
}

func (l *loader) place(path string, e entry) (place, bool) {
	return l.object(path, e.Index, e.Sub, e.Type, e.Key)
}

// targets are the objects by which CiA 402 commands a motion: target velocity of a frequency converter, target torque, target
// position, offsets of position, velocity and torque, interpolated positions, target velocity (CiA 402, from memory).
var targets = []uint16{0x6042, 0x6071, 0x607A, 0x60B0, 0x60B1, 0x60B2, 0x60C1, 0x60FF}

// controlword is the object by which CiA 402 enables a drive.
const controlword = 0x6040

// ofFirstAxis returns the index that an object of CiA 402 has for the first axis: a controller of several motors has the others', eight at
// most, each 0800 further on (CiA 402, from memory).
func ofFirstAxis(index uint16) uint16 {
	if index < 0x6000 || index >= 0xA000 {
		return index
	}
	return 0x6000 + (index-0x6000)%0x800
}

// checkWritten reports a problem where an object that is written with a setting, or around one, would change the controller's
// communication or move the motor.
func (l *loader) checkWritten(path string, p place) {
	switch {
	case p.Index < 0x2000:
		l.Problem(path+".index", "object %v is the device's own communication, which nothing here changes", p.Object)
	case ofFirstAxis(p.Index) == controlword || slices.Contains(targets, ofFirstAxis(p.Index)):
		l.Problem(path+".index", "object %v commands the drive (CiA 402): it goes below [throttle], which is locked out until a person releases it", p.Object)
	}
}

// moves refuses steps that command a motion beside the throttle.
func (l *loader) moves(path string, steps []guard.Step) {
	for i, s := range steps {
		if o := s.Place.(place).Object; slices.Contains(targets, ofFirstAxis(o.Index)) && s.Raw != 0 {
			l.Problem(fmt.Sprintf("%s[%d].value", path, i), "object %v commands a motion (CiA 402), and with this it would do so beside the throttle: only 0 is written to it", o)
		}
	}
}

// maxSteps bounds an unlock sequence; a real one has one or two writes.
const maxSteps = 32

func (l *loader) steps(name string, steps []step, what string, into *[]guard.Step) {
	if len(steps) > maxSteps {
		l.Problem(fmt.Sprintf("%s[%d]", name, maxSteps), "more than %d steps", maxSteps)
		steps = steps[:maxSteps]
	}
	for i, s := range steps {
		path := fmt.Sprintf("%s[%d]", name, i)
		p, ok := l.object(path, s.Index, s.Sub, s.Type, what)
		if !ok {
			continue
		}
		if _, high := p.kind.Limits(); float64(s.Value) > high {
			l.Problem(path+".value", "%d is not what a %s holds (0 to %.0f)", s.Value, p.kind, high)
		}
		*into = append(*into, guard.Step{Place: p, Raw: uint64(s.Value)})
	}
}

func (l *loader) running() {
	f := l.file.Running
	if f == nil {
		l.NeedsRunning(len(l.file.Settings), func(i int) bool { return l.file.Settings[i].ReadOnly })
		return
	}
	p, ok := l.object("running", f.Index, f.Sub, f.Type, "the mark of a driven motor")
	if !ok {
		return
	}
	m := &guard.Mark{Place: p, Kind: p.kind, Mask: uint64(f.Mask), Above: float64(f.Above), WhenClear: f.WhenClear}
	hasMask, hasAbove := l.Source.Has("running.mask"), l.Source.Has("running.above")
	switch {
	case p.kind.Switch() && (hasMask || hasAbove):
		l.Problem("running", "a bool is off or on: leave out mask and above")
	case p.kind.Switch():
		m.Mask = 1
	case hasMask == hasAbove:
		l.Problem("running", "either mask (which bits) or above (how many counts) tells that the motor is driven; write one of them")
	case hasAbove && (f.WhenClear || f.Equals != nil):
		l.Problem("running", "when_clear and equals go with mask")
	case f.WhenClear && f.Equals != nil:
		l.Problem("running.when_clear", "when_clear makes no sense beside equals")
	case m.Mask>>p.kind.Bits() != 0:
		l.Problem("running.mask", "mask 0x%X has bits that a %s has not", m.Mask, p.kind)
	}
	m.Equals = l.states("running", f.Equals, m.Mask)
	l.Map.Running = m
}

// states reads the states of a mark that its masked bits may be in.
func (l *loader) states(path string, texts []string, mask uint64) (states []uint64) {
	for i, text := range texts {
		state, err := strconv.ParseUint(text, 0, 32)
		at := fmt.Sprintf("%s.equals[%d]", path, i)
		switch {
		case err != nil:
			l.Problem(at, `%q is no number; write for example "0x0027"`, text)
		case state&^mask != 0:
			l.Problem(at, "%s has bits outside the mask, so it is never so", text)
		default:
			states = append(states, state)
		}
	}
	if n := uint64(len(states)); n > 0 && n >= 1<<min(bitsOf(mask), 30) {
		l.Problem(path+".equals", "these are all states that the mask has: then it is always so")
	}
	return states
}

func duration(seconds float64) time.Duration {
	return time.Duration(math.Round(seconds * float64(time.Second)))
}

// throttle reads how the throttle is commanded; nil where it is not.
func (l *loader) throttle() *drive {
	f := l.file.Throttle
	if f == nil {
		return nil
	}
	d := &drive{rpdo: f.RPDO, id: uint32(f.RPDOID), ours: byte(f.OurNode), heartbeat: f.Watch == "heartbeat"}
	p, ok := l.object("throttle", f.Index, f.Sub, f.Type, "the throttle command")
	if !ok {
		return d
	}
	t := &guard.Throttle{Place: p, Kind: p.kind, Zero: float64(f.Zero), Ahead: float64(f.Ahead), Astern: float64(f.Astern), Timeout: duration(f.CommandTimeout)}
	if g := f.Direction; g != nil {
		at, _ := l.object("throttle.direction", g.Index, g.Sub, g.Type, "the direction command")
		t.Direction = &guard.Direction{Place: at, Neutral: uint64(g.Neutral), Ahead: uint64(g.Ahead), Astern: uint64(g.Astern)}
		for _, count := range []struct {
			key   string
			value int
		}{{"neutral", g.Neutral}, {"ahead", g.Ahead}, {"astern", g.Astern}} {
			if _, high := at.kind.Limits(); float64(count.value) > high {
				l.Problem("throttle.direction."+count.key, "%d is not what a %s holds (0 to %.0f)", count.value, at.kind, high)
			}
		}
	}
	l.Throttle(t)
	l.steps("throttle.with", f.With, "carried by the receive PDO", &d.with)
	l.steps("throttle.before_start", f.BeforeStart, "a step of making ready", &d.beforeStart)
	l.steps("throttle.after_start", f.AfterStart, "a step of making ready", &d.afterStart)
	l.makingReady("throttle.before_start", d.beforeStart)
	l.makingReady("throttle.after_start", d.afterStart)
	l.moves("throttle.with", d.with)
	l.moves("throttle.before_start", d.beforeStart)
	l.moves("throttle.after_start", d.afterStart)
	if r := f.Ready; r != nil {
		if at, ok := l.object("throttle.ready", r.Index, r.Sub, r.Type, "the mark of a controller that is ready"); ok {
			d.mark = &guard.Mark{Place: at, Kind: at.kind, Mask: uint64(r.Mask), Equals: l.states("throttle.ready", r.Equals, uint64(r.Mask))}
			if d.mark.Mask>>at.kind.Bits() != 0 {
				l.Problem("throttle.ready.mask", "mask 0x%X has bits that a %s has not", d.mark.Mask, at.kind)
			}
		}
	}
	switch {
	case f.RPDO == 0 && len(f.With) > 0:
		l.Problem("throttle.with", "this goes along in a receive PDO: say which (rpdo), or leave it out")
	case f.RPDOID != 0 && canopen.Restricted(uint32(f.RPDOID)):
		l.Problem("throttle.rpdo_id", "%03X is no identifier of a PDO: CiA 301 keeps it for other things", f.RPDOID)
	case f.RPDO == 0 && f.RPDOID != 0:
		l.Problem("throttle.rpdo_id", "this is the identifier of a receive PDO: say which (rpdo), or leave it out")
	case f.RPDO == 0 && len(f.BeforeStart) > 0:
		l.Problem("throttle.before_start", "without rpdo the node is not started: put it into after_start")
	}
	switch {
	case d.heartbeat && d.ours == 0:
		l.Problem("throttle.our_node", "our_node is missing: the controller watches the heartbeat of a node, and object 1016 says which")
	case d.ours != 0 && int(d.ours) == l.file.NodeID:
		l.Problem("throttle.our_node", "this is the controller's own node number")
	}
	if l.file.Identity == nil {
		l.Problem("identity", "[identity] is missing: with a throttle another device at this node number must be refused; `quaybench controller objects` reads what the controller says of itself (object 1018)")
	}
	if l.file.Heartbeat == 0 {
		l.Problem("heartbeat", "heartbeat is missing: with a throttle it has to be heard when the controller leaves operation (object 1017)")
	}
	t.Ready = d.preparation(l.file.NodeID)
	return d
}

// preparation returns in words what is written and started before the first command.
func (d *drive) preparation(node int) string {
	var parts []string
	writes := func(steps []guard.Step) {
		for _, s := range steps {
			p := s.Place.(place)
			parts = append(parts, fmt.Sprintf("%v = %0*X is written", p.Object, 2*p.bytes(), s.Raw))
		}
	}
	writes(d.beforeStart)
	if d.rpdo > 0 {
		parts = append(parts, fmt.Sprintf("node %d is started, so that it obeys receive PDOs", node))
		if d.id != 0 && !ownReceive(d.id, byte(node)) {
			parts = append(parts, fmt.Sprintf("commands go out with the identifier %03X, which is not its own: whatever else on this bus takes it obeys too", d.id))
		}
	}
	writes(d.afterStart)
	if d.ours > 0 {
		parts = append(parts, fmt.Sprintf("heartbeats of node %d are sent", d.ours))
	}
	if parts == nil { // even so: who fell silent may not go on by himself
		parts = append(parts, "zero is written, after listening for another throttle")
	}
	return strings.Join(parts, ", ")
}

// makingReady refuses steps that would change how the device communicates, beyond what a time-out needs.
func (l *loader) makingReady(path string, steps []guard.Step) {
	for i, s := range steps {
		o := s.Place.(place).Object
		timer := (o.Index >= 0x1400 && o.Index < 0x1600) && o.Sub == 5
		if o.Index < 0x2000 && o.Index != 0x1016 && o.Index != 0x1029 && !timer {
			l.Problem(fmt.Sprintf("%s[%d].index", path, i), "object %v is the device's own communication, which nothing here changes but for its time-outs (1016, 1029, 1400:05 and on)", o)
		}
	}
}

func bitsOf(mask uint64) (n int) {
	for ; mask != 0; mask &= mask - 1 {
		n++
	}
	return n
}

// overlaps finds objects claimed twice: a mark of a driven motor may well be a reading too, and two steps the same object.
func (l *loader) overlaps() {
	kind := func(u use) string { name, _, _ := strings.Cut(u.path, "["); return strings.TrimPrefix(name, "un") }
	// Making ready may well write one object several times, and what the receive PDO carries then.
	makes := func(u use) bool { return kind(u) == "throttle.before_start" || kind(u) == "throttle.after_start" }
	carried := func(u use) bool { return kind(u) == "throttle.with" }
	for i, u := range l.uses {
		j := slices.IndexFunc(l.uses[:i], func(o use) bool { return o.Object == u.Object })
		if j < 0 {
			continue
		}
		other := l.uses[j]
		switch {
		case kind(u) == "lock" && kind(other) == "lock":
			continue
		case makes(u) && (makes(other) || carried(other)):
			if u.kind != other.kind {
				line, _, _ := l.Source.Position(other.path + ".type")
				l.Problem(u.path+".type", "%v is a %s in line %d", u.place, other.kind, line)
			}
			continue
		case (kind(u) == "running" || kind(u) == "throttle.ready") && kind(other) == "reading", kind(u) == "running" && kind(other) == "throttle.ready":
			if u.kind != other.kind {
				l.Problem(u.path+".type", "%v is a %s as %s", u.place, other.kind, other.what)
			}
			continue
		}
		line, _, _ := l.Source.Position(other.path + ".index")
		l.Problem(u.path+".index", "%v is already %s in line %d", u.place, other.what, line)
	}
}
