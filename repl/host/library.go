package host

import (
	"errors"
	"go/types"
	"reflect"
	"slices"
	"sort"
)

// Library returns what takes the place of functions of the library that look into an any: they open the boxes of the script's
// types first.
func (rt *RT) Library() map[string]map[string]reflect.Value {
	open := func(x any) any {
		if b, ok := x.(boxer); ok {
			return b.box().V
		}
		return x
	}
	return map[string]map[string]reflect.Value{
		"fmt":           rt.printers(),
		"encoding/json": rt.jsonFunctions(),
		"errors": {
			"As":     reflect.ValueOf(as),
			"Is":     reflect.ValueOf(is),
			"Unwrap": reflect.ValueOf(unwrap),
		},
		"sort": {
			"Slice":         reflect.ValueOf(func(x any, less func(i, j int) bool) { sort.Slice(open(x), less) }),
			"SliceStable":   reflect.ValueOf(func(x any, less func(i, j int) bool) { sort.SliceStable(open(x), less) }),
			"SliceIsSorted": reflect.ValueOf(func(x any, less func(i, j int) bool) bool { return sort.SliceIsSorted(open(x), less) }),
		},
	}
}

// chain returns the errors that err wraps, itself first, in the order in which package errors goes through them.
func chain(err error) []error {
	if err == nil {
		return nil
	}
	list := []error{err}
	if b, ok := err.(boxError); ok {
		switch f := b.T.Methods["Unwrap"].(type) {
		case func(any) error:
			return append(list, chain(f(b.V))...)
		case func(any) []error:
			for _, e := range f(b.V) {
				list = append(list, chain(e)...)
			}
		}
		return list
	}
	switch e := err.(type) {
	case interface{ Unwrap() error }:
		list = append(list, chain(e.Unwrap())...)
	case interface{ Unwrap() []error }:
		for _, e := range e.Unwrap() {
			list = append(list, chain(e)...)
		}
	}
	return list
}

func unwrap(err error) error {
	if b, ok := err.(boxError); ok {
		if f, ok := b.T.Methods["Unwrap"].(func(any) error); ok {
			return f(b.V)
		}
		return nil
	}
	return errors.Unwrap(err)
}

func is(err, target error) bool {
	fits := true
	if b, ok := target.(boxer); ok {
		fits = comparable(b.box().T.Types)
	} else if target != nil {
		fits = reflect.TypeOf(target).Comparable()
	}
	if err == nil || target == nil {
		return err == target
	}
	return slices.ContainsFunc(chain(err), func(e error) bool {
		if fits {
			if b, ok := e.(boxer); (!ok || comparable(b.box().T.Types)) && Eq(e, target) {
				return true
			}
		}
		if b, ok := e.(boxError); ok {
			f, ok := b.T.Methods["Is"].(func(any, error) bool)
			return ok && f(b.V, target)
		}
		x, ok := e.(interface{ Is(error) bool })
		return ok && x.Is(target)
	})
}

// as is errors.As; target may be a pointer to a variable of the script's type.
func as(err error, target any) bool {
	b, ok := target.(boxer)
	if !ok {
		if err == nil || target == nil || reflect.TypeOf(target).Kind() != reflect.Pointer {
			return errors.As(err, target)
		}
		want := reflect.TypeOf(target).Elem()
		return slices.ContainsFunc(chain(err), func(e error) bool {
			if f, ok := asMethod(e); ok && f(target) {
				return true
			}
			if _, boxed := e.(boxer); boxed && want != reflect.TypeFor[error]() || !reflect.TypeOf(e).AssignableTo(want) {
				return false
			}
			reflect.ValueOf(target).Elem().Set(reflect.ValueOf(e))
			return true
		})
	}
	p, ok := b.box().T.Types.Underlying().(*types.Pointer)
	if !ok || reflect.ValueOf(b.box().V).IsNil() {
		panic("errors: target must be a non-nil pointer")
	}
	want := p.Elem()
	dst := reflect.ValueOf(b.box().V).Elem()
	i, isInterface := want.Underlying().(*types.Interface)
	return slices.ContainsFunc(chain(err), func(e error) bool {
		in, boxed := e.(boxer)
		switch {
		case isInterface && missing(e, i) == "":
			dst.Set(reflect.ValueOf(e))
			return true
		case boxed && !isInterface && identity(in.box().T.Types) == identity(want):
			dst.Set(reflect.ValueOf(in.box().V))
			return true
		}
		f, ok := asMethod(e)
		return ok && f(target)
	})
}

func asMethod(e error) (func(any) bool, bool) {
	if b, ok := e.(boxError); ok {
		f, ok := b.T.Methods["As"].(func(any, any) bool)
		return func(target any) bool { return f(b.V, target) }, ok
	}
	x, ok := e.(interface{ As(any) bool })
	if !ok {
		return nil, false
	}
	return x.As, true
}
