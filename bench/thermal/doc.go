// Package thermal holds the one mechanism by which anything on board heats:
// a network of heat capacities and thermal resistances, and the ways of fitting
// one to a published curve.
//
//   - Network: nodes, boundaries (air, compartment, water) and the links between
//     them; derivatives, matrices, steady state, exact solution over time.
//   - Foster and Cauer: the two ladder forms of a network seen from one node,
//     the conversion both ways, transient impedance and
//     pulse trains.
//   - Fuse: a pair of ladders fitted to the fastest and the slowest melting
//     curve; melting times, intervals for any current history, published classes.
//   - Conductors and cables: resistance, short-time withstand, ampacity turned
//     into a one-node network.
//   - Insulation: thermal classes and the life used.
//
// Everything is SI: kelvin (absolute temperatures and differences), watt,
// joule per kelvin, kelvin per watt, ampere, second, metre, square metre, ohm.
//
// Values of this package are read-only once built, so they may be shared between
// goroutines; the exceptions say so. Nothing here prints, blocks or keeps global
// state. A model of heat is only as good as the figures it is given: a result of
// this package is no proof that a real part survives.
package thermal
