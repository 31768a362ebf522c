package hydro

import (
	"fmt"
	"math"
)

// Holtrop is a displacement hull for the statistical method of Holtrop and Mennen in
// its 1982 form (Int. Shipbuilding Progress 29, pp. 166-170). Do not mix it with the
// 1984 form, whose form factor differs ([FormFactor1984]). It comes from ships; on a
// small launch it is an estimate like any other.
type Holtrop struct {
	Length  float64 // waterline, m
	Beam    float64 // m
	Draught float64 // m, the same fore and aft
	Volume  float64 // displaced, m³

	Midship     float64 // midship section coefficient CM
	Waterplane  float64 // waterplane coefficient CWP
	LCB         float64 // centre of buoyancy forward of ½·L, % of L (aft: negative)
	Transom     float64 // immersed transom area at rest, m²
	BulbArea    float64 // transverse area of a bulbous bow, m²
	BulbHeight  float64 // its centre above the keel, m
	SternShape  float64 // Cstern: −10 V, 0 normal, +10 U sections
	Appendages  float64 // wetted area, m²
	AppendageK2 float64 // 1+k2, 1.5 for a rudder behind the stern; zero counts as 1
}

// HoltropForces are the components in N.
type HoltropForces struct {
	Friction   float64 // RF, the bare ITTC-1957 line
	FormFactor float64 // 1+k1, on the friction
	Appendage  float64 // RAPP
	Wave       float64 // RW
	Bulb       float64 // RB
	Transom    float64 // RTR
	Allowance  float64 // RA, model-ship correlation
}

// Total returns the resistance in N.
func (f HoltropForces) Total() float64 {
	return f.Friction*f.FormFactor + f.Appendage + f.Wave + f.Bulb + f.Transom + f.Allowance
}

// Curve returns the resistance, sampled up to Froude number 0.40, where the 1982 form
// ends, or a [*RangeError].
func (h Holtrop) Curve(w Water) (*Curve, error) {
	cp := h.prismatic()
	for _, err := range []error{
		within("waterline length in m", h.Length, 1, 500, "a boat"),
		within("length over beam", h.Length/h.Beam, 2.5, 15, "Holtrop-Mennen 1982: 3.9 to 15, stretched for launches"),
		within("beam over draught", h.Beam/h.Draught, 2, 8, "Holtrop-Mennen 1982: 2.1 to 4, stretched for launches"),
		within("prismatic coefficient", cp, 0.5, 0.85, "Holtrop-Mennen 1982: 0.55 to 0.85"),
		within("midship coefficient", h.Midship, 0.5, 1, "a hull"),
		within("waterplane coefficient", h.Waterplane, 0.5, 0.98, "a hull"),
		within("centre of buoyancy in % of L", h.LCB, -6, 6, "a hull"),
		within("transom area in m²", h.Transom, 0, h.Beam*h.Draught, "a hull"),
		within("bulb area in m²", h.BulbArea, 0, h.Beam*h.Draught, "a hull"),
		// Otherwise the entrance angle's power has no real value.
		within("1-CP-0.0225·LCB", 1-cp-0.0225*h.LCB, 0.01, 1, "Holtrop-Mennen 1982 entrance angle"),
		within("1-CP+0.0225·LCB", 1-cp+0.0225*h.LCB, 0.01, 1, "Holtrop-Mennen 1982 form factor"),
	} {
		if err != nil {
			return nil, fmt.Errorf("holtrop hull: %w", err)
		}
	}
	var rows []SpeedForce
	for i := 2; i <= 32; i++ {
		v := float64(i) * 0.0125 * math.Sqrt(Gravity*h.Length)
		rows = append(rows, SpeedForce{Speed: v, Force: h.Forces(v, w).Total()})
	}
	return newCurve("holtrop hull", rows)
}

// Forces returns the components at speed v (m/s, above zero).
func (h Holtrop) Forces(v float64, w Water) HoltropForces {
	s := h.wettedSurface()
	pressure := 0.5 * w.Density * v * v
	cf := FrictionCoefficient(v * h.Length / w.Viscosity)
	return HoltropForces{
		Friction:   pressure * s * cf,
		FormFactor: h.formFactor(),
		Appendage:  pressure * h.Appendages * math.Max(h.AppendageK2, 1) * cf,
		Wave:       h.wave(v, w.Density),
		Bulb:       h.bulb(v, w.Density),
		Transom:    h.transom(v, pressure),
		Allowance:  pressure * (s + h.Appendages) * h.allowance(),
	}
}

func (h Holtrop) block() float64 { return h.Volume / (h.Length * h.Beam * h.Draught) }

func (h Holtrop) prismatic() float64 { return h.block() / h.Midship }

// lengthOfRun is LR.
func (h Holtrop) lengthOfRun() float64 {
	cp := h.prismatic()
	return h.Length * (1 - cp + 0.06*cp*h.LCB/(4*cp-1))
}

func (h Holtrop) wettedSurface() float64 {
	cb := h.block()
	return h.Length*(2*h.Draught+h.Beam)*math.Sqrt(h.Midship)*
		(0.453+0.4425*cb-0.2862*h.Midship-0.003467*h.Beam/h.Draught+0.3696*h.Waterplane) +
		2.38*h.BulbArea/cb
}

// c12 and c13 belong to the form factor.
func (h Holtrop) c12() float64 {
	switch t := h.Draught / h.Length; {
	case t > 0.05:
		return math.Pow(t, 0.2228446)
	case t > 0.02:
		return 48.20*math.Pow(t-0.02, 2.078) + 0.479948
	default:
		return 0.479948
	}
}

func (h Holtrop) c13() float64 { return 1 + 0.003*h.SternShape }

// formFactor is 1+k1. Its LCB term has the opposite sign of the entrance angle's.
func (h Holtrop) formFactor() float64 {
	cp := h.prismatic()
	return h.c13() * (0.93 + h.c12()*math.Pow(h.Beam/h.lengthOfRun(), 0.92497)*
		math.Pow(0.95-cp, -0.521448)*math.Pow(1-cp+0.0225*h.LCB, 0.6906))
}

// FormFactor1984 returns 1+k1 in the form of Holtrop's 1984 re-analysis.
func (h Holtrop) FormFactor1984() float64 {
	cp, l := h.prismatic(), h.Length
	return 0.93 + 0.487118*(1+0.011*h.SternShape)*math.Pow(h.Beam/l, 1.06806)*math.Pow(h.Draught/l, 0.46106)*
		math.Pow(l/h.lengthOfRun(), 0.121563)*math.Pow(l*l*l/h.Volume, 0.36486)*math.Pow(1-cp, -0.604247)
}

// entranceAngle is iE, half the angle of entrance of the waterline, in degrees.
func (h Holtrop) entranceAngle() float64 {
	cp, l := h.prismatic(), h.Length
	return 1 + 89*math.Exp(-math.Pow(l/h.Beam, 0.80856)*math.Pow(1-h.Waterplane, 0.30484)*
		math.Pow(1-cp-0.0225*h.LCB, 0.6367)*math.Pow(h.lengthOfRun()/h.Beam, 0.34574)*
		math.Pow(100*h.Volume/(l*l*l), 0.16302))
}

func (h Holtrop) c7() float64 {
	switch b := h.Beam / h.Length; {
	case b < 0.11:
		return 0.229577 * math.Cbrt(b)
	case b <= 0.25:
		return b
	default:
		return 0.5 - 0.0625/b
	}
}

func (h Holtrop) c1() float64 {
	return 2223105 * math.Pow(h.c7(), 3.78613) * math.Pow(h.Draught/h.Beam, 1.07961) *
		math.Pow(90-h.entranceAngle(), -1.37565)
}

func (h Holtrop) c3() float64 {
	a := h.BulbArea
	return 0.56 * math.Pow(a, 1.5) / (h.Beam * h.Draught * (0.31*math.Sqrt(a) + h.Draught - h.BulbHeight))
}

func (h Holtrop) c2() float64 { return math.Exp(-1.89 * math.Sqrt(h.c3())) }

func (h Holtrop) c5() float64 { return 1 - 0.8*h.Transom/(h.Beam*h.Draught*h.Midship) }

func (h Holtrop) lambda() float64 {
	if h.Length/h.Beam < 12 {
		return 1.446*h.prismatic() - 0.03*h.Length/h.Beam
	}
	return 1.446*h.prismatic() - 0.36
}

func (h Holtrop) m1() float64 {
	cp := h.prismatic()
	c16 := 8.07981*cp - 13.8673*cp*cp + 6.984388*cp*cp*cp
	if cp >= 0.80 {
		c16 = 1.73014 - 0.7067*cp
	}
	return 0.0140407*h.Length/h.Draught - 1.75254*math.Cbrt(h.Volume)/h.Length - 4.79323*h.Beam/h.Length - c16
}

func (h Holtrop) c15() float64 {
	switch s := math.Pow(h.Length, 3) / h.Volume; {
	case s < 512:
		return -1.69385
	case s > 1727:
		return 0
	default:
		return -1.69385 + (math.Cbrt(s)-8)/2.36
	}
}

func (h Holtrop) m2(fn float64) float64 {
	cp := h.prismatic()
	return h.c15() * cp * cp * math.Exp(-0.1/(fn*fn))
}

func (h Holtrop) wave(v, rho float64) float64 {
	fn := FroudeNumber(v, h.Length)
	return h.c1() * h.c2() * h.c5() * h.Volume * rho * Gravity *
		math.Exp(h.m1()*math.Pow(fn, -0.9)+h.m2(fn)*math.Cos(h.lambda()/(fn*fn)))
}

// emergence is PB, how far the bulb comes out.
func (h Holtrop) emergence() float64 {
	return 0.56 * math.Sqrt(h.BulbArea) / (h.Draught - 1.5*h.BulbHeight)
}

// bulbFroude is Fni, on the immersion of the bulb.
func (h Holtrop) bulbFroude(v float64) float64 {
	return v / math.Sqrt(Gravity*(h.Draught-h.BulbHeight-0.25*math.Sqrt(h.BulbArea))+0.15*v*v)
}

func (h Holtrop) bulb(v, rho float64) float64 {
	if h.BulbArea == 0 {
		return 0
	}
	p, f := h.emergence(), h.bulbFroude(v)
	return 0.11 * math.Exp(-3/(p*p)) * f * f * f * math.Pow(h.BulbArea, 1.5) * rho * Gravity / (1 + f*f)
}

func (h Holtrop) transom(v, pressure float64) float64 {
	if h.Transom == 0 {
		return 0
	}
	f := v / math.Sqrt(2*Gravity*h.Transom/(h.Beam+h.Beam*h.Waterplane))
	return pressure * h.Transom * math.Max(0, 0.2*(1-0.2*f))
}

// allowance is CA.
func (h Holtrop) allowance() float64 {
	c4 := math.Min(h.Draught/h.Length, 0.04)
	return 0.006*math.Pow(h.Length+100, -0.16) - 0.00205 +
		0.003*math.Sqrt(h.Length/7.5)*math.Pow(h.block(), 4)*h.c2()*(0.04-c4)
}
