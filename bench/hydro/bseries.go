package hydro

import (
	_ "embed"
	"encoding/csv"
	"fmt"
	"math"
	"quaybench/bench/root"
	"strconv"
	"strings"
	"sync"
)

// BSeries describes a Wageningen B-series propeller.
//
// Source: Oosterveld and van Oossanen 1975; Bernitsas, Ray and Kinley, Univ.
// Michigan Report 237, 1981. The regression holds for 2 to 7 blades, blade area
// ratio 0.30 to 1.05, pitch ratio 0.5 to 1.4.
type BSeries struct {
	Diameter   float64 // m
	Blades     int     // number of blades Z
	AreaRatio  float64 // expanded blade area over disc area, AE/A0
	PitchRatio float64 // pitch over diameter, P/D

	// Reynolds number at 0.75 R, see [BSeries.ReynoldsNumber]. Zero means 2e6, the
	// number the regression stands for; the correction is published for larger ones,
	// and a smaller one (usual on small boats) is refused rather than extrapolated.
	Reynolds float64
}

const (
	regressionReynolds = 2e6
	bseriesSource      = "B-series regression, Univ. Michigan Report 237"
)

func (b BSeries) check() error {
	for _, err := range []error{
		within("propeller diameter in m", b.Diameter, 0.01, 20, "a propeller"),
		within("number of blades", float64(b.Blades), 2, 7, bseriesSource),
		within("blade area ratio", b.AreaRatio, 0.30, 1.05, bseriesSource),
		within("pitch over diameter", b.PitchRatio, 0.5, 1.4, bseriesSource),
	} {
		if err != nil {
			return err
		}
	}
	if b.Reynolds != 0 {
		return within("Reynolds number", b.Reynolds, regressionReynolds, 1e10, "B-series Reynolds correction; leave it out below 2e6")
	}
	return nil
}

// NewBSeries returns the propeller b describes, in all four quadrants, or a
// [*RangeError].
func NewBSeries(b BSeries) (*Screw, error) {
	if err := b.check(); err != nil {
		return nil, fmt.Errorf("b-series propeller: %w", err)
	}
	diagram := b.polynomials()
	return newScrew(b.Diameter, diagram, 0, diagram.zeroThrust(), shape{pitch: b.PitchRatio, area: b.AreaRatio})
}

// polynomials is a propeller's KT and KQ as polynomials of J: the regression with
// everything but J already put in.
type polynomials struct{ kt, kq [4]float64 }

func (p polynomials) KT(j float64) float64 { return cubic(p.kt, j) }
func (p polynomials) KQ(j float64) float64 { return cubic(p.kq, j) }

func cubic(c [4]float64, x float64) float64 { return c[0] + x*(c[1]+x*(c[2]+x*c[3])) }

// zeroThrust returns the advance coefficient at which thrust vanishes.
func (p polynomials) zeroThrust() float64 { return root.Zero(0, 2, p.KT) }

// scaled returns the diagram with thrust and torque multiplied.
func (p polynomials) scaled(thrust, torque float64) polynomials {
	for i := range p.kt {
		p.kt[i] *= thrust
		p.kq[i] *= torque
	}
	return p
}

// polynomials collapses the regression, with the Reynolds correction if wanted.
func (b BSeries) polynomials() polynomials {
	coefficients := bseriesTerms()
	var p polynomials
	collapse(&p.kt, coefficients.kt, b, 0)
	collapse(&p.kq, coefficients.kq, b, 0)
	if b.Reynolds > regressionReynolds {
		l := math.Log10(b.Reynolds) - 0.301
		collapse(&p.kt, coefficients.reynoldsKT, b, l)
		collapse(&p.kq, coefficients.reynoldsKQ, b, l)
	}
	return p
}

// term is coef · J^j · (P/D)^pitch · (AE/A0)^area · Z^blades · L^log.
type term struct {
	coef                         float64
	j, pitch, area, blades, logr int
}

func collapse(into *[4]float64, terms []term, b BSeries, l float64) {
	for _, t := range terms {
		into[t.j] += t.coef * power(b.PitchRatio, t.pitch) * power(b.AreaRatio, t.area) *
			power(float64(b.Blades), t.blades) * power(l, t.logr)
	}
}

func power(x float64, n int) float64 {
	y := 1.0
	for range n {
		y *= x
	}
	return y
}

// Where stored copies of the coefficients disagree, the set follows
// checks.md D1 to D3: KQ (3,3,0,1) is 0.00110903; the four-copy values of the
// terms a fifth copy alters (only they keep KQ > 0 wherever KT > 0); L² on the
// -0.0000276305 term, L on the 0.0000032049 term.
//
//go:embed data/bseries_kt.csv
var ktCSV string

//go:embed data/bseries_kq.csv
var kqCSV string

//go:embed data/bseries_reynolds.csv
var reynoldsCSV string

type bseriesSet struct{ kt, kq, reynoldsKT, reynoldsKQ []term }

var bseriesTerms = sync.OnceValue(func() bseriesSet {
	var set bseriesSet
	for _, r := range embedded(ktCSV) {
		set.kt = append(set.kt, newTerm(r))
	}
	for _, r := range embedded(kqCSV) {
		set.kq = append(set.kq, newTerm(r))
	}
	for _, r := range embedded(reynoldsCSV) {
		if r[0] == "dKT" {
			set.reynoldsKT = append(set.reynoldsKT, newTerm(r[1:]))
		} else {
			set.reynoldsKQ = append(set.reynoldsKQ, newTerm(r[1:]))
		}
	}
	return set
})

func newTerm(r []string) term {
	v := numbers(r)
	t := term{coef: v[0], j: int(v[1]), pitch: int(v[2]), area: int(v[3]), blades: int(v[4])}
	if len(v) > 5 {
		t.logr = int(v[5])
	}
	return t
}

// embedded returns the rows of a CSV built into the program, without its header.
// A fault there is the programmer's, so it panics.
func embedded(text string) [][]string {
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		panic("hydro: embedded table: " + err.Error())
	}
	return rows[1:]
}

func numbers(row []string) []float64 {
	out := make([]float64, len(row))
	for i, s := range row {
		v, err := strconv.ParseFloat(s, 64)
		if err != nil {
			panic("hydro: embedded table: " + err.Error())
		}
		out[i] = v
	}
	return out
}
