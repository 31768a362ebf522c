package thermal

import (
	"fmt"
	"math"
	"strings"
	"sync"
)

// FuseClass is a published class of fuses: gates that every fuse of the class
// passes, from which a fuse of a given rating gets its two curves.
type FuseClass struct {
	Name       string
	Title      string
	Source     string // with what is known of how sure the figures are
	Confidence string // high, medium or low

	// Ratings are the ratings (A) that have gates of their own. Where it is nil,
	// gates are shares of the rating and hold from Lowest to Highest.
	Ratings         []float64
	Lowest, Highest float64

	Made   []float64 // A: the ratings in which such fuses are made
	MadeBy string    // the standard that lists them

	curves func(rating float64) (fastest, slowest FuseCurve)
}

// UnknownClassError is a class of fuses that is not built in.
type UnknownClassError struct {
	Name  string
	Known []string
}

func (e *UnknownClassError) Error() string {
	return fmt.Sprintf("fuse class %q is not known: use one of %s, or give the points of the curve", e.Name, strings.Join(e.Known, ", "))
}

// RatingError is a rating for which a class has no gates. Gates of different
// ratings are not interpolated: no fuse is made to the result.
type RatingError struct {
	Class   string
	Rating  float64
	Nearest []float64 // A, below and above, or the end of the range
}

func (e *RatingError) Error() string {
	near := make([]string, len(e.Nearest))
	for i, r := range e.Nearest {
		near[i] = fmt.Sprintf("%g A", r)
	}
	return fmt.Sprintf("fuse class %s has no rating of %g A: the nearest is %s", e.Class, e.Rating, strings.Join(near, " or "))
}

// classes returns the names of the built-in classes of fuses.
func classes() []string {
	var names []string
	for _, c := range builtInClasses() {
		names = append(names, c.Name)
	}
	return names
}

// Class returns the built-in class of that name, or an *UnknownClassError.
func Class(name string) (FuseClass, error) {
	for _, c := range builtInClasses() {
		if c.Name == name {
			return c, nil
		}
	}
	return FuseClass{}, &UnknownClassError{name, classes()}
}

// classMisfit is how far (in current) a curve may be from a gate: to the safe
// side only, since the fits keep to it. It is this wide because some published
// gates lie as no single element would melt.
const classMisfit = 0.11

// Curves returns the two edges of the class for a rating (A): the fastest through the
// shortest times, the slowest through the longest. The error is a *RatingError.
func (c FuseClass) Curves(rating float64) (fastest, slowest FuseCurve, err error) {
	if near := c.nearest(rating); near != nil {
		return FuseCurve{}, FuseCurve{}, &RatingError{c.Name, rating, near}
	}
	fastest, slowest = c.curves(rating)
	fastest.Rating, fastest.Edge, fastest.Allowed = rating, Earlier, classMisfit
	slowest.Rating, slowest.Edge, slowest.Allowed = rating, Later, classMisfit
	return fastest, slowest, nil
}

// Fuse fits the two curves of the class for a rating (A). Arcing time is not part
// of a class and stays 0. The error is a *RatingError.
func (c FuseClass) Fuse(rating float64) (Fuse, error) {
	fastest, slowest, err := c.Curves(rating)
	if err != nil {
		return Fuse{}, err
	}
	var f Fuse
	if f.Fastest, err = FitFuse(fastest); err != nil {
		return Fuse{}, fmt.Errorf("fuse class %s, %g A, fastest: %w", c.Name, rating, err)
	}
	if f.Slowest, err = FitFuse(slowest); err != nil {
		return Fuse{}, fmt.Errorf("fuse class %s, %g A, slowest: %w", c.Name, rating, err)
	}
	return f, nil
}

// nearest returns the neighbouring ratings, or nil where the class has the rating.
func (c FuseClass) nearest(rating float64) []float64 {
	ratings := c.Ratings
	if ratings == nil {
		if rating >= c.Lowest && rating <= c.Highest {
			return nil
		}
		ratings = []float64{c.Lowest, c.Highest}
		if rating > c.Highest {
			return ratings[1:]
		}
		return ratings[:1]
	}
	for i, r := range ratings {
		switch {
		case r == rating:
			return nil
		case r > rating:
			return ratings[max(0, i-1) : i+1]
		}
	}
	return ratings[len(ratings)-1:]
}

// builtInClasses reads the tables once; the result is only read.
var builtInClasses = sync.OnceValue(func() []FuseClass {
	vehicle := func(name, title, confidence string, lowest, highest float64, made ...float64) FuseClass {
		return FuseClass{
			Name: name, Title: title, Confidence: confidence, Lowest: lowest, Highest: highest, Made: made, MadeBy: "ISO 8820 (from memory)",
			Source: "ISO 8820 table of opening times, written from memory; range of ratings from memory",
			curves: func(rating float64) (FuseCurve, FuseCurve) { return vehicleCurves(name, rating) },
		}
	}
	gG := FuseClass{
		Name: "gG", Title: "full-range fuse link for cables", Confidence: "medium",
		Source: "IEC 60269-1:2006 tables 2, 3 and 7, written from memory; selectivity of all 18 pairs of ratings agrees",
		curves: gGCurves,
	}
	for _, row := range numbers("iec60269_gates.csv") {
		gG.Ratings = append(gG.Ratings, row[0])
	}
	gG.Made, gG.MadeBy = gG.Ratings, "IEC 60269-1 (from memory)"
	return []FuseClass{
		gG,
		vehicle("blade", "blade fuse link of ISO 8820-3", "medium", 1, 100, 2, 3, 4, 5, 7.5, 10, 15, 20, 25, 30, 35, 40, 50, 60, 70, 80, 100),
		vehicle("SF30", "bolt-in fuse link SF30 of ISO 8820-5", "low", 30, 200, 30, 40, 50, 60, 70, 80, 100, 125, 150, 175, 200),
		vehicle("SF51", "bolt-in fuse link SF51 of ISO 8820-5", "low", 30, 500, 100, 125, 150, 175, 200, 225, 250, 300, 350, 400, 500),
	}
})

// gGCurves returns the two edges from the time gates. The limits of pre-arcing I²t
// are stated at 10 ms, so they are points there.
func gGCurves(rating float64) (fastest, slowest FuseCurve) {
	const prearc = 0.01 // s
	at10ms := func(i2t float64) CurvePoint { return CurvePoint{Current: math.Sqrt(i2t / prearc), Time: prearc} }
	for _, c := range numbers("iec60269_conventional.csv") {
		if rating > c[0] {
			continue
		}
		fastest.LeastMelting = c[1] * rating
		fastest.Points = append(fastest.Points, CurvePoint{c[1] * rating, c[3] * 3600, Carries})
		slowest.Points = append(slowest.Points, CurvePoint{c[2] * rating, c[3] * 3600, Melts})
		break
	}
	for _, g := range numbers("iec60269_gates.csv") {
		if g[0] == rating {
			fastest.Points = append(fastest.Points, CurvePoint{g[1], 10, Melts}, CurvePoint{g[3], 0.1, Melts}, at10ms(g[5]))
			slowest.Points = append(slowest.Points, CurvePoint{g[2], 5, Melts}, CurvePoint{g[4], 0.1, Melts}, at10ms(g[6]))
		}
	}
	return fastest, slowest
}

// ConventionalTime returns the time (s) within which a fuse of a rating (A) must have opened under its conventional fusing current:
// IEC 60269-1, table 2 (from memory).
func ConventionalTime(rating float64) float64 {
	var hours float64
	for _, c := range numbers("iec60269_conventional.csv") {
		if hours = c[3]; rating <= c[0] {
			break
		}
	}
	return hours * 3600
}

// vehicleCurves returns the two edges from shares of the rating. Rows of low
// confidence are left out where the family has better ones.
func vehicleCurves(family string, rating float64) (fastest, slowest FuseCurve) {
	const name = "iso8820.csv"
	var rows [][]string
	low := 0
	for _, row := range table(name)[1:] {
		if row[0] == family {
			rows = append(rows, row)
			if row[4] == "low" {
				low++
			}
		}
	}
	for _, row := range rows {
		if row[4] == "low" && low < len(rows) {
			continue
		}
		current, shortest := number(name, row[1])/100*rating, number(name, row[2])
		if row[3] == "" {
			fastest.LeastMelting = current
			fastest.Points = append(fastest.Points, CurvePoint{current, shortest, Carries})
			continue
		}
		fastest.Points = append(fastest.Points, CurvePoint{current, shortest, Melts})
		slowest.Points = append(slowest.Points, CurvePoint{current, number(name, row[3]), Melts})
	}
	tightenLatest(slowest.Points)
	return fastest, slowest
}

// tightenLatest lowers the current of points by which an element must have melted
// where the neighbours already imply it. 1/I² of an element bends down over time,
// so it lies above every chord between two points.
func tightenLatest(points []CurvePoint) {
	square := func(p CurvePoint) float64 { return 1 / (p.Current * p.Current) }
	for k := range points {
		for i := range k {
			for j := k + 1; j < len(points); j++ {
				a, b := points[j], points[i] // a shorter, b longer in time
				chord := square(a) + (square(b)-square(a))*(points[k].Time-a.Time)/(b.Time-a.Time)
				if chord > square(points[k]) {
					points[k].Current = 1 / math.Sqrt(chord)
				}
			}
		}
	}
}
