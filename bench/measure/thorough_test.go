//go:build slow

package measure_test

const thorough = true
