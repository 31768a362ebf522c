package ode_test

import (
	"context"
	"math"

	"quaybench/bench/ode"
)

// outing is a drive-like system of forty states for benchmarks and for the
// tests of whole runs; every number is invented. Time constants reach from
// 1 ms (winding current) to hours (battery heat).
//
//	0 motor current, A       1 link voltage, V      2 shaft speed, rad/s
//	3 boat speed, m/s        4 charge drawn, As     5, 6 polarisation, V
//	7 energy drawn, J        8..39 temperatures, K: eight parts of four nodes
//
// Part p heats at its first node, passes heat down its chain, and its last node
// gives it to the air (natural convection, hence the power 1.25).
type outing struct {
	throttle float64 // duty the helm asks for, 0..1
	air      float64 // K
}

const (
	outingStates = 40
	outingParts  = 8
)

func (o *outing) Dim() int { return outingStates }

func (o *outing) node(part, k int) int { return 8 + 4*part + k }

func (o *outing) Derivatives(_ float64, y, d []float64) {
	i, link, omega, v := y[0], y[1], y[2], y[3]
	winding := 0.012 * (1 + 0.0039*(y[o.node(0, 0)]-293))
	bridge := 0.004 * (1 + 0.006*(y[o.node(1, 0)]-293))
	// Derating: full below 360 K, none above 400 K; the clamp is a kink.
	derate := math.Min(1, math.Max(0, (400-y[o.node(1, 1)])/40))
	limit := 300 * derate
	duty := o.throttle
	wanted := (duty*link - 0.11*omega) / (winding + bridge)
	wanted = math.Min(limit, math.Max(-limit, wanted))
	d[0] = (wanted - i) / 1e-3
	battery := (51.2 - 2*math.Min(1, y[4]/7.2e5) - y[5] - y[6] - link) / (0.015 * (1 - 0.002*(y[o.node(4, 0)]-298)))
	d[1] = (battery - duty*i) / 0.02
	thrust := 0.004 * omega * (omega - 18*v)
	d[2] = (0.11*i - 0.0009*omega*math.Abs(omega) - 0.02*thrust) / 0.05
	d[3] = (thrust - 18*v*math.Abs(v)) / 900
	d[4] = battery
	d[5] = battery/2000 - y[5]/20
	d[6] = battery/60000 - y[6]/900
	d[7] = link * battery
	heat := [outingParts]float64{
		winding * i * i,
		bridge*i*i + 0.1*math.Abs(i),
		0.3 * math.Abs(omega),
		0.0005 * i * i,
		0.015 * battery * battery,
		0.0004 * battery * battery,
		0.0006 * battery * battery,
		0.002 * i * i * duty,
	}
	for p := 0; p < outingParts; p++ {
		n := o.node(p, 0)
		size := 1 + 0.4*float64(p)
		above := heat[p]
		for k := 0; k < 4; k++ {
			var below float64
			t := y[n+k]
			switch {
			case k < 3:
				below = 20 * size * (t - y[n+k+1])
			default:
				rise := t - o.air
				below = 4 * size * rise * math.Sqrt(math.Sqrt(math.Abs(rise)+0.1))
			}
			d[n+k] = (above - below) / (outingCapacity[k] * size)
			above = below
		}
	}
}

var outingCapacity = [4]float64{2, 60, 700, 9000} // J/K

// analytic is an outing that knows its Jacobian.
type analytic struct{ *outing }

// square is a Jacobian to be filled, row by row.
type square []float64

func (m square) Set(i, k int, v float64) { m[i*outingStates+k] = v }
func (m square) Add(i, k int, v float64) { m[i*outingStates+k] += v }

func (s analytic) Jacobian(_ float64, y, jac []float64) {
	m := square(jac)
	o := s.outing
	i, link, omega, v, duty := y[0], y[1], y[2], y[3], o.throttle
	coil, bridgeJunction, sink, cell := o.node(0, 0), o.node(1, 0), o.node(1, 1), o.node(4, 0)
	winding := 0.012 * (1 + 0.0039*(y[coil]-293))
	bridge := 0.004 * (1 + 0.006*(y[bridgeJunction]-293))
	derate := math.Min(1, math.Max(0, (400-y[sink])/40))
	limit := 300 * derate
	wanted := (duty*link - 0.11*omega) / (winding + bridge)
	m.Set(0, 0, -1e3)
	if math.Abs(wanted) < limit {
		m.Set(0, 1, 1e3*duty/(winding+bridge))
		m.Set(0, 2, -1e3*0.11/(winding+bridge))
		m.Set(0, coil, -1e3*wanted/(winding+bridge)*0.012*0.0039)
		m.Set(0, bridgeJunction, -1e3*wanted/(winding+bridge)*0.004*0.006)
	} else if derate > 0 && derate < 1 {
		m.Set(0, sink, math.Copysign(1e3*300/40, -wanted))
	}

	cellResistance := 0.015 * (1 - 0.002*(y[cell]-298))
	battery := (51.2 - 2*math.Min(1, y[4]/7.2e5) - y[5] - y[6] - link) / cellResistance
	var drain float64
	if y[4] < 7.2e5 {
		drain = -2 / 7.2e5
	}
	for j, k := range [...]int{1, 4, 5, 6, cell} {
		b := [...]float64{-1, drain, -1, -1, battery * 0.015 * 0.002}[j] / cellResistance
		m.Set(1, k, b/0.02)
		m.Set(4, k, b)
		m.Set(5, k, b/2000)
		m.Set(6, k, b/60000)
		m.Set(7, k, link*b)
		m.Set(o.node(4, 0), k, 2*0.015*battery*b/(outingCapacity[0]*2.6))
		m.Set(o.node(5, 0), k, 2*0.0004*battery*b/(outingCapacity[0]*3))
		m.Set(o.node(6, 0), k, 2*0.0006*battery*b/(outingCapacity[0]*3.4))
	}
	m.Set(1, 0, -duty/0.02)
	m.Add(5, 5, -1/20.)
	m.Add(6, 6, -1/900.)
	m.Add(7, 1, battery)

	m.Set(2, 0, 0.11/0.05)
	m.Set(2, 2, (-2*0.0009*math.Abs(omega)-0.02*0.004*(2*omega-18*v))/0.05)
	m.Set(2, 3, 0.02*0.004*18*omega/0.05)
	m.Set(3, 2, 0.004*(2*omega-18*v)/900)
	m.Set(3, 3, (-0.004*18*omega-2*18*math.Abs(v))/900)

	sign := math.Copysign(1, i)
	m.Set(coil, 0, 2*winding*i/outingCapacity[0])
	m.Add(coil, coil, 0.012*0.0039*i*i/outingCapacity[0])
	m.Set(bridgeJunction, 0, (2*bridge*i+0.1*sign)/(outingCapacity[0]*1.4))
	m.Add(bridgeJunction, bridgeJunction, 0.004*0.006*i*i/(outingCapacity[0]*1.4))
	m.Set(o.node(2, 0), 2, 0.3*math.Copysign(1, omega)/(outingCapacity[0]*1.8))
	m.Set(o.node(3, 0), 0, 2*0.0005*i/(outingCapacity[0]*2.2))
	m.Set(o.node(7, 0), 0, 2*0.002*duty*i/(outingCapacity[0]*3.8))
	for p := range outingParts {
		n := o.node(p, 0) // conductance and capacity grow alike with the part
		for k, c := range outingCapacity {
			if k > 0 {
				m.Add(n+k, n+k-1, 20/c)
				m.Add(n+k, n+k, -20/c)
			}
			if k < 3 {
				m.Add(n+k, n+k, -20/c)
				m.Add(n+k, n+k+1, 20/c)
				continue
			}
			rise := y[n+k] - o.air
			root := math.Sqrt(math.Sqrt(math.Abs(rise) + 0.1))
			m.Add(n+k, n+k, -4*(root+0.25*math.Abs(rise)*root/(math.Abs(rise)+0.1))/c)
		}
	}
}

func outingStart() []float64 {
	y := make([]float64, outingStates)
	y[1] = 51.2
	for k := 8; k < outingStates; k++ {
		y[k] = 293
	}
	return y
}

// outingTolerance asks for a part in tol of the size of each state.
func outingTolerance(tol float64) ode.Options {
	size := []float64{100, 50, 100, 3, 7e5, 1, 1, 3e7}
	atol := make([]float64, outingStates)
	for k := range atol {
		s := 100.0 // K: temperatures rise by that much
		if k < len(size) {
			s = size[k]
		}
		atol[k] = tol * s
	}
	return ode.Options{RelTol: tol, AbsTol: atol}
}

const outingHours = 2 * 3600.0

// outingThrottle returns the programme: twenty corners in two hours.
func outingThrottle(corner int) float64 {
	return [...]float64{0.3, 0.6, 0.9, 0.5, 0.2, 0.8, 1.0, 0.4, 0.7, 0.1}[corner%10]
}

// run drives the outing through its corners and gives the final state. sys is
// the outing itself or a wrapping of it.
func (o *outing) run(in *ode.Integrator, sys ode.System, events []ode.Event, opts ode.Options, observe func(*ode.Step) error) ([]float64, ode.Statistics, error) {
	o.air = 293
	y := outingStart()
	var total ode.Statistics
	for corner := 0; corner < 20; corner++ {
		o.throttle = outingThrottle(corner)
		t, end := float64(corner)*outingHours/20, float64(corner+1)*outingHours/20
		for t < end {
			r, err := in.Solve(context.Background(), ode.Problem{System: sys, T0: t, T1: end, Y0: y, Events: events, Observe: observe}, opts)
			total.Add(r.Statistics)
			if err != nil {
				return r.Y, total, err
			}
			t, y = r.T, r.Y
		}
	}
	return y, total, nil
}
