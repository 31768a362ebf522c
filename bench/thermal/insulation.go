package thermal

import (
	"fmt"
	"math"
	"strings"
)

// InsulationClass is a thermal class of winding insulation.
type InsulationClass struct {
	Letter      string
	Temperature float64 // K, IEC 60085
	Rise        float64 // K, limit by resistance at 40 °C coolant, IEC 60034-1 (from memory); 0 if it states none
}

var insulationClasses = []InsulationClass{
	{"Y", zeroCelsius + 90, 0},
	{"A", zeroCelsius + 105, 60},
	{"E", zeroCelsius + 120, 75},
	{"B", zeroCelsius + 130, 80},
	{"F", zeroCelsius + 155, 105},
	{"H", zeroCelsius + 180, 125},
	{"N", zeroCelsius + 200, 0},
}

// UnknownInsulationError is a letter that is no thermal class.
type UnknownInsulationError struct{ Letter string }

func (e *UnknownInsulationError) Error() string {
	known := make([]string, len(insulationClasses))
	for i, c := range insulationClasses {
		known[i] = c.Letter
	}
	return fmt.Sprintf("thermal class %q is not known: use one of %s", e.Letter, strings.Join(known, " "))
}

// Insulation returns the thermal class of that letter, or an *UnknownInsulationError.
func Insulation(letter string) (InsulationClass, error) {
	for _, c := range insulationClasses {
		if c.Letter == letter {
			return c, nil
		}
	}
	return InsulationClass{}, &UnknownInsulationError{letter}
}

// Halving is the rise (K) that halves the life of insulation by the 10 K rule of
// Montsinger.
const Halving = 10.0

// AgeingRate returns how fast insulation ages at temperature T (K) beside its class
// temperature rated (K), 2^((T−rated)/halving): 1 at the class temperature.
func AgeingRate(T, rated, halving float64) float64 {
	return math.Exp2((T - rated) / halving)
}

// LifeUsed returns the life (s at the class temperature rated, K) that a course of
// temperature uses, by the 10 K rule: times in s, ascending, temperatures in K,
// taken as straight between them, so the integral is exact.
func LifeUsed(times, temperatures []float64, rated, halving float64) float64 {
	if len(times) != len(temperatures) {
		panic(fmt.Sprintf("thermal: LifeUsed: %d times and %d temperatures", len(times), len(temperatures)))
	}
	var used float64
	for i := 1; i < len(times); i++ {
		a := AgeingRate(temperatures[i-1], rated, halving)
		b := AgeingRate(temperatures[i], rated, halving)
		mean := (a + b) / 2
		if x := math.Log(b / a); math.Abs(x) > 1e-4 {
			mean = (b - a) / x // of an exponential between its ends
		}
		used += mean * (times[i] - times[i-1])
	}
	return used
}
