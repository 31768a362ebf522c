//go:build !slow

package check_test

// A sample; all of it has the build tag slow.
const (
	manyPrograms = 6
	everyNth     = 128
)
