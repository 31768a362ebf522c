//go:build !slow

package reference

// Live reports whether the reference programs themselves are run. The plain run compares with their golden results only.
const Live = false
