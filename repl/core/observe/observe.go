// Package observe is what programs of the matrix of core forms call: it notes values in words.
package observe

import (
	"errors"
	"fmt"
	"reflect"
	"strings"
	"time"
)

// Got is what was noted.
var Got strings.Builder

type (
	// Any is an interface that the core declares nothing about.
	Any = interface{}
	// Error is an error.
	Error = error
)

// Out notes a value, functions by what they give, pointers by what they point to.
func Out(x any) { Got.WriteString(describe(reflect.ValueOf(x)) + " ") }

func describe(v reflect.Value) string {
	if !v.IsValid() {
		return "nil"
	}
	t := v.Type()
	switch v.Kind() {
	case reflect.Func:
		if v.IsNil() {
			return "nilfunc"
		}
		return fmt.Sprint("func", v.Call([]reflect.Value{reflect.ValueOf(100)})[0])
	case reflect.Pointer:
		if v.IsNil() {
			return "nilptr"
		}
		if s, ok := v.Interface().(fmt.Stringer); ok {
			return "&" + s.String()
		}
		if e, ok := v.Interface().(error); ok {
			return "E" + e.Error()
		}
		return "&" + describe(v.Elem())
	case reflect.Struct:
		if tm, ok := v.Interface().(time.Time); ok {
			return tm.UTC().String()
		}
		s := "{"
		for i := range v.NumField() {
			s += describe(v.Field(i)) + ","
		}
		return s + "}"
	case reflect.Slice, reflect.Array:
		if v.Kind() == reflect.Slice && v.IsNil() {
			return "nilslice"
		}
		s := "["
		for i := range v.Len() {
			s += describe(v.Index(i)) + ","
		}
		return s + "]"
	case reflect.Interface:
		return "i:" + describe(v.Elem())
	case reflect.Chan:
		if v.IsNil() {
			return "nilchan"
		}
		return fmt.Sprint("chan", v.Cap())
	case reflect.Map:
		if v.IsNil() {
			return "nilmap"
		}
	}
	return fmt.Sprintf("%s:%v", t, v.Interface())
}

// Make is for the matrix.
func Make(n int) any { return fmt.Sprint("any", n) }

// Err is for the matrix.
func Err(s string) error { return errors.New(s) }

// Dur is for the matrix.
func Dur(n int) time.Duration { return time.Duration(n) }

// Same is for the matrix.
func Same(x any) any { return x }

// Odd is for the matrix.
func Odd() any { return struct{ Odd int16 }{3} }

// Spawn is for the matrix.
func Spawn(f func()) { go f() }

// Apply is for the matrix.
func Apply(f func(any) any, x any) any { return f(x) }

// Eq compares two values.
func Eq(a, b any) bool { return a == b }

// ToError asserts an error.
func ToError(x any) error { return x.(error) }
