package link

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Change is one setting to write. Values are SI; of a choice the index of the word.
type Change struct {
	Key      string
	From, To float64
}

// State is what is known of a setting in the controller after a step of a transfer.
type State string

const (
	Found      State = "found"       // read: From is in the controller
	Intends    State = "intends"     // about to be written: From or To may be in the controller
	Holds      State = "holds"       // read back: To is in the controller
	Failed     State = "failed"      // not read back: nobody knows
	RolledBack State = "rolled back" // read back: From is in the controller again
	Begins     State = "begins"      // a transfer that will write it has begun; nothing about it is sure until Ends
	Ends       State = "ends"        // that transfer has ended, and all that was noted of it holds
)

// Knowledge is what a journal's notes, one after the other, say of each setting.
type Knowledge struct {
	state map[string]State
	last  map[string]Change
	open  map[string]bool // a transfer that touches it has begun and not ended
}

// Note adds what was noted.
func (k *Knowledge) Note(state State, changes ...Change) error {
	if k.state == nil {
		k.state, k.last, k.open = map[string]State{}, map[string]Change{}, map[string]bool{}
	}
	for _, c := range changes {
		switch state {
		case Begins:
			k.open[c.Key] = true
			if _, known := k.state[c.Key]; !known {
				k.state[c.Key], k.last[c.Key] = Intends, c
			}
		case Ends:
			delete(k.open, c.Key)
		default:
			k.state[c.Key], k.last[c.Key] = state, c
		}
	}
	return nil
}

// Value returns the value that is surely in the controller; ok is false where nobody knows, as after a transfer whose end was
// not noted: what came after the last note, a rollback say, may not have been noted either.
func (k *Knowledge) Value(key string) (value float64, ok bool) {
	if k.open[key] {
		return 0, false
	}
	return k.state[key].Known(k.last[key])
}

// Open reports whether a transfer that touches a setting has begun and its end was not noted.
func (k *Knowledge) Open(key string) bool { return k.open[key] }

// Known returns the value that is surely in the controller after a state of a change; ok is false where nobody knows.
func (s State) Known(c Change) (value float64, ok bool) {
	switch s {
	case Found, RolledBack:
		return c.From, true
	case Holds:
		return c.To, true
	}
	return 0, false
}

// Journal hears of every step of a transfer, so that after a crash or an unplugged line somebody knows what is in the
// controller. What it is told must have reached the disk when Note returns.
type Journal interface {
	Note(state State, changes ...Change) error
}

// StrayError reports that settings changed which nobody wrote: the controller was reset, or somebody else writes to it.
type StrayError struct {
	Strays []Change // from what was expected to what was found
}

func (e *StrayError) Error() string {
	return fmt.Sprintf("%s changed by itself: the controller was reset, or somebody else writes to it", keys(e.Strays))
}

// TransferError is a transfer that failed part-way.
type TransferError struct {
	Change  Change   // the one under way
	Err     error    // what went wrong
	Still   []Change // what could not be put back, as it was read afterwards: from what was to what is now
	Unknown []Change // what could not be put back, and could not be read either
}

// Restored reports whether the controller surely holds again what it held before.
func (e *TransferError) Restored() bool { return len(e.Still)+len(e.Unknown) == 0 }

func (e *TransferError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s was not written: %v", e.Change.Key, e.Err)
	if e.Restored() {
		b.WriteString("; the controller holds again what it held before")
	}
	if len(e.Still) > 0 {
		fmt.Fprintf(&b, "; not put back: %s", keys(e.Still))
	}
	if len(e.Unknown) > 0 {
		fmt.Fprintf(&b, "; nobody knows what it holds now for %s: read the controller before anything else", keys(e.Unknown))
	}
	return b.String()
}

// Unwrap returns what went wrong.
func (e *TransferError) Unwrap() error { return e.Err }

func keys(changes []Change) string {
	var list []string
	for _, c := range changes {
		list = append(list, c.Key)
	}
	return strings.Join(list, ", ")
}

// Transfer writes changes one by one in the order given. After each it reads all settings: the new value must be there,
// and nothing else may have changed. If something fails it puts back what was there. It refuses while the motor
// runs, where the place of the throttle does not hold zero, as a test that was cut off leaves it, and where a setting is no longer what the change says. The error is a *TransferError once anything was
// written or tried, an *UnnotedError where all was written; before that, nothing was written.
func Transfer(ctx context.Context, c Controller, changes []Change, journal Journal) error {
	t := transfer{c: c, journal: journal, step: map[string]float64{}}
	for _, s := range c.Describe().Settings {
		t.step[s.Key] = s.Step
	}
	if err := t.begin(ctx, changes); err != nil {
		return fmt.Errorf("nothing was written: %w", err)
	}
	for i, change := range changes {
		if err := t.write(ctx, change); err != nil {
			unsure := []Change{change}
			if stray := new(StrayError); errors.As(err, &stray) {
				unsure = append(unsure, stray.Strays...)
				t.note(Begins, stray.Strays...)
			}
			t.note(Failed, unsure...) // the first error is the one to tell
			failed := &TransferError{Change: change, Err: err}
			failed.Still, failed.Unknown = t.rollback(context.WithoutCancel(ctx), changes[:i+1])
			_ = t.end()
			return failed
		}
	}
	if err := t.end(); err != nil {
		return &UnnotedError{err}
	}
	return nil
}

// UnnotedError reports that a transfer was carried out whole, and that the journal does not know: it leaves unsure what it touched.
type UnnotedError struct{ Err error }

func (e *UnnotedError) Error() string {
	return fmt.Sprintf("all settings were written and read back, but the journal could not be written to its end, so it leaves them unsure until the controller is read again: %v", e.Err)
}

// Unwrap returns the journal's error.
func (e *UnnotedError) Unwrap() error { return e.Err }

// note writes to the journal and drops its error: the controller matters more. The end is not noted then.
func (t *transfer) note(state State, changes ...Change) {
	if state == Begins {
		t.touched = append(t.touched, changes...)
	}
	if err := t.journal.Note(state, changes...); err != nil {
		t.unnoted = err
	}
}

// end writes to the journal that the transfer has ended, if all before was noted. A journal without it leaves unsure what was touched.
func (t *transfer) end() error {
	if t.unnoted == nil {
		t.note(Ends, t.touched...)
	}
	return t.unnoted
}

// transfer is one under way.
type transfer struct {
	c        Controller
	journal  Journal
	step     map[string]float64 // between neighbouring values
	before   map[string]float64 // all settings as they were
	expected map[string]float64 // and as they should be now
	touched  []Change           // what the journal holds open
	unnoted  error              // why the journal lacks something
}

// begin reads what is there and sees to it that it may be changed.
func (t *transfer) begin(ctx context.Context, changes []Change) error {
	switch running, err := t.c.Running(ctx); {
	case errors.Is(err, ErrUnknown): // WriteSetting decides
	case err != nil:
		return fmt.Errorf("the controller does not say whether the motor runs: %w", err)
	case running:
		return ErrRunning
	}
	if err := t.c.AtRest(ctx); err != nil {
		return err
	}
	if err := t.stands(ctx); err != nil {
		return err
	}
	held, err := t.c.ReadSettings(ctx)
	if err != nil {
		return fmt.Errorf("the controller's settings cannot be read: %w", err)
	}
	t.before, t.expected = held, map[string]float64{}
	var all []Change
	for key, value := range held {
		t.expected[key] = value
		all = append(all, Change{key, value, value})
	}
	for _, c := range changes {
		if now, ok := held[c.Key]; !ok {
			return &SettingError{Key: c.Key, Err: ErrUnknown}
		} else if !t.same(c.Key, now, c.From) {
			return &StrayError{[]Change{{c.Key, c.From, now}}}
		}
	}
	slices.SortFunc(all, func(a, b Change) int { return strings.Compare(a.Key, b.Key) })
	if err := t.journal.Note(Found, all...); err != nil {
		return fmt.Errorf("the journal cannot be written: %w", err)
	}
	if err := t.journal.Note(Begins, changes...); err != nil {
		return fmt.Errorf("the journal cannot be written: %w", err)
	}
	t.touched = slices.Clone(changes)
	return nil
}

// stands fails where what is measured shows a motor that runs: the map's mark of a driven motor may be another thing's. A
// sensor that is broken proves nothing, and must not keep a limit from being lowered.
func (t *transfer) stands(ctx context.Context) error {
	channels := t.c.Describe().Channels
	if len(channels) == 0 {
		return nil
	}
	now, err := t.c.ReadTelemetry(ctx)
	if errors.As(err, new(*ImpossibleError)) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("whether the motor runs cannot be seen from the readings: %w", err)
	}
	if why := runsBy(channels, now); why != "" {
		return fmt.Errorf("%w (%s, though the map's mark of a driven motor, [running], does not show it: compare both with the manual)", ErrRunning, why)
	}
	return nil
}

// same reports whether a controller could not tell two values apart.
func (t *transfer) same(key string, a, b float64) bool {
	return math.Abs(a-b) <= t.step[key]/2+1e-9*math.Abs(b)
}

// write writes one change and sees that it is there, and nothing else with it.
func (t *transfer) write(ctx context.Context, change Change) error {
	if err := t.journal.Note(Intends, change); err != nil {
		t.unnoted = err
		return fmt.Errorf("the journal cannot be written: %w", err)
	}
	stored, err := t.c.WriteSetting(ctx, change.Key, change.To)
	if err != nil {
		return err
	}
	t.expected[change.Key] = stored
	held, err := t.c.ReadSettings(ctx)
	if err != nil {
		return fmt.Errorf("the settings cannot be read again: %w", err)
	}
	if strays := t.differing(t.expected, held); len(strays) > 0 {
		return &StrayError{strays}
	}
	if err := t.journal.Note(Holds, change); err != nil {
		t.unnoted = err
		return fmt.Errorf("the journal cannot be written: %w", err)
	}
	return nil
}

// differing lists the settings that are not as wanted, by key.
func (t *transfer) differing(want, held map[string]float64) (list []Change) {
	for key, value := range want {
		if !t.same(key, held[key], value) {
			list = append(list, Change{key, value, held[key]})
		}
	}
	slices.SortFunc(list, func(a, b Change) int { return strings.Compare(a.Key, b.Key) })
	return list
}

// rollback undoes the writes in reverse order, then what changed by itself, and reads everything back. It returns the values
// that still differ, and those of which no reading tells.
func (t *transfer) rollback(ctx context.Context, written []Change) (still, unknown []Change) {
	var todo []Change
	for i := len(written) - 1; i >= 0; i-- {
		todo = append(todo, written[i])
	}
	if held, err := t.c.ReadSettings(ctx); err == nil {
		todo = slices.DeleteFunc(todo, func(c Change) bool {
			back := t.same(c.Key, held[c.Key], t.before[c.Key])
			if back {
				t.back(c.Key)
			}
			return back
		})
		for _, c := range t.differing(t.before, held) {
			if !slices.ContainsFunc(todo, func(d Change) bool { return d.Key == c.Key }) {
				todo = append(todo, c)
				t.note(Begins, c)
			}
		}
	}
	for _, c := range todo {
		t.note(Intends, Change{c.Key, c.To, t.before[c.Key]})
		if _, err := t.c.WriteSetting(ctx, c.Key, t.before[c.Key]); err != nil {
			unknown = append(unknown, c)
			continue
		}
		t.back(c.Key)
	}
	held, err := t.c.ReadSettings(ctx)
	if err != nil {
		return nil, unknown
	}
	still = t.differing(t.before, held)
	for _, c := range still {
		t.note(Found, Change{c.Key, c.To, c.To})
	}
	for _, c := range unknown {
		if t.same(c.Key, held[c.Key], t.before[c.Key]) {
			t.back(c.Key)
		}
	}
	return still, nil
}

// back writes to the journal that a setting is as it was.
func (t *transfer) back(key string) {
	t.note(RolledBack, Change{key, t.before[key], t.before[key]})
}
