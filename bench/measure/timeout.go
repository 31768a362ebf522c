package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
)

// ProofPlan is what ProveTimeout commands, and what must come of it by the simulation.
type ProofPlan struct {
	Rest    float64       // share of full throttle inside the dead band, where nothing may show; 0: there is no dead band
	Share   float64       // smallest share outside it that must show
	Hold    time.Duration // how long it is commanded
	Channel string        // where it must show
	Expect  []Expected    // of the channels measured, over the tolerances
	Half    time.Duration // after so long without a command half of it is gone
	Bounds  []Bound       // hard limits
}

// Expected is the predicted change of a channel since rest.
type Expected struct {
	Channel   string
	Time      []float64 // s since the share was first commanded
	Low, High []float64 // SI
	End       float64   // nominal, at the end of the hold
}

// upTo returns the lowest and highest change that may have shown by an instant.
func (e *Expected) upTo(t float64) (low, high float64) {
	for i, at := range e.Time {
		if at > t {
			break
		}
		low, high = min(low, e.Low[i]), max(high, e.High[i])
	}
	return low, high
}

// Proof is what ProveTimeout saw.
type Proof struct {
	Rest    float64       // share inside the dead band that showed nothing; 0: not tried
	Command float64       // the share of full throttle that showed
	Channel string        // where it showed
	Shown   float64       // by how much, SI
	Wanted  float64       // what the simulation has there, SI
	Gone    time.Duration // after so long without a command half of it was gone
	Stated  time.Duration // time-out by the register map
}

const (
	proofFactor    = 2.0  // the reading may be so many times beyond the predicted band, or below it
	proofTolerance = 0.25 // of the stated time-out
	proofSlack     = 150 * time.Millisecond
	restReadings   = 4 // at rest, whose spread is the noise
	restBeats      = 4 // inside the dead band
)

// ProveTimeout proves that the controller is what its register map says, and goes to zero by itself when commands cease,
// before anything large is commanded. The throttle's place must read as zero at rest. A share inside the dead band must show
// nothing; then the smallest share that shows is commanded, read after each beat, and its sign and size held against the
// prediction; then it falls silent, and half of what showed must be gone after the stated time-out, a quarter of it early or
// late at most. Hard limits stop it at once, anything else after two readings in a row.
//
// Where it fails it ends with a halt, and says so if a setting was changed by it; the controller must be opened again for a
// test.
func ProveTimeout(ctx context.Context, c link.Controller, clock port.Clock, plan *ProofPlan) (proof Proof, err error) {
	d := c.Describe()
	switch {
	case d.Throttle == nil:
		return proof, link.ErrNoThrottle
	case d.Throttle.CommandTimeout <= 0:
		return proof, errors.New("the register map states no command time-out of the controller's own: throttle over the line is refused")
	}
	p := proving{ctx: ctx, c: c, clock: clock, plan: plan, d: d, beat: min(d.Throttle.CommandTimeout/4, 100*time.Millisecond)}
	p.proof.Stated = d.Throttle.CommandTimeout
	if err := p.begin(); err != nil {
		return proof, fmt.Errorf("the command time-out could not be proven: %w", err)
	}
	if err := p.prove(); err != nil {
		return p.proof, errors.Join(fmt.Errorf("the command time-out could not be proven: %w", err), p.end())
	}
	return p.proof, nil
}

// proving is a proof under way.
type proving struct {
	ctx   context.Context
	c     link.Controller
	clock port.Clock
	plan  *ProofPlan
	d     link.Description
	beat  time.Duration
	proof Proof

	bounds []placed
	held   map[string]float64 // settings before
	rest   []float64          // telemetry at rest
	noise  []float64          // least change of each channel that counts; +Inf: none does
	last   []float64          // newest change since rest
	told   time.Time          // last command
}

// begin reads everything at rest. Nothing is written before it has passed.
func (p *proving) begin() (err error) {
	if p.bounds, err = place(p.plan.Bounds, p.d.Channels); err != nil {
		return err
	}
	if len(p.d.Settings) > 0 {
		if p.held, err = p.c.ReadSettings(p.ctx); err != nil {
			return fmt.Errorf("the settings cannot be read: %w", err)
		}
	}
	if err := p.c.AtRest(p.ctx); err != nil {
		return err
	}
	low, high := make([]float64, len(p.d.Channels)), make([]float64, len(p.d.Channels))
	p.rest, p.noise = make([]float64, len(low)), make([]float64, len(low))
	for n := range restReadings {
		if n > 0 {
			if err := p.clock.Sleep(p.ctx, p.beat); err != nil {
				return err
			}
		}
		now, err := p.read()
		if err != nil {
			return err
		}
		for i, v := range now {
			if n == 0 {
				low[i], high[i] = v, v
			}
			low[i], high[i] = min(low[i], v), max(high[i], v)
			p.rest[i] += v / restReadings
		}
	}
	for i, ch := range p.d.Channels {
		p.noise[i] = math.Inf(1)
		if k, _ := link.KindOf(ch.Name); k.Answer > 0 {
			p.noise[i] = max(k.Answer, 3*(high[i]-low[i]))
		}
	}
	return nil
}

// read reads all channels and holds them against the hard limits.
func (p *proving) read() ([]float64, error) {
	now, err := p.c.ReadTelemetry(p.ctx)
	if errors.As(err, new(*link.ImpossibleError)) {
		return nil, fmt.Errorf("%w. Suspicion: its scale, type or word order in the register map is wrong", err)
	}
	if err != nil {
		return nil, err
	}
	for _, b := range p.bounds {
		if v := now.Values[b.at]; math.IsNaN(v) || v < b.Low || v > b.High {
			return nil, fmt.Errorf("%s is %s: %s. Suspicion: its scale, type or word order in the register map is wrong", b.Channel, show(v, b.unit), b.Why)
		}
	}
	return now.Values, nil
}

// beats commands a share for a time and reads after each command. wrong judges the change since rest at an instant; the
// same twice in a row ends it.
func (p *proving) beats(share float64, hold time.Duration, wrong func(t float64, change []float64) string) error {
	start, strayed := p.clock.Now(), 0
	for {
		p.told = p.clock.Now()
		if err := p.c.CommandThrottle(p.ctx, share); err != nil {
			return err
		}
		if err := p.clock.Sleep(p.ctx, p.beat); err != nil {
			return err
		}
		now, err := p.read()
		if err != nil {
			return err
		}
		p.last = make([]float64, len(now))
		for i := range now {
			p.last[i] = now[i] - p.rest[i]
		}
		since := port.Age(start, p.clock.Now())
		if text := wrong(since.Seconds(), p.last); text == "" {
			strayed = 0
		} else if strayed++; strayed == 2 {
			return errors.New(text)
		}
		if since >= hold {
			return nil
		}
	}
}

func (p *proving) prove() error {
	if err := p.c.CommandThrottle(p.ctx, 0); err != nil {
		return err
	}
	if p.plan.Rest > 0 {
		if err := p.beats(p.plan.Rest, restBeats*p.beat, p.shows); err != nil {
			return err
		}
		p.proof.Rest = p.plan.Rest
	}
	if err := p.beats(p.plan.Share, p.plan.Hold, p.beyond); err != nil {
		return err
	}
	if err := p.tooLittle(); err != nil {
		return err
	}
	if err := p.silence(); err != nil {
		return err
	}
	return p.c.CommandThrottle(p.ctx, 0)
}

// shows names what shows inside the dead band.
func (p *proving) shows(_ float64, change []float64) string {
	for i, ch := range p.d.Channels {
		if math.Abs(change[i]) > p.noise[i] {
			return fmt.Sprintf("a command of %.2g %%, inside the dead band, shows: %s changes by %s. The throttle's counts in the register map are too large, they are another register's, or the controller's dead band is not the settings'",
				100*p.plan.Rest, ch.Name, show(change[i], p.deltaUnit(i)))
		}
	}
	return ""
}

// beyond names what is more than predicted, or the other way.
func (p *proving) beyond(t float64, change []float64) string {
	for k := range p.plan.Expect {
		e := &p.plan.Expect[k]
		i := p.at(e.Channel)
		low, high := e.upTo(t + moment)
		if v := change[i]; v < proofFactor*low-p.noise[i] || v > proofFactor*high+p.noise[i] {
			return fmt.Sprintf("a command of %.2g %% changes %s by %s, predicted %s to %s. %s", 100*p.plan.Share, e.Channel,
				show(v, p.deltaUnit(i)), show(low, p.deltaUnit(i)), show(high, p.deltaUnit(i)), p.suspect(e, v))
		}
	}
	return ""
}

// moment is how early a prediction may show, s.
const moment = 0.2

// tooLittle holds the size at the end of the hold against what must show: of the channel that was chosen for it, and of a
// motor current or demand that is predicted to show.
func (p *proving) tooLittle() error {
	for k := range p.plan.Expect {
		e := &p.plan.Expect[k]
		i, n := p.at(e.Channel), len(e.Time)-1
		must := e.Channel == p.plan.Channel || e.Channel == link.Demand && math.Abs(e.End) > 2*p.noise[i]
		if !must {
			continue
		}
		least := min(math.Abs(e.Low[n]), math.Abs(e.High[n])) / proofFactor
		if v := p.last[i]; v*e.End <= 0 || math.Abs(v) < max(least, p.noise[i]*0.99) {
			return fmt.Errorf("a command of %.2g %% changes %s by only %s, predicted %s to %s. %s", 100*p.plan.Share, e.Channel,
				show(v, p.deltaUnit(i)), show(e.Low[n], p.deltaUnit(i)), show(e.High[n], p.deltaUnit(i)), p.suspect(e, v))
		}
		if e.Channel == p.plan.Channel {
			p.proof.Command, p.proof.Channel, p.proof.Shown, p.proof.Wanted = p.plan.Share, e.Channel, p.last[i], e.End
		}
	}
	if p.proof.Channel == "" {
		return fmt.Errorf("nothing that the plan expects to show is measured: it needs motor_current, demand or motor_speed")
	}
	return nil
}

// suspect says what may be wrong with the register map where a change is not as predicted.
func (p *proving) suspect(e *Expected, v float64) string {
	for k := range p.plan.Expect {
		o := &p.plan.Expect[k]
		if o.Channel == e.Channel || !current(o.Channel) || !current(e.Channel) {
			continue
		}
		theirs := p.last[p.at(o.Channel)]
		if alike(v, o.End, p.noise[p.at(o.Channel)]) && alike(theirs, e.End, p.noise[p.at(e.Channel)]) {
			return fmt.Sprintf("Suspicion: %s and %s are swapped in the register map", e.Channel, o.Channel)
		}
	}
	ratio := v / e.End
	switch i := p.at(e.Channel); {
	case ratio < -0.3 && math.Abs(v) > p.noise[i]:
		return "Suspicion: the sign is wrong in the register map, of this reading or of the throttle's ahead and astern"
	case math.Abs(v) > 1e4*math.Abs(e.End):
		return "Suspicion: the type or the word order of this reading is wrong in the register map"
	case ratio > 3:
		return fmt.Sprintf("Suspicion: a scale in the register map is about %s times too large, the throttle's or this reading's", tenfold(ratio))
	case ratio > 0.04 && ratio < 1/3.0:
		return fmt.Sprintf("Suspicion: a scale in the register map is about %s times too small, the throttle's or this reading's", tenfold(1/ratio))
	case math.Abs(ratio) <= 0.04 || math.Abs(v) < p.noise[i]:
		return "Suspicion: the register map's throttle is another register's or its counts are too small, this reading is another's (or its word order is wrong), or the controller forgets a command sooner than the map says"
	}
	return "Suspicion: the boat file or the settings are not this boat's, or a scale in the register map is wrong"
}

func current(channel string) bool {
	return channel == link.MotorCurrent || channel == link.BatteryCurrent
}

// alike reports whether a change is about a predicted one.
func alike(v, want, noise float64) bool { return math.Abs(v-want) <= math.Abs(want)/2+noise }

// tenfold is a factor in words: as a power of ten where it is near one.
func tenfold(f float64) string {
	if power := math.Round(math.Log10(f)); power > 0 && math.Abs(math.Log10(f)-power) < 0.25 {
		return fmt.Sprintf("%.0f", math.Pow(10, power))
	}
	return fmt.Sprintf("%.2g", f)
}

// silence commands nothing and waits for half of what showed to go.
func (p *proving) silence() error {
	i, stated := p.at(p.proof.Channel), p.proof.Stated
	step := max(min(stated/8, 50*time.Millisecond), 10*time.Millisecond)
	tolerance := time.Duration(proofTolerance*float64(stated)) + proofSlack
	earliest, latest := stated-tolerance, p.plan.Half+tolerance
	for {
		if err := p.clock.Sleep(p.ctx, step); err != nil {
			return err
		}
		now, err := p.read()
		if err != nil {
			return err
		}
		gone := port.Age(p.told, p.clock.Now())
		switch half := (now[i]-p.rest[i])/p.proof.Shown <= 0.5; {
		case half && gone < earliest:
			return fmt.Errorf("the controller forgot the command after %v, though its register map says %v: state the true time-out, or beats come too seldom", gone.Round(10*time.Millisecond), stated)
		case half:
			p.proof.Gone = gone
			return nil
		case gone > latest:
			return fmt.Errorf("the controller went on for more than %v without a command, though its register map says it stops after %v: throttle over the line is refused", gone.Round(10*time.Millisecond), stated)
		}
	}
}

// end halts after a failure and compares the settings with those before.
func (p *proving) end() error {
	ctx := context.WithoutCancel(p.ctx)
	halt := p.c.Halt(ctx)
	if halt != nil {
		return fmt.Errorf("zero throttle was not confirmed: use the hard-wired stop: %w", halt)
	}
	if p.held == nil {
		return nil
	}
	now, err := p.c.ReadSettings(ctx)
	if err != nil {
		return fmt.Errorf("whether a setting was changed by it could not be read: %w", err)
	}
	var changed []string
	for _, s := range p.d.Settings {
		if before, after := p.held[s.Key], now[s.Key]; math.Abs(before-after) > s.Step/2 {
			changed = append(changed, fmt.Sprintf("%s is %s and was %s", s.Key, show(after, s.Unit), show(before, s.Unit)))
		}
	}
	if len(changed) > 0 {
		return fmt.Errorf("it changed settings, so the throttle's place in the register map may be a setting's: %s; write them anew before anything else", strings.Join(changed, ", "))
	}
	return nil
}

func (p *proving) at(channel string) int {
	for i, c := range p.d.Channels {
		if c.Name == channel {
			return i
		}
	}
	return -1
}

// deltaUnit is the unit of a change of a channel.
func (p *proving) deltaUnit(i int) string {
	if p.d.Channels[i].Unit == "°C" {
		return "K"
	}
	return p.d.Channels[i].Unit
}
