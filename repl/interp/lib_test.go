package interp

import "quaybench/repl/symbols"

func lib() *symbols.Library {
	l, err := symbols.Standard()
	if err != nil {
		panic(err)
	}
	return l
}
