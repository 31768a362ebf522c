// Package core turns a checked program into one of few forms, by way of SSA: what Go means, the Go team's own go/types and
// go/ssa decide; what is left for the interpreter is registers, arithmetic, jumps, calls and memory.
package core

import (
	"go/ast"
	"go/token"
	"go/types"

	"golang.org/x/tools/go/ssa"

	"quaybench/repl/symbols"
)

// Build builds the SSA form of a checked package.
func Build(lib *symbols.Library, fset *token.FileSet, pkg *types.Package, info *types.Info, files []*ast.File) *ssa.Package {
	prog := ssa.NewProgram(fset, ssa.InstantiateGenerics|ssa.BuildSerially|ssa.BareInits|ssa.GlobalDebug)
	made := map[*types.Package]bool{}
	var sources []*ssa.Package
	var imports func([]*types.Package)
	imports = func(list []*types.Package) {
		for _, p := range list {
			if !made[p] {
				made[p] = true
				if l := lib.Package(p.Path()); l != nil && l.Source != nil {
					sources = append(sources, prog.CreatePackage(p, l.Source.Files, l.Source.Info, true))
				} else {
					prog.CreatePackage(p, nil, nil, true)
				}
				imports(p.Imports())
			}
		}
	}
	imports(pkg.Imports())
	p := prog.CreatePackage(pkg, files, info, false)
	used := usedSources(lib, info)
	for _, s := range sources {
		if used[s.Pkg] {
			s.Build()
		}
	}
	p.Build()
	return p
}

// usedSources returns the packages that go along as text whose names stand in a checked package, and those that these import: most
// inputs of a session name none, and building them would take most of the time until an input runs.
func usedSources(lib *symbols.Library, info *types.Info) map[*types.Package]bool {
	used := map[*types.Package]bool{}
	var add func(p *types.Package)
	add = func(p *types.Package) {
		if l := lib.Package(p.Path()); used[p] || l == nil || l.Source == nil {
			return
		}
		used[p] = true
		for _, i := range p.Imports() {
			add(i)
		}
	}
	for _, of := range info.Uses {
		if _, name := of.(*types.PkgName); !name && of.Pkg() != nil {
			add(of.Pkg())
		}
	}
	return used
}
