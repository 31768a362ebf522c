package scpi

// Read reads an answer to the n-th query of a format.
func Read(f *Format, n int, answer string) (float64, error) { return f.queries[n].read(answer) }
