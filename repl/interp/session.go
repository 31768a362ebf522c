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

	"quaybench/repl/check"
)

// A Session takes inputs one after the other. Eval must not be called by two
// goroutines at once; Stop may be called by any.
type Session struct {
	config Config
	env    *check.Env
	cells  map[string]reflect.Value // each addressable
	mu     sync.Mutex
	stop   chan struct{} // of the evaluation that runs
}

// NewSession starts a session that has the given values as variables. Their
// types must be such as scripts can name.
func NewSession(c Config, values map[string]any) (*Session, error) {
	c, err := c.complete()
	if err != nil {
		return nil, err
	}
	s := &Session{config: c, env: check.NewEnv(c.Library), cells: map[string]reflect.Value{}}
	for _, name := range slices.Sorted(maps.Keys(values)) {
		if err := s.Set(name, values[name]); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// Set makes or changes a variable.
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
	s.cells[name] = addressable(v)
	return nil
}

// Get gives the value of a variable.
func (s *Session) Get(name string) (value any, ok bool) {
	c, ok := s.cells[name]
	if !ok {
		return nil, false
	}
	return c.Interface(), true
}

// Env gives what is declared, for completion.
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
	r, err := prepare(ctx, s.config, step)
	if err != nil {
		return err
	}
	defer r.cancel()
	for _, c := range step.Cells {
		if err := s.lend(r, c, result); err != nil {
			return err
		}
	}
	err = r.call(ctx, stop)
	if errors.Is(err, ErrLeftBehind) {
		return err // what it does from now on has nothing to do with the session
	}
	if takeErr := s.takeBack(r, err == nil); err == nil {
		err = takeErr
	}
	if err != nil {
		return err
	}
	for _, g := range step.Results {
		c, err := r.in.cell(g.Global)
		if err != nil {
			return err
		}
		result.Values = append(result.Values, Value{Type: g.Type, Value: *c})
	}
	return nil
}

// lend puts a variable of the session in the place of the program's.
func (s *Session) lend(r *run, c check.Cell, result *Result) error {
	if c.New {
		return nil
	}
	place, err := r.in.cell(c.Global)
	if err != nil {
		return err
	}
	held, ok := s.cells[c.Var]
	switch {
	case !ok:
	case held.Type() == place.Type():
		*place = held
	case held.Type().AssignableTo(place.Type()):
		place.Set(held)
	default:
		// Its type was declared anew.
		result.Notes = append(result.Notes, fmt.Sprintf("%s was made before its type was declared anew; it is empty now", c.Var))
	}
	return nil
}

// takeBack takes the variables out of the program again. If it failed, they
// keep what it gave them, but those it was about to make are not made.
func (s *Session) takeBack(r *run, ok bool) error {
	cells := maps.Clone(s.cells)
	for _, c := range r.step.Cells {
		if c.Old && ok || c.New && !ok {
			continue
		}
		place, err := r.in.cell(c.Global)
		if err != nil {
			return err
		}
		cells[c.Var] = addressable(*place)
	}
	if ok {
		s.env = r.step.After
		maps.DeleteFunc(cells, func(name string, _ reflect.Value) bool { return !s.env.HasVar(name) })
	}
	s.cells = cells
	return nil
}

// addressable gives v itself if it can be assigned to, or a copy that can.
func addressable(v reflect.Value) reflect.Value {
	if v.CanSet() {
		return v
	}
	c := reflect.New(v.Type()).Elem()
	c.Set(v)
	return c
}

// RunScript checks and runs a script to its end.
func RunScript(ctx context.Context, c Config, src check.Source) error {
	c, err := c.complete()
	if err != nil {
		return err
	}
	step, err := check.Script(c.Library, src)
	if err != nil {
		return err
	}
	r, err := prepare(ctx, c, step)
	if err != nil {
		return err
	}
	defer r.cancel()
	return r.call(ctx, nil)
}
