package interp

import (
	"fmt"
	"go/token"
	"strings"

	"quaybench/repl/host"
)

// A Panic is a panic of a script that nothing recovered.
type Panic struct {
	// Value that the script panicked with, or a runtime error.
	Value any
	// Msg says it in words.
	Msg string
	// Stack of the script's functions, innermost first. It may be empty.
	Stack []Call
	// InGoroutine is true if the panic was not in the main flow.
	InGoroutine bool
}

// A Call is a function of the script and where it was.
type Call struct {
	Function string
	Pos      token.Position
}

func (p *Panic) Error() string {
	var b strings.Builder
	if len(p.Stack) > 0 {
		fmt.Fprintf(&b, "%v: ", p.Stack[0].Pos)
	}
	b.WriteString("panic: " + p.Msg)
	if p.InGoroutine {
		b.WriteString(" (in a goroutine)")
	}
	const most = 8
	for i, c := range p.Stack {
		if i == 0 {
			continue
		}
		if i == most {
			fmt.Fprintf(&b, "\n\t... and %d calls more", len(p.Stack)-most)
			break
		}
		fmt.Fprintf(&b, "\n\tcalled from %v, in %s", c.Pos, c.Function)
	}
	return b.String()
}

// Unwrap returns the value, if it is an error.
func (p *Panic) Unwrap() error {
	err, _ := p.Value.(error)
	return err
}

func (r *run) panicError(value any, inGoroutine bool) error {
	value = host.Value(value)
	p := &Panic{Value: value, InGoroutine: inGoroutine}
	last := -1
	for _, c := range r.rt.Calls() {
		if c.Function == last {
			continue // the body of a function with deferred calls is a function too
		}
		last = c.Function
		if call := r.place(c); call.Pos.IsValid() {
			p.Stack = append(p.Stack, call)
		}
	}
	p.Msg = textOf(value)
	p.Msg = strings.Replace(strings.TrimPrefix(p.Msg, "runtime error: "), "invalid memory address or nil", "nil", 1)
	return p
}

// textOf returns the text of what a script panicked with, whose method may panic, too: then package fmt says so.
func textOf(value any) (text string) {
	defer func() {
		if recover() != nil {
			text = fmt.Sprint(value)
		}
	}()
	if err, ok := value.(error); ok {
		return err.Error()
	}
	return fmt.Sprint(value)
}
