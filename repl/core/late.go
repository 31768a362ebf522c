package core

import (
	"go/ast"
	"go/token"
	"go/types"
	"slices"

	"golang.org/x/tools/go/ssa"
)

// Go leaves open when an operand that is no call is read: f(x, g()), where g changes x. go/ssa reads it in its turn, the
// compiler after the calls of the statement. So that a script prints what it prints when compiled, reads move down within their
// statement: behind the last call before whatever uses them.

// A span is the source of a statement, or of an expression that is evaluated like one.
type span struct{ from, to token.Pos }

// statements lists the spans of a program in the order of their beginnings.
func statements(files []*ast.File) []span {
	var list []span
	add := func(n ast.Node) {
		if n != nil && n.Pos().IsValid() {
			list = append(list, span{n.Pos(), n.End()})
		}
	}
	for _, f := range files {
		for _, d := range f.Decls {
			ast.Inspect(d, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.ExprStmt, *ast.AssignStmt, *ast.ReturnStmt, *ast.SendStmt, *ast.IncDecStmt, *ast.GoStmt, *ast.DeferStmt, *ast.ValueSpec:
					add(n)
				case *ast.IfStmt:
					add(n.Cond)
				case *ast.ForStmt:
					if n.Cond != nil {
						add(n.Cond)
					}
				case *ast.RangeStmt:
					add(n.X)
				case *ast.SwitchStmt:
					if n.Tag != nil {
						add(n.Tag)
					}
				case *ast.CaseClause:
					for _, x := range n.List {
						add(x)
					}
				}
				return true
			})
		}
	}
	slices.SortFunc(list, func(a, b span) int { return int(a.from) - int(b.from) })
	return list
}

// statement returns the innermost span that holds a position, as its index; −1 for none.
func (e *emitter) statement(pos token.Pos) int {
	if !pos.IsValid() {
		return -1
	}
	i, found := slices.BinarySearchFunc(e.statements, pos, func(s span, p token.Pos) int { return int(s.from) - int(p) })
	if found {
		for i+1 < len(e.statements) && e.statements[i+1].from == pos {
			i++
		}
		return i
	}
	for i--; i >= 0; i-- {
		if s := e.statements[i]; s.from <= pos && pos < s.to {
			return i
		}
	}
	return -1
}

// readLate moves reads, and what is computed from them without a call, behind the calls of their statement.
func (e *emitter) readLate(f *ssa.Function) {
	for _, b := range f.Blocks {
		for i := len(b.Instrs) - 1; i >= 0; i-- {
			if s, ok := b.Instrs[i].(*ssa.Store); ok {
				e.storeLate(b, i, s)
				continue
			}
			v, ok := b.Instrs[i].(ssa.Value)
			if !ok || !isRead(b.Instrs[i]) {
				continue
			}
			user := e.reader(v)
			if _, isPhi := user.(*ssa.Phi); isPhi || user == nil {
				e.moveBehind(b, i, e.statementOf(v), func(in ssa.Instruction) bool { return slices.Contains(uses(v), in) })
				continue
			}
			to := user.Block()
			if to == b {
				e.moveWithin(b, i, user)
				continue
			}
			if _, isSum := v.(*ssa.BinOp); isSum { // coalesce relies on their blocks
				continue
			}
			if turnsWithout(to, b) { // what is ranged over is read once
				continue
			}
			if !hasCall(b.Instrs[i+1:]) && !hasCall(before(to, user)) {
				continue
			}
			target := lastCall(to, 0, e.limit(to, 0, user))
			b.Instrs = slices.Delete(b.Instrs, i, i+1)
			to.Instrs = slices.Insert(to.Instrs, target, v.(ssa.Instruction))
		}
	}
}

// moveBehind moves instruction i of a block behind the last call of its statement, but above what stores or is not to be passed.
func (e *emitter) moveBehind(b *ssa.BasicBlock, i, statement int, stops func(in ssa.Instruction) bool) {
	last := i
	for k := i + 1; statement >= 0 && k < len(b.Instrs); k++ {
		in := b.Instrs[k]
		s, isStore := in.(*ssa.Store)
		_, isUpdate := in.(*ssa.MapUpdate)
		_, isSend := in.(*ssa.Send)
		if isStore && !isTemporary(s.Addr) || isUpdate || isSend || stops(in) {
			break
		}
		if isCall(in) && e.statement(in.Pos()) == statement {
			last = k
		}
	}
	in := b.Instrs[i]
	copy(b.Instrs[i:], b.Instrs[i+1:last+1])
	b.Instrs[last] = in
}

// storeLate moves what stores a part of a composite literal: the compiler does that when it has called what the literal calls.
func (e *emitter) storeLate(b *ssa.BasicBlock, i int, s *ssa.Store) {
	base := variable(s.Addr)
	if base == nil {
		return
	}
	begun := slices.Index(b.Instrs, ssa.Instruction(base))
	touches := func(in ssa.Instruction) bool {
		switch in.(type) {
		case *ssa.DebugRef, *ssa.IndexAddr, *ssa.FieldAddr, *ssa.Slice, *ssa.MakeInterface:
			return false
		}
		return slices.ContainsFunc(in.Operands(nil), func(o *ssa.Value) bool {
			v := *o
			for v != nil {
				switch x := v.(type) {
				case *ssa.IndexAddr:
					v = x.X
				case *ssa.FieldAddr:
					v = x.X
				case *ssa.Slice:
					v = x.X
				case *ssa.MakeInterface:
					v = x.X
				default:
					return v == ssa.Value(base)
				}
			}
			return false
		})
	}
	if base.Heap && (begun < 0 || slices.ContainsFunc(b.Instrs[begun:i], func(in ssa.Instruction) bool {
		s, ok := in.(*ssa.Store)
		return touches(in) && !(ok && variable(s.Addr) == base)
	})) {
		return // a call may see it
	}
	e.moveBehind(b, i, e.statement(s.Pos()), touches)
}

// variable returns the variable that an address lies in; nil where it is not one of this function.
func variable(addr ssa.Value) *ssa.Alloc {
	for {
		switch a := addr.(type) {
		case *ssa.IndexAddr:
			addr = a.X
		case *ssa.FieldAddr:
			addr = a.X
		case *ssa.Alloc:
			return a
		default:
			return nil
		}
	}
}

// statementOf returns the statement that computes a value; −1 for none.
func (e *emitter) statementOf(v ssa.Value) int {
	if at := e.statement(v.Pos()); at >= 0 {
		return at
	}
	for _, r := range *v.Referrers() {
		if d, ok := r.(*ssa.DebugRef); ok {
			return e.statement(d.Expr.Pos())
		}
	}
	return -1
}

// turnsWithout reports whether a block runs again and again while another, before it, runs once.
func turnsWithout(block, once *ssa.BasicBlock) bool {
	seen := map[*ssa.BasicBlock]bool{once: true}
	next := slices.Clone(block.Succs)
	for len(next) > 0 {
		b := next[len(next)-1]
		next = next[:len(next)-1]
		if b == block {
			return true
		}
		if !seen[b] {
			seen[b] = true
			next = append(next, b.Succs...)
		}
	}
	return false
}

// moveWithin moves instruction i of a block down to behind the last call before its user.
func (e *emitter) moveWithin(b *ssa.BasicBlock, i int, user ssa.Instruction) {
	target := lastCall(b, i+1, e.limit(b, i+1, user))
	if target == i+1 {
		return
	}
	in := b.Instrs[i]
	copy(b.Instrs[i:], b.Instrs[i+1:target])
	b.Instrs[target-1] = in
}

// limit returns the index of the first instruction from `from` on that a read must stay above: its user, or what stores.
func (e *emitter) limit(b *ssa.BasicBlock, from int, user ssa.Instruction) int {
	for i := from; i < len(b.Instrs); i++ {
		switch b.Instrs[i].(type) {
		case *ssa.Store:
			if s := b.Instrs[i].(*ssa.Store); isTemporary(s.Addr) && b.Instrs[i] != user {
				continue // a place that only this expression has, as that of an argument list
			}
			return i
		case *ssa.MapUpdate, *ssa.Send:
			return i
		}
		if b.Instrs[i] == user {
			return i
		}
	}
	return from
}

// isTemporary reports whether an address lies in a variable that go/ssa made for an expression.
func isTemporary(addr ssa.Value) bool {
	a := variable(addr)
	return a != nil && (a.Comment == "varargs" || a.Comment == "slicelit" || a.Comment == "complit")
}

// lastCall returns the index behind the last call in a part of a block, or its beginning.
func lastCall(b *ssa.BasicBlock, from, to int) int {
	for i := to - 1; i >= from; i-- {
		if isCall(b.Instrs[i]) {
			return i + 1
		}
	}
	for from < to { // phis stay first
		if _, ok := b.Instrs[from].(*ssa.Phi); !ok {
			break
		}
		from++
	}
	return from
}

func before(b *ssa.BasicBlock, user ssa.Instruction) []ssa.Instruction {
	return b.Instrs[:max(0, slices.Index(b.Instrs, user))]
}

func hasCall(list []ssa.Instruction) bool { return slices.ContainsFunc(list, isCall) }

// isCall reports whether an instruction may run other code of the script.
func isCall(in ssa.Instruction) bool {
	switch in := in.(type) {
	case *ssa.Call:
		b, ok := in.Call.Value.(*ssa.Builtin)
		return !ok || b.Name() == "recover" || b.Name() == "append" || b.Name() == "copy"
	case *ssa.UnOp:
		return in.Op == token.ARROW
	}
	return false
}

// isRead reports whether an instruction reads memory, or computes from registers alone. Builtins are calls to the compiler too, and so
// are slices of something, also those made of a string.
func isRead(in ssa.Instruction) bool {
	switch in := in.(type) {
	case *ssa.UnOp:
		return in.Op != token.ARROW
	case *ssa.BinOp, *ssa.FieldAddr, *ssa.Field, *ssa.IndexAddr, *ssa.Index, *ssa.ChangeType, *ssa.MakeInterface:
		return true
	case *ssa.Lookup:
		return !in.CommaOk
	case *ssa.Convert:
		_, isSlice := in.Type().Underlying().(*types.Slice)
		return !isSlice
	}
	return false
}

// reader returns the one instruction that uses a value in the statement that reads it; nil where there is none, or more.
func (e *emitter) reader(v ssa.Value) (user ssa.Instruction) {
	statement := e.statement(v.Pos())
	for _, r := range *v.Referrers() {
		if d, ok := r.(*ssa.DebugRef); ok {
			at := e.statement(d.Expr.Pos())
			if statement >= 0 && at != statement {
				return nil // a variable of this value is read elsewhere
			}
			statement = at
			continue
		}
		if user != nil && user != r {
			return nil
		}
		user = r
	}
	if user == nil || statement < 0 {
		return nil
	}
	if u := e.statement(user.Pos()); u >= 0 && u != statement {
		return nil
	}
	return user
}

// onlyUser reports whether user is all that uses v.
func onlyUser(v ssa.Value, user ssa.Instruction) bool {
	found := false
	for _, r := range *v.Referrers() {
		if _, ok := r.(*ssa.DebugRef); ok {
			continue
		}
		if r != user || found {
			return false
		}
		found = true
	}
	return found
}

// uses returns the instructions that use v.
func uses(v ssa.Value) []ssa.Instruction {
	return slices.DeleteFunc(slices.Clone(*v.Referrers()), func(in ssa.Instruction) bool { _, ok := in.(*ssa.DebugRef); return ok })
}

// indexes finds the index expressions of a program by their brackets.
func indexes(files []*ast.File) map[token.Pos]*ast.IndexExpr {
	m := map[token.Pos]*ast.IndexExpr{}
	for _, f := range files {
		ast.Inspect(f, func(n ast.Node) bool {
			if x, ok := n.(*ast.IndexExpr); ok {
				m[x.Lbrack] = x
			}
			return true
		})
	}
	return m
}

// orderIndexes moves what computes an index behind what computes the array or string that it indexes: go/ssa has it before, and
// Go's calls go from left to right.
func (e *emitter) orderIndexes(f *ssa.Function) {
	for _, b := range f.Blocks {
		for i := 0; i < len(b.Instrs); i++ {
			v, ok := b.Instrs[i].(*ssa.Index)
			if !ok || e.indexes[v.Pos()] == nil || v.X.Pos() == v.Pos() { // the last: a range takes its elements at the place of what it goes over
				continue
			}
			x := e.indexes[v.Pos()]
			in := func(in ssa.Instruction) bool { return in.Pos() > x.Lbrack && in.Pos() < x.Rbrack }
			for _, from := range f.Blocks {
				first := slices.IndexFunc(from.Instrs, in)
				if first < 0 {
					continue
				}
				last := first
				for k, c := range from.Instrs {
					if in(c) {
						last = k
					}
				}
				moved := slices.Clone(from.Instrs[first : last+1])
				stay := slices.Clone(from.Instrs[:first])
				for _, c := range from.Instrs[last+1:] { // conversions have no place
					if c != ssa.Instruction(v) && slices.ContainsFunc(c.Operands(nil), func(o *ssa.Value) bool {
						d, ok := (*o).(ssa.Instruction)
						return ok && slices.Contains(moved, d)
					}) {
						moved = append(moved, c)
						continue
					}
					stay = append(stay, c)
				}
				if !hasCall(moved) {
					break
				}
				from.Instrs = stay
				at := slices.Index(b.Instrs, ssa.Instruction(v))
				b.Instrs = slices.Insert(b.Instrs, at, moved...)
				i = at + len(moved)
				break
			}
		}
	}
}
