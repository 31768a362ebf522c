//go:build slow

package bench_test

const metamorphicBoats = 250
