package child

// restrict asks the system to hold the process to its processor time. It does
// not limit address space; memory is watched by the interpreter and held by
// Go's own memory limit.
func restrict(l Limits) error { return limitCPU(l) }
