package interp

import (
	"fmt"
	"reflect"
	"sync/atomic"
	"unsafe"

	yaegi "github.com/traefik/yaegi/interp"
)

// The interpreter has no call for three things a session cannot do without:
// sharing a variable between two interpreters, stopping one and knowing when
// it has stopped, and using again what it made before it was stopped. They are
// done here on its own fields. layout checks, before anything runs, that the
// fields are those of the version this was written for.

type internals struct {
	in    *yaegi.Interpreter
	id    *uint64          // runs end when it differs from the one they began with
	done  *chan struct{}   // closed to wake blocked channel operations
	cells *[]reflect.Value // the package variables
}

// layout checks the fields used here.
func layout() error {
	t := reflect.TypeFor[yaegi.Interpreter]()
	want := func(t reflect.Type, name, typ string) (reflect.StructField, error) {
		f, ok := t.FieldByName(name)
		if !ok || f.Type.String() != typ {
			return f, fmt.Errorf("package interp fits another version of yaegi: %v has no field %s of type %s", t, name, typ)
		}
		return f, nil
	}
	for name, typ := range map[string]string{"id": "uint64", "done": "chan struct {}", "frame": "*interp.frame", "srcPkg": "interp.imports"} {
		if _, err := want(t, name, typ); err != nil {
			return err
		}
	}
	f, _ := t.FieldByName("frame")
	if _, err := want(f.Type.Elem(), "data", "[]reflect.Value"); err != nil {
		return err
	}
	p, _ := t.FieldByName("srcPkg")
	_, err := want(p.Type.Elem().Elem().Elem(), "index", "int")
	return err
}

func openInternals(in *yaegi.Interpreter) internals {
	v := reflect.ValueOf(in).Elem()
	return internals{
		in:    in,
		id:    (*uint64)(v.FieldByName("id").Addr().UnsafePointer()),
		done:  (*chan struct{})(v.FieldByName("done").Addr().UnsafePointer()),
		cells: (*[]reflect.Value)(unsafe.Pointer(v.FieldByName("frame").Elem().FieldByName("data").Addr().UnsafePointer())),
	}
}

// stop makes everything that runs in the interpreter end at its next step.
func (n internals) stop() {
	atomic.AddUint64(n.id, 1)
	close(*n.done)
}

// revive makes functions that the interpreter made usable again, after what
// ran has ended.
func (n internals) revive() { atomic.AddUint64(n.id, ^uint64(0)) }

// cell gives the place of a package variable of main.
func (n internals) cell(name string) (*reflect.Value, error) {
	main := reflect.ValueOf(n.in).Elem().FieldByName("srcPkg").MapIndex(reflect.ValueOf("main"))
	if main.IsValid() {
		if sym := main.MapIndex(reflect.ValueOf(name)); sym.IsValid() {
			if i := int(sym.Elem().FieldByName("index").Int()); i >= 0 && i < len(*n.cells) {
				return &(*n.cells)[i], nil
			}
		}
	}
	return nil, fmt.Errorf("the interpreter has no variable %s", name)
}
