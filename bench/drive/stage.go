package drive

import (
	"math"

	"quaybench/bench/boat"
)

// stage is the averaged chopper.
type stage struct {
	braking      bool
	frequency    float64
	switchR      float64 // Ω at 25 °C
	rise         float64 // 1/K
	switching    float64 // s
	diode        bool
	diodeDrop    float64
	freewheelR   float64
	housekeeping float64 // W, coil of the contactor included
	capacitance  float64
	esr          float64
	loop         float64         // s
	foster       [2][][2]float64 // switch and freewheel: K/W, s
	coilPower    float64
	spoil        func(*Electric) // tests make operating points wrong here, to see that it is noticed
}

func newStage(b *boat.Stage, coil float64) stage {
	s := stage{
		braking:      b.Braking,
		frequency:    b.SwitchingFrequency.SI,
		switchR:      b.SwitchResistance.SI,
		rise:         b.SwitchResistanceRise.SI,
		switching:    b.SwitchingTime.SI,
		diode:        b.Freewheel == "diode",
		diodeDrop:    b.FreewheelDrop.SI,
		freewheelR:   b.FreewheelResistance.Or(b.SwitchResistance.SI),
		housekeeping: b.Housekeeping.SI,
		coilPower:    coil,
		capacitance:  b.Capacitance.SI,
		esr:          b.CapacitorESR.SI,
		loop:         b.CurrentLoopTime.SI,
	}
	freewheel := b.FreewheelHeat
	if len(freewheel) == 0 {
		freewheel = b.SwitchHeat
	}
	for _, row := range b.SwitchHeat {
		s.foster[0] = append(s.foster[0], [2]float64{row[0], row[1]})
	}
	for _, row := range freewheel {
		s.foster[1] = append(s.foster[1], [2]float64{row[0], row[1]})
	}
	return s
}

// devices is what the conducting devices present at their temperatures: the driving switch's resistance, and the
// freewheel path's resistance and constant drop.
type devices struct {
	switchR, freewheelR, freewheelV float64
}

func (s *stage) devices(switchT, freewheelT float64) devices {
	hot := func(T float64) float64 { return max(0.3, 1+s.rise*(T-298.15)) }
	d := devices{switchR: s.switchR * hot(switchT)}
	if s.diode {
		d.freewheelV = s.diodeDrop
	} else {
		d.freewheelR = s.freewheelR * hot(freewheelT)
	}
	return d
}

// deviceSlopes returns the changes of the driving switch's and the freewheel path's resistance per kelvin.
func (s *stage) deviceSlopes(switchT, freewheelT float64) (switchR, freewheelR float64) {
	slope := func(T, ohms float64) float64 {
		if 1+s.rise*(T-298.15) < 0.3 {
			return 0
		}
		return ohms * s.rise
	}
	switchR = slope(switchT, s.switchR)
	if !s.diode {
		freewheelR = slope(freewheelT, s.freewheelR)
	}
	return switchR, freewheelR
}

// path returns the drop of the freewheel path at current magnitude i.
func (d devices) path(i float64) float64 {
	if d.freewheelV == 0 {
		return d.freewheelR * i
	}
	return d.freewheelR*i + d.freewheelV*tanh(2*i)
}

// pathSlope returns the change of path per ampere, Ω.
func (d devices) pathSlope(i float64) float64 { return d.freewheelR + 2*d.freewheelV*bell(2*i) }

// bridge returns what the stage does to put u on the motor at current i (either sign) from link voltage V: the share of the
// time for which the motor is joined to the link, negative where that is the other way round, and what it loses.
// Between the drop of the freewheel path and that of the switches it works both ways round in turn.
func (s *stage) bridge(u, i, V, inductance float64, d devices) (joined float64, l losses) {
	against := s.against(u, i, d)
	if against < 1 {
		joined = s.duty(u, i, V, d)
		l = s.losses(joined, i, V, inductance, d)
	}
	if against > 0 {
		D := s.duty(-u, -i, V, d)
		joined = (1-against)*joined - against*D
		l = l.mixed(s.losses(D, -i, V, inductance, d), against)
	}
	return joined, l
}

// against returns the share of the time for which the bridge works against the current's direction: 1 while it brakes. A stage
// without a braking quadrant never does: it goes no lower than the freewheel path's drop.
func (s *stage) against(u, i float64, d devices) float64 {
	if !s.braking || i < 0 || u >= 0 {
		return 0
	}
	freewheel, on := d.path(math.Abs(i)), d.switchR*math.Abs(i)
	least, most := min(freewheel, on), max(freewheel, on)
	switch {
	case -u <= least:
		return 0
	case -u >= most:
		return 1
	}
	return (-u - least) / (most - least)
}

// duty solves the averaged chopper for the duty that puts u (≥ 0) on the motor at current i (along u; negative while
// braking) from link voltage V. With the switch on, the capacitor supplies (1 − D)·i through its series resistance,
// which the plain average misses: u = D·(V − Rs·i − ESR·(1 − D)·i) − (1 − D)·freewheel drop.
func (s *stage) duty(u, i, V float64, d devices) float64 {
	var b, c float64
	a := s.esr * i
	if i >= 0 {
		w := d.path(i)
		b, c = V-d.switchR*i-a+w, u+w
	} else { // the freewheel device conducts to the battery, the switch closes the loop
		b, c = V+d.path(-i)-a+d.switchR*i, u+d.switchR*i
	}
	root := b*b + 4*a*c
	if root < 0 {
		root = 0
	}
	return 2 * c / (b + math.Sqrt(root))
}

// output returns the motor voltage at duty D: the inverse of duty.
func (s *stage) output(D, i, V float64, d devices) float64 {
	if i >= 0 {
		return D*(V-d.switchR*i-s.esr*(1-D)*i) - (1-D)*d.path(i)
	}
	return D*(V+d.path(-i)-s.esr*(1-D)*i) - (1-D)*d.switchR*i
}

// outputSlopes returns the changes of output with duty and with current; with the link voltage it changes by the duty.
func (s *stage) outputSlopes(D, i, V float64, d devices) (byDuty, byCurrent float64) {
	byDuty = V - s.esr*(1-2*D)*i
	if i >= 0 {
		return byDuty - d.switchR*i + d.path(i), -D*(d.switchR+s.esr*(1-D)) - (1-D)*d.pathSlope(i)
	}
	return byDuty + d.path(-i) + d.switchR*i, -D*(d.pathSlope(-i)+s.esr*(1-D)) - (1-D)*d.switchR
}

// standby returns the power that the stage takes without motor current.
func (s *stage) standby() float64 { return s.housekeeping + s.coilPower }

// switched returns the switching loss of a stage that chops current i at link voltage V.
func (s *stage) switched(i, V float64) float64 {
	return 0.5 * V * math.Abs(i) * s.switching * s.frequency
}

// tanh returns math.Tanh(x), without computing it where that is 1 to the last digit.
func tanh(x float64) float64 {
	if math.Abs(x) > 20 {
		return math.Copysign(1, x)
	}
	return math.Tanh(x)
}

// bell returns the slope of the hyperbolic tangent.
func bell(x float64) float64 {
	t := tanh(x)
	return 1 - t*t
}

// chopping returns 1 while the stage chops and goes to 0 at full duty, where nothing switches.
func chopping(D float64) float64 {
	if D <= 0.98 {
		return 1
	}
	return max(0, (1-D)/0.02)
}

// choppingSlope returns the change of chopping with the duty, at its ends that from below.
func choppingSlope(D float64) float64 {
	if x := (1 - D) / 0.02; x >= 1 || x < 0 {
		return 0
	}
	return -1 / 0.02
}

// losses of the stage at an operating point.
type losses struct {
	conductionSwitch, conductionFreewheel float64 // part of the motor loop: already in the duty
	switching, rippleCapacitor            float64
	rippleMotor                           float64 // W per ohm: mean square of the ripple current
	rippleStage                           float64 // the ripple's part of conduction: drawn from the link, not in the duty
}

// mixed returns the mean of l and o over time, o for the given share of it.
func (l losses) mixed(o losses, share float64) losses {
	mix := func(a, b float64) float64 { return a + share*(b-a) }
	return losses{
		mix(l.conductionSwitch, o.conductionSwitch), mix(l.conductionFreewheel, o.conductionFreewheel),
		mix(l.switching, o.switching), mix(l.rippleCapacitor, o.rippleCapacitor), mix(l.rippleMotor, o.rippleMotor),
		mix(l.rippleStage, o.rippleStage),
	}
}

// losses returns the losses at duty D, current i (along the motor voltage; negative while braking) and link voltage V. The ripple current of
// the motor, a triangle, adds its mean square to i² wherever there is resistance; over a constant drop it adds nothing.
func (s *stage) losses(D, i, V, inductance float64, d devices) losses {
	var l losses
	mag := math.Abs(i)
	ripple := V * D * (1 - D) / (inductance * s.frequency) * tanh(mag) // without current the stage is off
	square := ripple * ripple / 12
	inSwitch, inFreewheel := D, 1-D // shares of the time
	if i < 0 {
		inSwitch, inFreewheel = 1-D, D
	}
	l.conductionSwitch = inSwitch * d.switchR * (i*i + square)
	l.conductionFreewheel = inFreewheel * (d.path(mag)*mag + d.freewheelR*square)
	l.rippleMotor = square
	l.rippleStage = (inSwitch*d.switchR + inFreewheel*d.freewheelR) * square
	l.switching = s.switched(i, V) * chopping(D)
	l.rippleCapacitor = s.esr * D * (1 - D) * i * i
	return l
}
