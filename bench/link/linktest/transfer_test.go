package linktest_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"strings"
	"testing"
	"testing/synctest"
	"text/tabwriter"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench/link"
	"quaybench/bench/link/fault"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/modbus"
	"quaybench/bench/link/port"
	"quaybench/bench/link/regmap"
)

// transferMap has what matrixMap has, and one setting that a transfer does not touch.
const transferMap = matrixMap + `
[[setting]]
key = "ramp.fall"
table = "holding"
address = 9
type = "u16"
unit = "s"
scale = "10 ms"
min = "0.1 s"
max = "20 s"
`

var (
	heldBefore = map[string]float64{"limits.motor_current": 100, "ramp.rise": 3, "ramp.fall": 0.5}
	factory    = map[string]float64{"limits.motor_current": 250, "ramp.rise": 1, "ramp.fall": 0.2}
	heldAfter  = map[string]float64{"limits.motor_current": 150, "ramp.rise": 2, "ramp.fall": 0.5}
	transfer   = []link.Change{{Key: "ramp.rise", From: 3, To: 2}, {Key: "limits.motor_current", From: 100, To: 150}}
)

// pages is a journal in memory.
type pages struct {
	entries []struct {
		state  link.State
		change link.Change
	}
	full error // what it says from some entry on
	from int
}

func (p *pages) Note(state link.State, changes ...link.Change) error {
	for _, c := range changes {
		if p.full != nil && len(p.entries) >= p.from {
			return p.full
		}
		p.entries = append(p.entries, struct {
			state  link.State
			change link.Change
		}{state, c})
	}
	return nil
}

// known returns what all entries say.
func (p *pages) known() (known link.Knowledge) {
	for _, e := range p.entries {
		_ = known.Note(e.state, e.change)
	}
	return known
}

// untrue says what of the first n entries does not fit what the controller holds; "" if all fits.
func (p *pages) untrue(n int, held map[string]float64) string {
	var known link.Knowledge
	for _, e := range p.entries[:n] {
		_ = known.Note(e.state, e.change)
	}
	for key := range held {
		if value, sure := known.Value(key); sure && value != held[key] {
			return fmt.Sprintf("%s is %g, and the journal says %g", key, held[key], value)
		}
	}
	return ""
}

// transferred is what one transfer came to.
type transferred struct {
	err      error
	device   *testDevice
	journal  *pages
	requests int
	took     time.Duration
}

// runTransfer writes over a line on which something happens at a request: a fault, once or from then on, or an act. look
// sees every request before it goes out.
func runTransfer(t *testing.T, m *regmap.Map, bad fault.Fault, at int, forGood bool, act func(d *testDevice), look func(n int, d *testDevice, j *pages)) transferred {
	out := transferred{device: &testDevice{settings: maps.Clone(heldBefore)}, journal: &pages{}}
	timing := modbus.TimingAt(115200)
	clock := port.WallClock{}
	near, far := linktest.Pipe()
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- modbus.NewServer(m.UnitID(), regmap.NewUnit(m, out.device), timing, clock).Serve(ctx, far)
	}()
	line := linktest.Misbehave(near, clock, bad, func(n int, _ []byte) bool {
		out.requests = n
		if look != nil {
			look(n, out.device, out.journal)
		}
		if n == at && act != nil {
			act(out.device)
		}
		return bad.Name != "" && (n == at || forGood && n > at)
	})
	c := regmap.NewController(m, modbus.NewMaster(line, timing, clock), clock)
	start := time.Now()
	out.err = link.Transfer(t.Context(), c, transfer, out.journal)
	out.took = time.Since(start)
	stop()
	<-ended
	return out
}

// outcome says in words what a transfer came to, and holds it against the truth: either all is new, or all is old, or what
// is neither is named.
func (r transferred) outcome(t *testing.T, name string) string {
	held := r.device.settings
	assert.Empty(t, r.journal.untrue(len(r.journal.entries), held), "%s: the journal", name)
	var failed *link.TransferError
	switch {
	case r.err == nil:
		assert.Equal(t, heldAfter, held, name)
		return "all new"
	case !errors.As(r.err, &failed):
		assert.ErrorContains(t, r.err, "nothing was written", name)
		assert.Equal(t, heldBefore, held, name)
		return "all old, nothing was tried"
	case failed.Restored():
		assert.Equal(t, heldBefore, held, name)
		return "all old, put back"
	}
	named := map[string]bool{}
	for _, c := range failed.Still {
		assert.Equal(t, c.To, held[c.Key], "%s: what is said to be there", name)
		named[c.Key] = true
	}
	for _, c := range failed.Unknown {
		assert.ErrorContains(t, r.err, c.Key, name)
		named[c.Key] = true
	}
	for key, value := range heldBefore {
		assert.True(t, named[key] || held[key] == value, "%s: %s is %g, and nobody says so", name, key, held[key])
	}
	var words []string
	if len(failed.Still) > 0 {
		words = append(words, "named as new: "+changed(failed.Still))
	}
	if len(failed.Unknown) > 0 {
		words = append(words, "named as unknown: "+changed(failed.Unknown))
	}
	return strings.Join(words, ", ")
}

func changed(list []link.Change) string {
	var names []string
	for _, c := range list {
		names = append(names, c.Key)
	}
	return strings.Join(names, " ")
}

// TestTransferFaultMatrix: every fault, once and for good, at every request of reading and writing two settings. Afterwards
// either all is new, or all is old, or what is neither is named; and the journal tells the truth throughout: at every
// request, had the program been killed there, before or after it was carried out.
func TestTransferFaultMatrix(t *testing.T) {
	m, err := regmap.Load("transfer.toml", []byte(transferMap), nil)
	require.NoError(t, err)
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "fault\tlasts\trequests\toutcome")
	tried := 0
	for _, bad := range fault.All(modbus.TimingAt(115200)) {
		for _, forGood := range []bool{false, true} {
			lasts := map[bool]string{false: "once", true: "for good"}[forGood]
			outcomes := newTally()
			for at, more := 1, true; more; at++ {
				name := fmt.Sprintf("%s %s at request %d", bad.Name, lasts, at)
				synctest.Test(t, func(t *testing.T) {
					r := runTransfer(t, m, bad, at, forGood, nil, func(_ int, d *testDevice, j *pages) {
						assert.Empty(t, j.untrue(len(j.entries), d.settings), "%s: the journal, killed here", name)
					})
					assert.Less(t, r.took, 20*time.Second, name)
					if more = r.requests >= at; more {
						tried++
						outcomes.add(at, r.outcome(t, name))
					}
				})
				require.Less(t, at, 200)
			}
			outcomes.rows(w, bad.Name+"\t"+lasts)
		}
	}
	require.NoError(t, w.Flush())
	t.Logf("%d faults tried\n%s", tried, &table)
	assert.Greater(t, tried, 1000)
}

// TestTransferNoticesAReset: a controller that falls back to its factory settings at any request of a transfer is found
// out, and what was there is put back; likewise a motor that starts to run, which stops the writing.
func TestTransferNoticesAReset(t *testing.T) {
	m, err := regmap.Load("transfer.toml", []byte(transferMap), nil)
	require.NoError(t, err)
	outcomes := newTally()
	strays := 0
	for at, more := 1, true; more; at++ {
		synctest.Test(t, func(t *testing.T) {
			r := runTransfer(t, m, fault.Fault{}, at, false, func(d *testDevice) { d.settings = maps.Clone(factory) }, nil)
			if more = r.requests >= at; !more {
				assert.NoError(t, r.err)
				return
			}
			require.Error(t, r.err, "request %d", at)
			var failed *link.TransferError
			if errors.As(r.err, &failed) {
				if errors.As(r.err, new(*link.StrayError)) {
					strays++
				}
				known := r.journal.known()
				for key := range heldBefore {
					_, sure := known.Value(key)
					assert.True(t, sure || !failed.Restored(), "reset at request %d: the end of what was put back of %s was not noted", at, key)
				}
				outcomes.add(at, r.outcome(t, fmt.Sprintf("reset at request %d", at)))
				return
			}
			assert.Equal(t, factory, r.device.settings, "a reset before anything was written is left as it is")
			outcomes.add(at, "nothing was tried")
		})
	}
	assert.Positive(t, strays)
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	outcomes.rows(w, "reset to factory settings")
	require.NoError(t, w.Flush())
	t.Log("\n" + table.String())
}

// TestTransferWithAFullDisk: where the journal cannot be written, nothing is, or what was is put back.
func TestTransferWithAFullDisk(t *testing.T) {
	full := errors.New("no space left on device")
	m, err := regmap.Load("transfer.toml", []byte(transferMap), nil)
	require.NoError(t, err)
	for from := range 12 {
		synctest.Test(t, func(t *testing.T) {
			r := runTransfer(t, m, fault.Fault{}, 0, false, nil, func(n int, _ *testDevice, j *pages) {
				j.full, j.from = full, from
			})
			switch {
			case from >= 11: // three found, two begin, twice intends and holds, two ends
				assert.NoError(t, r.err)
				return
			case from >= 9: // without the ends all stays unsure, and that is told
				assert.ErrorAs(t, r.err, new(*link.UnnotedError))
				assert.Equal(t, heldAfter, r.device.settings)
				known := r.journal.known()
				for _, c := range transfer {
					_, sure := known.Value(c.Key)
					assert.False(t, sure && from == 9, "%s, full from entry %d on", c.Key, from)
				}
				assert.Empty(t, r.journal.untrue(len(r.journal.entries), r.device.settings))
				return
			}
			require.ErrorIs(t, r.err, full)
			assert.Equal(t, heldBefore, r.device.settings, "from entry %d on", from)
			assert.Empty(t, r.journal.untrue(len(r.journal.entries), r.device.settings), "surer than the truth, full from entry %d on", from)
		})
	}
}

// turning is a device that turns although its mark says that it is not driven.
type turning struct {
	link.Controller
	speed float64
	err   error
}

func (c turning) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	s, err := c.Controller.ReadTelemetry(ctx)
	if err == nil {
		s.Values[1], err = c.speed, c.err
	}
	return s, err
}

// A map whose mark of a driven motor is another thing's says that the motor stands while it turns: the readings tell, and no
// setting is written. A broken sensor keeps nothing from being written.
func TestTransferIsRefusedWhereAReadingShowsTheMotorRunning(t *testing.T) {
	m, err := regmap.Load("transfer.toml", []byte(transferMap), nil)
	require.NoError(t, err)
	for _, c := range []struct {
		name    string
		speed   float64
		err     error
		refused bool
	}{
		{name: "it stands"},
		{name: "it turns ahead", speed: 30, refused: true},
		{name: "it turns astern", speed: -30, refused: true},
		{name: "a sensor is broken", err: &link.ImpossibleError{Channel: link.Channel{Name: link.MotorTemperature, Unit: "°C"}, Value: 3000}},
	} {
		r := newRig(t, m, 0, fault.Fault{}, 0)
		r.device.settings = maps.Clone(heldBefore)
		err := link.Transfer(t.Context(), turning{r.controller, c.speed, c.err}, transfer, &pages{})
		if !c.refused {
			require.NoError(t, err, c.name)
			assert.Equal(t, heldAfter, r.device.settings, c.name)
			continue
		}
		require.ErrorIs(t, err, link.ErrRunning, c.name)
		assert.ErrorContains(t, err, "motor speed is", c.name)
		assert.ErrorContains(t, err, "[running]", c.name)
		assert.Equal(t, heldBefore, r.device.settings, c.name)
	}
}

// TestTransferOfAStaleDifference: what changed since it was read is not written over.
func TestTransferOfAStaleDifference(t *testing.T) {
	m, err := regmap.Load("transfer.toml", []byte(transferMap), nil)
	require.NoError(t, err)
	synctest.Test(t, func(t *testing.T) {
		r := runTransfer(t, m, fault.Fault{}, 1, false, func(d *testDevice) { d.settings["ramp.rise"] = 7 }, nil)
		var stray *link.StrayError
		require.ErrorAs(t, r.err, &stray)
		assert.Equal(t, []link.Change{{Key: "ramp.rise", From: 3, To: 7}}, stray.Strays)
		assert.ErrorContains(t, r.err, "nothing was written")
		assert.Equal(t, 7.0, r.device.settings["ramp.rise"])
	})
}

// tally groups requests by their outcome.
type tally struct {
	order []string
	at    map[string][]int
}

func newTally() *tally { return &tally{at: map[string][]int{}} }

func (y *tally) add(at int, outcome string) {
	if y.at[outcome] == nil {
		y.order = append(y.order, outcome)
	}
	y.at[outcome] = append(y.at[outcome], at)
}

func (y *tally) rows(w *tabwriter.Writer, head string) {
	for _, outcome := range y.order {
		fmt.Fprintf(w, "%s\t%s\t%s\n", head, ranges(y.at[outcome]), outcome)
	}
}

// ranges prints rising numbers as 1-4, 7.
func ranges(list []int) string {
	var parts []string
	for i := 0; i < len(list); {
		j := i
		for j+1 < len(list) && list[j+1] == list[j]+1 {
			j++
		}
		if i == j {
			parts = append(parts, fmt.Sprint(list[i]))
		} else {
			parts = append(parts, fmt.Sprintf("%d-%d", list[i], list[j]))
		}
		i = j + 1
	}
	return strings.Join(parts, ", ")
}

// cutOff is a controller in whose throttle place the last command of a test that was cut off stands.
type cutOff struct{ link.Controller }

var errLeft = errors.New("the throttle holds 700")

func (cutOff) AtRest(context.Context) error { return errLeft }

// TestATransferRefusesAThrottleThatIsNotAtZero, with nothing written and nothing noted.
func TestATransferRefusesAThrottleThatIsNotAtZero(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, err := regmap.Load("map.toml", []byte(transferMap), nil)
		require.NoError(t, err)
		device, journal := &testDevice{settings: maps.Clone(heldBefore)}, &pages{}
		timing, clock := modbus.TimingAt(115200), port.WallClock{}
		near, far := linktest.Pipe()
		ctx, stop := context.WithCancel(context.Background())
		ended := make(chan error, 1)
		go func() {
			ended <- modbus.NewServer(m.UnitID(), regmap.NewUnit(m, device), timing, clock).Serve(ctx, far)
		}()
		c := regmap.NewController(m, modbus.NewMaster(near, timing, clock), clock)
		err = link.Transfer(t.Context(), cutOff{c}, transfer, journal)
		assert.ErrorIs(t, err, errLeft)
		assert.ErrorContains(t, err, "nothing was written")
		assert.Equal(t, heldBefore, device.settings)
		assert.Empty(t, journal.entries)
		require.NoError(t, link.Transfer(t.Context(), c, transfer, journal), "at zero it is written")
		stop()
		<-ended
	})
}
