package interp

import (
	"fmt"
	"go/token"
	"reflect"
	"regexp"
	"runtime"
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
	if p, ok := value.(yaegi.Panic); ok {
		value = p.Value
	}
	if v, ok := value.(reflect.Value); ok && v.IsValid() && v.CanInterface() {
		value = v.Interface()
	}
	return &Panic{Value: value, Msg: panicText(value), Stack: r.stack(), InGoroutine: inGoroutine}
}

// panicText says in Go's words what the interpreter's reflection ran into.
func panicText(value any) string {
	var text string
	switch v := value.(type) {
	case *reflect.ValueError:
		return "a nil pointer, map or interface was used as if it held something"
	case runtime.Error:
		text = strings.TrimPrefix(v.Error(), "runtime error: ")
	case error:
		text = v.Error()
	case string:
		text = v
	default:
		text = fmt.Sprint(v)
	}
	for _, w := range wordings {
		if w.from.MatchString(text) {
			return w.to
		}
	}
	return position.ReplaceAllString(text, "")
}

var position = regexp.MustCompile(`^\d+:\d+: `)

var wordings = []struct {
	from *regexp.Regexp
	to   string
}{
	{regexp.MustCompile(`^reflect: (slice|array|string) index out of range|^reflect: array index`), "index out of range"},
	{regexp.MustCompile(`^reflect\.Value\.Slice3?: `), "slice bounds out of range"},
	{regexp.MustCompile(`^reflect\.(MakeSlice|MakeMapWithSize|MakeChan)`), "make: the size is negative or too large"},
	{regexp.MustCompile(`^reflect\.Value\.Call: call of nil function`), "a function value is nil"},
	{regexp.MustCompile(`^reflect: Method on nil interface value`), "a method of a nil interface was called"},
	{regexp.MustCompile(`^reflect: `), "a nil pointer, map or interface was used as if it held something"},
	{regexp.MustCompile(`^invalid memory address or nil pointer dereference`), "nil pointer dereference"},
}

var (
	traceLine = regexp.MustCompile(`^(\d+):(\d+): `)
	markAt    = regexp.MustCompile(regexp.QuoteMeta(strings.TrimSuffix(check.MarkName(0), "0")) + `(\d+) = (\d+)`)
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
		fn := -1
		for _, at := range markAt.FindAllStringSubmatchIndex(lines[n-1], -1) {
			if at[0] < col || fn < 0 {
				fn, _ = strconv.Atoi(lines[n-1][at[2]:at[3]])
			}
		}
		if fn < 0 || fn >= len(r.step.Functions) || fn == last {
			continue // the body of a function with deferred calls is a function too
		}
		last = fn
		mark, err := r.in.cell(check.MarkName(fn))
		if err != nil || !mark.CanInt() || mark.Int() <= 1 {
			continue
		}
		calls = append(calls, Call{Function: r.step.Functions[fn].Name, Pos: r.step.Place(int(mark.Int()))})
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
