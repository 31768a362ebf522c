// Package hydro holds the water's side of a drive: the propeller's thrust and
// torque in all four quadrants, and the hull's resistance, wake and inertia.
//
// Signs. Ahead is positive for the speed of advance va, the shaft speed n and
// the thrust. Torque is what the shaft must put into the propeller, positive in
// the direction of positive n; a negative product of torque and n means the
// water turns the shaft (windmilling). So the power the propeller takes from
// shaft and stream, 2π·n·Q − T·va, is never negative.
//
// Units are SI: n in rev/s, va in m/s, density in kg/m³, thrust in N, torque in N·m.
//
// How sure. The first quadrant is as good as its input: a measured open-water
// table, the Wageningen B-series regression (a few per cent), or one measured
// point. The other quadrants take the shape of published four-quadrant tests of
// the B4 series, scaled to meet the first quadrant: an estimate, good to 10-20 %
// for a propeller like those, worse for others. The resistance estimate from
// hull dimensions is rougher still. Measure before you trust a margin to it.
//
// Every value here is immutable once made and safe for several goroutines.
package hydro
