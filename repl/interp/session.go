// Package interp runs checked programs: a session that takes one input after
// the other, and scripts.
//
// A session keeps its declarations as source and its variables as values of
// its own. Every input runs in a fresh interpreter, which is made in a quarter
// of a millisecond: it gets all declarations again, so that new definitions
// hold everywhere, and the variables themselves, not copies. Statements are
// never run again. An interpreter that was stopped, or left by a panic, is
// simply the last one of its kind.
package interp

import (
	"context"
	"errors"
	"fmt"
	"go/types"
	"maps"
	"reflect"
	"slices"
	"sync"
	"time"

	"quaybench/repl/check"
	"quaybench/repl/core"
	"quaybench/repl/host"
)

// A Session takes inputs one after the other. Eval must not be called by two
// goroutines at once; Stop may be called by any.
type Session struct {
	config  Config
	env     *check.Env
	types   *host.Types
	cells   map[string]any // pointers to the variables
	control *host.Control
	mu      sync.Mutex
	stop    chan struct{} // of the evaluation that runs
}

// NewSession starts a session that has the given values as variables. Their
// types must be such as scripts can name.
func NewSession(c Config, values map[string]any) (*Session, error) {
	c, err := c.complete()
	if err != nil {
		return nil, err
	}
	s := &Session{config: c, env: check.NewEnv(c.Library), types: host.NewTypes(), cells: map[string]any{}, control: host.NewControl()}
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if err := s.Set(name, values[name]); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Set creates or changes a variable.
func (s *Session) Set(name string, value any) error {
	v := reflect.ValueOf(value)
	if !v.IsValid() {
		return fmt.Errorf("variable %s: nil has no type of its own", name)
	}
	t, err := s.config.Library.TypeOf(v.Type())
	if err != nil {
		return fmt.Errorf("variable %s: %w", name, err)
	}
	env, err := s.env.With(name, t)
	if err != nil {
		return err
	}
	s.env = env
	v = fixed(v)
	p := reflect.New(v.Type())
	p.Elem().Set(v)
	s.cells[name] = p.Interface()
	return nil
}

// fixed returns a function with a slice in place of its variadic parameter, as the core has functions.
func fixed(v reflect.Value) reflect.Value {
	t := v.Type()
	if t.Kind() != reflect.Func || !t.IsVariadic() {
		return v
	}
	var in, out []reflect.Type
	for i := range t.NumIn() {
		in = append(in, t.In(i))
	}
	for i := range t.NumOut() {
		out = append(out, t.Out(i))
	}
	return reflect.MakeFunc(reflect.FuncOf(in, out, false), v.CallSlice)
}

// Get returns the value of a variable.
func (s *Session) Get(name string) (value any, ok bool) {
	c, ok := s.cells[name]
	if !ok {
		return nil, false
	}
	return reflect.ValueOf(c).Elem().Interface(), true
}

// Env returns what is declared, for completion.
func (s *Session) Env() *check.Env { return s.env }

// A Result is what an input gives to show.
type Result struct {
	// Values of the last statement, if it was an expression.
	Values []Value
	// Notes are what a person should know besides.
	Notes []string
	// Ran is how many bytes of the input have run: all, unless there is an error.
	Ran int
}

// A Value is a value with its type as the checker knows it: the interpreter's
// own values of a script's types have lost their names.
type Value struct {
	Type  types.Type
	Value reflect.Value
}

// Eval checks an input and runs it. When ctx ends, compiled functions that
// watch it return; what still runs after Config.Grace is stopped. What ran
// before an error has run: values it assigned stay assigned.
func (s *Session) Eval(ctx context.Context, src check.Source) (Result, error) {
	steps, err := s.env.Check(src)
	if err != nil {
		return Result{}, err
	}
	stop := make(chan struct{})
	s.mu.Lock()
	s.stop = stop
	s.mu.Unlock()
	defer func() {
		s.mu.Lock()
		s.stop = nil
		s.mu.Unlock()
	}()
	var result Result
	for _, step := range steps {
		if ctx.Err() != nil {
			return result, stopped(ctx)
		}
		result.Values = nil
		if err := s.do(ctx, step, stop, &result); err != nil {
			return result, err
		}
		result.Ran = step.End
	}
	return result, nil
}

// Stop ends the running evaluation at once, if there is one, as far as the
// script's own code goes; a compiled function it has called is waited for.
func (s *Session) Stop() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stop != nil {
		close(s.stop)
		s.stop = nil
	}
}

func (s *Session) do(ctx context.Context, step *check.Step, stop <-chan struct{}, result *Result) error {
	if step.Main == "" {
		s.keep(step)
		return nil
	}
	cells := maps.Clone(s.cells)
	for _, m := range step.Made {
		if m.Same {
			cells[m.Global] = cells[m.Var]
		}
	}
	r, err := prepare(ctx, s.config, step, s.types, s.control, cells)
	if err != nil {
		return err
	}
	defer r.cancel()
	r.lull = 50 * time.Millisecond
	err = r.call(ctx, stop)
	if r.cut && err == nil {
		result.Notes = append(result.Notes, "a goroutine or timer was still at work, and ended with the statement that started it; to wait for it, put both into one: func() { go ...; <-done }()")
	}
	if err != nil {
		if errors.Is(err, ErrLeftBehind) {
			s.control = s.control.Another() // what goes on stays stopped
		}
		return err // what it made is not kept
	}
	for _, m := range step.Made {
		s.cells[m.Var] = cells[m.Global]
	}
	for name, p := range cells {
		if kept, ok := s.cells[name]; ok && kept != p && !slices.ContainsFunc(step.Made, func(m check.Made) bool { return m.Var == name }) {
			// Its type was declared anew.
			result.Notes = append(result.Notes, fmt.Sprintf("%s was made before its type was declared anew; it is empty now", name))
			s.cells[name] = p
		}
	}
	s.keep(step)
	for _, g := range step.Results {
		result.Values = append(result.Values, opened(g.Type, reflect.ValueOf(cells[g.Global]).Elem()))
	}
	return nil
}

// Show writes a value as a person reads it; a type of the script is written with its name and fields, or as its own method
// says. That method runs under the limits of an input, and for a second at most.
func (s *Session) Show(v Value) (text string, err error) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	s.control.Begin(ctx)
	c := s.config
	c.Grace, c.Patience = time.Nanosecond, time.Second
	r := &run{Config: c, step: &check.Step{After: s.env}, prog: &core.Program{}, rt: host.NewRT(s.types, c.Stdout, s.control), cancel: cancel}
	r.main = func() { text = show(v, s.types.Text) }
	if err := r.call(ctx, nil); err != nil {
		if errors.Is(err, ErrLeftBehind) {
			s.control = s.control.Another()
		}
		if errors.Is(err, context.DeadlineExceeded) {
			err = errors.New("its String or Error method takes more than a second")
		}
		return "", fmt.Errorf("it cannot be shown: %w", err)
	}
	return text, nil
}

// Failed returns the error that a variable holds; v.Type is nil where there is none.
func (s *Session) Failed(name string) (v Value) {
	for _, known := range s.env.Vars() {
		if held, ok := s.cells[name]; ok && known.Name == name && known.Type == "error" && !reflect.ValueOf(held).Elem().IsNil() {
			return Value{Type: types.Universe.Lookup("error").Type(), Value: reflect.ValueOf(held).Elem()}
		}
	}
	return v
}

// keep copies what the session knows after a step.
func (s *Session) keep(step *check.Step) {
	s.env = step.After
	maps.DeleteFunc(s.cells, func(name string, _ any) bool { return !s.env.HasVar(name) })
}

// opened returns what an any holds, with the type that go/types knows where it is the script's.
func opened(t types.Type, v reflect.Value) Value {
	if types.IsInterface(t) || !v.Elem().IsValid() {
		return Value{Type: t, Value: v}
	}
	if _, value, ok := host.Unbox(v.Interface()); ok {
		return Value{Type: t, Value: reflect.ValueOf(value)}
	}
	return Value{Type: t, Value: v.Elem()}
}

// RunScript checks and runs a script to its end.
func RunScript(ctx context.Context, c Config, src check.Source, more ...check.Source) error {
	c, err := c.complete()
	if err != nil {
		return err
	}
	step, err := check.Script(c.Library, src, more...)
	if err != nil {
		return err
	}
	r, err := prepare(ctx, c, step, host.NewTypes(), host.NewControl(), nil)
	if err != nil {
		return err
	}
	defer r.cancel()
	return r.call(ctx, nil)
}
