package interp

import (
	"bytes"
	"context"
	"fmt"
	"reflect"
	"strings"
	"time"

	yaegi "github.com/traefik/yaegi/interp"

	"quaybench/repl/core"
	"quaybench/repl/host"
)

// exports returns what a program finds in place of functions of the library, and under host.
func (r *run) exports(ctx context.Context) []yaegi.Exports {
	bound := yaegi.Exports{}
	bind := func(all map[string]map[string]reflect.Value) {
		for path, values := range all {
			if p := r.Library.Package(path); p != nil {
				key := path + "/./" + p.Name
				if bound[key] == nil {
					bound[key] = map[string]reflect.Value{}
				}
				for name, v := range values {
					bound[key][name] = v
				}
			}
		}
	}
	bind(r.rt.Library())
	bind(r.rt.Timers())
	bind(map[string]map[string]reflect.Value{
		"time":    {"Sleep": reflect.ValueOf(r.sleep)},
		"strings": {"Repeat": reflect.ValueOf(func(s string, n int) string { return strings.Repeat(s, r.size(n, len(s))) })},
		"bytes":   {"Repeat": reflect.ValueOf(func(b []byte, n int) []byte { return bytes.Repeat(b, r.size(n, len(b))) })},
	})
	if r.Bind != nil {
		bind(r.Bind(ctx))
	}
	own := r.rt.Values()
	for name, t := range r.prog.Hidden {
		own[name] = reflect.Zero(reflect.PointerTo(t))
	}
	return []yaegi.Exports{r.Library.Exports(), bound, {"host/./host": own}}
}

// size lets a size through that fits the memory limit: a wrong one would end the process where it is asked for, before any
// watch can see it.
func (r *run) size(n, each int) int {
	if n > 0 && each > 0 && uint64(n) > r.Limits.Memory/uint64(each) {
		panic(fmt.Errorf("%d elements of %d bytes are more than the limit of %s", n, each, bytesText(r.Limits.Memory)))
	}
	return n
}

// sleep waits until the time is over. A script whose context ends meanwhile is stopped there: it must not go on as if it had
// waited.
func (r *run) sleep(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return
	case <-r.rt.Halted():
	case <-r.rt.Context().Done():
		select {
		case r.rt.Enough <- struct{}{}:
		case <-r.rt.Halted():
		}
		<-r.rt.Halted()
	}
	r.rt.Halt()
}

// adapters registers the library's adapters with package host, once for each library.
func (c Config) adapters() {
	for _, path := range c.Library.Paths() {
		p := c.Library.Package(path)
		for name, v := range p.Values {
			if strings.HasPrefix(name, "_") && v.Kind() == reflect.Pointer {
				host.Adapter(p.Name+"."+name[1:], v.Type().Elem())
			}
		}
	}
}

// place returns the call that a call of the core stands for.
func (r *run) place(c host.Call) Call {
	f := core.Function{}
	if c.Function < len(r.prog.Functions) {
		f = r.prog.Functions[c.Function]
	}
	mark := c.Mark
	if mark == 0 {
		mark = int(f.Pos)
	}
	return Call{Function: f.Name, Pos: r.step.Place(mark)}
}
