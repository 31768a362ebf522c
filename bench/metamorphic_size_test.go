//go:build !slow

package bench_test

// metamorphicBoats is how many random boats each relation is tried on; with the build tag slow it is many.
const metamorphicBoats = 4

// figuresApart: of the numbers of a boat each so-manieth is spoilt; with the build tag slow each.
const figuresApart = 5
