package hydro

import (
	_ "embed"
	"math"
	"sort"
	"sync"
)

// The published four-quadrant tests: Fourier coefficients of C_T* and C_Q* over β
// for B4 propellers, C_T* = 1/100·Σ(AT cos kβ + BT sin kβ) and
// C_Q* = −1/1000·Σ(AQ cos kβ + BQ sin kβ).
// Source: Roddy, Hess and Faller, "Neural network predictions of the 4-quadrant
// Wageningen propeller series", NSWCCD-50-TR-2006/004 (after van Lammeren, van
// Manen and Oosterveld 1969). Status: one secondary copy seen, not the report. It
// was confirmed against the B-series regression, which is independent of it: bollard
// KT and KQ agree within 6 %, most of the first quadrant within 10 %.
//
// Only orders 0..20 are used: above, the copy holds two outliers (4-100 order 29,
// 4-85 order 28) and nothing else of weight. B4-70 P/D 0.6 is left out: its torque
// is 16-30 % off the regression, which a changed sign of its order-4 AQ would cure.
//
//go:embed data/fourquadrant.csv
var fourQuadrantCSV string

const harmonics = 21 // orders 0..20

// fourier is one propeller's series: AT, BT, AQ, BQ by order.
type fourier [harmonics][4]float64

// add adds g, each of its four columns times a weight.
func (f *fourier) add(weights [4]float64, g *fourier) {
	for k := range f {
		for i, w := range weights {
			f[k][i] += w * g[k][i]
		}
	}
}

// at returns C_T* and C_Q* at beta.
func (f *fourier) at(beta float64) (ct, cq float64) {
	v := f.columns(beta)
	return v[0] + v[1], v[2] + v[3]
}

// columns returns what each column adds to C_T* (two) and C_Q* at beta. Sine and cosine of its multiples follow from the two before
// (Chebyshev's recurrence, exact to 1e-13 for so few).
func (f *fourier) columns(beta float64) (v [4]float64) {
	s1, c1 := math.Sincos(beta)
	twice := 2 * c1
	before, sin, beforeC, cos := -s1, 0.0, c1, 1.0
	for k := range f {
		c := &f[k]
		v[0], v[1] = v[0]+c[0]*cos, v[1]+c[1]*sin
		v[2], v[3] = v[2]+c[2]*cos, v[3]+c[3]*sin
		before, sin = sin, twice*sin-before
		beforeC, cos = cos, twice*cos-beforeC
	}
	return [4]float64{v[0] / 100, v[1] / 100, -v[2] / 1000, -v[3] / 1000}
}

// tested is one tested propeller.
type tested struct {
	shape
	series  fourier
	columns func() *[cells][4]float64 // of its series, at every node
}

// shape is what the four-quadrant form depends on here. The number of blades is
// left out: at equal area it moves the curves less than their own uncertainty.
type shape struct {
	pitch float64 // P/D
	area  float64 // AE/A0
}

// testedPropellers returns the tests at area ratio 0.70 by rising pitch, and those at
// pitch ratio 1.0 by rising area.
var testedPropellers = sync.OnceValues(func() (byPitch, byArea []tested) {
	for _, t := range parseTested(fourQuadrantCSV) {
		if t.area == 0.70 {
			byPitch = append(byPitch, t)
		}
		if t.pitch == 1.0 {
			byArea = append(byArea, t)
		}
	}
	sort.Slice(byPitch, func(i, j int) bool { return byPitch[i].pitch < byPitch[j].pitch })
	sort.Slice(byArea, func(i, j int) bool { return byArea[i].area < byArea[j].area })
	for _, list := range [2][]tested{byPitch, byArea} {
		for k := range list {
			list[k].columns = sync.OnceValue(func() *[cells][4]float64 {
				out := new([cells][4]float64)
				for i := range out {
					out[i] = list[k].series.columns(nodeAngle(i))
				}
				return out
			})
		}
	}
	return byPitch, byArea
})

func parseTested(text string) []tested {
	var all []tested
	for _, row := range embedded(text) {
		v := numbers(row) // Z, AE/A0, P/D, order, AT, BT, AQ, BQ
		if v[3] == 0 {
			all = append(all, tested{shape: shape{pitch: v[2], area: v[1]}})
		}
		all[len(all)-1].series[int(v[3])] = [4]float64(v[4:8])
	}
	return all
}

// weighted is a tested propeller with a weight for each column of its series.
type weighted struct {
	*tested
	by [4]float64
}

// mix interpolates the tests: linearly in pitch at area ratio 0.70, plus the
// difference that area makes at pitch ratio 1.0. Each column of that difference is
// taken in proportion to the pitch's own first order, since pitch changes the bollard
// (cosine) values far more than the drag (sine) values. Outside the tests it holds
// their end.
func (s shape) mix() []weighted {
	byPitch, byArea := testedPropellers()
	pitch := func(t *tested) float64 { return t.pitch }
	area := func(t *tested) float64 { return t.area }
	out := between(byPitch, pitch, s.pitch)
	wanted, middle := between(byArea, area, s.area), between(byArea, area, 0.70)
	first, base := sum(out)[1], sum(middle)[1]
	add := func(list []weighted, sign float64) {
		for _, t := range list {
			for c := range t.by {
				t.by[c] *= sign * first[c] / base[c]
			}
			out = append(out, t)
		}
	}
	add(wanted, 1)
	add(middle, -1)
	return out
}

// sum returns the series of a mix.
func sum(mix []weighted) *fourier {
	out := new(fourier)
	for _, t := range mix {
		out.add(t.by, &t.series)
	}
	return out
}

// samples are the two curves of a series at every node.
type samples [cells][2]float64

// add adds a test's part of a mix, which is known at every node.
func (s *samples) add(t *weighted) {
	at, by := t.columns(), &t.by
	for i := range s {
		v, w := &s[i], &at[i]
		v[0] += by[0]*w[0] + by[1]*w[1]
		v[1] += by[2]*w[2] + by[3]*w[3]
	}
}

// between interpolates tests, sorted by what of returns, at x.
func between(tests []tested, of func(*tested) float64, x float64) (out []weighted) {
	last := len(tests) - 1
	x = math.Min(math.Max(x, of(&tests[0])), of(&tests[last]))
	i := min(sort.Search(last, func(i int) bool { return of(&tests[i+1]) >= x }), last-1)
	f := (x - of(&tests[i])) / (of(&tests[i+1]) - of(&tests[i]))
	for k, w := range [2]float64{1 - f, f} {
		if w != 0 {
			out = append(out, weighted{&tests[i+k], [4]float64{w, w, w, w}})
		}
	}
	return out
}

// newScrew joins an open-water diagram, used as it stands for J from low to high,
// to the four-quadrant shape:
//
//   - the shape's thrust and torque are each scaled to meet the diagram at J = low,
//     so that a propeller weaker than the tested one is weaker astern too;
//   - between low and high the diagram replaces the shape;
//   - outside, the difference at the ends fades, value and slope continuous: its slope
//     within 10°, its value (above only; below it is zero) by 90°;
//   - torque and thrust are lowered where the sum would break the laws of energy.
func newScrew(diameter float64, ahead characteristic, low, high float64, s shape) (*Screw, error) {
	mix := s.mix()
	base := sum(mix)
	var sampled samples
	for i := range mix {
		sampled.add(&mix[i])
	}
	star := func(j float64) (ct, cq float64) {
		return ahead.KT(j) / starToK(j), ahead.KQ(j) / starToK(j)
	}
	betaLow, betaHigh := pitchAngle(low), pitchAngle(high)
	ctLow, cqLow := star(low)
	ctBase, cqBase := base.at(betaLow)
	scaleT, scaleQ := ctLow/ctBase, cqLow/cqBase
	for _, err := range []error{
		within("thrust at the bollard, over that of a tested propeller of like pitch and area", scaleT, 0.1, 5, "check the hull's resistance at the measured boat speed, and the diameter"),
		within("torque at the bollard, over that of a tested propeller of like pitch and area", scaleQ, 0.1, 5, "check measured power, measured speed and diameter"),
	} {
		if err != nil {
			return nil, err
		}
	}
	scaled := func(beta float64) (ct, cq float64) {
		ct, cq = base.at(beta)
		return scaleT * ct, scaleQ * cq
	}
	source := func(beta float64) (ct, cq float64) {
		return star(math.Min(math.Max(0.7*math.Pi*math.Tan(beta), low), high))
	}
	difference := func(beta float64) (dt, dq float64) {
		ct, cq := source(beta)
		bt, bq := scaled(beta)
		return ct - bt, cq - bq
	}
	below := newFade(difference, betaLow, betaLow-slopeFade)
	above := newFade(difference, betaHigh, math.Max(betaHigh+math.Pi/8, math.Pi/2))

	screw := &Screw{diameter: diameter, ahead: ahead, jLow: low, jHigh: high}
	screw.all.fill(func(i int, at *direction) (ct, cq float64) {
		ct, cq = scaleT*sampled[i][0], scaleQ*sampled[i][1]
		switch beta := at.beta; {
		case beta < betaLow:
			dt, dq := below.at(beta)
			ct, cq = ct+dt, cq+dq
		case beta <= betaHigh:
			ct, cq = source(beta)
		default:
			dt, dq := above.at(beta)
			ct, cq = ct+dt, cq+dq
		}
		return physical(at, ct, cq)
	})
	return screw, nil
}

// physical limits a pair of coefficients to what energy allows, if the sum of estimates
// oversteps it: no more power from the stream than a free turbine can take, 16/27 of it
// (Betz 1920, from memory), and shaft power less thrust power, C_Q*·cosβ/0.35 −
// C_T*·sinβ in star form, above zero. The margins cover the interpolation between nodes.
func physical(at *direction, ct, cq float64) (float64, float64) {
	sin, cos := at.sin, at.cos
	if betz := 0.57 * math.Abs(sin*sin*sin); -cq*cos/0.35 > betz {
		cq = -betz * 0.35 / cos
	}
	if lost := cq*cos/0.35 - ct*sin; lost < 5e-4 && math.Abs(sin) > 0.05 {
		ct += (lost - 5e-4) / sin
	}
	return ct, cq
}

// fade takes a difference from where it ends to zero: its value by a cubic that starts
// and ends flat, its slope within slopeFade, since the slope at the end of a measured
// table is mostly scatter.
type fade struct {
	from, to     float64
	value, slope [2]float64
}

const slopeFade = math.Pi / 18 // 10°

func newFade(difference func(float64) (float64, float64), from, to float64) fade {
	// The slope is taken from inside the range, where the difference is smooth.
	h := 1e-4 * math.Copysign(1, from-to)
	f := fade{from: from, to: to}
	f.value[0], f.value[1] = difference(from)
	t1, q1 := difference(from + h)
	f.slope[0], f.slope[1] = (t1-f.value[0])/h, (q1-f.value[1])/h
	return f
}

func (f fade) at(beta float64) (dt, dq float64) {
	x := math.Min((beta-f.from)/(f.to-f.from), 1)
	y := math.Min(math.Abs(beta-f.from)/slopeFade, 1)
	value, slope := (1+2*x)*(1-x)*(1-x), (beta-f.from)*(1-y)*(1-y)
	return value*f.value[0] + slope*f.slope[0], value*f.value[1] + slope*f.slope[1]
}

// periodic is a pair of curves over one turn, cubic between even nodes, value and
// slope continuous.
type periodic struct {
	nodes [cells][4]float64 // C_T*, its slope times the cell, C_Q*, its slope times the cell
}

const cells = 1024

// direction is a node's β, with its sine and cosine.
type direction struct{ beta, sin, cos float64 }

var directions = sync.OnceValue(func() *[cells]direction {
	out := new([cells]direction)
	for i := range out {
		sin, cos := math.Sincos(nodeAngle(i))
		out[i] = direction{nodeAngle(i), sin, cos}
	}
	return out
})

// nodeAngle returns β at node i.
func nodeAngle(i int) float64 { return -math.Pi + 2*math.Pi*float64(i)/cells }

// fill samples f, of a node and its β, over −π..π and takes the slopes by fourth-order differences.
func (p *periodic) fill(f func(i int, at *direction) (float64, float64)) {
	around := directions()
	for i := range p.nodes {
		p.nodes[i][0], p.nodes[i][2] = f(i, &around[i])
	}
	at := func(i int) *[4]float64 { return &p.nodes[uint(i)%cells] }
	for i := range p.nodes {
		a, b, c, d := at(i-2), at(i-1), at(i+1), at(i+2)
		p.nodes[i][1] = (8*(c[0]-b[0]) - (d[0] - a[0])) / 12
		p.nodes[i][3] = (8*(c[2]-b[2]) - (d[2] - a[2])) / 12
	}
}

// at returns both curves at beta, in −π..π.
func (p *periodic) at(beta float64) (a, b float64) {
	x := (beta + math.Pi) * (cells / (2 * math.Pi))
	floor := math.Floor(x)
	x -= floor
	i := int(floor) & (cells - 1)
	m, n := &p.nodes[i], &p.nodes[(i+1)&(cells-1)]
	h01 := x * x * (3 - 2*x)
	h10, h11 := x*(1-x)*(1-x), x*x*(x-1)
	a = m[0] + h01*(n[0]-m[0]) + h10*m[1] + h11*n[1]
	b = m[2] + h01*(n[2]-m[2]) + h10*m[3] + h11*n[3]
	return a, b
}
