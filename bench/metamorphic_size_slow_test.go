//go:build slow

package bench_test

const metamorphicBoats, figuresApart = 250, 1
