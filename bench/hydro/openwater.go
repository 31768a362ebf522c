package hydro

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
)

// OpenWater is a propeller known by its open-water test.
type OpenWater struct {
	Diameter float64        // m
	Rows     []OpenWaterRow // by rising J, two at the least

	// PitchRatio and AreaRatio choose the four-quadrant shape only. Zero pitch ratio:
	// that of the B-series propeller with the torque of the first row. Zero area
	// ratio: 0.55.
	PitchRatio float64
	AreaRatio  float64
}

// OpenWaterRow is one row of an open-water test.
type OpenWaterRow struct {
	J  float64 // advance coefficient va/(n·D), zero or more
	KT float64 // thrust coefficient T/(ρn²D⁴)
	KQ float64 // torque coefficient Q/(ρn²D⁵)
}

// NewOpenWater returns the propeller o describes. Between rows it interpolates
// monotonically (Fritsch and Butland 1984); outside them it takes the estimated
// four-quadrant shape. Errors are [*RowError] and [*RangeError].
func NewOpenWater(o OpenWater) (*Screw, error) {
	if err := within("propeller diameter in m", o.Diameter, 0.01, 20, "a propeller"); err != nil {
		return nil, fmt.Errorf("open-water propeller: %w", err)
	}
	curve, err := newOpenWaterCurve(o.Rows)
	if err != nil {
		return nil, fmt.Errorf("open-water propeller: %w", err)
	}
	s := shape{pitch: o.PitchRatio, area: o.AreaRatio}
	if s.area == 0 {
		s.area = 0.55
	}
	if s.pitch == 0 {
		sister := BSeries{Blades: 4, AreaRatio: math.Min(math.Max(s.area, 0.30), 1.05)}
		s.pitch = pitchForTorque(sister, o.Rows[0].J, o.Rows[0].KQ)
	}
	for _, err := range []error{
		within("pitch over diameter", s.pitch, 0.3, 2, "a propeller"),
		within("blade area ratio", s.area, 0.2, 1.3, "a propeller"),
	} {
		if err != nil {
			return nil, fmt.Errorf("open-water propeller: %w", err)
		}
	}
	first, last := o.Rows[0].J, o.Rows[len(o.Rows)-1].J
	return newScrew(o.Diameter, curve, first, last, s)
}

// openWaterCurve is a test, interpolated.
type openWaterCurve struct{ kt, kq interp.FritschButland }

func (c *openWaterCurve) KT(j float64) float64 { return c.kt.Predict(j) }
func (c *openWaterCurve) KQ(j float64) float64 { return c.kq.Predict(j) }

func newOpenWaterCurve(rows []OpenWaterRow) (*openWaterCurve, error) {
	const table = "open-water table"
	if len(rows) < 2 {
		return nil, &RowError{Table: table, Why: fmt.Sprintf("it has %d rows; give two at the least", len(rows))}
	}
	var j, kt, kq []float64
	for i, r := range rows {
		why := ""
		switch {
		case !finite(r.J, r.KT, r.KQ):
			why = "a value is not a finite number"
		case r.J < 0 || r.J > 5:
			why = fmt.Sprintf("J %g is outside 0 to 5", r.J)
		case math.Abs(r.KT) > 5 || math.Abs(r.KQ) > 5:
			why = fmt.Sprintf("KT %g or KQ %g is above 5, which no propeller reaches", r.KT, r.KQ)
		case i > 0 && r.J-rows[i-1].J < 1e-6:
			why = fmt.Sprintf("J %g does not rise above the row before (%g)", r.J, rows[i-1].J)
		case i == 0 && (r.KT <= 0 || r.KQ <= 0):
			why = "the first row must drive: KT and KQ above zero"
		case r.J*r.KT >= 2*math.Pi*r.KQ:
			why = fmt.Sprintf("J·KT %g is not below 2π·KQ %g: more power out than in", r.J*r.KT, 2*math.Pi*r.KQ)
		}
		if why != "" {
			return nil, &RowError{Table: table, Row: i + 1, Why: why}
		}
		j, kt, kq = append(j, r.J), append(kt, r.KT), append(kq, r.KQ)
	}
	c := new(openWaterCurve)
	if err := c.kt.Fit(j, kt); err != nil {
		return nil, &RowError{Table: table, Why: err.Error()}
	}
	if err := c.kq.Fit(j, kq); err != nil {
		return nil, &RowError{Table: table, Why: err.Error()}
	}
	return c, nil
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
