package hydro

import (
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// anyScrew draws a propeller of each kind over the whole range that is accepted.
var anyScrew = rapid.Custom(func(t *rapid.T) *Screw {
	d := rapid.Float64Range(0.1, 2).Draw(t, "diameter")
	b := BSeries{
		Diameter:   d,
		Blades:     rapid.IntRange(2, 7).Draw(t, "blades"),
		AreaRatio:  rapid.Float64Range(0.30, 1.05).Draw(t, "area"),
		PitchRatio: rapid.Float64Range(0.5, 1.4).Draw(t, "pitch"),
	}
	var screw *Screw
	var err error
	switch rapid.SampledFrom([]string{"b-series", "open water", "measured"}).Draw(t, "kind") {
	case "b-series":
		screw, err = NewBSeries(b)
	case "open water":
		// A test that differs from the series, scatters, and may end early or late.
		form := b.polynomials()
		end := form.zeroThrust() * rapid.Float64Range(0.3, 1.1).Draw(t, "end")
		levelT := rapid.Float64Range(0.85, 1).Draw(t, "thrust level")
		levelQ := rapid.Float64Range(1, 1.15).Draw(t, "torque level")
		rows := make([]OpenWaterRow, rapid.IntRange(2, 12).Draw(t, "rows"))
		for i := range rows {
			j := end * float64(i) / float64(len(rows)-1)
			rows[i] = OpenWaterRow{J: j,
				KT: form.KT(j) * levelT * rapid.Float64Range(0.98, 1.0).Draw(t, "kt"),
				KQ: form.KQ(j) * levelQ * rapid.Float64Range(1.0, 1.02).Draw(t, "kq")}
		}
		screw, err = NewOpenWater(OpenWater{Diameter: d, Rows: rows})
	case "measured":
		form := b.polynomials()
		n := rapid.Float64Range(1, 20).Draw(t, "tip") / d
		j := form.zeroThrust() * rapid.Float64Range(0, 0.7).Draw(t, "j")
		screw, err = NewMeasured(Measured{Diameter: d, ShaftSpeed: n, AdvanceSpeed: j * n * d, Density: 1025,
			Torque:     1025 * n * n * math.Pow(d, 5) * form.KQ(j) * rapid.Float64Range(1, 1.3).Draw(t, "torque"),
			Thrust:     1025 * n * n * math.Pow(d, 4) * form.KT(j) * rapid.Float64Range(0.8, 1).Draw(t, "thrust"),
			PitchRatio: b.PitchRatio, AreaRatio: b.AreaRatio, Blades: b.Blades})
	}
	if err != nil {
		t.Fatal(err)
	}
	return screw
})

var anyBeta = rapid.Float64Range(-math.Pi, math.Pi)

// No propeller makes energy: what shaft and stream put in, 2π·n·Q − T·va, is never
// negative. This one inequality says that a driving propeller is below 100 % efficient
// and that a windmilling one takes less from the stream than it costs the boat.
func TestPropellerDissipates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyScrew.Draw(t, "screw")
		for range 200 {
			beta := anyBeta.Draw(t, "beta")
			va, n := 5*math.Sin(beta), 5*math.Cos(beta)/(0.7*math.Pi*s.Diameter())
			thrust, torque := s.Loads(n, va, 1025)
			unit := 0.5 * 1025 * 25 * 5 * math.Pi / 4 * s.Diameter() * s.Diameter()
			if lost := (2*math.Pi*n*torque - thrust*va) / unit; lost < 0 {
				t.Fatalf("beta %.2f°: creates %g of the stream's power", beta*180/math.Pi, -lost)
			}
		}
	})
}

// Betz 1920 (from memory): no free turbine takes more than 16/27 of the stream's power.
// The least likely propeller the room accepts: seven narrow blades, small pitch, and 40 %
// more torque measured than its series sister's, which scales the windmilling too.
func TestWindmillStaysBelowBetz(t *testing.T) {
	form := BSeries{Diameter: 1, Blades: 7, AreaRatio: 0.3, PitchRatio: 0.5}.polynomials()
	s, err := NewMeasured(Measured{Diameter: 1, ShaftSpeed: 10, Torque: 1.4 * 1000 * 100 * form.KQ(0), Density: 1000,
		Thrust: 1000 * 100 * form.KT(0), Blades: 7, AreaRatio: 0.3, PitchRatio: 0.5})
	require.NoError(t, err)
	for degrees := -180.0; degrees <= 180; degrees += 0.25 {
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		_, cq := s.Star(degrees * math.Pi / 180)
		assert.LessOrEqual(t, -cq*cos/0.35, 16.0/27*math.Pow(math.Abs(sin), 3)+1e-9, "%g°", degrees)
	}
}

// The features that any four-quadrant test shows. Common practice, no source, but
// for the locked drag.
func TestQuadrants(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyScrew.Draw(t, "screw")
		at := func(degrees float64) (ct, cq float64) { return s.Star(degrees * math.Pi / 180) }
		ahead, aheadQ := at(0)
		astern, asternQ := at(-180)
		if !(ahead > 0 && aheadQ > 0 && astern < 0 && asternQ < 0) {
			t.Fatalf("bollard ahead %g/%g, astern %g/%g", ahead, aheadQ, astern, asternQ)
		}
		if r := -astern / ahead; r < 0.25 || r > 0.95 {
			t.Fatalf("bollard astern gives %.2f of ahead", r)
		}
		for _, degrees := range []float64{60, 75, 90} { // windmilling and locked in the stream
			if ct, cq := at(degrees); ct >= 0 || cq >= 0 {
				t.Fatalf("%g°: the stream should drag (%g) and turn the shaft ahead (%g)", degrees, ct, cq)
			}
		}
		for _, degrees := range []float64{-60, -75, -90} { // the same, sternway
			if ct, cq := at(degrees); ct <= 0 || cq <= 0 {
				t.Fatalf("%g°: the stream should drag (%g) and turn the shaft astern (%g)", degrees, ct, cq)
			}
		}
		for degrees := 91.0; degrees < 180; degrees += 3 { // crash stop: the motor must push
			if ct, cq := at(degrees); ct >= 0 || cq >= 0 {
				t.Fatalf("crash stop at %g°: thrust %g must brake, torque %g must oppose", degrees, ct, cq)
			}
		}
		for degrees := -89.0; degrees < 0; degrees += 3 { // the same from sternway
			if ct, cq := at(degrees); ct <= 0 || cq <= 0 {
				t.Fatalf("ahead from sternway at %g°: thrust %g must brake, torque %g must oppose", degrees, ct, cq)
			}
		}
		for degrees := -180.0; degrees <= 180; degrees++ {
			if ct, cq := at(degrees); math.Abs(ct) > 2.5 || math.Abs(cq) > 0.8 {
				t.Fatalf("%g°: %g/%g is beyond any test", degrees, ct, cq)
			}
		}
	})
}

// Smooth everywhere: a small step makes a small change, of value and of slope, also
// across n = 0, va = 0 and the seam at ±180°.
func TestQuadrantsAreSmooth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyScrew.Draw(t, "screw")
		wrap := func(b float64) float64 { return math.Remainder(b, 2*math.Pi) }
		for range 100 {
			beta := rapid.OneOf(anyBeta, rapid.SampledFrom([]float64{0, math.Pi, -math.Pi, math.Pi / 2, -math.Pi / 2})).Draw(t, "beta")
			h := rapid.Float64Range(1e-7, 1e-4).Draw(t, "step")
			t0, q0 := s.Star(wrap(beta - h))
			t1, q1 := s.Star(wrap(beta))
			t2, q2 := s.Star(wrap(beta + h))
			if math.Abs(t2-t0) > 2*h*30 || math.Abs(q2-q0) > 2*h*8 {
				t.Fatalf("jump at %g rad: %g, %g in %g", beta, t2-t0, q2-q0, 2*h)
			}
			// Second difference: a kink of the slope would not shrink with h².
			if math.Abs(t2-2*t1+t0) > h*h*3e4+1e-12 || math.Abs(q2-2*q1+q0) > h*h*1e4+1e-12 {
				t.Fatalf("kink at %g rad: %g, %g in %g", beta, t2-2*t1+t0, q2-2*q1+q0, h)
			}
		}
	})
}

// The first quadrant runs into the estimate without a knee: slopes three nodes apart,
// on both sides of the diagram's last J, agree but for the curve's own bend.
func TestQuadrantsJoinWithoutAKnee(t *testing.T) {
	for _, pitch := range []float64{0.6, 0.8, 1.0, 1.2} {
		s, err := NewBSeries(BSeries{Diameter: 1, Blades: 3, AreaRatio: 0.5, PitchRatio: pitch})
		require.NoError(t, err)
		_, high := s.advanceRange()
		end := pitchAngle(high)
		const h = 0.005 // about a node
		before, beforeQ := s.Star(end - h)
		beforeT2, beforeQ2 := s.Star(end - 2*h)
		after, afterQ := s.Star(end + h)
		afterT2, afterQ2 := s.Star(end + 2*h)
		assert.InEpsilon(t, (before-beforeT2)/h, (afterT2-after)/h, 0.15, "thrust, P/D %g", pitch)
		assert.InEpsilon(t, (beforeQ-beforeQ2)/h, (afterQ2-afterQ)/h, 0.15, "torque, P/D %g", pitch)
	}
}

// A propeller that is weaker ahead than its sister is as much weaker in every quadrant.
func TestWeakerAheadIsWeakerAstern(t *testing.T) {
	m := launchPropeller()
	m.PitchRatio = 0.8
	strong, err := NewMeasured(m)
	require.NoError(t, err)
	m.Power, m.Thrust = 0.7*m.Power, 0.7*m.Thrust
	weak, err := NewMeasured(m)
	require.NoError(t, err)
	for degrees := -180.0; degrees < 180; degrees += 5 {
		ct, cq := strong.Star(degrees * math.Pi / 180)
		wt, wq := weak.Star(degrees * math.Pi / 180)
		assert.InDelta(t, 0.7*ct, wt, 1e-3, "thrust at %g°", degrees)
		assert.InDelta(t, 0.7*cq, wq, 1e-4, "torque at %g°", degrees)
	}
}

func TestLoadsScale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.Float64Range(0.1, 2).Draw(t, "diameter")
		k := rapid.Float64Range(0.2, 5).Draw(t, "scale")
		b := BSeries{Diameter: d, Blades: 3, AreaRatio: 0.5, PitchRatio: 0.9}
		one, err := NewBSeries(b)
		if err != nil {
			t.Fatal(err)
		}
		b.Diameter *= k
		two, err := NewBSeries(b)
		if err != nil {
			t.Fatal(err)
		}
		n := rapid.Float64Range(-50, 50).Draw(t, "n")
		va := rapid.Float64Range(-10, 10).Draw(t, "va")
		thrust, torque := one.Loads(n, va, 1000)
		same := func(what string, want, got float64) {
			if math.Abs(want-got) > 1e-9*(math.Abs(want)+1e-6) {
				t.Fatalf("%s: want %g, got %g", what, want, got)
			}
		}
		t2, q2 := one.Loads(n, va, 1025)
		same("thrust goes with density", thrust*1.025, t2)
		same("torque goes with density", torque*1.025, q2)
		t2, q2 = two.Loads(n, va*k, 1000) // the same J
		same("thrust goes with D⁴", thrust*math.Pow(k, 4), t2)
		same("torque goes with D⁵", torque*math.Pow(k, 5), q2)
		t2, q2 = one.Loads(n*k, va*k, 1000)
		same("B-15: thrust goes with n² at constant J", thrust*k*k, t2)
		same("B-15: torque goes with n² at constant J", torque*k*k, q2)
	})
}

func TestLoadsAreFinite(t *testing.T) {
	s, err := NewBSeries(BSeries{Diameter: 0.35, Blades: 3, AreaRatio: 0.5, PitchRatio: 0.8})
	require.NoError(t, err)
	zero := math.Copysign(0, -1)
	for _, n := range []float64{0, zero, 1e-300, -1e-300, 1e-9, 15, -15, 1e6} {
		for _, va := range []float64{0, zero, 1e-300, -1e-300, 1e-9, 3, -3, 1e6} {
			thrust, torque := s.Loads(n, va, 1025)
			assert.True(t, finite(thrust, torque), "n %g va %g: %g %g", n, va, thrust, torque)
		}
	}
	thrust, torque := s.Loads(0, zero, 1025)
	assert.Zero(t, thrust)
	assert.Zero(t, torque)
}

// B-14: D 0.35 m, 15 rev/s, B4-55, P/D 1, J 0.6, rho 1025; computed from B-01. Through the
// four-quadrant curve, so it also bounds that curve's interpolation error.
func TestWorkedPoint(t *testing.T) {
	s, err := NewBSeries(BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: 1})
	require.NoError(t, err)
	thrust, torque := s.Loads(15, 3.15, 1025)
	assert.InEpsilon(t, 775.56, thrust, 1e-4)
	assert.InEpsilon(t, 44.295, torque, 1e-4)
	assert.InEpsilon(t, 4174.7, 2*math.Pi*15*torque, 1e-4)
	// B-13, the definition; and 0.58519 of B-06.
	assert.InDelta(t, thrust*3.15/(2*math.Pi*15*torque), s.efficiency(0.6), 1e-6)
	assert.InDelta(t, 0.58519, s.efficiency(0.6), 1e-5)
}

// Between its ends the four-quadrant curve is the first-quadrant source.
func TestLoadsFollowTheDiagram(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := anyScrew.Draw(t, "screw")
		low, high := s.advanceRange()
		j := low + (high-low)*rapid.Float64Range(0, 1).Draw(t, "share")
		n, d := 10.0, s.Diameter()
		thrust, torque := s.Loads(n, j*n*d, 1000)
		kt, kq := thrust/(1000*n*n*math.Pow(d, 4)), torque/(1000*n*n*math.Pow(d, 5))
		// The dissipation guard may lower a thrust that a rough table drives above it.
		if math.Abs(kt-s.KT(j)) > 1e-3 || math.Abs(kq-s.KQ(j)) > 3e-4 {
			t.Fatalf("J %g of %g..%g: KT %g against %g, KQ %g against %g", j, low, high, kt, s.KT(j), kq, s.KQ(j))
		}
	})
}

// The published four-quadrant series against the B-series regression, which is
// independent of it: bollard values agree within 6 %. This is what confirms the copy.
func TestPublishedSeriesMeetsTheRegression(t *testing.T) {
	byPitch, byArea := testedPropellers()
	assert.Len(t, byPitch, 5)
	assert.Len(t, byArea, 5)
	for _, tested := range append(byPitch, byArea...) {
		p := BSeries{Diameter: 1, Blades: 4, AreaRatio: tested.area, PitchRatio: tested.pitch}.polynomials()
		for _, c := range []struct{ j, within float64 }{{0, 0.06}, {0.2, 0.07}, {0.4, 0.11}} {
			ct, cq := tested.series.at(pitchAngle(c.j))
			assert.InEpsilon(t, p.KT(c.j), ct*starToK(c.j), c.within, "KT at J %g of B4-%g P/D %g", c.j, tested.area, tested.pitch)
			assert.InEpsilon(t, p.KQ(c.j), cq*starToK(c.j), c.within, "KQ at J %g of B4-%g P/D %g", c.j, tested.area, tested.pitch)
		}
	}
}

// A locked propeller drags like its expanded blade area with a coefficient of 1.0:
// UFC 4-159-03 (US DoD, Design: Moorings), equation 22. Status: confirmed on a stored
// page. Independent of the four-quadrant tests.
func TestLockedDrag(t *testing.T) {
	for _, b := range []BSeries{
		{Diameter: 1, Blades: 4, AreaRatio: 0.40, PitchRatio: 1},
		{Diameter: 1, Blades: 4, AreaRatio: 0.55, PitchRatio: 0.8},
		{Diameter: 1, Blades: 4, AreaRatio: 0.70, PitchRatio: 1},
		{Diameter: 1, Blades: 3, AreaRatio: 0.50, PitchRatio: 0.7},
		{Diameter: 1, Blades: 4, AreaRatio: 1.00, PitchRatio: 1},
	} {
		s, err := NewBSeries(b)
		require.NoError(t, err)
		ct, _ := s.Star(math.Pi / 2)
		assert.InEpsilon(t, b.AreaRatio, -ct, 0.25, "B%d-%g P/D %g", b.Blades, b.AreaRatio, b.PitchRatio)
	}
}

// Tests of propellers the form was not made from: B3-65 and B5-75, both P/D 1 (the same
// source as the rest), and the thrust of B4-70 P/D 0.6. Root mean square over a turn, as a
// share of the curve's own.
func TestHeldOutPropellers(t *testing.T) {
	text, err := os.ReadFile("testdata/fourquadrant_heldout.csv")
	require.NoError(t, err)
	held := parseTested(string(text))
	require.Len(t, held, 3)
	for _, h := range held {
		form := sum(h.shape.mix())
		var missT, missQ, sumT, sumQ float64
		for degrees := -180.0; degrees < 180; degrees++ {
			beta := degrees * math.Pi / 180
			ct, cq := h.series.at(beta)
			ft, fq := form.at(beta)
			missT, sumT = missT+(ct-ft)*(ct-ft), sumT+ct*ct
			missQ, sumQ = missQ+(cq-fq)*(cq-fq), sumQ+cq*cq
		}
		t.Logf("AE/A0 %g P/D %g: thrust %.1f %%, torque %.1f %% off", h.area, h.pitch, 100*math.Sqrt(missT/sumT), 100*math.Sqrt(missQ/sumQ))
		assert.Less(t, math.Sqrt(missT/sumT), 0.15, "thrust, AE/A0 %g P/D %g", h.area, h.pitch)
		if h.pitch == 1 { // the torque of P/D 0.6 is doubtful in the copy
			assert.Less(t, math.Sqrt(missQ/sumQ), 0.15, "torque, AE/A0 %g P/D %g", h.area, h.pitch)
		}
	}
}

func BenchmarkNewScrew(b *testing.B) {
	for i := 0; b.Loop(); i++ {
		_, err := NewBSeries(BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: 1 + 0.001*float64(i%100)})
		require.NoError(b, err)
	}
}

func BenchmarkLoads(b *testing.B) {
	s, err := NewBSeries(BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: 1})
	require.NoError(b, err)
	b.ReportAllocs()
	sum := 0.0
	for i := 0; b.Loop(); i++ {
		thrust, torque := s.Loads(float64(i%31)-15, 3, 1025)
		sum += thrust + torque
	}
	require.True(b, finite(sum))
}

func TestLoadsAllocateNothing(t *testing.T) {
	s, err := NewBSeries(BSeries{Diameter: 0.35, Blades: 4, AreaRatio: 0.55, PitchRatio: 1})
	require.NoError(t, err)
	curve, err := NewResistanceTable([]SpeedForce{{1, 40}, {2, 150}, {3, 500}})
	require.NoError(t, err)
	weed := Condition{Fouling: 0.5, Ventilation: 0.2}
	var p Propeller = s
	assert.Zero(t, testing.AllocsPerRun(100, func() {
		weed.Loads(p, 12, 2, 1025)
		curve.Force(2.5)
		curve.Force(4)
	}))
}

// TestFormIsWhatItsSeriesSays: the samples that are summed up from the tested propellers are those of the series summed up first.
func TestFormIsWhatItsSeriesSays(t *testing.T) {
	for _, s := range []shape{{0.5, 0.3}, {0.83, 0.55}, {1, 0.7}, {1.1, 0.62}, {1.6, 1.2}} {
		mix := s.mix()
		var sampled samples
		for i := range mix {
			sampled.add(&mix[i])
		}
		series := sum(mix)
		for i, v := range sampled {
			ct, cq := series.at(nodeAngle(i))
			require.InDelta(t, ct, v[0], 1e-12, "%+v, node %d", s, i)
			require.InDelta(t, cq, v[1], 1e-12, "%+v, node %d", s, i)
		}
	}
}
