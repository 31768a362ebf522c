package variant

import (
	"math"
	"strings"

	"quaybench/bench/boat"
	"quaybench/bench/thermal"
)

// Series returns the sizes in which the part that a key describes is made (SI, rising), and which standard lists them; nil for what is
// made in any size.
func (v Variant) Series(key string) (sizes []float64, source string) {
	switch named := boat.WithoutNumbers(key); {
	case strings.HasPrefix(named, "cable") && strings.HasSuffix(named, ".section"):
		return thermal.Sections(), "IEC 60228"
	case named == "fuse.rating":
		class, err := thermal.Class(v.Boat.Fuse.Class)
		if err != nil { // points of a curve: the ratings of the most common class
			class, err = thermal.Class("gG")
		}
		if err == nil {
			return class.Made, class.MadeBy
		}
	case named == "contactor.current":
		return RatedCurrents(), "IEC 60059"
	case named == "precharge.resistance":
		for decade := 0.1; decade < 1e5; decade *= 10 {
			for _, e := range SeriesE(24) {
				sizes = append(sizes, math.Round(100*e*decade)/100)
			}
		}
		return sizes, "IEC 60063, series E24"
	}
	return nil, ""
}

// FuseRatings returns the ratings of IEC 60269-1 that have gates, A.
func FuseRatings() []float64 {
	c, err := thermal.Class("gG")
	if err != nil {
		panic(err) // it is built in
	}
	return c.Made
}

// RatedCurrents returns the rated currents of IEC 60059 (R10 series) from 10 A to 2000 A; from memory.
func RatedCurrents() []float64 {
	return []float64{10, 12.5, 16, 20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000}
}

// SeriesE returns the values of a decade of the series E12 or E24: IEC 60063.
func SeriesE(n int) []float64 {
	e24 := []float64{10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91}
	if n == 24 {
		return e24
	}
	var e12 []float64
	for i := 0; i < len(e24); i += 2 {
		e12 = append(e12, e24[i])
	}
	return e12
}
