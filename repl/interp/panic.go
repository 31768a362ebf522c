package interp

import (
	"fmt"
	"go/token"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	yaegi "github.com/traefik/yaegi/interp"

	"quaybench/repl/check"
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

// Unwrap gives the value, if it is an error.
func (p *Panic) Unwrap() error {
	err, _ := p.Value.(error)
	return err
}

func (r *run) panicError(value any, inGoroutine bool) error {
	value = panicValue(value)
	p := &Panic{Value: value, Stack: r.stack(), InGoroutine: inGoroutine}
	switch v := value.(type) {
	case error:
		p.Msg = v.Error()
	default:
		p.Msg = fmt.Sprint(v)
	}
	p.Msg = strings.TrimPrefix(p.Msg, "runtime error: ")
	return p
}

// A runtimeError stands for what the interpreter's reflection ran into, in
// words of Go.
type runtimeError string

func (e runtimeError) Error() string { return "runtime error: " + string(e) }

// panicValue gives the value of a panic as Go would.
func panicValue(value any) any {
	if p, ok := value.(yaegi.Panic); ok {
		value = p.Value
	}
	if v, ok := value.(reflect.Value); ok && v.IsValid() && v.CanInterface() {
		value = v.Interface()
	}
	var text string
	switch v := value.(type) {
	case *reflect.ValueError:
		return runtimeError("nil pointer dereference")
	case string:
		text = v
	case error:
		text = v.Error()
	}
	for _, w := range wordings {
		if w.from.MatchString(text) {
			return runtimeError(w.to)
		}
	}
	if at := position.FindString(text); at != "" {
		return runtimeError(strings.TrimPrefix(text, at))
	}
	return value
}

var position = regexp.MustCompile(`^\d+:\d+: `)

var wordings = []struct {
	from *regexp.Regexp
	to   string
}{
	{regexp.MustCompile(`^reflect: (slice|array|string) index out of range|^reflect: array index`), "index out of range"},
	{regexp.MustCompile(`^reflect\.Value\.Slice3?: `), "slice bounds out of range"},
	{regexp.MustCompile(`^reflect\.(MakeSlice|MakeMapWithSize|MakeChan)`), "make: the size is negative or too large"},
	{regexp.MustCompile(`^reflect\.Value\.Call: call of nil function`), "nil pointer dereference: a function value is nil"},
	{regexp.MustCompile(`^reflect: Method on nil interface value`), "nil pointer dereference: a method of a nil interface was called"},
	{regexp.MustCompile(`^reflect: `), "nil pointer dereference"},
	{regexp.MustCompile(`^runtime error: invalid memory address or nil pointer dereference`), "nil pointer dereference"},
}

var (
	traceLine = regexp.MustCompile(`^(\d+):(\d+): `)
	markAt    = regexp.MustCompile(regexp.QuoteMeta(strings.TrimSuffix(check.MarkName(0), "0")) + `(\d+) :?= (\d+)`)
)

// stack reads the trace. Each line has the place, in the program's text, where
// a function begins; there stands the mark that the function keeps up to date.
func (r *run) stack() []Call {
	lines := strings.Split(r.step.Text, "\n")
	var calls []Call
	last := -1
	for _, t := range r.host.trace.take() {
		m := traceLine.FindStringSubmatch(t)
		if m == nil {
			continue
		}
		n, _ := strconv.Atoi(m[1])
		col, _ := strconv.Atoi(m[2])
		if n < 1 || n > len(lines) {
			continue
		}
		fn, mark := -1, 0
		for _, at := range markAt.FindAllStringSubmatchIndex(lines[n-1], -1) {
			if at[0] < col || fn < 0 {
				fn, _ = strconv.Atoi(lines[n-1][at[2]:at[3]])
				mark, _ = strconv.Atoi(lines[n-1][at[4]:at[5]])
			}
		}
		if fn < 0 || fn >= len(r.step.Functions) || fn == last {
			continue // the body of a function with deferred calls is a function too
		}
		last = fn
		if r.step.Functions[fn].Name == "" && len(calls) > 0 {
			continue
		}
		// With goroutines there is only the mark in the text.
		if c, err := r.in.cell(check.MarkName(fn)); err == nil && c.CanInt() && c.Int() > 0 {
			mark = int(c.Int())
		}
		calls = append(calls, Call{Function: r.step.Functions[fn].Name, Pos: r.step.Place(mark)})
	}
	return calls
}

// markNear finds the mark next to a place in the program's text.
func (r *run) markNear(text string) (mark int, ok bool) {
	m := traceLine.FindStringSubmatch(text)
	if m == nil {
		return 0, false
	}
	n, _ := strconv.Atoi(m[1])
	lines := strings.Split(r.step.Text, "\n")
	for i := min(n, len(lines)) - 1; i >= 0; i-- {
		if at := markAt.FindStringSubmatch(lines[i]); at != nil {
			mark, err := strconv.Atoi(at[2])
			return mark, err == nil
		}
	}
	return 0, false
}
