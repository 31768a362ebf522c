//go:build slow

package reference

// Live reports whether the reference programs themselves are run, and compared with their golden results.
const Live = true
