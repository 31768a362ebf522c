package measure

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"quaybench/bench/link"
	"quaybench/bench/link/port"
	"quaybench/bench/quantity"
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
	// Beside is the controller joined with an instrument, and BesideBounds the hard limits of both: each line of the instrument
	// is held against them meanwhile. nil: there is no instrument.
	Beside       link.Controller
	BesideBounds []Bound
	Tell         func(string) // says aloud that it is begun again; nil: nobody is there
	// Again asks the person to let the controller be made ready again, after it went to zero by itself; nil: nobody is asked.
	Again func(context.Context) error
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
	Left    float64       // so much of what showed may be left for good, SI: less cannot be told from nothing
	Told    []string      // what the controller told by itself of the silence; see [link.Sample]
}

const (
	proofFactor    = 2.0  // the reading may be so many times beyond the predicted band, or below it
	proofTolerance = 0.25 // of the stated time-out
	proofSlack     = 150 * time.Millisecond
	restReadings   = 4    // at rest, whose spread is the noise
	restBeats      = 4    // inside the dead band
	proofLeft      = 0.25 // of what showed may be left when commands have ceased, by a current or a demand
)

// ProveTimeout proves that the controller is what its register map says, and goes to zero by itself when commands cease,
// before anything large is commanded. The throttle's place must read as zero at rest. A share inside the dead band must show
// nothing; then the smallest share that shows is commanded, read after each beat, and its sign and size held against the
// prediction; then it falls silent, and half of what showed must be gone no sooner than the stated time-out and no later than the
// simulation has it (plan.Half), give or take a quarter of the time-out and 150 ms; then all of it but a quarter, or but three times the
// noise, as well as the mark of a driven motor: some controllers go on with less when commands cease, to come home. Hard limits stop it at
// once. What shows inside the dead band, or lies beyond the prediction, stops it at the second reading in a row; every other check is
// made once.
//
// Where this machine was late, so that what was seen proves nothing either way, it begins again from rest, once.
//
// Where it fails it ends with a halt, and says so if a setting was changed by it; the controller must be opened again for a
// test.
func ProveTimeout(ctx context.Context, c link.Controller, clock port.Clock, plan *ProofPlan) (proof Proof, err error) {
	d := c.Describe()
	switch {
	case d.Throttle == nil:
		return proof, link.ErrNoThrottle
	case d.Throttle.CommandTimeout <= 0:
		return proof, link.ErrNoTimeout
	}
	ctx, done := watchLines(ctx, plan.Beside, plan.BesideBounds)
	defer done()
	p := proving{ctx: ctx, c: c, clock: clock, plan: plan, d: d, beat: min(d.Throttle.CommandTimeout/4, 100*time.Millisecond)}
	p.proof.Stated = d.Throttle.CommandTimeout
	unproven := func(err error) error {
		if line := new(lineLimit); errors.As(context.Cause(ctx), &line) {
			err = line
		}
		return fmt.Errorf("the command time-out could not be proven: %w", err)
	}
	if err := p.begin(); err != nil {
		return proof, unproven(err)
	}
	err = p.prove()
	if p.mayRepeat(err) {
		if plan.Tell != nil {
			plan.Tell(err.Error() + ". Once more, from rest.")
		}
		if err = p.calm(); err == nil {
			err = p.prove()
		}
	}
	if err != nil {
		err = errors.Join(unproven(err), p.end())
	}
	p.tellHeard()
	return p.proof, err
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

	bounds    []placed
	held      map[string]float64 // settings before
	rest      []float64          // telemetry at rest
	noise     []float64          // least change of each channel that counts; +Inf: none does
	since     []time.Time        // after which each channel's newest reading was so
	last      []float64          // newest change since rest
	share     float64            // last commanded
	told      time.Time          // just before the last command went out
	confirmed time.Time          // when that was confirmed
	worst     lateError          // longest time from a command to the end of the reading after it
	ready     bool               // the controller was made ready once
	spread    []float64          // of each channel at rest
	drives    bool               // the mark of a driven motor is clear while the controller is ready and at zero
	line      time.Duration      // of the time since the last command, that readings were waited for
	least     time.Duration      // shortest time that a reading at rest took on the line
	heard     []string           // told by the controller, and not told the person yet
}

// hear stores what the controller told by itself, for the person.
func (p *proving) hear(told []string) {
	for _, text := range told {
		if !slices.Contains(p.proof.Told, text) {
			p.proof.Told, p.heard = append(p.proof.Told, text), append(p.heard, text)
		}
	}
}

// tellHeard shows the person what the controller told. It is called only where no command is due.
func (p *proving) tellHeard() {
	if len(p.heard) > 0 && p.plan.Tell != nil {
		p.plan.Tell("The controller or its line told by itself: " + strings.Join(p.heard, "; ") + ". It may come of our silence; where it may be something else, look into it before you go on.")
	}
	p.heard = nil
}

// lateError reports that this machine was late, or the line: the controller may have forgotten a command meanwhile, as it should.
type lateError struct {
	gap, stated time.Duration
	line        time.Duration // of the gap, that readings were waited for
	least       time.Duration // that a reading takes on this line
	ran         time.Duration // so long after the command what it showed was surely there
}

func (e *lateError) Error() string {
	text := e.lateness()
	if e.ran > e.stated+e.stated/4 {
		text += fmt.Sprintf(". What the command showed was still there after %s: the map's time-out may be too short", quantity.FormatDuration(e.ran.Round(time.Millisecond)))
	}
	return text
}

func (e *lateError) lateness() string {
	ms := func(d time.Duration) string { return quantity.FormatDuration(d.Round(time.Millisecond)) }
	passed := fmt.Sprintf("%s passed after a command, where the controller forgets one after %s, so nothing is proven", ms(e.gap), ms(e.stated))
	switch {
	case e.slow():
		return fmt.Sprintf("the line is too slow: %s; a reading takes at least %s on it. Let the serial line run faster, leave readings out of the map or have them come by themselves, or state a longer time-out in controller and map", passed, ms(e.least))
	case e.line > e.gap/2 && e.gap <= longestLate: // no answer is waited for longer
		return fmt.Sprintf("the line was late, or this computer: %s; for %s of it the answers to readings were waited for, which take %s at best. See what else loads the line, and close other programs", passed, ms(e.line), ms(e.least))
	}
	return fmt.Sprintf("this computer was late: %s; close other programs", passed)
}

// slow reports whether the line is too slow even at its best.
func (e *lateError) slow() bool { return e.line > e.gap/2 && e.least > e.stated/2 }

// longestLate is how late a machine may be that is only busy: after more the person at the terminal decides anew.
const longestLate = 2 * time.Second

// mayRepeat reports whether only this machine's lateness kept a proof from its end.
func (p *proving) mayRepeat(err error) bool {
	var late *lateError
	return errors.As(err, &late) && late.gap <= longestLate && !late.slow() && p.ctx.Err() == nil
}

// late returns the error for the time since the last command.
func (p *proving) late() error {
	late := p.sinceCommand()
	return &late
}

func (p *proving) sinceCommand() lateError {
	return lateError{gap: port.Age(p.told, p.clock.Now()), stated: p.d.Throttle.CommandTimeout, line: p.line, least: p.least}
}

// calm commands zero and waits, bounded, until the readings are again as they were at rest.
func (p *proving) calm() error {
	if err := p.command(0); err != nil {
		return err
	}
	for begun, still := p.clock.Now(), 0; still < 2; {
		if port.Age(begun, p.clock.Now()) > coasting {
			return fmt.Errorf("the readings are not as at rest %s after zero throttle", quantity.FormatDuration(coasting))
		}
		if err := p.clock.Sleep(p.ctx, p.beat); err != nil {
			return err
		}
		now, err := p.read()
		if err != nil {
			return err
		}
		still++
		for i := range now {
			if math.Abs(now[i]-p.rest[i]) > p.noise[i] {
				still = 0
			}
		}
	}
	return nil
}

// command commands a share of full throttle; none goes on after a gap in which the controller has forgotten the last one.
func (p *proving) command(share float64) error {
	told := p.clock.Now()
	if share != 0 && p.share != 0 && port.Age(p.told, told) > p.d.Throttle.CommandTimeout {
		return p.late()
	}
	err := p.c.CommandThrottle(p.ctx, share)
	if errors.Is(err, link.ErrUnread) || errors.Is(err, link.ErrNotReady) && p.ready { // it was ready a moment ago
		return fmt.Errorf("%w (%w)", p.late(), err)
	}
	p.share, p.told, p.confirmed, p.line = share, told, p.clock.Now(), 0
	return err
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
	p.rest, p.noise, p.spread = make([]float64, len(low)), make([]float64, len(low)), make([]float64, len(low))
	for n := range restReadings {
		if n > 0 {
			if err := p.clock.Sleep(p.ctx, p.beat); err != nil {
				return err
			}
		}
		p.line = 0
		now, err := p.read()
		if err != nil {
			return err
		}
		if n == 0 || p.line < p.least {
			p.least = p.line
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
		p.noise[i], p.spread[i] = math.Inf(1), high[i]-low[i]
		if k, _ := link.KindOf(ch.Name); k.Answer > 0 {
			p.noise[i] = max(k.Answer, 3*p.spread[i])
		}
	}
	return nil
}

// makeReady makes the controller ready, where that is needed: at first by the release, after that by the person's word anew.
func (p *proving) makeReady() error {
	if p.d.Throttle.Ready == "" {
		return nil
	}
	if p.ready && p.plan.Again != nil {
		p.tellHeard()
		if err := Listening(p.ctx, p.c, p.clock, func(told []string) { p.hear(told); p.tellHeard() }, p.plan.Again); err != nil {
			return err
		}
	}
	p.ready = true
	if err := p.c.MakeReady(p.ctx); err != nil {
		return err
	}
	p.told, p.line = p.clock.Now(), 0
	_, err := p.read() // a while went by
	return err
}

// read reads all channels and holds them against the hard limits.
func (p *proving) read() ([]float64, error) {
	asked := p.clock.Now()
	now, err := p.c.ReadTelemetry(p.ctx)
	p.since = make([]time.Time, len(p.d.Channels))
	for i := range p.since {
		if p.since[i] = asked; i < len(now.Origins) {
			p.since[i] = now.Origins[i].Since
		}
	}
	if errors.As(err, new(*link.ImpossibleError)) {
		return nil, fmt.Errorf("%w. Suspicion: its scale, type or word order in the map is wrong", err)
	}
	if err != nil {
		return nil, err
	}
	p.hear(now.Told)
	if now.At.After(asked) { // what comes after that is this machine's
		p.line += port.Age(asked, now.At)
	}
	for _, b := range p.bounds {
		if v := now.Values[b.at]; math.IsNaN(v) || v < b.Low || v > b.High {
			return nil, fmt.Errorf("%s is %s: %s. Suspicion: its scale, type or word order in the map is wrong", quantity.Spoken(b.Channel), quantity.FormatStated(v, b.unit), b.Why)
		}
	}
	return now.Values, nil
}

// beats commands a share for a time and reads after each command. wrong judges the change since rest at an instant; the
// same twice in a row ends it.
func (p *proving) beats(share float64, hold time.Duration, wrong func(t float64, change []float64) string) error {
	start, strayed := p.clock.Now(), 0
	for {
		if err := p.command(share); err != nil {
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
		if late := p.sinceCommand(); late.gap > p.worst.gap {
			p.worst = late
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
	p.worst = lateError{}
	if err := p.makeReady(); err != nil {
		return err
	}
	if err := p.command(0); err != nil {
		return err
	}
	running, err := p.c.Running(p.ctx)
	if err != nil && !errors.Is(err, link.ErrUnknown) {
		return fmt.Errorf("the controller does not say whether the motor runs: %w", err)
	}
	p.drives = err == nil && !running
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
		if p.worst.gap > p.d.Throttle.CommandTimeout/2 {
			return &p.worst
		}
		return err
	}
	if err := p.marked(); err != nil {
		return err
	}
	if err := p.silence(); err != nil {
		return err
	}
	if err := p.allGone(); err != nil {
		return err
	}
	if err := p.makeReady(); err != nil {
		return err
	}
	return p.command(0)
}

// marked checks the map's mark of a driven motor while the motor surely is driven: by a wrong one, settings would be
// written under way.
func (p *proving) marked() error {
	running, err := p.c.Running(p.ctx)
	switch {
	case errors.Is(err, link.ErrUnknown):
		return nil
	case err != nil:
		return fmt.Errorf("the controller does not say whether the motor runs: %w", err)
	case !running && port.Age(p.told, p.clock.Now()) > p.proof.Stated/2: // it may have forgotten the command by then
		return p.late()
	case !running:
		return fmt.Errorf("a command of %.2g %% changes %s by %s, yet the map's mark of a driven motor, [running], shows none. Suspicion: its address, mask or level in the map is wrong, or the controller forgets a command sooner than the map says",
			100*p.plan.Share, quantity.Spoken(p.proof.Channel), quantity.FormatStated(p.proof.Shown, p.deltaUnit(p.at(p.proof.Channel))))
	}
	return p.beats(p.plan.Share, p.beat, func(t float64, change []float64) string { // a while went by
		return p.beyond(p.plan.Hold.Seconds()+t, change)
	})
}

// shows returns in words what a command inside the dead band changed; "" for nothing.
func (p *proving) shows(_ float64, change []float64) string {
	for i, ch := range p.d.Channels {
		if math.Abs(change[i]) > p.noise[i] {
			return fmt.Sprintf("a command of %.2g %%, inside the dead band, shows: %s changes by %s. The throttle's counts in the map are too large, they are another place's, or the controller's dead band is not the settings'",
				100*p.plan.Rest, quantity.Spoken(ch.Name), quantity.FormatStated(change[i], p.deltaUnit(i)))
		}
	}
	return ""
}

// beyond returns in words which channel changed by more than predicted, or the other way; "" for none.
func (p *proving) beyond(t float64, change []float64) string {
	for k := range p.plan.Expect {
		e := &p.plan.Expect[k]
		i := p.at(e.Channel)
		low, high := e.upTo(t + moment)
		if v := change[i]; v < proofFactor*low-p.noise[i] || v > proofFactor*high+p.noise[i] {
			return fmt.Sprintf("a command of %.2g %% changes %s by %s, predicted %s to %s. %s", 100*p.plan.Share, quantity.Spoken(e.Channel),
				quantity.FormatStated(v, p.deltaUnit(i)), quantity.FormatStated(low, p.deltaUnit(i)), quantity.FormatStated(high, p.deltaUnit(i)), p.suspect(e, v, max(math.Abs(low), math.Abs(high))))
		}
	}
	return ""
}

// moment is how early a prediction may show, s.
const moment = 0.2

// tooLittle checks the change at the end of the hold against what must show: of the channel that was chosen for it, and of the
// controller's own word where it is predicted to show.
func (p *proving) tooLittle() error {
	for k := range p.plan.Expect {
		e := &p.plan.Expect[k]
		i, n := p.at(e.Channel), len(e.Time)-1
		must := e.Channel == p.plan.Channel || echo(e.Channel) && math.Abs(e.End) > 2*p.noise[i]
		if !must {
			continue
		}
		least := min(math.Abs(e.Low[n]), math.Abs(e.High[n])) / proofFactor
		if v := p.last[i]; v*e.End <= 0 || math.Abs(v) < max(least, p.noise[i]*0.99) {
			return fmt.Errorf("a command of %.2g %% changes %s by only %s, predicted %s to %s. %s", 100*p.plan.Share, quantity.Spoken(e.Channel),
				quantity.FormatStated(v, p.deltaUnit(i)), quantity.FormatStated(e.Low[n], p.deltaUnit(i)), quantity.FormatStated(e.High[n], p.deltaUnit(i)), p.suspect(e, v, math.Abs(e.End)))
		}
		if e.Channel == p.plan.Channel {
			p.proof.Command, p.proof.Channel, p.proof.Shown, p.proof.Wanted = p.plan.Share, e.Channel, p.last[i], e.End
		}
	}
	if p.proof.Channel == "" {
		return fmt.Errorf("nothing that the plan expects to show is measured: it needs %s", link.ProofNames())
	}
	return nil
}

// suspect returns in words what may be wrong with the register map where a change is not as predicted. most is how large it may be by now:
// in a ramp that grows, and the reading may be older, so a factor is told as what it is at least.
func (p *proving) suspect(e *Expected, v, most float64) string {
	for k := range p.plan.Expect {
		o := &p.plan.Expect[k]
		if o.Channel == e.Channel || !current(o.Channel) || !current(e.Channel) {
			continue
		}
		theirs := p.last[p.at(o.Channel)]
		if alike(v, o.End, p.noise[p.at(o.Channel)]) && alike(theirs, e.End, p.noise[p.at(e.Channel)]) {
			return fmt.Sprintf("Suspicion: %s and %s are swapped in the map", e.Channel, o.Channel)
		}
	}
	ratio, noise := v/e.End, p.noise[p.at(e.Channel)]
	switch least := (math.Abs(v) - noise) / max(most, noise); {
	case ratio < 0 && math.Abs(v) > noise:
		return "Suspicion: the sign is wrong in the map, of this reading or of the throttle's ahead and astern"
	case math.Abs(v) > 1e4*math.Abs(e.End):
		return "Suspicion: the type or the word order of this reading is wrong in the map"
	case least > 2:
		return fmt.Sprintf("Suspicion: a scale in the map is too large, at least %.2g times, the throttle's or this reading's", least)
	case ratio > 0.04 && ratio < 1/3.0:
		return fmt.Sprintf("Suspicion: a scale in the map is about %s times too small, the throttle's or this reading's", tenfold(1/ratio))
	case math.Abs(ratio) <= 0.04 || math.Abs(v) < noise:
		return "Suspicion: the map's throttle is another place's or its counts are too small, this reading is another's (or its word order is wrong), or the controller forgets a command sooner than the map says"
	}
	return "Suspicion: the boat file or the settings are not this boat's, or a scale in the map is wrong"
}

func current(channel string) bool {
	k, _ := link.KindOf(channel)
	return k.Current != ""
}

// echo reports whether a channel is the controller's own word of its command.
func echo(channel string) bool {
	k, _ := link.KindOf(channel)
	return k.Echo
}

// alike reports whether a change is about a predicted one.
func alike(v, want, noise float64) bool { return math.Abs(v-want) <= math.Abs(want)/2+noise }

// tenfold returns a factor in words: as a power of ten where it is near one.
func tenfold(f float64) string {
	if power := math.Round(math.Log10(f)); power > 0 && math.Abs(math.Log10(f)-power) < 0.25 {
		return fmt.Sprintf("%.0f", math.Pow(10, power))
	}
	return fmt.Sprintf("%.2g", f)
}

// silence sends nothing that the controller watches and waits for half of what showed to go. A reading shows what was so at some
// instant between the question and the answer, one that came by itself at some instant since the line was seen empty, and a command arrived at some instant until it was confirmed: only what is so whichever instant it
// was counts against the controller. What could be otherwise is this machine's lateness, or the line's.
func (p *proving) silence() error {
	i, stated := p.at(p.proof.Channel), p.proof.Stated
	step := max(min(stated/8, 50*time.Millisecond), 10*time.Millisecond)
	tolerance := time.Duration(proofTolerance*float64(stated)) + proofSlack
	earliest, latest := stated-tolerance, p.plan.Half+tolerance
	on := time.Duration(0) // after so long without a command half of it was surely not gone
	for {
		if err := p.clock.Sleep(p.ctx, step); err != nil {
			return err
		}
		now, err := p.read()
		if err != nil {
			return err
		}
		asked := port.Age(p.confirmed, p.since[i])
		answered := port.Age(p.told, p.clock.Now())
		half := (now[i]-p.rest[i])/p.proof.Shown <= 0.5
		switch {
		case half && answered < earliest:
			return fmt.Errorf("the controller forgot the command after %s, though its map says %s: state the true time-out, or beats come too seldom", quantity.FormatDuration(answered.Round(10*time.Millisecond)), quantity.FormatDuration(stated))
		case half && (on+step < earliest || answered > latest):
			late := p.sinceCommand()
			late.ran = on
			return &late
		case half:
			p.proof.Gone = answered
			return nil
		case asked > latest:
			return fmt.Errorf("the controller went on for more than %s without a command, though its map says it stops after %s: throttle over the line is refused", quantity.FormatDuration(asked.Round(10*time.Millisecond)), quantity.FormatDuration(stated))
		}
		on = asked
	}
}

// allGone waits, bounded, for the rest of what showed to go, and for the mark of a driven motor to clear.
func (p *proving) allGone() error {
	i := p.at(p.proof.Channel)
	p.proof.Left = p.mayBeLeft(i, p.proof.Shown)
	for begun, still := p.clock.Now(), 0; ; {
		now, err := p.read()
		if err != nil {
			return err
		}
		text := p.left(now)
		if text == "" && p.drives {
			running, err := p.c.Running(p.ctx)
			if err != nil {
				return fmt.Errorf("the controller does not say whether the motor runs: %w", err)
			}
			if running {
				text = "by the map's mark, [running], the motor is still driven, and was not at zero before"
			}
		}
		if still++; text != "" {
			still = 0
		}
		switch age := port.Age(begun, p.clock.Now()); {
		case still == 2:
			return nil
		case age > coasting:
			return fmt.Errorf("half of it was gone after %s, but %s after that %s. A controller that goes on with less when commands cease, to come home, needs another stop: throttle over the line is refused",
				quantity.FormatDuration(p.proof.Gone.Round(10*time.Millisecond)), quantity.FormatDuration(coasting), text)
		}
		if err := p.clock.Sleep(p.ctx, p.beat); err != nil {
			return err
		}
	}
}

// left returns in words how much is left of what showed; "" where that cannot be told from nothing.
func (p *proving) left(now []float64) string {
	for k := range p.plan.Expect {
		e := &p.plan.Expect[k]
		i := p.at(e.Channel)
		if e.Channel != p.proof.Channel && !echo(e.Channel) {
			continue
		}
		if v := now[i] - p.rest[i]; math.Abs(v) > p.mayBeLeft(i, p.last[i]) {
			return fmt.Sprintf("%s is left of %s", quantity.FormatStated(v, p.deltaUnit(i)), quantity.Spoken(e.Channel))
		}
	}
	return ""
}

// mayBeLeft returns how much of what a channel showed may be left. What a battery gives to others is not so sure as the motor's own current,
// and a shaft turns on as long as the boat glides.
func (p *proving) mayBeLeft(i int, shown float64) float64 {
	switch k, _ := link.KindOf(p.d.Channels[i].Name); {
	case k.Proof == 0:
		return p.noise[i]
	case k.Coasts:
		return max(math.Abs(shown)/2, p.noise[i])
	}
	return max(proofLeft*math.Abs(shown), 3*p.spread[i])
}

// end halts after a failure and compares the settings with those before.
func (p *proving) end() error {
	ctx := context.WithoutCancel(p.ctx)
	confirmed, halt := halted(p.c.Halt(ctx))
	if !confirmed || p.held == nil {
		return halt
	}
	now, err := p.c.ReadSettings(ctx)
	if err != nil {
		return errors.Join(halt, fmt.Errorf("whether a setting was changed by it could not be read: %w", err))
	}
	var changed []string
	for _, s := range p.d.Settings {
		if before, after := p.held[s.Key], now[s.Key]; math.Abs(before-after) > s.Step/2 {
			changed = append(changed, fmt.Sprintf("%s is %s and was %s", s.Key, quantity.FormatStated(after, s.Unit), quantity.FormatStated(before, s.Unit)))
		}
	}
	if len(changed) > 0 {
		return errors.Join(halt, fmt.Errorf("it changed settings, so the throttle's place in the map may be a setting's: %s; write them anew before anything else", strings.Join(changed, ", ")))
	}
	return halt
}

// halted reports whether a halt confirmed zero, with what it said.
func halted(halt error) (confirmed bool, err error) {
	if halt == nil || errors.As(halt, new(*link.OtherwiseError)) {
		return true, halt
	}
	if errors.As(halt, new(*link.UnconfirmedError)) { // it says so itself
		return false, halt
	}
	return false, fmt.Errorf("zero throttle was not confirmed: use the hard-wired stop: %w", halt)
}

func (p *proving) at(channel string) int {
	for i, c := range p.d.Channels {
		if c.Name == channel {
			return i
		}
	}
	return -1
}

// deltaUnit returns the unit of a change of a channel.
func (p *proving) deltaUnit(i int) string {
	if p.d.Channels[i].Unit == "°C" {
		return "K"
	}
	return p.d.Channels[i].Unit
}
