//go:build slow

package core_test

// The forms of the core, as the emitter writes them: T is a type, V1 and V2 are two of its values, O observes a value.
var forms = []struct{ name, text string }{
	{"assign copy", `var a, b T
a = V1
b = a
a = V2
O(a)
O(b)`},
	{"zero", `var a T
O(a)`},
	{"assign zero", `var a, z T
a = V1
a = z
O(a)`},
	{"new load", `var p *T
var a T
p = new(T)
a = *p
O(a)`},
	{"store load", `var p *T
var a T
p = new(T)
a = V1
*p = a
a = V2
O(*p)
*p = a
a = V1
O(*p)
O(a)`},
	{"load is copy", `var p *T
var a, b T
p = new(T)
*p = V1
a = *p
*p = V2
b = *p
O(a)
O(b)`},
	{"store zero", `var p *T
var z T
p = new(T)
*p = V1
*p = z
O(*p)`},
	{"field addr", `var p *struct{F0 int; F1 T}
var q *T
var a T
p = new(struct{F0 int; F1 T})
q = &p.F1
a = *q
O(a)
*q = V1
a = *q
O(a)
*q = V2
O(a)
O(p.F1)`},
	{"field of value", `var p *struct{F0 int; F1 T}
var s struct{F0 int; F1 T}
var a T
p = new(struct{F0 int; F1 T})
p.F1 = V1
s = *p
p.F1 = V2
a = s.F1
O(a)
a = p.F1
O(a)`},
	{"index addr", `var s []T
var q *T
var a T
s = make([]T, 2, 3)
q = &s[1]
a = *q
O(a)
*q = V1
a = *q
*q = V2
O(a)
O(s[1])
O(s[0])`},
	{"array addr", `var p *[2]T
var s []T
var q *T
var v [2]T
var a T
p = new([2]T)
s = p[:]
q = &s[1]
*q = V1
v = *p
*q = V2
a = v[1]
O(a)
O(p[1])`},
	{"append", `var s, t []T
s = make([]T, 1)
t = make([]T, 1)
s[0] = V1
t[0] = V2
s = append(s, t...)
t[0] = V1
O(s[0])
O(s[1])
O(len(s))`},
	{"copy slice", `var s, t []T
var n int
s = make([]T, 1)
t = make([]T, 2)
s[0] = V1
n = copy(t, s)
s[0] = V2
O(t[0])
O(n)
s = t[0:1:1]
O(len(s))
O(cap(s))`},
	{"map put get", `var m map[string]T
var a T
var ok bool
m = make(map[string]T)
a = V1
m["k"] = a
a = V2
a = m["k"]
O(a)
a = V2
a, ok = m["k"]
O(a)
O(ok)`},
	{"map missing", `var m map[string]T
var a T
m = make(map[string]T)
a = V1
a = m["z"]
O(a)`},
	{"map missing ok", `var m map[string]T
var a, z T
var ok bool
m = make(map[string]T)
a = V1
ok = true
a = z
a, ok = m["z"]
O(a)
O(ok)`},
	{"nil map get", `var m map[string]T
var a T
a = V1
a = m["z"]
O(a)`},
	{"map put zero", `var m map[string]T
var z, a T
m = make(map[string]T)
m["k"] = z
a = V1
a = m["k"]
O(a)
O(len(m))
delete(m, "k")
O(len(m))`},
	{"to any and back", `var x host.Any
var a T
a = V1
x = a
a = V2
a = FROMANY
O(a)
O(x)`},
	{"box param", `var x host.Any
var a T
a = V1
x = host.Same(a)
O(x)
a = V2
a = FROMANY
O(a)`},
	{"failed assertion", `var x host.Any
var a, z T
var ok bool
x = host.Odd()
a = V1
ok = true
a = z
a, ok = x.(T)
O(a)
O(ok)`},
	{"assertion of nil", `var x host.Any
var a, z T
var ok bool
a = V1
a = z
a, ok = x.(T)
O(a)
O(ok)`},
	{"good assertion ok", `var x host.Any
var a T
var ok bool
a = V1
x = a
a = V2
a, ok = x.(T)
O(a)
O(ok)`},
	{"any elem", `var s []host.Any
var p *host.Any
var a T
var x host.Any
s = make([]host.Any, 1)
a = V1
p = &s[0]
x = a
*p = x
a = V2
O(s[0])
x = *p
O(x)`},
	{"param", `O(fid_K(V1))
var a T
a = V2
O(fid_K(a))
O(a)`},
	{"param is copy", `var a T
a = V1
O(fset_K(a, V2))
O(a)`},
	{"zero param", `var z T
O(fid_K(z))`},
	{"multi", `var a, b T
a, b = fsw_K(V1, V2)
O(a)
O(b)`},
	{"closure", `var f func(T) T
var a T
a = V1
f = mkc_K(a)
a = V2
O(f(a))
O(a)`},
	{"closures differ", `var f, g func(T) T
f = mkc_K(V1)
g = mkc_K(V2)
O(f(V2))
O(g(V1))
O(f(V2))`},
	{"cell closure", `var p *T
var f func(T) T
p = new(T)
*p = V1
f = mkp_K(p)
O(f(V2))
O(*p)`},
	{"global", `O(*G_K)
*G_K = V1
O(*G_K)
var a T
a = *G_K
*G_K = V2
O(a)
O(*G_K)`},
	{"body closure", `var a, b T
body := func() {
goto B1
B2:
b = a
return
B1:
a = V1
goto B2
}
body()
a = V2
O(a)
O(b)`},
	{"goto phi", `var a, b, t T
var i int
var c bool
a = V1
b = V2
i = 0
goto B1
B1:
c = i < 3
if c { goto B2 }
goto B3
B2:
t = a
a = b
b = t
i = i + 1
goto B1
B3:
O(a)
O(b)`},
	{"thunk", `var f func()
var a T
a = V1
f = th_K(a)
a = V2
f()
O(a)`},
	{"native func param", `O(host.Apply(func(x host.Any) host.Any {
var a T
x = host.Same(x)
a = FROMANY
var y host.Any
y = a
return y
}, V1))`},
	{"recursion", `O(rec_K(3, V1, V2))`},
	{"equal", `var a, b T
var c bool
a = V1
b = V1
c = true
O(c)
EQ`},
}

// coreTypes are types that registers of the core have, with two values each.
var coreTypes = []struct{ key, text, one, two string }{
	{"int", "int", `1`, `2`},
	{"u8", "uint8", `200`, `7`},
	{"str", "string", `"a"`, `"b"`},
	{"f64", "float64", `1.5`, `2.5`},
	{"bool", "bool", `true`, `true`},
	{"f32", "float32", `1.5`, `2.5`},
	{"c128", "complex128", `CX1()`, `CX2()`},
	{"rune", "rune", `97`, `98`},
	{"struct", "struct{F0 int; F1 string}", `S1()`, `S2()`},
	{"nested", "struct{F0 struct{F0 int; F1 string}; F1 [2]int}", `N1()`, `N2()`},
	{"arr", "[2]int", `A1()`, `A2()`},
	{"arrs", "[2]struct{F0 int; F1 string}", `AS1()`, `AS2()`},
	{"slice", "[]int", `L1()`, `L2()`},
	{"sls", "[]struct{F0 int; F1 string}", `LS1()`, `LS2()`},
	{"map", "map[string]int", `M1()`, `M2()`},
	{"ptr", "*int", `P1()`, `P2()`},
	{"ptrs", "*struct{F0 int; F1 string}", `PS1()`, `PS2()`},
	{"func", "func(int) int", `mkadd(1)`, `mkadd(2)`},
	{"chan", "chan int", `C1()`, `C2()`},
	{"any", "host.Any", `Y1()`, `Y2()`},
	{"err", "host.Error", `E1()`, `E2()`},
	{"dur", "time.Duration", `D1()`, `D2()`},
	{"time", "time.Time", `T1()`, `T2()`},
	{"sbp", "*strings.Builder", `SB1()`, `SB2()`},
	{"sfn", "struct{F0 func(int) int}", `SF1()`, `SF2()`},
	{"slfn", "[]func(int) int", `LF1()`, `LF2()`},
	{"slany", "[]host.Any", `LY1()`, `LY2()`},
	{"sany", "struct{F0 host.Any; F1 host.Error}", `SY1()`, `SY2()`},
	{"empty", "struct{}", `Z1()`, `Z1()`},
	{"stime", "struct{F0 time.Time; F1 int}", `ST1()`, `ST2()`},
}

// coreValues are functions that make the values.
const coreValues = `func mkadd(n int) func(int) int { return func(a int) int { return a + n } }
func CX1() complex128 {
var r complex128
var x, y float64
x = 1
y = 2
r = complex(x, y)
return r
}
func S1() struct{F0 int; F1 string} {
var r struct{F0 int; F1 string}
r.F0 = 1
r.F1 = "x"
return r
}
func N1() struct{F0 struct{F0 int; F1 string}; F1 [2]int} {
var r struct{F0 struct{F0 int; F1 string}; F1 [2]int}
r.F0.F0 = 1
r.F0.F1 = "x"
r.F1[1] = 6
return r
}
func A1() [2]int {
var r [2]int
r[0] = 1
return r
}
func AS1() [2]struct{F0 int; F1 string} {
var r [2]struct{F0 int; F1 string}
r[1] = S1()
return r
}
func L1() []int {
var r []int
r = make([]int, 1)
r[0] = 1
return r
}
func LS1() []struct{F0 int; F1 string} {
var r []struct{F0 int; F1 string}
r = make([]struct{F0 int; F1 string}, 1)
r[0] = S1()
return r
}
func M1() map[string]int {
var r map[string]int
r = make(map[string]int)
r["x"] = 1
return r
}
func P1() *int {
var r *int
r = new(int)
*r = 1
return r
}
func PS1() *struct{F0 int; F1 string} {
var r *struct{F0 int; F1 string}
r = new(struct{F0 int; F1 string})
*r = S1()
return r
}
func C1() chan int {
var r chan int
r = make(chan int, 1)
return r
}
func Y1() host.Any {
var r host.Any
r = host.Make(1)
return r
}
func E1() host.Error {
var r host.Error
r = host.Err("x")
return r
}
func D1() time.Duration {
var r time.Duration
r = host.Dur(1)
return r
}
func T1() time.Time {
var r time.Time
r = time.Unix(1, 0)
return r
}
func SB1() *strings.Builder {
var r *strings.Builder
r = new(strings.Builder)
r.WriteString("x")
return r
}
func SF1() struct{F0 func(int) int} {
var r struct{F0 func(int) int}
r.F0 = mkadd(1)
return r
}
func LF1() []func(int) int {
var r []func(int) int
r = make([]func(int) int, 1)
r[0] = mkadd(1)
return r
}
func LY1() []host.Any {
var r []host.Any
r = make([]host.Any, 2)
r[0] = Y1()
return r
}
func SY1() struct{F0 host.Any; F1 host.Error} {
var r struct{F0 host.Any; F1 host.Error}
r.F0 = Y1()
r.F1 = E1()
return r
}
func ST1() struct{F0 time.Time; F1 int} {
var r struct{F0 time.Time; F1 int}
r.F0 = T1()
r.F1 = 1
return r
}
func CX2() complex128 {
var r complex128
var x, y float64
x = 2
y = 2
r = complex(x, y)
return r
}
func S2() struct{F0 int; F1 string} {
var r struct{F0 int; F1 string}
r.F0 = 2
r.F1 = "y"
return r
}
func N2() struct{F0 struct{F0 int; F1 string}; F1 [2]int} {
var r struct{F0 struct{F0 int; F1 string}; F1 [2]int}
r.F0.F0 = 2
r.F0.F1 = "y"
r.F1[1] = 7
return r
}
func A2() [2]int {
var r [2]int
r[0] = 2
return r
}
func AS2() [2]struct{F0 int; F1 string} {
var r [2]struct{F0 int; F1 string}
r[1] = S2()
return r
}
func L2() []int {
var r []int
r = make([]int, 2)
r[0] = 2
return r
}
func LS2() []struct{F0 int; F1 string} {
var r []struct{F0 int; F1 string}
r = make([]struct{F0 int; F1 string}, 1)
r[0] = S2()
return r
}
func M2() map[string]int {
var r map[string]int
r = make(map[string]int)
r["y"] = 2
return r
}
func P2() *int {
var r *int
r = new(int)
*r = 2
return r
}
func PS2() *struct{F0 int; F1 string} {
var r *struct{F0 int; F1 string}
r = new(struct{F0 int; F1 string})
*r = S2()
return r
}
func C2() chan int {
var r chan int
r = make(chan int, 2)
return r
}
func Y2() host.Any {
var r host.Any
r = host.Make(2)
return r
}
func E2() host.Error {
var r host.Error
r = host.Err("y")
return r
}
func D2() time.Duration {
var r time.Duration
r = host.Dur(2)
return r
}
func T2() time.Time {
var r time.Time
r = time.Unix(2, 0)
return r
}
func SB2() *strings.Builder {
var r *strings.Builder
r = new(strings.Builder)
r.WriteString("y")
return r
}
func SF2() struct{F0 func(int) int} {
var r struct{F0 func(int) int}
r.F0 = mkadd(2)
return r
}
func LF2() []func(int) int {
var r []func(int) int
r = make([]func(int) int, 1)
r[0] = mkadd(2)
return r
}
func LY2() []host.Any {
var r []host.Any
r = make([]host.Any, 2)
r[0] = Y2()
return r
}
func SY2() struct{F0 host.Any; F1 host.Error} {
var r struct{F0 host.Any; F1 host.Error}
r.F0 = Y2()
r.F1 = E2()
return r
}
func ST2() struct{F0 time.Time; F1 int} {
var r struct{F0 time.Time; F1 int}
r.F0 = T2()
r.F1 = 2
return r
}
func Z1() struct{} {
var r struct{}
return r
}
`
