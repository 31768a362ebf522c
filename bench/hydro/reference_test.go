package hydro

import "math"

// What tests ask of a propeller beside its loads.

// Diameter returns the diameter in m.
func (s *Screw) Diameter() float64 { return s.diameter }

// advanceRange returns the advance coefficients between which the first-quadrant
// source is used as it stands; outside, the estimated four-quadrant shape takes over.
func (s *Screw) advanceRange() (low, high float64) { return s.jLow, s.jHigh }

// Star returns the four-quadrant coefficients C_T* and C_Q* at hydrodynamic
// pitch angle beta = atan2(va, 0.7π·n·D), in radians from −π to π.
func (s *Screw) Star(beta float64) (ct, cq float64) { return s.all.at(beta) }

// efficiency returns the open-water efficiency J·KT/(2π·KQ), or 0 where the
// propeller does not drive.
func (s *Screw) efficiency(j float64) float64 {
	kt, kq := s.KT(j), s.KQ(j)
	if j <= 0 || kt <= 0 || kq <= 0 {
		return 0
	}
	return j * kt / (2 * math.Pi * kq)
}
