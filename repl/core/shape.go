package core

import (
	"fmt"
	"go/constant"
	"go/token"
	"go/types"
	"maps"
	"slices"
	"strings"

	"golang.org/x/tools/go/ssa"
)

// How the core is laid out so that the interpreter takes few steps: it takes one for each operation, for each end of a statement,
// of a block and of a labelled statement, and for each jump. So a block to which one other leads is written where that one jumps, a
// loop is a for statement, and a value that one instruction uses is written inside that.

type edge struct{ from, to *ssa.BasicBlock }

// findPlaces assigns each instruction the place of the last one before it that has any.
func (e *emitter) findPlaces(f *ssa.Function) {
	e.places = map[ssa.Instruction]token.Pos{}
	at := e.pos
	for _, b := range f.Blocks {
		for _, in := range b.Instrs {
			if p := in.Pos(); p.IsValid() {
				at = p
			}
			e.places[in] = at
		}
	}
}

// findBack finds the edges that lead to a block on the way to themselves: each loop has one.
func (e *emitter) findBack(f *ssa.Function) {
	e.back = map[edge]bool{}
	const on, done = 1, 2
	state := map[*ssa.BasicBlock]int{}
	var walk func(b *ssa.BasicBlock)
	walk = func(b *ssa.BasicBlock) {
		state[b] = on
		for _, s := range b.Succs {
			switch state[s] {
			case 0:
				walk(s)
			case on:
				e.back[edge{b, s}] = true
			}
		}
		state[b] = done
	}
	walk(f.Blocks[0])
}

// layout writes a block and those that it dominates. The text goes on with next, so that nothing has to jump there; nil where it
// ends.
func (e *emitter) layout(b, next *ssa.BasicBlock) {
	var below []*ssa.BasicBlock // those with labels
	for _, d := range b.Dominees() {
		if len(d.Preds) > 1 {
			below = append(below, d)
		}
	}
	slices.SortFunc(below, func(a, b *ssa.BasicBlock) int { return a.Index - b.Index })
	follows := func(i int) *ssa.BasicBlock {
		if i < len(below) {
			return below[i]
		}
		return next
	}
	labelled := len(b.Preds) > 1 || b.Index == 0 && e.guarded
	if labelled {
		e.marked = -1
		e.add("B%d:", b.Index)
	}
	first := len(*e.body)
	e.block(b)
	if hasCall(b.Instrs) { // it may have called this function
		e.marked = -1
	}
	switch last := b.Instrs[len(b.Instrs)-1].(type) {
	case *ssa.Jump:
		e.leave(b, 0, follows(0))
	case *ssa.If:
		c := e.val(last.Cond, true)
		head := slices.Clone((*e.body)[first:])
		marked := e.marked
		word, end := "if", (*ssa.BasicBlock)(nil)
		if e.repeats(b) && len(head) <= mostAgain {
			e.again[b] = head
			word, end = "for", b
		}
		e.add("%s %s {", word, c)
		e.marked = marked
		e.leave(b, 0, end)
		e.add("}")
		e.marked = marked
		e.leave(b, 1, follows(0))
	}
	// A label before a jump makes the interpreter's compiler run forever.
	if labelled && (first == len(*e.body) || slices.ContainsFunc([]string{"goto", "if", "return", "B"}, func(w string) bool { return strings.HasPrefix((*e.body)[first], w) })) {
		*e.body = slices.Insert(*e.body, first, "_ = 0")
	}
	for i, d := range below {
		e.layout(d, follows(i+1))
	}
}

// mostAgain is how many lines are written twice to have a loop's test at its beginning.
const mostAgain = 4

// repeats reports whether a block tests if a loop goes on: where the test holds, the one way on leads back to it.
func (e *emitter) repeats(b *ssa.BasicBlock) bool {
	return len(b.Succs[0].Preds) == 1 && slices.ContainsFunc(b.Preds, func(p *ssa.BasicBlock) bool { return b.Succs[0].Dominates(p) })
}

// leave follows the nth edge out of a block.
func (e *emitter) leave(b *ssa.BasicBlock, nth int, next *ssa.BasicBlock) {
	to := b.Succs[nth]
	if nth > 0 && b.Succs[0] != to {
		nth = 0
	}
	for _, s := range e.moves(b, to, nth) {
		e.add("%s", s)
	}
	switch {
	case len(to.Preds) == 1:
		e.layout(to, next)
	case to == next:
		*e.body = append(*e.body, e.again[to]...)
	default:
		e.add("goto B%d", to.Index)
	}
}

// findInlined finds the values that are written inside the one instruction that uses them, in the same block. They are sums,
// conversions and comparisons of numbers, which depend on registers alone, and reads of numbers, between which and their user
// nothing may write or panic with another text.
func (e *emitter) findInlined(f *ssa.Function) {
	e.inline = map[ssa.Value]bool{}
	for _, b := range f.Blocks {
		for _, in := range b.Instrs {
			v, ok := in.(ssa.Value)
			if !ok || !isPlain(v) && !isNumberRead(v) {
				continue
			}
			if u := uses(v); len(u) == 1 && u[0].Block() == b && e.takes(u[0], v) {
				e.inline[v] = true
			}
		}
		for i, in := range b.Instrs {
			v, isValue := in.(ssa.Value)
			if isValue && e.inline[v] {
				continue
			}
			if reads := e.readsWithin(in, nil); len(reads) > 0 && !e.mayReadAt(b, i, reads) {
				for _, r := range reads {
					delete(e.inline, r)
				}
			}
		}
	}
}

// isRanged reports whether an element is one of a slice that a range goes over, at the range's own index.
func isRanged(in *ssa.IndexAddr) bool {
	i, ok := in.Index.(*ssa.BinOp)
	if !ok {
		return false
	}
	phi, ok := i.X.(*ssa.Phi)
	test, isTest := i.Block().Instrs[len(i.Block().Instrs)-1].(*ssa.If)
	if !ok || !isTest || phi.Comment != "rangeindex" {
		return false
	}
	body := i.Block().Succs[0]
	c, ok := test.Cond.(*ssa.BinOp)
	if !ok || c.Op != token.LSS || c.X != ssa.Value(i) || len(body.Preds) != 1 || !body.Dominates(in.Block()) {
		return false
	}
	n, ok := c.Y.(*ssa.Call)
	return ok && isBuiltin(n.Call.Value) && n.Call.Value.Name() == "len" && n.Call.Args[0] == in.X
}

// isPlain reports whether a value is computed from numbers and cannot panic.
func isPlain(v ssa.Value) bool {
	switch v := v.(type) {
	case *ssa.BinOp:
		return (isSum(v) || isComparison(v)) && !mayPanic(v)
	case *ssa.Convert:
		return isNumber(v.Type()) && isNumber(v.X.Type())
	}
	return false
}

// isNumberRead reports whether a value is a number read from memory.
func isNumberRead(v ssa.Value) bool {
	l, ok := v.(*ssa.UnOp)
	return ok && l.Op == token.MUL && isNumber(l.Type())
}

// isSum reports whether an operation on numbers has a number of the same type.
func isSum(v ssa.Value) bool {
	b, ok := v.(*ssa.BinOp)
	if !ok || !isNumber(b.X.Type()) {
		return false
	}
	switch b.Op {
	case token.ADD, token.SUB, token.MUL, token.QUO, token.REM, token.AND, token.OR, token.XOR, token.AND_NOT:
		return !byZero(b)
	}
	return false
}

// byZero reports whether a number is divided by a variable that is always zero: the interpreter takes no such constant.
func byZero(b *ssa.BinOp) bool {
	c, ok := b.Y.(*ssa.Const)
	return ok && (b.Op == token.QUO || b.Op == token.REM) && (constant.Sign(constant.Real(c.Value)) == 0 && constant.Sign(constant.Imag(c.Value)) == 0)
}

// isComparison reports whether two numbers are compared.
func isComparison(v ssa.Value) bool {
	b, ok := v.(*ssa.BinOp)
	return ok && isNumber(b.X.Type()) && b.Op.Precedence() == token.EQL.Precedence()
}

// isNumber reports whether the core has a type as a number of Go's own, neither complex nor an address.
func isNumber(t types.Type) bool {
	if n, ok := types.Unalias(t).(*types.Named); ok && !isScript(n) {
		return false
	}
	b, ok := t.Underlying().(*types.Basic)
	return ok && b.Info()&(types.IsInteger|types.IsFloat) != 0 && b.Info()&types.IsUntyped == 0 && b.Kind() != types.Uintptr
}

func isFloat(t types.Type) bool {
	b, ok := t.Underlying().(*types.Basic)
	return ok && b.Info()&(types.IsFloat|types.IsComplex) != 0
}

// takes reports whether an instruction has room for the text of a value: TestSumsAndWidths compares each of these places with the
// compiler.
func (e *emitter) takes(user ssa.Instruction, v ssa.Value) bool {
	if isNumberRead(v) && e.exact {
		return false // the check of an index stands before the statement
	}
	sum := isSum(v)
	switch u := user.(type) {
	case *ssa.BinOp:
		if !isSum(u) && !isComparison(u) || isComparison(v) {
			return false
		}
		b, ok := v.(*ssa.BinOp)
		return !ok || b.Op.Precedence() > u.Op.Precedence() || u.X == v && b.Op.Precedence() == u.Op.Precedence() // without brackets, which are a step
	case *ssa.If:
		return isComparison(v)
	case *ssa.Convert:
		return sum && isPlain(u)
	case *ssa.Store:
		return sum && u.Val == v
	case *ssa.Return:
		return sum && !e.guarded && len(u.Results) == 1
	case *ssa.Call:
		callee := u.Call.StaticCallee()
		return sum && callee != nil && len(callee.Blocks) > 0 && !signed(v.Type())
	}
	return false
}

// readsWithin appends the reads that are written inside an instruction, in the order in which the core does them.
func (e *emitter) readsWithin(in ssa.Instruction, list []ssa.Value) []ssa.Value {
	for _, o := range in.Operands(nil) {
		if *o == nil || !e.inline[*o] {
			continue
		}
		if isNumberRead(*o) {
			list = append(list, *o)
			continue
		}
		list = e.readsWithin((*o).(ssa.Instruction), list)
	}
	return list
}

// mayReadAt reports whether reads may be done in instruction `at` of their block: between the first of them and there nothing
// writes, what may panic is at the same place, and does so with the same text or in the same order.
func (e *emitter) mayReadAt(b *ssa.BasicBlock, at int, reads []ssa.Value) bool {
	first := at
	for _, r := range reads {
		first = min(first, slices.Index(b.Instrs, r.(ssa.Instruction)))
	}
	if addr, ok := reads0(b, first); ok {
		first = slices.Index(b.Instrs, addr)
	}
	texts := map[string]bool{} // of panics
	ordered := true
	nth := 0
	line := -1
	for i := first; i <= at; i++ {
		in := b.Instrs[i]
		if e.marks && mayPanic(in) {
			l := e.prog.Fset.Position(e.places[in]).Line
			if line >= 0 && l != line {
				return false
			}
			line = l
		}
		v, isValue := in.(ssa.Value)
		switch {
		case isValue && isPlain(v):
		case isValue && isNumberRead(v):
			texts[panicOf(v.(*ssa.UnOp).X)] = true
			if nth < len(reads) && reads[nth] == v {
				nth++
			} else {
				ordered = false
			}
		case isValue && isPlace(v):
			if u := uses(v); len(u) != 1 || i == at || b.Instrs[i+1] != u[0] || !isNumberRead(asValue(u[0])) && u[0] != b.Instrs[at] {
				return false
			}
		case i == at:
			if s, ok := in.(*ssa.Store); ok { // the core looks at where it writes first
				texts[panicOf(s.Addr)] = true
				ordered = false
			}
		default:
			return false
		}
	}
	delete(texts, "")
	return ordered || len(texts) < 2
}

func asValue(in ssa.Instruction) ssa.Value {
	v, _ := in.(ssa.Value)
	return v
}

// reads0 returns the instruction that makes the address of a read for it alone, directly before it.
func reads0(b *ssa.BasicBlock, i int) (ssa.Instruction, bool) {
	l := b.Instrs[i].(*ssa.UnOp)
	if i > 0 && isPlace(l.X) && b.Instrs[i-1] == l.X.(ssa.Instruction) {
		return b.Instrs[i-1], true
	}
	return nil, false
}

// panicOf returns what tells the panics apart that the use of an address may end in; "" for none.
func panicOf(addr ssa.Value) string {
	switch a := addr.(type) {
	case *ssa.IndexAddr:
		if c, ok := a.Index.(*ssa.Const); ok {
			return fmt.Sprintf("index %p %s", a.X, c.Value)
		}
		return fmt.Sprintf("index %p %p", a.X, a.Index)
	case *ssa.FieldAddr:
		return panicOf(a.X)
	case *ssa.Alloc, *ssa.Global:
		return ""
	}
	return "nil"
}

// inner returns the text of a value inside its user.
func (e *emitter) inner(v ssa.Value) string {
	switch v := v.(type) {
	case *ssa.BinOp:
		_, xc := v.X.(*ssa.Const)
		x := e.val(v.X, xc)
		return x + " " + v.Op.String() + " " + e.val(v.Y, xc)
	case *ssa.Convert:
		return e.of(v.Type()) + "(" + e.val(v.X, true) + ")"
	case *ssa.UnOp:
		if isPlace(v.X) && onlyUser(v.X, v) && e.regs[v.X] == "" {
			return e.target(v.X)
		}
		return "*" + e.view(v.X)
	}
	panic("not written inside")
}

// storeSum writes a sum into memory, with what was there as its first operand where it is.
func (e *emitter) storeSum(s *ssa.Store) {
	b := s.Val.(*ssa.BinOp)
	to := e.place(s.Addr)
	if e.inline[b.X] && isNumberRead(b.X) {
		if x := e.val(b.X, false); x == to {
			e.add("%s %s= %s", to, b.Op, e.val(b.Y, false))
			return
		}
	}
	e.add("%s = %s", to, e.inner(b))
}

// reads returns the values that an instruction reads where it is written.
func (e *emitter) reads(in ssa.Instruction) map[ssa.Value]bool {
	found := map[ssa.Value]bool{}
	for _, o := range in.Operands(nil) {
		if *o == nil {
			continue
		}
		found[*o] = true
		if place, ok := (*o).(ssa.Instruction); ok && (e.inline[*o] || isPlace(*o)) {
			maps.Copy(found, e.reads(place))
		}
	}
	return found
}

// coalesce lets a sum that only goes into a phi at the end of its block be made in the phi's register, and a phi that only goes
// into a sum in its own block, as the index of a range, be counted on there.
func (e *emitter) coalesce(f *ssa.Function) {
	for _, b := range f.Blocks {
		for _, in := range b.Instrs {
			phi, ok := in.(*ssa.Phi)
			if !ok {
				break
			}
			if u := uses(phi); len(u) == 1 && u[0].Block() == b && isSum(asValue(u[0])) && !e.inline[asValue(u[0])] && slices.Contains(phi.Edges, asValue(u[0])) {
				e.regs[asValue(u[0])] = e.def(phi)
				continue
			}
			for i, way := range phi.Edges {
				v, ok := way.(*ssa.BinOp)
				pred := b.Preds[i]
				if !ok || v.Block() != pred || len(pred.Succs) != 1 || len(uses(v)) != 1 {
					continue
				}
				free, after := true, false
				for _, x := range pred.Instrs {
					if after && !e.inline[asValue(x)] && e.reads(x)[phi] {
						free = false
					}
					after = after || x == ssa.Instruction(v)
				}
				for _, other := range b.Instrs {
					q, ok := other.(*ssa.Phi)
					if !ok {
						break
					}
					if q != phi && q.Edges[i] == ssa.Value(phi) {
						free = false
					}
				}
				if free && e.regs[v] == "" {
					e.regs[v] = e.def(phi)
				}
			}
		}
	}
}
