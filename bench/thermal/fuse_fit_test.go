package thermal_test

import (
	"errors"
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"quaybench/bench/thermal"
)

// demoCurve returns the fastest curve of an invented 200 A fuse.
func demoCurve() thermal.FuseCurve {
	return thermal.FuseCurve{
		Rating: 200,
		Points: []thermal.CurvePoint{
			{Current: 220, Time: math.Inf(1), Kind: thermal.Carries},
			{Current: 270, Time: 1200},
			{Current: 400, Time: 60},
			{Current: 600, Time: 12},
			{Current: 1000, Time: 1.5},
			{Current: 2000, Time: 0.2},
		},
		PreArcingI2t: 300e3,
		LeastMelting: 240,
	}
}

func TestFitFuseMeetsPointsAndAnchors(t *testing.T) {
	c := demoCurve()
	m, err := thermal.FitFuse(c)
	require.NoError(t, err)
	assert.Less(t, m.Misfit.Worst, 0.01)
	for i, p := range c.Points[1:] {
		assert.InEpsilon(t, p.Current, m.MeltCurrent(p.Time), 0.01, "point %d", i+1)
	}
	assert.InEpsilon(t, 240, m.LeastMeltingCurrent(), 1e-4)
	assert.InEpsilon(t, 300e3, m.PreArcingI2t(), 1e-4)
	assert.Equal(t, math.Inf(1), m.MeltTime(239).Time)
	assert.False(t, m.MeltTime(1e6).Extrapolated, "the short end is anchored")
	assert.InEpsilon(t, 300e3/1e12, m.MeltTime(1e6).Time, 1e-3)

	// The states of a simulation melt at the same instant.
	x := make([]float64, m.States())
	m.Advance(-600, m.MeltTime(600).Time, x)
	assert.InDelta(t, 1, m.Molten(x), 1e-9)
}

// anyElement draws a curve that an element can follow: some sum of exponentials.
func anyElement(t *rapid.T) (thermal.FuseCurve, thermal.FuseModel) {
	truth := thermal.FuseModel{Rating: math.Exp(rapid.Float64Range(0, 6).Draw(t, "rating"))}
	least := rapid.Float64Range(1.05, 1.6).Draw(t, "least")
	stages := rapid.IntRange(1, 5).Draw(t, "stages")
	var total float64
	tau := math.Exp(rapid.Float64Range(-5, 0).Draw(t, "tau"))
	for range stages {
		a := math.Exp(rapid.Float64Range(-1, 2).Draw(t, "share"))
		truth.Element = append(truth.Element, thermal.Stage{Resistance: a, TimeConstant: tau})
		total += a
		tau *= math.Exp(rapid.Float64Range(0.7, 3).Draw(t, "tau step"))
	}
	for k := range truth.Element {
		truth.Element[k].Resistance /= total * least * least
	}
	longest := truth.Element[stages-1].TimeConstant
	c := thermal.FuseCurve{Rating: truth.Rating, LeastMelting: truth.LeastMeltingCurrent(), PreArcingI2t: truth.PreArcingI2t()}
	time := truth.Element[0].TimeConstant * rapid.Float64Range(0.1, 1).Draw(t, "first")
	for ; time < 3*longest; time *= rapid.Float64Range(1.5, 6).Draw(t, "step") {
		p := thermal.CurvePoint{Current: truth.MeltCurrent(time), Time: time}
		c.Points = append([]thermal.CurvePoint{p}, c.Points...)
	}
	return c, truth
}

func TestFitFuseFollowsWhatAnElementDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, truth := anyElement(t)
		m, err := thermal.FitFuse(c)
		require.NoError(t, err)
		assert.InEpsilon(t, truth.LeastMeltingCurrent(), m.LeastMeltingCurrent(), 1e-3)
		assert.InEpsilon(t, truth.PreArcingI2t(), m.PreArcingI2t(), 2e-3)

		// Between the points too the current is right, within what they leave open.
		for i := 1; i < len(c.Points); i++ {
			time := math.Sqrt(c.Points[i-1].Time * c.Points[i].Time)
			assert.InEpsilon(t, truth.MeltCurrent(time), m.MeltCurrent(time), 0.05)
		}
	})
}

func TestFittedCurvesFall(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, _ := anyElement(t)
		for i := range c.Points { // published curves are read off paper
			c.Points[i].Current *= 1 + rapid.Float64Range(-0.02, 0.02).Draw(t, "reading")
		}
		c.PreArcingI2t *= 0.9
		c.LeastMelting = 0
		m, err := thermal.FitFuse(c)
		var misfit *thermal.MisfitError
		var steep *thermal.SteepError
		var curve *thermal.CurveError
		if errors.As(err, &steep) || errors.As(err, &curve) {
			return
		}
		require.True(t, err == nil || errors.As(err, &misfit))
		last := math.Inf(1)
		for current := c.Rating; current < 1e4*c.Rating; current *= 1.07 {
			melting := m.MeltTime(current)
			if !math.IsInf(last, 1) {
				require.Less(t, melting.Time, last)
				require.GreaterOrEqual(t, melting.Time*current*current, m.PreArcingI2t()*(1-1e-9))
			}
			last = melting.Time
		}
		require.Equal(t, math.Inf(1), m.MeltTime(c.Rating*0.999).Time, "the rating is carried")
	})
}

func TestEdgesKeepToTheirSide(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, _ := anyElement(t)
		for i := range c.Points {
			c.Points[i].Current *= 1 + rapid.Float64Range(-0.02, 0.02).Draw(t, "reading")
		}
		c.PreArcingI2t, c.LeastMelting, c.Allowed = 0, 0, 1
		for edge, side := range map[thermal.Edge]float64{thermal.Earlier: -1, thermal.Later: 1} {
			c.Edge = edge
			m, err := thermal.FitFuse(c)
			if err != nil {
				return
			}
			for _, e := range m.Misfit.Each {
				assert.GreaterOrEqual(t, side*e, -1e-4)
			}
		}
	})
}

func TestShortTimesWeighAsMuchAsLongOnes(t *testing.T) {
	// Two points that no single element meets, a decade of current apart: the misfit
	// is shared, since rows are scaled. Unscaled, the high current would be ignored.
	c := thermal.FuseCurve{Rating: 100, Allowed: 1, Points: []thermal.CurvePoint{
		{Current: 200, Time: 100},
		{Current: 210, Time: 0.5},
		{Current: 2000, Time: 0.0055},
	}}
	m, err := thermal.FitFuse(c)
	require.NoError(t, err)
	high, low := math.Abs(m.Misfit.Each[2]), math.Abs(m.Misfit.Each[1])
	assert.Less(t, high, 3*low+0.02)
	assert.Less(t, high, 0.1)
}

func TestWithoutAnchorsTheEndsAreExtrapolatedAndSaid(t *testing.T) {
	c := demoCurve()
	c.PreArcingI2t, c.LeastMelting = 0, 0
	m, err := thermal.FitFuse(c)
	require.NoError(t, err)
	for _, p := range c.Points[1:] {
		assert.False(t, m.MeltTime(p.Current).Extrapolated)
	}
	short := m.MeltTime(5000)
	assert.True(t, short.Extrapolated)
	assert.InEpsilon(t, 2000*2000*0.2, short.Time*5000*5000, 0.15, "at about constant I²t")
	assert.True(t, m.MeltTime(250).Extrapolated)
	assert.Greater(t, m.LeastMeltingCurrent(), 240.0, "all but level beyond the last point")
}

func TestWhatMustBeCarriedIsNoMeltingPoint(t *testing.T) {
	c := thermal.FuseCurve{Rating: 100, Allowed: 1, Points: []thermal.CurvePoint{
		{Current: 135, Time: 3600, Kind: thermal.Carries},
		{Current: 160, Time: 30},
		{Current: 600, Time: 0.5},
	}}
	m, err := thermal.FitFuse(c)
	require.NoError(t, err)
	assert.Greater(t, m.MeltTime(135).Time, 3600*0.999)
	assert.Greater(t, m.LeastMeltingCurrent(), 135*0.999)

	without := c
	without.Points = c.Points[1:]
	free, err := thermal.FitFuse(without)
	require.NoError(t, err)
	assert.Greater(t, m.LeastMeltingCurrent(), free.LeastMeltingCurrent(), "the inequality acts in this case")
}

func TestAPointToCarryBendsTheCurve(t *testing.T) {
	c := thermal.FuseCurve{Rating: 100, Allowed: 1, Points: []thermal.CurvePoint{
		{Current: 160, Time: 30},
		{Current: 450, Time: 1.4, Kind: thermal.Carries}, // a straight line would melt 430 A
		{Current: 600, Time: 0.5},
	}}
	m, err := thermal.FitFuse(c)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, m.MeltTime(450).Time, 1.4*0.9999)
	c.Points = append(c.Points[:1:1], c.Points[2])
	free, err := thermal.FitFuse(c)
	require.NoError(t, err)
	assert.Less(t, free.MeltTime(450).Time, 1.4)
}

func TestTheRatingIsCarriedWhateverThePointsSay(t *testing.T) {
	// Constant I²t down to just above the rating: left alone, the fit would go on
	// below it.
	m, err := thermal.FitFuse(thermal.FuseCurve{Rating: 100, Allowed: 1, Points: []thermal.CurvePoint{
		{Current: 102, Time: 100},
		{Current: 1020, Time: 1},
	}})
	require.NoError(t, err)
	assert.Equal(t, math.Inf(1), m.MeltTime(99.99).Time)
}

func TestFitFuseRefusesWhatIsNoCurve(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	points := func(p ...thermal.CurvePoint) func(*thermal.FuseCurve) {
		return func(c *thermal.FuseCurve) { c.Points = p }
	}
	for name, bad := range map[string]struct {
		change func(*thermal.FuseCurve)
		index  int
		says   string
	}{
		"rising":            {func(c *thermal.FuseCurve) { c.Points[3].Time = 80 }, 3, "600 A melts in 80 s, but 400 A already in 60 s"},
		"level":             {func(c *thermal.FuseCurve) { c.Points[3].Time = 60 }, 3, "must fall"},
		"out of order":      {func(c *thermal.FuseCurve) { c.Points[3].Current = 300 }, 3, "order of rising current"},
		"two times":         {func(c *thermal.FuseCurve) { c.Points[3].Current = 400 }, 3, "split the band"},
		"carried and melts": {points(thermal.CurvePoint{Current: 300, Time: 10}, thermal.CurvePoint{Current: 350, Time: 60, Kind: thermal.Carries}), 1, "by point 1 300 A melts it in 10 s"},
		"below the rating":  {func(c *thermal.FuseCurve) { c.Points = c.Points[1:]; c.Points[0].Current = 190 }, 0, "not above the rating"},
		"zero time":         {func(c *thermal.FuseCurve) { c.Points[5].Time = 0 }, 5, "above zero"},
		"melts never":       {func(c *thermal.FuseCurve) { c.Points[1].Time = inf }, 1, "above zero"},
		"no number":         {func(c *thermal.FuseCurve) { c.Points[2].Current = nan }, 2, "above zero"},
		"no such kind":      {func(c *thermal.FuseCurve) { c.Points[2].Kind = 7 }, 2, "melt or carry"},
		"nothing melts":     {points(thermal.CurvePoint{Current: 200, Time: 10, Kind: thermal.Carries}), -1, "no melting point"},
		"no points":         {points(), -1, "no melting point"},
		"no rating":         {func(c *thermal.FuseCurve) { c.Rating = 0 }, -1, "rating"},
		"too high an I²t":   {func(c *thermal.FuseCurve) { c.PreArcingI2t = 1e6 }, 5, "less than the pre-arcing"},
		"negative I²t":      {func(c *thermal.FuseCurve) { c.PreArcingI2t = -1 }, -1, "pre-arcing"},
		"least too high":    {func(c *thermal.FuseCurve) { c.LeastMelting = 300 }, 1, "least melting"},
		"least too low":     {func(c *thermal.FuseCurve) { c.LeastMelting = 150 }, -1, "least melting"},
	} {
		t.Run(name, func(t *testing.T) {
			c := demoCurve()
			bad.change(&c)
			_, err := thermal.FitFuse(c)
			var curve *thermal.CurveError
			require.ErrorAs(t, err, &curve)
			assert.Equal(t, bad.index, curve.Index)
			assert.ErrorContains(t, err, bad.says)
		})
	}
}

func TestFitFuseRefusesASlopeNoElementHas(t *testing.T) {
	c := demoCurve()
	c.Points[4].Time = 6.5 // 600 A at 12 s to 1000 A at 6.5 s: ln(1.667)/ln(1.846) = 0.83; 5 s may be rounded from what an element does
	_, err := thermal.FitFuse(c)
	var steep *thermal.SteepError
	require.ErrorAs(t, err, &steep)
	assert.Equal(t, 3, steep.First)
	assert.Equal(t, 4, steep.Second)
	assert.InDelta(t, math.Log(1000.0/600)/math.Log(12.0/6.5), steep.Slope, 1e-12)
	assert.ErrorContains(t, err, "from point 4 (600 A, 12 s) to point 5 (1000 A, 6.5 s)")
}

// TestFitFuseTakesAnElementOfTheFirstOrder: a curve that a single heated mass follows exactly, wherever its
// points lie and however they are rounded, is a curve of a fuse.
func TestFitFuseTakesAnElementOfTheFirstOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tau := math.Exp(rapid.Float64Range(math.Log(0.2), math.Log(1000)).Draw(t, "time constant"))
		least := 100 * rapid.Float64Range(1.05, 1.6).Draw(t, "least melting current over rating")
		from := rapid.Float64Range(1.01, 5).Draw(t, "lowest current over it")
		times := rapid.Float64Range(1.3, 30).Draw(t, "highest over lowest")
		n := rapid.IntRange(2, 12).Draw(t, "points")
		c := thermal.FuseCurve{Rating: 100, Allowed: 0.06, Edge: rapid.SampledFrom([]thermal.Edge{thermal.Central, thermal.Earlier, thermal.Later}).Draw(t, "edge")}
		if rapid.Bool().Draw(t, "the least melting current is stated") {
			c.LeastMelting = least
		}
		rounded := rapid.Bool().Draw(t, "rounded to three digits")
		for k := range n {
			m := from * math.Pow(times, float64(k)/float64(n-1))
			p := thermal.CurvePoint{Current: least * m, Time: -tau * math.Log1p(-1/(m*m))}
			if rounded {
				p.Current, p.Time = threeDigits(p.Current), threeDigits(p.Time)
			}
			c.Points = append(c.Points, p)
		}
		if rapid.Bool().Draw(t, "the pre-arcing I²t is stated") { // a point at a short time melts with no more, but for the rounding
			if c.PreArcingI2t = least * least * tau; rounded {
				c.PreArcingI2t = threeDigits(c.PreArcingI2t)
			}
		}
		if c.LeastMelting > 0 && c.Points[0].Current <= c.LeastMelting {
			t.Skip("rounded away")
		}
		m, err := thermal.FitFuse(c)
		require.NoError(t, err)
		require.LessOrEqual(t, m.Misfit.Worst, 0.06)
		for _, p := range c.Points {
			require.InEpsilon(t, p.Current, m.MeltCurrent(p.Time), 0.064)
		}
	})
}

func threeDigits(x float64) float64 {
	y, err := strconv.ParseFloat(strconv.FormatFloat(x, 'g', 3, 64), 64)
	if err != nil {
		panic(err)
	}
	return y
}

func TestFitFuseSaysWhichPointItMisses(t *testing.T) {
	c := demoCurve()
	c.Points[2].Current = 271 // nearly level from 60 s to 1200 s, then all at once, more than rounding explains
	c.Points[4].Current, c.Points[4].Time, c.LeastMelting = 1003, 1.52, 241
	m, err := thermal.FitFuse(c)
	var misfit *thermal.MisfitError
	require.ErrorAs(t, err, &misfit)
	assert.NotEmpty(t, m.Element, "the best fit is given to look at")
	assert.InDelta(t, 0.03+3*(5.0/270+50.0/1200/2), misfit.Allowed, 1e-9, "270 A and 1200 s are taken for rounded to two digits")
	assert.Greater(t, misfit.Worst, misfit.Allowed)
	assert.ErrorContains(t, err, "more than the 14.8 % allowed")
}

func TestPulsesWear(t *testing.T) {
	m, err := thermal.FitFuse(demoCurve())
	require.NoError(t, err)
	assert.InEpsilon(t, 1, m.PulseShare(600, m.MeltTime(600).Time), 1e-9)
	assert.InEpsilon(t, 1500*1500*1e-4/m.PreArcingI2t(), m.PulseShare(1500, 1e-4), 0.01, "a short pulse by its I²t alone")
}

// FuzzFitFuse asks for any curve whatever: never a panic, always a typed error or a
// model whose curve falls.
func FuzzFitFuse(f *testing.F) {
	f.Add(200.0, 270.0, 1200.0, 400.0, 60.0, 2000.0, 0.2, 220.0, 1e5, 300e3, 240.0, uint8(0))
	f.Add(1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0, uint8(1))
	f.Add(100.0, 101.0, 1e300, 1e200, 1e-300, 1e250, 1e-320, 100.0, math.Inf(1), 0.0, 0.0, uint8(2))
	f.Fuzz(func(t *testing.T, rating, i1, t1, i2, t2, i3, t3, ic, tc, i2t, least float64, edge uint8) {
		m, err := thermal.FitFuse(thermal.FuseCurve{
			Rating: rating, PreArcingI2t: i2t, LeastMelting: least, Edge: thermal.Edge(edge % 3),
			Points: []thermal.CurvePoint{{ic, tc, thermal.Carries}, {i1, t1, thermal.Melts}, {i2, t2, thermal.Melts}, {i3, t3, thermal.Melts}},
		})
		var curve *thermal.CurveError
		var steep *thermal.SteepError
		var misfit *thermal.MisfitError
		switch {
		case errors.As(err, &curve), errors.As(err, &steep):
			assert.NotEmpty(t, err.Error())
			return
		case errors.As(err, &misfit):
			assert.NotEmpty(t, err.Error())
		default:
			require.NoError(t, err)
			assert.LessOrEqual(t, m.Misfit.Worst, 0.03)
		}
		last := math.Inf(1)
		for _, factor := range []float64{1.1, 1.5, 2, 4, 10, 100} {
			now := m.MeltTime(factor * rating).Time
			assert.LessOrEqual(t, now, last)
			last = now
		}
	})
}

func BenchmarkFitFuse(b *testing.B) {
	c := demoCurve()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := thermal.FitFuse(c); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkFuseDerivatives(b *testing.B) {
	m, err := thermal.FitFuse(demoCurve())
	require.NoError(b, err)
	x, dx := make([]float64, m.States()), make([]float64, m.States())
	b.ReportAllocs()
	for b.Loop() {
		m.Derivatives(300, x, dx)
	}
}
