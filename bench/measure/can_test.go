package measure_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"text/tabwriter"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"quaybench/bench"
	"quaybench/bench/benchtest"
	"quaybench/bench/link"
	"quaybench/bench/link/canfault"
	"quaybench/bench/link/canopen"
	"quaybench/bench/link/guard"
	"quaybench/bench/link/linksim"
	"quaybench/bench/link/linktest"
	"quaybench/bench/link/objmap"
	"quaybench/bench/link/port"
	"quaybench/bench/link/slcan"
	"quaybench/bench/measure"
	"quaybench/bench/record"
	"quaybench/bench/settings"
	"quaybench/bench/trial"
)

// canWay is one way in which petrel's controller takes its throttle over CAN.
type canWay struct {
	name   string
	change []string // of petrel's object map
}

func canWays() []canWay {
	heartbeat := []string{`watch = "commands"`, "watch = \"heartbeat\"\nour_node = 1"}
	bySDO := []string{"rpdo = 1\n", "", "[[throttle.with]]\nindex = 0x2302\ntype = \"u8\"\nvalue = 1\n", ""}
	return []canWay{
		{"RPDO, its event timer", nil},
		{"RPDO, our heartbeat", heartbeat},
		{"SDO, the maker's time-out", bySDO},
		{"SDO, our heartbeat", slices.Concat(heartbeat, bySDO)},
		{"RPDO, with a direction", []string{"astern = -1000", "", "[[throttle.with]]", "[throttle.direction]\nindex = 0x2303\ntype = \"u8\"\nneutral = 0\nahead = 1\nastern = 2\n[[throttle.with]]"}},
	}
}

func (w canWay) load(t *testing.T) *objmap.Map {
	t.Helper()
	text := strings.NewReplacer(w.change...).Replace(string(benchtest.File(t, "petrel", "objects.toml")))
	m, err := objmap.Load("objects.toml", []byte(text), settings.Fields())
	require.NoError(t, err)
	return m
}

// canBench is petrel's controller as a node on a CAN bus, in a bubble, with whoever else is on it.
type canBench struct {
	m       *objmap.Map
	sim     *linksim.Controller
	node    *canopen.Node
	adapter *slcan.Adapter
	line    *mutable
	control *guard.Controller

	mu     sync.Mutex
	others []slcan.Frame // that somebody else sends next
	do     []func()      // to the node, between two frames
	heard  []slcan.Frame // what the node heard of us, with when
	times  []time.Time
	began  bool        // one of those began to make it ready
	watch  time.Time   // when the last came that may be watched
	acted  atomic.Bool // a lever that is not zero did, after one of those
	holds  bool        // the adapter holds back what we send, as where its bus is busy
	queue  []slcan.Frame
}

// holdBack has the adapter hold back what we send, for a while or until it is let go.
func (b *canBench) holdBack(on bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.holds = on
}

// throttles reports whether a frame commands other than zero.
func throttles(f slcan.Frame) bool {
	switch {
	case f.ID == 0x205 && len(f.Data) >= 3:
		return f.Data[1] != 0 || f.Data[2] != 0
	case f.ID == 0x605 && len(f.Data) == 8:
		return f.Data[0]>>5 == 1 && f.Data[2] == 0x23 && f.Data[1] == 0 && (f.Data[4] != 0 || f.Data[5] != 0)
	}
	return false
}

// queued counts the commands other than zero that the adapter holds back.
func (b *canBench) queued() (n int) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, f := range b.queue {
		if throttles(f) {
			n++
		}
	}
	return n
}

// Take and Tick make a bus of the node and of others.
func (b *canBench) Take(f slcan.Frame) []slcan.Frame {
	b.mu.Lock()
	if b.holds || len(b.queue) > 0 {
		b.queue = append(b.queue, f)
		b.mu.Unlock()
		return nil
	}
	b.mu.Unlock()
	return b.take(f)
}

// take is what gets onto the bus.
func (b *canBench) take(f slcan.Frame) []slcan.Frame {
	b.mu.Lock()
	now := time.Now()
	b.heard, b.times = append(b.heard, f), append(b.times, now)
	b.began = b.began || f.ID == 0 || f.ID == 0x605 && f.Data[0] == 0x2B
	if f.ID == 0x205 || f.ID == 0x701 || f.ID == 0x605 && f.Data[0]>>5 == 1 {
		b.watch = now
	}
	b.mu.Unlock()
	defer func() {
		if b.sim.Lever() != 0 {
			b.acted.Store(true)
		}
	}()
	return b.node.Take(f)
}

func (b *canBench) Tick() []slcan.Frame {
	b.mu.Lock()
	others, do := b.others, b.do
	b.others, b.do = nil, nil
	var gone []slcan.Frame
	if !b.holds {
		gone, b.queue = b.queue, nil
	}
	b.mu.Unlock()
	var out []slcan.Frame
	for _, f := range gone {
		out = append(out, b.take(f)...)
	}
	for _, act := range do {
		act()
	}
	out = append(out, b.node.Tick()...)
	for _, f := range others {
		out = append(append(out, f), b.node.Take(f)...)
	}
	return out
}

// say has somebody else send a frame.
func (b *canBench) say(f slcan.Frame) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.others = append(b.others, f)
}

// to does something to the node.
func (b *canBench) to(act func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.do = append(b.do, act)
}

// mutable is our end of the line, which may fall mute: nothing that we write goes out any more.
type mutable struct {
	port.Port
	mu   sync.Mutex
	mute bool
}

func (m *mutable) Write(ctx context.Context, p []byte) error {
	m.mu.Lock()
	mute := m.mute
	m.mu.Unlock()
	if mute {
		return nil
	}
	return m.Port.Write(ctx, p)
}

func (m *mutable) fallMute() {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.mute = true
}

// onCAN starts petrel's controller on a bus in the bubble, and opens it.
func (y yard) onCAN(t *testing.T, ctx context.Context, m *objmap.Map, silence canopen.Silence) *canBench {
	t.Helper()
	return y.limpsOnCAN(t, ctx, m, silence, 0)
}

// limpsOnCAN starts one that goes on with a share of what was commanded when it should go to zero.
func (y yard) limpsOnCAN(t *testing.T, ctx context.Context, m *objmap.Map, silence canopen.Silence, limp float64) *canBench {
	t.Helper()
	b := &canBench{m: m}
	clock := port.WallClock{}
	var err error
	b.sim, err = linksim.New(y.boat, y.settings, m.Describe(), clock, linksim.Options{Limp: limp})
	require.NoError(t, err)
	b.node = objmap.NewNode(m, b.sim, clock, silence)
	b.adapter = slcan.NewAdapter(b, clock)
	near, far := linktest.Pipe()
	b.line = &mutable{Port: near}
	go func() {
		_ = b.adapter.Serve(ctx, far, 10*time.Millisecond)
		_ = far.Close()        // as an adapter that is unplugged
		for ctx.Err() == nil { // the node lives on
			_ = b.Tick()
			_ = clock.Sleep(ctx, 10*time.Millisecond)
		}
	}()
	b.control, _, err = objmap.Open(ctx, m, b.line, clock, true)
	require.NoError(t, err)
	return b
}

// canProgram is short: what may go wrong is tried a thousand times.
const canProgram = `
name = "steps"
duration = "4.5 s"
moored = true
[[throttle]]
at = "1 s"
to = "40 %"
[[throttle]]
at = "3 s"
to = "0 %"
`

func canSteps(t *testing.T) *trial.Trial {
	p, err := trial.Read("steps.toml", []byte(canProgram))
	require.NoError(t, err)
	return p
}

// canMishap is something that goes wrong over CAN: to frames on their way, on the bus, in the node, or on our own side.
type canMishap struct {
	name string
	// strike changes the frame that comes or goes at that moment; act does something else, once, or again and again.
	toUs, toNode func(f slcan.Frame) []slcan.Delivery
	act          func(e *canEnding)
	again        bool // act is done every 20 ms where it is for good
	ours         bool // it happens on our side, and lasts
}

func canMishaps() (list []canMishap) {
	for _, f := range canfault.All(5) {
		m := canMishap{name: f.Name, toUs: f.Strike}
		switch f.Name {
		case canfault.NoWord:
			m.toUs, m.act = nil, func(e *canEnding) { e.to(func() { e.adapter.Silent = true }) }
		case canfault.NoFlags:
			m.toUs, m.act = nil, func(e *canEnding) { e.to(func() { e.adapter.Flagless = true }) }
		}
		list = append(list, m)
	}
	for _, f := range canfault.Sent() {
		list = append(list, canMishap{name: f.Name, toNode: f.Strike})
	}
	frame := func(id uint32, data ...byte) func(e *canEnding) {
		return func(e *canEnding) { e.say(slcan.Frame{ID: id, Data: data}) }
	}
	node := func(act func(n *canopen.Node)) func(e *canEnding) {
		return func(e *canEnding) { e.to(func() { act(e.node) }) }
	}
	return append(list,
		canMishap{name: "node begins anew", act: node((*canopen.Node).Restart), again: true},
		canMishap{name: "node in an emergency", act: node(func(n *canopen.Node) { n.Emergency(0x4310) }), again: true},
		canMishap{name: "node tells of what only its maker knows", act: node(func(n *canopen.Node) { n.Emergency(0xFF01) }), again: true},
		canMishap{name: "adapter holds back what is sent", act: func(e *canEnding) {
			e.holdBack(true)
			if !e.forGood {
				time.Sleep(400 * time.Millisecond)
				e.holdBack(false)
			}
		}},
		canMishap{name: "another master stops it", act: frame(0, 2, 5), again: true},
		canMishap{name: "another master takes it out of operation", act: frame(0, 0x80, 5), again: true},
		canMishap{name: "another master starts it", act: frame(0, 1, 5), again: true},
		canMishap{name: "another throttle, full ahead", act: frame(0x205, 1, 0xE8, 3), again: true},
		canMishap{name: "another throttle by SDO", act: frame(0x605, 0x2B, 0, 0x23, 1, 0xE8, 3, 0, 0), again: true},
		canMishap{name: "another node with our number", act: frame(0x701, 5), again: true},
		canMishap{name: "reset to defaults", act: func(e *canEnding) { e.sim.Reset() }, ours: true},
		canMishap{name: "full disk", act: func(e *canEnding) { e.full.Store(true) }, ours: true},
		canMishap{name: "killed script", act: func(e *canEnding) { e.cancel(errGone) }, ours: true},
		canMishap{name: "killed holder", act: func(e *canEnding) { e.killed.Store(true); e.line.fallMute() }, ours: true},
	)
}

// canEnding is a test over CAN in progress, and how it ended.
type canEnding struct {
	*canBench
	cancel  context.CancelCauseFunc
	start   atomic.Pointer[time.Time] // of the first sample
	taken   atomic.Int64
	struck  atomic.Bool
	forGood bool
	held    int // commands other than zero, when the test had ended
	full    atomic.Bool
	killed  atomic.Bool
	result  measure.Result
	ended   atomic.Bool
	levers  []float64 // at the controller, each 10 ms after the end of the test
	file    strings.Builder
}

func (e *canEnding) after(s float64) bool {
	start := e.start.Load()
	return start != nil && time.Since(*start).Seconds() >= s
}

// harms puts a mishap into a test: from when it is due, once or for good.
func (e *canEnding) harms(ctx context.Context, bad canMishap, due func(e *canEnding) bool, forGood bool) {
	e.forGood = forGood
	pass := func(f slcan.Frame) []slcan.Delivery { return []slcan.Delivery{{Frame: f}} }
	strikes := func(how func(f slcan.Frame) []slcan.Delivery) func(f slcan.Frame) []slcan.Delivery {
		return func(f slcan.Frame) []slcan.Delivery {
			if !due(e) || e.struck.Load() && !forGood {
				return pass(f)
			}
			e.struck.Store(true)
			return how(f)
		}
	}
	e.to(func() {
		if bad.toUs != nil {
			e.adapter.Mishap = strikes(bad.toUs)
		}
		if bad.toNode != nil {
			e.adapter.Sent = strikes(bad.toNode)
		}
	})
	if bad.act == nil {
		return
	}
	go func() {
		for ; ctx.Err() == nil && !e.ended.Load() && (!e.struck.Load() || forGood && bad.again); time.Sleep(5 * time.Millisecond) {
			if due(e) {
				e.struck.Store(true)
				bad.act(e)
				time.Sleep(15 * time.Millisecond)
			}
		}
	}()
}

// The fault matrix of a step test over CAN: every fault of frames in either direction, once and for good, and what node, others on
// the bus and our own side may do; before the start, while the throttle is on, while it goes back to zero, and in the halt at
// the end; for each way in which a throttle is commanded. Held against each:
//
//   - the lever that acts at the controller is zero soon after the test has ended, and stays so: zero was the last command, or
//     the controller's own time-out acted; what an adapter held back meanwhile holds one other command at most;
//   - the test ends by itself, with a reason that says what happened;
//   - where the test says that zero is confirmed, it is so from then on;
//   - the record is readable up to the last sample.
//
// The table of what was tried is printed (go test -v).
func TestCANStepFaultMatrix(t *testing.T) {
	y := petrel(t)
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "way\tfault\tstage\tlasts\ttest ended\tat\tsamples\tzero confirmed\tlever after\tlast of it")
	tried := 0
	for i, way := range canWays() {
		m := way.load(t)
		for at, when := range canStages() {
			for k, bad := range canMishaps() {
				for _, forGood := range []bool{false, true} {
					if bad.ours && !forGood || sampled(i, at, k, bad.ours, forGood) {
						continue
					}
					tried++
					name := fmt.Sprintf("%s, %s, %s, for good %v", way.name, bad.name, when.name, forGood)
					var got *canEnding
					synctest.Test(t, func(t *testing.T) { got = y.faultyOnCAN(t, m, bad, when, forGood) })
					stop := got.result.Stop
					last := time.Duration(0) // after the end
					for k, lever := range got.levers {
						if lever != 0 {
							last = time.Duration(k+1) * 10 * time.Millisecond
						}
					}
					fmt.Fprintf(tab, "%s\t%s\t%s\t%v\t%v\t%.2f s\t%d\t%v\t%.2f\t%v\n", way.name, bad.name, when.name, map[bool]string{false: "once", true: "for good"}[forGood],
						stop.Reason, stop.At, len(got.result.Samples), stop.Zero, got.levers[len(got.levers)-1], last)
					assert.True(t, got.struck.Load(), "%s: it never happened", name)
					assert.Zero(t, got.levers[len(got.levers)-1], name)
					own := m.Throttle.Timeout + 50*time.Millisecond
					if strings.Contains(bad.name, "late") {
						own += 520 * time.Millisecond // so long our last commands were under way
					}
					foreign := strings.HasPrefix(bad.name, "another throttle") || bad.name == "another master starts it"
					if !foreign {
						assert.LessOrEqual(t, last, own, "%s: the lever acts longer than the controller's own time-out", name)
					}
					if stop.Zero && !got.killed.Load() && !foreign {
						assert.Zero(t, last, "%s: zero is said to be confirmed", name)
					}
					assert.LessOrEqual(t, got.held, 1, "%s: commands that go out when the test is over", name)
					if !stop.Zero && stop.Reason != measure.NotReady {
						assert.Error(t, stop.Err, "%s: zero was not confirmed, and nobody says so", name)
					}
					switch bad.name {
					case "killed script":
						assert.True(t, stop.Zero, name)
					case "full disk":
						assert.True(t, stop.Zero, name)
						assert.Equal(t, measure.Unrecorded, stop.Reason, name)
					}
					read, err := record.Read("run.csv", strings.NewReader(got.file.String()))
					require.NoError(t, err, name)
					want := len(got.result.Samples)
					if got.full.Load() {
						want--
					}
					assert.Len(t, read.Time, want, name)
				}
			}
		}
	}
	require.NoError(t, tab.Flush())
	t.Logf("%d tried\n%s", tried, &table)
}

// sampled reports whether the plain suite leaves a mishap out: the first way has each at every other stage, either once or for good, the
// others have a sixth each, for good.
func sampled(way, stage, mishap int, ours, forGood bool) bool {
	switch {
	case thorough:
		return false
	case way == 0:
		return !ours && forGood == (mishap%2 == 0) || (mishap/2+stage)%2 == 1
	case testing.Short(): // under the race detector, which sees the same code in each way
		return true
	default:
		return !forGood || mishap%3 != way-1 || (mishap/3+stage)%2 == 1
	}
}

type canStage struct {
	name string
	due  func(e *canEnding) bool
}

func canStages() []canStage {
	return []canStage{
		{"before the start", func(*canEnding) bool { return true }},
		{"throttle on", func(e *canEnding) bool { return e.after(2) }},
		{"going back to zero", func(e *canEnding) bool { return e.after(3.05) }},
		{"halt", func(e *canEnding) bool { return float64(e.taken.Load()) >= 4.5*20+1 }},
	}
}

// faultyOnCAN runs a step test in which something goes wrong.
func (y yard) faultyOnCAN(t *testing.T, m *objmap.Map, bad canMishap, when canStage, forGood bool) (out *canEnding) {
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	test, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	out = &canEnding{canBench: y.onCAN(t, ctx, m, canopen.Acts), cancel: cancel}
	require.NoError(t, out.sim.SetSetting("limits.motor_current", 120))
	w, err := record.NewWriter(&out.file, head(out.control.Describe().Channels))
	require.NoError(t, err)
	require.NoError(t, out.control.MakeReady(ctx))
	out.harms(ctx, bad, when.due, forGood)
	out.result, err = measure.Run(test, out.control, canSteps(t), measure.Options{Commands: true, Observe: func(s measure.Sample) error {
		now := time.Now()
		out.start.CompareAndSwap(nil, &now)
		out.taken.Add(1)
		if when.name == "halt" && when.due(out) {
			time.Sleep(25 * time.Millisecond) // the mishap is there by the halt
		}
		if out.full.Load() {
			return errors.New("no space left on device")
		}
		return w.Sample(s.At, append([]float64{s.Lever}, s.Values...)...)
	}})
	require.NoError(t, err)
	out.ended.Store(true)
	out.held = out.queued()
	out.holdBack(false)
	for range 250 {
		out.levers = append(out.levers, out.sim.Lever())
		time.Sleep(10 * time.Millisecond)
	}
	stop()
	time.Sleep(time.Second)
	return out
}

// canPlan returns the proof's plan, from the simulation.
func (y yard) canPlan(t *testing.T, m *objmap.Map) *measure.ProofPlan {
	t.Helper()
	p, err := bench.PlanProof(t.Context(), &bench.Setup{Boat: y.boat, Settings: y.settings}, steps(t), m.Describe())
	require.NoError(t, err)
	return p
}

// sentBetween lists what the node heard of us in a time, but for SDO, which nothing watches.
func (b *canBench) sentBetween(from, to time.Time) (list []string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for i, f := range b.heard {
		if f.ID != 0x605 && !b.times[i].Before(from) && b.times[i].Before(to) {
			list = append(list, f.String())
		}
	}
	return list
}

// The time-out is proven on the line in every way in which the throttle is commanded. While it is waited for, nothing goes out that
// the controller watches; it is made ready again by the person's word, and a controller that was not, obeys nothing.
func TestTimeOutOverCANIsProven(t *testing.T) {
	y := petrel(t)
	for _, way := range canWays() {
		t.Run(way.name, func(t *testing.T) {
			m := way.load(t)
			plan := y.canPlan(t, m)
			synctest.Test(t, func(t *testing.T) {
				ctx, stop := context.WithCancel(t.Context())
				b := y.onCAN(t, ctx, m, canopen.Acts)
				asked, again := 0, time.Time{}
				plan.Again = func(context.Context) error {
					asked++
					now := time.Now()
					assert.Zero(t, b.sim.Lever())
					assert.Empty(t, b.sentBetween(now.Add(-m.Throttle.Timeout), now), "silent in everything that is watched")
					time.Sleep(30 * time.Second) // the person reads
					assert.Empty(t, b.sentBetween(now, time.Now()))
					again = time.Now()
					b.acted.Store(false) // the node still holds what was commanded before it fell to zero
					return nil
				}
				proof, err := measure.ProveTimeout(ctx, b.control, port.WallClock{}, plan)
				require.NoError(t, err)
				assert.False(t, b.acted.Load(), "nothing turns while it is made ready")
				for _, f := range b.sentBetween(again, time.Now()) {
					if strings.HasPrefix(f, "205#") {
						assert.Equal(t, "205#010000", f[:min(len(f), 10)], "and nothing but zero is commanded")
					}
				}
				assert.Equal(t, 1, asked)
				assert.InDelta(t, proof.Wanted, proof.Shown, 0.5)
				assert.InDelta(t, m.Throttle.Timeout.Seconds(), proof.Gone.Seconds(), 0.3)
				_, err = b.control.ReadTelemetry(ctx)
				require.NoError(t, err)
				require.NoError(t, b.control.CommandThrottle(ctx, 0.3), "it is ready")
				time.Sleep(20 * time.Millisecond)
				assert.InDelta(t, 0.3, b.sim.Lever(), 1e-3)
				time.Sleep(2 * m.Throttle.Timeout)
				_, err = b.control.ReadTelemetry(ctx)
				require.NoError(t, err)
				assert.ErrorIs(t, b.control.CommandThrottle(ctx, 0.3), link.ErrNotReady, "who let it fall silent begins anew")
				assert.Zero(t, b.sim.Lever())
				stop()
				time.Sleep(time.Second)
			})
		})
	}
}

// Where this machine was late, so that the node fell to zero by itself in the proof, what it tells of that is no news: it is made
// ready again by the person's word, and the proof comes to its end.
func TestAProofOverCANBeginsAgainAfterAPause(t *testing.T) {
	y := petrel(t)
	for _, way := range canWays() {
		t.Run(way.name, func(t *testing.T) {
			m := way.load(t)
			plan := y.canPlan(t, m)
			synctest.Test(t, func(t *testing.T) {
				ctx, stop := context.WithCancel(t.Context())
				b := y.onCAN(t, ctx, m, canopen.Acts)
				asked, said := 0, ""
				plan.Again = func(context.Context) error { asked++; return nil }
				plan.Tell = func(text string) { said += text }
				late := &pausing{Controller: b.control, at: 12, pause: 600 * time.Millisecond}
				_, err := measure.ProveTimeout(ctx, late, port.WallClock{}, plan)
				require.NoError(t, err)
				assert.Contains(t, said, "this computer was late")
				assert.Equal(t, 2, asked, "after either silence")
				require.NoError(t, b.control.Halt(ctx))
				stop()
				time.Sleep(time.Second)
			})
		})
	}
}

// pausing stops for a while after one of its readings, as a machine that is busy.
type pausing struct {
	link.Controller
	at, n int
	pause time.Duration
}

func (p *pausing) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	sample, err := p.Controller.ReadTelemetry(ctx)
	if p.n++; p.n == p.at {
		time.Sleep(p.pause)
	}
	return sample, err
}

// A line on which a reading takes most of the time-out is told to be too slow, and nothing is tried again; one that was slow once is not
// taken for a machine that was.
func TestAProofTellsASlowLine(t *testing.T) {
	y := petrel(t)
	m := canWays()[0].load(t)
	plan := y.canPlan(t, m)
	for _, c := range []struct {
		from, to int
		takes    time.Duration
		want     string
	}{
		{0, 1 << 20, 290 * time.Millisecond, "the line is too slow: .* a reading takes at least 290 ms on it"},
		{12, 13, 600 * time.Millisecond, "the line was late, or this computer: .* the answers to readings were waited for, which take"},
	} {
		synctest.Test(t, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			b := y.onCAN(t, ctx, m, canopen.Acts)
			said := ""
			plan.Tell = func(text string) { said += text }
			plan.Again = func(context.Context) error { return nil }
			_, err := measure.ProveTimeout(ctx, &slowLine{Controller: b.control, from: c.from, to: c.to, takes: c.takes}, port.WallClock{}, plan)
			if err != nil {
				said = err.Error()
			}
			assert.Equal(t, c.to > 100, err != nil, "%v", err)
			assert.Regexp(t, c.want, said)
			require.NoError(t, b.control.Halt(ctx))
			stop()
			time.Sleep(time.Second)
		})
	}
}

// slowLine is a line on which some readings take long to come.
type slowLine struct {
	link.Controller
	n, from, to int
	takes       time.Duration
}

func (s *slowLine) ReadTelemetry(ctx context.Context) (link.Sample, error) {
	if s.n++; s.n > s.from && s.n <= s.to {
		time.Sleep(s.takes)
	}
	return s.Controller.ReadTelemetry(ctx)
}

// Nothing is started, and nothing but zero sent, before a person released the throttle, nor after a halt.
func TestLockOutHoldsTheNodeToo(t *testing.T) {
	y := petrel(t)
	for _, way := range canWays() {
		t.Run(way.name, func(t *testing.T) {
			m := way.load(t)
			synctest.Test(t, func(t *testing.T) {
				ctx, stop := context.WithCancel(t.Context())
				b := y.onCAN(t, ctx, m, canopen.Acts)
				c, release := link.LockOut(b.control)
				begun := time.Now()
				try := func() {
					_, err := c.ReadTelemetry(ctx)
					require.NoError(t, err)
					assert.Error(t, c.MakeReady(ctx))
					assert.Error(t, c.CommandThrottle(ctx, 0.5))
					_ = c.CommandThrottle(ctx, 0)
					time.Sleep(50 * time.Millisecond)
				}
				for range 10 {
					try()
				}
				for _, f := range b.sentBetween(begun, time.Now()) {
					assert.Equal(t, "205#01", strings.TrimRight(f, "0"), "zero and neutral at the most: no start, no heartbeat, no other receive PDO")
				}
				assert.ErrorIs(t, c.MakeReady(ctx), link.ErrLockedOut)
				release()
				require.NoError(t, c.MakeReady(ctx))
				_, err := c.ReadTelemetry(ctx)
				require.NoError(t, err)
				require.NoError(t, c.CommandThrottle(ctx, 0.5))
				require.NoError(t, c.Halt(ctx))
				time.Sleep(20 * time.Millisecond)
				if m.Describe().Throttle != nil && way.change == nil {
					sent := b.sentBetween(begun, time.Now())
					assert.Equal(t, "000#8005", sent[len(sent)-1], "a node that we started is taken out of operation")
				}
				time.Sleep(20 * time.Millisecond)
				begun = time.Now()
				for range 10 {
					try()
				}
				assert.Empty(t, b.sentBetween(begun, time.Now()))
				assert.Zero(t, b.sim.Lever())
				stop()
				time.Sleep(time.Second)
			})
		})
	}
}

// A controller whose time-out does not work is refused by the proof, whatever its objects say: it is found at the smallest command,
// and ends at zero.
func TestTimeOutThatDoesNotWorkIsRefused(t *testing.T) {
	y := petrel(t)
	for _, way := range canWays() {
		for name, c := range map[string]struct {
			silence canopen.Silence
			change  []string // of the map, not of the controller
			want    string
		}{
			"it only reports":         {canopen.Reports, nil, "went on for more than"},
			"it takes no note":        {canopen.Ignores, nil, "went on for more than"},
			"sooner than the map has": {canopen.Acts, []string{`command_timeout = "300 ms"`, `command_timeout = "2 s"`}, "forgot the command after|did not come in time|heartbeat or life guard lost"},
			"later than the map has":  {canopen.Acts, []string{`command_timeout = "300 ms"`, `command_timeout = "50 ms"`}, "went on for more than"},
		} {
			t.Run(way.name+", "+name, func(t *testing.T) {
				truth := way.load(t)
				wrong := canWay{way.name, slices.Concat(way.change, c.change)}
				m := wrong.load(t)
				plan := y.canPlan(t, m)
				synctest.Test(t, func(t *testing.T) {
					ctx, stop := context.WithCancel(t.Context())
					b := y.onCAN(t, ctx, truth, c.silence)
					control, _, err := objmap.Open(ctx, m, b.line, port.WallClock{}, true)
					require.NoError(t, err)
					_, err = measure.ProveTimeout(ctx, control, port.WallClock{}, plan)
					require.Error(t, err)
					assert.Regexp(t, c.want, err.Error())
					assert.ErrorContains(t, err, "could not be proven")
					assert.Zero(t, b.sim.Lever())
					stop()
					time.Sleep(time.Second)
				})
			})
		}
	}
}

// A controller that goes on with less when commands cease, as some do to come home, is refused: by the current that is left, or by its own
// mark of a driven motor where that is less than a meter can tell.
func TestAControllerThatLimpsOnIsRefused(t *testing.T) {
	y := petrel(t)
	for _, way := range canWays() {
		t.Run(way.name, func(t *testing.T) {
			m := way.load(t)
			plan := y.canPlan(t, m)
			plan.Again = func(context.Context) error { t.Error("nobody is asked to let it go on"); return nil }
			synctest.Test(t, func(t *testing.T) {
				ctx, stop := context.WithCancel(t.Context())
				b := y.limpsOnCAN(t, ctx, m, canopen.Limps, 0.7)
				_, err := measure.ProveTimeout(ctx, b.control, port.WallClock{}, plan)
				assert.ErrorContains(t, err, "but 15.0 s after that 1.23 A is left of motor current. A controller that goes on with less")
				assert.ErrorContains(t, err, "throttle over the line is refused")
				assert.Zero(t, b.sim.Lever())

				b = y.limpsOnCAN(t, ctx, m, canopen.Acts, 0)
				_, err = measure.ProveTimeout(ctx, &driven{Controller: b.control}, port.WallClock{}, plan)
				assert.ErrorContains(t, err, "but 15.0 s after that by the map's mark, [running], the motor is still driven")
				assert.Zero(t, b.sim.Lever())
				stop()
				time.Sleep(time.Second)
			})
		})
	}
}

// driven says that its motor is driven from the first command on.
type driven struct {
	link.Controller
	on bool
}

func (d *driven) CommandThrottle(ctx context.Context, share float64) error {
	d.on = d.on || share != 0
	return d.Controller.CommandThrottle(ctx, share)
}

func (d *driven) Running(context.Context) (bool, error) { return d.on, nil }

// A throttle by SDO that needs nothing written before it is proven and driven like any other.
func TestAThrottleBySDOThatNeedsNothing(t *testing.T) {
	y := petrel(t)
	bare := canWay{change: slices.Concat(canWays()[2].change, []string{"[[throttle.after_start]]\nindex = 0x2302\ntype = \"u8\"\nvalue = 1\n", "",
		"[throttle.ready]\nindex = 0x2301\ntype = \"u8\"\nmask = 0x01\nequals = [\"0x01\"]", ""})}
	m := bare.load(t)
	plan := y.canPlan(t, m)
	asked := 0
	plan.Again = func(context.Context) error { asked++; return nil }
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		b := y.onCAN(t, ctx, m, canopen.Acts)
		proof, err := measure.ProveTimeout(ctx, b.control, port.WallClock{}, plan)
		require.NoError(t, err)
		assert.InDelta(t, 0.3, proof.Gone.Seconds(), 0.2)
		assert.Equal(t, 1, asked)
		got, err := measure.Run(ctx, b.control, canSteps(t), measure.Options{Commands: true})
		require.NoError(t, err)
		assert.Equal(t, measure.Finished, got.Stop.Reason, got.Stop.Text)
		assert.True(t, got.Stop.Zero)
		assert.True(t, b.acted.Load())
		assert.Zero(t, b.sim.Lever())
		stop()
		time.Sleep(time.Second)
	})
}

// What a controller tells of the silence is no news, as it was asked for; what else it tells in it is.
func TestAnEmergencyInTheSilenceIsNews(t *testing.T) {
	y := petrel(t)
	way := canWays()[1]
	m := way.load(t)
	plan := y.canPlan(t, m)
	synctest.Test(t, func(t *testing.T) {
		ctx, stop := context.WithCancel(t.Context())
		b := y.onCAN(t, ctx, m, canopen.Acts)
		go func() {
			for !b.silentFor(250*time.Millisecond) && ctx.Err() == nil {
				time.Sleep(time.Millisecond)
			}
			b.to(func() { b.node.Emergency(0x4310) })
		}()
		plan.Again = func(context.Context) error { t.Error("nobody is asked to let it go on"); return nil }
		_, err := measure.ProveTimeout(ctx, b.control, port.WallClock{}, plan)
		assert.ErrorContains(t, err, "node 5 reports an emergency: temperature (code 4310")
		assert.Zero(t, b.sim.Lever())
		stop()
		time.Sleep(time.Second)
	})
}

// An adapter whose bus is busy queues what we send, and sends it later: no more than one command other than zero waits there, though
// all readings come by themselves and need no answer.
func TestACommandWaitsForTheOneBefore(t *testing.T) {
	y := petrel(t)
	try := func(way canWay, timeout string, rate float64) {
		t.Run(fmt.Sprintf("%s, %s, %g Hz", way.name, timeout, rate), func(t *testing.T) {
			all := canWay{way.name, slices.Concat([]string{"type = \"s8\"\nunit", "type = \"s8\"\ntpdo = 1\nunit", `command_timeout = "300 ms"`, fmt.Sprintf("command_timeout = %q", timeout)}, way.change)}
			m := all.load(t)
			synctest.Test(t, func(t *testing.T) {
				ctx, stop := context.WithCancel(t.Context())
				b := y.onCAN(t, ctx, m, canopen.Acts)
				require.NoError(t, b.control.MakeReady(ctx))
				got, err := measure.Run(ctx, b.control, canSteps(t), measure.Options{Commands: true, Rate: rate, Observe: func(s measure.Sample) error {
					b.holdBack(s.At > 1.5)
					return nil
				}})
				require.NoError(t, err)
				assert.Equal(t, measure.LineLost, got.Stop.Reason, got.Stop.Text)
				assert.LessOrEqual(t, b.queued(), 1)
				b.holdBack(false)
				time.Sleep(time.Second)
				assert.Zero(t, b.sim.Lever())
				stop()
				time.Sleep(time.Second)
			})
		})
	}
	for _, way := range canWays() {
		try(way, "10 s", 20)
		try(way, "2 s", 1) // several commands between two samples
	}
}

// What a node tells in the silence as it may for the silence's sake ends no proof, but the person sees it before the word that lets it go
// on: it may be something else.
func TestWhatANodeTellsOfTheSilenceIsSeen(t *testing.T) {
	y := petrel(t)
	m := canWays()[1].load(t)
	plan := y.canPlan(t, m)
	for _, asked := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			ctx, stop := context.WithCancel(t.Context())
			b := y.onCAN(t, ctx, m, canopen.Acts)
			strike := func() { b.to(func() { b.node.Emergency(0xFF01) }) }
			if !asked {
				go func() {
					for !b.silentFor(250*time.Millisecond) && ctx.Err() == nil {
						time.Sleep(time.Millisecond)
					}
					strike()
				}()
			}
			var said atomic.Pointer[string]
			plan.Tell = func(text string) {
				if was := said.Load(); was != nil {
					text = *was + text
				}
				said.Store(&text)
			}
			plan.Again = func(context.Context) error {
				if asked {
					strike()
					time.Sleep(2 * time.Second)
				}
				if heard := said.Load(); assert.NotNil(t, heard, "before the person's word") {
					assert.Contains(t, *heard, "specific to the device (code FF01", "before the person's word")
				}
				return nil
			}
			proof, err := measure.ProveTimeout(ctx, b.control, port.WallClock{}, plan)
			require.NoError(t, err)
			assert.Contains(t, strings.Join(proof.Told, "; "), "code FF01")
			stop()
			time.Sleep(time.Second)
		})
	}
}

// A caller that hangs, hangs everything that the controller watches: nothing repeats a command or a heartbeat behind its back.
func TestNothingRepeatsForACallerThatHangs(t *testing.T) {
	y := petrel(t)
	for _, way := range canWays() {
		t.Run(way.name, func(t *testing.T) {
			m := way.load(t)
			synctest.Test(t, func(t *testing.T) {
				ctx, stop := context.WithCancel(t.Context())
				b := y.onCAN(t, ctx, m, canopen.Acts)
				require.NoError(t, b.control.MakeReady(ctx))
				hung := time.Time{}
				got, err := measure.Run(ctx, b.control, canSteps(t), measure.Options{Commands: true, Observe: func(s measure.Sample) error {
					if s.At > 2 && hung.IsZero() {
						assert.NotZero(t, b.sim.Lever())
						time.Sleep(time.Millisecond)
						hung = time.Now()
						time.Sleep(5 * time.Second)
						assert.Empty(t, b.sentBetween(hung, time.Now()))
						assert.Zero(t, b.sim.Lever())
					}
					return nil
				}})
				require.NoError(t, err)
				assert.Equal(t, measure.Late, got.Stop.Reason)
				assert.True(t, got.Stop.Zero)
				stop()
				time.Sleep(time.Second)
			})
		})
	}
}

// The proof over CAN is a stage of its own: whatever goes wrong in it, once or for good, at any time, the lever is zero afterwards,
// and what was not proven is not taken for proven.
func TestCANTimeOutFaultMatrix(t *testing.T) {
	y := petrel(t)
	var table strings.Builder
	tab := tabwriter.NewWriter(&table, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tab, "way\tfault\tstage\tlasts\tproven\tlever after\twhat it says")
	stages := []struct {
		name string
		due  func(e *canEnding, again bool) bool
	}{
		{"before the proof", func(*canEnding, bool) bool { return true }},
		{"being made ready", func(e *canEnding, _ bool) bool { return e.beganReady() }},
		{"small command on", func(e *canEnding, _ bool) bool { return e.sim.Lever() > 0.05 }},
		{"waiting for zero", func(e *canEnding, _ bool) bool { return e.silentFor(150 * time.Millisecond) }},
		{"being made ready again", func(_ *canEnding, again bool) bool { return again }},
	}
	tried := 0
	for i, way := range canWays() {
		m := way.load(t)
		plan := y.canPlan(t, m)
		for at, when := range stages {
			for k, bad := range canMishaps() {
				if bad.name == "full disk" || bad.name == "reset to defaults" {
					continue // nothing is recorded yet, and no setting has a part in it
				}
				for _, forGood := range []bool{false, true} {
					if bad.ours && !forGood || sampled(i, at, k, bad.ours, forGood) {
						continue
					}
					tried++
					name := fmt.Sprintf("%s, %s, %s, for good %v", way.name, bad.name, when.name, forGood)
					var e *canEnding
					var err error
					var proof measure.Proof
					lever := -1.0
					synctest.Test(t, func(t *testing.T) {
						ctx, stop := context.WithCancel(t.Context())
						test, cancel := context.WithCancelCause(ctx)
						e = &canEnding{canBench: y.onCAN(t, ctx, m, canopen.Acts), cancel: cancel}
						var again atomic.Bool
						p := *plan
						p.Again = func(context.Context) error { again.Store(true); time.Sleep(time.Second); return nil }
						e.harms(ctx, bad, func(e *canEnding) bool { return when.due(e, again.Load()) }, forGood)
						time.Sleep(20 * time.Millisecond)
						proof, err = measure.ProveTimeout(test, e.control, port.WallClock{}, &p)
						e.ended.Store(true)
						e.held = e.queued()
						e.holdBack(false)
						time.Sleep(2 * time.Second)
						lever = e.sim.Lever()
						stop()
						cancel(nil)
						time.Sleep(time.Second)
					})
					says := ""
					if err != nil {
						says, _, _ = strings.Cut(err.Error(), "\n")
					} else {
						assert.Greater(t, proof.Gone, 150*time.Millisecond, name)
					}
					fmt.Fprintf(tab, "%s\t%s\t%s\t%v\t%v\t%.2f\t%.110s\n", way.name, bad.name, when.name, map[bool]string{false: "once", true: "for good"}[forGood], err == nil, lever, says)
					assert.True(t, e.struck.Load(), "%s: it never happened", name)
					assert.LessOrEqual(t, e.held, 1, "%s: commands that go out when the proof is over", name)
					assert.Zero(t, lever, name)
				}
			}
		}
	}
	require.NoError(t, tab.Flush())
	t.Logf("%d tried\n%s", tried, &table)
}

// beganReady reports whether the node heard a write of two bytes, or a start.
func (b *canBench) beganReady() bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.began
}

// silentFor reports whether a command is on, and none came for a while.
func (b *canBench) silentFor(d time.Duration) bool {
	b.mu.Lock()
	last := b.watch
	b.mu.Unlock()
	return !last.IsZero() && time.Since(last) >= d && b.sim.Lever() != 0
}
