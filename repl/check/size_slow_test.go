//go:build slow

package check_test

const (
	manyPrograms = 2000 // 20,000 with -programs 20000, in about two hours
	everyNth     = 1
)
